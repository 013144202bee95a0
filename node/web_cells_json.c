/*
 * web_cells_json.c: what is laid over the cells of the map, and all of it as JSON. Must never show
 * a bib as done that needs a chip.
 */
#include <string.h>

#include "node/show_day.h"
#include "node/station.h"
#include "node/web_cells_state.h"

/* ---- marks ---- */

void web_cells_unmark(struct web_cells *cells) {
    for (size_t i = 0; i < cells->count; i++) {
        cells->cell[i].mark = 0;
    }
}

void web_cells_mark(struct web_cells *cells, const char *label, enum web_cell as) {
    struct bib bib;
    struct error ignored;
    if (bib_parse(slice_text(label), cells->found->zeros_count, &bib, &ignored) == ERR_OK) {
        struct cell *cell = web_cells_find(cells, &bib);
        if (cell != NULL) {
            cell->mark = (uint8_t)as;
        }
    }
}

struct holds {
    struct web_cells *cells;
    size_t max, count;
    json_t *list;
};

static bool add_hold(void *context, const struct pairs_hold *hold) {
    static const enum web_cell looks[] = {[HOLD_FREE] = 0,
                                          [HOLD_HELD] = WEB_CELL_HELD,
                                          [HOLD_MISSING] = WEB_CELL_MISSING,
                                          [HOLD_REPRINT] = WEB_CELL_REPRINT};
    struct holds *holds = context;
    struct cell *cell = web_cells_find(holds->cells, &hold->bib);
    if (cell != NULL) {
        cell->mark = (uint8_t)looks[hold->how];
    }
    if (holds->count++ < holds->max) {
        json_array_append_new(holds->list, show_hold_json(hold));
    }
    return true;
}

json_t *web_cells_holds(struct web_cells *cells, size_t max) {
    struct holds holds = {cells, max, 0, json_array()};
    struct error ignored;
    if (pairs_each_hold(cells->ledger, add_hold, &holds, &ignored) != ERR_OK) {
        json_array_clear(holds.list);
    }
    return json_pack("{s:I, s:o}", "count", (json_int_t)holds.count, "list", holds.list);
}

/* ---- JSON ---- */

void web_cells_add_station(struct web_cells *cells, const struct sign_public *key, json_t *table) {
    char text[1024];
    struct bib_ranges ranges = {0};
    struct error ignored;
    const struct known_station *known = NULL;
    for (size_t i = 0; i < cells->station_count; i++) {
        known = ID_EQUAL(cells->station[i].key, *key) ? &cells->station[i] : known;
    }
    if (pairs_allotted(cells->ledger, key, &ranges, &ignored) != ERR_OK) {
        ranges.count = 0;
    }
    bib_ranges_text(&ranges, text, sizeof text);
    int64_t bin = station_wall().ms / BIN_MS;
    uint64_t recent = 0;
    if (known != NULL && known->bin >= bin - (RECENT_BINS - 1)) {
        recent = known->in_bin + (known->bin == bin ? known->in_bin_before : 0);
    }
    json_object_set_new(table, "helper", show_text_json(known == NULL ? "" : known->helper));
    json_object_set_new(table, "roll", show_text_json(known == NULL ? "" : known->roll));
    json_object_set_new(table, "recent", json_integer((json_int_t)recent));
    json_object_set_new(table, "bibs", json_string(text));
}

static uint8_t look(const struct cell *cell) {
    bool bare = cell->shown == WEB_CELL_BARE || cell->shown == WEB_CELL_EMPTIED;
    bool hold = cell->mark == WEB_CELL_HELD || cell->mark == WEB_CELL_MISSING ||
                cell->mark == WEB_CELL_REPRINT;
    bool over = cell->mark != 0 && (hold ? bare : cell->shown != WEB_CELL_DOUBLED);
    return over ? cell->mark : cell->shown;
}

static json_t *map_json(const struct web_cells *cells) {
    struct buffer text;
    json_t *ranges = json_array();
    buffer_init(&text);
    for (size_t i = 0; i < cells->stretch_count; i++) {
        json_array_append_new(ranges, json_pack("[I, I]", (json_int_t)cells->stretch[i].first,
                                                (json_int_t)cells->stretch[i].last));
    }
    for (size_t i = 0, run = 0; i < cells->count; i++) {
        run++;
        if (i + 1 == cells->count || look(&cells->cell[i + 1]) != look(&cells->cell[i])) {
            if (run > 1) {
                buffer_print(&text, "%zu", run);
            }
            buffer_print(&text, "%c", look(&cells->cell[i]));
            run = 0;
        }
    }
    json_t *map = json_pack("{s:o, s:o}", "ranges", ranges, "cells",
                            json_stringn(text.size == 0 ? "" : (const char *)text.data, text.size));
    buffer_release(&text);
    return map;
}

/* Whether a bib needs nothing more: it has its chips. */
static bool is_done(const struct cell *cell) {
    return cell->shown == WEB_CELL_CHIPPED || cell->shown == WEB_CELL_OTHERS ||
           cell->shown == WEB_CELL_DOUBLED;
}

static void add_counts(const struct web_cells *cells, json_t *floor) {
    uint64_t planned[RECORD_CATEGORIES_MAX] = {0}, issued[RECORD_CATEGORIES_MAX] = {0};
    uint64_t all_planned = 0, all_issued = 0;
    json_t *categories = json_array();
    for (size_t i = 0; i < cells->count; i++) {
        const struct cell *cell = &cells->cell[i];
        planned[cell->category]++;
        issued[cell->category] += is_done(cell) ? 1 : 0;
    }
    for (size_t i = 0; i < cells->found->category_count; i++) {
        const struct slice *name = &cells->found->category[i].name;
        json_t *text = json_stringn(name->size == 0 ? "" : (const char *)name->data, name->size);
        all_planned += planned[i];
        all_issued += issued[i];
        json_array_append_new(categories,
                              json_pack("{s:o, s:I, s:I}", "name",
                                        text == NULL ? json_string("") : text, "planned",
                                        (json_int_t)planned[i], "issued", (json_int_t)issued[i]));
    }
    json_object_set_new(floor, "planned", json_integer((json_int_t)all_planned));
    json_object_set_new(floor, "issued", json_integer((json_int_t)all_issued));
    json_object_set_new(floor, "categories", categories);
}

void web_cells_json(struct web_cells *cells, json_t *floor) {
    json_t *bins = json_array();
    add_counts(cells, floor);
    json_object_set_new(floor, "map", cells->count == 0 ? json_null() : map_json(cells));
    for (size_t i = 0; i < cells->bin_count; i++) {
        json_array_append_new(bins, json_pack("[I, I]", (json_int_t)cells->bin[i].number * BIN_MS,
                                              (json_int_t)cells->bin[i].count));
    }
    json_object_set_new(floor, "pace", json_pack("{s:i, s:o}", "width_ms", BIN_MS, "bins", bins));
}
