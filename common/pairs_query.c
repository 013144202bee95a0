/*
 * pairs_query.c: bibs, issues and shared tags as people ask for them.
 */
#include "common/pairs_state.h"

#include <stdlib.h>
#include <string.h>

/* ---- bibs ---- */

enum error_code pairs_bib(struct ledger *ledger, const struct bib *bib, struct pairs_bib *out,
                          struct error *err) {
    bool row = false;
    memset(out, 0, sizeof *out);
    out->bib = *bib;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_BIB_GET, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_text(statement, 1, bib->text, -1, SQLITE_STATIC);
    enum error_code code = ledger_row(ledger, statement, &row, err);
    if (code == ERR_OK && row) {
        out->state = (enum pairs_state)sqlite3_column_int(statement, 0);
        out->cause = (enum pairs_cause)sqlite3_column_int(statement, 1);
        out->doubt = sqlite3_column_int(statement, 2) != 0;
        out->crossed = sqlite3_column_int(statement, 3) != 0;
        out->live = (size_t)sql_column_u64(statement, 4);
    }
    sqlite3_reset(statement);
    return code;
}

/* A list of (bib, rid) that is sorted for people before anything is shown. */
struct found {
    struct bib bib;
    int64_t rid;
    struct record_id id;
    struct wall_ms wall;
};
struct list {
    struct found *item;
    size_t count, capacity;
};

static bool list_add(struct list *list, const struct found *item) {
    if (list->count == list->capacity) {
        size_t wanted = list->capacity == 0 ? 64 : list->capacity * 2;
        struct found *grown = realloc(list->item, wanted * sizeof *grown);
        if (grown == NULL) {
            return false;
        }
        list->item = grown;
        list->capacity = wanted;
    }
    list->item[list->count++] = *item;
    return true;
}

static int by_bib(const void *a, const void *b) {
    const struct found *left = a, *right = b;
    int order = bib_compare(&left->bib, &right->bib);
    return order != 0 ? order : memcmp(left->id.bytes, right->id.bytes, sizeof left->id.bytes);
}

static int by_time(const void *a, const void *b) {
    const struct found *left = a, *right = b;
    if (left->wall.ms != right->wall.ms) {
        return left->wall.ms < right->wall.ms ? -1 : 1;
    }
    return memcmp(left->id.bytes, right->id.bytes, sizeof left->id.bytes);
}

static void list_sort(struct list *list, int (*order)(const void *, const void *)) {
    if (list->count > 1) {
        qsort(list->item, list->count, sizeof *list->item, order);
    }
}

/* Rows (bib[, rid, record id]) of a statement into a list, and sorted. */
static enum error_code gather(struct ledger *ledger, sqlite3_stmt *statement, struct list *list,
                              struct error *err) {
    bool row = true;
    enum error_code code;
    int columns = sqlite3_column_count(statement);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct found item = {0};
        if (!bib_column(statement, 0, &item.bib)) {
            continue;
        }
        if (columns > 2) {
            item.rid = sqlite3_column_int64(statement, 1);
            (void)sql_column_bytes(statement, 2, &item.id, sizeof item.id);
        }
        if (!list_add(list, &item)) {
            sqlite3_reset(statement);
            return error_set(err, ERR_MEMORY, "a list of bibs");
        }
    }
    list_sort(list, by_bib);
    return code;
}

enum error_code pairs_each_bib(struct ledger *ledger, enum pairs_bibs which,
                               bool (*each)(void *context, const struct pairs_bib *), void *context,
                               struct error *err) {
    static const enum ledger_statement statements[] = {
        [PAIRS_BIBS_ALL] = SQL_BIBS_ALL,
        [PAIRS_BIBS_DOUBLED] = SQL_BIBS_DOUBLED,
        [PAIRS_BIBS_DOUBT] = SQL_BIBS_DOUBT,
        [PAIRS_BIBS_CROSSED] = SQL_BIBS_CROSSED,
    };
    struct list list = {0};
    bool more = true;
    sqlite3_stmt *statement = ledger_statement(ledger, statements[which], err);
    enum error_code code = statement == NULL ? err->code : gather(ledger, statement, &list, err);
    for (size_t i = 0; code == ERR_OK && more && i < list.count; i++) {
        struct pairs_bib bib;
        code = pairs_bib(ledger, &list.item[i].bib, &bib, err);
        if (code == ERR_OK) {
            more = each(context, &bib);
        }
    }
    free(list.item);
    return code;
}

static unsigned largest_set(const struct record_found *found) {
    unsigned most = 1;
    for (size_t i = 0; found != NULL && i < found->category_count; i++) {
        unsigned tags = found->category[i].tags_per_bib;
        most = tags > most ? tags : most;
    }
    return most;
}

enum error_code pairs_count_half(struct ledger *ledger, uint64_t *bibs, struct error *err) {
    const struct record_found *found = pairs_found(ledger);
    unsigned most = largest_set(found);
    enum error_code code = ERR_OK;
    bool row = true;
    *bibs = 0;
    if (most == 1) {
        return ERR_OK; /* no set can lack one */
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_HALF_ALL, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int(statement, 1, (int)most);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct bib bib;
        const char *text = (const char *)sqlite3_column_text(statement, 0);
        query_copy_text(slice_text(text == NULL ? "" : text), bib.text, sizeof bib.text);
        unsigned tags = record_found_category(found, &bib)->tags_per_bib;
        *bibs += (uint64_t)sqlite3_column_int64(statement, 1) < tags ? 1 : 0;
    }
    return code;
}

/* ---- issues ---- */

void query_copy_text(struct slice text, char *out, size_t size) {
    size_t length = text.size < size - 1 ? text.size : size - 1;
    if (length > 0) {
        memcpy(out, text.data, length);
    }
    out[length] = '\0';
}

void query_name_station(struct ledger *ledger, const struct sign_public *key,
                        char out[RECORD_TEXT_MAX + 1]) {
    struct pairs_station station;
    struct error err;
    out[0] = '\0';
    if (ID_EQUAL(*key, ledger->event.root)) {
        memcpy(out, "root", sizeof "root");
    } else if (pairs_station(ledger, key, &station, &err) == ERR_OK) {
        memcpy(out, station.name, sizeof station.name);
    }
}

static void fill_body(const struct record *record, struct pairs_issue *out) {
    struct record_issue body;
    if (!record_issue_read(record->body, &body)) {
        return;
    }
    out->how = body.how;
    out->half = body.half;
    query_copy_text(body.reason, out->reason, sizeof out->reason);
    out->tag_count = body.tag_count;
    for (size_t i = 0; i < body.tag_count; i++) {
        out->tag[i].epc = body.tag[i].epc;
        out->tag[i].tid = body.tag[i].tid;
        out->tag[i].seen = body.tag[i].seen;
        query_copy_text(body.tag[i].roll, out->tag[i].roll, sizeof out->tag[i].roll);
    }
}

/* The record that ended an issue, as far as people are told: why, and where the chip is now. */
static enum error_code fill_ended_by(struct ledger *ledger, int64_t rid, int relation,
                                     struct pairs_issue *out, struct error *err) {
    struct buffer raw;
    struct record record;
    struct sign_public key;
    buffer_init(&raw);
    enum error_code code = ledger_record(ledger, rid, &raw, &record, err);
    if (code == ERR_OK) {
        struct record_void v;
        struct record_issue issue;
        out->ended = relation == NAMING_VOIDED ? PAIRS_VOIDED : PAIRS_REPLACED;
        out->ended_by = identity_record(record.raw);
        out->ended_wall = record.wall;
        if (ledger_log_key(ledger, &record.log, &key)) {
            query_name_station(ledger, &key, out->ended_table);
        }
        if (relation == NAMING_VOIDED && record_void_read(record.body, &v)) {
            query_copy_text(v.reason, out->ended_reason, sizeof out->ended_reason);
            out->chip = v.chip;
            if (v.has_chip_bib) {
                out->chip_bib = v.chip_bib;
            }
        } else if (relation == NAMING_REPLACED && record_issue_read(record.body, &issue)) {
            query_copy_text(issue.reason, out->ended_reason, sizeof out->ended_reason);
            out->chip = issue.chip;
            out->new_bib = issue.bib;
            if (issue.has_chip_bib) {
                out->chip_bib = issue.chip_bib;
            }
        }
    }
    buffer_release(&raw);
    return code;
}

/* Of several records that ended an issue, the one with the smallest id is told. */
static enum error_code fill_ended(struct ledger *ledger, struct pairs_issue *out,
                                  struct error *err) {
    bool row = false;
    int64_t rid = 0;
    int relation = 0;
    if (out->live || !out->counted) {
        return ERR_OK;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ENDED_BY, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, out->id.bytes, sizeof out->id.bytes);
    enum error_code code = ledger_row(ledger, statement, &row, err);
    if (code == ERR_OK && row) {
        relation = sqlite3_column_int(statement, 0);
        rid = sqlite3_column_int64(statement, 1);
    }
    sqlite3_reset(statement);
    return code == ERR_OK && row ? fill_ended_by(ledger, rid, relation, out, err) : code;
}

static enum error_code fill_issue(struct ledger *ledger, int64_t rid, struct pairs_issue *out,
                                  struct error *err) {
    struct buffer raw;
    struct record record;
    bool row = false;
    memset(out, 0, sizeof *out);
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ISSUE_BY_RID, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, rid);
    enum error_code code = ledger_row(ledger, statement, &row, err);
    if (code == ERR_OK && row) {
        (void)bib_column(statement, 0, &out->bib);
        (void)sql_column_bytes(statement, 1, &out->station, sizeof out->station);
        out->counted = sqlite3_column_int(statement, 2) != 0;
        out->live = sqlite3_column_int(statement, 3) != 0;
        (void)sql_column_bytes(statement, 4, &out->id, sizeof out->id);
        out->number = sql_column_u64(statement, 6);
    }
    sqlite3_reset(statement);
    if (code != ERR_OK) {
        return code;
    }
    if (!row) {
        return error_set(err, ERR_NOT_FOUND, "that record is no issue");
    }
    buffer_init(&raw);
    code = ledger_record(ledger, rid, &raw, &record, err);
    if (code == ERR_OK) {
        out->wall = record.wall;
        query_copy_text(record.helper, out->helper, sizeof out->helper);
        query_name_station(ledger, &out->station, out->table);
        fill_body(&record, out);
    }
    buffer_release(&raw);
    if (code == ERR_OK) {
        code = heard_mark(ledger, out, err);
    }
    if (code == ERR_OK && !out->counted) {
        code = beyond_of(ledger, rid, &out->beyond, err);
    }
    return code == ERR_OK ? fill_ended(ledger, out, err) : code;
}

static sqlite3_stmt *issue_rows(struct ledger *ledger, const struct pairs_filter *filter,
                                struct error *err) {
    static const enum ledger_statement statements[] = {
        [PAIRS_ISSUES_OF_BIB] = SQL_LIST_OF_BIB, [PAIRS_ISSUES_OF_EPC] = SQL_LIST_OF_EPC,
        [PAIRS_ISSUES_OF_TID] = SQL_LIST_OF_TID, [PAIRS_ISSUES_LIVE] = SQL_LIST_LIVE,
        [PAIRS_ISSUES_DEAD] = SQL_LIST_DEAD,
    };
    sqlite3_stmt *statement = ledger_statement(ledger, statements[filter->which], err);
    if (statement == NULL) {
        return NULL;
    }
    if (filter->which == PAIRS_ISSUES_OF_BIB) {
        sqlite3_bind_text(statement, 1, filter->bib.text, -1, SQLITE_STATIC);
    }
    if (filter->which == PAIRS_ISSUES_OF_EPC) {
        sql_bind_bytes(statement, 1, filter->epc.data, filter->epc.size);
    }
    if (filter->which == PAIRS_ISSUES_OF_TID) {
        sql_bind_bytes(statement, 1, filter->tid.data, filter->tid.size);
    }
    return statement;
}

static enum error_code read_times(struct ledger *ledger, struct list *list, struct error *err) {
    struct buffer raw;
    enum error_code code = ERR_OK;
    buffer_init(&raw);
    for (size_t i = 0; code == ERR_OK && i < list->count; i++) {
        struct record record;
        code = ledger_record(ledger, list->item[i].rid, &raw, &record, err);
        if (code == ERR_OK) {
            list->item[i].wall = record.wall;
        }
    }
    buffer_release(&raw);
    list_sort(list, by_time);
    return code;
}

enum error_code pairs_each_issue(struct ledger *ledger, const struct pairs_filter *filter,
                                 bool (*each)(void *context, const struct pairs_issue *),
                                 void *context, struct error *err) {
    struct list list = {0};
    bool more = true;
    if (pairs_of(ledger, err) == NULL) { /* for the names of stations */
        return err->code;
    }
    sqlite3_stmt *statement = issue_rows(ledger, filter, err);
    enum error_code code = statement == NULL ? err->code : gather(ledger, statement, &list, err);
    if (code == ERR_OK && filter->which != PAIRS_ISSUES_LIVE &&
        filter->which != PAIRS_ISSUES_DEAD) {
        code = read_times(ledger, &list, err);
    }
    for (size_t i = 0; code == ERR_OK && more && i < list.count; i++) {
        struct pairs_issue issue;
        code = fill_issue(ledger, list.item[i].rid, &issue, err);
        if (code == ERR_OK) {
            more = each(context, &issue);
        }
    }
    free(list.item);
    return code;
}

/* The smallest and largest id that begin with these hex digits; false if they are not hex. */
static bool prefix_range(struct slice hex, uint8_t low[32], uint8_t high[32]) {
    char digits[65];
    memset(digits, '0', 64);
    memcpy(digits, hex.data, hex.size);
    if (!hex_decode(digits, 64, low, 32)) {
        return false;
    }
    memset(digits + hex.size, 'f', 64 - hex.size);
    return hex_decode(digits, 64, high, 32);
}

enum error_code pairs_find_issue(struct ledger *ledger, struct slice hex_prefix,
                                 struct pairs_issue *issue, struct error *err) {
    uint8_t low[32], high[32];
    int64_t rid = 0;
    bool row = false, second = false;
    if (hex_prefix.size < 8 || hex_prefix.size > 64 || !prefix_range(hex_prefix, low, high)) {
        return error_set(err, ERR_USAGE, "a record is named by 8 to 64 hex digits");
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_RECORD_BY_PREFIX, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, low, sizeof low);
    sql_bind_bytes(statement, 2, high, sizeof high);
    enum error_code code = ledger_row(ledger, statement, &row, err);
    if (code == ERR_OK && row) {
        rid = sqlite3_column_int64(statement, 0);
        code = ledger_row(ledger, statement, &second, err);
    }
    sqlite3_reset(statement);
    if (code != ERR_OK) {
        return code;
    }
    if (!row) {
        return error_set(err, ERR_NOT_FOUND, "no record begins with these digits");
    }
    if (second) {
        return error_set(err, ERR_USAGE, "several records begin with these digits");
    }
    return fill_issue(ledger, rid, issue, err);
}

/* ---- shared tags ---- */

static enum error_code fill_shared(struct ledger *ledger, struct pairs_shared *shared,
                                   struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(
        ledger, shared->by_tid ? SQL_TAG_LIVE_BIBS_TID : SQL_TAG_LIVE_BIBS_EPC, err);
    if (statement == NULL) {
        return err->code;
    }
    if (shared->by_tid) {
        sql_bind_bytes(statement, 1, shared->tid.data, shared->tid.size);
    } else {
        sql_bind_bytes(statement, 1, shared->epc.data, shared->epc.size);
    }
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct bib bib;
        if (!bib_column(statement, 0, &bib)) {
            continue;
        }
        if (shared->bib_count < sizeof shared->bib / sizeof shared->bib[0]) {
            shared->bib[shared->bib_count] = bib;
        }
        shared->bib_count++;
    }
    return code;
}

enum error_code pairs_each_shared(struct ledger *ledger,
                                  bool (*each)(void *context, const struct pairs_shared *),
                                  void *context, struct error *err) {
    bool row = true, more = true;
    enum error_code code = ERR_OK;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_SHARED_ALL, err);
    if (statement == NULL) {
        return err->code;
    }
    while (more && (code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        const uint8_t *key = sqlite3_column_blob(statement, 0);
        size_t size = (size_t)sqlite3_column_bytes(statement, 0);
        struct pairs_shared shared = {0};
        if (size < 2 || size - 1 > EPC_SIZE_MAX || (key[0] == 2 && size - 1 > TID_SIZE_MAX)) {
            continue;
        }
        shared.by_tid = key[0] == 2;
        if (shared.by_tid) {
            shared.tid.size = (uint8_t)(size - 1);
            memcpy(shared.tid.data, key + 1, size - 1);
        } else {
            shared.epc.size = (uint8_t)(size - 1);
            memcpy(shared.epc.data, key + 1, size - 1);
        }
        code = fill_shared(ledger, &shared, err);
        if (code != ERR_OK) {
            break;
        }
        more = each(context, &shared);
    }
    sqlite3_reset(statement);
    return code;
}
