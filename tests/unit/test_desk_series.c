/* The desk in a stack: skips, scans of the bib in hand, stop, absent, redo, and other work between.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/desk_rig.h"

/* A chip for the bib in turn, and away with it. */
static size_t chip(struct rig *rig) {
    size_t tag = rig_blank(rig);
    rig_put(rig, tag);
    rig_away(rig, tag);
    return tag;
}

static void chips(struct rig *rig, size_t count) {
    for (size_t i = 0; i < count; i++) {
        chip(rig);
    }
}

static void falling_with_skips(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t other = world_join(&rig.world, "Table 2", ROLE_TABLE);
    world_issue(&rig.world, other, "48", 0, 900, NULL, NULL);
    world_give(&rig.world, other, rig.at);
    rig_range(&rig, DESK_SERIES, 50, 46, 1, 0);
    rig_says(&rig, DESK_WORK, "Scan the bib in hand: it must be bib 50");
    size_t early = rig_blank(&rig);
    rig_put(&rig, early); /* not before the scan */
    assert_int_equal(rig.writes, 0);
    rig_scan(&rig, "50");
    assert_int_equal(rig_number(&rig, early), 50);
    rig_says(&rig, DESK_DONE, "Bib 50 is chipped");
    rig_aside(&rig, "Bib 50 is the right one");
    rig_away(&rig, early); /* taken away: the next */
    assert_null(strstr(rig_view(&rig)->aside, "right one"));
    rig_says(&rig, DESK_WORK, "new chip for bib 49");
    assert_int_equal(rig_view(&rig)->way, DESK_WAY_SERIES);
    assert_int_equal(rig_view(&rig)->next, 49);
    chip(&rig);
    rig_says(&rig, DESK_WORK, "new chip for bib 47");
    rig_aside(&rig, "Bib 48. Skipped: chipped at Table 2");
    assert_string_equal(rig_view(&rig)->latest[0].bib.text, "48");
    chip(&rig);
    assert_null(strstr(rig_view(&rig)->aside, "Skipped"));
    rig_says(&rig, DESK_WORK, "Scan the bib in hand: it must be bib 46"); /* the last */
    rig_scan(&rig, "46");
    chip(&rig);
    rig_says(&rig, DESK_READY, "The series is done: 4 chipped, 1 skipped");
    assert_int_equal(rig_issue(&rig, "46").how, ISSUE_SERIES);
    assert_int_equal(rig_live(&rig, "48"), 1);
    rig_free(&rig);
}

static void last_number_is_skipped(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    world_issue(&rig.world, rig.at, "13", 0, 900, NULL, NULL);
    rig_range(&rig, DESK_SERIES, 10, 14, 3, 0); /* 10, 13 */
    rig_scan(&rig, "10");
    chip(&rig);
    rig_says(&rig, DESK_READY, "1 chipped, 1 skipped");
    rig_range(&rig, DESK_SERIES, 9, 13, 2, 0); /* 9, 11, 13: 11 was made without a scan */
    rig_scan(&rig, "9");
    chips(&rig, 2);
    rig_says(&rig, DESK_WORK, "it must be bib 11");
    rig_scan(&rig, "12");
    rig_says(&rig, DESK_HALT, "bib 12 is in hand");
    rig_answer(&rig, "again");
    rig_scan(&rig, "11");
    rig_says(&rig, DESK_READY, "2 chipped, 1 skipped");
    rig_free(&rig);
}

static void wrong_scan_and_redo(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_range(&rig, DESK_SERIES, 1, 20, 1, 5);
    rig_scan(&rig, "1");
    chips(&rig, 5);
    rig_says(&rig, DESK_WORK, "it must be bib 6");
    rig_scan(&rig, "6");
    chips(&rig, 5);
    rig_says(&rig, DESK_WORK, "it must be bib 11");
    rig_scan(&rig, "12"); /* one was left out since 6 */
    rig_says(&rig, DESK_HALT, "bib 12 is in hand, and it should be bib 11");
    assert_string_equal(rig_view(&rig)->choice[0].word, "again");
    assert_int_equal(rig_view(&rig)->sound, DESK_SOUND_ALARM);
    rig_answer(&rig, "redo");
    rig_aside(&rig, "4 bibs are taken back");
    assert_int_equal(rig_live(&rig, "6"), 1);
    for (int i = 7; i <= 10; i++) {
        char bib[8];
        snprintf(bib, sizeof bib, "%d", i);
        assert_int_equal(rig_live(&rig, bib), 0);
    }
    rig_says(&rig, DESK_WORK, "it must be bib 7");
    rig_scan(&rig, "7");
    chips(&rig, 4);
    assert_int_equal(rig_live(&rig, "10"), 1);
    rig_says(&rig, DESK_WORK, "it must be bib 11");
    rig_free(&rig);
}

static void stop_at_once(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 2, false);
    rig_range(&rig, DESK_SERIES, 1, 20, 1, 0);
    rig_scan(&rig, "1");
    chips(&rig, 3);
    rig_says(&rig, DESK_WORK, "2 of 2 for bib 2");
    rig_command(&rig, DESK_STOP); /* what is made counts: half */
    assert_true(rig_issue(&rig, "2").half);
    assert_int_equal(rig_issue(&rig, "2").tag_count, 1);
    rig_says(&rig, DESK_READY, "The series is stopped");
    rig_scan(&rig, "2");
    rig_says(&rig, DESK_ASK, "Bib 2 is half done: 1 of 2 chips");
    rig_answer(&rig, "finish");
    rig_says(&rig, DESK_WORK, "new chip for bib 2");
    chip(&rig);
    struct pairs_bib bib = world_bib(rig.world.station[rig.at].ledger, "2");
    assert_int_equal(bib.state, PAIRS_ISSUED);
    assert_int_equal(bib.live, 2);
    assert_false(rig_issue(&rig, "2").half);
    rig_free(&rig);
}

static void stop_while_writing(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    rig_range(&rig, DESK_SERIES, 1, 20, 1, 0);
    rig_scan(&rig, "1");
    rig_put(&rig, rig_blank(&rig));
    assert_true(rig.has_order);
    rig_scan(&rig, "+STOP");
    assert_true(rig.forgotten);
    rig_written(&rig); /* too late to call it back: it counts */
    assert_int_equal(rig_live(&rig, "1"), 1);
    rig_clear(&rig);
    rig_says(&rig, DESK_READY, "1 chipped");
    rig_range(&rig, DESK_SERIES, 2, 20, 1, 0);
    rig_scan(&rig, "2");
    rig_put(&rig, rig_blank(&rig));
    rig_command(&rig, DESK_STOP);
    rig_failed(&rig, DESK_FAILED_STOPPED, false);
    rig_says(&rig, DESK_READY, "0 chipped");
    assert_int_equal(rig_live(&rig, "2"), 0);
    rig_free(&rig);
}

static void absent(void **state) {
    struct rig rig;
    struct pairs_hold hold;
    struct error err;
    (void)state;
    rig_new(&rig, true, 1, false);
    struct ledger *ledger = rig.world.station[rig.at].ledger;
    rig_range(&rig, DESK_SERIES, 1, 5, 1, 0);
    rig_scan(&rig, "+ABSENT"); /* the first is not in the stack */
    struct bib one = world_label("1"), two = world_label("2");
    assert_int_equal(pairs_hold(ledger, &one, &hold, &err), ERR_OK);
    assert_int_equal(hold.how, HOLD_MISSING);
    rig_says(&rig, DESK_WORK, "it must be bib 2");
    rig_scan(&rig, "2");
    size_t made = rig_blank(&rig);
    rig_put(&rig, made);
    rig_command(&rig, DESK_ABSENT); /* spoiled after its chip was made: that is taken back */
    assert_int_equal(rig_live(&rig, "2"), 0);
    assert_int_equal(pairs_hold(ledger, &two, &hold, &err), ERR_OK);
    rig_aside(&rig, "Throw its chip away");
    rig_says(&rig, DESK_WORK, "it must be bib 3"); /* none was done yet: the first is scanned */
    rig_scan(&rig, "3");
    rig_says(&rig, DESK_ASK, "This chip was on bib 2"); /* it lies there still */
    rig_away(&rig, made);
    chip(&rig);
    rig_says(&rig, DESK_WORK, "new chip for bib 4");
    rig_command(&rig, DESK_STOP);
    rig_scan(&rig, "2");
    rig_says(&rig, DESK_ASK, "put down as not here");
    rig_free(&rig);
}

static void absent_while_writing(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    rig_range(&rig, DESK_SERIES, 1, 5, 1, 0);
    rig_scan(&rig, "1");
    size_t made = rig_blank(&rig);
    rig_put(&rig, made);
    rig_command(&rig, DESK_ABSENT);
    rig_written(&rig);
    assert_int_equal(rig_live(&rig, "1"), 0);
    rig_aside(&rig, "not here or spoiled. Throw its chip away");
    rig_says(&rig, DESK_WORK, "it must be bib 2");
    rig_free(&rig);
}

static void work_in_between(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 2, false);
    rig_range(&rig, DESK_SERIES, 10, 20, 1, 0);
    rig_scan(&rig, "10");
    size_t first = rig_blank(&rig);
    rig_put(&rig, first);
    rig_command(&rig, DESK_ON_DEMAND); /* not between the two chips of a set */
    rig_aside(&rig, "Bib 10 is in the making");
    rig_put(&rig, rig_blank(&rig));
    rig_clear(&rig);
    rig_says(&rig, DESK_WORK, "1 of 2 for bib 11");
    rig_command(&rig, DESK_ON_DEMAND);
    rig_scan(&rig, "12");
    rig_says(&rig, DESK_WORK, "1 of 2 for bib 12");
    rig_command(&rig, DESK_LOOK);
    rig_aside(&rig, "Bib 12 was not done");
    rig_command(&rig, DESK_ON_DEMAND);
    rig_answer(&rig, "resume");
    rig_says(&rig, DESK_WORK, "it must be bib 11");
    rig_free(&rig);
}

static void one_in_the_middle(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_range(&rig, DESK_SERIES, 10, 20, 1, 0);
    rig_scan(&rig, "10");
    size_t tag = rig_blank(&rig);
    rig_put(&rig, tag);
    rig_scan(&rig, "+ONE");
    rig_away(&rig, tag);
    rig_says(&rig, DESK_READY, "next bib");
    assert_string_equal(rig_view(&rig)->choice[0].word, "resume");
    rig_scan(&rig, "500");
    rig_says(&rig, DESK_WORK, "new chip for bib 500");
    chip(&rig);
    rig_restart(&rig);
    rig_says(&rig, DESK_READY, "next bib");
    rig_answer(&rig, "resume");
    rig_says(&rig, DESK_WORK, "it must be bib 11");
    rig_scan(&rig, "11");
    chip(&rig);
    assert_int_equal(rig_live(&rig, "11"), 1);
    rig_free(&rig);
}

static void place_after_a_restart(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_range(&rig, DESK_SERIES, 30, 1, 1, 0);
    rig_scan(&rig, "30");
    chips(&rig, 3);
    rig_restart(&rig);
    rig_says(&rig, DESK_WORK, "it must be bib 27"); /* the place is known, the hand is not */
    assert_int_equal(rig_view(&rig)->done, 3);
    rig_scan(&rig, "27");
    chip(&rig);
    rig_says(&rig, DESK_WORK, "new chip for bib 26");
    rig_free(&rig);
}

/* Half a set from before the power cut is put down, and the next bib is scanned before it is done.
 */
static void half_before_a_restart(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 2, false);
    rig_range(&rig, DESK_SERIES, 30, 1, 1, 0);
    rig_scan(&rig, "30");
    chips(&rig, 3);
    rig_restart(&rig);
    rig_says(&rig, DESK_ASK, "Bib 29 had 1 of its 2 chips");
    rig_answer(&rig, "half");
    assert_true(rig_issue(&rig, "29").half);
    rig_says(&rig, DESK_WORK, "it must be bib 28");
    rig_free(&rig);
}

static void other_tables_stack(void **state) {
    struct rig rig;
    struct buffer body;
    (void)state;
    rig_new(&rig, true, 1, false);
    struct record_allot allot = {.key = rig.world.station[rig.at].keys.sign_public,
                                 .bibs = {1, {{1, 100}}}};
    buffer_init(&body);
    record_allot_write(&allot, &body);
    world_write(&rig.world, 0, RECORD_ALLOT, buffer_slice(&body));
    buffer_release(&body);
    world_give(&rig.world, 0, rig.at);
    rig_range(&rig, DESK_SERIES, 210, 201, 1, 0);
    rig_says(&rig, DESK_ASK, "Bib 210 is not one of this table's (1-100)");
    rig_answer(&rig, "series"); /* asked once for the stack */
    rig_scan(&rig, "210");
    chips(&rig, 3);
    rig_says(&rig, DESK_WORK, "new chip for bib 207");
    rig_free(&rig);
}

static void undo_in_series(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_range(&rig, DESK_SERIES, 1, 9, 1, 0);
    rig_scan(&rig, "1");
    chips(&rig, 2);
    rig_command(&rig, DESK_UNDO);
    assert_int_equal(rig_live(&rig, "2"), 0);
    rig_says(&rig, DESK_WORK, "new chip for bib 2");
    chip(&rig);
    assert_int_equal(rig_live(&rig, "2"), 1);
    rig_says(&rig, DESK_WORK, "new chip for bib 3");
    rig_free(&rig);
}

static void redo_a_run(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, false, 1, false);
    for (int i = 1; i <= 150; i++) {
        char bib[8];
        snprintf(bib, sizeof bib, "%d", i);
        rig_scan(&rig, bib);
    }
    size_t records = rig.records;
    rig_range(&rig, DESK_REDO, 1, 501, 0, 0);
    rig_aside(&rig, "at most 500");
    rig_range(&rig, DESK_REDO, UINT64_C(1500000000000), UINT64_C(1500000000000), 0, 0);
    rig_aside(&rig, "at most 500"); /* no label holds it */
    rig_range(&rig, DESK_REDO, 150, 11, 0, 0);
    rig_says(&rig, DESK_ASK, "from bib 150 to 11");
    rig_answer(&rig, "leave");
    assert_int_equal(rig.records, records);
    rig_range(&rig, DESK_REDO, 150, 11, 0, 0);
    rig_answer(&rig, "redo");
    assert_int_equal(rig.records, records + 3); /* 140 names, at most 64 in one void */
    assert_int_equal(rig_live(&rig, "10"), 1);
    assert_int_equal(rig_live(&rig, "11"), 0);
    assert_int_equal(rig_live(&rig, "150"), 0);
    rig_says(&rig, DESK_WORK, "it must be bib 150");
    rig_scan(&rig, "150");
    rig_says(&rig, DESK_WORK, "it must be bib 149"); /* with no encoder each bib is scanned */
    rig_free(&rig);
}

static void bad_ranges(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    const uint64_t bad[][2] = {{0, 0}, {0, 5}, {5, 0}, {1, UINT64_MAX}, {UINT64_MAX, 1}, {1, 3000}};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        rig_range(&rig, DESK_SERIES, bad[i][0], bad[i][1], 1, 0);
        rig_aside(&rig, "A series goes from");
        rig_says(&rig, DESK_READY, "next bib");
    }
    rig_range(&rig, DESK_SERIES, 5, 5, UINT64_MAX, UINT64_MAX);
    rig_scan(&rig, "5");
    chip(&rig);
    rig_says(&rig, DESK_READY, "1 chipped");
    rig_free(&rig);
}

/* A long stretch that is done already is gone through in slices, and no other event waits. */
static void long_skip(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, false, 1, false);
    for (int i = 1; i <= 700; i++) {
        char bib[8];
        snprintf(bib, sizeof bib, "%d", i);
        rig_scan(&rig, bib);
    }
    rig_range(&rig, DESK_SERIES, 1, 701, 1, 0);
    size_t ticks = 0;
    while (desk_deadline(rig.desk).ms <= rig.now) {
        rig_tick(&rig, 0);
        assert_true(++ticks < 20);
    }
    assert_true(ticks >= 2);
    rig_says(&rig, DESK_WORK, "it must be bib 701");
    rig_free(&rig);
}

/* The stack is out of step, or another bib was scanned by chance: no chip before that is known. */
static void scan_again_is_asked_for(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_range(&rig, DESK_SERIES, 1, 20, 1, 10);
    rig_scan(&rig, "1");
    chips(&rig, 3);
    rig_scan(&rig, "5"); /* not due, and wrong: 4 is in turn */
    rig_says(&rig, DESK_HALT, "it should be bib 4");
    rig_answer(&rig, "again");
    rig_says(&rig, DESK_WORK, "Scan the bib in hand: it must be bib 4");
    size_t writes = rig.writes;
    size_t tag = rig_blank(&rig);
    rig_put(&rig, tag);
    assert_int_equal(rig.writes, writes);
    rig_restart(&rig);
    rig_field(&rig);
    assert_int_equal(rig.writes, writes);
    rig_scan(&rig, "4");
    assert_int_equal(rig.writes, writes + 1);
    assert_int_equal(rig_live(&rig, "4"), 1);
    rig_free(&rig);
}

/* What was skipped in between does not shorten what is taken back. */
static void redo_over_a_long_skip(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t other = world_join(&rig.world, "Table 2", ROLE_TABLE);
    for (int i = 7; i <= 600; i++) {
        char bib[8];
        snprintf(bib, sizeof bib, "%d", i);
        world_issue(&rig.world, other, bib, 0, 0, NULL, NULL);
    }
    world_give(&rig.world, other, rig.at);
    rig_news(&rig);
    rig_range(&rig, DESK_SERIES, 1, 700, 1, 5000);
    rig_scan(&rig, "1");
    chips(&rig, 6);
    rig_tick(&rig, 1);
    rig_tick(&rig, 1);
    chips(&rig, 5);
    assert_int_equal(rig_live(&rig, "605"), 1);
    rig_scan(&rig, "607");
    rig_says(&rig, DESK_HALT, "bib 607 is in hand, and it should be bib 606");
    rig_answer(&rig, "redo");
    rig_aside(&rig, "10 bibs are taken back");
    for (int i = 2; i <= 605; i++) {
        char bib[8];
        snprintf(bib, sizeof bib, "%d", i);
        assert_int_equal(rig_live(&rig, bib), i >= 7 && i <= 600 ? 1 : 0);
    }
    rig_free(&rig);
}

/* More than one act can take back is refused as a whole. */
static void redo_of_too_much(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    for (unsigned i = 0; i < 2000; i++) {
        char bib[8];
        snprintf(bib, sizeof bib, "%u", i % 500 + 1);
        world_issue(&rig.world, rig.at, bib, 0, i + 1, NULL, NULL);
    }
    rig_range(&rig, DESK_REDO, 1, 500, 1, 0);
    rig_answer(&rig, "redo");
    rig_aside(&rig, "Take them back in parts");
    assert_int_equal(rig_live(&rig, "1"), 4);
    rig_range(&rig, DESK_REDO, 1, 100, 1, 0);
    rig_answer(&rig, "redo");
    rig_aside(&rig, "100 bibs are taken back");
    assert_int_equal(rig_live(&rig, "1"), 0);
    assert_int_equal(rig_live(&rig, "100"), 0);
    assert_int_equal(rig_live(&rig, "101"), 4);
    rig_free(&rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(falling_with_skips),
        cmocka_unit_test(last_number_is_skipped),
        cmocka_unit_test(wrong_scan_and_redo),
        cmocka_unit_test(stop_at_once),
        cmocka_unit_test(stop_while_writing),
        cmocka_unit_test(absent),
        cmocka_unit_test(absent_while_writing),
        cmocka_unit_test(work_in_between),
        cmocka_unit_test(one_in_the_middle),
        cmocka_unit_test(place_after_a_restart),
        cmocka_unit_test(half_before_a_restart),
        cmocka_unit_test(other_tables_stack),
        cmocka_unit_test(undo_in_series),
        cmocka_unit_test(redo_a_run),
        cmocka_unit_test(bad_ranges),
        cmocka_unit_test(long_skip),
        cmocka_unit_test(scan_again_is_asked_for),
        cmocka_unit_test(redo_over_a_long_skip),
        cmocka_unit_test(redo_of_too_much),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
