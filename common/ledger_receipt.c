/*
 * ledger_receipt.c: who said durably that it holds how much of which log. Hints for people: raised,
 * never lowered, in no hash, and written with whatever transaction comes next.
 */
#include "common/ledger_sql.h"

#include <stdlib.h>
#include <string.h>

static struct ledger_receipt_row *
receipt_row(struct ledger *ledger, const struct sign_public *station, const struct log_id *log) {
    for (size_t i = 0; i < ledger->receipt_count; i++) {
        if (ID_EQUAL(ledger->receipt[i].log, *log) &&
            ID_EQUAL(ledger->receipt[i].station, *station)) {
            return &ledger->receipt[i];
        }
    }
    if (ledger->receipt_count == ledger->receipt_capacity) {
        size_t wanted = ledger->receipt_capacity == 0 ? 64 : ledger->receipt_capacity * 2;
        struct ledger_receipt_row *grown = realloc(ledger->receipt, wanted * sizeof *grown);
        if (grown == NULL) {
            return NULL;
        }
        ledger->receipt = grown;
        ledger->receipt_capacity = wanted;
    }
    struct ledger_receipt_row *row = &ledger->receipt[ledger->receipt_count++];
    *row = (struct ledger_receipt_row){.station = *station, .log = *log};
    return row;
}

enum error_code ledger_load_receipts(struct ledger *ledger, struct error *err) {
    sqlite3_stmt *statement = NULL;
    if (sqlite3_prepare_v2(ledger->db, "SELECT station, log, number FROM receipt", -1, &statement,
                           NULL) != SQLITE_OK) {
        return ledger_sql_error(ledger, "reading receipts", err);
    }
    bool row = true;
    enum error_code code;
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct sign_public station;
        struct log_id log;
        if (!sql_column_bytes(statement, 0, &station, sizeof station) ||
            !sql_column_bytes(statement, 1, &log, sizeof log)) {
            continue; /* a hint that cannot be read is no hint */
        }
        struct ledger_receipt_row *receipt = receipt_row(ledger, &station, &log);
        uint64_t number = sql_column_u64(statement, 2);
        if (receipt == NULL) {
            code = error_set(err, ERR_MEMORY, "receipts");
            break;
        }
        receipt->number = receipt->number < number ? number : receipt->number;
    }
    sqlite3_finalize(statement);
    return code;
}

void ledger_receipt(struct ledger *ledger, const struct sign_public *station,
                    const struct log_id *log, uint64_t number) {
    struct ledger_receipt_row *row = receipt_row(ledger, station, log);
    if (row == NULL || row->number >= number) {
        return;
    }
    row->number = number;
    row->dirty = true;
}

/* How far any other station holds the log of this chain. */
static uint64_t receipted(const struct ledger *ledger, const struct log_id *log) {
    uint64_t best = 0;
    for (size_t i = 0; i < ledger->receipt_count; i++) {
        if (ID_EQUAL(ledger->receipt[i].log, *log) && ledger->receipt[i].number > best) {
            best = ledger->receipt[i].number;
        }
    }
    return best;
}

uint64_t ledger_unsafe(struct ledger *ledger, const struct sign_public *key) {
    uint64_t unsafe = 0;
    for (size_t i = 0; i < ledger->tree.count; i++) {
        const struct ledger_chain *chain = &ledger->chain[i];
        const struct clock_position parent = ledger->tree.chain[i].parent;
        if (!ID_EQUAL(chain->key, *key)) {
            continue;
        }
        uint64_t from = parent.chain == CLOCK_NO_CHAIN ? 0 : parent.number;
        uint64_t safe = receipted(ledger, &chain->log);
        if (safe < from) {
            safe = from;
        }
        if (chain->head_number > safe) {
            unsafe += chain->head_number - safe;
        }
    }
    return unsafe;
}

size_t ledger_copies(struct ledger *ledger, const struct log_id *log, uint64_t number) {
    size_t copies = 0;
    for (size_t i = 0; i < ledger->receipt_count; i++) {
        if (ID_EQUAL(ledger->receipt[i].log, *log) && ledger->receipt[i].number >= number) {
            copies++;
        }
    }
    return copies;
}

enum error_code ledger_write_receipts(struct ledger *ledger, struct error *err) {
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < ledger->receipt_count; i++) {
        struct ledger_receipt_row *row = &ledger->receipt[i];
        if (!row->dirty) {
            continue;
        }
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_RECEIPT_SET, err);
        if (statement == NULL) {
            return err->code;
        }
        sql_bind_bytes(statement, 1, row->station.bytes, sizeof row->station.bytes);
        sql_bind_bytes(statement, 2, row->log.bytes, sizeof row->log.bytes);
        sql_bind_u64(statement, 3, row->number);
        code = ledger_run(ledger, statement, err);
    }
    return code;
}
