/*
 * ledger_take.c: how records get in: form, chain, who may, and signatures; then rows.
 *
 * A signature vouches for its record and all before it in the chain. So of a run only the last
 * record is verified, and each number divisible by RECORD_VERIFY_EVERY; what is taken therefore
 * does not depend on how the run was cut into batches.
 */
#include "common/ledger_sql.h"

#include <stdlib.h>
#include <string.h>

/* A run on its way in. */
struct run {
    struct ledger_stored *item;  /* decoded records, ids and, once known, positions */
    size_t count;                /* well-formed and chained so far */
    size_t first_new;            /* items before it are held already */
    bool from_start;             /* the first new one is number 1 */
    struct clock_position after; /* else: the held record that it follows */
    struct sign_public key;
};

static bool reserve_stored(struct ledger *ledger, size_t count) {
    if (count <= ledger->stored_capacity) {
        return true;
    }
    struct ledger_stored *grown = realloc(ledger->stored, count * sizeof *grown);
    if (grown == NULL) {
        return false;
    }
    ledger->stored = grown;
    ledger->stored_capacity = count;
    return true;
}

/* Decodes the run as far as it is well-formed and each record follows the one before it. */
static void decode_run(const struct slice *records, size_t count, struct run *run,
                       struct pairs_taken *taken) {
    for (size_t i = 0; i < count; i++) {
        struct ledger_stored *item = &run->item[i];
        if (record_decode(records[i], &item->record, &taken->why) != ERR_OK) {
            taken->outcome = PAIRS_MALFORMED;
            return;
        }
        const struct record *record = &item->record;
        if (i > 0 && (!ID_EQUAL(record->log, item[-1].record.log) || !record->has_previous ||
                      record->number != item[-1].record.number + 1 ||
                      !ID_EQUAL(record->previous, item[-1].id))) {
            error_set(&taken->why, ERR_FORM, "record %zu of the run does not follow the last", i);
            taken->outcome = PAIRS_MALFORMED;
            return;
        }
        item->id = identity_record(records[i]);
        run->count = i + 1;
    }
}

static void set_head(struct pairs_taken *taken, const struct ledger_stored *item) {
    taken->head.log = item->record.log;
    taken->head.number = item->record.number;
    taken->head.id = item->id;
    taken->head.chain = item->at.chain;
}

/* Steps over what is held already; in an honest run that is a prefix. */
static enum error_code skip_held(struct ledger *ledger, struct run *run, struct pairs_taken *taken,
                                 struct error *err) {
    for (; run->first_new < run->count; run->first_new++) {
        struct ledger_stored *item = &run->item[run->first_new];
        bool found = false;
        enum error_code code = ledger_find(ledger, &item->id, &item->rid, &item->at, &found, err);
        if (code != ERR_OK) {
            return code;
        }
        if (!found) {
            break;
        }
        set_head(taken, item);
    }
    return ERR_OK;
}

static enum pairs_outcome refuse(struct pairs_taken *taken, enum pairs_outcome outcome,
                                 enum error_code code, const char *cause) {
    error_set(&taken->why, code, "%s", cause);
    return outcome;
}

/* A log begins with `open`, which names the key; its id is made of that key and the incarnation. */
static enum pairs_outcome begin_log(struct run *run, struct pairs_taken *taken) {
    const struct record *record = &run->item[run->first_new].record;
    struct record_open open;
    if (record->kind != RECORD_OPEN || !record_open_read(record->body, &open)) {
        return refuse(taken, PAIRS_MALFORMED, ERR_FORM, "a log does not begin with open");
    }
    struct log_id log = identity_log(&open.key, &open.incarnation);
    if (!ID_EQUAL(log, record->log)) {
        return refuse(taken, PAIRS_MALFORMED, ERR_FORM, "the log id is not of its key");
    }
    run->from_start = true;
    run->after.chain = CLOCK_NO_CHAIN;
    run->key = open.key;
    return PAIRS_STORED;
}

/* Where the first new record goes, and whose it is. */
static enum error_code attach(struct ledger *ledger, struct run *run, struct pairs_taken *taken,
                              enum pairs_outcome *outcome, struct error *err) {
    const struct record *record = &run->item[run->first_new].record;
    if (!record->has_previous) {
        *outcome = begin_log(run, taken);
        return ERR_OK;
    }
    bool found = false;
    int64_t rid = 0;
    enum error_code code = ledger_find(ledger, &record->previous, &rid, &run->after, &found, err);
    if (code != ERR_OK) {
        return code;
    }
    if (!found) {
        *outcome = refuse(taken, PAIRS_GAP, ERR_NOT_FOUND, "the record before it is not held");
        return ERR_OK;
    }
    const struct ledger_chain *chain = &ledger->chain[run->after.chain];
    run->key = chain->key;
    *outcome = PAIRS_STORED;
    if (!ID_EQUAL(chain->log, record->log) || run->after.number + 1 != record->number) {
        *outcome = refuse(taken, PAIRS_MALFORMED, ERR_FORM, "it follows a record of another log");
    }
    return ERR_OK;
}

/* How many of the new records are vouched for; sets the outcome of what is left. */
static size_t vouched(const struct ledger *ledger, const struct run *run,
                      struct pairs_taken *taken) {
    const struct ledger_stored *item = run->item + run->first_new;
    size_t limit = run->count - run->first_new, verified = 0;
    for (size_t i = 0; i < limit; i++) {
        if (item[i].record.number % RECORD_VERIFY_EVERY != 0) {
            continue;
        }
        if (record_verify(&item[i].record, &ledger->event.event, &run->key)) {
            verified = i + 1;
            continue;
        }
        taken->outcome = refuse(taken, PAIRS_ENDED, ERR_SIGNATURE,
                                "a record that must verify does not: the log ends before it");
        limit = i;
    }
    /* Back from the end to the last one that verifies: at most RECORD_VERIFY_EVERY steps, since
     * the last of those 128ths has been verified above. */
    for (size_t i = limit; i > verified; i--) {
        if (record_verify(&item[i - 1].record, &ledger->event.event, &run->key)) {
            return i;
        }
        if (taken->outcome == PAIRS_STORED) {
            taken->outcome =
                refuse(taken, PAIRS_PENDING, ERR_SIGNATURE, "its last records do not verify");
        }
    }
    return verified;
}

bool ledger_reserve_chain(struct ledger *ledger) {
    size_t count = ledger->tree.count;
    if (count < ledger->chain_capacity) {
        return true;
    }
    size_t wanted = ledger->chain_capacity == 0 ? 64 : ledger->chain_capacity * 2;
    struct ledger_chain *chain = realloc(ledger->chain, wanted * sizeof *chain);
    if (chain == NULL) {
        return false;
    }
    ledger->chain = chain;
    bool *touched = realloc(ledger->touched, wanted * sizeof *touched);
    if (touched == NULL) {
        return false;
    }
    memset(touched + count, 0, (wanted - count) * sizeof *touched);
    ledger->touched = touched;
    /* The heads are sorted when they are asked for, which must not fail. */
    struct ledger_head *head = realloc(ledger->head, wanted * sizeof *head);
    if (head == NULL) {
        return false;
    }
    ledger->head = head;
    ledger->head_capacity = wanted;
    ledger->chain_capacity = wanted;
    return true;
}

static uint32_t first_chain_of(const struct ledger *ledger, const struct log_id *log) {
    for (uint32_t i = 0; i < ledger->tree.count; i++) {
        if (ID_EQUAL(ledger->chain[i].log, *log)) {
            return ledger->tree.chain[i].log;
        }
    }
    return (uint32_t)ledger->tree.count;
}

static enum error_code insert_chain(struct ledger *ledger, uint32_t at, struct error *err) {
    const struct ledger_chain *chain = &ledger->chain[at];
    struct clock_position parent = ledger->tree.chain[at].parent;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_CHAIN_INSERT, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_u64(statement, 1, at);
    sql_bind_bytes(statement, 2, chain->log.bytes, sizeof chain->log.bytes);
    sql_bind_bytes(statement, 3, chain->key.bytes, sizeof chain->key.bytes);
    if (parent.chain != CLOCK_NO_CHAIN) {
        sql_bind_u64(statement, 4, parent.chain);
        sql_bind_u64(statement, 5, parent.number);
    }
    sql_bind_u64(statement, 6, chain->head_number);
    sql_bind_bytes(statement, 7, chain->head_id.bytes, sizeof chain->head_id.bytes);
    return ledger_run(ledger, statement, err);
}

/* The chain that the record goes on in: that of the record before it, or a new one where a log
 * begins or forks. */
static enum error_code place(struct ledger *ledger, struct ledger_stored *item,
                             struct clock_position after, bool *forked, struct error *err) {
    item->at.number = item->record.number;
    if (after.chain != CLOCK_NO_CHAIN && ledger->chain[after.chain].head_number == after.number) {
        item->at.chain = after.chain;
        return ERR_OK;
    }
    if (!ledger_reserve_chain(ledger)) {
        return error_set(err, ERR_MEMORY, "a further log");
    }
    uint32_t log = after.chain != CLOCK_NO_CHAIN ? ledger->tree.chain[after.chain].log
                                                 : first_chain_of(ledger, &item->record.log);
    *forked = log != ledger->tree.count;
    struct clock_chain chain = {.log = log, .parent = after, .follows = {CLOCK_NO_CHAIN, 0}};
    uint32_t at = clock_tree_add(&ledger->tree, &chain);
    if (at == CLOCK_NO_CHAIN) {
        return error_set(err, ERR_MEMORY, "a further log");
    }
    ledger->chain[at] = (struct ledger_chain){.log = item->record.log,
                                              .key = item->key,
                                              .head_number = item->record.number,
                                              .head_id = item->id};
    ledger->touched[at] = false;
    item->at.chain = at;
    return insert_chain(ledger, at, err);
}

static enum error_code insert_record(struct ledger *ledger, struct ledger_stored *item,
                                     struct error *err) {
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_RECORD_INSERT, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, item->id.bytes, sizeof item->id.bytes);
    sql_bind_u64(statement, 2, item->at.chain);
    sql_bind_u64(statement, 3, item->at.number);
    sql_bind_bytes(statement, 4, item->record.raw.data, item->record.raw.size);
    enum error_code code = ledger_run(ledger, statement, err);
    item->rid = sqlite3_last_insert_rowid(ledger->db);
    return code;
}

/* Who is let in decides what is held, so the ledger itself notes admits. One that names a key which
 * no station can have is kept as a record, and lets nobody in. */
static enum error_code note_admit(struct ledger *ledger, const struct ledger_stored *item,
                                  struct error *err) {
    struct record_admit admit;
    if (item->record.kind != RECORD_ADMIT || !record_admit_read(item->record.body, &admit) ||
        !identity_admissible(&admit.key, &admit.curve)) {
        return ERR_OK;
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ADMIT_INSERT, err);
    if (statement == NULL) {
        return err->code;
    }
    sqlite3_bind_int64(statement, 1, item->rid);
    sql_bind_bytes(statement, 2, item->key.bytes, sizeof item->key.bytes);
    sql_bind_bytes(statement, 3, admit.key.bytes, sizeof admit.key.bytes);
    sql_bind_bytes(statement, 4, admit.curve.bytes, sizeof admit.curve.bytes);
    sqlite3_bind_text(statement, 5, (const char *)admit.name.data, (int)admit.name.size,
                      SQLITE_STATIC);
    sqlite3_bind_int(statement, 6, (int)admit.role);
    if (admit.has_ticket) {
        sql_bind_bytes(statement, 7, admit.ticket.bytes, sizeof admit.ticket.bytes);
    }
    ledger->admit_epoch++;
    return ledger_run(ledger, statement, err);
}

static enum error_code store(struct ledger *ledger, struct ledger_stored *item,
                             struct clock_position after, bool *forked, struct error *err) {
    enum error_code code = place(ledger, item, after, forked, err);
    if (code == ERR_OK) {
        code = insert_record(ledger, item, err);
    }
    if (code == ERR_OK) {
        code = ledger_seen_store(ledger, item, err);
    }
    if (code == ERR_OK) {
        code = note_admit(ledger, item, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    struct ledger_chain *chain = &ledger->chain[item->at.chain];
    chain->head_number = item->at.number;
    chain->head_id = item->id;
    chain->dirty = true;
    ledger->heads_stale = true;
    ledger->count++;
    return ERR_OK;
}

static enum error_code store_run(struct ledger *ledger, struct run *run, size_t count,
                                 struct pairs_taken *taken, struct error *err) {
    struct clock_position after = run->after;
    for (size_t i = 0; i < count; i++) {
        struct ledger_stored *item = &run->item[run->first_new + i];
        bool forked = false;
        item->key = run->key;
        enum error_code code = store(ledger, item, after, &forked, err);
        if (code != ERR_OK) {
            return code;
        }
        taken->forked = taken->forked || forked;
        after = item->at;
        set_head(taken, item);
    }
    /* pairs reads the new ones from the front. */
    memmove(run->item, run->item + run->first_new, count * sizeof *run->item);
    taken->stored = count;
    return ERR_OK;
}

enum error_code ledger_take(struct ledger *ledger, const struct slice *records, size_t count,
                            struct pairs_taken *taken, struct error *err) {
    memset(taken, 0, sizeof *taken);
    taken->outcome = PAIRS_STORED;
    enum error_code code = ledger_writable(ledger, err);
    if (code != ERR_OK) {
        return code;
    }
    if (count == 0 || count > LEDGER_RUN_MAX) {
        taken->outcome =
            refuse(taken, PAIRS_MALFORMED, ERR_LIMIT, "a run of no or too many records");
        return ERR_OK;
    }
    if (!reserve_stored(ledger, count)) {
        return error_set(err, ERR_MEMORY, "a run of %zu records", count);
    }
    struct run run = {.item = ledger->stored};
    decode_run(records, count, &run, taken);
    if (run.count == 0) {
        return ERR_OK;
    }
    taken->log = run.item[0].record.log;
    code = skip_held(ledger, &run, taken, err);
    if (code != ERR_OK || run.first_new == run.count) {
        if (code == ERR_OK && taken->outcome == PAIRS_STORED) {
            taken->outcome = PAIRS_DUPLICATE;
        }
        return code;
    }
    enum pairs_outcome attached = PAIRS_STORED;
    code = attach(ledger, &run, taken, &attached, err);
    if (code == ERR_OK && attached == PAIRS_STORED && !ledger_eligible(ledger, &run.key)) {
        attached = refuse(taken, PAIRS_DENIED, ERR_NOT_ALLOWED, "its station is not admitted");
    }
    if (code != ERR_OK || attached != PAIRS_STORED) {
        taken->outcome = attached;
        return code;
    }
    return store_run(ledger, &run, vouched(ledger, &run, taken), taken, err);
}

enum error_code ledger_take_own(struct ledger *ledger, struct slice raw, struct error *err) {
    enum error_code code = ledger_writable(ledger, err);
    if (code != ERR_OK) {
        return code;
    }
    if (!reserve_stored(ledger, 1)) {
        return error_set(err, ERR_MEMORY, "an own record");
    }
    struct run run = {.item = ledger->stored, .count = 1};
    struct pairs_taken taken = {.outcome = PAIRS_STORED};
    enum pairs_outcome attached = PAIRS_STORED;
    code = record_decode(raw, &run.item[0].record, err);
    if (code == ERR_OK) {
        run.item[0].id = identity_record(raw);
        code = attach(ledger, &run, &taken, &attached, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    INVARIANT(attached == PAIRS_STORED);
    return store_run(ledger, &run, 1, &taken, err);
}
