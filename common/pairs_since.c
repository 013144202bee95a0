/*
 * pairs_since.c: which bibs something was recorded of that the author of a record had not seen:
 * what changed since a list was handed over.
 *
 * Asks the record's clock, so it is the same at every station that holds the same. Must never leave
 * a bib out: an author whose clock names too few heads is told of more than changed.
 */
#include "common/pairs_state.h"

#include <stdlib.h>

/* By chain, up to which number the record had seen it; 0: not at all. */
struct reach {
    uint64_t *number;
};

/* The clock covers a chain up to some number and nothing behind it. */
static uint64_t reach_of(struct ledger *ledger, struct clock_position since, uint32_t chain) {
    uint64_t low = 0, high = ledger->chain[chain].head_number;
    while (low < high) {
        uint64_t middle = low + (high - low + 1) / 2;
        struct clock_position at = {chain, middle};
        bool itself = since.chain == chain && since.number == middle;
        if (itself || ledger_covers(ledger, since, at)) {
            low = middle;
        } else {
            high = middle - 1;
        }
    }
    return low;
}

static int by_bib(const void *a, const void *b) {
    return bib_compare(a, b);
}

/* The bibs of rows (bib, chain, number) that lie beyond the reach. */
static enum error_code gather(struct ledger *ledger, const struct reach *reach,
                              struct dirty_set *bibs, struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_BORNE_ON_BIBS, err);
    if (statement == NULL) {
        return err->code;
    }
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        uint64_t chain = sql_column_u64(statement, 1), number = sql_column_u64(statement, 2);
        struct bib bib;
        if (chain >= ledger->tree.count || number <= reach->number[chain] ||
            !bib_column(statement, 0, &bib)) {
            continue;
        }
        if (!dirty_add(bibs, &bib)) {
            sqlite3_reset(statement);
            return error_set(err, ERR_MEMORY, "bibs that changed");
        }
    }
    return code;
}

enum error_code pairs_each_since(struct ledger *ledger, const struct record_id *since,
                                 bool (*each)(void *context, const struct bib *), void *context,
                                 struct error *err) {
    struct dirty_set bibs = {.item_size = sizeof(struct bib)};
    struct reach reach = {NULL};
    struct clock_position at;
    uint64_t faults = ledger->faults;
    enum error_code code = pairs_of(ledger, err) == NULL ? err->code : ERR_OK;
    if (code == ERR_OK && !ledger_position(ledger, since, &at)) {
        error_set(err, ERR_NOT_FOUND, "that record is not held");
        return ledger_since(ledger, faults, err->code, err);
    }
    if (code == ERR_OK) {
        reach.number = calloc(ledger->tree.count + 1, sizeof *reach.number);
        code = reach.number == NULL ? error_set(err, ERR_MEMORY, "a clock's reach") : ERR_OK;
    }
    for (uint32_t i = 0; code == ERR_OK && i < ledger->tree.count; i++) {
        reach.number[i] = reach_of(ledger, at, i);
    }
    if (code == ERR_OK) {
        code = gather(ledger, &reach, &bibs, err);
    }
    code = ledger_since(ledger, faults, code, err);
    dirty_sort_unique(&bibs);
    if (bibs.count > 1) {
        qsort(bibs.items, bibs.count, bibs.item_size, by_bib);
    }
    for (size_t i = 0; code == ERR_OK && i < bibs.count; i++) {
        if (!each(context, (const struct bib *)(void *)bibs.items + i)) {
            break;
        }
    }
    free(bibs.items);
    free(reach.number);
    return code;
}
