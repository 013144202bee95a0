/*
 * web_cells_state.h: what the parts of the map share. Private to web_cells*.c.
 */
#ifndef BIBWEAVE_WEB_CELLS_STATE_H
#define BIBWEAVE_WEB_CELLS_STATE_H

#include "node/web_cells.h"

enum {
    STATIONS_MAX = 255,
    NOBODY = 255,    /* as a cell's station */
    BATCH = 64,      /* records or bibs in one look at the clock */
    BIN_MS = 300000, /* of the pace */
    BINS_MAX = 2016, /* a week of them; what is outside of it comes from a clock that is wrong */
    RECENT_BINS = 2, /* in a station's "recent": this bin and the one before */
    STRETCHES_MAX = 2 * BIB_RANGES_MAX,
};

struct cell {
    uint8_t shown; /* enum web_cell, what the ledger says */
    uint8_t mark;  /* laid over it, or 0 */
    uint8_t owner, by;
    uint8_t category;
    bool half, dirty;
    int64_t allotted, issued; /* wall ms of the newest of either; INT64_MIN for none */
};
struct known_station {
    struct sign_public key;
    char helper[RECORD_HELPER_MAX + 1];
    char roll[RECORD_TEXT_MAX + 1];
    struct wall_ms last; /* of the record that helper is from */
    int64_t bin;         /* the newest with an issue */
    uint64_t in_bin, in_bin_before;
};
struct bin {
    int64_t number; /* wall ms / BIN_MS */
    uint64_t count;
};
struct web_cells {
    struct ledger *ledger;
    const struct record_found *found;
    uint64_t place; /* in the ledger */
    uint64_t epoch; /* of who counts, when the cells were asked for */
    bool owners_known;
    size_t stretch_count;
    struct bib_range stretch[STRETCHES_MAX]; /* one after another on the map */
    size_t count;
    struct cell *cell;
    size_t dirty_count;
    uint32_t *dirty;
    size_t station_count;
    struct known_station station[STATIONS_MAX];
    size_t bin_count;
    struct bin bin[BINS_MAX]; /* by number */
};

/* The cell of a bib; NULL for one that is on no map. */
struct cell *web_cells_find(struct web_cells *cells, const struct bib *bib)
    __attribute__((nonnull));

#endif
