/*
 * pairs_record.c: what one stored record means, put into the tables: rows for issues, voids,
 * retires and allotments, and notes of which bibs and tags must be derived again.
 */
#include "common/pairs_state.h"

#include <string.h>

static enum error_code no_memory(struct error *err) {
    return error_set(err, ERR_MEMORY, "what a record touches");
}

bool bib_column(sqlite3_stmt *statement, int column, struct bib *bib) {
    /* As a blob, because a text gets a NUL behind it, for which there may be no memory. */
    const void *text = sqlite3_column_blob(statement, column);
    size_t size = (size_t)sqlite3_column_bytes(statement, column);
    memset(bib, 0, sizeof *bib);
    if (text == NULL || size > BIB_LENGTH_MAX) {
        return false;
    }
    memcpy(bib->text, text, size);
    return true;
}

/* The bib of an issue, if that issue is held. */
static enum error_code bib_of_target(struct ledger *ledger, const struct record_id *target,
                                     struct bib *bib, bool *found, struct error *err) {
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ISSUE_BY_ID, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, target->bytes, sizeof target->bytes);
    enum error_code code = ledger_row(ledger, statement, found, err);
    if (code == ERR_OK && *found) {
        *found = bib_column(statement, 1, bib);
    }
    sqlite3_reset(statement);
    return code;
}

/* A record names another: the named one's bib is derived again, now or when it comes. */
static enum error_code note_naming(struct ledger *ledger, struct pairs *pairs, int64_t rid,
                                   int relation, const struct record_id *target,
                                   struct error *err) {
    struct bib bib;
    bool found = false;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_NAMING_INSERT, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, target->bytes, sizeof target->bytes);
    sqlite3_bind_int(statement, 2, relation);
    sqlite3_bind_int64(statement, 3, rid);
    enum error_code code = ledger_run(ledger, statement, err);
    if (code == ERR_OK) {
        code = bib_of_target(ledger, target, &bib, &found, err);
    }
    if (code == ERR_OK && found && !dirty_add(&pairs->bibs, &bib)) {
        code = no_memory(err);
    }
    return code;
}

static enum error_code note_tags(struct ledger *ledger, int64_t rid,
                                 const struct record_issue *issue, struct error *err) {
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < issue->tag_count; i++) {
        const struct record_tag *tag = &issue->tag[i];
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_TAG_INSERT, err);
        if (statement == NULL) {
            return err->code;
        }
        sqlite3_bind_int64(statement, 1, rid);
        sqlite3_bind_int(statement, 2, (int)i + 1);
        sql_bind_bytes(statement, 3, tag->epc.data, tag->epc.size);
        if (tag->tid.size > 0) {
            sql_bind_bytes(statement, 4, tag->tid.data, tag->tid.size);
        }
        code = ledger_run(ledger, statement, err);
    }
    return code;
}

bool pairs_bib_fits(const struct pairs *pairs, const struct bib *bib) {
    return bib_is_stored_form(slice_text(bib->text), pairs->has_found && pairs->found.zeros_count);
}

static enum error_code note_issue(struct ledger *ledger, struct pairs *pairs,
                                  const struct ledger_stored *stored, bool *readable,
                                  struct error *err) {
    struct record_issue issue;
    if (!record_issue_read(stored->record.body, &issue) || !pairs_bib_fits(pairs, &issue.bib)) {
        *readable = false;
        return ERR_OK;
    }
    /* Asked before the statement is begun: a fault on the way must stop it. */
    bool counted = standing_counts(ledger, pairs, &stored->key, stored->at, ROLE_TABLE);
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ISSUE_INSERT, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, stored->rid);
    sqlite3_bind_text(statement, 2, issue.bib.text, -1, SQLITE_STATIC);
    sql_bind_bytes(statement, 3, stored->key.bytes, sizeof stored->key.bytes);
    sqlite3_bind_int(statement, 4, counted);
    enum error_code code = ledger_run(ledger, statement, err);
    if (code == ERR_OK) {
        code = note_tags(ledger, stored->rid, &issue, err);
    }
    if (code == ERR_OK) {
        code = heard_note_issue(ledger, stored->rid, &issue, err);
    }
    for (size_t i = 0; code == ERR_OK && i < issue.replaces_count; i++) {
        code = note_naming(ledger, pairs, stored->rid, NAMING_REPLACED, &issue.replaces[i], err);
    }
    for (size_t i = 0; code == ERR_OK && i < issue.extra_count; i++) {
        code = note_naming(ledger, pairs, stored->rid, NAMING_BESIDE, &issue.extra[i], err);
    }
    struct bib bib = {{0}};
    memcpy(bib.text, issue.bib.text, strlen(issue.bib.text));
    return code == ERR_OK && !dirty_add(&pairs->bibs, &bib) ? no_memory(err) : code;
}

static enum error_code note_void(struct ledger *ledger, struct pairs *pairs,
                                 const struct ledger_stored *stored, bool *readable,
                                 struct error *err) {
    struct record_void body;
    if (!record_void_read(stored->record.body, &body)) {
        *readable = false;
        return ERR_OK;
    }
    bool counted = standing_counts(ledger, pairs, &stored->key, stored->at, ROLE_TABLE);
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_VOID_INSERT, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, stored->rid);
    sql_bind_bytes(statement, 2, stored->key.bytes, sizeof stored->key.bytes);
    sqlite3_bind_int(statement, 3, counted);
    enum error_code code = ledger_run(ledger, statement, err);
    for (size_t i = 0; code == ERR_OK && i < body.target_count; i++) {
        code = note_naming(ledger, pairs, stored->rid, NAMING_VOIDED, &body.target[i], err);
    }
    return code;
}

static enum error_code note_retire(struct ledger *ledger, struct pairs *pairs,
                                   const struct ledger_stored *stored, bool *readable,
                                   struct error *err) {
    struct record_retire body;
    if (!record_retire_read(stored->record.body, &body)) {
        *readable = false;
        return ERR_OK;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_RETIRE_INSERT, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, stored->rid);
    sql_bind_bytes(statement, 2, stored->key.bytes, sizeof stored->key.bytes);
    sql_bind_bytes(statement, 3, body.key.bytes, sizeof body.key.bytes);
    sqlite3_bind_int(statement, 4, (int)body.how);
    enum error_code code = ledger_run(ledger, statement, err);
    for (size_t i = 0; code == ERR_OK && i < body.cutoff_count; i++) {
        statement = ledger_statement(ledger, SQL_CUTOFF_INSERT, err);
        if (statement == NULL) {
            return err->code;
        }
        sqlite3_bind_int64(statement, 1, stored->rid);
        sql_bind_bytes(statement, 2, body.cutoff[i].id.bytes, sizeof body.cutoff[i].id.bytes);
        code = ledger_run(ledger, statement, err);
    }
    pairs->standing_dirty = true;
    return code;
}

/* A range may name any 64-bit number, and a column holds 63 bits of one. Bibs have 12 digits at
 * most, so nothing is lost by cutting. */
static uint64_t cut_number(uint64_t number) {
    return number > INT64_MAX ? INT64_MAX : number;
}

static enum error_code note_allot(struct ledger *ledger, struct pairs *pairs,
                                  const struct ledger_stored *stored, bool *readable,
                                  struct error *err) {
    struct record_allot body;
    if (!record_allot_read(stored->record.body, &body)) {
        *readable = false;
        return ERR_OK;
    }
    enum error_code code = ERR_OK;
    bool counted = standing_counts(ledger, pairs, &stored->key, stored->at,
                                   beyond_allot_role(&stored->key, &body.key));
    for (size_t i = 0; code == ERR_OK && i < body.bibs.count; i++) {
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_ALLOT_INSERT, err);
        if (statement == NULL) {
            return err->code;
        }
        sqlite3_bind_int64(statement, 1, stored->rid);
        sql_bind_u64(statement, 2, cut_number(body.bibs.range[i].first));
        sql_bind_u64(statement, 3, cut_number(body.bibs.range[i].last));
        sql_bind_bytes(statement, 4, body.key.bytes, sizeof body.key.bytes);
        sqlite3_bind_int(statement, 5, counted);
        code = ledger_run(ledger, statement, err);
    }
    return code;
}

/* `found` is number 2 of the root's first log, and the event id is made of its body: any other
 * record of this kind is of no event. */
bool pairs_is_found(const struct ledger *ledger, const struct record *record) {
    struct event_id event;
    if (record->kind != RECORD_FOUND || record->number != 2) {
        return false;
    }
    event = identity_event(&ledger->event.root, record->body);
    return ID_EQUAL(event, ledger->event.event);
}

static bool is_found_of(const struct ledger *ledger, const struct sign_public *key,
                        const struct record *record) {
    return ID_EQUAL(*key, ledger->event.root) && pairs_is_found(ledger, record);
}

static enum error_code keep_found(struct pairs *pairs, struct slice raw, struct error *err) {
    struct record record;
    buffer_clear(&pairs->found_raw);
    buffer_append_slice(&pairs->found_raw, raw);
    if (pairs->found_raw.failed) {
        return error_set(err, ERR_MEMORY, "the event");
    }
    enum error_code code = record_decode(buffer_slice(&pairs->found_raw), &record, err);
    pairs->has_found = code == ERR_OK && record_found_read(record.body, &pairs->found);
    return code;
}

enum error_code pairs_load_found(struct ledger *ledger, struct pairs *pairs, struct error *err) {
    struct buffer raw;
    enum error_code code = ERR_OK;
    buffer_init(&raw);
    for (uint32_t i = 0; code == ERR_OK && !pairs->has_found && i < ledger->tree.count; i++) {
        struct record record;
        bool row = false;
        int64_t rid = 0;
        if (!ID_EQUAL(ledger->chain[i].key, ledger->event.root)) {
            continue;
        }
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_RECORD_RID_AT, err);
        if (statement == NULL) {
            code = err->code;
            break;
        }
        sql_bind_u64(statement, 1, i);
        sql_bind_u64(statement, 2, 2);
        code = ledger_row(ledger, statement, &row, err);
        if (code == ERR_OK && row) {
            rid = sqlite3_column_int64(statement, 0);
            sqlite3_reset(statement);
            code = ledger_record(ledger, rid, &raw, &record, err);
            if (code == ERR_OK && is_found_of(ledger, &ledger->chain[i].key, &record)) {
                code = keep_found(pairs, buffer_slice(&raw), err);
            }
        }
    }
    buffer_release(&raw);
    return code;
}

static enum error_code note_unreadable(struct ledger *ledger, int64_t rid, struct error *err) {
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_UNREADABLE_INSERT, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, rid);
    return ledger_run(ledger, statement, err);
}

/* A cut-off may have waited for this very record: then all of its station's records are looked at
 * again, and what they said about others. */
static enum error_code note_cutoff(struct ledger *ledger, struct pairs *pairs,
                                   const struct ledger_stored *stored, struct error *err) {
    bool row = true;
    enum error_code code;
    if (pairs->cutoff_count == 0) {
        return ERR_OK;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_CUTOFF_KEYS, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, stored->id.bytes, sizeof stored->id.bytes);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct sign_public key;
        pairs->standing_dirty = true;
        if (sql_column_bytes(statement, 0, &key, sizeof key) && !dirty_add(&pairs->keys, &key)) {
            sqlite3_reset(statement);
            return no_memory(err);
        }
    }
    return code;
}

enum error_code pairs_note(struct ledger *ledger, struct pairs *pairs,
                           const struct ledger_stored *stored, struct error *err) {
    bool readable = true;
    enum error_code code = ERR_OK;
    struct record_admit admit;
    struct record_close close;
    switch (stored->record.kind) {
    case RECORD_FOUND:
        if (!ID_EQUAL(stored->key, ledger->event.root)) {
            break; /* beyond its author's role, and of no meaning */
        }
        readable = is_found_of(ledger, &stored->key, &stored->record);
        if (readable) {
            code = keep_found(pairs, stored->record.raw, err);
            ledger->admit_epoch++; /* all that was turned away for want of it may come now */
        }
        readable = readable && pairs->has_found;
        break;
    case RECORD_ADMIT:
        readable = record_admit_read(stored->record.body, &admit) &&
                   identity_admissible(&admit.key, &admit.curve);
        pairs->standing_dirty = pairs->standing_dirty || readable;
        if (readable && admit.role >= ROLE_LEAD) {
            code = beyond_lead_named(ledger, pairs, &admit.key, err);
        }
        break;
    case RECORD_RETIRE:
        code = note_retire(ledger, pairs, stored, &readable, err);
        break;
    case RECORD_ALLOT:
        code = note_allot(ledger, pairs, stored, &readable, err);
        break;
    case RECORD_ISSUE:
        code = note_issue(ledger, pairs, stored, &readable, err);
        break;
    case RECORD_VOID:
        code = note_void(ledger, pairs, stored, &readable, err);
        break;
    case RECORD_CLOSE:
        readable = record_close_read(stored->record.body, &close);
        break;
    case RECORD_TICKET:
        code = ticket_note(ledger, stored, &readable, err);
        break;
    case RECORD_CANCEL:
        code = ticket_note_cancel(ledger, stored, &readable, err);
        break;
    case RECORD_HOLD:
        code = hold_note(ledger, pairs, stored, &readable, err);
        break;
    case RECORD_LOOK:
    case RECORD_ROLL:
    case RECORD_NOTE:
    case RECORD_HANDOVER:
        code = said_note(ledger, pairs, stored, &readable, err);
        break;
    default: /* open was read when it came; other kinds are for newer programs */
        break;
    }
    if (code == ERR_OK && !readable) {
        code = note_unreadable(ledger, stored->rid, err);
    }
    /* Standings must be right for the records behind an admit in the same transaction. */
    if (code == ERR_OK && pairs->standing_dirty) {
        code = standing_update(ledger, pairs, err);
    }
    if (code == ERR_OK) {
        code = beyond_note(ledger, pairs, stored, err);
    }
    return code == ERR_OK ? note_cutoff(ledger, pairs, stored, err) : code;
}

/* ---- recounting ---- */

/* The bibs of everything that a record names. */
static enum error_code touch_targets(struct ledger *ledger, struct pairs *pairs, int64_t rid,
                                     struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_NAMINGS_OF_RID, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, rid);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct record_id target;
        struct bib bib;
        bool found = false;
        if (!sql_column_bytes(statement, 0, &target, sizeof target)) {
            continue;
        }
        code = bib_of_target(ledger, &target, &bib, &found, err);
        if (code == ERR_OK && found && !dirty_add(&pairs->bibs, &bib)) {
            code = no_memory(err);
        }
        if (code != ERR_OK) {
            sqlite3_reset(statement);
            return code;
        }
    }
    return code;
}

static enum error_code set_counted(struct ledger *ledger, enum ledger_statement which, int64_t rid,
                                   bool counted, struct error *err) {
    sqlite3_stmt *statement = ledger_statement(ledger, which, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, rid);
    sqlite3_bind_int(statement, 2, counted);
    return ledger_run(ledger, statement, err);
}

/* Rows of one table by one key: (rid, counted, chain, number[, bib]). */
static enum error_code recount_table(struct ledger *ledger, struct pairs *pairs,
                                     const struct sign_public *key, enum ledger_statement rows,
                                     enum ledger_statement update, struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, rows, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, key->bytes, sizeof key->bytes);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        int64_t rid = sqlite3_column_int64(statement, 0);
        bool before = sqlite3_column_int(statement, 1) != 0;
        struct clock_position at = {(uint32_t)sqlite3_column_int(statement, 2),
                                    sql_column_u64(statement, 3)};
        struct bib bib;
        struct sign_public to = *key; /* of an allot: whose numbers they are */
        bool has_bib = rows == SQL_ISSUES_OF_KEY && bib_column(statement, 4, &bib);
        if (rows == SQL_ALLOTS_OF_KEY) {
            (void)sql_column_bytes(statement, 4, &to, sizeof to);
        }
        bool now = standing_counts(ledger, pairs, key, at, beyond_allot_role(key, &to));
        if (has_bib && !dirty_add(&pairs->bibs, &bib)) {
            code = no_memory(err);
        }
        if (code == ERR_OK) {
            code = touch_targets(ledger, pairs, rid, err);
        }
        if (code == ERR_OK && now != before) {
            code = set_counted(ledger, update, rid, now, err);
        }
        if (code != ERR_OK) {
            sqlite3_reset(statement);
            return code;
        }
    }
    return code;
}

enum error_code pairs_recount(struct ledger *ledger, struct pairs *pairs,
                              const struct sign_public *key, struct error *err) {
    enum error_code code =
        recount_table(ledger, pairs, key, SQL_ISSUES_OF_KEY, SQL_ISSUE_COUNTED, err);
    if (code == ERR_OK) {
        code = recount_table(ledger, pairs, key, SQL_VOIDS_OF_KEY, SQL_VOID_COUNTED, err);
    }
    if (code == ERR_OK) {
        code = recount_table(ledger, pairs, key, SQL_ALLOTS_OF_KEY, SQL_ALLOT_COUNTED, err);
    }
    if (code == ERR_OK) {
        code = hold_recount(ledger, pairs, key, err);
    }
    if (code == ERR_OK) {
        code = beyond_recount(ledger, pairs, key, err);
    }
    return code;
}
