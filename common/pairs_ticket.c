/*
 * pairs_ticket.c: tickets for joining: where they stand, who used them, whether they were
 * cancelled.
 *
 * They change no canonical row: what a ticket is worth is asked when somebody shows it, from the
 * records that are held then. Only what leads and the root wrote counts. Must never hold a secret:
 * records carry its hash.
 */
#include "common/pairs_state.h"

#include <string.h>

/* ---- noting ---- */

enum error_code ticket_note(struct ledger *ledger, const struct ledger_stored *stored,
                            bool *readable, struct error *err) {
    struct record_ticket body;
    enum error_code code = ERR_OK;
    if (!record_ticket_read(stored->record.body, &body)) {
        *readable = false;
        return ERR_OK;
    }
    for (size_t i = 0; code == ERR_OK && i < body.entry_count; i++) {
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_TICKET_INSERT, err);
        if (statement == NULL) {
            return err->code;
        }
        sqlite3_bind_int64(statement, 1, stored->rid);
        sqlite3_bind_int(statement, 2, (int)i);
        sql_bind_bytes(statement, 3, body.entry[i].id.bytes, sizeof body.entry[i].id.bytes);
        sql_bind_bytes(statement, 4, body.entry[i].hash.bytes, sizeof body.entry[i].hash.bytes);
        code = ledger_run(ledger, statement, err);
    }
    return code;
}

enum error_code ticket_note_cancel(struct ledger *ledger, const struct ledger_stored *stored,
                                   bool *readable, struct error *err) {
    struct record_cancel body;
    enum error_code code = ERR_OK;
    if (!record_cancel_read(stored->record.body, &body)) {
        *readable = false;
        return ERR_OK;
    }
    for (size_t i = 0; code == ERR_OK && i < body.ticket_count; i++) {
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_CANCEL_INSERT, err);
        if (statement == NULL) {
            return err->code;
        }
        sql_bind_bytes(statement, 1, body.ticket[i].bytes, sizeof body.ticket[i].bytes);
        sqlite3_bind_int64(statement, 2, stored->rid);
        code = ledger_run(ledger, statement, err);
    }
    return code;
}

/* ---- looking up ---- */

/* What all the lookups share: where they are, and room for one raw record. */
struct lookup {
    struct ledger *ledger;
    struct pairs *pairs;
    struct buffer raw;
    struct record record;
};

static bool lookup_begin(struct lookup *lookup, struct ledger *ledger, struct error *err) {
    lookup->ledger = ledger;
    lookup->pairs = pairs_of(ledger, err);
    buffer_init(&lookup->raw);
    return lookup->pairs != NULL;
}

/* Whether what stands at `at` was written by the root, or by a lead whose word counts there. */
static bool is_of_lead(const struct lookup *lookup, struct clock_position at) {
    return standing_counts(lookup->ledger, lookup->pairs, &lookup->ledger->chain[at.chain].key, at,
                           ROLE_LEAD);
}

/* Chain and number from two columns; false if they are nowhere. */
static bool position_column(const struct lookup *lookup, sqlite3_stmt *statement, int column,
                            struct clock_position *at) {
    at->chain = (uint32_t)sqlite3_column_int(statement, column);
    at->number = sql_column_u64(statement, column + 1);
    return at->chain < lookup->ledger->tree.count;
}

static void copy_text(char out[RECORD_TEXT_MAX + 1], struct slice text) {
    size_t size = text.size < RECORD_TEXT_MAX ? text.size : RECORD_TEXT_MAX;
    if (size > 0) {
        memcpy(out, text.data, size);
    }
    out[size] = '\0';
}

static enum error_code load_record(struct lookup *lookup, int64_t rid, struct error *err) {
    return ledger_record(lookup->ledger, rid, &lookup->raw, &lookup->record, err);
}

/* The first two names, by the time of the admits; a second admit of one key is no second station.
 */
static void note_use(struct pairs_ticket *ticket, const struct sign_public *key, const char *name,
                     struct wall_ms wall) {
    if (ticket->used > 0 && ID_EQUAL(ticket->used_key, *key)) {
        ticket->used_at.ms = wall.ms < ticket->used_at.ms ? wall.ms : ticket->used_at.ms;
        return;
    }
    ticket->used++;
    if (ticket->used == 1 || wall.ms < ticket->used_at.ms) {
        memcpy(ticket->other_name, ticket->used_name, sizeof ticket->other_name);
        ticket->used_key = *key;
        copy_text(ticket->used_name, slice_text(name));
        ticket->used_at = wall;
    } else {
        copy_text(ticket->other_name, slice_text(name));
    }
}

static enum error_code find_uses(struct lookup *lookup, struct pairs_ticket *ticket,
                                 struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(lookup->ledger, SQL_ADMITS_OF_TICKET, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, ticket->id.bytes, sizeof ticket->id.bytes);
    while ((code = ledger_row(lookup->ledger, statement, &row, err)) == ERR_OK && row) {
        struct clock_position at;
        struct sign_public key;
        const char *name = (const char *)sqlite3_column_text(statement, 5);
        if (!position_column(lookup, statement, 2, &at) || !is_of_lead(lookup, at) ||
            !sql_column_bytes(statement, 4, &key, sizeof key)) {
            continue;
        }
        code = load_record(lookup, sqlite3_column_int64(statement, 0), err);
        if (code != ERR_OK) {
            sqlite3_reset(statement);
            break;
        }
        note_use(ticket, &key, name == NULL ? "" : name, lookup->record.wall);
    }
    return code;
}

static enum error_code find_cancel(struct lookup *lookup, struct pairs_ticket *ticket,
                                   struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(lookup->ledger, SQL_CANCELS_OF_TICKET, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, ticket->id.bytes, sizeof ticket->id.bytes);
    while ((code = ledger_row(lookup->ledger, statement, &row, err)) == ERR_OK && row) {
        struct clock_position at;
        struct record_cancel body;
        if (!position_column(lookup, statement, 1, &at) || !is_of_lead(lookup, at)) {
            continue;
        }
        code = load_record(lookup, sqlite3_column_int64(statement, 0), err);
        if (code != ERR_OK) {
            sqlite3_reset(statement);
            break;
        }
        bool earlier = !ticket->cancelled || lookup->record.wall.ms < ticket->cancelled_at.ms;
        if (earlier && record_cancel_read(lookup->record.body, &body)) {
            ticket->cancelled = true;
            ticket->cancelled_at = lookup->record.wall;
            copy_text(ticket->cancel_reason, body.reason);
        }
    }
    return code;
}

/* Fills *ticket from entry `position` of a ticket record. */
static enum error_code load_ticket(struct lookup *lookup, int64_t rid, int position,
                                   struct clock_position at, struct pairs_ticket *ticket,
                                   struct error *err) {
    struct record_ticket body;
    memset(ticket, 0, sizeof *ticket);
    enum error_code code = load_record(lookup, rid, err);
    if (code != ERR_OK) {
        return code;
    }
    if (!record_ticket_read(lookup->record.body, &body) || position < 0 ||
        (size_t)position >= body.entry_count) {
        return error_set(err, ERR_DAMAGED, "table ticket");
    }
    const struct record_ticket_entry *entry = &body.entry[position];
    ticket->id = entry->id;
    copy_text(ticket->name, entry->name);
    ticket->role = entry->role;
    ticket->bibs = entry->bibs;
    ticket->author = lookup->ledger->chain[at.chain].key;
    ticket->made = lookup->record.wall;
    ticket->expires = body.expires;
    code = find_uses(lookup, ticket, err);
    return code == ERR_OK ? find_cancel(lookup, ticket, err) : code;
}

/* The first ticket that counts among the rows of a bound statement. */
static enum error_code first_ticket(struct lookup *lookup, sqlite3_stmt *statement,
                                    struct pairs_ticket *out, struct error *err) {
    bool row = true;
    enum error_code code;
    while ((code = ledger_row(lookup->ledger, statement, &row, err)) == ERR_OK && row) {
        struct clock_position at;
        if (position_column(lookup, statement, 2, &at) && is_of_lead(lookup, at)) {
            int64_t rid = sqlite3_column_int64(statement, 0);
            int position = sqlite3_column_int(statement, 1);
            sqlite3_reset(statement);
            return load_ticket(lookup, rid, position, at, out, err);
        }
    }
    return code != ERR_OK ? code : error_set(err, ERR_NOT_FOUND, "no such ticket is known here");
}

static enum error_code find_ticket(struct ledger *ledger, enum ledger_statement which,
                                   struct slice by, struct pairs_ticket *out, struct error *err) {
    struct lookup lookup;
    enum error_code code = ERR_OK;
    memset(out, 0, sizeof *out);
    if (!lookup_begin(&lookup, ledger, err)) {
        return err->code;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, which, err);
    if (statement == NULL) {
        code = err->code;
    } else {
        sql_bind_bytes(statement, 1, by.data, by.size);
        code = first_ticket(&lookup, statement, out, err);
    }
    buffer_release(&lookup.raw);
    return code;
}

enum error_code pairs_ticket_by_hash(struct ledger *ledger, const struct digest32 *hash,
                                     struct pairs_ticket *out, struct error *err) {
    return find_ticket(ledger, SQL_TICKETS_OF_HASH, slice_of(hash->bytes, sizeof hash->bytes), out,
                       err);
}

enum error_code pairs_ticket(struct ledger *ledger, const struct ticket_id *id,
                             struct pairs_ticket *out, struct error *err) {
    return find_ticket(ledger, SQL_TICKETS_OF_ID, slice_of(id->bytes, sizeof id->bytes), out, err);
}

enum error_code pairs_each_ticket(struct ledger *ledger,
                                  bool (*each)(void *context, const struct pairs_ticket *),
                                  void *context, struct error *err) {
    struct lookup lookup;
    bool row = true;
    if (!lookup_begin(&lookup, ledger, err)) {
        return err->code;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_TICKETS_ALL, err);
    enum error_code code = statement == NULL ? err->code : ERR_OK;
    while (code == ERR_OK && (code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct pairs_ticket ticket;
        struct clock_position at;
        if (!position_column(&lookup, statement, 2, &at) || !is_of_lead(&lookup, at)) {
            continue;
        }
        code = load_ticket(&lookup, sqlite3_column_int64(statement, 0),
                           sqlite3_column_int(statement, 1), at, &ticket, err);
        if (code != ERR_OK || !each(context, &ticket)) {
            sqlite3_reset(statement);
            break;
        }
    }
    buffer_release(&lookup.raw);
    return code;
}

enum error_code ticket_each_trouble(struct ledger *ledger,
                                    void (*each)(void *context, const struct pairs_ticket *),
                                    void *context, struct error *err) {
    bool row = true;
    enum error_code code;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_TICKETS_USED, err);
    if (statement == NULL) {
        return err->code;
    }
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct ticket_id id;
        struct pairs_ticket ticket;
        if (!sql_column_bytes(statement, 0, &id, sizeof id)) {
            continue;
        }
        code = pairs_ticket(ledger, &id, &ticket, err);
        if (code == ERR_NOT_FOUND) {
            continue; /* the lead who wrote it no longer counts */
        }
        if (code != ERR_OK) {
            sqlite3_reset(statement);
            return code;
        }
        if (ticket.used > 1 || (ticket.used > 0 && ticket.cancelled)) {
            each(context, &ticket);
        }
    }
    return code;
}
