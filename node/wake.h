/*
 * wake.h: the file `wake`: where and as what this folder last wrote, so that a folder that woke up
 * elsewhere (a copy, a restored backup, a moved disk, or just after a reboot) writes in a new
 * incarnation and never under a number that was used.
 *
 * The file is a hint without fsync: lost, torn or wrong it costs a new incarnation, nothing else.
 */
#ifndef BIBWEAVE_WAKE_H
#define BIBWEAVE_WAKE_H

#include "common/error.h"
#include "common/identity.h"

struct wake_file {
    uint64_t device, inode, birth_ns; /* birth 0 where the file system does not say */
};
struct wake {
    char boot[40];    /* boot id, or "" */
    char machine[40]; /* machine id, or "" */
    struct wake_file key, ledger;
    struct log_id log; /* the log that was last written */
    uint64_t number;   /* its last record at least */
};

/* Boot, machine and files of the folder as they are now. False where they cannot be read. */
bool wake_here(const char *dir, struct wake *wake) __attribute__((nonnull));
/* What the folder's file says; false if there is none that can be read. */
bool wake_read(const char *dir, struct wake *wake) __attribute__((nonnull));
/* Writes it; what goes wrong is not told, since the next start then begins anew. */
void wake_write(const char *dir, const struct wake *wake) __attribute__((nonnull));
/* What differs in boot, machine and files, as words for people; NULL if nothing does. */
const char *wake_differs(const struct wake *was, const struct wake *is) __attribute__((nonnull));

#endif
