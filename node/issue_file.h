/*
 * issue_file.h: `issue --from FILE`: a supplier's list of chips that were written before they came.
 */
#ifndef BIBWEAVE_ISSUE_FILE_H
#define BIBWEAVE_ISSUE_FILE_H

#include "node/options.h"

/* Begins the job in call->job. Every line is looked at before the first is recorded; with one that
 * is wrong nothing is. Errors: ERR_USAGE (other options that make no sense with it), ERR_MEMORY,
 * and the file's. */
enum error_code issue_file_begin(struct verb_call *call, const struct options *options,
                                 struct error *err) __attribute__((nonnull, warn_unused_result));

#endif
