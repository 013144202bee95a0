/*
 * salvage.h: what can still be got out of a damaged ledger.
 *
 * Nothing that is found here is believed: the bytes go through carry_in, where each record proves
 * itself by id, chain and signature. The damaged files are only read.
 */
#ifndef BIBWEAVE_SALVAGE_H
#define BIBWEAVE_SALVAGE_H

#include "common/bib.h"
#include "common/ledger.h"

/* A row that says that an own record existed; unproven. */
struct salvage_hint {
    struct log_id log;
    uint64_t number;
    struct bib bib; /* "" where it was no issue, or is not known */
};

struct salvage {
    struct buffer rows; /* records that were committed, as far as rows can be read */
    struct buffer
        bytes;    /* the files as they are: records lie in there, also some never committed */
    size_t files; /* how many ledgers were there */
    uint64_t unreadable; /* pieces of 4096 bytes that the disk did not give */
    struct salvage_hint *hint;
    size_t hint_count, hint_room;
};

void salvage_init(struct salvage *salvage) __attribute__((nonnull));
void salvage_release(struct salvage *salvage) __attribute__((nonnull));
/* Adds the ledger and the write-ahead log in `folder`, if there are any: their bytes as they are,
 * and, from a copy of them that is made in the folder `room` and removed, their rows, and what
 * their tables say of the logs of `key`. Where there is no room, or no table can be read, that
 * second part is left out.
 * Errors: ERR_MEMORY, ERR_LIMIT (a file over 1 GiB), ERR_PERMISSION, ERR_DISK. */
enum error_code salvage_add(struct salvage *salvage, const char *folder, const char *room,
                            const struct sign_public *key, struct error *err)
    __attribute__((nonnull, warn_unused_result));

#endif
