/*
 * carry_scan.h: cuts a carry file into records, and finds its footing again after damaged bytes.
 *
 * Records lie back to back (RFC 8742) and each begins with the same seven bytes, so what follows
 * a damaged stretch is found by searching for them. Any thread; no I/O; allocates nothing.
 */
#ifndef BIBWEAVE_CARRY_SCAN_H
#define BIBWEAVE_CARRY_SCAN_H

#include "common/record.h"

struct carry_scan {
    struct slice file; /* borrowed */
    size_t at;         /* where the next record is expected */
    uint64_t records;  /* whole ones so far */
    uint64_t damaged;  /* stretches of bytes so far that are no record */
    bool truncated;    /* the file ends in the middle of a record */
    unsigned searches; /* for carry_scan_event */
};

/* What one look at the file found. */
enum carry_found {
    CARRY_RECORD,  /* *record is filled, and borrows from the file */
    CARRY_SKIPPED, /* a stretch of damaged bytes was stepped over: look again */
    CARRY_END,
};

struct carry_scan carry_scan_of(struct slice file);
enum carry_found carry_scan_next(struct carry_scan *scan, struct record *record)
    __attribute__((nonnull));

/* Steps on to the next record that names its event and verifies under it: `found`, number 2 of a
 * log whose `open` stands anywhere in the file. False at the end. */
bool carry_scan_event(struct carry_scan *scan, struct sign_public *root, struct event_id *event)
    __attribute__((nonnull));

#endif
