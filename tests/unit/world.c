/* world.c: see world.h. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/world.h"

static void check(enum error_code code, const struct error *err) {
    if (code != ERR_OK) {
        fail_msg("%s: %s (%s)", error_name(code), err->say, err->cause);
    }
}

void world_keys(unsigned seed, struct station_keys *keys) {
    uint8_t sign[32] = {1}, curve[32] = {2};
    memcpy(sign + 4, &seed, sizeof seed);
    memcpy(curve + 4, &seed, sizeof seed);
    identity_keys(sign, curve, keys);
}

struct bib world_label(const char *text) {
    struct bib bib = {{0}};
    memcpy(bib.text, text, strlen(text));
    return bib;
}

struct ledger *world_ledger(const struct world *world) {
    struct ledger *ledger = NULL;
    struct error err;
    check(ledger_open(":memory:", NULL, &world->event, NULL, &ledger, &err), &err);
    return ledger;
}

static void open_log(struct world *world, struct ledger *ledger, const struct station_keys *keys,
                     struct pairs_author *author) {
    struct incarnation incarnation = {{0}};
    struct error err;
    unsigned number = ++world->seed;
    memcpy(incarnation.bytes, &number, sizeof number);
    check(pairs_begin(ledger, &err), &err);
    check(pairs_author_open(ledger, keys, &incarnation, NULL, (struct wall_ms){world->wall++},
                            (struct mono_ms){0}, author, &err),
          &err);
    check(pairs_commit(ledger, &err), &err);
}

static struct record_id append(struct world *world, struct ledger *ledger,
                               struct pairs_author *author, uint64_t kind, struct slice body) {
    struct record_id id;
    struct error err;
    check(pairs_begin(ledger, &err), &err);
    check(pairs_append(ledger, author, (enum record_kind)kind, body,
                       (struct wall_ms){world->wall++}, (struct mono_ms){0}, &id, &err),
          &err);
    check(pairs_commit(ledger, &err), &err);
    return id;
}

struct record_id world_write(struct world *world, size_t at, uint64_t kind, struct slice body) {
    struct world_station *station = &world->station[at];
    return append(world, station->ledger, &station->author, kind, body);
}

struct record_id world_root_write(struct world *world, enum record_kind kind, struct slice body) {
    return append(world, world->station[0].ledger, &world->root_author, kind, body);
}

static void put_admit(const struct station_keys *keys, const char *name, enum role role,
                      struct buffer *body) {
    struct record_admit admit = {.key = keys->sign_public,
                                 .curve = keys->curve_public,
                                 .name = slice_text(name),
                                 .role = role};
    buffer_init(body);
    record_admit_write(&admit, body);
}

struct record_id world_admit(struct world *world, size_t by, const struct station_keys *keys,
                             const char *name, enum role role) {
    struct buffer body;
    put_admit(keys, name, role, &body);
    struct record_id id = world_write(world, by, RECORD_ADMIT, buffer_slice(&body));
    buffer_release(&body);
    return id;
}

struct record_id world_root_admit(struct world *world, const struct station_keys *keys,
                                  const char *name, enum role role) {
    struct buffer body;
    put_admit(keys, name, role, &body);
    struct record_id id = world_root_write(world, RECORD_ADMIT, buffer_slice(&body));
    buffer_release(&body);
    return id;
}

struct record_id world_retire(struct world *world, size_t by, const struct sign_public *key,
                              const struct record_head *heads, size_t count, bool stolen) {
    struct buffer body;
    struct record_retire retire = {.key = *key,
                                   .how = stolen ? RETIRE_STOLEN : RETIRE_DEAD,
                                   .cutoff_count = count,
                                   .reason = slice_text("left on a bus")};
    for (size_t i = 0; i < count; i++) {
        retire.cutoff[i] = heads[i];
    }
    buffer_init(&body);
    record_retire_write(&retire, &body);
    struct record_id id = by == SIZE_MAX
                              ? world_root_write(world, RECORD_RETIRE, buffer_slice(&body))
                              : world_write(world, by, RECORD_RETIRE, buffer_slice(&body));
    buffer_release(&body);
    return id;
}

void world_new(struct world *world, bool epc_unique) {
    world_new_with(world, epc_unique, 1);
}

void world_new_with(struct world *world, bool epc_unique, unsigned tags_per_bib) {
    struct buffer body;
    memset(world, 0, sizeof *world);
    world->wall = 1800000000000;
    world_keys(9000, &world->root);
    struct record_found found = {.name = slice_text("Kettle Hill Run"),
                                 .start = slice_text("2027-05-16"),
                                 .bibs = {1, {{1, 2000}}},
                                 .category_count = 1,
                                 .epc_unique = epc_unique};
    found.category[0].name = slice_text("all");
    found.category[0].scheme.kind = epc_unique ? EPC_AS_READ : EPC_OWN;
    found.category[0].scheme.code = epc_unique ? 0 : 4711;
    found.category[0].tags_per_bib = (uint8_t)tags_per_bib;
    buffer_init(&body);
    record_found_write(&found, &body);
    world->event.root = world->root.sign_public;
    world->event.event = identity_event(&world->event.root, buffer_slice(&body));

    struct world_station *lead = &world->station[world->count++];
    strcpy(lead->name, "Lead");
    world_keys(1, &lead->keys);
    lead->ledger = world_ledger(world);
    open_log(world, lead->ledger, &world->root, &world->root_author);
    world_root_write(world, RECORD_FOUND, buffer_slice(&body));
    buffer_release(&body);
    world_root_admit(world, &lead->keys, lead->name, ROLE_LEAD);
    open_log(world, lead->ledger, &lead->keys, &lead->author);
}

void world_free(struct world *world) {
    for (size_t i = 0; i < world->count; i++) {
        ledger_close(world->station[i].ledger);
    }
}

size_t world_join(struct world *world, const char *name, enum role role) {
    size_t at = world->count++;
    struct world_station *station = &world->station[at];
    strcpy(station->name, name);
    world_keys((unsigned)at + 1, &station->keys);
    if (role == ROLE_LEAD) {
        world_root_admit(world, &station->keys, name, role);
    } else {
        world_admit(world, 0, &station->keys, name, role);
    }
    station->ledger = world_ledger(world);
    world_give(world, 0, at);
    open_log(world, station->ledger, &station->keys, &station->author);
    return at;
}

static void number_into(uint8_t *out, size_t size, unsigned number) {
    for (size_t i = 0; i < sizeof number; i++) {
        out[size - 1 - i] = (uint8_t)(number >> (8 * i));
    }
}

struct record_id world_issue(struct world *world, size_t at, const char *bib, unsigned epc,
                             unsigned tid, const struct record_id *replaces,
                             const struct record_id *extra) {
    struct buffer body;
    struct record_issue issue = {.bib = world_label(bib), .tag_count = 1, .how = ISSUE_TYPED};
    issue.tag[0].epc.size = 12;
    number_into(issue.tag[0].epc.data, 12, epc != 0 ? epc : (unsigned)strtoul(bib, NULL, 10));
    if (tid != 0) {
        issue.tag[0].tid.size = 12;
        issue.tag[0].tid.data[0] = 0xe2;
        number_into(issue.tag[0].tid.data, 12, tid);
    }
    if (replaces != NULL) {
        issue.replaces[issue.replaces_count++] = *replaces;
    }
    if (extra != NULL) {
        issue.extra[issue.extra_count++] = *extra;
    }
    buffer_init(&body);
    record_issue_write(&issue, &body);
    struct record_id id = world_write(world, at, RECORD_ISSUE, buffer_slice(&body));
    buffer_release(&body);
    return id;
}

struct record_id world_void(struct world *world, size_t at, const struct record_id *targets,
                            size_t count) {
    struct buffer body;
    struct record_void v = {
        .target_count = count, .reason = slice_text("wrong bib"), .chip = CHIP_DESTROYED};
    for (size_t i = 0; i < count; i++) {
        v.target[i] = targets[i];
    }
    buffer_init(&body);
    record_void_write(&v, &body);
    struct record_id id = world_write(world, at, RECORD_VOID, buffer_slice(&body));
    buffer_release(&body);
    return id;
}

/* ---- handing over ---- */

struct collected {
    struct slice *item;
    size_t count;
};

static bool collect(void *context, struct slice raw) {
    struct collected *list = context;
    uint8_t *copy = malloc(raw.size);
    assert_non_null(copy);
    assert_true(list->count < WORLD_RECORDS_MAX);
    memcpy(copy, raw.data, raw.size);
    list->item[list->count++] = slice_of(copy, raw.size);
    return true;
}

struct slice *world_records(struct ledger *ledger, size_t *count) {
    struct collected list = {calloc(WORLD_RECORDS_MAX, sizeof(struct slice)), 0};
    struct error err;
    assert_non_null(list.item);
    check(ledger_each(ledger, collect, &list, &err), &err);
    *count = list.count;
    return list.item;
}

void world_records_free(struct slice *records, size_t count) {
    for (size_t i = 0; i < count; i++) {
        free((void *)(uintptr_t)records[i].data);
    }
    free(records);
}

void world_take_all(struct ledger *ledger, const struct slice *records, size_t count) {
    struct error err;
    size_t stored = 1;
    while (stored > 0) {
        stored = 0;
        check(pairs_begin(ledger, &err), &err);
        for (size_t i = 0; i < count; i++) {
            struct pairs_taken taken;
            check(pairs_take(ledger, &records[i], 1, &taken, &err), &err);
            stored += taken.stored;
        }
        check(pairs_commit(ledger, &err), &err);
    }
}

void world_give_ledger(struct ledger *from, struct ledger *to) {
    size_t count = 0;
    struct slice *records = world_records(from, &count);
    world_take_all(to, records, count);
    world_records_free(records, count);
}

void world_give(struct world *world, size_t from, size_t to) {
    world_give_ledger(world->station[from].ledger, world->station[to].ledger);
}

struct pairs_bib world_bib(struct ledger *ledger, const char *bib) {
    struct bib label = world_label(bib);
    struct pairs_bib out;
    struct error err;
    check(pairs_bib(ledger, &label, &out, &err), &err);
    return out;
}

void assert_same_state(struct ledger *a, struct ledger *b) {
    char left[65], right[65];
    struct digest32 x = ledger_heads_hash(a), y = ledger_heads_hash(b);
    hex_encode(x.bytes, sizeof x.bytes, left);
    hex_encode(y.bytes, sizeof y.bytes, right);
    assert_string_equal(left, right);
    x = pairs_state_hash(a);
    y = pairs_state_hash(b);
    hex_encode(x.bytes, sizeof x.bytes, left);
    hex_encode(y.bytes, sizeof y.bytes, right);
    assert_string_equal(left, right);
}
