/*
 * test_carry.c: files of records: whole, in any order, repeated, cut at every byte, with every byte
 * changed, and of another event. What is good is taken, what is not is counted by its name, and
 * a whole file afterwards always brings the same picture.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdlib.h>
#include <string.h>

#include "common/carry.h"
#include "tests/unit/world.h"

/* A lead and a table with a few records each; the lead holds all of them. */
struct fixture {
    struct world world;
    struct slice *records; /* all, in the order of ledger_each */
    size_t count;
    struct buffer file;
};

static void put(struct buffer *file, const struct slice *records, size_t count) {
    for (size_t i = 0; i < count; i++) {
        buffer_append_slice(file, records[i]);
    }
    assert_false(file->failed);
}

static void fixture_new(struct fixture *fixture, bool epc_unique) {
    struct world *world = &fixture->world;
    world_new(world, epc_unique);
    size_t table = world_join(world, "Table 1", ROLE_TABLE);
    world_issue(world, table, "7", 0, 0, NULL, NULL);
    struct record_id lost = world_issue(world, table, "8", 0, 3, NULL, NULL);
    world_void(world, table, &lost, 1);
    world_issue(world, 0, "7", 0, 0, NULL, NULL);
    world_give(world, table, 0);
    fixture->records = world_records(world->station[0].ledger, &fixture->count);
    buffer_init(&fixture->file);
    put(&fixture->file, fixture->records, fixture->count);
}

static void fixture_free(struct fixture *fixture) {
    world_records_free(fixture->records, fixture->count);
    buffer_release(&fixture->file);
    world_free(&fixture->world);
}

static struct carry_report take(struct ledger *ledger, struct slice file, size_t records_max) {
    struct carry_in *in = NULL;
    struct error err;
    bool done = false;
    assert_int_equal(carry_in_new(ledger, file, &in, &err), ERR_OK);
    for (size_t steps = 0; !done; steps++) {
        assert_int_equal(carry_in_step(in, records_max, &done, &err), ERR_OK);
        assert_true(steps < 100000);
    }
    struct carry_report report = carry_in_report(in);
    carry_in_free(in);
    return report;
}

static uint64_t complaints(const struct carry_report *report) {
    return report->foreign + report->denied + report->damaged + report->gaps +
           (report->truncated ? 1 : 0);
}

static void assert_whole(const struct carry_report *report, uint64_t records, uint64_t stored) {
    assert_int_equal(report->records, records);
    assert_int_equal(report->stored, stored);
    assert_int_equal(report->foreign, 0);
    assert_int_equal(report->denied, 0);
    assert_int_equal(report->damaged, 0);
    assert_int_equal(report->gaps, 0);
    assert_false(report->truncated);
}

/* The picture that the lead has. */
static void assert_as_lead(const struct fixture *fixture, struct ledger *ledger) {
    assert_same_state(fixture->world.station[0].ledger, ledger);
}

static void a_whole_file_once_and_again(void **state) {
    (void)state;
    struct fixture fixture;
    fixture_new(&fixture, false);
    static const size_t slices[] = {1, 2, 3, 1000000};
    for (size_t i = 0; i < sizeof(slices) / sizeof(slices[0]); i++) {
        struct ledger *ledger = world_ledger(&fixture.world);
        struct carry_report report = take(ledger, buffer_slice(&fixture.file), slices[i]);
        assert_whole(&report, fixture.count, fixture.count);
        assert_as_lead(&fixture, ledger);
        report = take(ledger, buffer_slice(&fixture.file), slices[i]);
        assert_whole(&report, fixture.count, 0);
        assert_as_lead(&fixture, ledger);
        ledger_close(ledger);
    }
    fixture_free(&fixture);
}

/* A small generator of its own: the order must be the same each time, and any will do. */
static size_t draw(uint64_t *seed, size_t below) {
    *seed = *seed * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (size_t)((*seed >> 33) % below);
}

static void in_any_order_and_repeated(void **state) {
    (void)state;
    struct fixture fixture;
    uint64_t seed = 2;
    fixture_new(&fixture, false);
    struct slice *order = calloc(2 * fixture.count, sizeof(*order));
    assert_non_null(order);
    for (size_t round = 0; round < 60; round++) {
        struct buffer file;
        size_t count = round % 2 == 0 ? fixture.count : 2 * fixture.count;
        for (size_t i = 0; i < count; i++) {
            order[i] = fixture.records[i % fixture.count];
        }
        for (size_t i = count; i > 1; i--) {
            size_t at = draw(&seed, i);
            struct slice swap = order[i - 1];
            order[i - 1] = order[at];
            order[at] = swap;
        }
        buffer_init(&file);
        put(&file, order, count);
        struct ledger *ledger = world_ledger(&fixture.world);
        struct carry_report report = take(ledger, buffer_slice(&file), 1 + round);
        assert_whole(&report, count, fixture.count);
        assert_as_lead(&fixture, ledger);
        ledger_close(ledger);
        buffer_release(&file);
    }
    free(order);
    fixture_free(&fixture);
}

/* How many whole records lie before `at`, and whether it is the end of one. */
static size_t whole_before(const struct fixture *fixture, size_t at, bool *boundary) {
    size_t end = 0;
    size_t count = 0;
    while (count < fixture->count && end + fixture->records[count].size <= at) {
        end += fixture->records[count++].size;
    }
    *boundary = end == at;
    return count;
}

static void cut_at_every_byte(void **state) {
    (void)state;
    struct fixture fixture;
    fixture_new(&fixture, false);
    for (size_t cut = 0; cut < fixture.file.size; cut++) {
        bool boundary = false;
        size_t whole = whole_before(&fixture, cut, &boundary);
        struct ledger *ledger = world_ledger(&fixture.world);
        struct carry_report report = take(ledger, slice_of(fixture.file.data, cut), 1000);
        assert_int_equal(report.records, whole);
        assert_int_equal(report.stored, whole);
        assert_int_equal(report.truncated, !boundary);
        assert_int_equal(complaints(&report), boundary ? 0 : 1);
        report = take(ledger, buffer_slice(&fixture.file), 1000);
        assert_whole(&report, fixture.count, fixture.count - whole);
        assert_as_lead(&fixture, ledger);
        ledger_close(ledger);
    }
    fixture_free(&fixture);
}

static void every_byte_changed(void **state) {
    (void)state;
    struct fixture fixture;
    fixture_new(&fixture, false);
    for (size_t at = 0; at < fixture.file.size; at++) {
        uint8_t *byte = &fixture.file.data[at];
        struct ledger *ledger = world_ledger(&fixture.world);
        *byte ^= (uint8_t)(1U << (at % 8));
        struct carry_report report = take(ledger, buffer_slice(&fixture.file), 1000);
        assert_true(complaints(&report) > 0);
        assert_true(report.stored < fixture.count);
        assert_int_equal(report.stored, ledger_count(ledger));
        *byte ^= (uint8_t)(1U << (at % 8));
        uint64_t before = report.stored;
        report = take(ledger, buffer_slice(&fixture.file), 1000);
        assert_whole(&report, fixture.count, fixture.count - before);
        assert_as_lead(&fixture, ledger); /* so nothing that was changed is held */
        ledger_close(ledger);
    }
    fixture_free(&fixture);
}

/* With everything held already, one changed byte is damage, and not of another event. */
static void a_changed_byte_is_called_damage(void **state) {
    (void)state;
    struct fixture fixture;
    fixture_new(&fixture, false);
    struct ledger *ledger = fixture.world.station[0].ledger;
    for (size_t at = 0; at < fixture.file.size; at++) {
        uint8_t *byte = &fixture.file.data[at];
        *byte ^= (uint8_t)(1U << (at % 8));
        struct carry_report report = take(ledger, buffer_slice(&fixture.file), 1000);
        *byte ^= (uint8_t)(1U << (at % 8));
        assert_int_equal(report.stored, 0);
        assert_int_equal(report.foreign, 0);
        assert_int_equal(report.denied, 0);
        assert_true(report.damaged > 0 || report.truncated);
    }
    fixture_free(&fixture);
}

static void garbage_between_records(void **state) {
    (void)state;
    struct fixture fixture;
    struct buffer file;
    fixture_new(&fixture, false);
    buffer_init(&file);
    buffer_append(&file, "\xD2\x84\x43", 3);
    put(&file, fixture.records, 2);
    buffer_append(&file, "\x00garbage", 8);
    put(&file, fixture.records + 2, fixture.count - 2);
    buffer_append(&file, "tail", 4);
    struct ledger *ledger = world_ledger(&fixture.world);
    struct carry_report report = take(ledger, buffer_slice(&file), 1);
    assert_int_equal(report.records, fixture.count);
    assert_int_equal(report.stored, fixture.count);
    assert_int_equal(report.damaged, 3);
    assert_false(report.truncated);
    assert_as_lead(&fixture, ledger);
    ledger_close(ledger);
    buffer_release(&file);
    fixture_free(&fixture);
}

/* The other event has the same keys and another `found`: only the signatures tell them apart. */
static void another_event(void **state) {
    (void)state;
    struct fixture ours;
    struct fixture theirs;
    fixture_new(&ours, false);
    fixture_new(&theirs, true);
    struct ledger *ledger = world_ledger(&ours.world);
    struct carry_report report = take(ledger, buffer_slice(&theirs.file), 1000);
    assert_int_equal(report.records, theirs.count);
    assert_int_equal(report.foreign, theirs.count);
    assert_int_equal(complaints(&report), theirs.count);
    assert_int_equal(ledger_count(ledger), 0);
    put(&theirs.file, ours.records, ours.count);
    report = take(ledger, buffer_slice(&theirs.file), 1000);
    assert_int_equal(report.stored, ours.count);
    assert_int_equal(report.foreign, theirs.count);
    assert_int_equal(complaints(&report), theirs.count);
    assert_as_lead(&ours, ledger);
    ledger_close(ledger);
    fixture_free(&theirs);
    fixture_free(&ours);
}

/* The records of one log, in order, behind each other. */
static size_t put_log(const struct fixture *fixture, size_t station, size_t from,
                      struct buffer *file) {
    size_t count = 0;
    for (size_t i = 0; i < fixture->count; i++) {
        struct record record;
        struct error err;
        assert_int_equal(record_decode(fixture->records[i], &record, &err), ERR_OK);
        if (ID_EQUAL(record.log, fixture->world.station[station].author.log) &&
            record.number >= from) {
            buffer_append_slice(file, fixture->records[i]);
            count++;
        }
    }
    return count;
}

static void stations_that_are_not_let_in_and_gaps(void **state) {
    (void)state;
    struct fixture fixture;
    struct buffer file;
    fixture_new(&fixture, false);
    buffer_init(&file);
    struct ledger *ledger = world_ledger(&fixture.world);
    size_t count = put_log(&fixture, 1, 1, &file);
    struct carry_report report = take(ledger, buffer_slice(&file), 1000);
    assert_int_equal(report.denied, count);
    assert_int_equal(complaints(&report), count);
    buffer_clear(&file);
    count = put_log(&fixture, 1, 3, &file);
    assert_int_equal(count, fixture.world.station[1].author.number - 2);
    put(&file, fixture.records, 1);
    report = take(ledger, buffer_slice(&file), 1000);
    assert_int_equal(report.stored, 1);
    assert_int_equal(report.gaps, count);
    assert_int_equal(complaints(&report), count);
    report = take(ledger, buffer_slice(&fixture.file), 1000);
    assert_whole(&report, fixture.count, fixture.count - 1);
    assert_as_lead(&fixture, ledger);
    ledger_close(ledger);
    buffer_release(&file);
    fixture_free(&fixture);
}

/* Two branches of one log, cut off from each other in the file. */
static void both_branches_of_a_fork(void **state) {
    (void)state;
    struct fixture fixture;
    struct buffer file;
    fixture_new(&fixture, false);
    struct world *world = &fixture.world;
    struct ledger *copy = world_ledger(world);
    world_give_ledger(world->station[1].ledger, copy);
    struct pairs_author at_fork = world->station[1].author;
    world_issue(world, 1, "20", 0, 0, NULL, NULL);
    world_issue(world, 1, "21", 0, 0, NULL, NULL);
    world_give(world, 1, 0);
    struct ledger *first = world->station[1].ledger;
    world->station[1].ledger = copy;
    world->station[1].author = at_fork;
    world_issue(world, 1, "30", 0, 0, NULL, NULL);
    world_issue(world, 1, "31", 0, 0, NULL, NULL);
    world_give(world, 1, 0);
    size_t count = 0;
    struct slice *records = world_records(world->station[0].ledger, &count);
    buffer_init(&file);
    for (size_t i = count; i > 0; i--) {
        buffer_append_slice(&file, records[i - 1]);
    }
    struct ledger *ledger = world_ledger(world);
    struct carry_report report = take(ledger, buffer_slice(&file), 2);
    assert_whole(&report, count, count);
    assert_same_state(world->station[0].ledger, ledger);
    size_t heads = 0;
    (void)ledger_heads_of(ledger, &at_fork.log, &heads);
    assert_int_equal(heads, 2);
    ledger_close(ledger);
    ledger_close(first);
    buffer_release(&file);
    world_records_free(records, count);
    fixture_free(&fixture);
}

static void which_event(void **state) {
    (void)state;
    struct fixture fixture;
    struct ledger_event event;
    struct error err;
    struct buffer file;
    fixture_new(&fixture, false);
    buffer_init(&file);
    assert_int_equal(carry_event(buffer_slice(&fixture.file), &event, &err), ERR_OK);
    assert_memory_equal(event.event.bytes, fixture.world.event.event.bytes, 32);
    assert_memory_equal(event.root.bytes, fixture.world.event.root.bytes, 32);
    for (size_t i = fixture.count; i > 0; i--) {
        buffer_append_slice(&file, fixture.records[i - 1]);
    }
    assert_int_equal(carry_event(buffer_slice(&file), &event, &err), ERR_OK);
    assert_memory_equal(event.event.bytes, fixture.world.event.event.bytes, 32);
    buffer_clear(&file);
    (void)put_log(&fixture, 1, 1, &file);
    assert_int_equal(carry_event(buffer_slice(&file), &event, &err), ERR_NOT_FOUND);
    assert_int_equal(carry_event(slice_text("no record at all"), &event, &err), ERR_FORM);
    assert_int_equal(carry_event(slice_of(NULL, 0), &event, &err), ERR_FORM);
    buffer_release(&file);
    fixture_free(&fixture);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_whole_file_once_and_again),
        cmocka_unit_test(in_any_order_and_repeated),
        cmocka_unit_test(cut_at_every_byte),
        cmocka_unit_test(every_byte_changed),
        cmocka_unit_test(a_changed_byte_is_called_damage),
        cmocka_unit_test(garbage_between_records),
        cmocka_unit_test(another_event),
        cmocka_unit_test(stations_that_are_not_let_in_and_gaps),
        cmocka_unit_test(both_branches_of_a_fork),
        cmocka_unit_test(which_event),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
