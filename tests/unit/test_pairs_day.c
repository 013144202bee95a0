/*
 * test_pairs_day.c: holds, looks, rolls, notes and handed-over lists: what stands and who counts.
 * That the order in which holds came does not matter is in test_pairs_order.c.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>
#include <sqlite3.h>

#include "tests/unit/world.h"

enum { LEAD = 0 };

static void check(enum error_code code, const struct error *err) {
    if (code != ERR_OK) {
        fail_msg("%s: %s (%s)", error_name(code), err->say, err->cause);
    }
}

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

static void meet(struct world *world, size_t a, size_t b) {
    world_give(world, a, b);
    world_give(world, b, a);
}

static void verify(struct ledger *ledger) {
    struct error err;
    check(pairs_verify(ledger, false, &err), &err);
}

/* ---- which hold stands ---- */

static void test_later_takes_the_place(void **state) {
    struct world world;
    struct pairs_hold out;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    world_give(&world, LEAD, one);
    struct digest32 before = pairs_state_hash(world.station[one].ledger);
    assert_int_equal(held(world.station[one].ledger, "5", NULL), HOLD_FREE);
    struct record_id first = hold(&world, one, "5", HOLD_HELD);
    struct digest32 after = pairs_state_hash(world.station[one].ledger);
    assert_false(ID_EQUAL(before, after)); /* it is part of the state */
    assert_int_equal(held(world.station[one].ledger, "5", &out), HOLD_HELD);
    assert_true(ID_EQUAL(out.said.id, first));
    assert_string_equal(out.said.table, "Table 1");
    assert_string_equal(out.reason, "wet");
    assert_string_equal(out.bib.text, "5");
    assert_int_equal(held(world.station[one].ledger, "6", NULL), HOLD_FREE);
    /* Table 2 has not heard of it: both stand, and the stricter is told. */
    hold(&world, two, "5", HOLD_MISSING);
    meet(&world, one, two);
    assert_int_equal(held(world.station[two].ledger, "5", NULL), HOLD_HELD);
    assert_int_equal(held(world.station[one].ledger, "5", NULL), HOLD_HELD);
    /* One that had seen both takes their place, also when it is milder. */
    hold(&world, two, "5", HOLD_REPRINT);
    assert_int_equal(held(world.station[two].ledger, "5", NULL), HOLD_REPRINT);
    hold(&world, two, "5", HOLD_FREE);
    assert_int_equal(held(world.station[two].ledger, "5", NULL), HOLD_FREE);
    meet(&world, one, two);
    assert_int_equal(held(world.station[one].ledger, "5", NULL), HOLD_FREE);
    assert_same_state(world.station[one].ledger, world.station[two].ledger);
    verify(world.station[one].ledger);
    world_free(&world);
}

static void test_apart_the_strictest_stands(void **state) {
    static const enum hold_how strict[] = {HOLD_HELD, HOLD_MISSING, HOLD_REPRINT, HOLD_FREE};
    (void)state;
    for (size_t i = 0; i < 4; i++) {
        for (size_t j = 0; j < 4; j++) {
            struct world world;
            struct pairs_hold out;
            world_new(&world, false);
            size_t one = world_join(&world, "Table 1", ROLE_TABLE);
            size_t two = world_join(&world, "Table 2", ROLE_TABLE);
            struct record_id a = hold(&world, one, "5", strict[i]);
            struct record_id b = hold(&world, two, "5", strict[j]);
            world_give(&world, two, one);
            assert_int_equal(held(world.station[one].ledger, "5", &out), strict[i < j ? i : j]);
            if (i == j && strict[i] != HOLD_FREE) {
                bool smaller = memcmp(&a, &b, sizeof a) < 0;
                assert_true(ID_EQUAL(out.said.id, a) == smaller);
            }
            world_free(&world);
        }
    }
}

static void test_a_lead_is_freed_by_leads(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t table = world_join(&world, "Table", ROLE_TABLE);
    size_t second = world_join(&world, "Second lead", ROLE_LEAD);
    hold(&world, LEAD, "5", HOLD_HELD);
    hold(&world, LEAD, "6", HOLD_MISSING);
    world_give(&world, LEAD, table);
    hold(&world, table, "5", HOLD_FREE);
    hold(&world, table, "6", HOLD_FREE);
    assert_int_equal(held(world.station[table].ledger, "5", NULL), HOLD_HELD);
    assert_int_equal(held(world.station[table].ledger, "6", NULL), HOLD_FREE);
    hold(&world, table, "5", HOLD_MISSING); /* nor by way of something milder */
    hold(&world, table, "5", HOLD_FREE);
    assert_int_equal(held(world.station[table].ledger, "5", NULL), HOLD_HELD);
    world_give(&world, table, second);
    hold(&world, second, "5", HOLD_FREE);
    assert_int_equal(held(world.station[second].ledger, "5", NULL), HOLD_FREE);
    meet(&world, second, table);
    assert_same_state(world.station[second].ledger, world.station[table].ledger);
    verify(world.station[table].ledger);
    world_free(&world);
}

/* ---- who counts ---- */

static void test_who_may_hold(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t reader = world_join(&world, "Screen", ROLE_READER);
    struct digest32 before = pairs_state_hash(world.station[reader].ledger);
    hold(&world, reader, "5", HOLD_HELD);
    struct digest32 after = pairs_state_hash(world.station[reader].ledger);
    assert_true(ID_EQUAL(before, after)); /* kept, set apart, and of no effect */
    assert_int_equal(held(world.station[reader].ledger, "5", NULL), HOLD_FREE);
    world_give(&world, reader, LEAD);
    assert_int_equal(held(world.station[LEAD].ledger, "5", NULL), HOLD_FREE);
    /* It becomes a table: what it said counts now. */
    world_admit(&world, LEAD, &world.station[reader].keys, "Screen", ROLE_TABLE);
    assert_int_equal(held(world.station[LEAD].ledger, "5", NULL), HOLD_HELD);
    verify(world.station[LEAD].ledger);
    world_free(&world);
}

static void test_a_table_becomes_a_lead(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    hold(&world, one, "5", HOLD_HELD);
    world_give(&world, one, two);
    hold(&world, two, "5", HOLD_FREE);
    meet(&world, two, LEAD);
    assert_int_equal(held(world.station[LEAD].ledger, "5", NULL), HOLD_FREE);
    world_root_admit(&world, &world.station[one].keys, "Table 1", ROLE_LEAD);
    assert_int_equal(held(world.station[LEAD].ledger, "5", NULL), HOLD_HELD);
    verify(world.station[LEAD].ledger);
    world_free(&world);
}

/* What a thief wrote behind the cut-off no longer stands, and what it had displaced does again. */
static void test_stolen(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    hold(&world, one, "5", HOLD_HELD);
    world_give(&world, one, two);
    struct record_head head = {world.station[two].author.log, world.station[two].author.number,
                               world.station[two].author.head};
    hold(&world, two, "5", HOLD_FREE);
    hold(&world, two, "7", HOLD_MISSING);
    world_give(&world, two, LEAD);
    assert_int_equal(held(world.station[LEAD].ledger, "5", NULL), HOLD_FREE);
    assert_int_equal(held(world.station[LEAD].ledger, "7", NULL), HOLD_MISSING);
    world_retire(&world, LEAD, &world.station[two].keys.sign_public, &head, 1, true);
    assert_int_equal(held(world.station[LEAD].ledger, "5", NULL), HOLD_HELD);
    assert_int_equal(held(world.station[LEAD].ledger, "7", NULL), HOLD_FREE);
    verify(world.station[LEAD].ledger);
    world_give(&world, LEAD, one);
    assert_same_state(world.station[LEAD].ledger, world.station[one].ledger);
    world_free(&world);
}

/* ---- what the author must have seen ---- */

static struct clock_position place(struct ledger *ledger, const struct record_id *id) {
    struct clock_position at;
    assert_true(ledger_position(ledger, id, &at));
    return at;
}

static void test_clocks_cover_holds(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    struct ledger *ledger = world.station[two].ledger;
    struct record_id mine = hold(&world, one, "5", HOLD_HELD);
    struct record_id other = hold(&world, one, "6", HOLD_HELD);
    struct record_id issue = world_issue(&world, one, "7", 7, 0, NULL, NULL);
    world_give(&world, one, two);
    struct record_id freed = hold(&world, two, "5", HOLD_FREE);
    assert_true(ledger_covers(ledger, place(ledger, &freed), place(ledger, &mine)));
    struct record_id chipped = world_issue(&world, two, "6", 6, 0, NULL, NULL);
    assert_true(ledger_covers(ledger, place(ledger, &chipped), place(ledger, &other)));
    struct record_id back = hold(&world, two, "7", HOLD_HELD);
    assert_true(ledger_covers(ledger, place(ledger, &back), place(ledger, &issue)));
    world_free(&world);
}

/* ---- lists ---- */

struct texts {
    char text[400];
};

static bool note_hold(void *context, const struct pairs_hold *item) {
    struct texts *out = context;
    size_t used = strlen(out->text);
    snprintf(out->text + used, sizeof out->text - used, "%s:%d ", item->bib.text, item->how);
    return true;
}

static void test_holds_in_order(void **state) {
    struct world world;
    struct texts texts = {""};
    struct error err;
    (void)state;
    world_new(&world, false);
    hold(&world, LEAD, "10", HOLD_HELD);
    hold(&world, LEAD, "9", HOLD_MISSING);
    hold(&world, LEAD, "A-1", HOLD_REPRINT);
    hold(&world, LEAD, "8", HOLD_HELD);
    hold(&world, LEAD, "8", HOLD_FREE);
    check(pairs_each_hold(world.station[LEAD].ledger, note_hold, &texts, &err), &err);
    assert_string_equal(texts.text, "9:3 10:2 A-1:4 ");
    world_free(&world);
}

static void write_note(struct world *world, size_t at, const char *text, const char *bib) {
    struct record_note body = {.text = slice_text(text)};
    struct buffer bytes;
    if (bib != NULL) {
        body.has_bib = true;
        body.bib = world_label(bib);
    }
    buffer_init(&bytes);
    record_note_write(&body, &bytes);
    world_write(world, at, RECORD_NOTE, buffer_slice(&bytes));
    buffer_release(&bytes);
}

static void write_look(struct world *world, size_t at, const char *bib, enum look_verdict verdict) {
    struct record_look body = {.bib = world_label(bib), .tag_count = 1, .verdict = verdict};
    struct buffer bytes;
    body.tag[0].epc = (struct epc){2, {0xAB, 0xCD}};
    body.has_stack = verdict == LOOK_RIGHT;
    body.stack = (struct bib_range){1, 50};
    buffer_init(&bytes);
    record_look_write(&body, &bytes);
    world_write(world, at, RECORD_LOOK, buffer_slice(&bytes));
    buffer_release(&bytes);
}

/* A chip of a supplier's list: the EPC that write_look reads, and a TID unless `serial` is 0. */
static struct record_id from_list(struct world *world, size_t at, const char *bib, uint8_t serial) {
    struct record_issue body = {.bib = world_label(bib), .tag_count = 1, .how = ISSUE_FILE};
    struct buffer bytes;
    body.tag[0].epc = (struct epc){2, {0xAB, 0xCD}};
    body.tag[0].tid = (struct tid){serial == 0 ? 0 : 8, {0xE2, 0, 0, 0, 0, 0, 0, serial}};
    buffer_init(&bytes);
    record_issue_write(&body, &bytes);
    struct record_id id = world_write(world, at, RECORD_ISSUE, buffer_slice(&bytes));
    buffer_release(&bytes);
    return id;
}

static void write_look_tid(struct world *world, size_t at, const char *bib, uint8_t serial) {
    struct record_look body = {.bib = world_label(bib), .tag_count = 1, .verdict = LOOK_RIGHT};
    struct buffer bytes;
    body.tag[0].epc = (struct epc){2, {0xAB, 0xCE}};
    body.tag[0].tid = (struct tid){8, {0xE2, 0, 0, 0, 0, 0, 0, serial}};
    buffer_init(&bytes);
    record_look_write(&body, &bytes);
    world_write(world, at, RECORD_LOOK, buffer_slice(&bytes));
    buffer_release(&bytes);
}

static void write_roll(struct world *world, size_t at, const char *name, enum roll_how how) {
    struct record_roll body = {
        .roll = slice_text(name), .how = how, .has_count = true, .count = 2000};
    struct buffer bytes;
    buffer_init(&bytes);
    record_roll_write(&body, &bytes);
    world_write(world, at, RECORD_ROLL, buffer_slice(&bytes));
    buffer_release(&bytes);
}

static void write_handover(struct world *world, size_t at, uint64_t number, uint8_t mark) {
    struct record_handover body = {number, {{mark}}, {{1}}, 12};
    struct buffer bytes;
    buffer_init(&bytes);
    record_handover_write(&body, &bytes);
    world_write(world, at, RECORD_HANDOVER, buffer_slice(&bytes));
    buffer_release(&bytes);
}

static bool note_note(void *context, const struct pairs_note *item) {
    struct texts *out = context;
    size_t used = strlen(out->text);
    snprintf(out->text + used, sizeof out->text - used, "%s/%s/%s ", item->said.table, item->text,
             item->has_bib ? item->bib.text : "");
    return true;
}

static bool note_look(void *context, const struct pairs_look *item) {
    struct texts *out = context;
    size_t used = strlen(out->text);
    assert_int_equal(item->tag_count, 1);
    assert_int_equal(item->tag[0].epc.data[1], 0xCD);
    snprintf(out->text + used, sizeof out->text - used, "%s:%d:%d ", item->bib.text, item->verdict,
             item->has_stack ? (int)item->stack.last : 0);
    return true;
}

static bool note_roll(void *context, const struct pairs_roll *item) {
    struct texts *out = context;
    size_t used = strlen(out->text);
    assert_true(item->has_count && item->count == 2000);
    snprintf(out->text + used, sizeof out->text - used, "%s:%s:%d ", item->said.table, item->roll,
             item->how);
    return true;
}

static void test_what_was_said(void **state) {
    struct world world;
    struct texts texts = {""};
    struct bib five = world_label("5");
    struct error err;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t screen = world_join(&world, "Screen", ROLE_READER);
    write_note(&world, one, "first", "5");
    write_note(&world, LEAD, "second", NULL);
    write_note(&world, screen, "unheard", "5");
    write_note(&world, one, "third", "5");
    write_look(&world, one, "5", LOOK_RIGHT);
    write_look(&world, LEAD, "6", LOOK_OTHER);
    write_look(&world, screen, "5", LOOK_STRANGE);
    write_roll(&world, one, "R1", ROLL_LOADED);
    write_roll(&world, one, "R1", ROLL_REMOVED);
    write_roll(&world, LEAD, "R2", ROLL_SCRAPPED);
    struct digest32 before = pairs_state_hash(world.station[LEAD].ledger);
    world_give(&world, one, LEAD);
    world_give(&world, screen, LEAD);
    struct digest32 after = pairs_state_hash(world.station[LEAD].ledger);
    assert_true(ID_EQUAL(before, after)); /* none of these is part of it */
    struct ledger *ledger = world.station[LEAD].ledger;
    check(pairs_each_note(ledger, NULL, note_note, &texts, &err), &err);
    assert_string_equal(texts.text, "Table 1/first/5 Lead/second/ Table 1/third/5 ");
    texts.text[0] = '\0';
    check(pairs_each_note(ledger, &five, note_note, &texts, &err), &err);
    assert_string_equal(texts.text, "Table 1/first/5 Table 1/third/5 ");
    texts.text[0] = '\0';
    check(pairs_each_look(ledger, NULL, note_look, &texts, &err), &err);
    assert_string_equal(texts.text, "5:1:50 6:3:0 ");
    texts.text[0] = '\0';
    check(pairs_each_look(ledger, &five, note_look, &texts, &err), &err);
    assert_string_equal(texts.text, "5:1:50 ");
    texts.text[0] = '\0';
    check(pairs_each_roll(ledger, &world.station[one].keys.sign_public, note_roll, &texts, &err),
          &err);
    assert_string_equal(texts.text, "Table 1:R1:1 Table 1:R1:2 ");
    texts.text[0] = '\0';
    check(pairs_each_roll(ledger, NULL, note_roll, &texts, &err), &err);
    assert_non_null(strstr(texts.text, "Lead:R2:3 "));
    assert_non_null(strstr(texts.text, "Table 1:R1:1 Table 1:R1:2 "));
    verify(ledger);
    world_free(&world);
}

static void test_last_handover(void **state) {
    struct world world;
    struct pairs_handover out;
    struct error err;
    (void)state;
    world_new(&world, false);
    size_t table = world_join(&world, "Table", ROLE_TABLE);
    size_t second = world_join(&world, "Second lead", ROLE_LEAD);
    struct ledger *ledger = world.station[LEAD].ledger;
    write_handover(&world, table, 9, 9); /* not a table's to say */
    world_give(&world, table, LEAD);
    assert_int_equal(pairs_last_handover(ledger, &out, &err), ERR_NOT_FOUND);
    write_handover(&world, LEAD, 2, 2);
    write_handover(&world, LEAD, 1, 1);
    check(pairs_last_handover(ledger, &out, &err), &err);
    assert_int_equal(out.number, 2);
    assert_int_equal(out.state.bytes[0], 2);
    assert_int_equal(out.bibs, 12);
    assert_string_equal(out.said.table, "Lead");
    write_handover(&world, second, 2, 3); /* both leads, apart: the smaller id, at each */
    meet(&world, LEAD, second);
    struct pairs_handover there;
    check(pairs_last_handover(ledger, &out, &err), &err);
    check(pairs_last_handover(world.station[second].ledger, &there, &err), &err);
    assert_true(ID_EQUAL(out.said.id, there.said.id));
    verify(ledger);
    world_free(&world);
}

static bool note_bib(void *context, const struct bib *bib) {
    struct texts *out = context;
    size_t used = strlen(out->text);
    snprintf(out->text + used, sizeof out->text - used, "%s ", bib->text);
    return true;
}

static void expect_since(struct ledger *ledger, const struct record_id *since, const char *bibs) {
    struct texts texts = {""};
    struct error err;
    check(pairs_each_since(ledger, since, note_bib, &texts, &err), &err);
    assert_string_equal(texts.text, bibs);
}

/* What a lead had seen when it handed a list over is not told again; what a table did at the same
 * time, out of its sight, is. */
static void test_since_a_handover(void **state) {
    struct world world;
    struct pairs_handover out;
    struct error err;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    struct ledger *ledger = world.station[LEAD].ledger;
    struct record_id old = world_issue(&world, one, "5", 5, 0, NULL, NULL);
    world_issue(&world, one, "6", 6, 0, NULL, NULL);
    world_issue(&world, two, "7", 7, 0, NULL, NULL);
    hold(&world, two, "8", HOLD_HELD);
    world_give(&world, one, LEAD);
    world_issue(&world, one, "20", 20, 0, NULL, NULL); /* not seen by the lead yet */
    write_handover(&world, LEAD, 1, 1);
    check(pairs_last_handover(ledger, &out, &err), &err);
    expect_since(ledger, &out.said.id, "");
    world_give(&world, one, LEAD);
    expect_since(ledger, &out.said.id, "20 ");
    world_give(&world, two, LEAD);
    expect_since(ledger, &out.said.id, "7 8 20 ");
    write_note(&world, LEAD, "of no list", "6");
    world_issue(&world, LEAD, "9", 9, 0, NULL, NULL);
    world_void(&world, LEAD, &old, 1);
    expect_since(ledger, &out.said.id, "5 7 8 9 20 ");
    world_give(&world, LEAD, two);
    expect_since(world.station[two].ledger, &out.said.id, "5 7 8 9 20 ");
    write_handover(&world, LEAD, 2, 2);
    check(pairs_last_handover(ledger, &out, &err), &err);
    expect_since(ledger, &out.said.id, "");
    old.bytes[0] ^= 1;
    assert_int_equal(pairs_each_since(ledger, &old, note_bib, NULL, &err), ERR_NOT_FOUND);
    world_free(&world);
}

static bool note_seen(void *context, const struct pairs_issue *issue) {
    bool *seen = context;
    *seen = issue->tag[0].seen;
    return true;
}

static void expect_unseen(struct ledger *ledger, uint64_t chips, bool five_seen) {
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = world_label("5")};
    struct error err;
    uint64_t count = 0;
    bool seen = false;
    check(pairs_count_unseen(ledger, &count, &err), &err);
    assert_int_equal(count, chips);
    check(pairs_each_issue(ledger, &filter, note_seen, &seen, &err), &err);
    assert_int_equal(seen, five_seen);
}

/* A supplier's chip is seen once a look that counts heard it on its bib. */
static void test_seen_by_a_look(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t screen = world_join(&world, "Screen", ROLE_READER);
    struct ledger *ledger = world.station[LEAD].ledger;
    from_list(&world, LEAD, "5", 0);
    from_list(&world, LEAD, "6", 6);
    struct record_id seven = from_list(&world, LEAD, "7", 7);
    world_issue(&world, LEAD, "8", 8, 0, NULL, NULL); /* typed: no supplier's */
    expect_unseen(ledger, 3, false);
    world_void(&world, LEAD, &seven, 1);
    expect_unseen(ledger, 2, false);
    write_look(&world, screen, "5", LOOK_RIGHT); /* a screen's says nothing */
    write_look(&world, one, "6", LOOK_RIGHT);    /* without a TID: by its EPC */
    world_give(&world, screen, LEAD);
    expect_unseen(ledger, 2, false);
    world_give(&world, one, LEAD);
    expect_unseen(ledger, 1, false);
    write_look_tid(&world, LEAD, "5", 5); /* another EPC, and the list has no TID */
    expect_unseen(ledger, 1, false);
    write_look(&world, one, "5", LOOK_OTHER); /* whatever else lay there */
    world_give(&world, one, LEAD);
    expect_unseen(ledger, 0, true);
    from_list(&world, LEAD, "9", 9);
    write_look_tid(&world, LEAD, "9", 8);
    expect_unseen(ledger, 1, true);
    write_look_tid(&world, LEAD, "9", 9);
    expect_unseen(ledger, 0, true);
    verify(ledger);
    world_free(&world);
}

struct alarms {
    bool beyond, unreadable;
};

static bool note_alarm(void *context, const struct pairs_alarm *alarm) {
    struct alarms *out = context;
    out->beyond = out->beyond || strcmp(alarm->name, "beyond") == 0;
    out->unreadable = out->unreadable || strcmp(alarm->name, "unreadable") == 0;
    return true;
}

static void test_kept_and_set_apart(void **state) {
    static const uint8_t empty[] = {0xA0};
    (void)state;
    for (uint64_t kind = RECORD_ROLL; kind <= RECORD_HANDOVER + 1; kind++) {
        struct world world;
        struct alarms alarms = {false, false};
        struct error err;
        world_new(&world, false);
        world_write(&world, LEAD, kind, slice_of(empty, sizeof empty));
        check(pairs_each_alarm(world.station[LEAD].ledger, note_alarm, &alarms, &err), &err);
        /* Kinds that come later are nothing to cry about. */
        assert_int_equal(alarms.unreadable, kind <= RECORD_HANDOVER);
        assert_false(alarms.beyond);
        world_free(&world);
    }
    struct world world;
    struct alarms alarms = {false, false};
    struct error err;
    world_new(&world, false);
    size_t table = world_join(&world, "Table", ROLE_TABLE);
    write_handover(&world, table, 1, 1);
    check(pairs_each_alarm(world.station[table].ledger, note_alarm, &alarms, &err), &err);
    assert_true(alarms.beyond);
    world_free(&world);
}

/* ---- a ledger that an older program kept ---- */

static char path[64];

static void run_sql(const char *sql) {
    sqlite3 *db = NULL;
    char *why = NULL;
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    if (sqlite3_exec(db, sql, NULL, NULL, &why) != SQLITE_OK) {
        fail_msg("%s", why);
    }
    sqlite3_close(db);
}

static struct ledger *open_file(const struct ledger_event *create) {
    struct ledger *ledger = NULL;
    struct error err;
    check(ledger_open(path, NULL, create, NULL, &ledger, &err), &err);
    return ledger;
}

/* It held such records as it holds any kind that it does not know: they are sorted at the first
 * opening, and the state is the one of a ledger that knew them from the beginning. */
static void test_older_ledger(void **state) {
    struct world world;
    (void)state;
    snprintf(path, sizeof path, "pairs_day_%ld.ledger", (long)getpid());
    world_new(&world, false);
    struct ledger *ledger = open_file(&world.event);
    world_issue(&world, LEAD, "5", 5, 0, NULL, NULL);
    from_list(&world, LEAD, "6", 0);
    world_give_ledger(world.station[LEAD].ledger, ledger);
    ledger_close(ledger);
    run_sql("CREATE TABLE kept AS SELECT rows, sum FROM total");
    hold(&world, LEAD, "5", HOLD_HELD);
    write_look(&world, LEAD, "5", LOOK_RIGHT);
    ledger = open_file(NULL);
    world_give_ledger(world.station[LEAD].ledger, ledger);
    ledger_close(ledger);
    run_sql("UPDATE total SET rows = (SELECT rows FROM kept), sum = (SELECT sum FROM kept);"
            "DROP TABLE kept; DROP TABLE hold; DROP TABLE held; DROP TABLE said;"
            "DROP TABLE heard; DROP TABLE unseen;"
            "DROP TABLE desk;"
            "PRAGMA user_version = 1");
    ledger = open_file(NULL);
    assert_same_state(world.station[LEAD].ledger, ledger);
    assert_int_equal(held(ledger, "5", NULL), HOLD_HELD);
    struct texts texts = {""};
    struct error err;
    check(pairs_each_look(ledger, NULL, note_look, &texts, &err), &err);
    assert_string_equal(texts.text, "5:1:50 ");
    uint64_t unseen = 0;
    check(pairs_count_unseen(ledger, &unseen, &err), &err);
    assert_int_equal(unseen, 1);
    verify(ledger);
    ledger_close(ledger);
    ledger = open_file(NULL);
    assert_same_state(world.station[LEAD].ledger, ledger);
    verify(ledger);
    ledger_close(ledger);
    world_free(&world);
}

static int remove_file(void **state) {
    char side[80];
    (void)state;
    unlink(path);
    snprintf(side, sizeof side, "%s-wal", path);
    unlink(side);
    snprintf(side, sizeof side, "%s-shm", path);
    unlink(side);
    return 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_later_takes_the_place),
        cmocka_unit_test(test_apart_the_strictest_stands),
        cmocka_unit_test(test_a_lead_is_freed_by_leads),
        cmocka_unit_test(test_who_may_hold),
        cmocka_unit_test(test_a_table_becomes_a_lead),
        cmocka_unit_test(test_stolen),
        cmocka_unit_test(test_clocks_cover_holds),
        cmocka_unit_test(test_holds_in_order),
        cmocka_unit_test(test_what_was_said),
        cmocka_unit_test(test_last_handover),
        cmocka_unit_test(test_since_a_handover),
        cmocka_unit_test(test_seen_by_a_look),
        cmocka_unit_test(test_kept_and_set_apart),
        cmocka_unit_test_teardown(test_older_ledger, remove_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
