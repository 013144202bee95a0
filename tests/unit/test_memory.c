/*
 * test_memory.c: memory runs out at any moment. For every n, the n-th allocation of a call fails
 * (once, or it and all that follow), SQLite's allocations too. The call then says ERR_MEMORY or has
 * done all of its work; nothing is half done; the ledger verifies; and the same call works when
 * there is memory again.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <sodium.h>
#include <sqlite3.h>

#include "common/carry.h"
#include "common/sync.h"
#include "tests/unit/scarce.h"
#include "tests/unit/world.h"

/* ---- failing allocations ---- */

static struct {
    bool armed, stays, sqlite, failed;
    size_t left;  /* allocations until one fails */
    size_t count; /* seen while armed */
} fault;

bool scarce_fails(bool sqlite) {
    if (!fault.armed || sqlite != fault.sqlite) {
        return false;
    }
    fault.count++;
    if (fault.left > 1) {
        fault.left--;
        return false;
    }
    if (fault.left == 0) {
        return false;
    }
    fault.failed = true;
    fault.left = fault.stays ? 1 : 0;
    return true;
}

/* ---- trials ---- */

struct trial {
    const char *name;
    void *(*begin)(void);                                   /* a fresh scene */
    enum error_code (*act)(void *scene, struct error *err); /* what is tried */
    void (*check)(void *scene, bool done);                  /* whole, or not begun */
    void (*end)(void *scene);
};

/* One failure at allocation n. False when the call made fewer allocations than that. */
static bool try_once(const struct trial *trial, size_t n, bool sqlite, bool stays) {
    struct error err;
    void *scene = trial->begin();
    error_clear(&err);
    memset(&fault, 0, sizeof fault);
    fault.left = n;
    fault.sqlite = sqlite;
    fault.stays = stays;
    fault.armed = true;
    enum error_code code = trial->act(scene, &err);
    fault.armed = false;
    if (code != ERR_OK && (code != ERR_MEMORY || err.code != ERR_MEMORY || !fault.failed)) {
        fail_msg("%s: allocation %zu%s%s: %s (%s)", trial->name, n, sqlite ? " of SQLite" : "",
                 stays ? " and all after it" : "", error_name(code), err.cause);
    }
    trial->check(scene, code == ERR_OK);
    if (code != ERR_OK) {
        code = trial->act(scene, &err);
        if (code != ERR_OK) {
            fail_msg("%s: again after allocation %zu%s%s failed: %s (%s)", trial->name, n,
                     sqlite ? " of SQLite" : "", stays ? " and all after it" : "", error_name(code),
                     err.cause);
        }
        trial->check(scene, true);
    }
    trial->end(scene);
    return fault.failed;
}

/* SQLite makes thousands of allocations in a call, most of them alike: every `stride`-th is tried,
 * from another one at each turn. */
static void try_all(const struct trial *trial, size_t stride) {
    for (int stays = 0; stays < 2; stays++) {
        size_t n = 1, tried = 0;
        while (try_once(trial, n, false, stays == 1)) {
            n++;
        }
        for (size_t m = 1 + (size_t)stays; try_once(trial, m, true, stays == 1); m += stride) {
            tried++;
        }
        print_message("%s: %zu allocations, and %zu of SQLite's\n", trial->name, n - 1, tried);
    }
}

/* ---- the event ---- */

static struct world world;
static struct slice *all; /* what the lead holds in the end */
static size_t all_count;
static struct digest32 all_state, all_heads;

static void must(enum error_code code, const struct error *err) {
    if (code != ERR_OK) {
        fail_msg("%s: %s (%s)", error_name(code), err->say, err->cause);
    }
}

static struct record_id handover;

static void write_hold(size_t at, enum hold_how how) {
    struct record_hold hold = {.bib = world_label("6"), .how = how, .reason = slice_text("wet")};
    struct buffer body;
    buffer_init(&body);
    record_hold_write(&hold, &body);
    world_write(&world, at, RECORD_HOLD, buffer_slice(&body));
    buffer_release(&body);
}

/* What happens beside issuing: by the thief, by who had seen it, and by who had not. */
static void make_day(void) {
    struct buffer body;
    struct record_look look = {.bib = world_label("6"), .verdict = LOOK_NO_CHIP};
    struct record_note said = {.text = slice_text("wet"), .has_bib = true, .bib = look.bib};
    struct record_roll roll = {.roll = slice_text("R1"), .how = ROLL_LOADED};
    struct record_handover list = {1, {{1}}, {{2}}, 3};
    buffer_init(&body);
    write_hold(1, HOLD_MISSING);
    write_hold(2, HOLD_REPRINT);
    write_hold(0, HOLD_HELD);
    record_look_write(&look, &body);
    world_write(&world, 2, RECORD_LOOK, buffer_slice(&body));
    buffer_clear(&body);
    record_note_write(&said, &body);
    world_write(&world, 2, RECORD_NOTE, buffer_slice(&body));
    buffer_clear(&body);
    record_roll_write(&roll, &body);
    world_write(&world, 0, RECORD_ROLL, buffer_slice(&body));
    buffer_clear(&body);
    record_handover_write(&list, &body);
    handover = world_write(&world, 2, RECORD_HANDOVER, buffer_slice(&body));
    buffer_release(&body);
}

static void make_event(void) {
    world_new(&world, true);
    world_join(&world, "Table 1", ROLE_TABLE);
    world_join(&world, "Second lead", ROLE_LEAD);
    struct record_id first = world_issue(&world, 1, "5", 7, 9, NULL, NULL);
    world_give(&world, 1, 0);
    world_give(&world, 0, 2);
    world_issue(&world, 0, "5", 8, 9, NULL, NULL);
    world_issue(&world, 2, "6", 7, 0, NULL, NULL);
    world_void(&world, 2, &first, 1);
    world_issue(&world, 1, "7", 11, 0, &first, NULL);
    make_day();
    world_retire(&world, 0, &world.station[1].keys.sign_public,
                 &(struct record_head){world.station[1].author.log, 2, first}, 1, true);
    world_give(&world, 1, 0);
    world_give(&world, 2, 0);
    all = world_records(world.station[0].ledger, &all_count);
    all_state = pairs_state_hash(world.station[0].ledger);
    all_heads = ledger_heads_hash(world.station[0].ledger);
}

static void verify(struct ledger *ledger) {
    struct error err;
    must(pairs_verify(ledger, true, &err), &err);
}

static void check_whole(struct ledger *ledger) {
    struct digest32 state = pairs_state_hash(ledger), heads = ledger_heads_hash(ledger);
    assert_memory_equal(heads.bytes, all_heads.bytes, sizeof heads.bytes);
    assert_memory_equal(state.bytes, all_state.bytes, sizeof state.bytes);
}

/* ---- opening ---- */

struct scene {
    struct ledger *ledger;
    struct pairs_author author;
    struct carry_in *carry;
    struct buffer bytes;
    struct digest32 state, heads;
    uint64_t count;
};

static struct scene *scene_new(void) {
    struct scene *scene = calloc(1, sizeof *scene);
    assert_non_null(scene);
    return scene;
}

static void scene_free(void *context) {
    struct scene *scene = context;
    ledger_close(scene->ledger);
    carry_in_free(scene->carry);
    buffer_release(&scene->bytes);
    free(scene);
}

static void *open_begin(void) {
    return scene_new();
}

static enum error_code open_act(void *context, struct error *err) {
    struct scene *scene = context;
    return ledger_open(":memory:", NULL, &world.event, &world.event, &scene->ledger, err);
}

static void open_check(void *context, bool done) {
    struct scene *scene = context;
    assert_int_equal(scene->ledger != NULL, done);
}

static void opening(void **state) {
    (void)state;
    try_all(&(struct trial){"opening", open_begin, open_act, open_check, scene_free}, 37);
}

/* ---- taking ---- */

static void remember(struct scene *scene) {
    scene->state = pairs_state_hash(scene->ledger);
    scene->heads = ledger_heads_hash(scene->ledger);
    scene->count = ledger_count(scene->ledger);
}

static void check_unchanged(struct scene *scene) {
    struct digest32 state = pairs_state_hash(scene->ledger);
    struct digest32 heads = ledger_heads_hash(scene->ledger);
    assert_int_equal(ledger_count(scene->ledger), scene->count);
    assert_memory_equal(heads.bytes, scene->heads.bytes, sizeof heads.bytes);
    assert_memory_equal(state.bytes, scene->state.bytes, sizeof state.bytes);
}

static void *take_begin(void) {
    struct scene *scene = scene_new();
    scene->ledger = world_ledger(&world);
    world_take_all(scene->ledger, all, 4);
    remember(scene);
    return scene;
}

static enum error_code take_all(struct ledger *ledger, struct error *err) {
    enum error_code code = pairs_begin(ledger, err);
    if (code != ERR_OK) {
        return code;
    }
    for (size_t i = 0; code == ERR_OK && i < all_count; i++) {
        struct pairs_taken taken;
        code = pairs_take(ledger, &all[i], 1, &taken, err);
        if (code == ERR_OK && taken.outcome != PAIRS_STORED && taken.outcome != PAIRS_DUPLICATE) {
            fail_msg("record %zu: outcome %d (%s)", i, (int)taken.outcome, taken.why.cause);
        }
    }
    return code == ERR_OK ? pairs_commit(ledger, err) : code;
}

static enum error_code take_act(void *context, struct error *err) {
    return take_all(((struct scene *)context)->ledger, err);
}

static void take_check(void *context, bool done) {
    struct scene *scene = context;
    if (done) {
        check_whole(scene->ledger);
    } else {
        check_unchanged(scene);
    }
    verify(scene->ledger);
}

static void taking(void **state) {
    (void)state;
    try_all(&(struct trial){"taking", take_begin, take_act, take_check, scene_free}, 41);
}

/* ---- writing ---- */

static void *append_begin(void) {
    struct scene *scene = scene_new();
    struct error err;
    scene->ledger = world_ledger(&world);
    world_take_all(scene->ledger, all, all_count);
    must(pairs_author_resume(scene->ledger, &world.station[2].keys, &world.station[2].author.head,
                             &scene->author, &err),
         &err);
    remember(scene);
    return scene;
}

static enum error_code append_act(void *context, struct error *err) {
    struct scene *scene = context;
    struct pairs_author before = scene->author;
    struct record_issue issue = {.bib = world_label("6"),
                                 .tag_count = 1,
                                 .how = ISSUE_SCAN,
                                 .tag[0] = {.epc = {12, {1}}, .tid = {4, {0xE2, 1}}}};
    struct record_id id;
    struct buffer body;
    buffer_init(&body);
    record_issue_write(&issue, &body);
    enum error_code code =
        body.failed ? error_set(err, ERR_MEMORY, "body") : pairs_begin(scene->ledger, err);
    if (code == ERR_OK) {
        code = pairs_append(scene->ledger, &scene->author, RECORD_ISSUE, buffer_slice(&body),
                            (struct wall_ms){1}, (struct mono_ms){1}, &id, err);
        code = code == ERR_OK ? pairs_commit(scene->ledger, err) : code;
    }
    buffer_release(&body);
    if (code != ERR_OK) {
        scene->author = before;
    }
    return code;
}

static void append_check(void *context, bool done) {
    struct scene *scene = context;
    if (!done) {
        check_unchanged(scene);
    }
    assert_int_equal(ledger_count(scene->ledger), scene->count + done);
    assert_int_equal(world_bib(scene->ledger, "6").live, 1 + done);
    verify(scene->ledger);
}

static enum error_code hold_act(void *context, struct error *err) {
    struct scene *scene = context;
    struct pairs_author before = scene->author;
    struct record_hold hold = {.bib = world_label("6"), .how = HOLD_FREE};
    struct record_id id;
    struct buffer body;
    buffer_init(&body);
    record_hold_write(&hold, &body);
    enum error_code code =
        body.failed ? error_set(err, ERR_MEMORY, "body") : pairs_begin(scene->ledger, err);
    if (code == ERR_OK) {
        code = pairs_append(scene->ledger, &scene->author, RECORD_HOLD, buffer_slice(&body),
                            (struct wall_ms){1}, (struct mono_ms){1}, &id, err);
        code = code == ERR_OK ? pairs_commit(scene->ledger, err) : code;
    }
    buffer_release(&body);
    if (code != ERR_OK) {
        scene->author = before;
    }
    return code;
}

static void hold_check(void *context, bool done) {
    struct scene *scene = context;
    struct bib six = world_label("6");
    struct pairs_hold hold;
    struct error err;
    if (!done) {
        check_unchanged(scene);
    }
    /* It had seen the other lead's, and is a lead's itself. */
    assert_int_equal(pairs_hold(scene->ledger, &six, &hold, &err), done ? ERR_NOT_FOUND : ERR_OK);
    verify(scene->ledger);
}

static void holding(void **state) {
    (void)state;
    try_all(&(struct trial){"holding", append_begin, hold_act, hold_check, scene_free}, 23);
}

static void appending(void **state) {
    (void)state;
    try_all(&(struct trial){"appending", append_begin, append_act, append_check, scene_free}, 23);
}

static enum error_code author_act(void *context, struct error *err) {
    struct scene *scene = context;
    struct pairs_author before = scene->author;
    struct record_head follows = {before.log, before.number, before.head};
    struct incarnation incarnation = {{3}};
    enum error_code code = pairs_begin(scene->ledger, err);
    if (code == ERR_OK) {
        code = pairs_author_open(scene->ledger, &before.keys, &incarnation, &follows,
                                 (struct wall_ms){1}, (struct mono_ms){1}, &scene->author, err);
        code = code == ERR_OK ? pairs_commit(scene->ledger, err) : code;
    }
    if (code != ERR_OK) {
        scene->author = before;
    }
    return code;
}

static void author_check(void *context, bool done) {
    struct scene *scene = context;
    if (!done) {
        check_unchanged(scene);
    }
    assert_int_equal(ledger_count(scene->ledger), scene->count + done);
    verify(scene->ledger);
}

static void opening_a_log(void **state) {
    (void)state;
    try_all(&(struct trial){"opening a log", append_begin, author_act, author_check, scene_free},
            23);
}

/* ---- reading: all of the answer, or ERR_MEMORY ---- */

static crypto_generichash_state answer;

static void note(const void *bytes, size_t size) {
    crypto_generichash_update(&answer, bytes, size);
}
static bool on_bib(void *context, const struct pairs_bib *bib) {
    (void)context;
    note(bib, sizeof *bib);
    return true;
}
static bool on_issue(void *context, const struct pairs_issue *issue) {
    (void)context;
    note(issue->id.bytes, sizeof issue->id.bytes);
    note(issue->table, strlen(issue->table));
    note(issue->ended_table, strlen(issue->ended_table));
    note(&issue->ended, sizeof issue->ended);
    return true;
}
static bool on_station(void *context, const struct pairs_station *station) {
    (void)context;
    note(station->name, strlen(station->name));
    note(&station->issues, sizeof station->issues);
    note(&station->closed, 1);
    return true;
}
static bool on_shared(void *context, const struct pairs_shared *shared) {
    (void)context;
    note(&shared->bib_count, sizeof shared->bib_count);
    return true;
}
static bool on_alarm(void *context, const struct pairs_alarm *alarm) {
    (void)context;
    note(alarm->name, strlen(alarm->name));
    note(alarm->say, strlen(alarm->say));
    return true;
}
static bool on_hold(void *context, const struct pairs_hold *hold) {
    (void)context;
    note(hold->said.id.bytes, sizeof hold->said.id.bytes);
    note(hold->said.table, strlen(hold->said.table));
    return true;
}
static bool on_look(void *context, const struct pairs_look *look) {
    (void)context;
    note(look->said.id.bytes, sizeof look->said.id.bytes);
    return true;
}
static bool on_note(void *context, const struct pairs_note *said) {
    (void)context;
    note(said->said.id.bytes, sizeof said->said.id.bytes);
    return true;
}
static bool on_roll(void *context, const struct pairs_roll *roll) {
    (void)context;
    note(roll->said.id.bytes, sizeof roll->said.id.bytes);
    return true;
}
static bool on_changed(void *context, const struct bib *bib) {
    (void)context;
    note(bib->text, strlen(bib->text));
    return true;
}
static bool on_record(void *context, struct slice raw) {
    (void)context;
    note(raw.data, raw.size);
    return true;
}

static enum error_code read_lists(struct ledger *ledger, struct error *err) {
    static const enum pairs_issues which[] = {PAIRS_ISSUES_OF_BIB, PAIRS_ISSUES_LIVE,
                                              PAIRS_ISSUES_DEAD};
    enum error_code code = pairs_each_bib(ledger, PAIRS_BIBS_ALL, on_bib, NULL, err);
    for (size_t i = 0; code == ERR_OK && i < 3; i++) {
        struct pairs_filter filter = {.which = which[i], .bib = world_label("5")};
        code = pairs_each_issue(ledger, &filter, on_issue, NULL, err);
    }
    code = code == ERR_OK ? pairs_each_station(ledger, on_station, NULL, err) : code;
    code = code == ERR_OK ? pairs_each_shared(ledger, on_shared, NULL, err) : code;
    code = code == ERR_OK ? pairs_each_alarm(ledger, on_alarm, NULL, err) : code;
    return code == ERR_OK ? ledger_each(ledger, on_record, NULL, err) : code;
}

static enum error_code read_day(struct ledger *ledger, struct error *err) {
    struct bib six = world_label("6");
    struct pairs_hold hold;
    struct pairs_handover last;
    enum error_code code = pairs_each_hold(ledger, on_hold, NULL, err);
    code = code == ERR_OK ? pairs_hold(ledger, &six, &hold, err) : code;
    if (code == ERR_OK) {
        on_hold(NULL, &hold);
    }
    code = code == ERR_OK ? pairs_each_look(ledger, &six, on_look, NULL, err) : code;
    code = code == ERR_OK ? pairs_each_note(ledger, NULL, on_note, NULL, err) : code;
    code = code == ERR_OK ? pairs_each_roll(ledger, NULL, on_roll, NULL, err) : code;
    code = code == ERR_OK ? pairs_each_since(ledger, &handover, on_changed, NULL, err) : code;
    code = code == ERR_OK ? pairs_last_handover(ledger, &last, err) : code;
    if (code == ERR_OK) {
        note(last.said.id.bytes, sizeof last.said.id.bytes);
    }
    return code;
}

static enum error_code read_ones(struct scene *scene, struct error *err) {
    struct pairs_station owner;
    struct record_seen point = {0};
    size_t count = 0;
    bool more = false;
    struct buffer *out = &scene->bytes;
    buffer_clear(out);
    out->failed = false;
    enum error_code code =
        pairs_admit_proof(scene->ledger, &world.station[1].keys.sign_public, out, err);
    code =
        code == ERR_OK ? ledger_read(scene->ledger, &world.station[2].author.head, out, err) : code;
    code = code == ERR_OK ? ledger_read_run(scene->ledger, &world.station[2].author.log,
                                            world.station[2].author.head.bytes, &point, 0, 60000,
                                            out, &count, &more, err)
                          : code;
    if (code == ERR_OK) {
        note(out->data, out->size);
        note(&count, sizeof count);
        code = pairs_station_by_name(scene->ledger, "table 1", &owner, err);
    }
    return code;
}

static enum error_code read_act(void *context, struct error *err) {
    struct scene *scene = context;
    crypto_generichash_init(&answer, NULL, 0, 32);
    enum error_code code = read_lists(scene->ledger, err);
    code = code == ERR_OK ? read_day(scene->ledger, err) : code;
    code = code == ERR_OK ? read_ones(scene, err) : code;
    crypto_generichash_final(&answer, scene->state.bytes, sizeof scene->state.bytes);
    return code;
}

static struct digest32 right_answer;

static void *read_begin(void) {
    struct scene *scene = scene_new();
    struct error err;
    scene->ledger = world_ledger(&world);
    buffer_init(&scene->bytes);
    world_take_all(scene->ledger, all, all_count);
    if (right_answer.bytes[0] == 0) {
        must(read_act(scene, &err), &err);
        right_answer = scene->state;
    }
    return scene;
}

static void read_check(void *context, bool done) {
    const struct scene *scene = context;
    if (done) {
        assert_memory_equal(scene->state.bytes, right_answer.bytes, sizeof right_answer.bytes);
    }
}

static void reading(void **state) {
    (void)state;
    try_all(&(struct trial){"reading", read_begin, read_act, read_check, scene_free}, 31);
}

static enum error_code verify_act(void *context, struct error *err) {
    return pairs_verify(((struct scene *)context)->ledger, true, err);
}

static void verify_check(void *context, bool done) {
    (void)done;
    check_whole(((struct scene *)context)->ledger);
}

static void verifying(void **state) {
    (void)state;
    try_all(&(struct trial){"verifying", read_begin, verify_act, verify_check, scene_free}, 149);
}

/* ---- carrying ---- */

static void *carry_begin(void) {
    struct scene *scene = scene_new();
    buffer_init(&scene->bytes);
    for (size_t i = 0; i < all_count; i++) {
        buffer_append_slice(&scene->bytes, all[i]);
    }
    scene->ledger = world_ledger(&world);
    return scene;
}

static enum error_code carry_act(void *context, struct error *err) {
    struct scene *scene = context;
    bool done = false;
    carry_in_free(scene->carry);
    enum error_code code =
        carry_in_new(scene->ledger, buffer_slice(&scene->bytes), &scene->carry, err);
    while (code == ERR_OK && !done) {
        code = carry_in_step(scene->carry, 5, &done, err);
    }
    return code;
}

/* What was carried in before memory ran out is kept: it was committed, slice by slice. */
static void carry_check(void *context, bool done) {
    struct scene *scene = context;
    if (done) {
        check_whole(scene->ledger);
        struct carry_report report = carry_in_report(scene->carry);
        assert_int_equal(report.records, all_count);
        assert_int_equal(report.denied + report.foreign + report.damaged + report.gaps, 0);
    }
    verify(scene->ledger);
}

static void carrying(void **state) {
    (void)state;
    try_all(&(struct trial){"carrying", carry_begin, carry_act, carry_check, scene_free}, 61);
}

/* ---- one record ---- */

static enum error_code encode_act(void *context, struct error *err) {
    struct scene *scene = context;
    struct record record;
    struct record_seen seen = {.number = 1};
    must(record_decode(all[3], &record, err), err);
    buffer_release(&scene->bytes);
    buffer_append(&scene->bytes, "before", 6);
    scene->count = scene->bytes.size;
    return scene->bytes.failed ? error_set(err, ERR_MEMORY, "test")
                               : record_encode(&record, &seen, 1, &world.event.event,
                                               &world.root.sign_secret, &scene->bytes, err);
}

static void encode_check(void *context, bool done) {
    const struct scene *scene = context;
    struct record record;
    struct error err;
    if (!done) {
        assert_int_equal(scene->bytes.size, scene->count);
        return;
    }
    must(record_decode(slice_of(scene->bytes.data + 6, scene->bytes.size - 6), &record, &err),
         &err);
}

static void encoding(void **state) {
    (void)state;
    try_all(&(struct trial){"encoding", open_begin, encode_act, encode_check, scene_free}, 1);
}

/* ---- two sync machines: what fails costs time and no record ---- */

enum { QUEUE_MAX = 512 };
struct pair {
    struct sync *sync[2];
    struct ledger *ledger[2]; /* [1] is fresh */
    int64_t now;
    struct {
        size_t to;
        struct slice bytes;
    } queue[QUEUE_MAX];
    size_t queued;
    size_t faults; /* steps that said ERR_MEMORY */
};

static const struct station_keys *pair_keys(size_t at) {
    return &world.station[at == 0 ? 0 : 2].keys;
}

static void pair_step(struct pair *pair, size_t at, struct sync_event event);

static void pair_store(struct pair *pair, size_t at, const struct sync_order *order,
                       struct pairs_taken *taken) {
    struct error err;
    must(pairs_begin(pair->ledger[at], &err), &err);
    must(pairs_take(pair->ledger[at], order->records, order->record_count, taken, &err), &err);
    must(pairs_commit(pair->ledger[at], &err), &err);
}

static void pair_send(struct pair *pair, size_t at, const struct sync_order *order) {
    uint8_t *bytes = malloc(order->bytes.size);
    assert_non_null(bytes);
    assert_true(pair->queued < QUEUE_MAX);
    memcpy(bytes, order->bytes.data, order->bytes.size);
    pair->queue[pair->queued].to = 1 - at;
    pair->queue[pair->queued++].bytes = slice_of(bytes, order->bytes.size);
}

static void pair_step(struct pair *pair, size_t at, struct sync_event event) {
    struct sync_event stored[32];
    struct pairs_taken taken[32];
    size_t count = 0;
    struct error err;
    event.now.ms = pair->now;
    event.wall.ms = 1800000000000 + pair->now;
    fault.armed = true;
    enum error_code code = sync_step(pair->sync[at], &event, &err);
    fault.armed = false;
    if (code != ERR_OK) {
        assert_int_equal(code, ERR_MEMORY);
        pair->faults++;
    }
    /* The queue itself may lack memory for a moment: then the order is still first in it. */
    for (const struct sync_order *order; (order = sync_next(pair->sync[at])) != NULL;) {
        if (order->kind == SYNC_SEND) {
            pair_send(pair, at, order);
        } else if (order->kind == SYNC_STORE) {
            pair_store(pair, at, order, &taken[count]);
            stored[count] =
                (struct sync_event){.kind = SYNC_STORED, .peer = order->peer, .log = order->log};
            stored[count].taken = &taken[count];
            count++;
            assert_true(count < 32);
        }
    }
    for (size_t i = 0; i < count; i++) {
        pair_step(pair, at, stored[i]);
    }
}

static void pair_deliver(struct pair *pair) {
    while (pair->queued > 0) {
        size_t to = pair->queue[0].to;
        struct slice bytes = pair->queue[0].bytes;
        pair->queued--;
        memmove(pair->queue, pair->queue + 1, pair->queued * sizeof pair->queue[0]);
        pair_step(pair, to,
                  (struct sync_event){.kind = SYNC_MESSAGE,
                                      .peer = pair_keys(1 - to)->curve_public,
                                      .message = bytes});
        free((void *)(uintptr_t)bytes.data);
    }
}

static bool pair_same(const struct pair *pair) {
    struct digest32 a = ledger_heads_hash(pair->ledger[0]), b = ledger_heads_hash(pair->ledger[1]);
    return ID_EQUAL(a, b);
}

static void pair_run(struct pair *pair, int64_t ms) {
    int64_t end = pair->now + ms;
    while (pair->now < end && !pair_same(pair)) {
        pair_deliver(pair);
        pair->now += 50;
        for (size_t i = 0; i < 2; i++) {
            if (sync_deadline(pair->sync[i]).ms <= pair->now) {
                pair_step(pair, i, (struct sync_event){.kind = SYNC_TICK});
            }
        }
    }
    pair_deliver(pair);
}

static void pair_start(struct pair *pair, size_t at) {
    struct sync_config config = {
        .ledger = pair->ledger[at], .keys = *pair_keys(at), .seed = {(uint8_t)(at + 1)}};
    struct error err;
    must(sync_new(&config, &pair->sync[at], &err), &err);
    sync_log_changed(pair->sync[at], &world.station[at == 0 ? 0 : 2].author.log);
}

static void pair_connect(struct pair *pair) {
    for (size_t i = 0; i < 2; i++) {
        pair_step(
            pair, i,
            (struct sync_event){.kind = SYNC_PEER_UP, .peer = pair_keys(1 - i)->curve_public});
    }
}

/* A whole exchange in which allocation n of all that the machines make fails. */
static bool exchange(size_t n, bool sqlite, bool stays) {
    static struct pair pair;
    memset(&pair, 0, sizeof pair);
    memset(&fault, 0, sizeof fault);
    pair.now = 1000;
    pair.ledger[0] = world.station[0].ledger;
    pair.ledger[1] = world_ledger(&world);
    world_take_all(pair.ledger[1], all, 4);
    pair_start(&pair, 0);
    pair_start(&pair, 1);
    fault.left = n;
    fault.sqlite = sqlite;
    fault.stays = stays;
    pair_connect(&pair);
    pair_run(&pair, 500);
    fault.left = 0; /* there is memory again, and the transport connects once more */
    bool failed = fault.failed;
    pair_connect(&pair);
    pair_run(&pair, 60000);
    if (!pair_same(&pair)) {
        fail_msg("allocation %zu%s%s: after a minute the two still differ", n,
                 sqlite ? " of SQLite" : "", stays ? " and all after it" : "");
    }
    check_whole(pair.ledger[1]);
    sync_free(pair.sync[0]);
    sync_free(pair.sync[1]);
    ledger_close(pair.ledger[1]);
    return failed;
}

static void exchanging(void **state) {
    (void)state;
    for (int stays = 0; stays < 2; stays++) {
        size_t n = 1, tried = 0;
        while (exchange(n, false, stays == 1)) {
            n++;
        }
        for (size_t m = 1; exchange(m, true, stays == 1); m += 7) {
            tried++;
        }
        print_message("exchanging: %zu allocations, and %zu of SQLite's\n", n - 1, tried);
    }
}

static enum error_code machine_act(void *context, struct error *err) {
    struct scene *scene = context;
    struct sync *sync = NULL;
    struct sync_config config = {.ledger = scene->ledger, .keys = world.station[2].keys};
    enum error_code code = sync_new(&config, &sync, err);
    assert_int_equal(sync != NULL, code == ERR_OK);
    sync_free(sync);
    return code;
}

static void new_machine(void **state) {
    (void)state;
    try_all(&(struct trial){"new machine", read_begin, machine_act, verify_check, scene_free}, 1);
}

static int group_begin(void **state) {
    (void)state;
    make_event();
    return 0;
}

static int group_end(void **state) {
    (void)state;
    world_records_free(all, all_count);
    world_free(&world);
    return 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(encoding),   cmocka_unit_test(opening),
        cmocka_unit_test(taking),     cmocka_unit_test(appending),
        cmocka_unit_test(holding),    cmocka_unit_test(opening_a_log),
        cmocka_unit_test(reading),    cmocka_unit_test(verifying),
        cmocka_unit_test(carrying),   cmocka_unit_test(new_machine),
        cmocka_unit_test(exchanging),
    };
    if (sodium_init() < 0) {
        return 1;
    }
    assert_true(scarce_sqlite());
    return cmocka_run_group_tests(tests, group_begin, group_end);
}
