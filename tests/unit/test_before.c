/* What speaks against chipping a bib: the gravest reason, and what it would hide. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "common/before.h"
#include "tests/unit/world.h"

static struct before ask(struct world *world, size_t at, const char *bib) {
    struct before before;
    struct bib label = world_label(bib);
    struct error err;
    assert_int_equal(before_issue(world->station[at].ledger, &world->station[at].keys.sign_public,
                                  &label, &before, &err),
                     ERR_OK);
    return before;
}

static void hold(struct world *world, size_t at, const char *bib, enum hold_how how) {
    struct buffer body;
    struct record_hold say = {.bib = world_label(bib), .how = how, .reason = slice_text("unpaid")};
    buffer_init(&body);
    record_hold_write(&say, &body);
    world_write(world, at, RECORD_HOLD, buffer_slice(&body));
    buffer_release(&body);
}

static void allot(struct world *world, size_t to, uint64_t first, uint64_t last) {
    struct buffer body;
    struct record_allot say = {.key = world->station[to].keys.sign_public,
                               .bibs = {1, {{first, last}}}};
    buffer_init(&body);
    record_allot_write(&say, &body);
    world_write(world, 0, RECORD_ALLOT, buffer_slice(&body));
    buffer_release(&body);
}

static void issue(struct world *world, size_t at, const char *bib, size_t tags, bool half,
                  const struct record_id *extra) {
    struct buffer body;
    struct record_issue say = {
        .bib = world_label(bib), .tag_count = tags, .how = ISSUE_TYPED, .half = half};
    for (size_t i = 0; i < tags; i++) {
        say.tag[i].epc.size = 2;
    }
    if (extra != NULL) {
        say.extra_count = 1;
        say.extra[0] = *extra;
    }
    buffer_init(&body);
    record_issue_write(&say, &body);
    world_write(world, at, RECORD_ISSUE, buffer_slice(&body));
    buffer_release(&body);
}

static void numbers(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    assert_int_equal(ask(&world, one, "42").verdict, BEFORE_CLEAR);
    assert_int_equal(ask(&world, one, "2001").verdict, BEFORE_OUTSIDE);
    assert_int_equal(ask(&world, one, "A7").verdict, BEFORE_OUTSIDE);
    assert_int_equal(ask(&world, one, "99999999999").verdict, BEFORE_OUTSIDE);
    allot(&world, one, 1, 100);
    allot(&world, two, 101, 200);
    world_give(&world, 0, one);
    assert_int_equal(ask(&world, one, "42").verdict, BEFORE_CLEAR);
    struct before before = ask(&world, one, "150");
    assert_int_equal(before.verdict, BEFORE_OTHERS);
    assert_string_equal(before.owner.name, "Table 2");
    before = ask(&world, one, "300");
    assert_int_equal(before.verdict, BEFORE_UNOWNED);
    assert_int_equal(before.own.count, 1);
    assert_int_equal(before.own.range[0].last, 100);
    assert_int_equal(ask(&world, 0, "300").verdict, BEFORE_CLEAR); /* has no numbers of its own */
    world_free(&world);
}

static void history(void **state) {
    struct world world;
    (void)state;
    world_new_with(&world, false, 2);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    issue(&world, one, "42", 2, false, NULL);
    struct before before = ask(&world, one, "42");
    assert_int_equal(before.verdict, BEFORE_ISSUED);
    assert_int_equal(before.live, 1);
    assert_string_equal(before.issue.table, "Table 1");
    issue(&world, one, "43", 1, true, NULL);
    before = ask(&world, one, "43");
    assert_int_equal(before.verdict, BEFORE_HALF);
    assert_true(before.issue.half);
    issue(&world, one, "43", 1, false, &before.issue.id); /* the rest of the set */
    before = ask(&world, one, "43");
    assert_int_equal(before.verdict, BEFORE_ISSUED);
    assert_int_equal(before.live, 2);
    struct record_id gone = world_issue(&world, one, "44", 0, 0, NULL, NULL);
    world_void(&world, one, &gone, 1);
    before = ask(&world, one, "44");
    assert_int_equal(before.verdict, BEFORE_CLEAR);
    assert_true(before.ever);
    size_t reader = world_join(&world, "Info desk", ROLE_READER);
    world_issue(&world, reader, "45", 0, 0, NULL, NULL); /* beyond its role */
    before = ask(&world, reader, "45");
    assert_int_equal(before.verdict, BEFORE_DOUBT);
    assert_string_equal(before.issue.table, "Info desk");
    assert_false(before.issue.counted);
    world_free(&world);
}

static void gravest_first(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    allot(&world, two, 2001, 2100);
    allot(&world, one, 1, 100);
    world_give(&world, 0, one);
    struct before before = ask(&world, one, "2050");
    assert_int_equal(before.verdict, BEFORE_OUTSIDE);
    assert_true(before.others);
    world_issue(&world, one, "2050", 0, 0, NULL, NULL);
    before = ask(&world, one, "2050");
    assert_int_equal(before.verdict, BEFORE_ISSUED);
    assert_true(before.outside && before.others);
    hold(&world, one, "2050", HOLD_REPRINT);
    assert_int_equal(ask(&world, one, "2050").verdict, BEFORE_ABSENT);
    hold(&world, one, "2050", HOLD_HELD);
    before = ask(&world, one, "2050");
    assert_int_equal(before.verdict, BEFORE_HELD);
    assert_string_equal(before.hold.reason, "unpaid");
    assert_int_equal(before.live, 1);
    hold(&world, one, "2050", HOLD_FREE);
    assert_int_equal(ask(&world, one, "2050").verdict, BEFORE_ISSUED);
    world_free(&world);
}

static void no_event_yet(void **state) {
    struct world world;
    struct before before;
    struct bib bib = world_label("42");
    struct error err;
    (void)state;
    world_new(&world, false);
    struct ledger *empty = world_ledger(&world);
    assert_int_equal(before_issue(empty, &world.station[0].keys.sign_public, &bib, &before, &err),
                     ERR_DAMAGED);
    ledger_close(empty);
    world_free(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers),
        cmocka_unit_test(history),
        cmocka_unit_test(gravest_first),
        cmocka_unit_test(no_event_yet),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
