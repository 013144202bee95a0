/*
 * pairs_station.c: the stations as people see them, proofs of admission, and whose numbers are
 * whose.
 */
#include "common/pairs_state.h"

#include "common/canon.h"

#include <string.h>
#include <strings.h>

static void from_standing(const struct standing *standing, struct pairs_station *out) {
    memset(out, 0, sizeof *out);
    out->key = standing->key;
    out->curve = standing->curve;
    memcpy(out->name, standing->name, sizeof out->name);
    out->role = standing->role;
    out->dead = standing->retired == RETIRED_DEAD;
    out->stolen = standing->retired == RETIRED_STOLEN;
}

static enum error_code none_such(struct error *err) {
    return error_set(err, ERR_NOT_FOUND, "no such station is admitted, as far as is known here");
}

enum error_code pairs_station(struct ledger *ledger, const struct sign_public *key,
                              struct pairs_station *out, struct error *err) {
    const struct pairs *pairs = pairs_of(ledger, err);
    if (pairs == NULL) {
        return err->code;
    }
    const struct standing *standing = standing_of(pairs, key);
    if (standing == NULL) {
        return none_such(err);
    }
    from_standing(standing, out);
    return ERR_OK;
}

enum error_code pairs_station_by_curve(struct ledger *ledger, const struct curve_public *curve,
                                       struct pairs_station *out, struct error *err) {
    const struct pairs *pairs = pairs_of(ledger, err);
    if (pairs == NULL) {
        return err->code;
    }
    for (size_t i = 0; i < pairs->standing_count; i++) {
        if (pairs->standing[i].role != ROLE_NONE && ID_EQUAL(pairs->standing[i].curve, *curve)) {
            from_standing(&pairs->standing[i], out);
            return ERR_OK;
        }
    }
    return none_such(err);
}

enum error_code pairs_station_by_name(struct ledger *ledger, const char *name,
                                      struct pairs_station *out, struct error *err) {
    const struct pairs *pairs = pairs_of(ledger, err);
    if (pairs == NULL) {
        return err->code;
    }
    const struct standing *found = NULL;
    for (size_t i = 0; i < pairs->standing_count; i++) {
        const struct standing *other = &pairs->standing[i];
        bool better =
            found == NULL || (found->retired != RETIRED_NOT && other->retired == RETIRED_NOT);
        if (name[0] != '\0' && strcasecmp(other->name, name) == 0 && better) {
            found = other;
        }
    }
    if (found == NULL) {
        return none_such(err);
    }
    from_standing(found, out);
    return ERR_OK;
}

uint64_t pairs_standing_epoch(struct ledger *ledger) {
    struct error unused;
    const struct pairs *pairs = pairs_of(ledger, &unused);
    return pairs == NULL ? 0 : pairs->standing_epoch;
}

/* ---- what a station's logs say ---- */

/* Whether some log of the same key goes on from this one. */
static bool is_followed(const struct ledger *ledger, uint32_t chain) {
    for (size_t i = 0; i < ledger->tree.count; i++) {
        struct clock_position follows = ledger->tree.chain[i].follows;
        if (follows.chain != CLOCK_NO_CHAIN && i != chain &&
            ledger->tree.chain[follows.chain].log == ledger->tree.chain[chain].log &&
            ID_EQUAL(ledger->chain[i].key, ledger->chain[chain].key)) {
            return true;
        }
    }
    return false;
}

/* Whether the log that this chain's `open` follows is missing here. */
static enum error_code follows_missing(struct ledger *ledger, uint32_t chain, bool *missing,
                                       struct error *err) {
    bool row = false;
    *missing = false;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_SEEN_FOLLOWS_MISSING, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_u64(statement, 1, chain);
    enum error_code code = ledger_row(ledger, statement, &row, err);
    sqlite3_reset(statement);
    *missing = row;
    return code;
}

static enum error_code look_at_chain(struct ledger *ledger, uint32_t chain, struct buffer *raw,
                                     struct pairs_station *out, struct error *err) {
    struct record record;
    struct clock_position at;
    bool found = false, missing = false;
    int64_t rid = 0;
    enum error_code code =
        ledger_find(ledger, &ledger->chain[chain].head_id, &rid, &at, &found, err);
    if (code == ERR_OK && !found) {
        code = error_set(err, ERR_DAMAGED, "the head of a log is not held");
    }
    if (code == ERR_OK) {
        code = ledger_record(ledger, rid, raw, &record, err);
    }
    if (code == ERR_OK) {
        code = follows_missing(ledger, chain, &missing, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    bool ended = record.kind == RECORD_CLOSE || is_followed(ledger, chain);
    out->closed = (out->closed || !out->heard) && ended && !missing;
    if (!out->heard || out->last.ms < record.wall.ms) {
        out->last = record.wall;
    }
    out->heard = true;
    return ERR_OK;
}

static enum error_code read_addresses(struct ledger *ledger, const struct standing *standing,
                                      struct buffer *raw, struct pairs_station *out,
                                      struct error *err) {
    struct record record;
    struct record_admit admit;
    if (standing->admit_rid == 0) {
        return ERR_OK;
    }
    enum error_code code = ledger_record(ledger, standing->admit_rid, raw, &record, err);
    if (code != ERR_OK || !record_admit_read(record.body, &admit)) {
        return code;
    }
    for (size_t i = 0; i < admit.address_count; i++) {
        if (admit.address[i].size < sizeof out->address[0]) {
            memcpy(out->address[out->address_count], admit.address[i].data, admit.address[i].size);
            out->address[out->address_count++][admit.address[i].size] = '\0';
        }
    }
    return ERR_OK;
}

static enum error_code describe(struct ledger *ledger, const struct standing *standing,
                                struct buffer *raw, struct pairs_station *out, struct error *err) {
    bool row = false;
    from_standing(standing, out);
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ISSUE_COUNT_OF_KEY, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, standing->key.bytes, sizeof standing->key.bytes);
    enum error_code code = ledger_row(ledger, statement, &row, err);
    if (code == ERR_OK && row) {
        out->issues = sql_column_u64(statement, 0);
    }
    sqlite3_reset(statement);
    for (uint32_t i = 0; code == ERR_OK && i < ledger->tree.count; i++) {
        if (ID_EQUAL(ledger->chain[i].key, standing->key)) {
            code = look_at_chain(ledger, i, raw, out, err);
        }
    }
    return code == ERR_OK ? read_addresses(ledger, standing, raw, out, err) : code;
}

enum error_code pairs_each_station(struct ledger *ledger,
                                   bool (*each)(void *context, const struct pairs_station *),
                                   void *context, struct error *err) {
    struct buffer raw;
    const struct pairs *pairs = pairs_of(ledger, err);
    enum error_code code = ERR_OK;
    bool more = true;
    if (pairs == NULL) {
        return err->code;
    }
    buffer_init(&raw);
    for (size_t i = 0; code == ERR_OK && more && i < pairs->standing_count; i++) {
        struct pairs_station station;
        code = describe(ledger, &pairs->standing[i], &raw, &station, err);
        if (code == ERR_OK) {
            more = each(context, &station);
        }
    }
    buffer_release(&raw);
    return code;
}

/* ---- proofs ---- */

static enum error_code put_proof(struct ledger *ledger, int64_t rid, struct buffer *raw,
                                 struct buffer *out, struct error *err) {
    struct record record;
    struct sign_public author;
    enum error_code code = ledger_record(ledger, rid, raw, &record, err);
    if (code == ERR_OK && !ledger_log_key(ledger, &record.log, &author)) {
        code = error_set(err, ERR_DAMAGED, "an admit of no log");
    }
    if (code != ERR_OK) {
        return code;
    }
    canon_put_array(out, 2);
    canon_put_bytes(out, slice_of(author.bytes, sizeof author.bytes));
    canon_put_bytes(out, record.raw);
    return out->failed ? error_set(err, ERR_MEMORY, "a proof") : ERR_OK;
}

enum error_code pairs_admit_proof(struct ledger *ledger, const struct sign_public *key,
                                  struct buffer *out, struct error *err) {
    struct buffer raw;
    struct record record;
    struct sign_public author;
    const struct pairs *pairs = pairs_of(ledger, err);
    if (pairs == NULL) {
        return err->code;
    }
    const struct standing *own = standing_of(pairs, key), *lead = NULL;
    if (own == NULL || own->admit_rid == 0) {
        return none_such(err);
    }
    buffer_init(&raw);
    enum error_code code = ledger_record(ledger, own->admit_rid, &raw, &record, err);
    if (code == ERR_OK && !ledger_log_key(ledger, &record.log, &author)) {
        code = error_set(err, ERR_DAMAGED, "an admit of no log");
    }
    if (code == ERR_OK && !ID_EQUAL(author, ledger->event.root)) {
        lead = standing_of(pairs, &author);
    }
    if (code == ERR_OK) {
        bool by_lead = lead != NULL && lead->admit_rid != 0;
        canon_put_array(out, by_lead ? 2 : 1);
        if (by_lead) {
            code = put_proof(ledger, lead->admit_rid, &raw, out, err);
        }
    }
    if (code == ERR_OK) {
        code = put_proof(ledger, own->admit_rid, &raw, out, err);
    }
    buffer_release(&raw);
    return code;
}

/* One link: an admit signed by `author`. */
static enum error_code check_link(const struct ledger_event *event, struct canon_reader *reader,
                                  const struct sign_public *author, struct record_admit *admit,
                                  struct error *err) {
    struct sign_public named = {{0}};
    struct slice raw = {NULL, 0};
    struct record record;
    size_t count = 0;
    if (!canon_get_array(reader, &count) || count != 2 ||
        !canon_get_exact(reader, named.bytes, sizeof named.bytes) ||
        !canon_get_bytes(reader, &raw)) {
        return error_set(err, ERR_FORM, "a link of the proof is no pair");
    }
    enum error_code code = record_decode(raw, &record, err);
    if (code != ERR_OK) {
        return code;
    }
    if (record.kind != RECORD_ADMIT || !record_admit_read(record.body, admit) ||
        !identity_admissible(&admit->key, &admit->curve)) {
        return error_set(err, ERR_FORM, "a link of the proof is no admit");
    }
    if (!ID_EQUAL(named, *author)) {
        return error_set(err, ERR_NOT_ALLOWED, "the proof does not begin with the root");
    }
    if (!record_verify(&record, &event->event, author)) {
        return error_set(err, ERR_SIGNATURE, "a link of the proof does not verify");
    }
    return ERR_OK;
}

enum error_code pairs_admit_proven(const struct ledger_event *event, struct slice proof,
                                   struct record_admit *admit, struct error *err) {
    struct canon_reader reader = canon_read(proof);
    struct record_admit lead = {.role = ROLE_NONE};
    size_t links = 0;
    if (!canon_get_array(&reader, &links) || links < 1 || links > 2) {
        return error_set(err, ERR_FORM, "a proof has one link or two");
    }
    enum error_code code =
        check_link(event, &reader, &event->root, links == 2 ? &lead : admit, err);
    if (code == ERR_OK && links == 2) {
        if (lead.role != ROLE_LEAD) {
            return error_set(err, ERR_NOT_ALLOWED, "the proof's first link names no lead");
        }
        code = check_link(event, &reader, &lead.key, admit, err);
        if (code == ERR_OK && admit->role > ROLE_TABLE) {
            code = error_set(err, ERR_NOT_ALLOWED, "a lead cannot admit a lead");
        }
    }
    if (code == ERR_OK && !canon_done(&reader)) {
        code = error_set(err, ERR_FORM, "bytes behind the proof");
    }
    return code;
}

/* ---- whose numbers ---- */

enum error_code pairs_owner(struct ledger *ledger, uint64_t number, struct pairs_station *out,
                            struct error *err) {
    struct sign_public best;
    struct clock_position best_at = {CLOCK_NO_CHAIN, 0};
    uint64_t faults = ledger->faults;
    bool row = true;
    enum error_code code;
    if (number > INT64_MAX) {
        return none_such(err);
    }
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ALLOT_FIND, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_u64(statement, 1, number);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        struct clock_position at = {(uint32_t)sqlite3_column_int(statement, 2),
                                    sql_column_u64(statement, 3)};
        struct sign_public key;
        if (!sql_column_bytes(statement, 1, &key, sizeof key)) {
            continue;
        }
        if (best_at.chain == CLOCK_NO_CHAIN || ledger_covers(ledger, at, best_at)) {
            best = key;
            best_at = at;
        }
    }
    code = ledger_since(ledger, faults, code, err);
    if (code != ERR_OK) {
        return code;
    }
    return best_at.chain == CLOCK_NO_CHAIN ? none_such(err)
                                           : pairs_station(ledger, &best, out, err);
}

enum error_code pairs_allotted(struct ledger *ledger, const struct sign_public *key,
                               struct bib_ranges *out, struct error *err) {
    bool row = true;
    enum error_code code;
    memset(out, 0, sizeof *out);
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ALLOT_OF_KEY, err);
    if (statement == NULL) {
        return err->code;
    }
    sql_bind_bytes(statement, 1, key->bytes, sizeof key->bytes);
    while ((code = ledger_row(ledger, statement, &row, err)) == ERR_OK && row) {
        if (out->count < BIB_RANGES_MAX) {
            out->range[out->count++] =
                (struct bib_range){sql_column_u64(statement, 0), sql_column_u64(statement, 1)};
        }
    }
    return code;
}
