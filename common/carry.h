/*
 * carry.h: records in files, for USB sticks and for the merge after the event: a CBOR sequence
 * (RFC 8742) of records and nothing else.
 *
 * A carry file speaks for itself: with the root's `found` in it, it names its event, and every
 * record is signed. No file is opened here; bytes come and go by slices.
 * One thread, the ledger's.
 */
#ifndef BIBWEAVE_CARRY_H
#define BIBWEAVE_CARRY_H

#include "common/pairs.h"

/* What a whole carry file was found to hold. */
struct carry_report {
    uint64_t records; /* whole records seen */
    uint64_t stored;  /* of these, new here */
    uint64_t foreign; /* of another event */
    uint64_t denied;  /* of stations that are not admitted */
    uint64_t damaged; /* stretches of bytes that are no record, or records that do not verify */
    uint64_t gaps;    /* records whose predecessors are missing */
    bool truncated;   /* ends in the middle of a record */
};

/* Finds the event of a carry file: the first `found` that is number 2 of a log whose key and body
 * give an event id under which it verifies.
 * Errors: ERR_FORM (no record at all), ERR_NOT_FOUND (records, but none that names the event). */
enum error_code carry_event(struct slice file, struct ledger_event *event, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* Takes a whole file into a ledger in slices, so that a running node stays quick. The file's bytes
 * are borrowed until carry_in_free. Records may stand in any order and more than once; passes are
 * made until one brings nothing new. */
struct carry_in;
enum error_code carry_in_new(struct ledger *ledger, struct slice file, struct carry_in **out,
                             struct error *err) __attribute__((nonnull, warn_unused_result));
/* Takes up to `records_max` further records in one transaction of its own; *done when finished.
 * Errors: the disk's. */
enum error_code carry_in_step(struct carry_in *in, size_t records_max, bool *done,
                              struct error *err) __attribute__((nonnull, warn_unused_result));
struct carry_report carry_in_report(const struct carry_in *in) __attribute__((nonnull));
void carry_in_free(struct carry_in *in); /* NULL is fine */

#endif
