/*
 * web_cells.c: the cells of the map and the pace of the day, kept up to date from the records in
 * the order in which they come. Must never believe a record about what counts: what a cell shows is
 * asked of pairs.h for each bib that a record touches.
 */
#include "node/web_cells_state.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/station.h"
#include "node/web_floor.h"

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

struct cell *web_cells_find(struct web_cells *cells, const struct bib *bib) {
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
                ? web_cells_find(cells, &bib)
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
