/*
 * ledger_load.c: what is kept in memory of a ledger, read from its tables: when it is opened, and
 * again after a rollback.
 */
#include "common/ledger_sql.h"

#include <string.h>

static enum error_code load_chains(struct ledger *ledger, struct error *err) {
    sqlite3_stmt *statement = NULL;
    enum error_code code = ERR_OK;
    if (sqlite3_prepare_v2(ledger->db,
                           "SELECT log, key, parent_chain, parent_number, head_number, head_id"
                           " FROM chain ORDER BY chain",
                           -1, &statement, NULL) != SQLITE_OK) {
        return ledger_sql_error(ledger, "reading the logs", err);
    }
    bool row = true;
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        size_t at = ledger->tree.count;
        struct ledger_chain chain = {0};
        struct clock_chain node = {(uint32_t)at, {CLOCK_NO_CHAIN, 0}, {CLOCK_NO_CHAIN, 0}};
        bool sound = sql_column_bytes(statement, 0, &chain.log, sizeof chain.log) &&
                     sql_column_bytes(statement, 1, &chain.key, sizeof chain.key) &&
                     sql_column_bytes(statement, 5, &chain.head_id, sizeof chain.head_id);
        chain.head_number = sql_column_u64(statement, 4);
        if (sqlite3_column_type(statement, 2) != SQLITE_NULL) {
            node.parent = (struct clock_position){(uint32_t)sqlite3_column_int(statement, 2),
                                                  sql_column_u64(statement, 3)};
        }
        for (uint32_t i = 0; i < at; i++) {
            if (ID_EQUAL(ledger->chain[i].log, chain.log)) {
                node.log = ledger->tree.chain[i].log;
                break;
            }
        }
        if (!sound || (node.parent.chain != CLOCK_NO_CHAIN && node.parent.chain >= at)) {
            code = error_set(err, ERR_DAMAGED, "row %zu of table chain", at);
            break;
        }
        if (!ledger_reserve_chain(ledger) || clock_tree_add(&ledger->tree, &node) != at) {
            code = error_set(err, ERR_MEMORY, "the logs");
            break;
        }
        ledger->chain[at] = chain;
        ledger->touched[at] = false;
    }
    sqlite3_finalize(statement);
    return code;
}

static enum error_code load_follows(struct ledger *ledger, struct error *err) {
    sqlite3_stmt *statement = NULL;
    if (sqlite3_prepare_v2(ledger->db,
                           "SELECT chain, target_chain, target_number FROM seen"
                           " WHERE inherits = 1 AND target_chain IS NOT NULL",
                           -1, &statement, NULL) != SQLITE_OK) {
        return ledger_sql_error(ledger, "reading the logs", err);
    }
    bool row = true;
    enum error_code code;
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        uint64_t chain = sql_column_u64(statement, 0), target = sql_column_u64(statement, 1);
        if (chain >= ledger->tree.count || target >= ledger->tree.count) {
            code = error_set(err, ERR_DAMAGED, "table seen names chain %llu",
                             (unsigned long long)target);
            break;
        }
        ledger->tree.chain[chain].follows =
            (struct clock_position){(uint32_t)target, sql_column_u64(statement, 2)};
    }
    sqlite3_finalize(statement);
    return code;
}

static enum error_code load_number(struct ledger *ledger, const char *sql, uint64_t *out,
                                   struct error *err) {
    sqlite3_stmt *statement = NULL;
    enum error_code code = ERR_OK;
    if (sqlite3_prepare_v2(ledger->db, sql, -1, &statement, NULL) != SQLITE_OK) {
        return ledger_sql_error(ledger, sql, err);
    }
    if (sqlite3_step(statement) == SQLITE_ROW) {
        *out = sql_column_u64(statement, 0);
    } else {
        code = ledger_sql_error(ledger, sql, err);
    }
    sqlite3_finalize(statement);
    return code;
}

enum error_code ledger_load(struct ledger *ledger, struct error *err) {
    enum error_code code = load_chains(ledger, err);
    if (code == ERR_OK) {
        code = load_follows(ledger, err);
    }
    if (code == ERR_OK) {
        code = load_number(ledger, "SELECT count(*) FROM record", &ledger->count, err);
    }
    if (code == ERR_OK) {
        code = load_number(ledger, "SELECT count(*) FROM seen WHERE target_chain IS NULL",
                           &ledger->waiting, err);
    }
    if (code == ERR_OK) {
        code = ledger_load_receipts(ledger, err);
    }
    ledger->heads_stale = true;
    ledger->admit_epoch++;
    return code;
}
