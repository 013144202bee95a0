/*
 * pairs_hold.c: which bibs are not to be chipped for now: one row for each bib that a hold names.
 *
 * Of the counted holds of a bib those stand that no other one had seen, so the order in which they
 * came does not matter; of these the strictest is chosen. Must never look at issues: whether a held
 * bib was chipped all the same is for people to ask.
 */
#include "common/pairs_state.h"

#include "common/canon.h"

#include <stdlib.h>
#include <string.h>

/* The newest counted hold of one chain: it had seen the earlier ones there. */
struct hold_row {
    int64_t rid;
    struct record_id id;
    struct clock_position at;
    enum hold_how how;
    bool by_lead;
};
struct hold_view {
    struct hold_row *row;
    size_t count, capacity;
};

/* ---- noting ---- */

enum error_code hold_note(struct ledger *ledger, struct pairs *pairs,
                          const struct ledger_stored *stored, bool *readable, struct error *err) {
    struct record_hold hold;
    if (!record_hold_read(stored->record.body, &hold) || !pairs_bib_fits(pairs, &hold.bib)) {
        *readable = false;
        return ERR_OK;
    }
    /* Asked before the statement is begun: a fault on the way must stop it. */
    bool counted = standing_counts(ledger, pairs, &stored->key, stored->at, ROLE_TABLE);
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_HOLD_INSERT, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, stored->rid);
    sqlite3_bind_text(statement, 2, hold.bib.text, -1, SQLITE_STATIC);
    sql_bind_bytes(statement, 3, stored->key.bytes, sizeof stored->key.bytes);
    sql_bind_u64(statement, 4, stored->at.chain);
    sqlite3_bind_int(statement, 5, (int)hold.how);
    sqlite3_bind_int(statement, 6, counted);
    enum error_code code = ledger_run(ledger, statement, err);
    return code == ERR_OK && !dirty_add(&pairs->holds, &hold.bib)
               ? error_set(err, ERR_MEMORY, "a hold")
               : code;
}

static enum error_code recount_one(struct ledger *ledger, int64_t rid, bool counted,
                                   struct error *err) {
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_HOLD_COUNTED, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, rid);
    sqlite3_bind_int(statement, 2, counted);
    return ledger_run(ledger, statement, err);
}

/* Also where none begins or ceases to count: what a lead holds only leads free, so it matters who
 * is one. */
enum error_code hold_recount(struct ledger *ledger, struct pairs *pairs,
                             const struct sign_public *key, struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_HOLDS_OF_KEY, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, key->bytes, sizeof key->bytes);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct clock_position at = {(uint32_t)sqlite3_column_int(statement, 2),
                                    sql_column_u64(statement, 3)};
        bool before = sqlite3_column_int(statement, 1) != 0;
        bool now = standing_counts(ledger, pairs, key, at, ROLE_TABLE);
        struct bib bib;
        if (!bib_column(statement, 4, &bib) || !dirty_add(&pairs->holds, &bib)) {
            code = error_set(err, ERR_MEMORY, "holds of a station");
        } else if (now != before) {
            code = recount_one(ledger, sqlite3_column_int64(statement, 0), now, err);
        }
        if (code != ERR_OK) {
            sqlite3_reset(statement);
            return code;
        }
    }
    return code;
}

enum error_code hold_touch_chain(struct ledger *ledger, struct pairs *pairs, uint32_t chain,
                                 struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_HOLDS_OF_CHAIN, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_u64(statement, 1, chain);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct bib bib;
        if (!bib_column(statement, 0, &bib) || !dirty_add(&pairs->holds, &bib)) {
            sqlite3_reset(statement);
            return error_set(err, ERR_MEMORY, "contested holds");
        }
    }
    return code;
}

/* ---- which one stands ---- */

static bool add_row(struct hold_view *view, const struct hold_row *row) {
    if (view->count == view->capacity) {
        size_t wanted = view->capacity == 0 ? 8 : view->capacity * 2;
        struct hold_row *grown = realloc(view->row, wanted * sizeof *grown);
        if (grown == NULL) {
            return false;
        }
        view->row = grown;
        view->capacity = wanted;
    }
    view->row[view->count++] = *row;
    return true;
}

static enum error_code load(struct ledger *ledger, const struct pairs *pairs, const struct bib *bib,
                            struct hold_view *view, struct error *err) {
    bool more = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_HOLDS_OF_BIB, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_text(statement, 1, bib->text, -1, SQLITE_STATIC);
    while ((code = ledger_row(ledger, statement, &more, err)) == ERR_OK && more) {
        struct hold_row row = {
            .rid = sqlite3_column_int64(statement, 0),
            .at = {(uint32_t)sqlite3_column_int(statement, 2), sql_column_u64(statement, 3)},
            .how = (enum hold_how)sqlite3_column_int(statement, 4)};
        struct sign_public key;
        if (!sql_column_bytes(statement, 1, &row.id, sizeof row.id) ||
            !sql_column_bytes(statement, 5, &key, sizeof key)) {
            code = error_set(err, ERR_DAMAGED, "table hold");
        } else {
            row.by_lead = standing_role(ledger, pairs, &key) >= ROLE_LEAD;
            code = add_row(view, &row) ? ERR_OK : error_set(err, ERR_MEMORY, "holds of a bib");
        }
        if (code != ERR_OK) {
            sqlite3_reset(statement);
            return code;
        }
    }
    return code;
}

/* Held before missing, missing before to reprint, and free last. */
static int strictness(enum hold_how how) {
    return how == HOLD_HELD ? 0 : how == HOLD_MISSING ? 1 : how == HOLD_REPRINT ? 2 : 3;
}

static int by_strictness(const void *a, const void *b) {
    const struct hold_row *left = a, *right = b;
    int order = strictness(left->how) - strictness(right->how);
    return order != 0 ? order : memcmp(left->id.bytes, right->id.bytes, sizeof left->id.bytes);
}

/* Whether another hold that had seen this one takes its place. A lead's yields to leads alone. */
static bool is_replaced(struct ledger *ledger, const struct hold_view *view, size_t at) {
    const struct hold_row *row = &view->row[at];
    for (size_t i = 0; i < view->count; i++) {
        bool may = view->row[i].by_lead || !row->by_lead || row->how != HOLD_HELD;
        if (i != at && may && ledger_covers(ledger, view->row[i].at, row->at)) {
            return true;
        }
    }
    return false;
}

/* NULL: no counted hold names the bib. */
static const struct hold_row *standing_hold(struct ledger *ledger, struct hold_view *view) {
    if (view->count > 1) {
        qsort(view->row, view->count, sizeof *view->row, by_strictness);
    }
    for (size_t i = 0; i < view->count; i++) {
        if (!is_replaced(ledger, view, i)) {
            return &view->row[i];
        }
    }
    return NULL;
}

/* ---- writing ---- */

static enum error_code write_row(struct ledger *ledger, const struct bib *bib,
                                 const struct hold_row *hold, const struct digest64 *hash,
                                 struct error *err) {
    sqlite3_stmt *statement =
        ledger_statement(ledger, hold == NULL ? SQL_HELD_CLEAR : SQL_HELD_SET, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_text(statement, 1, bib->text, -1, SQLITE_STATIC);
    if (hold != NULL) {
        sqlite3_bind_int(statement, 2, (int)hold->how);
        sqlite3_bind_int64(statement, 3, hold->rid);
        sql_bind_bytes(statement, 4, hash->bytes, sizeof hash->bytes);
    }
    return ledger_run(ledger, statement, err);
}

static enum error_code write_held(struct ledger *ledger, struct pairs *pairs, const struct bib *bib,
                                  const struct hold_row *hold, struct error *err) {
    struct digest64 hash = {{0}};
    struct buffer row;
    bool known = false;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_HELD_GET, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_text(statement, 1, bib->text, -1, SQLITE_STATIC);
    enum error_code code = ledger_row(ledger, statement, &known, err);
    if (code == ERR_OK && known && !sql_column_bytes(statement, 2, hash.bytes, sizeof hash.bytes)) {
        code = error_set(err, ERR_DAMAGED, "table held");
    }
    sqlite3_reset(statement);
    if (code != ERR_OK || (!known && hold == NULL)) {
        return code;
    }
    buffer_init(&row);
    if (hold != NULL) {
        canon_put_array(&row, 4);
        canon_put_uint(&row, 4);
        canon_put_text(&row, slice_text(bib->text));
        canon_put_uint(&row, hold->how);
        canon_put_bytes(&row, slice_of(hold->id.bytes, sizeof hold->id.bytes));
    }
    if (row.failed) {
        code = error_set(err, ERR_MEMORY, "a held bib's row");
    } else {
        pairs_row(pairs, buffer_slice(&row), &hash);
        code = write_row(ledger, bib, hold, &hash, err);
    }
    buffer_release(&row);
    return code;
}

enum error_code derive_hold(struct ledger *ledger, struct pairs *pairs, const struct bib *bib,
                            struct error *err) {
    struct hold_view view = {NULL, 0, 0};
    enum error_code code = load(ledger, pairs, bib, &view, err);
    if (code == ERR_OK) {
        code = write_held(ledger, pairs, bib, standing_hold(ledger, &view), err);
    }
    free(view.row);
    return code;
}
