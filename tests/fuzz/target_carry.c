/*
 * target_carry.c: any bytes as a carry file. Nothing gets into a ledger that is not signed by a
 * station that was admitted, and nothing before the event's `found`; the ledger verifies; what got
 * in does not depend on how the file was cut into steps; and once taken, the file brings nothing
 * more.
 */
#include "tests/fuzz/event.h"

#include "common/carry.h"
#include "common/cose.h"
#include "common/ledger_sql.h"

#include <stdlib.h>
#include <string.h>

enum { PIECES_MAX = 400, STEPS_MAX = 100000 };

/* ---- taking ---- */

static struct carry_report carry(struct ledger *ledger, struct slice file, size_t step) {
    struct carry_in *in = NULL;
    struct error err;
    bool done = false;
    size_t steps = 0;
    fuzz_must(carry_in_new(ledger, file, &in, &err), &err);
    while (!done) {
        fuzz_must(carry_in_step(in, step, &done, &err), &err);
        FUZZ_CHECK(steps++ < STEPS_MAX, "it does not come to an end");
    }
    struct carry_report report = carry_in_report(in);
    carry_in_free(in);
    return report;
}

static void check_report(const struct carry_report *report, const struct ledger *ledger,
                         uint64_t held) {
    (void)ledger;
    FUZZ_CHECK(report->stored <= report->records && report->stored == held,
               "%llu stored of %llu, %llu held", (unsigned long long)report->stored,
               (unsigned long long)report->records, (unsigned long long)held);
    uint64_t told = report->stored + report->foreign + report->denied;
    FUZZ_CHECK(told <= report->records, "%llu told of %llu", (unsigned long long)told,
               (unsigned long long)report->records);
}

/* ---- what got in, looked at without the ledger's own eyes ---- */

struct held {
    struct record record;
    struct record_id id;
    bool followed;
};

static bool is_admitted(const struct held *held, size_t count, const struct sign_public *key,
                        const struct sign_public *root, unsigned depth);

/* The key that a held log's `open` names. */
static bool key_of(const struct held *held, size_t count, const struct log_id *log,
                   struct sign_public *key) {
    for (size_t i = 0; i < count; i++) {
        struct record_open open;
        if (ID_EQUAL(held[i].record.log, *log) && held[i].record.number == 1 &&
            record_open_read(held[i].record.body, &open)) {
            struct log_id made = identity_log(&open.key, &open.incarnation);
            *key = open.key;
            return ID_EQUAL(made, *log);
        }
    }
    return false;
}

/* Named in a held admit by the root, or by a key that the root ever named lead. */
static bool is_admitted(const struct held *held, size_t count, const struct sign_public *key,
                        const struct sign_public *root, unsigned depth) {
    if (ID_EQUAL(*key, *root)) {
        return true;
    }
    for (size_t i = 0; i < count; i++) {
        struct record_admit admit;
        struct sign_public author;
        if (held[i].record.kind != RECORD_ADMIT ||
            !record_admit_read(held[i].record.body, &admit) || !ID_EQUAL(admit.key, *key) ||
            !key_of(held, count, &held[i].record.log, &author)) {
            continue;
        }
        if (ID_EQUAL(author, *root) && (depth == 0 || admit.role == ROLE_LEAD)) {
            return true;
        }
        if (depth == 0 && is_admitted(held, count, &author, root, 1)) {
            return true;
        }
    }
    return false;
}

static void check_one(struct held *held, size_t count, size_t at,
                      const struct ledger_event *event) {
    struct sign_public key;
    const struct record *record = &held[at].record;
    FUZZ_CHECK(key_of(held, count, &record->log, &key), "a log without its open");
    FUZZ_CHECK(is_admitted(held, count, &key, &event->root, 0), "a log of nobody's");
    FUZZ_CHECK(held[at].followed || record_verify(record, &event->event, &key),
               "number %llu is the last of its chain and is not signed",
               (unsigned long long)record->number);
}

static void note_previous(struct held *held, size_t count, const struct record *record) {
    size_t found = 0;
    for (size_t i = 0; record->has_previous && i < count; i++) {
        if (ID_EQUAL(held[i].id, record->previous)) {
            held[i].followed = true;
            found++;
            FUZZ_CHECK(held[i].record.number + 1 == record->number &&
                           ID_EQUAL(held[i].record.log, record->log),
                       "number %llu follows another", (unsigned long long)record->number);
        }
    }
    FUZZ_CHECK(!record->has_previous || found == 1, "%zu records before number %llu", found,
               (unsigned long long)record->number);
}

static bool is_found(const struct record *record) {
    const struct ledger_event *event = &fuzz_event()->world.event;
    if (record->kind != RECORD_FOUND || record->number != 2) {
        return false;
    }
    struct event_id made = identity_event(&event->root, record->body);
    return ID_EQUAL(made, event->event);
}

/* What the event is bears on what nearly all else means, so nothing but the beginnings of logs was
 * taken before it. (Rows are in the order of arrival.) */
static void check_found_came_first(const struct ledger *ledger) {
    sqlite3_stmt *statement = NULL;
    FUZZ_CHECK(sqlite3_prepare_v2(ledger->db, "SELECT raw FROM record ORDER BY rid", -1, &statement,
                                  NULL) == SQLITE_OK,
               "%s", sqlite3_errmsg(ledger->db));
    while (sqlite3_step(statement) == SQLITE_ROW) {
        struct slice raw =
            slice_of(sqlite3_column_blob(statement, 0), (size_t)sqlite3_column_bytes(statement, 0));
        struct record record;
        struct error err;
        fuzz_must(record_decode(raw, &record, &err), &err);
        if (is_found(&record)) {
            break;
        }
        FUZZ_CHECK(record.number == 1, "number %llu was taken before `found`",
                   (unsigned long long)record.number);
    }
    sqlite3_finalize(statement);
}

static void check_held(struct ledger *ledger) {
    struct ledger_event event = ledger_event(ledger);
    struct error err;
    size_t count = 0;
    struct slice *raw = world_records(ledger, &count);
    struct held *held = calloc(count + 1, sizeof *held);
    FUZZ_CHECK(held != NULL, "out of memory");
    for (size_t i = 0; i < count; i++) {
        fuzz_must(record_decode(raw[i], &held[i].record, &err), &err);
        held[i].id = identity_record(raw[i]);
    }
    for (size_t i = 0; i < count; i++) {
        note_previous(held, count, &held[i].record);
    }
    for (size_t i = 0; i < count; i++) {
        check_one(held, count, i, &event);
    }
    check_found_came_first(ledger);
    free(held);
    world_records_free(raw, count);
}

static void check_same(struct ledger *a, struct ledger *b, const char *why) {
    struct digest32 heads = ledger_heads_hash(a), heads_b = ledger_heads_hash(b);
    struct digest32 state = pairs_state_hash(a), state_b = pairs_state_hash(b);
    FUZZ_CHECK(ID_EQUAL(heads, heads_b), "%s: other records", why);
    FUZZ_CHECK(ID_EQUAL(state, state_b), "%s: another state", why);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    static const size_t step[] = {1, 7, 64, 5000};
    struct slice file = slice_of(data, size);
    struct ledger_event named;
    struct error err;
    const struct world *world = &fuzz_event()->world;
    struct ledger *one = world_ledger(world), *other = world_ledger(world);
    enum error_code code = carry_event(file, &named, &err);
    FUZZ_CHECK(code == ERR_OK || code == ERR_FORM || code == ERR_NOT_FOUND, "%s", error_name(code));
    struct carry_report report = carry(one, file, step[size % 4]);
    check_report(&report, one, ledger_count(one));
    check_held(one);
    fuzz_must(pairs_verify(one, false, &err), &err);
    struct carry_report again = carry(one, file, 64);
    FUZZ_CHECK(again.stored == 0, "%llu more at the second time", (unsigned long long)again.stored);
    /* The same records in the order of another ledger, so hash what they mean and not how they
     * came. */
    world_give_ledger(one, other);
    check_same(one, other, "in another order");
    ledger_close(one);
    ledger_close(other);
    return 0;
}

/* ---- mutator: records move, go, come twice, change and are signed again ---- */

struct pieces {
    struct buffer piece[PIECES_MAX];
    size_t count;
};

static void cut(struct pieces *pieces, struct slice file) {
    while (file.size > 0 && pieces->count < PIECES_MAX) {
        bool whole = false;
        size_t size = record_size_at(file, &whole);
        size = size == 0 || pieces->count == PIECES_MAX - 1 ? file.size : size;
        buffer_init(&pieces->piece[pieces->count]);
        buffer_append(&pieces->piece[pieces->count++], file.data, size);
        file = slice_of(file.data + size, file.size - size);
    }
}

/* What named the old record as its predecessor follows the new one, signed again, and so on. */
static void rechain(struct pieces *pieces, struct slice old, struct slice now) {
    struct record_id before = identity_record(old), after = identity_record(now);
    for (size_t i = 0; i < pieces->count; i++) {
        struct buffer *piece = &pieces->piece[i];
        struct buffer payload, made, was;
        struct record record;
        struct error err;
        if (record_decode(buffer_slice(piece), &record, &err) != ERR_OK || !record.has_previous ||
            !ID_EQUAL(record.previous, before) || fuzz_event_keys(&record.log) == NULL) {
            continue;
        }
        buffer_init(&payload);
        buffer_init(&made);
        buffer_append_slice(&payload, record.payload);
        uint8_t *place = memmem(payload.data, payload.size, before.bytes, sizeof before.bytes);
        memcpy(place, after.bytes, sizeof after.bytes);
        fuzz_sign(buffer_slice(&payload), fuzz_event_keys(&record.log), &made);
        was = *piece;
        *piece = made;
        rechain(pieces, buffer_slice(&was), buffer_slice(piece));
        buffer_release(&was);
        buffer_release(&payload);
    }
}

static void change_signed(struct pieces *pieces, size_t at, struct fuzz_chance *chance) {
    struct buffer *piece = &pieces->piece[at];
    struct buffer payload, made, was;
    struct record record;
    struct error err;
    if (record_decode(buffer_slice(piece), &record, &err) != ERR_OK ||
        fuzz_event_keys(&record.log) == NULL) {
        fuzz_mutate_cbor(piece, chance);
        return;
    }
    buffer_init(&payload);
    buffer_init(&made);
    buffer_append_slice(&payload, record.payload);
    fuzz_mutate_cbor(&payload, chance);
    fuzz_sign(buffer_slice(&payload), fuzz_event_keys(&record.log), &made);
    was = *piece;
    *piece = made;
    if (fuzz_below(chance, 4) > 0) {
        rechain(pieces, buffer_slice(&was), buffer_slice(piece));
    }
    buffer_release(&was);
    buffer_release(&payload);
}

static void insert(struct pieces *pieces, size_t at, struct slice bytes) {
    if (pieces->count == PIECES_MAX) {
        return;
    }
    memmove(&pieces->piece[at + 1], &pieces->piece[at],
            (pieces->count - at) * sizeof pieces->piece[0]);
    buffer_init(&pieces->piece[at]);
    buffer_append_slice(&pieces->piece[at], bytes);
    pieces->count++;
}

static void change_order(struct pieces *pieces, size_t at, size_t to, struct fuzz_chance *chance) {
    const struct fuzz_event *event = fuzz_event();
    struct buffer moved = pieces->piece[at];
    switch (fuzz_below(chance, 4)) {
    case 0:
        pieces->piece[at] = pieces->piece[to];
        pieces->piece[to] = moved;
        break;
    case 1:
        buffer_release(&moved);
        pieces->count--;
        memmove(&pieces->piece[at], &pieces->piece[at + 1],
                (pieces->count - at) * sizeof pieces->piece[0]);
        break;
    case 2:
        insert(pieces, to, buffer_slice(&moved));
        break;
    default:
        insert(pieces, to, event->record[fuzz_below(chance, (uint32_t)event->count)]);
        break;
    }
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t size_max, unsigned seed) {
    static struct pieces pieces;
    struct fuzz_chance chance = fuzz_chance_of(seed);
    struct buffer out;
    if (size == 0 || fuzz_below(&chance, 6) == 0) {
        return LLVMFuzzerMutate(data, size, size_max);
    }
    pieces.count = 0;
    cut(&pieces, slice_of(data, size));
    for (uint32_t i = fuzz_below(&chance, 3) + 1; i > 0 && pieces.count > 0; i--) {
        size_t at = fuzz_below(&chance, (uint32_t)pieces.count);
        size_t to = fuzz_below(&chance, (uint32_t)pieces.count);
        if (fuzz_below(&chance, 2) == 0) {
            change_signed(&pieces, at, &chance);
        } else {
            change_order(&pieces, at, to, &chance);
        }
    }
    buffer_init(&out);
    for (size_t i = 0; i < pieces.count; i++) {
        buffer_append_slice(&out, buffer_slice(&pieces.piece[i]));
        buffer_release(&pieces.piece[i]);
    }
    size_t made = fuzz_hand_back(&out, data, size_max);
    buffer_release(&out);
    return made;
}
