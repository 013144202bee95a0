/*
 * pairs_beyond.c: records that are held and do not count: beyond their author's role, of an author
 * whom nobody lets in (any more), or written after a stolen station's cut-off.
 *
 * They are kept like all others and set apart in table `beyond`, a pure function of what is held,
 * so that people can be told. Whether an issue, void or allot counts is asked of the same rules.
 */
#include "common/pairs_state.h"

#include <string.h>

/* The least role whose record of this kind counts; `open` and what it begins say nothing yet. A
 * kind that this program does not know writes something, which a reader never does. */
static enum role role_for_kind(uint64_t kind) {
    switch (kind) {
    case RECORD_OPEN:
        return ROLE_READER;
    case RECORD_FOUND:
        return ROLE_ROOT;
    case RECORD_ADMIT:
    case RECORD_RETIRE:
    case RECORD_TICKET:
    case RECORD_CANCEL:
    case RECORD_HANDOVER:
        return ROLE_LEAD;
    default:
        return ROLE_TABLE;
    }
}

/* Only the root lets leads in and puts them out. */
static enum role role_needed(const struct ledger *ledger, const struct pairs *pairs,
                             const struct record *record, const struct sign_public *author) {
    struct record_admit admit;
    struct record_retire retire;
    struct record_allot allot;
    if (record->kind == RECORD_ADMIT && record_admit_read(record->body, &admit) &&
        admit.role >= ROLE_LEAD) {
        return ROLE_ROOT;
    }
    if (record->kind == RECORD_RETIRE && record_retire_read(record->body, &retire) &&
        standing_role(ledger, pairs, &retire.key) >= ROLE_LEAD) {
        return ROLE_ROOT;
    }
    if (record->kind == RECORD_ALLOT && record_allot_read(record->body, &allot)) {
        return beyond_allot_role(author, &allot.key);
    }
    return role_for_kind(record->kind);
}

enum role beyond_allot_role(const struct sign_public *author, const struct sign_public *to) {
    return ID_EQUAL(*author, *to) ? ROLE_TABLE : ROLE_LEAD;
}

static enum pairs_beyond beyond(struct ledger *ledger, const struct pairs *pairs,
                                const struct sign_public *key, struct clock_position at,
                                const struct record *record) {
    enum role role = standing_role(ledger, pairs, key);
    if (role == ROLE_NONE) {
        return PAIRS_NOT_LET_IN;
    }
    if (!standing_counts(ledger, pairs, key, at, ROLE_READER)) {
        return PAIRS_AFTER_THEFT;
    }
    return role < role_needed(ledger, pairs, record, key) ? PAIRS_BEYOND_ROLE : PAIRS_WITHIN;
}

static enum error_code set(struct ledger *ledger, int64_t rid, const struct sign_public *key,
                           uint64_t kind, enum pairs_beyond why, struct error *err) {
    if (why == PAIRS_WITHIN) {
        return ERR_OK;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_BEYOND_SET, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, rid);
    sql_bind_bytes(statement, 2, key->bytes, sizeof key->bytes);
    sqlite3_bind_int64(statement, 3, kind > INT64_MAX ? INT64_MAX : (int64_t)kind);
    sqlite3_bind_int(statement, 4, (int)why);
    return ledger_run(ledger, statement, err);
}

enum error_code beyond_note(struct ledger *ledger, const struct pairs *pairs,
                            const struct ledger_stored *stored, struct error *err) {
    return set(ledger, stored->rid, &stored->key, stored->record.kind,
               beyond(ledger, pairs, &stored->key, stored->at, &stored->record), err);
}

enum error_code beyond_recount(struct ledger *ledger, const struct pairs *pairs,
                               const struct sign_public *key, struct error *err) {
    bool row = true;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_BEYOND_CLEAR, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, key->bytes, sizeof key->bytes);
    enum error_code code = ledger_run(ledger, statement, err);
    statement = code == ERR_OK ? ledger_statement(ledger, SQL_RECORDS_OF_KEY, err) : NULL;
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, key->bytes, sizeof key->bytes);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct record record;
        struct clock_position at = {(uint32_t)sqlite3_column_int(statement, 1),
                                    sql_column_u64(statement, 2)};
        struct slice raw =
            slice_of(sqlite3_column_blob(statement, 3), (size_t)sqlite3_column_bytes(statement, 3));
        code = record_decode(raw, &record, err);
        if (code == ERR_OK) {
            code = set(ledger, sqlite3_column_int64(statement, 0), key, record.kind,
                       beyond(ledger, pairs, key, at, &record), err);
        }
        if (code != ERR_OK) {
            sqlite3_reset(statement);
            return code;
        }
    }
    return code;
}

enum error_code beyond_lead_named(struct ledger *ledger, struct pairs *pairs,
                                  const struct sign_public *lead, struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_RETIRE_AUTHORS, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, lead->bytes, sizeof lead->bytes);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct sign_public author;
        if (sql_column_bytes(statement, 0, &author, sizeof author) &&
            !dirty_add(&pairs->keys, &author)) {
            sqlite3_reset(statement);
            return error_set(err, ERR_MEMORY, "who retired a lead");
        }
    }
    return code;
}

enum error_code beyond_of(struct ledger *ledger, int64_t rid, enum pairs_beyond *why,
                          struct error *err) {
    bool row = false;
    *why = PAIRS_WITHIN;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_BEYOND_GET, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, rid);
    enum error_code code = ledger_row(ledger, statement, &row, err);
    if (code == ERR_OK && row) {
        int found = sqlite3_column_int(statement, 0);
        *why = found > PAIRS_WITHIN && found <= PAIRS_AFTER_THEFT ? (enum pairs_beyond)found
                                                                  : PAIRS_WITHIN;
    }
    sqlite3_reset(statement);
    return code;
}
