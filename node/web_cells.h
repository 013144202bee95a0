/*
 * web_cells.h: every bib of the event as one cell, and what was done when, followed record by
 * record. For web_floor.c. It reads the ledger in slices and never writes. One thread, the
 * ledger's.
 */
#ifndef BIBWEAVE_WEB_CELLS_H
#define BIBWEAVE_WEB_CELLS_H

#include <jansson.h>

#include "common/pairs.h"

/* How a cell looks on the map: one letter each, in runs ("120.3c1d"). */
enum web_cell {
    WEB_CELL_BARE = '.',    /* not chipped */
    WEB_CELL_CHIPPED = 'c', /* by the table whose number it is, or nobody's number */
    WEB_CELL_OTHERS = 'o',  /* chipped by a table whose number it was not, and that still works */
    WEB_CELL_HALF = 'p',    /* fewer chips than its set has */
    WEB_CELL_DOUBLED = 'd',
    WEB_CELL_SHARED = 's',  /* its chip is on another bib, too */
    WEB_CELL_EMPTIED = 'e', /* needs a new chip */
    WEB_CELL_DOUBT = 'q',   /* a record that does not count bears on it */
    WEB_CELL_HELD = 'h',
    WEB_CELL_MISSING = 'm',
    WEB_CELL_REPRINT = 'r',
};

struct web_cells;
/* Errors: ERR_DAMAGED if `found` is not held yet, ERR_MEMORY. */
enum error_code web_cells_new(struct ledger *ledger, struct web_cells **out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void web_cells_free(struct web_cells *cells); /* NULL is fine */

/* Follows the ledger for about `slice_ms`; true while there is more. */
bool web_cells_follow(struct web_cells *cells, int64_t slice_ms) __attribute__((nonnull));

/* Marks lie over the cells until web_cells_unmark. A label that is on no map is left out. */
void web_cells_unmark(struct web_cells *cells) __attribute__((nonnull));
void web_cells_mark(struct web_cells *cells, const char *label, enum web_cell as)
    __attribute__((nonnull));
/* Marks what is on hold, and lists the first `max`: {"count", "list": [{"bib", "how", ...}]}. */
json_t *web_cells_holds(struct web_cells *cells, size_t max) __attribute__((nonnull));

/* Adds what is known of one station: "helper", "roll", "recent", "bibs". */
void web_cells_add_station(struct web_cells *cells, const struct sign_public *key, json_t *table)
    __attribute__((nonnull));
/* Adds "planned", "issued", "categories", "map" (null where there are too many), "pace". */
void web_cells_json(struct web_cells *cells, json_t *floor) __attribute__((nonnull));

#endif
