/* The desk, one bib on demand: numbers, chips, questions about both. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/desk_rig.h"

static void hold(struct rig *rig, size_t by, const char *bib, enum hold_how how) {
    struct buffer body;
    struct record_hold say = {.bib = world_label(bib), .how = how, .reason = slice_text("unpaid")};
    buffer_init(&body);
    record_hold_write(&say, &body);
    world_write(&rig->world, by, RECORD_HOLD, buffer_slice(&body));
    buffer_release(&body);
    if (by != rig->at) {
        world_give(&rig->world, by, rig->at);
    }
}

static void allot(struct rig *rig, size_t to, uint64_t first, uint64_t last) {
    struct buffer body;
    struct record_allot say = {.key = rig->world.station[to].keys.sign_public,
                               .bibs = {1, {{first, last}}}};
    buffer_init(&body);
    record_allot_write(&say, &body);
    world_write(&rig->world, 0, RECORD_ALLOT, buffer_slice(&body));
    buffer_release(&body);
    world_give(&rig->world, 0, rig->at);
}

static void one_bib_one_chip(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_says(&rig, DESK_READY, "next bib");
    rig_scan(&rig, " 00042\r\n");
    rig_says(&rig, DESK_WORK, "Put a new chip for bib 42 on the antenna");
    size_t chip = rig_blank(&rig);
    rig_put(&rig, chip);
    rig_says(&rig, DESK_DONE, "Bib 42 is chipped. Stick it on.");
    assert_int_equal(rig_view(&rig)->sound, DESK_SOUND_DONE);
    assert_int_equal(rig_number(&rig, chip), 42);
    struct pairs_issue issue = rig_issue(&rig, "42");
    assert_int_equal(issue.tag_count, 1);
    assert_true(issue.tag[0].seen && issue.live && !issue.half);
    assert_memory_equal(&issue.tag[0].tid, &rig.tag[chip].tag.tid, sizeof issue.tag[0].tid);
    assert_int_equal(issue.how, ISSUE_SCAN);
    /* The chip lies there still: the next number would go to it. */
    uint64_t sounds = rig_view(&rig)->sound_number;
    rig_scan(&rig, "43");
    rig_aside(&rig, "take the chip of bib 42 away first");
    assert_true(rig_view(&rig)->sound_number > sounds);
    assert_int_equal(rig_view(&rig)->sound, DESK_SOUND_REFUSED);
    assert_int_equal(rig_live(&rig, "43"), 0);
    rig_away(&rig, chip);
    rig_says(&rig, DESK_READY, "next bib");
    rig_type(&rig, "43");
    rig_put(&rig, rig_blank(&rig));
    assert_int_equal(rig_issue(&rig, "43").how, ISSUE_TYPED);
    assert_string_equal(rig_view(&rig)->latest[0].bib.text, "43");
    assert_string_equal(rig_view(&rig)->latest[1].bib.text, "42");
    rig_free(&rig);
}

static void chip_lies_there_first(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_put(&rig, rig_blank(&rig));
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_DONE, "Bib 42 is chipped");
    assert_int_equal(rig_number(&rig, 0), 42);
    rig_free(&rig);
}

static void what_is_no_number(void **state) {
    struct rig rig;
    char huge[5000];
    (void)state;
    rig_new(&rig, true, 1, false);
    memset(huge, '7', sizeof huge - 1);
    huge[sizeof huge - 1] = '\0';
    const char *const bad[] = {huge,
                               "4 2",
                               "\x1b[2J",
                               "\xff\xfe",
                               "E2801160200000",
                               "+",
                               "+REPLACE",
                               "+ABCDEFGHIJKLMNOPQRSTUVWXYZ"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        uint64_t sounds = rig_view(&rig)->sound_number;
        rig_scan(&rig, bad[i]);
        assert_true(rig_view(&rig)->sound_number > sounds);
        assert_string_not_equal(rig_view(&rig)->aside, "");
        assert_null(strchr(rig_view(&rig)->aside, '\x1b'));
    }
    assert_int_equal(rig.records, 0);
    rig_scan(&rig, "A12"); /* a label of people's, which no chip of this event can hold */
    rig_says(&rig, DESK_ASK, "not a number of this event");
    rig_answer(&rig, "late");
    rig_aside(&rig, "has letters");
    rig_says(&rig, DESK_READY, "next bib");
    rig_free(&rig);
}

static void run_of_bibs(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_type(&rig, "120-116");
    rig_aside(&rig, "is a run of bibs: use Series for it");
    rig_says(&rig, DESK_READY, "next bib");
    rig_type(&rig, "120-9000"); /* may be a label of people's */
    rig_says(&rig, DESK_ASK, "not a number of this event");
    rig_answer(&rig, "leave");
    world_issue(&rig.world, rig.at, "1-2", 5, 0, NULL, NULL);
    rig_type(&rig, "1-2"); /* is one */
    rig_says(&rig, DESK_ASK, "Bib 1-2 is chipped already");
    rig_free(&rig);
}

static void shown_as_it_was_typed(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_type(&rig, "M\xC3\xBC"
                   "ller 7");
    rig_aside(&rig, "M\xC3\xBC"
                    "ller 7 is no bib number");
    rig_type(&rig, "0123456789012345678901234567890\xC3\xBC\xC3\xBC"); /* cut in a letter */
    rig_aside(&rig, "0123456789012345678901234567890 is no bib number");
    rig_type(&rig, "\xC2\x9B"
                   "2J\x07"); /* CSI as one character, ECMA-48 */
    rig_aside(&rig, "??2J? is no bib number");
    rig_type(&rig, "4\xFF");
    rig_aside(&rig, "4? is no bib number");
    rig_free(&rig);
}

static void pair(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 2, false);
    rig_scan(&rig, "7");
    rig_says(&rig, DESK_WORK, "1 of 2");
    size_t first = rig_blank(&rig), second = rig_blank(&rig);
    rig_put(&rig, first);
    rig_says(&rig, DESK_WORK, "2 of 2");
    assert_int_equal(rig_view(&rig)->chips_made, 1);
    assert_int_equal(rig.records, 0);
    rig_put(&rig, second); /* beside the first one, which is no question */
    rig_says(&rig, DESK_DONE, "Stick them on");
    struct pairs_issue issue = rig_issue(&rig, "7");
    assert_int_equal(issue.tag_count, 2);
    assert_false(issue.half);
    assert_memory_equal(&issue.tag[1].tid, &rig.tag[second].tag.tid, sizeof issue.tag[1].tid);
    rig_free(&rig);
}

static void two_on_the_antenna(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t a = rig_blank(&rig), b = rig_blank(&rig);
    rig_put(&rig, a);
    rig_put(&rig, b);
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_HALT, "more than one chip");
    assert_int_equal(rig_view(&rig)->sound, DESK_SOUND_ALARM);
    assert_int_equal(rig.writes, 0);
    rig_away(&rig, a);
    rig_says(&rig, DESK_DONE, "42");
    rig_clear(&rig);
    rig_scan(&rig, "43");
    rig.tag[a].tag.epc.data[11] = 0;
    rig_put(&rig, a);
    rig_says(&rig, DESK_DONE, "43");
    rig_clear(&rig);
    rig_scan(&rig, "44"); /* two numbers, which are said */
    rig.tag[a].there = rig.tag[b].there = true;
    rig_field(&rig);
    rig_says(&rig, DESK_HALT, "43, 42");
    rig_free(&rig);
}

static void a_thousand_tags(void **state) {
    struct rig rig;
    static struct desk_tag tags[1000];
    (void)state;
    rig_new(&rig, true, 1, false);
    for (size_t i = 0; i < 1000; i++) {
        tags[i].epc.size = 12;
        tags[i].epc.data[10] = (uint8_t)(i >> 8);
        tags[i].epc.data[11] = (uint8_t)i;
    }
    rig_scan(&rig, "42");
    rig_step(&rig, (struct desk_event){.kind = DESK_FIELD, .tag = tags, .tag_count = 1000});
    rig_says(&rig, DESK_HALT, "many others");
    assert_int_equal(rig_view(&rig)->heard, 1000);
    rig_put(&rig, rig_blank(&rig));
    rig_says(&rig, DESK_DONE, "42");
    rig_free(&rig);
}

/* ---- questions about a number ---- */

static void issued_already(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t other = world_join(&rig.world, "Table 2", ROLE_TABLE);
    struct record_id old = world_issue(&rig.world, other, "42", 0, 900, NULL, NULL);
    world_give(&rig.world, other, rig.at);
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_ASK, "Bib 42 is chipped already: Table 2, ");
    assert_string_equal(rig_view(&rig)->choice[0].word, "leave");
    uint64_t question = rig_view(&rig)->question;
    rig_scan(&rig, "43"); /* nothing else is taken, and that is heard */
    rig_aside(&rig, "answer the question first");
    assert_int_equal(rig_view(&rig)->question, question);
    rig_step(&rig, (struct desk_event){.kind = DESK_ANSWER,
                                       .question = question - 1,
                                       .text = slice_text("replace")});
    rig_aside(&rig, "no longer open");
    rig_step(&rig, (struct desk_event){
                       .kind = DESK_ANSWER, .question = question, .text = slice_text("Replace")});
    rig_aside(&rig, "no answer");
    rig_scan(&rig, "+REPLACE");
    rig_says(&rig, DESK_ASK, "Where is the old chip");
    rig_answer(&rig, "on-bib");
    rig_scan(&rig, "42");
    rig_aside(&rig, "Scan the other bib");
    rig_scan(&rig, "17");
    rig_says(&rig, DESK_WORK, "new chip for bib 42");
    rig_put(&rig, rig_blank(&rig));
    rig_says(&rig, DESK_DONE, "42");
    assert_int_equal(rig_live(&rig, "42"), 1);
    struct pairs_issue gone;
    char hex[65];
    struct error err;
    hex_encode(old.bytes, sizeof old.bytes, hex);
    assert_int_equal(
        pairs_find_issue(rig.world.station[rig.at].ledger, slice_text(hex), &gone, &err), ERR_OK);
    assert_int_equal(gone.ended, PAIRS_REPLACED);
    assert_int_equal(gone.chip, CHIP_ON_BIB);
    assert_string_equal(gone.chip_bib.text, "17");
    rig_free(&rig);
}

/* Times are said as the clock on the wall shows them; of another day with the date. */
static void said_times(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.world.wall = 1800000000000; /* 2027-01-15T08:00:00Z, as date -u -d @1800000000 has it */
    world_issue(&rig.world, rig.at, "42", 0, 900, NULL, NULL);
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_ASK, "Table 1, 08:00.");
    rig.zone_ms = 90 * 60000;
    rig_restart(&rig);
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_ASK, "Table 1, 09:30.");
    rig_answer(&rig, "leave");
    rig.world.wall += 15 * 3600000; /* past midnight there, and not yet in UTC */
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_ASK, "Table 1, 2027-01-15 09:30.");
    rig_free(&rig);
}

static void leave_and_further(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    world_issue(&rig.world, rig.at, "42", 0, 900, NULL, NULL);
    rig_scan(&rig, "42");
    rig_answer(&rig, "leave");
    rig_says(&rig, DESK_READY, "next bib");
    assert_int_equal(rig.records, 0);
    rig_scan(&rig, "42");
    rig_answer(&rig, "further");
    rig_put(&rig, rig_blank(&rig));
    rig_says(&rig, DESK_DONE, "42");
    struct pairs_bib bib = world_bib(rig.world.station[rig.at].ledger, "42");
    assert_int_equal(bib.live, 2);
    assert_int_equal(bib.state, PAIRS_ISSUED); /* the second names the first: no double */
    rig_free(&rig);
}

static void one_of_a_pair(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 2, false);
    size_t good = rig_blank(&rig), torn = rig_blank(&rig);
    rig_scan(&rig, "42");
    rig_put(&rig, good);
    rig_put(&rig, torn);
    rig_clear(&rig);
    rig_scan(&rig, "42");
    rig_answer(&rig, "one");
    rig_answer(&rig, "destroyed");
    rig_says(&rig, DESK_WORK, "good chip of bib 42");
    size_t fresh = rig_blank(&rig);
    rig_put(&rig, fresh);
    rig_says(&rig, DESK_HALT, "no good chip of bib 42");
    rig_away(&rig, fresh);
    rig_put(&rig, good);
    rig_says(&rig, DESK_WORK, "2 of 2");
    rig_restart(&rig); /* with the good one read, and nothing new made */
    rig_says(&rig, DESK_WORK, "2 of 2");
    rig_put(&rig, fresh);
    rig_says(&rig, DESK_DONE, "42");
    struct pairs_issue issue = rig_issue(&rig, "42");
    assert_int_equal(rig_live(&rig, "42"), 1);
    assert_int_equal(issue.tag_count, 2);
    assert_memory_equal(&issue.tag[0].tid, &rig.tag[good].tag.tid, sizeof issue.tag[0].tid);
    assert_memory_equal(&issue.tag[1].tid, &rig.tag[fresh].tag.tid, sizeof issue.tag[1].tid);
    rig_free(&rig);
}

static void held(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    hold(&rig, 0, "42", HOLD_HELD);
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_ASK, "A lead must free it");
    assert_int_equal(rig_view(&rig)->choice_count, 1);
    rig_answer(&rig, "leave");
    hold(&rig, rig.at, "43", HOLD_MISSING);
    rig_scan(&rig, "43");
    rig_says(&rig, DESK_ASK, "put down as not here");
    rig_answer(&rig, "here");
    rig_says(&rig, DESK_WORK, "new chip for bib 43");
    struct pairs_hold standing;
    struct error err;
    struct bib bib = world_label("43");
    assert_int_equal(pairs_hold(rig.world.station[rig.at].ledger, &bib, &standing, &err),
                     ERR_NOT_FOUND);
    rig_free(&rig);
}

static void held_at_a_lead(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.at = 0;
    rig.kept_size = 0;
    rig_restart(&rig);
    hold(&rig, 0, "42", HOLD_HELD);
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_ASK, "unpaid");
    rig_answer(&rig, "free");
    rig_put(&rig, rig_blank(&rig));
    rig_says(&rig, DESK_DONE, "42");
    rig_free(&rig);
}

static void other_tables_number(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t other = world_join(&rig.world, "Table 2", ROLE_TABLE);
    allot(&rig, other, 100, 199);
    rig_scan(&rig, "120");
    rig_says(&rig, DESK_ASK, "Bib 120 belongs to Table 2");
    rig_answer(&rig, "one");
    rig_says(&rig, DESK_WORK, "new chip for bib 120");
    rig_put(&rig, rig_blank(&rig));
    rig_clear(&rig);
    rig_scan(&rig, "121"); /* asked anew: only one was meant */
    rig_answer(&rig, "take");
    rig_says(&rig, DESK_WORK, "new chip for bib 121");
    rig_put(&rig, rig_blank(&rig));
    rig_clear(&rig);
    rig_scan(&rig, "122");
    rig_says(&rig, DESK_WORK, "new chip for bib 122");
    rig_command(&rig, DESK_STOP);
    rig_scan(&rig, "3000");
    rig_says(&rig, DESK_ASK, "not a number of this event (1-2000)");
    rig_answer(&rig, "number");
    rig_says(&rig, DESK_ASK, "not one of this table's"); /* taken over: 100-199 */
    rig_answer(&rig, "one");
    rig_put(&rig, rig_blank(&rig));
    assert_string_equal(rig_issue(&rig, "3000").reason, "replacement number");
    rig_free(&rig);
}

static void reader_only(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.at = world_join(&rig.world, "Info desk", ROLE_READER);
    rig.kept_size = 0;
    rig_restart(&rig);
    rig_scan(&rig, "42");
    rig_aside(&rig, "may only read");
    rig_says(&rig, DESK_READY, "next bib");
    rig_free(&rig);
}

/* ---- questions about a chip ---- */

static void chip_of_another_bib(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t chip = rig_blank(&rig);
    rig_scan(&rig, "17");
    rig_put(&rig, chip);
    rig_clear(&rig);
    rig_scan(&rig, "42");
    rig_put(&rig, chip);
    rig_says(&rig, DESK_ASK, "This chip is on bib 17: Table 1");
    assert_string_equal(rig_view(&rig)->choice[0].word, "another");
    rig_answer(&rig, "another");
    rig_says(&rig, DESK_HALT, "Take that chip away");
    assert_int_equal(rig.writes, 1);
    rig_away(&rig, chip);
    rig_says(&rig, DESK_WORK, "new chip for bib 42");
    rig_put(&rig, chip);
    rig_answer(&rig, "over");
    rig_says(&rig, DESK_DONE, "42");
    assert_int_equal(rig_live(&rig, "17"), 0);
    assert_int_equal(rig_live(&rig, "42"), 1);
    struct pairs_issue was = rig_issue(&rig, "17");
    assert_int_equal(was.chip, CHIP_ON_BIB);
    assert_string_equal(was.chip_bib.text, "42");
    rig_clear(&rig);
    rig_command(&rig, DESK_UNDO);
    assert_int_equal(rig_live(&rig, "42"), 0);
    rig_scan(&rig, "43");
    rig_put(&rig, chip); /* of an issue that no longer counts */
    rig_says(&rig, DESK_ASK, "was taken back");
    rig_away(&rig, chip); /* the chip is gone, and the question with it */
    rig_says(&rig, DESK_WORK, "new chip for bib 43");
    rig_free(&rig);
}

static void unknown_number_is_not_written_over(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t chip = rig_blank(&rig);
    struct bib bib = world_label("99");
    struct epc_scheme own = {.kind = EPC_OWN, .code = 4711};
    struct error err;
    assert_int_equal(epc_for_bib(&own, &bib, &rig.tag[chip].tag.epc, &err), ERR_OK);
    rig_scan(&rig, "42");
    rig_put(&rig, chip);
    rig_says(&rig, DESK_ASK, "carries number 99");
    assert_int_equal(rig_view(&rig)->choice_count, 1);
    rig_free(&rig);
}

static void strange_roll(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    for (size_t i = 0; i < 3; i++) {
        size_t chip = rig_blank(&rig);
        rig.tag[chip].tag.epc.data[0] = 0x30; /* a shop's: SGTIN-96, GS1 TDS 2.1, 14.2 */
        rig.tag[chip].tag.epc.data[11] = (uint8_t)(i + 1);
    }
    rig_scan(&rig, "42");
    rig_put(&rig, 0);
    rig_says(&rig, DESK_ASK, "This is no blank chip");
    rig_answer(&rig, "another");
    rig_clear(&rig);
    rig_put(&rig, 1);
    rig_answer(&rig, "take");
    rig_says(&rig, DESK_DONE, "42");
    rig_clear(&rig);
    rig_scan(&rig, "43");
    rig_put(&rig, 2); /* not asked again */
    rig_says(&rig, DESK_DONE, "43");
    rig_free(&rig);
}

static void as_read(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, true);
    size_t chip = rig_blank(&rig), other = rig_blank(&rig);
    rig.tag[chip].tag.epc.data[11] = 1;
    rig.tag[other].tag.epc.data[11] = 2;
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_WORK, "Put a chip for bib 42");
    rig_put(&rig, chip);
    rig_says(&rig, DESK_DONE, "42");
    assert_int_equal(rig.writes, 0);
    rig_clear(&rig);
    rig_scan(&rig, "43");
    rig_put(&rig, chip);
    rig_says(&rig, DESK_ASK, "This chip is on bib 42");
    rig_answer(&rig, "another");
    rig_clear(&rig);
    rig_put(&rig, other);
    rig_says(&rig, DESK_DONE, "43");
    assert_true(rig_issue(&rig, "43").tag[0].seen);
    rig_free(&rig);
}

static void as_read_typed(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, false, 2, true);
    rig_scan(&rig, "E280116020001122AABBCCDD");
    rig_aside(&rig, "Scan the bib first");
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_WORK, "Read a chip for bib 42");
    rig_scan(&rig, "35000000000000000000AA01/E2801160200000000001");
    rig_says(&rig, DESK_WORK, "Read a chip for bib 42");
    rig_scan(&rig, "35000000000000000000AA01/E2801160200000000001");
    rig_aside(&rig, "same chip");
    rig_scan(&rig, "not hex at all/");
    rig_aside(&rig, "neither a bib number nor");
    rig_scan(&rig, "35000000000000000000AA02");
    rig_says(&rig, DESK_DONE, "Bib 42 is chipped");
    assert_int_equal(rig_issue(&rig, "42").tag_count, 2);
    rig_free(&rig);
}

static void number_alone(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, false, 2, false);
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_DONE, "42");
    struct pairs_issue issue = rig_issue(&rig, "42");
    assert_int_equal(issue.tag_count, 2);
    assert_false(issue.tag[0].seen || issue.tag[1].seen || issue.half);
    rig_scan(&rig, "43"); /* nothing lies anywhere: it is simply the next */
    rig_says(&rig, DESK_DONE, "43");
    rig_command(&rig, DESK_UNDO);
    assert_int_equal(rig_live(&rig, "43"), 0);
    assert_true(rig_view(&rig)->latest[0].undone);
    rig_command(&rig, DESK_UNDO); /* one step back, not many */
    rig_aside(&rig, "nothing to take back");
    assert_int_equal(rig_live(&rig, "42"), 1);
    rig_free(&rig);
}

static void rolls(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    struct desk_event roll = {
        .kind = DESK_COMMAND, .command = DESK_ROLL, .pair = true, .text = slice_text("R-7")};
    rig_step(&rig, roll);
    rig_aside(&rig, "has its chips in pairs");
    assert_string_equal(rig_view(&rig)->roll, "");
    roll.pair = false;
    rig_step(&rig, roll);
    assert_string_equal(rig_view(&rig)->roll, "R-7");
    rig_scan(&rig, "42");
    roll.text = slice_text("R-8"); /* in the middle: loses no place */
    rig_step(&rig, roll);
    rig_says(&rig, DESK_WORK, "42");
    rig_put(&rig, rig_blank(&rig));
    assert_string_equal(rig_issue(&rig, "42").tag[0].roll, "R-8");
    struct desk_event helper = {
        .kind = DESK_COMMAND, .command = DESK_HELPER, .text = slice_text(" AB ")};
    rig_step(&rig, helper);
    assert_string_equal(rig_view(&rig)->helper, "AB");
    helper.text = slice_text("far too long");
    rig_step(&rig, helper);
    assert_string_equal(rig_view(&rig)->helper, "AB");
    rig_restart(&rig);
    assert_string_equal(rig_view(&rig)->helper, "AB");
    assert_string_equal(rig_view(&rig)->roll, "R-8");
    assert_string_equal(rig_view(&rig)->latest[0].bib.text, "42");
    rig_clear(&rig);
    rig_command(&rig, DESK_UNDO); /* also after a restart */
    assert_int_equal(rig_live(&rig, "42"), 0);
    rig_scan(&rig, "+BY:CD"); /* a change of shift with nothing but a scanner */
    assert_string_equal(rig_view(&rig)->helper, "CD");
    rig_scan(&rig, "+by:");
    assert_string_equal(rig_view(&rig)->helper, "");
    rig_free(&rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_bib_one_chip),
        cmocka_unit_test(chip_lies_there_first),
        cmocka_unit_test(what_is_no_number),
        cmocka_unit_test(run_of_bibs),
        cmocka_unit_test(shown_as_it_was_typed),
        cmocka_unit_test(pair),
        cmocka_unit_test(two_on_the_antenna),
        cmocka_unit_test(a_thousand_tags),
        cmocka_unit_test(issued_already),
        cmocka_unit_test(said_times),
        cmocka_unit_test(leave_and_further),
        cmocka_unit_test(one_of_a_pair),
        cmocka_unit_test(held),
        cmocka_unit_test(held_at_a_lead),
        cmocka_unit_test(other_tables_number),
        cmocka_unit_test(reader_only),
        cmocka_unit_test(chip_of_another_bib),
        cmocka_unit_test(unknown_number_is_not_written_over),
        cmocka_unit_test(strange_roll),
        cmocka_unit_test(as_read),
        cmocka_unit_test(as_read_typed),
        cmocka_unit_test(number_alone),
        cmocka_unit_test(rolls),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
