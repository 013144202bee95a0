/*
 * ledger_statements.c: all SQL that runs more than once, by name, and the small calls around it.
 */
#include "common/ledger_sql.h"

#include <string.h>

static const char *const statement_text[SQL_COUNT] = {
    [SQL_BEGIN] = "BEGIN IMMEDIATE",
    [SQL_COMMIT] = "COMMIT",
    [SQL_ROLLBACK] = "ROLLBACK",

    [SQL_RECORD_BY_ID] = "SELECT rid, chain, number FROM record WHERE id = ?1",
    [SQL_RECORD_BY_PREFIX] = "SELECT rid, chain, number, id FROM record"
                             " WHERE id >= ?1 AND id <= ?2 LIMIT 2",
    [SQL_RECORD_AT] = "SELECT id FROM record WHERE chain = ?1 AND number = ?2",
    [SQL_RECORD_RID_AT] = "SELECT rid FROM record WHERE chain = ?1 AND number = ?2",
    [SQL_RECORD_RAW] = "SELECT raw FROM record WHERE rid = ?1",
    [SQL_RECORD_INSERT] = "INSERT INTO record (id, chain, number, raw) VALUES (?1, ?2, ?3, ?4)",
    [SQL_RECORD_RANGE] = "SELECT raw FROM record WHERE chain = ?1 AND number BETWEEN ?2 AND ?3"
                         " ORDER BY number",
    [SQL_RECORDS_AFTER] = "SELECT rid, raw FROM record WHERE rid > ?1 ORDER BY rid LIMIT ?2",

    [SQL_CHAIN_INSERT] = "INSERT INTO chain VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    [SQL_CHAIN_UPDATE] = "UPDATE chain SET head_number = ?2, head_id = ?3 WHERE chain = ?1",

    [SQL_SEEN_INSERT] = "INSERT INTO seen VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    [SQL_SEEN_RESOLVE_FIND] = "SELECT rowid, chain, inherits FROM seen WHERE target_id = ?1"
                              " AND target_chain IS NULL AND target_number = ?2 LIMIT 1",
    [SQL_SEEN_RESOLVE] = "UPDATE seen SET target_log = ?2, target_chain = ?3 WHERE rowid = ?1",
    [SQL_SEEN_LOOKUP] = "SELECT 1 FROM seen WHERE chain = ?1 AND target_log = ?2"
                        " AND target_chain = ?4 AND target_number >= ?5 AND number <= ?3 LIMIT 1",
    [SQL_SEEN_LOOKUP_FORKED] = "SELECT target_chain, max(target_number) FROM seen WHERE chain = ?1"
                               " AND target_log = ?2 AND target_chain <> ?4 AND number <= ?3"
                               " GROUP BY target_chain",
    [SQL_SEEN_FOLLOWS_MISSING] = "SELECT 1 FROM seen WHERE chain = ?1 AND inherits = 1"
                                 " AND target_log IS NULL AND target_chain IS NULL LIMIT 1",
    [SQL_SEEN_CLAIMED] = "SELECT target_chain, max(target_number) FROM seen WHERE chain = ?1"
                         " AND number <= ?2 AND target_chain IS NOT NULL GROUP BY target_chain",

    [SQL_ADMIT_ELIGIBLE] = "SELECT 1 FROM admit WHERE key = ?1 AND (author = ?2 OR author IN"
                           " (SELECT key FROM admit WHERE author = ?2 AND role = 3)) LIMIT 1",
    [SQL_ADMIT_IS_LEAD] = "SELECT 1 FROM admit WHERE key = ?1 AND author = ?2 AND role = 3 LIMIT 1",
    [SQL_ADMIT_INSERT] = "INSERT INTO admit VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    [SQL_ADMITS_OF_TICKET] = "SELECT a.rid, a.author, r.chain, r.number, a.key, a.name"
                             " FROM admit a JOIN record r ON r.rid = a.rid WHERE a.ticket = ?1"
                             " ORDER BY r.id",
    [SQL_TICKET_INSERT] = "INSERT INTO ticket VALUES (?1, ?2, ?3, ?4)",
    [SQL_TICKETS_OF_HASH] = "SELECT t.rid, t.position, r.chain, r.number FROM ticket t"
                            " JOIN record r ON r.rid = t.rid WHERE t.hash = ?1 ORDER BY r.id",
    [SQL_TICKETS_OF_ID] = "SELECT t.rid, t.position, r.chain, r.number FROM ticket t"
                          " JOIN record r ON r.rid = t.rid WHERE t.id = ?1 ORDER BY r.id",
    [SQL_TICKETS_ALL] = "SELECT t.rid, t.position, r.chain, r.number FROM ticket t"
                        " JOIN record r ON r.rid = t.rid ORDER BY t.rid, t.position",
    [SQL_TICKETS_USED] = "SELECT DISTINCT ticket FROM admit WHERE ticket IS NOT NULL"
                         " ORDER BY ticket",
    [SQL_CANCEL_INSERT] = "INSERT OR IGNORE INTO cancel VALUES (?1, ?2)",
    [SQL_CANCELS_OF_TICKET] = "SELECT c.rid, r.chain, r.number FROM cancel c JOIN record r"
                              " ON r.rid = c.rid WHERE c.ticket = ?1 ORDER BY r.id",
    [SQL_RETIRE_INSERT] = "INSERT INTO retire VALUES (?1, ?2, ?3, ?4)",
    [SQL_CUTOFF_INSERT] = "INSERT INTO cutoff VALUES (?1, ?2)",
    [SQL_CUTOFF_KEYS] = "SELECT DISTINCT r.key FROM cutoff c JOIN retire r ON r.rid = c.rid"
                        " WHERE c.head_id = ?1",
    [SQL_RECEIPT_SET] = "INSERT INTO receipt VALUES (?1, ?2, ?3)"
                        " ON CONFLICT DO UPDATE SET number = max(number, excluded.number)",
    [SQL_KEPT_GET] = "SELECT kept FROM desk",
    [SQL_KEPT_SET] = "INSERT OR REPLACE INTO desk VALUES (1, ?1)",

    [SQL_ALLOT_INSERT] = "INSERT INTO allot VALUES (?1, ?2, ?3, ?4, ?5)",
    [SQL_ALLOT_FIND] = "SELECT a.rid, a.key, r.chain, r.number, r.id FROM allot a JOIN record r"
                       " ON r.rid = a.rid WHERE a.counted = 1 AND ?1 BETWEEN a.first AND a.last"
                       " ORDER BY r.id",
    [SQL_ALLOT_OF_KEY] = "SELECT first, last FROM allot WHERE key = ?1 AND counted = 1"
                         " ORDER BY first, last",
    [SQL_ALLOT_COUNTED] = "UPDATE allot SET counted = ?2 WHERE rid = ?1",
    [SQL_ALLOTS_OF_KEY] = "SELECT DISTINCT a.rid, a.counted, r.chain, r.number, a.key FROM chain c"
                          " JOIN record r ON r.chain = c.chain JOIN allot a ON a.rid = r.rid"
                          " WHERE c.key = ?1",

    [SQL_ISSUE_INSERT] = "INSERT INTO issue VALUES (?1, ?2, ?3, ?4, 0)",
    [SQL_ISSUE_UPDATE] = "UPDATE issue SET live = ?2 WHERE rid = ?1",
    [SQL_ISSUE_COUNTED] = "UPDATE issue SET counted = ?2 WHERE rid = ?1",
    [SQL_ISSUES_OF_BIB] = "SELECT i.rid, r.id, r.chain, r.number, i.key, i.counted, i.live"
                          " FROM issue i JOIN record r ON r.rid = i.rid WHERE i.bib = ?1"
                          " ORDER BY r.id",
    [SQL_ISSUES_OF_KEY] = "SELECT i.rid, i.counted, r.chain, r.number, i.bib FROM issue i"
                          " JOIN record r ON r.rid = i.rid WHERE i.key = ?1",
    [SQL_ISSUE_COUNT_OF_KEY] = "SELECT count(*) FROM issue WHERE key = ?1",
    [SQL_ISSUE_BY_ID] = "SELECT i.rid, i.bib, r.chain, r.number FROM record r JOIN issue i"
                        " ON i.rid = r.rid WHERE r.id = ?1",
    [SQL_ISSUE_BY_RID] = "SELECT i.bib, i.key, i.counted, i.live, r.id, r.chain, r.number, r.raw"
                         " FROM issue i JOIN record r ON r.rid = i.rid WHERE i.rid = ?1",
    [SQL_TAG_INSERT] = "INSERT INTO tag VALUES (?1, ?2, ?3, ?4)",
    [SQL_TAGS_OF_RID] = "SELECT epc, tid FROM tag WHERE rid = ?1 ORDER BY position",
    [SQL_TAG_LIVE_BIBS_EPC] = "SELECT DISTINCT i.bib FROM tag t JOIN issue i ON i.rid = t.rid"
                              " WHERE t.epc = ?1 AND i.live = 1 ORDER BY i.bib",
    [SQL_TAG_LIVE_BIBS_TID] = "SELECT DISTINCT i.bib FROM tag t JOIN issue i ON i.rid = t.rid"
                              " WHERE t.tid = ?1 AND i.live = 1 ORDER BY i.bib",
    [SQL_TAG_POSITIONS_EPC] = "SELECT r.chain, r.number FROM tag t JOIN record r"
                              " ON r.rid = t.rid WHERE t.epc = ?1",
    [SQL_TAG_POSITIONS_TID] = "SELECT r.chain, r.number FROM tag t JOIN record r"
                              " ON r.rid = t.rid WHERE t.tid = ?1",

    [SQL_VOID_INSERT] = "INSERT INTO void VALUES (?1, ?2, ?3)",
    [SQL_VOID_COUNTED] = "UPDATE void SET counted = ?2 WHERE rid = ?1",
    [SQL_VOID_BY_RID] = "SELECT v.key, v.counted, r.id, r.chain, r.number, r.raw FROM void v"
                        " JOIN record r ON r.rid = v.rid WHERE v.rid = ?1",
    [SQL_VOIDS_OF_KEY] = "SELECT v.rid, v.counted, r.chain, r.number FROM void v"
                         " JOIN record r ON r.rid = v.rid WHERE v.key = ?1",
    [SQL_NAMING_INSERT] = "INSERT OR IGNORE INTO naming VALUES (?1, ?2, ?3)",
    [SQL_NAMINGS_OF_TARGET] = "SELECT relation, rid FROM naming WHERE target = ?1"
                              " ORDER BY relation, rid",
    [SQL_NAMING_POSITIONS] = "SELECT r.chain, r.number FROM naming n JOIN record r"
                             " ON r.rid = n.rid WHERE n.target = ?1",
    [SQL_NAMINGS_OF_RID] = "SELECT target FROM naming WHERE rid = ?1 ORDER BY target",

    [SQL_BIB_GET] = "SELECT state, cause, doubt, crossed, live, hash FROM bib WHERE bib = ?1",
    [SQL_BIB_SET] = "INSERT INTO bib VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON CONFLICT DO UPDATE SET"
                    " state = ?2, cause = ?3, doubt = ?4, crossed = ?5, live = ?6, hash = ?7",
    [SQL_BIBS_ALL] = "SELECT bib FROM bib",
    [SQL_BIBS_DOUBLED] = "SELECT bib FROM bib WHERE state = 2",
    [SQL_BIBS_DOUBT] = "SELECT bib FROM bib WHERE doubt = 1",
    [SQL_BIBS_CROSSED] = "SELECT bib FROM bib WHERE crossed = 1",
    [SQL_LIST_OF_BIB] = "SELECT i.bib, i.rid, r.id FROM issue i JOIN record r ON r.rid = i.rid"
                        " WHERE i.bib = ?1",
    [SQL_LIST_OF_EPC] = "SELECT DISTINCT i.bib, i.rid, r.id FROM tag t JOIN issue i"
                        " ON i.rid = t.rid JOIN record r ON r.rid = i.rid WHERE t.epc = ?1",
    [SQL_LIST_OF_TID] = "SELECT DISTINCT i.bib, i.rid, r.id FROM tag t JOIN issue i"
                        " ON i.rid = t.rid JOIN record r ON r.rid = i.rid WHERE t.tid = ?1",
    [SQL_LIST_LIVE] = "SELECT i.bib, i.rid, r.id FROM issue i JOIN record r ON r.rid = i.rid"
                      " WHERE i.live = 1 OR (i.counted = 0 AND"
                      " (SELECT doubt FROM bib b WHERE b.bib = i.bib) = 1)",
    [SQL_LIST_DEAD] = "SELECT i.bib, i.rid, r.id FROM issue i JOIN record r ON r.rid = i.rid"
                      " WHERE i.live = 0 AND i.counted = 1",
    [SQL_ENDED_BY] =
        "SELECT n.relation, n.rid FROM naming n JOIN record r ON r.rid = n.rid"
        " LEFT JOIN void v ON v.rid = n.rid LEFT JOIN issue i ON i.rid = n.rid"
        " WHERE n.target = ?1 AND n.relation <> 2 AND coalesce(v.counted, i.counted) = 1"
        " ORDER BY r.id LIMIT 1",
    [SQL_CONTEST_INSERT] = "INSERT OR IGNORE INTO contest VALUES (?1, ?2)",
    [SQL_CONTEST_CLEAR] = "DELETE FROM contest WHERE bib = ?1",
    [SQL_CONTEST_OF_CHAIN] = "SELECT bib FROM contest WHERE chain = ?1",
    [SQL_SHARED_GET] = "SELECT hash FROM shared WHERE tag = ?1",
    [SQL_SHARED_SET] = "INSERT OR REPLACE INTO shared VALUES (?1, ?2)",
    [SQL_SHARED_CLEAR] = "DELETE FROM shared WHERE tag = ?1",
    [SQL_SHARED_ALL] = "SELECT tag FROM shared ORDER BY tag",
    [SQL_HOLD_INSERT] = "INSERT INTO hold VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
    [SQL_HOLD_COUNTED] = "UPDATE hold SET counted = ?2 WHERE rid = ?1",
    [SQL_HOLDS_OF_KEY] = "SELECT h.rid, h.counted, r.chain, r.number, h.bib FROM hold h"
                         " JOIN record r ON r.rid = h.rid WHERE h.key = ?1",
    /* With max() SQLite takes the other columns from the row that has it. */
    [SQL_HOLDS_OF_BIB] = "SELECT h.rid, r.id, h.chain, max(r.number), h.how, h.key FROM hold h"
                         " JOIN record r ON r.rid = h.rid WHERE h.bib = ?1 AND h.counted = 1"
                         " GROUP BY h.chain",
    [SQL_HOLDS_OF_CHAIN] = "SELECT DISTINCT h.bib FROM hold h WHERE h.chain = ?1 AND EXISTS"
                           " (SELECT 1 FROM hold o WHERE o.bib = h.bib AND o.rid <> h.rid)",
    [SQL_HOLD_POSITIONS] = "SELECT h.chain, max(r.number) FROM hold h JOIN record r"
                           " ON r.rid = h.rid WHERE h.bib = ?1 GROUP BY h.chain",
    [SQL_HELD_GET] = "SELECT how, rid, hash FROM held WHERE bib = ?1",
    [SQL_HELD_SET] = "INSERT OR REPLACE INTO held VALUES (?1, ?2, ?3, ?4)",
    [SQL_HELD_CLEAR] = "DELETE FROM held WHERE bib = ?1",
    [SQL_HELD_ALL] = "SELECT bib, rid FROM held WHERE how <> 1",
    [SQL_BORNE_ON_BIBS] =
        "SELECT i.bib, r.chain, r.number FROM issue i JOIN record r ON r.rid = i.rid"
        " UNION ALL SELECT i.bib, r.chain, r.number FROM naming n JOIN record r ON r.rid = n.rid"
        " JOIN record t ON t.id = n.target JOIN issue i ON i.rid = t.rid"
        " UNION ALL SELECT h.bib, r.chain, r.number FROM hold h JOIN record r ON r.rid = h.rid",
    [SQL_SAID_INSERT] = "INSERT INTO said VALUES (?1, ?2, ?3)",
    [SQL_SAID_OF_KIND] = "SELECT s.rid, r.chain, r.number, r.id FROM said s JOIN record r"
                         " ON r.rid = s.rid WHERE s.kind = ?1",
    [SQL_SAID_OF_BIB] = "SELECT s.rid, r.chain, r.number, r.id FROM said s JOIN record r"
                        " ON r.rid = s.rid WHERE s.kind = ?1 AND s.bib = ?2",
    [SQL_HEARD_INSERT] = "INSERT INTO heard VALUES (?1, ?2, ?3, ?4, ?5)",
    [SQL_HEARD_OF] = "SELECT r.chain, r.number FROM heard h JOIN record r ON r.rid = h.rid"
                     " WHERE h.bib = ?1 AND CASE WHEN h.tid IS NULL OR ?3 IS NULL"
                     " THEN h.epc = ?2 ELSE h.tid = ?3 END",
    [SQL_UNSEEN_INSERT] = "INSERT INTO unseen VALUES (?1, ?2)",
    /* In the order of the outermost table, so that the rows of one tag follow each other. */
    [SQL_UNSEEN_ALL] = "SELECT u.rid, u.position, r.chain, r.number FROM unseen u"
                       " JOIN issue i ON i.rid = u.rid AND i.live = 1"
                       " JOIN tag t ON t.rid = u.rid AND t.position = u.position"
                       " LEFT JOIN heard h ON h.bib = i.bib AND CASE"
                       " WHEN h.tid IS NULL OR t.tid IS NULL THEN h.epc = t.epc"
                       " ELSE h.tid = t.tid END LEFT JOIN record r ON r.rid = h.rid"
                       " ORDER BY u.rid, u.position",
    [SQL_HALF_ALL] = "SELECT i.bib, count(*) FROM issue i JOIN tag t ON t.rid = i.rid"
                     " WHERE i.live = 1 GROUP BY i.bib HAVING count(*) < ?1",
    [SQL_STATION_SET] = "INSERT OR REPLACE INTO station VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    [SQL_STATION_ALL] = "SELECT key, curve, name, role, retired, hash FROM station ORDER BY key",
    [SQL_BEYOND_SET] = "INSERT OR REPLACE INTO beyond VALUES (?1, ?2, ?3, ?4)",
    [SQL_BEYOND_CLEAR] = "DELETE FROM beyond WHERE key = ?1",
    [SQL_BEYOND_GET] = "SELECT why FROM beyond WHERE rid = ?1",
    [SQL_RECORDS_OF_KEY] = "SELECT r.rid, r.chain, r.number, r.raw FROM chain c"
                           " JOIN record r ON r.chain = c.chain WHERE c.key = ?1",
    [SQL_RETIRE_AUTHORS] = "SELECT DISTINCT author FROM retire WHERE key = ?1",
    [SQL_ADMIT_NAME] = "SELECT name FROM admit WHERE key = ?1 ORDER BY role DESC, name LIMIT 1",
    [SQL_UNREADABLE_INSERT] = "INSERT OR IGNORE INTO unreadable VALUES (?1)",
    [SQL_ALARM_BEYOND] = "SELECT key, why, count(*), sum(kind = 6) FROM beyond GROUP BY key, why"
                         " ORDER BY key, why",
    [SQL_ALARM_FOREIGN_VOID] =
        "SELECT v.key, count(*) FROM void v JOIN station s ON s.key = v.key"
        " JOIN naming n ON n.rid = v.rid JOIN record r ON r.id = n.target"
        " JOIN issue i ON i.rid = r.rid"
        " WHERE v.counted = 1 AND s.role = 2 AND i.key <> v.key GROUP BY v.key",
    [SQL_ALARM_UNREADABLE] = "SELECT NULL, count(*) FROM unreadable",
    [SQL_TOTAL_SET] = "UPDATE total SET rows = ?1, sum = ?2",
};

sqlite3_stmt *ledger_statement(struct ledger *ledger, enum ledger_statement which,
                               struct error *err) {
    sqlite3_stmt **statement = &ledger->statement[which];
    if (ledger->in_transaction && ledger->faults != ledger->faults_begun) {
        *err = ledger->fault;
        return NULL;
    }
    if (*statement == NULL) {
        if (sqlite3_prepare_v3(ledger->db, statement_text[which], -1, SQLITE_PREPARE_PERSISTENT,
                               statement, NULL) != SQLITE_OK) {
            ledger_sql_error(ledger, statement_text[which], err);
            return NULL;
        }
    } else {
        sqlite3_reset(*statement);
        sqlite3_clear_bindings(*statement);
    }
    return *statement;
}

enum error_code ledger_run(struct ledger *ledger, sqlite3_stmt *statement, struct error *err) {
    enum error_code code = ERR_OK;
    if (sqlite3_step(statement) != SQLITE_DONE) {
        code = ledger_sql_error(ledger, sqlite3_sql(statement), err);
    }
    sqlite3_reset(statement);
    return code;
}

enum error_code ledger_row(struct ledger *ledger, sqlite3_stmt *statement, bool *row,
                           struct error *err) {
    int rc = sqlite3_step(statement);
    enum error_code code = ERR_OK;
    *row = rc == SQLITE_ROW;
    if (rc == SQLITE_ROW) {
        return ERR_OK;
    }
    if (rc != SQLITE_DONE) {
        code = ledger_sql_error(ledger, sqlite3_sql(statement), err);
    }
    sqlite3_reset(statement);
    return code;
}

void sql_bind_bytes(sqlite3_stmt *statement, int at, const void *bytes, size_t size) {
    sqlite3_bind_blob64(statement, at, bytes, size, SQLITE_STATIC);
}

void sql_bind_u64(sqlite3_stmt *statement, int at, uint64_t value) {
    INVARIANT(value <= INT64_MAX);
    sqlite3_bind_int64(statement, at, (int64_t)value);
}

bool sql_column_bytes(sqlite3_stmt *statement, int column, void *out, size_t size) {
    const void *bytes = sqlite3_column_blob(statement, column);
    if (bytes == NULL || (size_t)sqlite3_column_bytes(statement, column) != size) {
        return false;
    }
    memcpy(out, bytes, size);
    return true;
}

uint64_t sql_column_u64(sqlite3_stmt *statement, int column) {
    int64_t value = sqlite3_column_int64(statement, column);
    return value < 0 ? 0 : (uint64_t)value;
}
