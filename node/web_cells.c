/*
 * web_cells.c: the cells of the map and the pace of the day, kept up to date from the records in
 * the order in which they come. Must never believe a record about what counts: what a cell shows is
 * asked of pairs.h for each bib that a record touches.
 */
#include "node/web_cells.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/show_day.h"
#include "node/station.h"
#include "node/web_floor.h"

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

/* ---- making ---- */

static bool add_stretches(struct web_cells *cells, const struct bib_ranges *ranges) {
    for (size_t i = 0; i < ranges->count; i++) {
        const struct bib_range *range = &ranges->range[i];
        uint64_t size = range->last - range->first + 1;
        if (size > WEB_FLOOR_CELLS_MAX || cells->count + size > WEB_FLOOR_CELLS_MAX ||
            cells->stretch_count == STRETCHES_MAX) {
            return false;
        }
        cells->stretch[cells->stretch_count++] = *range;
        cells->count += size;
    }
    return true;
}

/* Late-entry numbers lie among those of the event, or beside them. */
static void lay_out(struct web_cells *cells) {
    const struct bib_ranges *late = &cells->found->late;
    if (!add_stretches(cells, &cells->found->bibs)) {
        cells->stretch_count = 0;
        cells->count = 0;
        return;
    }
    for (size_t i = 0; i < late->count; i++) {
        struct bib_ranges one = {1, {late->range[i]}};
        if (!bib_ranges_hold(&cells->found->bibs, late->range[i].first) &&
            !add_stretches(cells, &one)) {
            return;
        }
    }
}

static struct cell *find_number(struct web_cells *cells, uint64_t number) {
    size_t at = 0;
    for (size_t i = 0; i < cells->stretch_count; i++) {
        const struct bib_range *range = &cells->stretch[i];
        if (number >= range->first && number <= range->last) {
            return &cells->cell[at + (number - range->first)];
        }
        at += range->last - range->first + 1;
    }
    return NULL;
}

static struct cell *find_cell(struct web_cells *cells, const struct bib *bib) {
    uint64_t number = 0;
    return bib_number(bib, &number) ? find_number(cells, number) : NULL;
}

static struct bib bib_of(const struct web_cells *cells, size_t index) {
    struct bib bib = {""};
    for (size_t i = 0; i < cells->stretch_count; i++) {
        const struct bib_range *range = &cells->stretch[i];
        uint64_t size = range->last - range->first + 1;
        if (index < size) {
            snprintf(bib.text, sizeof bib.text, "%llu",
                     (unsigned long long)((range->first + index) % 1000000000000));
            return bib;
        }
        index -= size;
    }
    return bib;
}

static void fill_cells(struct web_cells *cells) {
    for (size_t i = 0; i < cells->count; i++) {
        struct bib bib = bib_of(cells, i);
        const struct record_category *category = record_found_category(cells->found, &bib);
        cells->cell[i] = (struct cell){.shown = WEB_CELL_BARE,
                                       .owner = NOBODY,
                                       .by = NOBODY,
                                       .allotted = INT64_MIN,
                                       .issued = INT64_MIN,
                                       .category = (uint8_t)(category - cells->found->category)};
    }
}

enum error_code web_cells_new(struct ledger *ledger, struct web_cells **out, struct error *err) {
    struct web_cells *cells = calloc(1, sizeof *cells);
    *out = NULL;
    if (cells == NULL) {
        return error_set(err, ERR_MEMORY, "map");
    }
    cells->ledger = ledger;
    cells->found = pairs_found(ledger);
    if (cells->found == NULL) {
        free(cells);
        return error_set(err, ERR_DAMAGED, "found is not held");
    }
    lay_out(cells);
    cells->cell = calloc(cells->count + 1, sizeof *cells->cell);
    cells->dirty = calloc(cells->count + 1, sizeof *cells->dirty);
    if (cells->cell == NULL || cells->dirty == NULL) {
        web_cells_free(cells);
        return error_set(err, ERR_MEMORY, "map");
    }
    fill_cells(cells);
    *out = cells;
    return ERR_OK;
}

void web_cells_free(struct web_cells *cells) {
    if (cells != NULL) {
        free(cells->cell);
        free(cells->dirty);
        free(cells);
    }
}

/* ---- following ---- */

static size_t station_index(struct web_cells *cells, const struct sign_public *key) {
    for (size_t i = 0; i < cells->station_count; i++) {
        if (ID_EQUAL(cells->station[i].key, *key)) {
            return i;
        }
    }
    if (cells->station_count == STATIONS_MAX) {
        return NOBODY;
    }
    cells->station[cells->station_count] = (struct known_station){.key = *key};
    return cells->station_count++;
}

static void touch(struct web_cells *cells, struct cell *cell) {
    if (cell != NULL && !cell->dirty) {
        cell->dirty = true;
        cells->dirty[cells->dirty_count++] = (uint32_t)(cell - cells->cell);
    }
}

static void touch_text(struct web_cells *cells, struct slice text, struct cell **cell) {
    struct bib bib;
    struct error ignored;
    *cell = bib_parse(text, cells->found->zeros_count, &bib, &ignored) == ERR_OK
                ? find_cell(cells, &bib)
                : NULL;
    touch(cells, *cell);
}

/* The bib of an issue that another record names. */
static void touch_named(struct web_cells *cells, const struct record_id *id) {
    struct buffer raw;
    struct error ignored;
    struct record record;
    struct record_issue issue;
    struct cell *cell = NULL;
    buffer_init(&raw);
    if (ledger_read(cells->ledger, id, &raw, &ignored) == ERR_OK &&
        record_decode(buffer_slice(&raw), &record, &ignored) == ERR_OK &&
        record.kind == RECORD_ISSUE && record_issue_read(record.body, &issue)) {
        touch_text(cells, slice_text(issue.bib.text), &cell);
    }
    buffer_release(&raw);
}

static void count_issue(struct web_cells *cells, struct known_station *station,
                        struct wall_ms wall) {
    int64_t number = wall.ms / BIN_MS;
    size_t at = cells->bin_count;
    while (at > 0 && cells->bin[at - 1].number >= number) {
        at--;
    }
    if (at < cells->bin_count && cells->bin[at].number == number) {
        cells->bin[at].count++;
    } else if (cells->bin_count < BINS_MAX) {
        memmove(&cells->bin[at + 1], &cells->bin[at],
                (cells->bin_count - at) * sizeof cells->bin[0]);
        cells->bin[at] = (struct bin){number, 1};
        cells->bin_count++;
    }
    if (station == NULL || number < station->bin) {
        return;
    }
    if (number != station->bin) {
        station->in_bin_before = number == station->bin + 1 ? station->in_bin : 0;
        station->in_bin = 0;
        station->bin = number;
    }
    station->in_bin++;
}

static void see_issue(struct web_cells *cells, const struct record *record, size_t by) {
    struct record_issue issue;
    struct cell *cell = NULL;
    if (!record_issue_read(record->body, &issue)) {
        return;
    }
    touch_text(cells, slice_text(issue.bib.text), &cell);
    if (cell != NULL) {
        cell->by = (uint8_t)by;
        cell->half = issue.half;
        cell->issued = record->wall.ms;
    }
    for (size_t i = 0; i < issue.replaces_count; i++) {
        touch_named(cells, &issue.replaces[i]);
    }
    count_issue(cells, by == NOBODY ? NULL : &cells->station[by], record->wall);
}

/* Calls `each` for the cells of a range that are on the map: a range may be longer than all of it.
 */
static void each_of_range(struct web_cells *cells, const struct bib_range *range,
                          void (*each)(struct web_cells *, struct cell *, uint64_t number,
                                       int64_t value),
                          int64_t value) {
    size_t at = 0;
    for (size_t i = 0; i < cells->stretch_count; i++) {
        const struct bib_range *stretch = &cells->stretch[i];
        uint64_t first = range->first > stretch->first ? range->first : stretch->first;
        uint64_t last = range->last < stretch->last ? range->last : stretch->last;
        for (uint64_t n = first; n <= last; n++) {
            each(cells, &cells->cell[at + (n - stretch->first)], n, value);
        }
        at += stretch->last - stretch->first + 1;
    }
}

static void note_allotted(struct web_cells *cells, struct cell *cell, uint64_t number,
                          int64_t wall) {
    (void)cells;
    (void)number;
    cell->allotted = wall > cell->allotted ? wall : cell->allotted;
}

static void see_allot(struct web_cells *cells, const struct record *record) {
    struct record_allot allot;
    cells->owners_known = false;
    if (record_allot_read(record->body, &allot)) {
        for (size_t i = 0; i < allot.bibs.count; i++) {
            each_of_range(cells, &allot.bibs.range[i], note_allotted, record->wall.ms);
        }
    }
}

static void see_void(struct web_cells *cells, const struct record *record) {
    struct record_void v;
    if (!record_void_read(record->body, &v)) {
        return;
    }
    for (size_t i = 0; i < v.target_count; i++) {
        touch_named(cells, &v.target[i]);
    }
}

static void see_roll(struct known_station *station, const struct record *record) {
    struct record_roll roll;
    /* Chips that were spoiled leave the roll where it is. */
    if (record_roll_read(record->body, &roll) && !(roll.how == ROLL_SCRAPPED && roll.has_count)) {
        size_t size = roll.how == ROLL_LOADED ? roll.roll.size : 0;
        if (size > 0 && size <= RECORD_TEXT_MAX) {
            memcpy(station->roll, roll.roll.data, size);
        }
        station->roll[size <= RECORD_TEXT_MAX ? size : 0] = '\0';
    }
}

static void see_helper(struct known_station *station, const struct record *record) {
    if (record->wall.ms >= station->last.ms && record->helper.size <= RECORD_HELPER_MAX) {
        station->last = record->wall;
        memcpy(station->helper,
               record->helper.data == NULL ? (const uint8_t *)"" : record->helper.data,
               record->helper.size);
        station->helper[record->helper.size] = '\0';
    }
}

static void see_record(void *context, struct slice raw) {
    struct web_cells *cells = context;
    struct record record;
    struct sign_public key;
    struct error ignored;
    if (record_decode(raw, &record, &ignored) != ERR_OK ||
        !ledger_log_key(cells->ledger, &record.log, &key)) {
        return;
    }
    size_t by = station_index(cells, &key);
    switch (record.kind) {
    case RECORD_ISSUE:
        see_issue(cells, &record, by);
        break;
    case RECORD_VOID:
        see_void(cells, &record);
        break;
    case RECORD_ROLL:
        if (by != NOBODY) {
            see_roll(&cells->station[by], &record);
        }
        break;
    case RECORD_HOLD:
    case RECORD_LOOK:
    case RECORD_NOTE:
        break;
    case RECORD_ALLOT:
        see_allot(cells, &record);
        break;
    default:
        return;
    }
    if (by != NOBODY) {
        see_helper(&cells->station[by], &record);
    }
}

/* ---- asking ---- */

/* Whether a table did what was not its to do. Not when it is out, or when the number changed hands
 * only afterwards: nobody has to ask there any more. */
static bool by_others(struct web_cells *cells, const struct cell *cell, const struct bib *bib) {
    struct pairs_station station;
    struct bib_ranges had;
    struct error ignored;
    uint64_t number = 0;
    if (cell->owner == NOBODY || cell->by == NOBODY || cell->owner == cell->by) {
        return false;
    }
    const struct sign_public *by = &cells->station[cell->by].key;
    if (pairs_station(cells->ledger, by, &station, &ignored) == ERR_OK &&
        (station.dead || station.stolen)) {
        return false;
    }
    bool was_its = bib_number(bib, &number) &&
                   pairs_allotted(cells->ledger, by, &had, &ignored) == ERR_OK &&
                   bib_ranges_hold(&had, number);
    return !was_its || cell->issued > cell->allotted;
}

static enum web_cell look_of(struct web_cells *cells, const struct cell *cell,
                             const struct pairs_bib *bib) {
    if (bib->doubt || bib->crossed) {
        return WEB_CELL_DOUBT;
    }
    switch (bib->state) {
    case PAIRS_DOUBLED:
        return WEB_CELL_DOUBLED;
    case PAIRS_EMPTIED:
        return WEB_CELL_EMPTIED;
    case PAIRS_ISSUED:
        break;
    case PAIRS_UNISSUED:
        return WEB_CELL_BARE;
    }
    if (cell->half && bib->live == 1) {
        return WEB_CELL_HALF;
    }
    return by_others(cells, cell, &bib->bib) ? WEB_CELL_OTHERS : WEB_CELL_CHIPPED;
}

static void ask_dirty(struct web_cells *cells) {
    for (size_t i = 0; i < BATCH && cells->dirty_count > 0; i++) {
        uint32_t index = cells->dirty[--cells->dirty_count];
        struct cell *cell = &cells->cell[index];
        struct bib bib = bib_of(cells, index);
        struct pairs_bib state;
        struct error ignored;
        cell->dirty = false;
        if (pairs_bib(cells->ledger, &bib, &state, &ignored) == ERR_OK) {
            cell->shown = (uint8_t)look_of(cells, cell, &state);
        }
    }
}

static void touch_all(struct web_cells *cells) {
    for (size_t i = 0; i < cells->count; i++) {
        if (cells->cell[i].by != NOBODY) {
            touch(cells, &cells->cell[i]);
        }
    }
}

/* Of a number that was given to two the newer one's counts, which the ledger tells. */
static void own_cell(struct web_cells *cells, struct cell *cell, uint64_t number, int64_t owner) {
    struct pairs_station station;
    struct error ignored;
    if (cell->owner == NOBODY || cell->owner == (uint8_t)owner) {
        cell->owner = (uint8_t)owner;
    } else if (pairs_owner(cells->ledger, number, &station, &ignored) == ERR_OK) {
        cell->owner = (uint8_t)station_index(cells, &station.key);
    }
}

static bool own_numbers(void *context, const struct pairs_station *station) {
    struct web_cells *cells = context;
    struct bib_ranges ranges;
    struct error ignored;
    size_t owner = station_index(cells, &station->key);
    if (pairs_allotted(cells->ledger, &station->key, &ranges, &ignored) == ERR_OK) {
        for (size_t i = 0; i < ranges.count; i++) {
            each_of_range(cells, &ranges.range[i], own_cell, (int64_t)owner);
        }
    }
    return true;
}

static void find_owners(struct web_cells *cells) {
    struct error ignored;
    cells->owners_known = true;
    cells->epoch = pairs_standing_epoch(cells->ledger);
    for (size_t i = 0; i < cells->count; i++) {
        cells->cell[i].owner = NOBODY;
    }
    if (pairs_each_station(cells->ledger, own_numbers, cells, &ignored) == ERR_OK) {
        touch_all(cells);
    }
}

bool web_cells_follow(struct web_cells *cells, int64_t slice_ms) {
    int64_t end = station_now().ms + slice_ms;
    struct error ignored;
    size_t count = BATCH;
    do {
        if (count == BATCH && ledger_each_after(cells->ledger, &cells->place, BATCH, see_record,
                                                cells, &count, &ignored) != ERR_OK) {
            return false;
        }
        if (count < BATCH &&
            (!cells->owners_known || cells->epoch != pairs_standing_epoch(cells->ledger))) {
            find_owners(cells);
        }
        ask_dirty(cells);
    } while ((count == BATCH || cells->dirty_count > 0) && station_now().ms < end);
    return count == BATCH || cells->dirty_count > 0;
}

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
        struct cell *cell = find_cell(cells, &bib);
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
    struct cell *cell = find_cell(holds->cells, &hold->bib);
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
