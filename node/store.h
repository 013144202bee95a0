/*
 * store.h: records from peers on their way to the disk: a bounded queue, committed in slices.
 *
 * Many small batches share one transaction and so one fsync, and a slice is short, so that whoever
 * issues at this table waits at most that long. In the order in which they came. One thread, the
 * ledger's.
 */
#ifndef BIBWEAVE_STORE_H
#define BIBWEAVE_STORE_H

#include "common/sync.h"

enum {
    STORE_BYTES_MAX = 4194304, /* of waiting records: beyond this nothing more is read from peers */
    STORE_SLICE_MS = 10,
    STORE_SLICE_MAX = 256, /* batches in one slice */
    STORE_RETRY_MS = 2000, /* after a full disk */
};

struct store;
/* Errors: ERR_MEMORY. */
enum error_code store_new(struct ledger *ledger, struct store **out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void store_free(
    struct store *store); /* NULL is fine; what waits is forgotten, and asked for again */

/* Takes a STORE order; false when there is no memory. */
bool store_add(struct store *store, const struct sync_order *order) __attribute__((nonnull));
/* No more is to be read from peers for now. Not so in a pause: peers can go on asking. */
bool store_full(const struct store *store) __attribute__((nonnull));
/* When the next slice is due: INT64_MAX when nothing waits, later than now after a full disk. */
struct mono_ms store_due(const struct store *store) __attribute__((nonnull));

/* Takes and commits one slice. On an error nothing of it is stored; then every batch that waits is
 * given up (its result has `tried` false), and after ERR_DISK_FULL, ERR_BUSY and ERR_MEMORY there
 * is a pause, in which batches are given up at once when the queue is full.
 * Errors: as pairs_take and pairs_commit. */
enum error_code store_slice(struct store *store, struct error *err)
    __attribute__((nonnull, warn_unused_result));

struct store_result {
    struct curve_public peer;
    struct log_id log;
    bool tried;
    struct pairs_taken taken; /* when tried */
};
/* What became of the batches, in order; false when there is no more to say. */
bool store_next(struct store *store, struct store_result *result) __attribute__((nonnull));

#endif
