/* event.c: see event.h. */
#include "tests/fuzz/event.h"

#include "common/canon.h"
#include "common/cose.h"

#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LONG_LOG = 131 /* one more than RECORD_VERIFY_EVERY, and `open` */ };

static struct fuzz_event event;
static bool made;

void fuzz_must(enum error_code code, const struct error *err) {
    FUZZ_CHECK(code == ERR_OK, "%s: %s (%s)", error_name(code), err->say, err->cause);
}

/* ---- history ---- */

static void open_log(struct world *world, size_t at) {
    struct incarnation incarnation = {{(uint8_t)at, 1}};
    struct world_station *station = &world->station[at];
    struct error err;
    fuzz_must(pairs_begin(station->ledger, &err), &err);
    fuzz_must(pairs_author_open(station->ledger, &station->keys, &incarnation, NULL,
                                (struct wall_ms){world->wall++}, (struct mono_ms){0},
                                &station->author, &err),
              &err);
    fuzz_must(pairs_commit(station->ledger, &err), &err);
}

/* A table that `by` lets in. */
static void let_in(struct world *world, size_t by, const char *name) {
    size_t at = world->count++;
    struct world_station *station = &world->station[at];
    snprintf(station->name, sizeof station->name, "%s", name);
    world_keys((unsigned)at + 1, &station->keys);
    world_admit(world, by, &station->keys, name, ROLE_TABLE);
    station->ledger = world_ledger(world);
    world_give(world, by, at);
    open_log(world, at);
}

static void write_short(struct world *world, size_t at, uint64_t kind, uint64_t value) {
    struct buffer body;
    buffer_init(&body);
    canon_put_map(&body, 1);
    canon_put_uint(&body, 1);
    canon_put_uint(&body, value);
    world_write(world, at, kind, buffer_slice(&body));
    buffer_release(&body);
}

static void allot(struct world *world, size_t by, size_t to) {
    struct record_allot body = {.key = world->station[to].keys.sign_public,
                                .bibs = {1, {{100, 299}}}};
    struct buffer bytes;
    buffer_init(&bytes);
    record_allot_write(&body, &bytes);
    world_write(world, by, RECORD_ALLOT, buffer_slice(&bytes));
    buffer_release(&bytes);
}

/* Two machines write the same log. */
static void fork_log(struct world *world, size_t at, size_t elsewhere) {
    struct pairs_author kept = world->station[at].author;
    world_give(world, at, elsewhere);
    world_issue(world, at, "40", 0, 0, NULL, NULL);
    struct world_station swap = world->station[at];
    world->station[at].ledger = world->station[elsewhere].ledger;
    world->station[at].author = kept;
    world_issue(world, at, "41", 0, 0, NULL, NULL);
    world->station[at] = swap;
}

static void gather(struct world *world, size_t to) {
    for (size_t i = 0; i < world->count; i++) {
        if (i != to) {
            world_give(world, i, to);
        }
    }
}

/* Doubles, replacements, voids of all kinds. */
static void live(struct world *world) {
    struct record_id mine = world_issue(world, EVENT_SELF, "10", 0, 0, NULL, NULL);
    struct record_id other = world_issue(world, EVENT_TABLE, "10", 0, 77, NULL, NULL);
    gather(world, EVENT_LEAD);
    gather(world, EVENT_SECOND);
    world_void(world, EVENT_LEAD, &mine, 1);
    world_void(world, EVENT_SECOND, &other, 1);
    struct record_id first = world_issue(world, EVENT_TABLE, "11", 0, 78, NULL, NULL);
    world_issue(world, EVENT_TABLE, "11", 0, 79, &first, NULL);
    first = world_issue(world, EVENT_SELF, "12", 0, 0, NULL, NULL);
    world_issue(world, EVENT_SELF, "12", 0, 80, NULL, &first);
    world_issue(world, EVENT_SELF, "13", 0, 80, NULL, NULL);
    world_issue(world, EVENT_DEAD, "13", 0, 80, NULL, NULL);
    allot(world, EVENT_LEAD, EVENT_TABLE);
    write_short(world, EVENT_TABLE, 77, 5);           /* of a later program */
    write_short(world, EVENT_TABLE, RECORD_ALLOT, 5); /* no allotment: unreadable */
    write_short(world, EVENT_DEAD, RECORD_CLOSE, 3);
}

static void tickets(struct world *world) {
    struct record_ticket ticket = {.entry_count = 2, .expires = {1800000000000}};
    struct record_cancel cancel = {.ticket_count = 1, .reason = slice_text("printed twice")};
    struct buffer body;
    buffer_init(&body);
    for (uint8_t i = 0; i < 2; i++) {
        ticket.entry[i].id.bytes[0] = i;
        ticket.entry[i].hash.bytes[0] = i;
        ticket.entry[i].name = slice_text("Table 8");
        ticket.entry[i].role = ROLE_TABLE;
        ticket.entry[i].bibs = (struct bib_ranges){i, {{300, 399}}};
    }
    record_ticket_write(&ticket, &body);
    world_write(world, EVENT_LEAD, RECORD_TICKET, buffer_slice(&body));
    buffer_clear(&body);
    cancel.ticket[0] = ticket.entry[1].id;
    record_cancel_write(&cancel, &body);
    world_write(world, EVENT_LEAD, RECORD_CANCEL, buffer_slice(&body));
    buffer_release(&body);
}

static void put_out(struct world *world) {
    const struct world_station *stolen = &world->station[EVENT_STOLEN];
    struct record_head head = {stolen->author.log, stolen->author.number, stolen->author.head};
    world_issue(world, EVENT_STOLEN, "50", 0, 0, NULL, NULL);
    gather(world, EVENT_LEAD);
    world_retire(world, EVENT_LEAD, &stolen->keys.sign_public, &head, 1, true);
    world_retire(world, EVENT_LEAD, &world->station[EVENT_DEAD].keys.sign_public, NULL, 0, false);
}

static void make(void) {
    struct world *world = &event.world;
    FUZZ_CHECK(sodium_init() >= 0, "no randomness");
#ifdef BIBWEAVE_FUZZ
    fuzz_sqlite_memory();
#endif
    world_new(world, false);
    world_join(world, "Table 1", ROLE_TABLE);
    world_join(world, "Table 2", ROLE_TABLE);
    world_join(world, "Table 3", ROLE_TABLE);
    world_join(world, "Second lead", ROLE_LEAD);
    gather(world, EVENT_SELF);
    world_issue(world, EVENT_SELF, "1", 0, 0, NULL, NULL);
    world_issue(world, EVENT_SELF, "2", 0, 0, NULL, NULL);
    event.early = world_records(world->station[EVENT_SELF].ledger, &event.early_count);
    event.at_head = world->station[EVENT_SELF].author.head;
    let_in(world, EVENT_SECOND, "Table 5");
    let_in(world, EVENT_LEAD, "Table 6");
    FUZZ_CHECK(world->count == EVENT_STATIONS, "%zu stations", world->count);
    live(world);
    fork_log(world, EVENT_TABLE, EVENT_SECOND);
    put_out(world);
    tickets(world);
    for (unsigned i = 0; i < LONG_LOG; i++) {
        char bib[8];
        snprintf(bib, sizeof bib, "%u", 1000 + i);
        world_issue(world, EVENT_LATE, bib, 0, 0, NULL, NULL);
    }
    gather(world, EVENT_LEAD);
    event.record = world_records(world->station[EVENT_LEAD].ledger, &event.count);
    world_keys(EVENT_STRANGER_SEED, &event.stranger);
}

const struct fuzz_event *fuzz_event(void) {
    if (!made) {
        made = true;
        make();
    }
    return &event;
}

/* ---- keys and signatures ---- */

const struct station_keys *fuzz_event_keys(const struct log_id *log) {
    const struct world *world = &fuzz_event()->world;
    if (ID_EQUAL(world->root_author.log, *log)) {
        return &world->root;
    }
    for (size_t i = 0; i < world->count; i++) {
        if (ID_EQUAL(world->station[i].author.log, *log)) {
            return &world->station[i].keys;
        }
    }
    return NULL;
}

void fuzz_sign(struct slice payload, const struct station_keys *keys, struct buffer *out) {
    static const uint8_t protected_header[] = {0xA1, 0x01, 0x27};
    static const uint8_t start[] = {0xD2, 0x84, 0x43, 0xA1, 0x01, 0x27, 0xA0};
    const struct ledger_event *of = &fuzz_event()->world.event;
    uint8_t signature[64] = {0};
    struct error err;
    /* What is too long to be signed gets no signature; it is refused anyhow. */
    enum error_code code = cose_sign(slice_of(protected_header, sizeof protected_header),
                                     slice_of(of->event.bytes, sizeof of->event.bytes), payload,
                                     &keys->sign_secret, signature, &err);
    FUZZ_CHECK(code == ERR_OK || code == ERR_LIMIT, "%s", error_name(code));
    buffer_append(out, start, sizeof start);
    canon_put_bytes(out, payload);
    canon_put_bytes(out, slice_of(signature, sizeof signature));
}

/* ---- ledgers ---- */

static bool same_run(struct slice a, struct slice b) {
    struct record left, right;
    struct error err;
    fuzz_must(record_decode(a, &left, &err), &err);
    fuzz_must(record_decode(b, &right, &err), &err);
    struct record_id id = identity_record(a);
    return right.has_previous && ID_EQUAL(id, right.previous);
}

void fuzz_ledger_take(struct ledger *ledger, const struct slice *records, size_t count) {
    struct error err;
    fuzz_must(pairs_begin(ledger, &err), &err);
    for (size_t i = 0, next = 0; i < count; i = next) {
        struct pairs_taken taken;
        for (next = i + 1; next < count && same_run(records[next - 1], records[next]);) {
            next++;
        }
        fuzz_must(pairs_take(ledger, records + i, next - i, &taken, &err), &err);
        FUZZ_CHECK(taken.outcome == PAIRS_STORED, "outcome %d: %s", (int)taken.outcome,
                   taken.why.cause);
    }
    fuzz_must(pairs_commit(ledger, &err), &err);
}

struct ledger *fuzz_ledger(const struct slice *records, size_t count) {
    struct ledger *ledger = world_ledger(&fuzz_event()->world);
    fuzz_ledger_take(ledger, records, count);
    return ledger;
}
