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

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_found_comes_last),
        cmocka_unit_test(test_crossed_among_many),
        cmocka_unit_test(test_many_logs_in_a_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
