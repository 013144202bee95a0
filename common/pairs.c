/*
 * pairs.c: transactions over records and derived state: take, then settle what they touched, then
 * commit. See pairs.h.
 */
#include "common/pairs_state.h"

#include <sodium.h>
#include <stdlib.h>
#include <string.h>

/* ---- sets of what must be derived again ---- */

bool dirty_add(struct dirty_set *set, const void *item) {
    if (set->count == set->capacity) {
        size_t wanted = set->capacity == 0 ? 64 : set->capacity * 2;
        uint8_t *grown = realloc(set->items, wanted * set->item_size);
        if (grown == NULL) {
            return false;
        }
        set->items = grown;
        set->capacity = wanted;
    }
    memcpy(set->items + set->count * set->item_size, item, set->item_size);
    set->count++;
    return true;
}

static int compare_items(const void *a, const void *b, void *size) {
    return memcmp(a, b, *(size_t *)size);
}

void dirty_sort_unique(struct dirty_set *set) {
    size_t kept = 0;
    if (set->count < 2) {
        return;
    }
    qsort_r(set->items, set->count, set->item_size, compare_items, &set->item_size);
    for (size_t i = 1; i < set->count; i++) {
        if (memcmp(set->items + kept * set->item_size, set->items + i * set->item_size,
                   set->item_size) != 0 &&
            ++kept != i) {
            memcpy(set->items + kept * set->item_size, set->items + i * set->item_size,
                   set->item_size);
        }
    }
    set->count = kept + 1;
}

/* ---- the running state hash ---- */

static void sum_change(struct digest64 *sum, const struct digest64 *term, bool add) {
    unsigned carry = 0;
    for (size_t i = 0; i < sizeof sum->bytes; i++) {
        unsigned value = add ? sum->bytes[i] + term->bytes[i] + carry
                             : 256U + sum->bytes[i] - term->bytes[i] - carry;
        sum->bytes[i] = (uint8_t)value;
        carry = add ? value >> 8 : 1U - (value >> 8);
    }
}

void pairs_row(struct pairs *pairs, struct slice row, struct digest64 *hash) {
    static const struct digest64 none;
    if (memcmp(hash, &none, sizeof none) != 0) {
        sum_change(&pairs->sum, hash, false);
        pairs->rows--;
    }
    *hash = none;
    if (row.size > 0) {
        crypto_generichash(hash->bytes, sizeof hash->bytes, row.data, row.size, NULL, 0);
        sum_change(&pairs->sum, hash, true);
        pairs->rows++;
    }
    pairs->total_dirty = true;
}

struct digest32 pairs_state_hash(struct ledger *ledger) {
    struct digest32 digest = {{0}};
    struct error err;
    uint8_t rows[8];
    crypto_generichash_state state;
    const struct pairs *pairs = pairs_of(ledger, &err);
    if (pairs == NULL) {
        return digest;
    }
    for (size_t i = 0; i < 8; i++) {
        rows[i] = (uint8_t)(pairs->rows >> (56 - 8 * i));
    }
    crypto_generichash_init(&state, NULL, 0, sizeof digest.bytes);
    crypto_generichash_update(&state, ledger->event.event.bytes, sizeof ledger->event.event.bytes);
    crypto_generichash_update(&state, rows, sizeof rows);
    crypto_generichash_update(&state, pairs->sum.bytes, sizeof pairs->sum.bytes);
    crypto_generichash_final(&state, digest.bytes, sizeof digest.bytes);
    return digest;
}

/* ---- loading ---- */

static void pairs_free(struct pairs *pairs) {
    if (pairs == NULL) {
        return;
    }
    buffer_release(&pairs->found_raw);
    free(pairs->standing);
    free(pairs->cutoff);
    free(pairs->bibs.items);
    free(pairs->tags.items);
    free(pairs->keys.items);
    free(pairs->holds.items);
    free(pairs);
}

static enum error_code load_total(struct ledger *ledger, struct pairs *pairs, struct error *err) {
    sqlite3_stmt *statement = NULL;
    enum error_code code = ERR_OK;
    if (sqlite3_prepare_v2(ledger->db, "SELECT rows, sum FROM total", -1, &statement, NULL) !=
        SQLITE_OK) {
        return ledger_sql_error(ledger, "reading the state hash", err);
    }
    int rc = sqlite3_step(statement);
    if (rc != SQLITE_ROW && rc != SQLITE_DONE) {
        code = ledger_sql_error(ledger, "reading the state hash", err);
    } else if (rc == SQLITE_ROW &&
               sql_column_bytes(statement, 1, pairs->sum.bytes, sizeof pairs->sum.bytes)) {
        pairs->rows = sql_column_u64(statement, 0);
    } else {
        code = error_set(err, ERR_DAMAGED, "table total");
    }
    sqlite3_finalize(statement);
    return code;
}

struct pairs *pairs_of(struct ledger *ledger, struct error *err) {
    if (ledger->pairs != NULL) {
        return ledger->pairs;
    }
    if (ledger_reload(ledger, err) != ERR_OK) {
        return NULL;
    }
    struct pairs *pairs = calloc(1, sizeof *pairs);
    if (pairs == NULL) {
        error_set(err, ERR_MEMORY, "the derived state");
        return NULL;
    }
    buffer_init(&pairs->found_raw);
    pairs->bibs.item_size = sizeof(struct bib);
    pairs->tags.item_size = sizeof(struct tag_key);
    pairs->keys.item_size = sizeof(struct sign_public);
    pairs->holds.item_size = sizeof(struct bib);
    enum error_code code = load_total(ledger, pairs, err);
    if (code == ERR_OK) {
        code = standing_update(ledger, pairs, err);
    }
    if (code == ERR_OK) {
        code = pairs_load_found(ledger, pairs, err);
    }
    pairs->keys.count = 0; /* nothing changed: they were only read */
    if (code != ERR_OK) {
        pairs_free(pairs);
        return NULL;
    }
    ledger->pairs = pairs;
    ledger->pairs_free = pairs_free;
    return day_fill(ledger, pairs, err) == ERR_OK ? ledger->pairs : NULL;
}

const struct record_found *pairs_found(struct ledger *ledger) {
    struct error err;
    const struct pairs *pairs = pairs_of(ledger, &err);
    return pairs != NULL && pairs->has_found ? &pairs->found : NULL;
}

/* ---- transactions ---- */

enum error_code pairs_begin(struct ledger *ledger, struct error *err) {
    return pairs_of(ledger, err) == NULL ? err->code : ledger_begin(ledger, err);
}

void pairs_rollback(struct ledger *ledger) {
    ledger_rollback(ledger);
}

/* Bibs whose cause or crossing may have changed because clocks of some chains gained. */
static enum error_code touch_contested(struct ledger *ledger, struct pairs *pairs,
                                       struct error *err) {
    enum error_code code = ERR_OK;
    for (uint32_t gained = 0; code == ERR_OK && gained < ledger->tree.count; gained++) {
        if (!ledger->touched[gained]) {
            continue;
        }
        ledger->touched[gained] = false;
        for (uint32_t chain = 0; code == ERR_OK && chain < ledger->tree.count; chain++) {
            if (!ledger_goes_on_from(ledger, chain, gained)) {
                continue;
            }
            bool row = true;
            sqlite3_stmt *statement = ledger_statement(ledger, SQL_CONTEST_OF_CHAIN, err);
            if (statement == NULL) {
                return err->code;
            }
            sql_bind_u64(statement, 1, chain);
            while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
                struct bib bib;
                if (!bib_column(statement, 0, &bib) || !dirty_add(&pairs->bibs, &bib)) {
                    sqlite3_reset(statement);
                    return error_set(err, ERR_MEMORY, "contested bibs");
                }
            }
            if (code == ERR_OK) {
                code = hold_touch_chain(ledger, pairs, chain, err);
            }
        }
    }
    ledger->any_touched = false;
    return code;
}

/* Derives everything that the records of this transaction touch, and nothing else. */
static enum error_code settle(struct ledger *ledger, struct pairs *pairs, struct error *err) {
    enum error_code code = ERR_OK;
    if (pairs->standing_dirty) {
        code = standing_update(ledger, pairs, err);
    }
    dirty_sort_unique(&pairs->keys);
    for (size_t i = 0; code == ERR_OK && i < pairs->keys.count; i++) {
        code =
            pairs_recount(ledger, pairs, (struct sign_public *)(void *)pairs->keys.items + i, err);
    }
    if (code == ERR_OK && ledger->any_touched) {
        code = touch_contested(ledger, pairs, err);
    }
    dirty_sort_unique(&pairs->bibs);
    for (size_t i = 0; code == ERR_OK && i < pairs->bibs.count; i++) {
        code = derive_bib(ledger, pairs, (struct bib *)(void *)pairs->bibs.items + i, err);
    }
    dirty_sort_unique(&pairs->holds);
    for (size_t i = 0; code == ERR_OK && i < pairs->holds.count; i++) {
        code = derive_hold(ledger, pairs, (struct bib *)(void *)pairs->holds.items + i, err);
    }
    dirty_sort_unique(&pairs->tags);
    for (size_t i = 0; code == ERR_OK && i < pairs->tags.count; i++) {
        code = derive_tag(ledger, pairs, (struct tag_key *)(void *)pairs->tags.items + i, err);
    }
    pairs->keys.count = pairs->bibs.count = pairs->tags.count = pairs->holds.count = 0;
    return code;
}

static enum error_code write_total(struct ledger *ledger, struct pairs *pairs, struct error *err) {
    if (!pairs->total_dirty) {
        return ERR_OK;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_TOTAL_SET, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_u64(statement, 1, pairs->rows);
    sql_bind_bytes(statement, 2, pairs->sum.bytes, sizeof pairs->sum.bytes);
    enum error_code code = ledger_run(ledger, statement, err);
    pairs->total_dirty = code != ERR_OK;
    return code;
}

enum error_code pairs_commit(struct ledger *ledger, struct error *err) {
    struct pairs *pairs = pairs_of(ledger, err);
    enum error_code code = pairs == NULL ? err->code : settle(ledger, pairs, err);
    if (code == ERR_OK) {
        code = write_total(ledger, pairs, err);
    }
    if (code == ERR_OK) {
        code = ledger_commit(ledger, err);
    }
    if (code != ERR_OK) {
        ledger_rollback(ledger);
    }
    return code;
}

/* What `found` says bears on what nearly all other records mean. So it is held before any of them,
 * or the state would depend on which came first: until then a run that does not bring it is taken
 * as far as its `open`, which may be that of the root's first log. Returns how many records of the
 * run may be taken, if it is otherwise in order. */
static size_t allowed_before_found(struct ledger *ledger, const struct slice *records,
                                   size_t count) {
    struct record record;
    struct clock_position at;
    struct error err;
    bool begins = false;
    for (size_t i = 0; i < count && i < 2; i++) {
        if (record_decode(records[i], &record, &err) != ERR_OK || pairs_is_found(ledger, &record)) {
            return count;
        }
        begins = begins || record.number == 1;
        if (i == 0 && !begins && !ledger_position(ledger, &record.previous, &at)) {
            return count; /* a gap */
        }
    }
    return begins ? 1 : 0;
}

enum error_code pairs_take(struct ledger *ledger, const struct slice *records, size_t count,
                           struct pairs_taken *taken, struct error *err) {
    struct pairs *pairs = pairs_of(ledger, err);
    uint64_t faults = ledger->faults;
    size_t allowed = pairs == NULL || pairs->found_raw.size > 0
                         ? count
                         : allowed_before_found(ledger, records, count);
    enum error_code code = pairs == NULL ? err->code : ERR_OK;
    memset(taken, 0, sizeof *taken);
    if (code == ERR_OK && (allowed > 0 || count == 0)) {
        code = ledger_take(ledger, records, allowed, taken, err);
    }
    for (size_t i = 0; code == ERR_OK && i < taken->stored; i++) {
        code = pairs_note(ledger, pairs, &ledger->stored[i], err);
    }
    code = ledger_since(ledger, faults, code, err);
    if (code == ERR_OK && allowed < count && taken->outcome <= PAIRS_DUPLICATE) {
        struct record record;
        taken->log = record_decode(records[0], &record, err) == ERR_OK ? record.log : taken->log;
        taken->outcome = PAIRS_DENIED;
        error_set(&taken->why, ERR_NOT_ALLOWED, "what the event is, is not held yet");
    }
    if (code != ERR_OK) {
        ledger_rollback(ledger);
    }
    return code;
}
