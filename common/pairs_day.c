/*
 * pairs_day.c: fills the tables of holds, looks, rolls, notes and handovers of a ledger that an
 * older program kept: it held such records without knowing what they say.
 *
 * Runs once, after the schema step that adds the tables, in a transaction of its own. Must never
 * touch what the older program had sorted already.
 */
#include "common/pairs_state.h"

static enum error_code is_unsorted(struct ledger *ledger, bool *unsorted, struct error *err) {
    sqlite3_stmt *statement = NULL;
    enum error_code code = ERR_OK;
    *unsorted = false;
    if (sqlite3_prepare_v2(ledger->db, "SELECT 1 FROM fact WHERE name = 'unsorted'", -1, &statement,
                           NULL) != SQLITE_OK) {
        return ledger_sql_error(ledger, "asking what is sorted", err);
    }
    code = ledger_row(ledger, statement, unsorted, err);
    sqlite3_finalize(statement);
    return code;
}

/* Issues were sorted then, but not by whether their chips were seen. */
static enum error_code note_unseen(struct ledger *ledger, const struct pairs *pairs,
                                   const struct ledger_stored *stored, struct error *err) {
    struct record_issue issue;
    if (!record_issue_read(stored->record.body, &issue) || !pairs_bib_fits(pairs, &issue.bib)) {
        return ERR_OK;
    }
    return heard_note_issue(ledger, stored->rid, &issue, err);
}

/* The record of a row (rid, chain, number, id, raw), if it is of a kind that was unknown then. */
static enum error_code note_row(struct ledger *ledger, struct pairs *pairs, sqlite3_stmt *row,
                                struct error *err) {
    struct ledger_stored stored = {.rid = sqlite3_column_int64(row, 0)};
    struct slice raw = slice_of(sqlite3_column_blob(row, 4), (size_t)sqlite3_column_bytes(row, 4));
    enum error_code code = record_decode(raw, &stored.record, err);
    if (code != ERR_OK) {
        return error_set(err, ERR_DAMAGED, "a held record does not decode");
    }
    if (stored.record.kind == RECORD_ISSUE) {
        return note_unseen(ledger, pairs, &stored, err);
    }
    if (stored.record.kind < RECORD_HOLD || stored.record.kind > RECORD_HANDOVER) {
        return ERR_OK;
    }
    stored.at =
        (struct clock_position){(uint32_t)sqlite3_column_int(row, 1), sql_column_u64(row, 2)};
    if (stored.at.chain >= ledger->tree.count ||
        !sql_column_bytes(row, 3, &stored.id, sizeof stored.id)) {
        return error_set(err, ERR_DAMAGED, "table record");
    }
    stored.key = ledger->chain[stored.at.chain].key;
    return pairs_note(ledger, pairs, &stored, err);
}

static enum error_code note_all(struct ledger *ledger, struct pairs *pairs, struct error *err) {
    sqlite3_stmt *statement = NULL;
    bool row = true;
    enum error_code code = ERR_OK;
    if (sqlite3_prepare_v2(ledger->db,
                           "SELECT rid, chain, number, id, raw FROM record ORDER BY rid", -1,
                           &statement, NULL) != SQLITE_OK) {
        return ledger_sql_error(ledger, "sorting records", err);
    }
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        code = note_row(ledger, pairs, statement, err);
        if (code != ERR_OK) {
            break;
        }
    }
    sqlite3_finalize(statement);
    return code;
}

enum error_code day_fill(struct ledger *ledger, struct pairs *pairs, struct error *err) {
    bool unsorted = false;
    enum error_code code = ledger->in_transaction ? ERR_OK : is_unsorted(ledger, &unsorted, err);
    if (code != ERR_OK || !unsorted) {
        return code;
    }
    code = ledger_begin(ledger, err);
    if (code == ERR_OK) {
        code = note_all(ledger, pairs, err);
    }
    if (code == ERR_OK && sqlite3_exec(ledger->db, "DELETE FROM fact WHERE name = 'unsorted'", NULL,
                                       NULL, NULL) != SQLITE_OK) {
        code = ledger_sql_error(ledger, "sorting records", err);
    }
    if (code != ERR_OK) {
        ledger_rollback(ledger);
        return code;
    }
    return pairs_commit(ledger, err);
}
