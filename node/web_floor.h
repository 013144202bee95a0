/*
 * web_floor.h: what the lead's page shows of the whole event, as JSON.
 *
 * It follows the ledger in slices of a few ms while somebody looks, and never reads all of it at
 * once; what it gives is a copy of what the ledger says, never the source of anything. It never
 * writes. One thread, the ledger's.
 */
#ifndef BIBWEAVE_WEB_FLOOR_H
#define BIBWEAVE_WEB_FLOOR_H

#include <jansson.h>

#include "node/station.h"

enum {
    WEB_FLOOR_CELLS_MAX = 200000, /* bibs on the map; beyond it there is none */
    WEB_FLOOR_SLICE_MS = 3,
};

struct web_floor;
/* Errors: ERR_MEMORY. */
enum error_code web_floor_new(struct station *station, struct web_floor **out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void web_floor_free(struct web_floor *floor); /* NULL is fine */

/* One slice of catching up with the ledger. True while there is more to do. */
bool web_floor_follow(struct web_floor *floor) __attribute__((nonnull));
/* What the page shows: `status` and `doubles` are what the verbs of these names gave (borrowed).
 * A new reference; NULL when memory runs out or the ledger cannot be read. */
json_t *web_floor_json(struct web_floor *floor, json_t *status, json_t *doubles)
    __attribute__((nonnull));
/* {"number", "count", "bibs"}: what changed since the last handed-over list, as
 * `export --since-handover` would list it, the first 200 bibs by name. It reads all issues, voids
 * and holds once, so it is for a person who asks. NULL where no list is out. */
json_t *web_floor_since(struct web_floor *floor) __attribute__((nonnull));

#endif
