/* Looking: what lies on the antenna, said at once; looks that are kept; a stack proved right. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/desk_rig.h"

static size_t issue_one(struct rig *rig, const char *bib) {
    size_t chip = rig_blank(rig);
    rig_scan(rig, bib);
    rig_put(rig, chip);
    rig_away(rig, chip);
    assert_int_equal(rig_live(rig, bib), 1);
    return chip;
}

struct last_look {
    size_t count;
    struct pairs_look look;
};

static bool keep_look(void *context, const struct pairs_look *look) {
    struct last_look *last = context;
    last->look = *look;
    last->count++;
    return true;
}

static struct last_look looks(struct rig *rig) {
    struct last_look last = {.count = 0};
    struct error err;
    assert_int_equal(
        pairs_each_look(rig->world.station[rig->at].ledger, NULL, keep_look, &last, &err), ERR_OK);
    return last;
}

static void what_lies_there(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t one = issue_one(&rig, "42"), two = issue_one(&rig, "43");
    size_t other = world_join(&rig.world, "Table 2", ROLE_TABLE);
    rig_command(&rig, DESK_LOOK);
    rig_says(&rig, DESK_READY, "Hold a chip on the antenna");
    rig_put(&rig, one);
    rig_says(&rig, DESK_READY, "Bib 42: chipped at Table 1");
    rig_put(&rig, two);
    rig_says(&rig, DESK_HALT, "more than one number on the antenna: 42, 43");
    rig_clear(&rig);
    size_t blank = rig_blank(&rig);
    rig_put(&rig, blank);
    rig_says(&rig, DESK_READY, "On nobody's list: blank");
    rig_away(&rig, blank);
    rig.tag[blank].tag.epc = rig.tag[one].tag.epc; /* its number, on a chip that nobody listed */
    rig_put(&rig, blank);
    rig_says(&rig, DESK_READY, "Number 42, but this table knows of nobody");
    rig_clear(&rig);
    struct epc right = rig.tag[one].tag.epc;
    rig.tag[one].tag.epc.data[9] ^= 0x40; /* the chip that is listed, and lost its number since */
    rig_put(&rig, one);
    rig_says(&rig, DESK_HALT, "listed for bib 42 and carries something else");
    rig.tag[one].tag.epc = right;
    rig_clear(&rig);
    world_issue(&rig.world, other, "43", 0, 900, NULL, NULL);
    world_give(&rig.world, other, rig.at);
    rig_put(&rig, two);
    rig_says(&rig, DESK_HALT, "It is chipped twice");
    rig_clear(&rig);
    rig_command(&rig, DESK_ON_DEMAND);
    assert_int_equal(rig.writes, 2); /* looking writes nothing */
    assert_int_equal(looks(&rig).count, 0);
    rig_free(&rig);
}

static void cancelled_and_shared(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t one = issue_one(&rig, "42"), two = issue_one(&rig, "43");
    rig_command(&rig, DESK_UNDO);
    world_issue(&rig.world, rig.at, "44", 0, 0, NULL, NULL);
    struct buffer body;
    struct record_issue same = {.bib = world_label("77"), .tag_count = 1, .how = ISSUE_TYPED};
    same.tag[0].epc = rig.tag[one].tag.epc;
    same.tag[0].tid = rig.tag[one].tag.tid;
    buffer_init(&body);
    record_issue_write(&same, &body);
    world_write(&rig.world, rig.at, RECORD_ISSUE, buffer_slice(&body));
    buffer_release(&body);
    rig_command(&rig, DESK_LOOK);
    rig_put(&rig, two);
    rig_says(&rig, DESK_READY, "Cancelled: this chip was on bib 43");
    rig_clear(&rig);
    rig_put(&rig, one);
    rig_says(&rig, DESK_HALT, "One chip on two bibs: ");
    rig_free(&rig);
}

static void pair_on_the_antenna(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 2, false);
    size_t a = rig_blank(&rig), b = rig_blank(&rig), c = rig_blank(&rig);
    rig_scan(&rig, "42");
    rig_put(&rig, a);
    rig_put(&rig, b);
    rig_clear(&rig);
    rig_scan(&rig, "42");
    rig_answer(&rig, "further");
    rig_put(&rig, c);
    rig_clear(&rig);
    rig_command(&rig, DESK_LOOK);
    rig_put(&rig, a);
    rig_put(&rig, b);
    rig_says(&rig, DESK_READY, "Bib 42, 2 of 2 chips");
    rig_put(&rig, c);
    rig_says(&rig, DESK_READY, "Bib 42 on 3 chips, and this event has 2");
    rig_free(&rig);
}

static void kept_with_its_verdict(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t one = issue_one(&rig, "42"), two = issue_one(&rig, "43");
    rig_command(&rig, DESK_LOOK);
    rig_scan(&rig, "42");
    rig_says(&rig, DESK_WORK, "Now hold bib 42 on the antenna");
    rig_put(&rig, one);
    rig_says(&rig, DESK_READY, "Bib 42: right.");
    struct last_look last = looks(&rig);
    assert_int_equal(last.count, 1);
    assert_int_equal(last.look.verdict, LOOK_RIGHT);
    assert_false(last.look.has_stack);
    rig_scan(&rig, "43"); /* the chip of 42 lies there still, and is not 43's */
    rig_says(&rig, DESK_WORK, "Now hold bib 43");
    rig_clear(&rig);
    rig_scan(&rig, "44");
    rig_aside(&rig, "Bib 43 was not looked at");
    rig_put(&rig, two);
    assert_int_equal(looks(&rig).count, 1); /* another chip may come yet */
    assert_true(desk_deadline(rig.desk).ms < INT64_MAX);
    rig_tick(&rig, 2000);
    last = looks(&rig);
    assert_int_equal(last.look.verdict, LOOK_OTHER);
    assert_string_equal(last.look.bib.text, "44");
    rig_says(&rig, DESK_HALT, "wrong: it has another bib's chip");
    assert_int_equal(rig_view(&rig)->sound, DESK_SOUND_ALARM);
    rig_clear(&rig);
    rig_scan(&rig, "45");
    rig_answer(&rig, "none");
    assert_int_equal(looks(&rig).look.verdict, LOOK_NO_CHIP);
    rig_free(&rig);
}

static void half_and_strange(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 2, false);
    size_t a = rig_blank(&rig), b = rig_blank(&rig);
    rig_scan(&rig, "42");
    rig_put(&rig, a);
    rig_put(&rig, b);
    rig_clear(&rig);
    rig_command(&rig, DESK_LOOK);
    rig_scan(&rig, "42");
    rig_put(&rig, a);
    rig_tick(&rig, 2000);
    assert_int_equal(looks(&rig).look.verdict, LOOK_HALF);
    rig_clear(&rig);
    rig_scan(&rig, "42");
    rig_put(&rig, a);
    rig_put(&rig, b); /* heard a moment later: whole */
    assert_int_equal(looks(&rig).look.verdict, LOOK_RIGHT);
    assert_int_equal(looks(&rig).look.tag_count, 2);
    rig_clear(&rig);
    rig_scan(&rig, "42");
    rig_put(&rig, rig_blank(&rig));
    rig_tick(&rig, 2000);
    assert_int_equal(looks(&rig).look.verdict, LOOK_STRANGE);
    rig_free(&rig);
}

static void proof_of_a_stack(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    size_t one = issue_one(&rig, "42");
    rig_range(&rig, DESK_PROVE, 100, 40, 0, 0);
    rig_says(&rig, DESK_READY, "Scan a bib of the stack");
    rig_scan(&rig, "101");
    rig_aside(&rig, "not of this stack (40-100)");
    rig_scan(&rig, "42");
    rig_put(&rig, one);
    struct last_look last = looks(&rig);
    assert_true(last.look.has_stack);
    assert_int_equal(last.look.stack.first, 40);
    assert_int_equal(last.look.stack.last, 100);
    assert_int_equal(rig_view(&rig)->done, 1);
    rig_command(&rig, DESK_STOP);
    assert_int_equal(rig_view(&rig)->way, DESK_WAY_ON_DEMAND);
    rig_range(&rig, DESK_PROVE, 0, 5, 0, 0);
    rig_aside(&rig, "Say from which number");
    rig_free(&rig);
}

static void typed_chip(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, false, 1, true);
    rig_scan(&rig, "42");
    rig_scan(&rig, "E28011602000112233445566");
    rig_says(&rig, DESK_DONE, "42");
    rig_command(&rig, DESK_LOOK);
    rig_scan(&rig, "E28011602000112233445566");
    rig_says(&rig, DESK_READY, "Bib 42: chipped at Table 1");
    rig_scan(&rig, "42");
    rig_scan(&rig, "E28011602000112233445566");
    assert_int_equal(looks(&rig).look.verdict, LOOK_RIGHT);
    rig_free(&rig);
}

/* Where others may know more, nothing that is looked at here is the last word. */
static void may_be_behind(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, true, 1, false);
    rig_step(&rig, (struct desk_event){.kind = DESK_BEHIND, .behind = true});
    assert_string_equal(rig_view(&rig)->aside, ""); /* tables work alone as well */
    rig_command(&rig, DESK_LOOK);
    rig_aside(&rig, "This table may be behind");
    size_t tag = rig_blank(&rig);
    rig_put(&rig, tag);
    rig_says(&rig, DESK_READY, "On nobody's list");
    rig_aside(&rig, "This table may be behind");
    rig_step(&rig, (struct desk_event){.kind = DESK_BEHIND, .behind = false});
    assert_string_equal(rig_view(&rig)->aside, "");
    rig_free(&rig);
}

/* What was looked at is taken for the next bib where it is blank, and asked about where it is not:
 * it is never overlooked. */
static void looked_at_and_used(void **state) {
    struct rig rig;
    (void)state;
    for (int how = 0; how < 3; how++) {
        rig_new(&rig, true, 1, false);
        size_t one = issue_one(&rig, "42"), blank = rig_blank(&rig);
        rig_command(&rig, DESK_LOOK);
        rig_scan(&rig, "104");
        rig_put(&rig, blank);
        rig_tick(&rig, 2000);
        rig_says(&rig, DESK_HALT, "its chip is on nobody's list");
        if (how < 2) {
            rig_command(&rig, how == 0 ? DESK_ON_DEMAND : DESK_STOP);
            assert_int_equal(rig.writes, 1); /* not before somebody says for which bib */
            rig_scan(&rig, "104");
        } else {
            rig_range(&rig, DESK_SERIES, 104, 110, 1, 0);
            rig_scan(&rig, "104");
        }
        rig_says(&rig, DESK_DONE, "Bib 104 is chipped");
        assert_int_equal(rig_number(&rig, blank), 104);
        rig_command(&rig, DESK_STOP);
        rig_clear(&rig);
        rig_command(&rig, DESK_LOOK);
        rig_scan(&rig, "42");
        rig_put(&rig, one);
        rig_says(&rig, DESK_READY, "Bib 42: right");
        rig_scan(&rig, "43");
        rig_says(&rig, DESK_WORK, "what lies there was looked at already");
        rig_command(&rig, DESK_ON_DEMAND);
        rig_scan(&rig, "105");
        rig_says(&rig, DESK_ASK, "This chip is on bib 42");
        rig_free(&rig);
    }
}

static void look_at_what_is_none(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, false, 1, true);
    rig_scan(&rig, "3000");
    rig_answer(&rig, "late");
    rig_scan(&rig, "E28011602000112233445566");
    rig_command(&rig, DESK_LOOK);
    static const char *const none[] = {"999999", "0", "-5", "2001", "120-116"};
    for (size_t i = 0; i < sizeof none / sizeof none[0]; i++) {
        rig_scan(&rig, none[i]);
        rig_aside(&rig, "is no number of this event (1-2000)");
        assert_int_equal(rig_view(&rig)->question, 0);
        assert_string_equal(rig_view(&rig)->bib.text, "");
    }
    rig_scan(&rig, "3000"); /* a late entry that has its chip */
    rig_says(&rig, DESK_WORK, "Now hold bib 3000");
    rig_scan(&rig, "E28011602000112233445566");
    rig_says(&rig, DESK_READY, "Bib 3000: right.");
    rig_scan(&rig, "104");
    rig_answer(&rig, "none");
    rig_says(&rig, DESK_HALT, "Bib 104: not chipped, and nothing was heard on it.");
    rig_scan(&rig, "3000");
    rig_answer(&rig, "none");
    rig_says(&rig, DESK_HALT, "Bib 3000: needs a chip: nothing was heard on it.");
    rig_free(&rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_lies_there),     cmocka_unit_test(cancelled_and_shared),
        cmocka_unit_test(pair_on_the_antenna), cmocka_unit_test(kept_with_its_verdict),
        cmocka_unit_test(half_and_strange),    cmocka_unit_test(proof_of_a_stack),
        cmocka_unit_test(typed_chip),          cmocka_unit_test(may_be_behind),
        cmocka_unit_test(looked_at_and_used),  cmocka_unit_test(look_at_what_is_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
