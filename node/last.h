/*
 * last.h: the file `.NAME.last` beside the data folder NAME: the last record of each log that this
 * station wrote from there, so that a ledger which was put back from an older copy, or lost its
 * newest records, is known to be behind, and what it lacks can be named.
 *
 * Written after each commit, in place and without fsync (a microsecond or two): a lower bound of
 * what was written, never ahead of the ledger. A hint: lost, torn or unwritable it costs the
 * naming, nothing else. One thread.
 */
#ifndef BIBWEAVE_LAST_H
#define BIBWEAVE_LAST_H

#include "common/identity.h"

enum { LAST_ROWS_MAX = 4096 };

struct last_row {
    struct log_id log;
    uint64_t number;
    uint8_t id[16]; /* first bytes of that record's id */
};
struct last {
    int fd;
    size_t count;
    struct last_row *row; /* oldest log first; NULL where there is no file */
};

/* Reads the file of the folder `dir` and of the station `key`, and keeps it open for last_note.
 * Never fails: what cannot be read is left out, a file of another station begins anew. */
void last_open(struct last *last, const char *dir, const struct sign_public *key)
    __attribute__((nonnull));
/* The row that was begun last; NULL if there is none. Borrowed until the next call. */
const struct last_row *last_newest(const struct last *last) __attribute__((nonnull));
/* That `log` now ends with this record, which is committed. */
void last_note(struct last *last, const struct log_id *log, uint64_t number,
               const struct record_id *id) __attribute__((nonnull));
void last_close(struct last *last) __attribute__((nonnull)); /* fine on a zeroed one */

#endif
