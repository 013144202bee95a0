/*
 * test_pairs_order.c: the state is the same in whatever order the records come, also in orders that
 * only a hostile or half-broken peer would send them in.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "common/carry.h"
#include "tests/unit/world.h"

static void check(enum error_code code, const struct error *err) {
    if (code != ERR_OK) {
        fail_msg("%s: %s (%s)", error_name(code), err->say, err->cause);
    }
}

/* The root opens a second log in the lead's ledger and lets a table in from there. */
static void let_in_from_second_log(struct world *world) {
    struct incarnation incarnation = {{99}};
    struct error err;
    struct ledger *ledger = world->station[0].ledger;
    check(pairs_begin(ledger, &err), &err);
    check(pairs_author_open(ledger, &world->root, &incarnation, NULL,
                            (struct wall_ms){world->wall++}, (struct mono_ms){0},
                            &world->root_author, &err),
          &err);
    check(pairs_commit(ledger, &err), &err);
    world_keys(2, &world->station[1].keys);
    world_root_admit(world, &world->station[1].keys, "Second lead", ROLE_LEAD);
    struct world_station *table = &world->station[world->count++];
    table->ledger = world_ledger(world);
    world_give(world, 0, 1);
    incarnation.bytes[0] = 98;
    check(pairs_begin(table->ledger, &err), &err);
    check(pairs_author_open(table->ledger, &table->keys, &incarnation, NULL,
                            (struct wall_ms){world->wall++}, (struct mono_ms){0}, &table->author,
                            &err),
          &err);
    check(pairs_commit(table->ledger, &err), &err);
}

/* Takes the records of all logs but one, over and over until nothing is new; then all. */
static struct ledger *take_without_first(const struct world *world, const struct log_id *last) {
    struct ledger *ledger = world_ledger(world);
    size_t count = 0, kept = 0;
    struct slice *all = world_records(world->station[1].ledger, &count);
    struct slice *early = calloc(count, sizeof *early);
    assert_non_null(early);
    for (size_t i = 0; i < count; i++) {
        struct record record;
        struct error err;
        check(record_decode(all[i], &record, &err), &err);
        if (!ID_EQUAL(record.log, *last)) {
            early[kept++] = all[i];
        }
    }
    world_take_all(ledger, early, kept);
    world_take_all(ledger, all, count);
    free(early);
    world_records_free(all, count);
    return ledger;
}

/* `found` says whether an EPC is on one chip only, and comes after the issues that it bears on. */
static void test_found_comes_last(void **state) {
    struct world world;
    (void)state;
    world_new(&world, true);
    struct log_id first = world.root_author.log;
    let_in_from_second_log(&world);
    world_issue(&world, 1, "5", 42, 0, NULL, NULL);
    world_issue(&world, 1, "6", 42, 0, NULL, NULL);
    world_issue(&world, 1, "7", 43, 0, NULL, NULL);
    world_issue(&world, 1, "7", 43, 0, NULL, NULL);
    assert_int_equal(world_bib(world.station[1].ledger, "7").cause, PAIRS_REPEAT);
    struct ledger *other = take_without_first(&world, &first);
    assert_int_equal(world_bib(other, "7").cause, PAIRS_REPEAT);
    assert_same_state(world.station[1].ledger, other);
    ledger_close(other);
    world_free(&world);
}

/* Takes one log after all others. */
static struct ledger *take_last(const struct world *world, struct ledger *from,
                                const struct log_id *last) {
    struct ledger *ledger = world_ledger(world);
    size_t count = 0, at = 0;
    struct slice *all = world_records(from, &count);
    struct slice *order = calloc(count, sizeof *order);
    assert_non_null(order);
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < count; i++) {
            struct record record;
            struct error err;
            check(record_decode(all[i], &record, &err), &err);
            if (ID_EQUAL(record.log, *last) == (pass == 1)) {
                order[at++] = all[i];
            }
        }
    }
    world_take_all(ledger, order, count);
    free(order);
    world_records_free(all, count);
    return ledger;
}

static int by_id(const void *a, const void *b) {
    return memcmp(a, b, sizeof(struct record_id));
}

/* Two leads settle a bib apart from each other, in the midst of many voids of a third station. */
static void test_crossed_among_many(void **state) {
    struct world world;
    struct record_id issue[3];
    (void)state;
    world_new(&world, false);
    size_t second = world_join(&world, "Second lead", ROLE_LEAD);
    size_t table = world_join(&world, "Table", ROLE_TABLE);
    for (size_t i = 0; i < 3; i++) {
        issue[i] = world_issue(&world, 0, "5", 0, 0, NULL, NULL);
    }
    qsort(issue, 3, sizeof issue[0], by_id);
    world_give(&world, 0, second);
    world_give(&world, 0, table);
    for (int i = 0; i < 40; i++) {
        world_void(&world, table, &issue[0], 1);
    }
    world_void(&world, 0, (struct record_id[]){issue[0], issue[1]}, 2);
    world_void(&world, second, (struct record_id[]){issue[0], issue[2]}, 2);
    world_give(&world, table, 0);
    world_give(&world, second, 0);
    struct ledger *all = world.station[0].ledger;
    struct ledger *late = take_last(&world, all, &world.station[table].author.log);
    struct ledger *early = take_last(&world, all, &world.station[second].author.log);
    assert_true(world_bib(late, "5").crossed);
    assert_true(world_bib(early, "5").crossed);
    assert_same_state(late, early);
    assert_same_state(late, all);
    ledger_close(late);
    ledger_close(early);
    world_free(&world);
}

/* A stick with 200 logs on it, in the file before what lets their station in. */
static void test_many_logs_in_a_file(void **state) {
    struct world world;
    struct buffer file;
    struct carry_in *in = NULL;
    struct error err;
    size_t count = 0;
    bool done = false;
    (void)state;
    world_new(&world, false);
    size_t table = world_join(&world, "Table", ROLE_TABLE);
    struct world_station *station = &world.station[table];
    for (unsigned i = 0; i < 200; i++) {
        struct incarnation incarnation = {{(uint8_t)i, 5}};
        check(pairs_begin(station->ledger, &err), &err);
        check(pairs_author_open(station->ledger, &station->keys, &incarnation, NULL,
                                (struct wall_ms){1}, (struct mono_ms){0}, &station->author, &err),
              &err);
        check(pairs_commit(station->ledger, &err), &err);
    }
    struct slice *all = world_records(station->ledger, &count);
    buffer_init(&file);
    for (size_t i = count; i > 0; i--) {
        buffer_append_slice(&file, all[i - 1]);
    }
    struct ledger *other = world_ledger(&world);
    check(carry_in_new(other, buffer_slice(&file), &in, &err), &err);
    while (!done) {
        check(carry_in_step(in, 10, &done, &err), &err);
    }
    assert_int_equal(carry_in_report(in).stored, count);
    assert_same_state(station->ledger, other);
    carry_in_free(in);
    ledger_close(other);
    buffer_release(&file);
    world_records_free(all, count);
    world_free(&world);
}

/* ---- holds ---- */

static struct record_id hold(struct world *world, size_t at, const char *bib, enum hold_how how) {
    struct record_hold body = {.bib = world_label(bib), .how = how, .reason = slice_text("wet")};
    struct buffer bytes;
    buffer_init(&bytes);
    record_hold_write(&body, &bytes);
    struct record_id id = world_write(world, at, RECORD_HOLD, buffer_slice(&bytes));
    buffer_release(&bytes);
    return id;
}

/* HOLD_FREE for a bib that may be chipped. */
static enum hold_how held(struct ledger *ledger, const char *bib, struct pairs_hold *out) {
    struct pairs_hold unused;
    struct bib label = world_label(bib);
    struct error err;
    enum error_code code = pairs_hold(ledger, &label, out == NULL ? &unused : out, &err);
    if (code == ERR_NOT_FOUND) {
        return HOLD_FREE;
    }
    check(code, &err);
    return out == NULL ? unused.how : out->how;
}

static void verify(struct ledger *ledger) {
    struct error err;
    check(pairs_verify(ledger, false, &err), &err);
}

/* A station that holds records of several logs, from which they are taken one by one. */
struct deck {
    struct slice *record;
    size_t count;
    bool *dealt;
};

/* The next of a log that chance names, so that each log keeps its order and all else is shuffled;
 * NULL when all are dealt. */
static const struct slice *deal(struct deck *deck, unsigned *seed) {
    struct record first, record;
    struct error err;
    size_t left = 0, skip;
    for (size_t i = 0; i < deck->count; i++) {
        left += !deck->dealt[i];
    }
    if (left == 0) {
        return NULL;
    }
    *seed = *seed * 1103515245U + 12345U;
    skip = (*seed >> 8) % left;
    for (size_t i = 0; i < deck->count; i++) {
        if (deck->dealt[i] || skip-- > 0) {
            continue;
        }
        check(record_decode(deck->record[i], &first, &err), &err);
        for (size_t j = 0; j < deck->count; j++) {
            check(record_decode(deck->record[j], &record, &err), &err);
            if (!deck->dealt[j] && ID_EQUAL(record.log, first.log)) {
                deck->dealt[j] = true;
                return &deck->record[j];
            }
        }
    }
    return NULL;
}

/* Takes all in an order that `seed` gives, each in a transaction of its own; what must wait for its
 * log to be let in is taken at the end. */
static struct ledger *take_shuffled(const struct world *world, struct ledger *from, unsigned seed) {
    struct ledger *ledger = world_ledger(world);
    struct deck deck = {NULL, 0, NULL};
    const struct slice *next;
    struct error err;
    deck.record = world_records(from, &deck.count);
    deck.dealt = calloc(deck.count, sizeof *deck.dealt);
    assert_non_null(deck.dealt);
    while ((next = deal(&deck, &seed)) != NULL) {
        struct pairs_taken taken;
        check(pairs_begin(ledger, &err), &err);
        check(pairs_take(ledger, next, 1, &taken, &err), &err);
        check(pairs_commit(ledger, &err), &err);
    }
    world_take_all(ledger, deck.record, deck.count);
    free(deck.dealt);
    world_records_free(deck.record, deck.count);
    return ledger;
}

static void test_holds_in_any_order(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t station[5] = {0};
    station[1] = world_join(&world, "Table 1", ROLE_TABLE);
    station[2] = world_join(&world, "Table 2", ROLE_TABLE);
    station[3] = world_join(&world, "Screen", ROLE_READER);
    station[4] = world_join(&world, "Second lead", ROLE_LEAD);
    static const char *const bibs[] = {"5", "6", "7"};
    unsigned dice = 7;
    for (int act = 0; act < 60; act++) {
        dice = dice * 1103515245U + 12345U;
        unsigned roll = dice >> 8;
        size_t at = station[roll % 5], to = station[(roll >> 4) % 5];
        if (roll % 3 == 0 && at != to) {
            world_give(&world, at, to);
        } else {
            hold(&world, at, bibs[(roll >> 8) % 3], (enum hold_how)(1 + (roll >> 12) % 4));
        }
    }
    struct record_head head = {
        world.station[2].author.log, world.station[2].author.number - 3, {{0}}};
    for (size_t i = 1; i < 5; i++) {
        world_give(&world, station[i], 0);
    }
    struct ledger *all = world.station[0].ledger;
    size_t count = 0;
    struct slice *records = world_records(all, &count);
    for (size_t i = 0; i < count; i++) {
        struct record record;
        struct error err;
        check(record_decode(records[i], &record, &err), &err);
        if (ID_EQUAL(record.log, head.log) && record.number == head.number) {
            head.id = identity_record(records[i]);
        }
    }
    world_records_free(records, count);
    world_retire(&world, 0, &world.station[2].keys.sign_public, &head, 1, true);
    for (unsigned seed = 1; seed <= 40; seed++) {
        struct ledger *other = take_shuffled(&world, all, seed);
        assert_same_state(all, other);
        for (size_t i = 0; i < 3; i++) {
            assert_int_equal(held(all, bibs[i], NULL), held(other, bibs[i], NULL));
        }
        if (seed % 10 == 0) {
            verify(other);
        }
        ledger_close(other);
    }
    verify(all);
    world_free(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_found_comes_last),
        cmocka_unit_test(test_crossed_among_many),
        cmocka_unit_test(test_many_logs_in_a_file),
        cmocka_unit_test(test_holds_in_any_order),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
