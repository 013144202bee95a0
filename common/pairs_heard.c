/*
 * pairs_heard.c: chips that came written, from a supplier's list, and whether one was read since.
 *
 * A chip of such a list has been seen once a look at its bib heard it. That changes no canonical
 * row: a look that does not count (any more) makes nothing seen. Must never judge a look.
 */
#include "common/pairs_state.h"

#include <string.h>

/* ---- noting ---- */

enum error_code heard_note_look(struct ledger *ledger, int64_t rid, const struct record_look *look,
                                struct error *err) {
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < look->tag_count; i++) {
        const struct record_tag *tag = &look->tag[i];
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_HEARD_INSERT, err);
        if (statement == NULL) {
            return err->code;
        }
        sqlite3_bind_int64(statement, 1, rid);
        sqlite3_bind_int(statement, 2, (int)i + 1);
        sqlite3_bind_text(statement, 3, look->bib.text, -1, SQLITE_STATIC);
        sql_bind_bytes(statement, 4, tag->epc.data, tag->epc.size);
        if (tag->tid.size > 0) {
            sql_bind_bytes(statement, 5, tag->tid.data, tag->tid.size);
        }
        code = ledger_run(ledger, statement, err);
    }
    return code;
}

enum error_code heard_note_issue(struct ledger *ledger, int64_t rid,
                                 const struct record_issue *issue, struct error *err) {
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < issue->tag_count; i++) {
        if (issue->how != ISSUE_FILE || issue->tag[i].seen) {
            continue;
        }
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_UNSEEN_INSERT, err);
        if (statement == NULL) {
            return err->code;
        }
        sqlite3_bind_int64(statement, 1, rid);
        sqlite3_bind_int(statement, 2, (int)i + 1);
        code = ledger_run(ledger, statement, err);
    }
    return code;
}

/* ---- asking ---- */

/* Whether the look at columns `at` (chain) and `at` + 1 (number) counts; none is there with NULL.
 */
static bool look_counts(struct ledger *ledger, const struct pairs *pairs, sqlite3_stmt *row,
                        int at) {
    if (sqlite3_column_type(row, at) == SQLITE_NULL) {
        return false;
    }
    struct clock_position where = {(uint32_t)sqlite3_column_int(row, at),
                                   sql_column_u64(row, at + 1)};
    return where.chain < ledger->tree.count &&
           standing_counts(ledger, pairs, &ledger->chain[where.chain].key, where, ROLE_TABLE);
}

static enum error_code mark_tag(struct ledger *ledger, const struct pairs *pairs,
                                const struct bib *bib, struct pairs_tag *tag, struct error *err) {
    bool row = true;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_HEARD_OF, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_text(statement, 1, bib->text, -1, SQLITE_STATIC);
    sql_bind_bytes(statement, 2, tag->epc.data, tag->epc.size);
    if (tag->tid.size > 0) {
        sql_bind_bytes(statement, 3, tag->tid.data, tag->tid.size);
    }
    enum error_code code = ERR_OK;
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row && !tag->seen) {
        tag->seen = look_counts(ledger, pairs, statement, 0);
    }
    sqlite3_reset(statement);
    return code;
}

enum error_code heard_mark(struct ledger *ledger, struct pairs_issue *issue, struct error *err) {
    uint64_t faults = ledger->faults;
    enum error_code code = ERR_OK;
    const struct pairs *pairs = issue->how == ISSUE_FILE ? pairs_of(ledger, err) : NULL;
    if (issue->how != ISSUE_FILE) {
        return ERR_OK;
    }
    if (pairs == NULL) {
        return err->code;
    }
    for (size_t i = 0; code == ERR_OK && i < issue->tag_count; i++) {
        if (!issue->tag[i].seen) {
            code = mark_tag(ledger, pairs, &issue->bib, &issue->tag[i], err);
        }
    }
    return ledger_since(ledger, faults, code, err);
}

enum error_code pairs_count_unseen(struct ledger *ledger, uint64_t *chips, struct error *err) {
    uint64_t faults = ledger->faults;
    int64_t rid = 0;
    int position = 0;
    bool row = true, heard = true;
    const struct pairs *pairs = pairs_of(ledger, err);
    *chips = 0;
    if (pairs == NULL) {
        return err->code;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_UNSEEN_ALL, err);
    if (statement == NULL) {
        return err->code;
    }
    enum error_code code = ERR_OK;
    /* One row for each look that heard the chip, or one without a look. */
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        if (sqlite3_column_int64(statement, 0) != rid ||
            sqlite3_column_int(statement, 1) != position) {
            *chips += heard ? 0 : 1;
            heard = false;
            rid = sqlite3_column_int64(statement, 0);
            position = sqlite3_column_int(statement, 1);
        }
        heard = heard || look_counts(ledger, pairs, statement, 2);
    }
    *chips += heard ? 0 : 1;
    return ledger_since(ledger, faults, code, err);
}
