/* The desk when something fails: chips, encoders, the disk, the power; and news from elsewhere. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/desk_rig.h"

static void down(struct rig *rig) {
    rig->has_order = false;
    rig_step(rig, (struct desk_event){.kind = DESK_ENCODER_DOWN,
                                      .text = slice_text("no connection to the reader")});
}

static void up(struct rig *rig) {
    rig_step(rig, (struct desk_event){.kind = DESK_ENCODER_UP});
    rig_field(rig);
}

static void fails_and_is_tried_again(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    rig_scan(&rig, "42");
    size_t chip = rig_blank(&rig);
    rig_put(&rig, chip);
    for (int i = 0; i < 3; i++) {
        assert_int_equal(rig.writes, i + 1);
        rig_failed(&rig, DESK_FAILED_WEAK, false);
        assert_int_equal(rig.writes, i + 1); /* not on the same hearing */
        rig_field(&rig);
    }
    rig_says(&rig, DESK_HALT, "could not be written 3 times");
    assert_string_equal(rig_view(&rig)->aside, "");
    assert_int_equal(rig.writes, 3);
    rig_away(&rig, chip);
    rig_put(&rig, rig_blank(&rig));
    assert_int_equal(rig.writes, 4);
    rig_failed(&rig, DESK_FAILED_LOCKED, false);
    rig_field(&rig);
    rig_says(&rig, DESK_HALT, "locked"); /* trying again is of no use */
    assert_string_equal(rig_view(&rig)->aside, "");
    assert_int_equal(rig.writes, 4);
    rig_clear(&rig);
    rig_put(&rig, rig_blank(&rig));
    rig_written(&rig);
    rig_says(&rig, DESK_DONE, "42");
    rig_free(&rig);
}

/* One sentence, and not one that blames the chip beside one that does not. */
static void two_answered_three_times(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    rig_scan(&rig, "42");
    rig_put(&rig, rig_blank(&rig));
    for (int i = 0; i < 3; i++) {
        rig_failed(&rig, DESK_FAILED_TWO, false);
        rig_field(&rig);
    }
    rig_says(&rig, DESK_HALT, "More than one chip answered, 3 times.");
    assert_string_equal(rig_view(&rig)->aside, "");
    rig_free(&rig);
}

static void number_while_writing(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    rig_scan(&rig, "42");
    rig_put(&rig, rig_blank(&rig));
    rig_scan(&rig, "43");
    rig_aside(&rig, "43 was not taken: the chip for bib 42 is being written");
    rig_written(&rig);
    rig_says(&rig, DESK_DONE, "42");
    assert_int_equal(rig_live(&rig, "43"), 0);
    rig_free(&rig);
}

static void answers_to_no_order(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    size_t chip = rig_blank(&rig);
    struct desk_event written = {
        .kind = DESK_WRITTEN, .order = 1, .tag = &rig.tag[chip].tag, .tag_count = 1};
    rig_step(&rig, written);
    rig_step(&rig, (struct desk_event){.kind = DESK_FAILED, .order = 1, .changed = true});
    rig_step(&rig, (struct desk_event){.kind = DESK_RECORDED});
    rig_step(&rig, (struct desk_event){.kind = DESK_NOT_RECORDED});
    rig_says(&rig, DESK_READY, "next bib");
    rig_scan(&rig, "42");
    rig_put(&rig, chip);
    written.order = rig.order.order + 1;
    rig_step(&rig, written);
    written.order = rig.order.order;
    written.tag_count = 0;
    rig_step(&rig, written);
    assert_int_equal(rig_live(&rig, "42"), 0);
    rig_written(&rig);
    assert_int_equal(rig_live(&rig, "42"), 1);
    rig_free(&rig);
}

/* What was read back is not what was ordered: it is not counted. */
static void read_back_wrong(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    rig_scan(&rig, "42");
    size_t chip = rig_blank(&rig);
    rig_put(&rig, chip);
    struct desk_tag torn = rig.tag[chip].tag;
    torn.epc.data[0] = 0x47;
    rig.tag[chip].tag = torn;
    rig.has_order = false;
    rig_step(&rig,
             (struct desk_event){
                 .kind = DESK_WRITTEN, .order = rig.order.order, .tag = &torn, .tag_count = 1});
    assert_int_equal(rig.records, 0);
    rig_says(&rig, DESK_ASK, "Put the chip for bib 42 back on the antenna, alone");
    assert_string_equal(rig_view(&rig)->choice[0].word, "wait");
    rig_answer(&rig, "wait");
    rig_says(&rig, DESK_ASK, "Put the chip for bib 42 back");
    rig_field(&rig); /* it lies there: written again, without being asked what it carries */
    assert_true(rig.has_order);
    rig_written(&rig);
    rig_says(&rig, DESK_DONE, "42");
    rig_free(&rig);
}

static void in_doubt_after_a_crash(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    rig_scan(&rig, "42");
    size_t chip = rig_blank(&rig), other = rig_blank(&rig);
    rig_put(&rig, chip);
    assert_true(rig.has_order);
    rig_away(&rig, chip);
    rig.tag[chip].tag.epc = rig.order.epc; /* it was written, and nobody heard */
    rig_restart(&rig);
    rig_says(&rig, DESK_ASK, "Put the chip for bib 42 back");
    rig_scan(&rig, "43");
    rig_aside(&rig, "answer the question first");
    rig_put(&rig, other); /* another chip settles nothing */
    rig_says(&rig, DESK_HALT, "That is a different chip");
    rig_says(&rig, DESK_HALT, "put the chip for bib 42 back");
    rig.tag[chip].there = true;
    rig_field(&rig);
    rig_says(&rig, DESK_HALT, "Leave only the chip for bib 42");
    rig_away(&rig, other);
    rig_says(&rig, DESK_DONE, "Bib 42 is chipped");
    assert_int_equal(rig.writes, 1);
    struct pairs_issue issue = rig_issue(&rig, "42");
    assert_memory_equal(&issue.tag[0].tid, &rig.tag[chip].tag.tid, sizeof(struct tid));
    rig_free(&rig);
}

static void in_doubt_and_thrown_away(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    rig_scan(&rig, "42");
    rig_put(&rig, rig_blank(&rig));
    uint64_t order = rig.order.order;
    down(&rig);
    rig_says(&rig, DESK_ASK, "The encoder is not ready");
    rig_clear(&rig);
    up(&rig);
    rig_answer(&rig, "thrown");
    rig_says(&rig, DESK_WORK, "new chip for bib 42");
    rig_restart(&rig); /* nothing was made: the number comes again */
    rig_says(&rig, DESK_READY, "next bib");
    rig_scan(&rig, "42");
    rig_put(&rig, rig_blank(&rig));
    assert_true(rig.order.order > order); /* numbers of orders are never used again */
    rig_written(&rig);
    rig_says(&rig, DESK_DONE, "42");
    rig_free(&rig);
}

static void in_doubt_without_tids(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 2, false);
    rig.no_tids = true;
    rig_scan(&rig, "42");
    size_t first = rig_blank(&rig);
    rig_put(&rig, first);
    rig.by_hand = true;
    size_t second = rig_blank(&rig);
    rig_put(&rig, second);
    rig_failed(&rig, DESK_FAILED_GONE, true);
    rig_away(&rig, second);
    /* The first chip carries 42 as well: it must not be taken for the second. */
    rig_field(&rig);
    rig_says(&rig, DESK_ASK, "Put the chip for bib 42 back");
    assert_int_equal(rig_view(&rig)->chips_made, 1);
    rig_put(&rig, second);
    assert_true(rig.has_order);
    rig_written(&rig);
    assert_int_equal(rig_issue(&rig, "42").tag_count, 2);
    rig_free(&rig);
}

static void power_between_a_pair(void **state) {
    struct rig rig;
    (void)state;
    for (int finish = 0; finish < 2; finish++) {
        rig_new(&rig, true, 2, false);
        rig_scan(&rig, "42");
        size_t chip = rig_blank(&rig);
        rig_put(&rig, chip);
        rig_clear(&rig);
        rig_restart(&rig);
        rig_says(&rig, DESK_ASK, "Bib 42 had 1 of its 2 chips");
        assert_string_equal(rig_view(&rig)->choice[0].word, "half");
        rig_answer(&rig, finish ? "finish" : "half");
        if (finish) {
            rig_put(&rig, rig_blank(&rig));
        }
        struct pairs_issue issue = rig_issue(&rig, "42");
        assert_int_equal(issue.half, !finish);
        assert_int_equal(issue.tag_count, finish ? 2 : 1);
        assert_memory_equal(&issue.tag[0].tid, &rig.tag[chip].tag.tid, sizeof(struct tid));
        rig_free(&rig);
    }
}

static void same_chip_twice_for_a_pair(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 2, false);
    rig_scan(&rig, "42");
    size_t chip = rig_blank(&rig);
    rig_put(&rig, chip);
    rig_away(&rig, chip);
    rig_put(&rig, chip);
    rig_says(&rig, DESK_WORK, "2 of 2");
    assert_int_equal(rig.writes, 1);
    rig_free(&rig);
}

static void disk_full(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    rig_scan(&rig, "42");
    size_t chip = rig_blank(&rig);
    rig_put(&rig, chip);
    rig.disk_full = true;
    rig_written(&rig);
    rig_says(&rig, DESK_HALT, "Not recorded yet.");
    assert_int_equal(rig_view(&rig)->sound, DESK_SOUND_ALARM);
    assert_int_equal(rig_view(&rig)->last_count, 0);
    rig_scan(&rig, "43");
    rig_aside(&rig, "not recorded yet");
    rig_clear(&rig); /* the chip may go: what is on it is known */
    uint64_t question = rig_view(&rig)->question;
    rig_tick(&rig, 5000);
    rig_says(&rig, DESK_HALT, "Not recorded yet.");
    assert_int_equal(rig_view(&rig)->question, question);
    rig.disk_full = false;
    rig_answer(&rig, "again");
    assert_int_equal(rig_live(&rig, "42"), 1);
    rig_says(&rig, DESK_DONE, "42");
    rig_free(&rig);
}

/* With no room for the order nothing is written at all. */
static void disk_full_before_the_order(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_scan(&rig, "42");
    rig.disk_full = true;
    rig_put(&rig, rig_blank(&rig));
    assert_int_equal(rig.writes, 0);
    rig_aside(&rig, "not written");
    rig.disk_full = false;
    rig_field(&rig);
    rig_says(&rig, DESK_DONE, "42");
    rig_free(&rig);
}

static void disk_full_and_power_cut(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    rig_scan(&rig, "42");
    size_t chip = rig_blank(&rig);
    rig_put(&rig, chip);
    rig.disk_full = true;
    rig_written(&rig);
    rig_clear(&rig);
    rig.disk_full = false;
    rig_restart(&rig); /* what is on the disk is the order: the chip tells the rest */
    rig_says(&rig, DESK_ASK, "Put the chip for bib 42 back");
    rig_put(&rig, chip);
    assert_int_equal(rig_live(&rig, "42"), 1);
    rig_free(&rig);
}

static void retried_by_the_clock(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    rig_scan(&rig, "42");
    rig_put(&rig, rig_blank(&rig));
    rig.disk_full = true;
    rig_written(&rig);
    rig.disk_full = false;
    assert_true(desk_deadline(rig.desk).ms < INT64_MAX);
    rig_tick(&rig, 10); /* not yet */
    assert_int_equal(rig_live(&rig, "42"), 0);
    rig_tick(&rig, 3000);
    assert_int_equal(rig_live(&rig, "42"), 1);
    rig_free(&rig);
}

/* ---- news ---- */

static void chipped_elsewhere_meanwhile(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t other = world_join(&rig.world, "Table 2", ROLE_TABLE);
    rig_scan(&rig, "42");
    world_issue(&rig.world, other, "42", 0, 900, NULL, NULL);
    world_give(&rig.world, other, rig.at);
    rig_news(&rig);
    rig_says(&rig, DESK_ASK, "Bib 42 was chipped meanwhile: Table 2");
    rig_put(&rig, rig_blank(&rig));
    assert_int_equal(rig.writes, 0);
    rig_answer(&rig, "leave");
    rig_says(&rig, DESK_READY, "next bib");
    assert_int_equal(rig_live(&rig, "42"), 1);
    rig_free(&rig);
}

static void chipped_elsewhere_while_writing(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    size_t other = world_join(&rig.world, "Table 2", ROLE_TABLE);
    rig_scan(&rig, "42");
    rig_put(&rig, rig_blank(&rig));
    world_issue(&rig.world, other, "42", 0, 900, NULL, NULL);
    world_give(&rig.world, other, rig.at);
    rig_news(&rig);
    rig_written(&rig);
    rig_says(&rig, DESK_ASK, "was chipped meanwhile");
    assert_int_equal(rig_live(&rig, "42"), 1);
    rig_answer(&rig, "replace");
    assert_int_equal(rig_live(&rig, "42"), 1);
    struct pairs_issue last = rig_issue(&rig, "42");
    assert_string_equal(last.table, "Table 1");
    rig_free(&rig);
}

static void chipped_elsewhere_while_the_disk_is_full(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    size_t other = world_join(&rig.world, "Table 2", ROLE_TABLE);
    rig_scan(&rig, "42");
    rig_put(&rig, rig_blank(&rig));
    rig.disk_full = true;
    rig_written(&rig);
    rig.disk_full = false;
    world_issue(&rig.world, other, "42", 0, 900, NULL, NULL);
    world_give(&rig.world, other, rig.at);
    rig_news(&rig);
    rig_tick(&rig, 5000);
    rig_says(&rig, DESK_ASK, "was chipped meanwhile");
    assert_int_equal(rig_live(&rig, "42"), 1);
    rig_answer(&rig, "further");
    assert_int_equal(rig_live(&rig, "42"), 2);
    rig_free(&rig);
}

static void put_on_hold_meanwhile(void **state) {
    struct rig rig;
    struct buffer body;
    struct record_hold hold = {
        .bib = world_label("42"), .how = HOLD_HELD, .reason = slice_text("unpaid")};
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_scan(&rig, "42");
    buffer_init(&body);
    record_hold_write(&hold, &body);
    world_write(&rig.world, 0, RECORD_HOLD, buffer_slice(&body));
    buffer_release(&body);
    world_give(&rig.world, 0, rig.at);
    rig_put(&rig, rig_blank(&rig)); /* before anybody told of news */
    rig_says(&rig, DESK_ASK, "Bib 42 was put on hold: Lead");
    assert_int_equal(rig.writes, 0);
    assert_int_equal(rig_view(&rig)->choice_count, 1);
    rig_answer(&rig, "leave");
    rig_says(&rig, DESK_READY, "next bib");
    rig_free(&rig);
}

static void double_of_a_bib_just_done(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t other = world_join(&rig.world, "Table 2", ROLE_TABLE);
    rig_scan(&rig, "42");
    rig_put(&rig, rig_blank(&rig));
    rig_clear(&rig);
    rig_scan(&rig, "43");
    world_issue(&rig.world, other, "42", 0, 900, NULL, NULL);
    world_give(&rig.world, other, rig.at);
    rig_news(&rig);
    rig_says(&rig, DESK_HALT, "Bib 42 is chipped twice: Table 1, ");
    rig_says(&rig, DESK_HALT, "; and Table 2, ");
    assert_int_equal(rig_view(&rig)->sound, DESK_SOUND_ALARM);
    rig_answer(&rig, "on");
    rig_says(&rig, DESK_WORK, "new chip for bib 43"); /* the work goes on where it was */
    rig_news(&rig);
    rig_says(&rig, DESK_WORK, "new chip for bib 43"); /* said once */
    rig_free(&rig);
}

/* ---- the antenna ---- */

static void empty_antenna(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_command(&rig, DESK_CHECK_EMPTY);
    rig_aside(&rig, "hears nothing");
    size_t pile = rig_blank(&rig);
    rig_scan(&rig, "41");
    rig_put(&rig, pile);
    rig_command(&rig, DESK_CHECK_EMPTY);
    rig_aside(&rig, "hears 1: 41. Move the finished pile away, or lower the power");
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_WORK, "new chip for bib 42"); /* known, so it is no question */
    rig_put(&rig, rig_blank(&rig));
    rig_says(&rig, DESK_DONE, "42");
    assert_int_equal(rig_number(&rig, pile), 41);
    rig_free(&rig);
}

static void no_encoder_in_sight(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    down(&rig);
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_WORK, "Bib 42 waits: the encoder is not ready: no connection");
    assert_false(rig_view(&rig)->encoder);
    rig.tag[rig_blank(&rig)].there = true;
    up(&rig);
    rig_says(&rig, DESK_DONE, "42");
    rig_free(&rig);
}

/* ---- what is kept ---- */

static void broken_kept(void **state) {
    struct rig rig;
    uint8_t whole[DESK_KEPT_MAX];
    (void)state;
    rig_new(&rig, true, 2, false);
    rig_range(&rig, DESK_SERIES, 5, 9, 1, 0);
    rig_scan(&rig, "5");
    rig_put(&rig, rig_blank(&rig)); /* one of two is made */
    rig_clear(&rig);
    size_t size = rig.kept_size;
    memcpy(whole, rig.kept, size);
    for (size_t i = 0; i < size; i++) { /* cut anywhere */
        rig.kept_size = i;
        rig_restart(&rig);
        if (i > 0) {
            rig_aside(&rig, "could not be read");
        }
        rig_says(&rig, DESK_READY, "next bib");
    }
    for (size_t i = 0; i < size; i++) { /* and spoiled anywhere: no harm, whatever it says */
        memcpy(rig.kept, whole, size);
        rig.kept[i] ^= 0x41;
        rig.kept_size = size;
        rig_restart(&rig);
        rig_command(&rig, DESK_STOP);
    }
    memcpy(rig.kept, whole, size);
    rig.kept_size = size;
    rig_restart(&rig);
    rig_says(&rig, DESK_ASK, "Bib 5 had 1 of its 2 chips");
    rig_free(&rig);
}

/* A scan of which a part is missing is no number, whatever is left of it. */
static void faulty_scans(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    struct desk_event event = {.kind = DESK_TEXT, .scanned = true};
    event.text = slice_text("4\xEF\xBF\xBD"
                            "3");
    rig_step(&rig, event); /* nobody said what is wrong with it */
    rig_aside(&rig, "did not come through whole");
    assert_int_equal(rig_view(&rig)->sound, DESK_SOUND_REFUSED);
    event.spoilt = KEYS_TORN;
    rig_step(&rig, event);
    rig_aside(&rig, "A part of the scan is missing. Scan it again.");
    event.spoilt = KEYS_TOO_LONG;
    rig_step(&rig, event);
    rig_aside(&rig, "Scan the bib's own barcode");
    assert_string_equal(rig_view(&rig)->bib.text, "");
    rig_scan(&rig, "43");
    assert_string_equal(rig_view(&rig)->bib.text, "43");
    assert_string_equal(rig_view(&rig)->aside, "");
    rig_free(&rig);
}

/* The lead's word, carried here. */
static void put_out(struct rig *rig, bool stolen) {
    world_give(&rig->world, rig->at, 0);
    world_retire(&rig->world, 0, &rig->world.station[rig->at].keys.sign_public, NULL, 0, stolen);
    world_give(&rig->world, 0, rig->at);
    rig_news(rig);
}

static void put_out_closes_the_desk(void **state) {
    struct rig rig;
    (void)state;
    for (int stolen = 0; stolen <= 1; stolen++) {
        rig_new(&rig, true, 1, false);
        rig_scan(&rig, "42");
        rig_put(&rig, rig_blank(&rig));
        rig_clear(&rig);
        size_t records = rig.records;
        put_out(&rig, stolen);
        rig_says(&rig, DESK_HALT, stolen ? "put out by the lead (stolen)" : "the lead (dead)");
        rig_says(&rig, DESK_HALT, "Take another laptop; hand this one to the lead.");
        assert_int_equal(rig_view(&rig)->sound, DESK_SOUND_ALARM);
        rig_scan(&rig, "43");
        rig_aside(&rig, "Nothing is taken here");
        rig_range(&rig, DESK_SERIES, 100, 110, 1, 0);
        rig_command(&rig, DESK_UNDO);
        rig_put(&rig, rig_blank(&rig));
        rig_says(&rig, DESK_HALT, "put out by the lead");
        assert_int_equal(rig_view(&rig)->way, DESK_WAY_ON_DEMAND);
        assert_int_equal(desk_deadline(rig.desk).ms, INT64_MAX);
        rig_restart(&rig);
        rig_says(&rig, DESK_HALT, "put out by the lead");
        assert_int_equal(rig.records, records);
        assert_int_equal(rig.writes, 1);
        rig_free(&rig);
    }
}

/* A question that was open is not asked any more, and the chip in the making does not count. */
static void put_out_in_the_middle(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig.by_hand = true;
    rig_scan(&rig, "42");
    rig_put(&rig, rig_blank(&rig));
    assert_true(rig.has_order);
    put_out(&rig, true);
    assert_true(rig.forgotten);
    rig_says(&rig, DESK_HALT, "Throw the chip for bib 42 away.");
    rig_written(&rig);
    rig_says(&rig, DESK_HALT, "Throw the chip for bib 42 away.");
    assert_int_equal(rig.records, 0);
    rig_free(&rig);
    rig_new(&rig, true, 1, false);
    rig_scan(&rig, "3000");
    rig_says(&rig, DESK_ASK, "not a number of this event");
    put_out(&rig, false);
    rig_says(&rig, DESK_HALT, "put out by the lead (dead)");
    assert_int_equal(rig_view(&rig)->question, 0);
    rig_free(&rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(fails_and_is_tried_again),
        cmocka_unit_test(two_answered_three_times),
        cmocka_unit_test(number_while_writing),
        cmocka_unit_test(answers_to_no_order),
        cmocka_unit_test(read_back_wrong),
        cmocka_unit_test(in_doubt_after_a_crash),
        cmocka_unit_test(in_doubt_and_thrown_away),
        cmocka_unit_test(in_doubt_without_tids),
        cmocka_unit_test(power_between_a_pair),
        cmocka_unit_test(same_chip_twice_for_a_pair),
        cmocka_unit_test(disk_full),
        cmocka_unit_test(disk_full_before_the_order),
        cmocka_unit_test(disk_full_and_power_cut),
        cmocka_unit_test(retried_by_the_clock),
        cmocka_unit_test(chipped_elsewhere_meanwhile),
        cmocka_unit_test(chipped_elsewhere_while_writing),
        cmocka_unit_test(chipped_elsewhere_while_the_disk_is_full),
        cmocka_unit_test(put_on_hold_meanwhile),
        cmocka_unit_test(double_of_a_bib_just_done),
        cmocka_unit_test(empty_antenna),
        cmocka_unit_test(no_encoder_in_sight),
        cmocka_unit_test(broken_kept),
        cmocka_unit_test(faulty_scans),
        cmocka_unit_test(put_out_closes_the_desk),
        cmocka_unit_test(put_out_in_the_middle),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
