/*
 * verb_rolls.h: what `roll` and `note` list. For verb_day.c alone.
 */
#ifndef BIBWEAVE_VERB_ROLLS_H
#define BIBWEAVE_VERB_ROLLS_H

#include "node/options.h"

/* `roll` without a roll's name: used, scrapped and left of each roll, and by table. Errors:
 * ERR_USAGE (options that need a roll), ERR_MEMORY, the ledger's. */
enum error_code rolls_list(struct verb_call *call, const struct options *options, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* `note` without a text: the counted notes, of one bib (NULL: of all and of none) and about one
 * station (NULL: whatever they are about). */
enum error_code rolls_notes(struct verb_call *call, const struct bib *bib,
                            const struct sign_public *about, struct error *err)
    __attribute__((nonnull(1, 4), warn_unused_result));

#endif
