/*
 * pairs_author.c: writing own records: what the author must say that it has seen, then sign,
 * store and derive.
 */
#include "common/pairs_state.h"

#include <stdlib.h>
#include <string.h>

enum { REFRESH_RECORDS = 50, REFRESH_MS = 60000 };

/* The newest position of each chain that bears on what is being written. */
struct bearing {
    uint64_t *number; /* by chain, 0: none */
    size_t chains;
};

static void bear(struct bearing *bearing, struct clock_position at) {
    if (at.chain < bearing->chains && bearing->number[at.chain] < at.number) {
        bearing->number[at.chain] = at.number;
    }
}

static struct clock_position position_at(sqlite3_stmt *statement, int column) {
    return (struct clock_position){(uint32_t)sqlite3_column_int(statement, column),
                                   sql_column_u64(statement, column + 1)};
}

/* Records that name a record. */
static enum error_code bear_namings(struct ledger *ledger, const struct record_id *target,
                                    struct bearing *bearing, struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_NAMING_POSITIONS, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, target->bytes, sizeof target->bytes);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        bear(bearing, position_at(statement, 0));
    }
    return code;
}

static enum error_code bear_bib(struct ledger *ledger, const char *bib, struct bearing *bearing,
                                struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ISSUES_OF_BIB, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_text(statement, 1, bib, -1, SQLITE_STATIC);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct record_id id;
        bear(bearing, position_at(statement, 2));
        if (sql_column_bytes(statement, 1, &id, sizeof id)) {
            code = bear_namings(ledger, &id, bearing, err);
        }
        if (code != ERR_OK) {
            sqlite3_reset(statement);
            return code;
        }
    }
    return code;
}

/* Holds, whoever wrote them: a later one takes the place of those that it had seen. */
static enum error_code bear_holds(struct ledger *ledger, const struct bib *bib,
                                  struct bearing *bearing, struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_HOLD_POSITIONS, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_text(statement, 1, bib->text, -1, SQLITE_STATIC);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        bear(bearing, position_at(statement, 0));
    }
    return code;
}

/* Issues that carry the same tag, whatever their bib. */
static enum error_code bear_tag(struct ledger *ledger, enum ledger_statement which,
                                const uint8_t *bytes, size_t size, struct bearing *bearing,
                                struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, which, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, bytes, size);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        bear(bearing, position_at(statement, 0));
    }
    return code;
}

/* A named record, and all that bears on the bib it is about. */
static enum error_code bear_target(struct ledger *ledger, const struct record_id *target,
                                   struct bearing *bearing, struct error *err) {
    struct clock_position at;
    char bib[BIB_LENGTH_MAX + 1] = "";
    bool row = false;
    if (ledger_position(ledger, target, &at)) {
        bear(bearing, at);
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ISSUE_BY_ID, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, target->bytes, sizeof target->bytes);
    enum error_code code = ledger_row(ledger, statement, &row, err);
    struct bib found;
    if (code == ERR_OK && row && bib_column(statement, 1, &found)) {
        memcpy(bib, found.text, sizeof bib);
    }
    sqlite3_reset(statement);
    return code == ERR_OK && bib[0] != '\0' ? bear_bib(ledger, bib, bearing, err) : code;
}

static enum error_code bear_tags(struct ledger *ledger, const struct record_tag *tags, size_t count,
                                 struct bearing *bearing, struct error *err) {
    enum error_code code = ERR_OK;
    const struct record_found *found = pairs_found(ledger);
    for (size_t i = 0; code == ERR_OK && i < count; i++) {
        const struct record_tag *tag = &tags[i];
        if (found != NULL && found->epc_unique) {
            code =
                bear_tag(ledger, SQL_TAG_POSITIONS_EPC, tag->epc.data, tag->epc.size, bearing, err);
        }
        if (code == ERR_OK && tag->tid.size > 0) {
            code =
                bear_tag(ledger, SQL_TAG_POSITIONS_TID, tag->tid.data, tag->tid.size, bearing, err);
        }
    }
    return code;
}

static enum error_code bear_issue(struct ledger *ledger, struct slice body, struct bearing *bearing,
                                  struct error *err) {
    struct record_issue issue;
    if (!record_issue_read(body, &issue)) {
        return error_set(err, ERR_FORM, "an issue that does not read back");
    }
    enum error_code code = bear_bib(ledger, issue.bib.text, bearing, err);
    if (code == ERR_OK) {
        code = bear_holds(ledger, &issue.bib, bearing, err);
    }
    if (code == ERR_OK) {
        code = bear_tags(ledger, issue.tag, issue.tag_count, bearing, err);
    }
    for (size_t i = 0; code == ERR_OK && i < issue.replaces_count; i++) {
        code = bear_target(ledger, &issue.replaces[i], bearing, err);
    }
    for (size_t i = 0; code == ERR_OK && i < issue.extra_count; i++) {
        code = bear_target(ledger, &issue.extra[i], bearing, err);
    }
    return code;
}

static enum error_code bear_void(struct ledger *ledger, struct slice body, struct bearing *bearing,
                                 struct error *err) {
    struct record_void v;
    enum error_code code = ERR_OK;
    if (!record_void_read(body, &v)) {
        return error_set(err, ERR_FORM, "a void that does not read back");
    }
    for (size_t i = 0; code == ERR_OK && i < v.target_count; i++) {
        code = bear_target(ledger, &v.target[i], bearing, err);
    }
    return code;
}

static enum error_code bear_hold(struct ledger *ledger, struct slice body, struct bearing *bearing,
                                 struct error *err) {
    struct record_hold hold;
    if (!record_hold_read(body, &hold)) {
        return error_set(err, ERR_FORM, "a hold that does not read back");
    }
    enum error_code code = bear_holds(ledger, &hold.bib, bearing, err);
    return code == ERR_OK ? bear_bib(ledger, hold.bib.text, bearing, err) : code;
}

static enum error_code bear_look(struct ledger *ledger, struct slice body, struct bearing *bearing,
                                 struct error *err) {
    struct record_look look;
    if (!record_look_read(body, &look)) {
        return error_set(err, ERR_FORM, "a look that does not read back");
    }
    enum error_code code = bear_bib(ledger, look.bib.text, bearing, err);
    return code == ERR_OK ? bear_tags(ledger, look.tag, look.tag_count, bearing, err) : code;
}

static enum error_code bear_body(struct ledger *ledger, uint64_t kind, struct slice body,
                                 struct bearing *bearing, struct error *err) {
    switch (kind) {
    case RECORD_ISSUE:
        return bear_issue(ledger, body, bearing, err);
    case RECORD_VOID:
        return bear_void(ledger, body, bearing, err);
    case RECORD_HOLD:
        return bear_hold(ledger, body, bearing, err);
    case RECORD_LOOK:
        return bear_look(ledger, body, bearing, err);
    default:
        return ERR_OK;
    }
}

/* The entries of `seen` for a record that `own` is the head before. */
static enum error_code make_seen(struct ledger *ledger, struct clock_position own, uint64_t kind,
                                 struct slice body, bool refresh, struct record_seen *entries,
                                 size_t *count, struct error *err) {
    enum error_code code = ERR_OK;
    struct clock_position *needed = NULL;
    size_t needed_count = 0;
    struct bearing bearing = {.chains = ledger->tree.count};
    bearing.number = calloc(bearing.chains + 1, sizeof *bearing.number);
    needed = calloc(bearing.chains + 1, sizeof *needed);
    if (bearing.number == NULL || needed == NULL) {
        free(bearing.number);
        free(needed);
        return error_set(err, ERR_MEMORY, "an own clock");
    }
    code = bear_body(ledger, kind, body, &bearing, err);
    for (uint32_t i = 0; code == ERR_OK && i < bearing.chains; i++) {
        if (bearing.number[i] > 0) {
            needed[needed_count++] = (struct clock_position){i, bearing.number[i]};
        }
    }
    if (code == ERR_OK) {
        code = ledger_seen_for(ledger, own, needed, needed_count, refresh, entries, count, err);
    }
    free(bearing.number);
    free(needed);
    return code;
}

/* Encodes, stores and derives one own record. */
static enum error_code write_record(struct ledger *ledger, const struct station_keys *keys,
                                    const struct record *record, const struct record_seen *seen,
                                    size_t seen_count, struct record_id *id, struct error *err) {
    struct buffer raw;
    struct pairs *pairs = pairs_of(ledger, err);
    if (pairs == NULL) {
        return err->code;
    }
    buffer_init(&raw);
    enum error_code code = record_encode(record, seen, seen_count, &ledger->event.event,
                                         &keys->sign_secret, &raw, err);
    if (code == ERR_OK) {
        code = ledger_take_own(ledger, buffer_slice(&raw), err);
    }
    if (code == ERR_OK) {
        *id = ledger->stored[0].id;
        code = pairs_note(ledger, pairs, &ledger->stored[0], err);
    }
    buffer_release(&raw);
    return code;
}

enum error_code pairs_author_open(struct ledger *ledger, const struct station_keys *keys,
                                  const struct incarnation *incarnation,
                                  const struct record_head *follows, struct wall_ms wall,
                                  struct mono_ms now, struct pairs_author *author,
                                  struct error *err) {
    struct buffer body;
    struct record_seen seen[RECORD_SEEN_MAX];
    size_t seen_count = 0;
    struct clock_position before = {CLOCK_NO_CHAIN, 0};
    struct record_open open = {.key = keys->sign_public, .incarnation = *incarnation};
    uint64_t faults = ledger->faults;
    if (follows != NULL) {
        open.has_follows = true;
        open.follows = *follows;
        if (!ledger_position(ledger, &follows->id, &before)) {
            before.chain = CLOCK_NO_CHAIN;
        }
    }
    buffer_init(&body);
    record_open_write(&open, &body);
    enum error_code code = body.failed ? error_set(err, ERR_MEMORY, "opening a log") : ERR_OK;
    if (code == ERR_OK) {
        code = make_seen(ledger, before, RECORD_OPEN, buffer_slice(&body), true, seen, &seen_count,
                         err);
    }
    /* What was claimed just now belongs to the new log, not to the one that it follows. */
    ledger->claimed_chain = CLOCK_NO_CHAIN;
    memset(author, 0, sizeof *author);
    author->keys = *keys;
    author->log = identity_log(&keys->sign_public, incarnation);
    author->number = 1;
    author->refreshed_number = 1;
    author->refreshed_at = now;
    struct record record = {.log = author->log,
                            .number = 1,
                            .wall = wall,
                            .kind = RECORD_OPEN,
                            .body = buffer_slice(&body)};
    if (code == ERR_OK) {
        code = write_record(ledger, keys, &record, seen, seen_count, &author->head, err);
    }
    buffer_release(&body);
    code = ledger_since(ledger, faults, code, err);
    if (code != ERR_OK) {
        ledger_rollback(ledger);
    }
    return code;
}

enum error_code pairs_author_resume(struct ledger *ledger, const struct station_keys *keys,
                                    const struct record_id *head, struct pairs_author *author,
                                    struct error *err) {
    struct clock_position at;
    uint64_t faults = ledger->faults;
    if (!ledger_position(ledger, head, &at) ||
        !ID_EQUAL(ledger->chain[at.chain].key, keys->sign_public)) {
        error_set(err, ERR_NOT_FOUND, "the last own record is not held");
        return ledger_since(ledger, faults, err->code, err);
    }
    memset(author, 0, sizeof *author);
    author->keys = *keys;
    author->log = ledger->chain[at.chain].log;
    author->head = *head;
    author->number = at.number;
    return ERR_OK;
}

bool pairs_author_forked(struct ledger *ledger, const struct pairs_author *author) {
    size_t heads = 0;
    const struct ledger_head *head = ledger_heads_of(ledger, &author->log, &heads);
    return heads != 1 || !ID_EQUAL(head->id, author->head);
}

enum error_code pairs_append(struct ledger *ledger, struct pairs_author *author,
                             enum record_kind kind, struct slice body, struct wall_ms wall,
                             struct mono_ms now, struct record_id *id, struct error *err) {
    struct record_seen seen[RECORD_SEEN_MAX];
    size_t seen_count = 0;
    struct clock_position own;
    /* Of two allotments of one number the one counts that had seen the other: it must say so; and a
     * handover must say which records its list was made from. */
    bool refresh = kind == RECORD_ALLOT || kind == RECORD_HANDOVER ||
                   author->number + 1 >= author->refreshed_number + REFRESH_RECORDS ||
                   now.ms - author->refreshed_at.ms >= REFRESH_MS || author->refreshed_number == 0;
    INVARIANT(ledger->in_transaction);
    enum error_code code = ERR_OK;
    uint64_t faults = ledger->faults;
    if (!ledger_position(ledger, &author->head, &own)) {
        code = error_set(err, ERR_NOT_FOUND, "the last own record is not held");
    }
    if (code == ERR_OK) {
        code = make_seen(ledger, own, kind, body, refresh, seen, &seen_count, err);
    }
    struct record record = {.log = author->log,
                            .number = author->number + 1,
                            .has_previous = true,
                            .previous = author->head,
                            .wall = wall,
                            .kind = kind,
                            .body = body,
                            .helper = slice_text(author->helper)};
    if (code == ERR_OK) {
        code = write_record(ledger, &author->keys, &record, seen, seen_count, id, err);
    }
    code = ledger_since(ledger, faults, code, err);
    if (code != ERR_OK) {
        ledger_rollback(ledger);
        return code;
    }
    author->head = *id;
    author->number++;
    if (refresh) {
        author->refreshed_number = author->number;
        author->refreshed_at = now;
    }
    return ERR_OK;
}
