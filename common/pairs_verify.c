/*
 * pairs_verify.c: everything made again from the raw records in a second ledger in memory, and
 * compared table by table.
 */
#include "common/pairs_state.h"

#include <stdlib.h>
#include <string.h>

/* The rebuildable tables and the order in which their rows are compared. */
static const char *const compared[] = {
    "SELECT rid, id, chain, number FROM record ORDER BY rid",
    "SELECT * FROM chain ORDER BY chain",
    "SELECT * FROM seen ORDER BY chain, number, target_id, inherits",
    "SELECT * FROM admit ORDER BY rid",
    "SELECT * FROM ticket ORDER BY rid, position",
    "SELECT * FROM cancel ORDER BY ticket, rid",
    "SELECT * FROM retire ORDER BY rid",
    "SELECT * FROM cutoff ORDER BY rid, head_id",
    "SELECT * FROM station ORDER BY key",
    "SELECT * FROM allot ORDER BY rid, first, last",
    "SELECT * FROM issue ORDER BY rid",
    "SELECT * FROM tag ORDER BY rid, position",
    "SELECT * FROM void ORDER BY rid",
    "SELECT * FROM naming ORDER BY target, relation, rid",
    "SELECT * FROM bib ORDER BY bib",
    "SELECT * FROM contest ORDER BY chain, bib",
    "SELECT * FROM shared ORDER BY tag",
    "SELECT * FROM hold ORDER BY rid",
    "SELECT * FROM held ORDER BY bib",
    "SELECT * FROM said ORDER BY rid",
    "SELECT * FROM heard ORDER BY rid, position",
    "SELECT * FROM unseen ORDER BY rid, position",
    "SELECT * FROM beyond ORDER BY rid",
    "SELECT * FROM unreadable ORDER BY rid",
    "SELECT * FROM total",
};

static bool same_value(sqlite3_stmt *a, sqlite3_stmt *b, int column) {
    if (sqlite3_column_type(a, column) != sqlite3_column_type(b, column)) {
        return false;
    }
    if (sqlite3_column_type(a, column) == SQLITE_INTEGER) {
        return sqlite3_column_int64(a, column) == sqlite3_column_int64(b, column);
    }
    const void *left = sqlite3_column_blob(a, column), *right = sqlite3_column_blob(b, column);
    int left_size = sqlite3_column_bytes(a, column), right_size = sqlite3_column_bytes(b, column);
    return left_size == right_size &&
           (left_size == 0 || memcmp(left, right, (size_t)left_size) == 0);
}

static enum error_code compare_rows(struct ledger *ledger, struct ledger *again, sqlite3_stmt *a,
                                    sqlite3_stmt *b, const char *sql, struct error *err) {
    for (uint64_t row = 0;; row++) {
        int left = sqlite3_step(a), right = sqlite3_step(b);
        if (left == SQLITE_DONE && right == SQLITE_DONE) {
            return ERR_OK;
        }
        if (left != SQLITE_ROW && left != SQLITE_DONE) {
            return ledger_sql_error(ledger, sql, err);
        }
        if (right != SQLITE_ROW && right != SQLITE_DONE) {
            return ledger_sql_error(again, sql, err);
        }
        if (left != right) {
            return error_set(err, ERR_DAMAGED, "\"%s\" has %s rows than its records give", sql,
                             left == SQLITE_ROW ? "more" : "fewer");
        }
        for (int column = 0; column < sqlite3_column_count(a); column++) {
            if (!same_value(a, b, column)) {
                return error_set(err, ERR_DAMAGED, "row %llu of \"%s\", column %s",
                                 (unsigned long long)row, sql, sqlite3_column_name(a, column));
            }
        }
    }
}

static enum error_code compare_table(struct ledger *ledger, struct ledger *again, const char *sql,
                                     struct error *err) {
    sqlite3_stmt *a = NULL, *b = NULL;
    enum error_code code = ERR_OK;
    if (sqlite3_prepare_v2(ledger->db, sql, -1, &a, NULL) != SQLITE_OK) {
        code = ledger_sql_error(ledger, "comparing", err);
    } else if (sqlite3_prepare_v2(again->db, sql, -1, &b, NULL) != SQLITE_OK) {
        code = ledger_sql_error(again, "comparing", err);
    } else {
        code = compare_rows(ledger, again, a, b, sql, err);
    }
    sqlite3_finalize(a);
    sqlite3_finalize(b);
    return code;
}

/* A run of records of one chain as they came, on its way into the second ledger. */
struct replay {
    struct ledger *again;
    struct buffer bytes;
    size_t end[LEDGER_RUN_MAX];
    size_t count;
    uint64_t chain;
    int64_t rid; /* of the record that was read last */
};

static enum error_code replay_flush(struct replay *replay, struct error *err) {
    struct slice run[LEDGER_RUN_MAX];
    struct pairs_taken taken;
    if (replay->count == 0) {
        return ERR_OK;
    }
    if (replay->bytes.failed) {
        return error_set(err, ERR_MEMORY, "replaying records");
    }
    for (size_t i = 0; i < replay->count; i++) {
        size_t start = i == 0 ? 0 : replay->end[i - 1];
        run[i] = slice_of(replay->bytes.data + start, replay->end[i] - start);
    }
    enum error_code code = pairs_begin(replay->again, err);
    if (code == ERR_OK) {
        code = pairs_take(replay->again, run, replay->count, &taken, err);
    }
    if (code == ERR_OK) {
        code = pairs_commit(replay->again, err);
    }
    if (code == ERR_OK && (taken.outcome != PAIRS_STORED || taken.stored != replay->count)) {
        code = error_set(err, ERR_DAMAGED, "a run of %zu records is no longer taken: %s",
                         replay->count, taken.why.cause);
    }
    replay->count = 0;
    buffer_clear(&replay->bytes);
    return code;
}

/* Up to `max` records behind the one that was replayed last; *more: there may be further ones. */
static enum error_code replay_some(struct ledger *ledger, struct replay *replay, size_t max,
                                   bool *more, struct error *err) {
    sqlite3_stmt *statement = NULL;
    bool row = true;
    size_t count = 0;
    enum error_code code = ERR_OK;
    if (sqlite3_prepare_v2(ledger->db,
                           "SELECT rid, chain, raw FROM record WHERE rid > ?1 ORDER BY rid", -1,
                           &statement, NULL) != SQLITE_OK) {
        return ledger_sql_error(ledger, "reading all records", err);
    }
    sqlite3_bind_int64(statement, 1, replay->rid);
    while (count < max && (code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        uint64_t chain = sql_column_u64(statement, 1);
        if (replay->count == LEDGER_RUN_MAX || chain != replay->chain) {
            code = replay_flush(replay, err);
        }
        if (code != ERR_OK) {
            break;
        }
        replay->rid = sqlite3_column_int64(statement, 0);
        replay->chain = chain;
        buffer_append(&replay->bytes, sqlite3_column_blob(statement, 2),
                      (size_t)sqlite3_column_bytes(statement, 2));
        replay->end[replay->count++] = replay->bytes.size;
        count++;
    }
    sqlite3_finalize(statement);
    *more = row;
    return code == ERR_OK ? replay_flush(replay, err) : code;
}

/* ---- all of it ---- */

struct pairs_check {
    struct ledger *ledger;
    struct replay replay;
};

enum error_code pairs_check_new(struct ledger *ledger, struct pairs_check **out,
                                struct error *err) {
    *out = NULL;
    if (pairs_of(ledger, err) == NULL) {
        return err->code;
    }
    struct pairs_check *check = calloc(1, sizeof *check);
    if (check == NULL) {
        return error_set(err, ERR_MEMORY, "replaying records");
    }
    check->ledger = ledger;
    buffer_init(&check->replay.bytes);
    enum error_code code =
        ledger_open(":memory:", NULL, &ledger->event, NULL, &check->replay.again, err);
    if (code != ERR_OK) {
        pairs_check_free(check);
        return code;
    }
    *out = check;
    return ERR_OK;
}

void pairs_check_free(struct pairs_check *check) {
    if (check != NULL) {
        buffer_release(&check->replay.bytes);
        ledger_close(check->replay.again);
        free(check);
    }
}

static enum error_code compare_all(struct ledger *ledger, struct ledger *again, struct error *err) {
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < sizeof compared / sizeof compared[0]; i++) {
        code = compare_table(ledger, again, compared[i], err);
    }
    if (code == ERR_OK && pairs_of(again, err) == NULL) {
        code = err->code;
    }
    if (code == ERR_OK) {
        struct digest32 heads = ledger_heads_hash(ledger), state = pairs_state_hash(ledger);
        struct digest32 heads_again = ledger_heads_hash(again);
        struct digest32 state_again = pairs_state_hash(again);
        if (!ID_EQUAL(heads, heads_again) || !ID_EQUAL(state, state_again)) {
            code = error_set(err, ERR_DAMAGED, "the hashes differ from those of the records");
        }
    }
    return code;
}

enum error_code pairs_check_step(struct pairs_check *check, size_t records, bool *done,
                                 struct error *err) {
    bool more = true;
    *done = false;
    enum error_code code = replay_some(check->ledger, &check->replay, records, &more, err);
    if (code == ERR_OK && !more) {
        code = compare_all(check->ledger, check->replay.again, err);
        *done = code == ERR_OK;
    }
    return code;
}

enum error_code pairs_verify(struct ledger *ledger, bool every, struct error *err) {
    struct pairs_check *check = NULL;
    bool done = false;
    if (pairs_of(ledger, err) == NULL) {
        return err->code;
    }
    enum error_code code = ledger_verify(ledger, every, err);
    if (code == ERR_OK) {
        code = pairs_check_new(ledger, &check, err);
    }
    if (code == ERR_OK) {
        code = pairs_check_step(check, SIZE_MAX, &done, err);
    }
    pairs_check_free(check);
    return code;
}
