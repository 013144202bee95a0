/*
 * ledger_read.c: what a ledger answers: heads, records, runs for peers, forks.
 */
#include "common/ledger_sql.h"

#include <sodium.h>
#include <stdlib.h>
#include <string.h>

/* ---- heads ---- */

static int compare_heads(const void *a, const void *b) {
    const struct ledger_head *left = a, *right = b;
    int order = memcmp(left->log.bytes, right->log.bytes, sizeof left->log.bytes);
    return order != 0 ? order : memcmp(left->id.bytes, right->id.bytes, sizeof left->id.bytes);
}

const struct ledger_head *ledger_heads(struct ledger *ledger, size_t *count) {
    *count = ledger->tree.count;
    if (!ledger->heads_stale) {
        return ledger->head;
    }
    /* Room was made when the chains were; see ledger_reserve_chain. */
    INVARIANT(ledger->head_capacity >= ledger->tree.count);
    for (uint32_t i = 0; i < ledger->tree.count; i++) {
        ledger->head[i] = (struct ledger_head){.log = ledger->chain[i].log,
                                               .number = ledger->chain[i].head_number,
                                               .id = ledger->chain[i].head_id,
                                               .chain = i};
    }
    if (ledger->tree.count > 1) {
        qsort(ledger->head, ledger->tree.count, sizeof *ledger->head, compare_heads);
    }
    ledger->heads_stale = false;
    return ledger->head;
}

const struct ledger_head *ledger_heads_of(struct ledger *ledger, const struct log_id *log,
                                          size_t *count) {
    size_t total = 0, low = 0;
    const struct ledger_head *head = ledger_heads(ledger, &total);
    size_t high = total;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (memcmp(head[middle].log.bytes, log->bytes, sizeof log->bytes) < 0) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    *count = 0;
    while (low + *count < total && ID_EQUAL(head[low + *count].log, *log)) {
        (*count)++;
    }
    return head == NULL ? NULL : head + low;
}

struct digest32 ledger_heads_hash(struct ledger *ledger) {
    crypto_generichash_state state;
    struct digest32 digest;
    size_t count = 0;
    const struct ledger_head *head = ledger_heads(ledger, &count);
    crypto_generichash_init(&state, NULL, 0, sizeof digest.bytes);
    crypto_generichash_update(&state, ledger->event.event.bytes, sizeof ledger->event.event.bytes);
    for (size_t i = 0; i < count; i++) {
        uint8_t number[8];
        for (size_t j = 0; j < 8; j++) {
            number[j] = (uint8_t)(head[i].number >> (56 - 8 * j));
        }
        crypto_generichash_update(&state, head[i].log.bytes, sizeof head[i].log.bytes);
        crypto_generichash_update(&state, number, sizeof number);
        crypto_generichash_update(&state, head[i].id.bytes, sizeof head[i].id.bytes);
    }
    crypto_generichash_final(&state, digest.bytes, sizeof digest.bytes);
    return digest;
}

uint64_t ledger_count(struct ledger *ledger) {
    return ledger->count;
}

bool ledger_log_key(struct ledger *ledger, const struct log_id *log, struct sign_public *key) {
    size_t count = 0;
    const struct ledger_head *head = ledger_heads_of(ledger, log, &count);
    if (count == 0) {
        return false;
    }
    *key = ledger->chain[head->chain].key;
    return true;
}

bool ledger_eligible(struct ledger *ledger, const struct sign_public *key) {
    struct error err;
    bool row = false;
    if (ID_EQUAL(*key, ledger->event.root)) {
        return true;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ADMIT_ELIGIBLE, &err);
    if (statement == NULL) {
        return false;
    }
    sql_bind_bytes(statement, 1, key->bytes, sizeof key->bytes);
    sql_bind_bytes(statement, 2, ledger->event.root.bytes, sizeof ledger->event.root.bytes);
    if (ledger_row(ledger, statement, &row, &err) != ERR_OK) {
        return false;
    }
    sqlite3_reset(statement);
    return row;
}

uint64_t ledger_admit_epoch(const struct ledger *ledger) {
    return ledger->admit_epoch;
}

/* ---- records ---- */

enum error_code ledger_find(struct ledger *ledger, const struct record_id *id, int64_t *rid,
                            struct clock_position *at, bool *found, struct error *err) {
    *found = false;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_RECORD_BY_ID, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, id->bytes, sizeof id->bytes);
    enum error_code code = ledger_row(ledger, statement, found, err);
    if (code == ERR_OK && *found) {
        *rid = sqlite3_column_int64(statement, 0);
        at->chain = (uint32_t)sqlite3_column_int(statement, 1);
        at->number = sql_column_u64(statement, 2);
        if (at->chain >= ledger->tree.count) {
            code = error_set(err, ERR_DAMAGED, "record %lld is in no chain", (long long)*rid);
        }
    }
    sqlite3_reset(statement);
    return code;
}

bool ledger_position(struct ledger *ledger, const struct record_id *id,
                     struct clock_position *position) {
    struct error err;
    int64_t rid = 0;
    bool found = false;
    return ledger_find(ledger, id, &rid, position, &found, &err) == ERR_OK && found;
}

enum error_code ledger_record(struct ledger *ledger, int64_t rid, struct buffer *raw,
                              struct record *record, struct error *err) {
    bool row = false;
    buffer_clear(raw);
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_RECORD_RAW, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, rid);
    enum error_code code = ledger_row(ledger, statement, &row, err);
    if (code == ERR_OK && row) {
        buffer_append(raw, sqlite3_column_blob(statement, 0),
                      (size_t)sqlite3_column_bytes(statement, 0));
    }
    sqlite3_reset(statement);
    if (code != ERR_OK) {
        return code;
    }
    if (!row) {
        return error_set(err, ERR_NOT_FOUND, "record %lld", (long long)rid);
    }
    if (raw->failed) {
        return error_set(err, ERR_MEMORY, "a record");
    }
    return record_decode(buffer_slice(raw), record, err);
}

enum error_code ledger_read(struct ledger *ledger, const struct record_id *id, struct buffer *out,
                            struct error *err) {
    struct clock_position at;
    struct buffer raw;
    struct record record;
    int64_t rid = 0;
    bool found = false;
    enum error_code code = ledger_find(ledger, id, &rid, &at, &found, err);
    if (code != ERR_OK) {
        return code;
    }
    if (!found) {
        return error_set(err, ERR_NOT_FOUND, "no such record here");
    }
    buffer_init(&raw);
    code = ledger_record(ledger, rid, &raw, &record, err);
    if (code == ERR_OK) {
        buffer_append_slice(out, buffer_slice(&raw));
    }
    if (code == ERR_OK && out->failed) {
        code = error_set(err, ERR_MEMORY, "a record");
    }
    buffer_release(&raw);
    return code;
}

/* The id of the record at a number on the way down from `from`: its own chain or a parent's. */
static bool id_on_path(struct ledger *ledger, struct clock_position from, uint64_t number,
                       struct record_id *id) {
    struct error err;
    bool row = false, sound = false;
    const struct clock_chain *chain = &ledger->tree.chain[from.chain];
    while (chain->parent.chain != CLOCK_NO_CHAIN && number <= chain->parent.number) {
        from.chain = chain->parent.chain;
        chain = &ledger->tree.chain[from.chain];
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_RECORD_AT, &err);
    if (statement == NULL) {
        return false;
    }
    sql_bind_u64(statement, 1, from.chain);
    sql_bind_u64(statement, 2, number);
    if (ledger_row(ledger, statement, &row, &err) == ERR_OK && row) {
        sound = sql_column_bytes(statement, 0, id->bytes, sizeof id->bytes);
    }
    sqlite3_reset(statement);
    return sound;
}

size_t ledger_spaced(struct ledger *ledger, const struct log_id *log, struct record_seen *points) {
    size_t heads = 0, count = 0;
    const struct ledger_head *head = ledger_heads_of(ledger, log, &heads);
    /* Every branch's head first, then the way down the first branches as far as there is room. */
    for (size_t i = 0; i < heads && count < LEDGER_SPACED_MAX; i++) {
        points[count].number = head[i].number;
        memcpy(points[count++].id, head[i].id.bytes, 16);
    }
    for (size_t i = 0; i < heads; i++) {
        struct clock_position from = {head[i].chain, head[i].number};
        for (uint64_t back = 1; back < from.number && count < LEDGER_SPACED_MAX; back *= 2) {
            struct record_id id;
            if (!id_on_path(ledger, from, from.number - back, &id)) {
                break;
            }
            points[count].number = from.number - back;
            memcpy(points[count++].id, id.bytes, 16);
        }
    }
    return count;
}

/* The newest of the peer's points that lies on the way to `target`; 0 if none does. */
static uint64_t common_number(struct ledger *ledger, struct clock_position target,
                              const struct record_seen *points, size_t point_count) {
    uint64_t best = 0;
    for (size_t i = 0; i < point_count; i++) {
        struct record_id id;
        if (points[i].number > best && points[i].number <= target.number &&
            id_on_path(ledger, target, points[i].number, &id) &&
            memcmp(id.bytes, points[i].id, sizeof points[i].id) == 0) {
            best = points[i].number;
        }
    }
    return best;
}

/* Appends records number `first` to `last` of one chain until bytes_max; *next is the first that
 * was not appended. */
static enum error_code read_chain(struct ledger *ledger, uint32_t chain, uint64_t first,
                                  uint64_t last, size_t bytes_max, struct buffer *out,
                                  size_t *count, uint64_t *next, struct error *err) {
    bool row = true;
    size_t start = out->size;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_RECORD_RANGE, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_u64(statement, 1, chain);
    sql_bind_u64(statement, 2, first);
    sql_bind_u64(statement, 3, last);
    *next = first;
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        size_t size = (size_t)sqlite3_column_bytes(statement, 0);
        if (*count > 0 && out->size - start + size > bytes_max) {
            break;
        }
        buffer_append(out, sqlite3_column_blob(statement, 0), size);
        (*count)++;
        (*next)++;
    }
    sqlite3_reset(statement);
    return code;
}

enum error_code ledger_read_run(struct ledger *ledger, const struct log_id *log,
                                const uint8_t target[16], const struct record_seen *points,
                                size_t point_count, size_t bytes_max, struct buffer *out,
                                size_t *count, bool *more, struct error *err) {
    struct clock_position at;
    bool found = false;
    *count = 0;
    *more = false;
    enum error_code code = ledger_find_head(ledger, target, 0, &at, &found, err);
    if (code != ERR_OK) {
        return code;
    }
    if (!found || !ID_EQUAL(ledger->chain[at.chain].log, *log)) {
        return error_set(err, ERR_NOT_FOUND, "the head that is asked for is not held");
    }
    uint64_t next = common_number(ledger, at, points, point_count) + 1;
    size_t start = out->size;
    while (code == ERR_OK && next <= at.number) {
        /* The stretch of the path that holds `next`. */
        uint32_t chain = at.chain;
        uint64_t last = at.number, stopped = next;
        while (ledger->tree.chain[chain].parent.chain != CLOCK_NO_CHAIN &&
               next <= ledger->tree.chain[chain].parent.number) {
            last = ledger->tree.chain[chain].parent.number;
            chain = ledger->tree.chain[chain].parent.chain;
        }
        size_t used = out->size - start;
        code = read_chain(ledger, chain, next, last, used < bytes_max ? bytes_max - used : 0, out,
                          count, &stopped, err);
        next = stopped;
        if (stopped <= last) {
            break;
        }
    }
    if (code == ERR_OK && out->failed) {
        code = error_set(err, ERR_MEMORY, "a run of records");
    }
    *more = code == ERR_OK && next <= at.number;
    return code;
}

/* ---- forks ---- */

void ledger_each_fork(struct ledger *ledger, void (*each)(void *, const struct ledger_fork *),
                      void *context) {
    for (size_t i = 0; i < ledger->tree.count; i++) {
        const struct clock_chain *chain = &ledger->tree.chain[i];
        if (chain->log == i) {
            continue; /* a log's first chain is no fork */
        }
        struct ledger_fork fork = {.log = ledger->chain[i].log, .number = 1};
        if (chain->parent.chain != CLOCK_NO_CHAIN) {
            fork.number = chain->parent.number + 1;
        }
        each(context, &fork);
    }
}

/* ---- everything ---- */

struct each_chain {
    bool (*each)(void *context, struct slice raw);
    void *context;
    bool stop;
};

static enum error_code each_of_chain(struct ledger *ledger, uint32_t chain, struct each_chain *walk,
                                     struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_RECORD_RANGE, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_u64(statement, 1, chain);
    sql_bind_u64(statement, 2, 0);
    sql_bind_u64(statement, 3, ledger->chain[chain].head_number);
    while (!walk->stop && (code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        walk->stop =
            !walk->each(walk->context, slice_of(sqlite3_column_blob(statement, 0),
                                                (size_t)sqlite3_column_bytes(statement, 0)));
    }
    sqlite3_reset(statement);
    return walk->stop ? ERR_OK : code;
}

/* 0 the root's, 1 a log that admits others (a lead's), 2 the rest: so that a file read from the
 * front always knows who is admitted before it meets them. */
static int rank_of(struct ledger *ledger, const struct sign_public *key) {
    struct error err;
    bool row = false;
    if (ID_EQUAL(*key, ledger->event.root)) {
        return 0;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ADMIT_IS_LEAD, &err);
    if (statement == NULL) {
        return 2;
    }
    sql_bind_bytes(statement, 1, key->bytes, sizeof key->bytes);
    sql_bind_bytes(statement, 2, ledger->event.root.bytes, sizeof ledger->event.root.bytes);
    if (ledger_row(ledger, statement, &row, &err) == ERR_OK) {
        sqlite3_reset(statement);
    }
    return row ? 1 : 2;
}

enum error_code ledger_each(struct ledger *ledger, bool (*each)(void *context, struct slice raw),
                            void *context, struct error *err) {
    struct each_chain walk = {each, context, false};
    enum error_code code = ERR_OK;
    uint64_t faults = ledger->faults;
    for (int rank = 0; rank <= 2; rank++) {
        for (uint32_t i = 0; code == ERR_OK && !walk.stop && i < ledger->tree.count; i++) {
            if (rank_of(ledger, &ledger->chain[i].key) == rank) {
                code = each_of_chain(ledger, i, &walk, err);
            }
        }
    }
    return ledger_since(ledger, faults, code, err);
}

enum error_code ledger_each_after(struct ledger *ledger, uint64_t *place, size_t max,
                                  void (*each)(void *context, struct slice raw), void *context,
                                  size_t *count, struct error *err) {
    bool row = true;
    enum error_code code = ERR_OK;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_RECORDS_AFTER, err);
    *count = 0;
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_u64(statement, 1, *place);
    sql_bind_u64(statement, 2, max);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        *place = (uint64_t)sqlite3_column_int64(statement, 0);
        *count += 1;
        each(context, slice_of(sqlite3_column_blob(statement, 1),
                               (size_t)sqlite3_column_bytes(statement, 1)));
    }
    sqlite3_reset(statement);
    return code;
}
