/*
 * ledger_kept.c: what the desk of this table keeps over a restart: one row, written with the
 * records that go with it. It is no record: nothing is derived from it, and no hash knows it.
 */
#include "common/ledger_sql.h"

enum error_code ledger_kept_load(struct ledger *ledger, struct buffer *out, struct error *err) {
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_KEPT_GET, err);
    bool row = false;
    enum error_code code = statement == NULL ? err->code : ledger_row(ledger, statement, &row, err);
    if (code == ERR_OK && row) {
        buffer_append(out, sqlite3_column_blob(statement, 0),
                      (size_t)sqlite3_column_bytes(statement, 0));
        code = out->failed ? error_set(err, ERR_MEMORY, "what the desk kept") : ERR_OK;
    }
    if (statement != NULL) {
        sqlite3_reset(statement);
    }
    return code;
}

enum error_code ledger_kept_save(struct ledger *ledger, struct slice kept, struct error *err) {
    enum error_code code = ledger_writable(ledger, err);
    sqlite3_stmt *statement = code == ERR_OK ? ledger_statement(ledger, SQL_KEPT_SET, err) : NULL;
    if (statement == NULL) {
        return err->code;
    }
    /* Never NULL, which the column refuses: an empty one is an empty blob. */
    sql_bind_bytes(statement, 1, kept.size == 0 ? (const uint8_t *)"" : kept.data, kept.size);
    return ledger_run(ledger, statement, err);
}
