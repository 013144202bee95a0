/*
 * pairs_tag.c: the tags of issues: read, compared, and those that are live on two bibs.
 */
#include "common/pairs_state.h"

#include "common/canon.h"

#include <string.h>

bool epc_column(sqlite3_stmt *statement, int column, struct epc *epc) {
    size_t size = (size_t)sqlite3_column_bytes(statement, column);
    memset(epc, 0, sizeof *epc);
    if (size == 0 || size > sizeof epc->data) {
        return false;
    }
    epc->size = (uint8_t)size;
    memcpy(epc->data, sqlite3_column_blob(statement, column), size);
    return true;
}

bool tid_column(sqlite3_stmt *statement, int column, struct tid *tid) {
    size_t size = (size_t)sqlite3_column_bytes(statement, column);
    memset(tid, 0, sizeof *tid);
    if (size == 0 || size > sizeof tid->data) {
        return false;
    }
    tid->size = (uint8_t)size;
    memcpy(tid->data, sqlite3_column_blob(statement, column), size);
    return true;
}

void tag_key_epc(const struct epc *epc, struct tag_key *key) {
    memset(key, 0, sizeof *key);
    key->size = (uint8_t)(1 + epc->size);
    key->data[0] = 1;
    memcpy(key->data + 1, epc->data, epc->size);
}

void tag_key_tid(const struct tid *tid, struct tag_key *key) {
    memset(key, 0, sizeof *key);
    key->size = (uint8_t)(1 + tid->size);
    key->data[0] = 2;
    memcpy(key->data + 1, tid->data, tid->size);
}

enum error_code tags_load(struct ledger *ledger, int64_t rid, struct tag_row *tags, size_t *count,
                          struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_TAGS_OF_RID, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, rid);
    *count = 0;
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        if (*count == RECORD_TAGS_MAX) {
            continue;
        }
        epc_column(statement, 0, &tags[*count].epc);
        tid_column(statement, 1, &tags[*count].tid);
        (*count)++;
    }
    return code;
}

bool tags_within(const struct tag_row *a, size_t a_count, const struct tag_row *b, size_t b_count,
                 bool epc_unique, bool exactly_as_said) {
    for (size_t i = 0; i < a_count; i++) {
        bool found = false;
        for (size_t j = 0; j < b_count && !found; j++) {
            bool same_tid = a[i].tid.size == b[j].tid.size &&
                            memcmp(a[i].tid.data, b[j].tid.data, a[i].tid.size) == 0;
            bool same_epc = a[i].epc.size == b[j].epc.size &&
                            memcmp(a[i].epc.data, b[j].epc.data, a[i].epc.size) == 0;
            if (exactly_as_said) {
                found = same_epc && (a[i].tid.size == 0 || same_tid);
            } else {
                found = (a[i].tid.size > 0 && same_tid) || (epc_unique && same_epc);
            }
        }
        if (!found) {
            return false;
        }
    }
    return a_count > 0;
}

enum { SHARED_BIBS_MAX = 64 };

enum error_code derive_tag(struct ledger *ledger, struct pairs *pairs, const struct tag_key *tag,
                           struct error *err) {
    struct bib bibs[SHARED_BIBS_MAX];
    size_t count = 0;
    bool row = true, known = false;
    struct digest64 hash = {{0}};
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(
        ledger, tag->data[0] == 1 ? SQL_TAG_LIVE_BIBS_EPC : SQL_TAG_LIVE_BIBS_TID, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, tag->data + 1, (size_t)tag->size - 1);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        if (count < SHARED_BIBS_MAX && bib_column(statement, 0, &bibs[count])) {
            count++;
        }
    }
    if (code == ERR_OK) {
        statement = ledger_statement(ledger, SQL_SHARED_GET, err);
        if (statement == NULL) {
            return err->code;
        }
        sql_bind_bytes(statement, 1, tag->data, tag->size);
        code = ledger_row(ledger, statement, &known, err);
        if (code == ERR_OK && known) {
            (void)sql_column_bytes(statement, 0, hash.bytes, sizeof hash.bytes);
        }
        sqlite3_reset(statement);
    }
    if (code != ERR_OK || (count < 2 && !known)) {
        return code;
    }
    struct buffer canonical;
    buffer_init(&canonical);
    if (count >= 2) {
        canon_put_array(&canonical, 3);
        canon_put_uint(&canonical, 3);
        canon_put_bytes(&canonical, slice_of(tag->data, tag->size));
        canon_put_array(&canonical, count);
        for (size_t i = 0; i < count; i++) {
            canon_put_text(&canonical, slice_text(bibs[i].text));
        }
    }
    if (canonical.failed) {
        code = error_set(err, ERR_MEMORY, "a tag's row");
    } else {
        pairs_row(pairs, buffer_slice(&canonical), &hash);
    }
    buffer_release(&canonical);
    if (code != ERR_OK) {
        return code;
    }
    statement = ledger_statement(ledger, count >= 2 ? SQL_SHARED_SET : SQL_SHARED_CLEAR, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, tag->data, tag->size);
    if (count >= 2) {
        sql_bind_bytes(statement, 2, hash.bytes, sizeof hash.bytes);
    }
    return ledger_run(ledger, statement, err);
}
