/*
 * table.h: the desk of this table (common/desk.h) inside the running node: bound to its encoders,
 * to the station's log, and to whoever asks for its view.
 *
 * What the desk keeps is committed before an encoder gets an order, and what it records is
 * committed before the desk says so. Nothing here waits: encoders are processes that are read and
 * written without blocking, a bounded amount in each turn. One thread, the loop's.
 */
#ifndef BIBWEAVE_TABLE_H
#define BIBWEAVE_TABLE_H

#include <jansson.h>

#include "node/encoder.h"
#include "node/station.h"

enum {
    TABLE_ENCODERS_MAX = 4,
    TABLE_POLL_MAX = TABLE_ENCODERS_MAX * ENCODER_POLL_MAX,
    TABLE_GONE_MS = 1500,  /* a tag that was not heard for this long is gone */
    TABLE_NEWS_MS = 100,   /* between two looks at what came from elsewhere */
    TABLE_EVENTS_MAX = 16, /* of encoders in one turn */
};

struct table;

struct table_config {
    struct station *station; /* borrowed */
    /* NAME[:ARGS] each; the first that does not only type is the one that has the antenna. */
    const char *const *encoder;
    size_t encoder_count;
    int64_t gone_ms;
};

/* Makes the desk with what was kept, and encoders that start at the first step.
 * Errors: ERR_USAGE (no such encoder), ERR_LIMIT, ERR_MEMORY, the ledger's. */
enum error_code table_new(const struct table_config *config, struct table **out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Ends the encoders. NULL is fine. */
void table_free(struct table *table);

size_t table_poll(const struct table *table, zmq_pollitem_t *items, size_t max)
    __attribute__((nonnull));
/* Whether an encoder's words are here already: do not sleep. */
bool table_waiting(const struct table *table) __attribute__((nonnull));
struct mono_ms table_deadline(const struct table *table) __attribute__((nonnull));
/* Encoders, time, and what came from elsewhere since the last step.
 * Errors: those for which the node has to stop (ERR_DISK, ERR_DAMAGED, ERR_MEMORY). */
enum error_code table_step(struct table *table, struct mono_ms now, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* Whether other stations may know more than this one: told again is told once. The same errors. */
enum error_code table_behind(struct table *table, bool maybe, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* One input of a person. `now`, `wall` are filled in here. The same errors. */
enum error_code table_input(struct table *table, struct desk_event *event, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* What the desk says now; borrowed until the next call. */
const struct desk_view *table_view(const struct table *table) __attribute__((nonnull));

/* ---- as JSON (table_json.c) ---- */

/* The view as an object; NULL when memory runs out. A new reference. */
json_t *table_view_json(const struct desk_view *view) __attribute__((nonnull));
/* Reads one input, {"text":"42","scanned":true} and so on. Texts in *event borrow from `input`.
 * Errors: ERR_USAGE that says what is wrong; nothing was done. */
enum error_code table_input_read(const json_t *input, struct desk_event *event, struct error *err)
    __attribute__((nonnull(2, 3), warn_unused_result));

#endif
