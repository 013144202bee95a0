/*
 * ledger_verify.c: the raw records looked at one by one: bytes, ids, chains, signatures.
 */
#include "common/ledger_sql.h"

#include <string.h>

static enum error_code damaged(struct error *err, int64_t rid, const char *what) {
    return error_set(err, ERR_DAMAGED, "record %lld: %s", (long long)rid, what);
}

/* Whether this record must carry a good signature of its own. */
static bool must_verify(const struct ledger *ledger, struct clock_position at, bool every) {
    return every || at.number % RECORD_VERIFY_EVERY == 0 ||
           at.number == ledger->chain[at.chain].head_number;
}

static enum error_code check_row(struct ledger *ledger, sqlite3_stmt *row, bool every,
                                 struct error *err) {
    int64_t rid = sqlite3_column_int64(row, 0);
    struct record_id id, found, previous;
    struct clock_position at = {(uint32_t)sqlite3_column_int(row, 2), sql_column_u64(row, 3)};
    struct slice raw = slice_of(sqlite3_column_blob(row, 4), (size_t)sqlite3_column_bytes(row, 4));
    struct record record;
    if (!sql_column_bytes(row, 1, &id, sizeof id) || at.chain >= ledger->tree.count) {
        return damaged(err, rid, "its columns");
    }
    found = identity_record(raw);
    if (!ID_EQUAL(id, found)) {
        return damaged(err, rid, "its bytes are not those of its id");
    }
    if (record_decode(raw, &record, err) != ERR_OK) {
        return damaged(err, rid, "it is not a record");
    }
    const struct ledger_chain *chain = &ledger->chain[at.chain];
    if (!ID_EQUAL(record.log, chain->log) || record.number != at.number) {
        return damaged(err, rid, "it stands at a wrong place");
    }
    if (record.has_previous != (sqlite3_column_type(row, 5) != SQLITE_NULL)) {
        return damaged(err, rid, "the record before it is missing");
    }
    if (record.has_previous && (!sql_column_bytes(row, 5, &previous, sizeof previous) ||
                                !ID_EQUAL(previous, record.previous))) {
        return damaged(err, rid, "the chain is broken before it");
    }
    if (must_verify(ledger, at, every) &&
        !record_verify(&record, &ledger->event.event, &chain->key)) {
        return damaged(err, rid, "its signature does not verify");
    }
    return ledger_eligible(ledger, &chain->key)
               ? ERR_OK
               : damaged(err, rid, "its station was never admitted");
}

enum error_code ledger_verify(struct ledger *ledger, bool every, struct error *err) {
    sqlite3_stmt *statement = NULL;
    bool row = true;
    enum error_code code;
    /* The record before: in the same chain, or the fork point in the parent. */
    static const char sql[] =
        "SELECT r.rid, r.id, r.chain, r.number, r.raw,"
        " coalesce((SELECT p.id FROM record p WHERE p.chain = r.chain AND p.number = r.number - 1),"
        " (SELECT p.id FROM record p JOIN chain c ON p.chain = c.parent_chain"
        " AND p.number = c.parent_number WHERE c.chain = r.chain AND p.number = r.number - 1))"
        " FROM record r ORDER BY r.rid";
    if (sqlite3_prepare_v2(ledger->db, sql, -1, &statement, NULL) != SQLITE_OK) {
        return ledger_sql_error(ledger, "reading all records", err);
    }
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        uint64_t faults = ledger->faults;
        code = ledger_since(ledger, faults, check_row(ledger, statement, every, err), err);
        if (code != ERR_OK) {
            break;
        }
    }
    sqlite3_finalize(statement);
    return code;
}
