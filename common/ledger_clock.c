/*
 * ledger_clock.c: who had seen what: the `seen` entries of records, stored as they come and looked
 * up when two records must be compared. No row holds a whole clock.
 */
#include "common/ledger_sql.h"

#include <string.h>

bool ledger_goes_on_from(const struct ledger *ledger, uint32_t chain, uint32_t of) {
    /* Follows can be hostile, so the walk is bounded by the number of chains. */
    for (size_t steps = 0; chain < ledger->tree.count && steps <= ledger->tree.count; steps++) {
        const struct clock_chain *at = &ledger->tree.chain[chain];
        if (chain == of) {
            return true;
        }
        chain = at->parent.chain != CLOCK_NO_CHAIN ? at->parent.chain : at->follows.chain;
    }
    return false;
}

enum error_code ledger_find_head(struct ledger *ledger, const uint8_t id[16], uint64_t number,
                                 struct clock_position *at, bool *found, struct error *err) {
    uint8_t low[32] = {0}, high[32];
    bool row = false;
    memset(high, 0xff, sizeof high);
    memcpy(low, id, 16);
    memcpy(high, id, 16);
    *found = false;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_RECORD_BY_PREFIX, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, low, sizeof low);
    sql_bind_bytes(statement, 2, high, sizeof high);
    enum error_code code = ledger_row(ledger, statement, &row, err);
    if (code == ERR_OK && row) {
        at->chain = (uint32_t)sqlite3_column_int(statement, 1);
        at->number = sql_column_u64(statement, 2);
        *found = number == 0 || at->number == number;
    }
    sqlite3_reset(statement);
    return code;
}

bool ledger_holds(struct ledger *ledger, const uint8_t id[16]) {
    struct clock_position at;
    struct error err;
    bool found = false;
    return ledger_find_head(ledger, id, 0, &at, &found, &err) == ERR_OK && found;
}

static void touch(struct ledger *ledger, uint32_t chain) {
    ledger->touched[chain] = true;
    ledger->any_touched = true;
}

static enum error_code insert_entry(struct ledger *ledger, const struct ledger_stored *stored,
                                    const struct record_seen *entry, bool inherits,
                                    struct error *err) {
    struct clock_position at = {CLOCK_NO_CHAIN, 0};
    bool found = false;
    enum error_code code = ledger_find_head(ledger, entry->id, entry->number, &at, &found, err);
    if (code != ERR_OK) {
        return code;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_SEEN_INSERT, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_u64(statement, 1, stored->at.chain);
    sql_bind_u64(statement, 2, stored->at.number);
    sql_bind_bytes(statement, 3, entry->id, sizeof entry->id);
    sql_bind_u64(statement, 4, entry->number);
    if (found) {
        sql_bind_u64(statement, 5, ledger->tree.chain[at.chain].log);
        sql_bind_u64(statement, 6, at.chain);
    }
    sqlite3_bind_int(statement, 7, inherits);
    if (!found) {
        ledger->waiting++;
    } else if (inherits) {
        ledger->tree.chain[stored->at.chain].follows = at;
    }
    return ledger_run(ledger, statement, err);
}

/* Entries that waited for this record now cover it and what is before it. */
static enum error_code resolve_waiting(struct ledger *ledger, const struct ledger_stored *stored,
                                       struct error *err) {
    while (ledger->waiting > 0) {
        bool row = false;
        sqlite3_stmt *find = ledger_statement(ledger, SQL_SEEN_RESOLVE_FIND, err);
        if (find == NULL) {
            return err->code;
        }
        sql_bind_bytes(find, 1, stored->id.bytes, 16);
        sql_bind_u64(find, 2, stored->at.number);
        enum error_code code = ledger_row(ledger, find, &row, err);
        if (code != ERR_OK || !row) {
            return code;
        }
        int64_t rowid = sqlite3_column_int64(find, 0);
        uint32_t chain = (uint32_t)sqlite3_column_int(find, 1);
        bool inherits = sqlite3_column_int(find, 2) != 0;
        sqlite3_reset(find);
        sqlite3_stmt *set = ledger_statement(ledger, SQL_SEEN_RESOLVE, err);
        if (set == NULL) {
            return err->code;
        }
        sqlite3_bind_int64(set, 1, rowid);
        sql_bind_u64(set, 2, ledger->tree.chain[stored->at.chain].log);
        sql_bind_u64(set, 3, stored->at.chain);
        code = ledger_run(ledger, set, err);
        if (code != ERR_OK) {
            return code;
        }
        if (inherits) {
            ledger->tree.chain[chain].follows = stored->at;
        }
        ledger->waiting--;
        touch(ledger, chain);
        if (ledger_goes_on_from(ledger, ledger->claimed_chain, chain)) {
            ledger->claimed_chain = CLOCK_NO_CHAIN; /* what it claims may have grown */
        }
    }
    return ERR_OK;
}

enum error_code ledger_seen_store(struct ledger *ledger, const struct ledger_stored *stored,
                                  struct error *err) {
    struct record_seen entries[RECORD_SEEN_MAX];
    size_t count = record_seen_read(&stored->record, entries);
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < count; i++) {
        code = insert_entry(ledger, stored, &entries[i], false, err);
    }
    struct record_open open;
    if (code == ERR_OK && stored->record.kind == RECORD_OPEN &&
        record_open_read(stored->record.body, &open) && open.has_follows) {
        struct record_seen follows = {.number = open.follows.number};
        memcpy(follows.id, open.follows.id.bytes, sizeof follows.id);
        code = insert_entry(ledger, stored, &follows, true, err);
    }
    return code == ERR_OK ? resolve_waiting(ledger, stored, err) : code;
}

static sqlite3_stmt *lookup(struct ledger *ledger, enum ledger_statement which,
                            struct clock_position of, struct clock_position earlier) {
    struct error err;
    sqlite3_stmt *statement = ledger_statement(ledger, which, &err);
    if (statement != NULL) {
        sql_bind_u64(statement, 1, of.chain);
        sql_bind_u64(statement, 2, ledger->tree.chain[earlier.chain].log);
        sql_bind_u64(statement, 3, of.number);
        sql_bind_u64(statement, 4, earlier.chain);
    }
    return statement;
}

/* Heads on other branches of the log of `earlier`. */
static bool names_forked(struct ledger *ledger, struct clock_position of,
                         struct clock_position earlier) {
    struct error err;
    bool row = true, covered = false;
    sqlite3_stmt *statement = lookup(ledger, SQL_SEEN_LOOKUP_FORKED, of, earlier);
    while (statement != NULL && !covered && ledger_row(ledger, statement, &row, &err) == ERR_OK &&
           row) {
        struct clock_position head = {(uint32_t)sqlite3_column_int(statement, 0),
                                      sql_column_u64(statement, 1)};
        covered = clock_descends(&ledger->tree, head, earlier);
    }
    sqlite3_reset(statement);
    return covered;
}

static bool is_forked(const struct ledger *ledger, uint32_t log) {
    for (uint32_t i = 0; i < ledger->tree.count; i++) {
        if (i != log && ledger->tree.chain[i].log == log) {
            return true;
        }
    }
    return false;
}

/* Whether an entry of the chain up to `number` names a head at or behind `earlier`. Asked for every
 * two issues of a bib, so what it costs must not grow with the history: on the same branch the
 * index leads to the first head that is far enough, and only a log that forked is read whole. */
static bool names(struct ledger *ledger, struct clock_position of, struct clock_position earlier) {
    struct error err;
    bool covered = false;
    sqlite3_stmt *statement = lookup(ledger, SQL_SEEN_LOOKUP, of, earlier);
    if (statement == NULL) {
        return false;
    }
    sql_bind_u64(statement, 5, earlier.number);
    if (ledger_row(ledger, statement, &covered, &err) != ERR_OK) {
        covered = false;
    }
    sqlite3_reset(statement);
    return covered || (is_forked(ledger, ledger->tree.chain[earlier.chain].log) &&
                       names_forked(ledger, of, earlier));
}

bool ledger_covers(struct ledger *ledger, struct clock_position later,
                   struct clock_position earlier) {
    if (later.chain == earlier.chain && later.number == earlier.number) {
        return false;
    }
    for (size_t steps = 0; steps <= ledger->tree.count; steps++) {
        if (clock_descends(&ledger->tree, later, earlier) || names(ledger, later, earlier)) {
            return true;
        }
        const struct clock_chain *chain = &ledger->tree.chain[later.chain];
        later = chain->parent.chain != CLOCK_NO_CHAIN ? chain->parent : chain->follows;
        if (later.chain == CLOCK_NO_CHAIN) {
            return false;
        }
    }
    return false;
}

/* Adds all that a chain up to `number` claims to the clock kept in memory. */
static enum error_code add_claims(struct ledger *ledger, struct clock_position of,
                                  struct error *err) {
    bool row = true;
    enum error_code code = ERR_OK;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_SEEN_CLAIMED, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_u64(statement, 1, of.chain);
    sql_bind_u64(statement, 2, of.number);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct clock_position head = {(uint32_t)sqlite3_column_int(statement, 0),
                                      sql_column_u64(statement, 1)};
        if (!clock_add(&ledger->claimed, &ledger->tree, head)) {
            sqlite3_reset(statement);
            return error_set(err, ERR_MEMORY, "an own clock");
        }
    }
    if (code == ERR_OK && !clock_add(&ledger->claimed, &ledger->tree, of)) {
        code = error_set(err, ERR_MEMORY, "an own clock");
    }
    return code;
}

/* Reads an author's clock once; appends keep it up to date (ledger_seen_for). */
static enum error_code load_claimed(struct ledger *ledger, struct clock_position own,
                                    struct error *err) {
    if (own.chain != CLOCK_NO_CHAIN && ledger->claimed_chain == own.chain &&
        ledger->claimed_number == own.number) {
        return ERR_OK;
    }
    clock_release(&ledger->claimed);
    ledger->claimed_chain = CLOCK_NO_CHAIN;
    enum error_code code = ERR_OK;
    struct clock_position at = own;
    for (size_t steps = 0;
         code == ERR_OK && at.chain != CLOCK_NO_CHAIN && steps <= ledger->tree.count; steps++) {
        code = add_claims(ledger, at, err);
        const struct clock_chain *chain = &ledger->tree.chain[at.chain];
        at = chain->parent.chain != CLOCK_NO_CHAIN ? chain->parent : chain->follows;
    }
    return code;
}

/* Claims the head of `chain`, unless it is claimed or there is no room. */
static enum error_code claim(struct ledger *ledger, uint32_t chain, struct record_seen *entries,
                             size_t *count, struct error *err) {
    const struct ledger_chain *of = &ledger->chain[chain];
    struct clock_position head = {chain, of->head_number};
    if (*count == RECORD_SEEN_MAX || clock_covers(&ledger->claimed, &ledger->tree, head)) {
        return ERR_OK;
    }
    if (!clock_add(&ledger->claimed, &ledger->tree, head)) {
        return error_set(err, ERR_MEMORY, "an own clock");
    }
    entries[*count].number = of->head_number;
    memcpy(entries[*count].id, of->head_id.bytes, sizeof entries[*count].id);
    (*count)++;
    return ERR_OK;
}

enum error_code ledger_seen_for(struct ledger *ledger, struct clock_position own,
                                const struct clock_position *needed, size_t needed_count,
                                bool refresh, struct record_seen *entries, size_t *entry_count,
                                struct error *err) {
    *entry_count = 0;
    enum error_code code = load_claimed(ledger, own, err);
    for (size_t i = 0; code == ERR_OK && i < needed_count; i++) {
        if (!clock_covers(&ledger->claimed, &ledger->tree, needed[i])) {
            code = claim(ledger, needed[i].chain, entries, entry_count, err);
        }
    }
    for (uint32_t i = 0; code == ERR_OK && refresh && i < ledger->tree.count; i++) {
        code = claim(ledger, i, entries, entry_count, err);
    }
    /* The record that carries these entries comes next: the clock in memory stays its author's. */
    ledger->claimed_chain = own.chain;
    ledger->claimed_number = own.number + 1;
    struct clock_position next = {own.chain, own.number + 1};
    if (code == ERR_OK && own.chain != CLOCK_NO_CHAIN &&
        !clock_add(&ledger->claimed, &ledger->tree, next)) {
        code = error_set(err, ERR_MEMORY, "an own clock");
    }
    if (code != ERR_OK) {
        ledger->claimed_chain = CLOCK_NO_CHAIN;
    }
    return code;
}
