/*
 * recovery.h: makes a station's ledger again from what is left of a damaged one, and says which
 * records are known to have been written and are not held. For verb_recover.c.
 */
#ifndef BIBWEAVE_RECOVERY_H
#define BIBWEAVE_RECOVERY_H

#include "node/keyfile.h"
#include "node/salvage.h"
#include "node/station.h"

struct recovery {
    char dir[4096];
    struct keyfile key;
    struct station_keys keys;
    struct salvage salvage;
    bool rebuilt;      /* there was damage, and a new ledger stands in its place */
    char kept[40];     /* where in the folder the damaged files are; "" if there were none */
    uint64_t salvaged; /* records that were got out of them */
    bool has_wake;
    struct wake wake; /* what the damaged folder said it wrote last */
};

/* Looks the folder over under its lock, and where its ledger is damaged or missing puts a new one
 * in its place, with all that could be got out of the old files. Those are moved aside only when
 * the new one is whole on disk; a crash in between is mended by doing it again.
 * Errors: ERR_NOT_FOUND (no station, or one that waits for its grant), ERR_BUSY (it runs), those of
 * the key file, ERR_TOO_NEW, ERR_FOREIGN, ERR_DISK_FULL, ERR_DISK, ERR_MEMORY; the folder is as it
 * was then. */
enum error_code recovery_rebuild(const char *dir, struct recovery *recovery, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Takes the same old files in once more, into the open ledger of the folder: what could not be
 * believed before, because the admits were lost, may be now. *again counts what was new; it is also
 * added to recovery->salvaged. Errors: the disk's, ERR_MEMORY. */
enum error_code recovery_again(struct recovery *recovery, struct ledger *ledger, uint64_t *again,
                               struct error *err) __attribute__((nonnull, warn_unused_result));
void recovery_release(struct recovery *recovery) __attribute__((nonnull));

/* A number that is missing, and its bib where that is known. */
struct recovery_bib {
    uint64_t number;
    struct bib bib;
};
/* A stretch of a log that was written and is not held. */
struct recovery_lack {
    struct log_id log;
    struct sign_public key;
    uint64_t from, to;
    size_t bib_count;
    struct recovery_bib *bib; /* by number */
};
struct recovery_lacks {
    size_t count, room;
    struct recovery_lack *lack;
};
/* What is still missing now that `station` holds what it holds. To be released in any case. */
enum error_code recovery_lacks(const struct recovery *recovery, const struct station *station,
                               struct recovery_lacks *lacks, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void recovery_lacks_release(struct recovery_lacks *lacks) __attribute__((nonnull));

#endif
