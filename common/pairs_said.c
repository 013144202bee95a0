/*
 * pairs_said.c: holds, looks, rolls, notes and handed-over lists as people ask for them, and where
 * all but the holds stand.
 *
 * Looks, rolls, notes and handovers change no canonical row: whether one counts is asked when it is
 * read, of the records that are held then.
 */
#include "common/pairs_state.h"

#include <stdlib.h>
#include <string.h>

/* ---- noting ---- */

/* The bib that a record of these kinds is about; *bib "" for none. False: it cannot be read. */
static bool read_about(const struct record *record, struct bib *bib) {
    union {
        struct record_look look;
        struct record_roll roll;
        struct record_note note;
        struct record_handover handover;
    } body;
    memset(bib, 0, sizeof *bib);
    switch (record->kind) {
    case RECORD_LOOK:
        if (!record_look_read(record->body, &body.look)) {
            return false;
        }
        *bib = body.look.bib;
        return true;
    case RECORD_NOTE:
        if (!record_note_read(record->body, &body.note)) {
            return false;
        }
        if (body.note.has_bib) {
            *bib = body.note.bib;
        }
        return true;
    case RECORD_ROLL:
        return record_roll_read(record->body, &body.roll);
    default:
        return record_handover_read(record->body, &body.handover);
    }
}

enum error_code said_note(struct ledger *ledger, const struct pairs *pairs,
                          const struct ledger_stored *stored, bool *readable, struct error *err) {
    struct bib bib;
    if (!read_about(&stored->record, &bib) ||
        (bib.text[0] != '\0' && !pairs_bib_fits(pairs, &bib))) {
        *readable = false;
        return ERR_OK;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_SAID_INSERT, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, stored->rid);
    sql_bind_u64(statement, 2, stored->record.kind);
    if (bib.text[0] != '\0') {
        sqlite3_bind_text(statement, 3, bib.text, -1, SQLITE_STATIC);
    }
    enum error_code code = ledger_run(ledger, statement, err);
    struct record_look look;
    if (code == ERR_OK && stored->record.kind == RECORD_LOOK &&
        record_look_read(stored->record.body, &look)) {
        code = heard_note_look(ledger, stored->rid, &look, err);
    }
    return code;
}

/* ---- lists ---- */

/* What is shown, in its order. */
struct said_row {
    int64_t rid;
    struct record_id id;
    struct log_id log;
    uint64_t number;
    struct wall_ms wall;
    struct bib bib; /* of holds */
};
struct said_list {
    struct said_row *row;
    size_t count, capacity;
};

static bool add_row(struct said_list *list, const struct said_row *row) {
    if (list->count == list->capacity) {
        size_t wanted = list->capacity == 0 ? 64 : list->capacity * 2;
        struct said_row *grown = realloc(list->row, wanted * sizeof *grown);
        if (grown == NULL) {
            return false;
        }
        list->row = grown;
        list->capacity = wanted;
    }
    list->row[list->count++] = *row;
    return true;
}

static int by_bib(const void *a, const void *b) {
    const struct said_row *left = a, *right = b;
    return bib_compare(&left->bib, &right->bib);
}

static int by_time(const void *a, const void *b) {
    const struct said_row *left = a, *right = b;
    if (left->wall.ms != right->wall.ms) {
        return left->wall.ms < right->wall.ms ? -1 : 1;
    }
    return memcmp(left->id.bytes, right->id.bytes, sizeof left->id.bytes);
}

static int by_log(const void *a, const void *b) {
    const struct said_row *left = a, *right = b;
    int order = memcmp(left->log.bytes, right->log.bytes, sizeof left->log.bytes);
    if (order != 0) {
        return order;
    }
    if (left->number != right->number) {
        return left->number < right->number ? -1 : 1;
    }
    return memcmp(left->id.bytes, right->id.bytes, sizeof left->id.bytes);
}

static void sort(struct said_list *list, int (*order)(const void *, const void *)) {
    if (list->count > 1) {
        qsort(list->row, list->count, sizeof *list->row, order);
    }
}

/* The counted ones among rows (rid, chain, number, id): those of `station` only, unless NULL. */
static enum error_code gather(struct ledger *ledger, sqlite3_stmt *statement, enum role role,
                              const struct sign_public *station, struct said_list *list,
                              struct error *err) {
    bool more = true;
    enum error_code code = ERR_OK;
    const struct pairs *pairs = pairs_of(ledger, err);
    if (pairs == NULL) {
        return err->code;
    }
    while ((code = ledger_row(ledger, statement, &more, err)) == ERR_OK && more) {
        struct said_row row = {.rid = sqlite3_column_int64(statement, 0)};
        struct clock_position at = {(uint32_t)sqlite3_column_int(statement, 1),
                                    sql_column_u64(statement, 2)};
        if (at.chain >= ledger->tree.count ||
            !sql_column_bytes(statement, 3, &row.id, sizeof row.id)) {
            continue;
        }
        const struct ledger_chain *chain = &ledger->chain[at.chain];
        if ((station != NULL && !ID_EQUAL(*station, chain->key)) ||
            !standing_counts(ledger, pairs, &chain->key, at, role)) {
            continue;
        }
        row.log = chain->log;
        row.number = at.number;
        if (!add_row(list, &row)) {
            sqlite3_reset(statement);
            return error_set(err, ERR_MEMORY, "a list of what was said");
        }
    }
    return code;
}

static enum error_code gather_kind(struct ledger *ledger, enum record_kind kind,
                                   const struct bib *bib, const struct sign_public *station,
                                   struct said_list *list, struct error *err) {
    uint64_t faults = ledger->faults;
    if (pairs_of(ledger, err) == NULL) { /* before a statement is begun */
        return err->code;
    }
    sqlite3_stmt *statement =
        ledger_statement(ledger, bib == NULL ? SQL_SAID_OF_KIND : SQL_SAID_OF_BIB, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int(statement, 1, (int)kind);
    if (bib != NULL) {
        sqlite3_bind_text(statement, 2, bib->text, -1, SQLITE_STATIC);
    }
    enum error_code code = gather(
        ledger, statement, kind == RECORD_HANDOVER ? ROLE_LEAD : ROLE_TABLE, station, list, err);
    return ledger_since(ledger, faults, code, err);
}

/* ---- one record ---- */

struct loaded {
    struct buffer raw;
    struct record record; /* borrows from raw */
    struct pairs_said said;
};

static enum error_code load(struct ledger *ledger, int64_t rid, struct loaded *loaded,
                            struct error *err) {
    memset(&loaded->said, 0, sizeof loaded->said);
    enum error_code code = ledger_record(ledger, rid, &loaded->raw, &loaded->record, err);
    if (code != ERR_OK) {
        return code;
    }
    struct pairs_said *said = &loaded->said;
    said->id = identity_record(loaded->record.raw);
    said->wall = loaded->record.wall;
    query_copy_text(loaded->record.helper, said->helper, sizeof said->helper);
    if (ledger_log_key(ledger, &loaded->record.log, &said->station)) {
        query_name_station(ledger, &said->station, said->table);
    }
    return ERR_OK;
}

/* Hands each record of the list on; `show` returns false to stop. */
static enum error_code show_all(struct ledger *ledger, const struct said_list *list,
                                bool (*show)(void *context, const struct loaded *), void *context,
                                struct error *err) {
    struct loaded loaded;
    bool more = true;
    enum error_code code = ERR_OK;
    buffer_init(&loaded.raw);
    for (size_t i = 0; code == ERR_OK && more && i < list->count; i++) {
        code = load(ledger, list->row[i].rid, &loaded, err);
        if (code == ERR_OK) {
            more = show(context, &loaded);
        }
    }
    buffer_release(&loaded.raw);
    return code;
}

static enum error_code read_times(struct ledger *ledger, struct said_list *list,
                                  struct error *err) {
    struct buffer raw;
    enum error_code code = ERR_OK;
    buffer_init(&raw);
    for (size_t i = 0; code == ERR_OK && i < list->count; i++) {
        struct record record;
        code = ledger_record(ledger, list->row[i].rid, &raw, &record, err);
        if (code == ERR_OK) {
            list->row[i].wall = record.wall;
        }
    }
    buffer_release(&raw);
    sort(list, by_time);
    return code;
}

/* ---- holds ---- */

struct show_hold {
    bool (*each)(void *context, const struct pairs_hold *);
    void *context;
    struct pairs_hold *out;
};

static bool show_hold(void *context, const struct loaded *loaded) {
    struct show_hold *show = context;
    struct record_hold body;
    struct pairs_hold hold;
    memset(&hold, 0, sizeof hold);
    if (!record_hold_read(loaded->record.body, &body)) {
        return true;
    }
    hold.bib = body.bib;
    hold.how = body.how;
    query_copy_text(body.reason, hold.reason, sizeof hold.reason);
    hold.said = loaded->said;
    if (show->out != NULL) {
        *show->out = hold;
        return false;
    }
    return show->each(show->context, &hold);
}

enum error_code pairs_hold(struct ledger *ledger, const struct bib *bib, struct pairs_hold *out,
                           struct error *err) {
    struct said_row row = {0};
    struct said_list one = {&row, 1, 1};
    struct show_hold show = {.out = out};
    bool known = false;
    memset(out, 0, sizeof *out);
    if (pairs_of(ledger, err) == NULL) {
        return err->code;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_HELD_GET, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_text(statement, 1, bib->text, -1, SQLITE_STATIC);
    enum error_code code = ledger_row(ledger, statement, &known, err);
    if (code == ERR_OK && known) {
        known = sqlite3_column_int(statement, 0) != HOLD_FREE;
        row.rid = sqlite3_column_int64(statement, 1);
    }
    sqlite3_reset(statement);
    if (code != ERR_OK) {
        return code;
    }
    if (!known) {
        return error_set(err, ERR_NOT_FOUND, "that bib is not held back");
    }
    return show_all(ledger, &one, show_hold, &show, err);
}

enum error_code pairs_each_hold(struct ledger *ledger,
                                bool (*each)(void *context, const struct pairs_hold *),
                                void *context, struct error *err) {
    struct said_list list = {NULL, 0, 0};
    struct show_hold show = {.each = each, .context = context};
    bool more = true;
    enum error_code code = ERR_OK;
    if (pairs_of(ledger, err) == NULL) {
        return err->code;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_HELD_ALL, err);
    if (statement == NULL) {
        return err->code;
    }
    while ((code = ledger_row(ledger, statement, &more, err)) == ERR_OK && more) {
        struct said_row row = {.rid = sqlite3_column_int64(statement, 1)};
        if (bib_column(statement, 0, &row.bib) && !add_row(&list, &row)) {
            sqlite3_reset(statement);
            code = error_set(err, ERR_MEMORY, "a list of holds");
            break;
        }
    }
    sort(&list, by_bib);
    if (code == ERR_OK) {
        code = show_all(ledger, &list, show_hold, &show, err);
    }
    free(list.row);
    return code;
}

/* ---- looks ---- */

struct show_look {
    bool (*each)(void *context, const struct pairs_look *);
    void *context;
};

static bool show_look(void *context, const struct loaded *loaded) {
    struct show_look *show = context;
    struct record_look body;
    struct pairs_look look;
    memset(&look, 0, sizeof look);
    if (!record_look_read(loaded->record.body, &body)) {
        return true;
    }
    look.bib = body.bib;
    look.verdict = body.verdict;
    look.has_stack = body.has_stack;
    look.stack = body.stack;
    look.tag_count = body.tag_count;
    for (size_t i = 0; i < body.tag_count; i++) {
        look.tag[i].epc = body.tag[i].epc;
        look.tag[i].tid = body.tag[i].tid;
        look.tag[i].seen = body.tag[i].seen;
        query_copy_text(body.tag[i].roll, look.tag[i].roll, sizeof look.tag[i].roll);
    }
    look.said = loaded->said;
    return show->each(show->context, &look);
}

enum error_code pairs_each_look(struct ledger *ledger, const struct bib *bib,
                                bool (*each)(void *context, const struct pairs_look *),
                                void *context, struct error *err) {
    struct said_list list = {NULL, 0, 0};
    struct show_look show = {each, context};
    enum error_code code = gather_kind(ledger, RECORD_LOOK, bib, NULL, &list, err);
    if (code == ERR_OK) {
        code = read_times(ledger, &list, err);
    }
    if (code == ERR_OK) {
        code = show_all(ledger, &list, show_look, &show, err);
    }
    free(list.row);
    return code;
}

/* ---- rolls ---- */

struct show_roll {
    bool (*each)(void *context, const struct pairs_roll *);
    void *context;
};

static bool show_roll(void *context, const struct loaded *loaded) {
    struct show_roll *show = context;
    struct record_roll body;
    struct pairs_roll roll;
    memset(&roll, 0, sizeof roll);
    if (!record_roll_read(loaded->record.body, &body)) {
        return true;
    }
    query_copy_text(body.roll, roll.roll, sizeof roll.roll);
    roll.how = body.how;
    roll.pair = body.pair;
    roll.has_count = body.has_count;
    roll.count = body.count;
    roll.said = loaded->said;
    return show->each(show->context, &roll);
}

enum error_code pairs_each_roll(struct ledger *ledger, const struct sign_public *station,
                                bool (*each)(void *context, const struct pairs_roll *),
                                void *context, struct error *err) {
    struct said_list list = {NULL, 0, 0};
    struct show_roll show = {each, context};
    enum error_code code = gather_kind(ledger, RECORD_ROLL, NULL, station, &list, err);
    sort(&list, by_log);
    if (code == ERR_OK) {
        code = show_all(ledger, &list, show_roll, &show, err);
    }
    free(list.row);
    return code;
}

/* ---- notes ---- */

struct show_note {
    bool (*each)(void *context, const struct pairs_note *);
    void *context;
};

static bool show_note(void *context, const struct loaded *loaded) {
    struct show_note *show = context;
    struct record_note body;
    struct pairs_note note;
    memset(&note, 0, sizeof note);
    if (!record_note_read(loaded->record.body, &body)) {
        return true;
    }
    query_copy_text(body.text, note.text, sizeof note.text);
    note.has_bib = body.has_bib;
    note.bib = body.bib;
    note.has_about = body.has_station;
    note.about = body.station;
    note.said = loaded->said;
    return show->each(show->context, &note);
}

enum error_code pairs_each_note(struct ledger *ledger, const struct bib *bib,
                                bool (*each)(void *context, const struct pairs_note *),
                                void *context, struct error *err) {
    struct said_list list = {NULL, 0, 0};
    struct show_note show = {each, context};
    enum error_code code = gather_kind(ledger, RECORD_NOTE, bib, NULL, &list, err);
    if (code == ERR_OK) {
        code = read_times(ledger, &list, err);
    }
    if (code == ERR_OK) {
        code = show_all(ledger, &list, show_note, &show, err);
    }
    free(list.row);
    return code;
}

/* ---- handed-over lists ---- */

static bool keep_last(void *context, const struct loaded *loaded) {
    struct pairs_handover *out = context;
    struct record_handover body;
    if (!record_handover_read(loaded->record.body, &body)) {
        return true;
    }
    bool later = body.number > out->number ||
                 (body.number == out->number &&
                  memcmp(loaded->said.id.bytes, out->said.id.bytes, sizeof out->said.id) < 0);
    if (later) {
        *out = (struct pairs_handover){body.number, body.state, body.list, body.bibs, loaded->said};
    }
    return true;
}

enum error_code pairs_last_handover(struct ledger *ledger, struct pairs_handover *out,
                                    struct error *err) {
    struct said_list list = {NULL, 0, 0};
    memset(out, 0, sizeof *out);
    enum error_code code = gather_kind(ledger, RECORD_HANDOVER, NULL, NULL, &list, err);
    if (code == ERR_OK) {
        code = show_all(ledger, &list, keep_last, out, err);
    }
    free(list.row);
    return code == ERR_OK && out->number == 0
               ? error_set(err, ERR_NOT_FOUND, "no chip list was handed over, as far as is known")
               : code;
}
