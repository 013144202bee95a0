/* What goes beyond its author's role, and what a stolen station wrote: kept, set apart, shown. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/world.h"

static void verify(struct ledger *ledger) {
    struct error err;
    if (pairs_verify(ledger, true, &err) != ERR_OK) {
        fail_msg("verify: %s (%s)", err.say, err.cause);
    }
}

/* ---- what people are told ---- */

struct told {
    const char *name;
    size_t count;
    char say[2048]; /* all of that name, one after another */
};

static bool hear(void *context, const struct pairs_alarm *alarm) {
    struct told *told = context;
    if (strcmp(alarm->name, told->name) == 0) {
        size_t used = strlen(told->say);
        snprintf(told->say + used, sizeof told->say - used, "%s\n", alarm->say);
        told->count++;
    }
    return true;
}

static struct told alarms(struct ledger *ledger, const char *name) {
    struct told told = {.name = name};
    struct error err;
    if (pairs_each_alarm(ledger, hear, &told, &err) != ERR_OK) {
        fail_msg("%s (%s)", err.say, err.cause);
    }
    return told;
}

/* Exactly so many alarms of that name, and each of the words in them. */
static void assert_told(struct ledger *ledger, const char *name, size_t count, const char *one,
                        const char *two) {
    struct told told = alarms(ledger, name);
    if (told.count != count || strstr(told.say, one) == NULL || strstr(told.say, two) == NULL) {
        fail_msg("wanted %zu \"%s\" with \"%s\" and \"%s\", got %zu:\n%s", count, name, one, two,
                 told.count, told.say);
    }
}

static bool keep_issue(void *context, const struct pairs_issue *issue) {
    memcpy(context, issue, sizeof *issue);
    return true;
}

/* The last issue of a bib, by its author's time. */
static struct pairs_issue issue_of(struct ledger *ledger, const char *bib) {
    struct pairs_issue *issue = calloc(1, sizeof *issue);
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = world_label(bib)};
    struct error err;
    assert_non_null(issue);
    assert_int_equal(pairs_each_issue(ledger, &filter, keep_issue, issue, &err), ERR_OK);
    struct pairs_issue out = *issue;
    free(issue);
    return out;
}

static void write_close(struct world *world, size_t at) {
    struct buffer body;
    struct record_close close = {.number = world->station[at].author.number + 1};
    buffer_init(&body);
    record_close_write(&close, &body);
    world_write(world, at, RECORD_CLOSE, buffer_slice(&body));
    buffer_release(&body);
}

static void write_allot(struct world *world, size_t at, size_t to, uint64_t first, uint64_t last) {
    struct buffer body;
    struct record_allot allot = {.key = world->station[to].keys.sign_public,
                                 .bibs = {1, {{first, last}}}};
    buffer_init(&body);
    record_allot_write(&allot, &body);
    world_write(world, at, RECORD_ALLOT, buffer_slice(&body));
    buffer_release(&body);
}

static struct record_head head_of(struct world *world, size_t at) {
    const struct pairs_author *author = &world->station[at].author;
    return (struct record_head){author->log, author->number, author->head};
}

static struct pairs_station station_of(struct ledger *ledger, const struct sign_public *key) {
    struct pairs_station station;
    struct error err;
    assert_int_equal(pairs_station(ledger, key, &station, &err), ERR_OK);
    return station;
}

/* ---- roles ---- */

static void reader_writes(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t desk = world_join(&world, "Info desk", ROLE_READER);
    struct ledger *ledger = world.station[desk].ledger;
    assert_int_equal(alarms(ledger, "beyond").count, 0); /* its `open` is within its role */
    world_issue(&world, desk, "91", 0, 2, NULL, NULL);
    world_issue(&world, desk, "92", 0, 3, NULL, NULL);
    write_close(&world, desk);
    world_write(&world, desk, 77, slice_of("\xA0", 1)); /* a kind that nobody knows yet */
    assert_told(ledger, "beyond", 1, "Info desk may only read",
                "chips on bibs: 2, other records: 2");
    struct pairs_issue issue = issue_of(ledger, "91");
    assert_false(issue.counted);
    assert_int_equal(issue.beyond, PAIRS_BEYOND_ROLE);
    verify(ledger);
    world_free(&world);
}

static void table_does_a_leads_work(void **state) {
    struct world world;
    struct station_keys stranger;
    struct pairs_station owner;
    struct error err;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    struct ledger *ledger = world.station[two].ledger;
    world_keys(500, &stranger);
    write_allot(&world, two, two, 1, 50); /* taking a stack over is a table's right */
    assert_int_equal(pairs_owner(ledger, 7, &owner, &err), ERR_OK);
    assert_int_equal(alarms(ledger, "beyond").count, 0);
    world_admit(&world, two, &stranger, "Table 66", ROLE_TABLE);
    world_retire(&world, two, &world.station[one].keys.sign_public, NULL, 0, false);
    write_allot(&world, two, one, 51, 60);
    assert_told(ledger, "beyond", 1, "Table 2 is a table and no lead", "other records: 3");
    assert_int_equal(pairs_owner(ledger, 55, &owner, &err), ERR_NOT_FOUND);
    assert_false(station_of(ledger, &world.station[one].keys.sign_public).dead);
    verify(ledger);
    world_free(&world);
}

/* Also when it is learned only later that the one who was put out is a lead. */
static void lead_puts_out_a_lead(void **state) {
    struct world world;
    struct station_keys third;
    (void)state;
    world_new(&world, false);
    size_t second = world_join(&world, "Second lead", ROLE_LEAD);
    struct ledger *ledger = world.station[0].ledger;
    world_keys(502, &third);
    world_admit(&world, 0, &third, "Third lead", ROLE_LEAD);
    world_retire(&world, 0, &world.station[second].keys.sign_public, NULL, 0, true);
    world_retire(&world, 0, &third.sign_public, NULL, 0, true);
    assert_told(ledger, "beyond", 1, "Lead is a lead and not the root", "other records: 2");
    assert_false(station_of(ledger, &world.station[second].keys.sign_public).stolen);
    world_root_admit(&world, &third, "Third lead", ROLE_LEAD);
    assert_told(ledger, "beyond", 1, "Lead is a lead and not the root", "other records: 3");
    assert_false(station_of(ledger, &third.sign_public).stolen);
    verify(ledger);
    /* The other way round, at a station that hears of it all at once. */
    struct ledger *other = world_ledger(&world);
    world_give_ledger(ledger, other);
    assert_same_state(ledger, other);
    assert_told(other, "beyond", 1, "Lead is a lead and not the root", "other records: 3");
    ledger_close(other);
    world_retire(&world, SIZE_MAX, &third.sign_public, NULL, 0, true);
    assert_true(station_of(ledger, &third.sign_public).stolen);
    world_free(&world);
}

/* ---- stolen, and dead ---- */

static void after_a_theft(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    world_issue(&world, one, "80", 0, 1, NULL, NULL);
    struct record_head cut = head_of(&world, one);
    world_issue(&world, one, "81", 0, 2, NULL, NULL);
    write_close(&world, one);
    world_give(&world, one, 0);
    struct ledger *lead = world.station[0].ledger;
    assert_int_equal(alarms(lead, "beyond").count, 0);
    world_retire(&world, 0, &world.station[one].keys.sign_public, &cut, 1, true);
    assert_told(lead, "beyond", 1, "Table 1 was put out as stolen",
                "chips on bibs: 1, other records: 1");
    assert_true(issue_of(lead, "80").counted);
    assert_int_equal(issue_of(lead, "81").beyond, PAIRS_AFTER_THEFT);
    verify(lead);
    world_free(&world);
}

/* However much a thief writes, people are told in one sentence. */
static void many_in_doubt(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    struct record_head cut = head_of(&world, one);
    for (unsigned i = 0; i < 30; i++) {
        char bib[16];
        snprintf(bib, sizeof bib, "%u", 100 + i);
        world_issue(&world, one, bib, 0, 1 + i, NULL, NULL);
    }
    world_give(&world, one, 0);
    struct ledger *lead = world.station[0].ledger;
    world_retire(&world, 0, &world.station[one].keys.sign_public, &cut, 1, true);
    assert_told(lead, "doubt", 1, "Bibs (30: 100, 101, ", ", 107, ..) are in doubt");
    world_free(&world);
}

/* Two leads who cannot hear each other put one station out at different points: the earliest cut
 * wins, whoever hears of it in whatever order. */
static void two_leads_one_theft(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t second = world_join(&world, "Second lead", ROLE_LEAD);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    world_give(&world, 0, second);
    world_issue(&world, one, "80", 0, 1, NULL, NULL);
    struct record_head early = head_of(&world, one);
    world_give(&world, one, second);
    world_issue(&world, one, "81", 0, 2, NULL, NULL);
    struct record_head late = head_of(&world, one);
    world_give(&world, one, 0);
    const struct sign_public *key = &world.station[one].keys.sign_public;
    world_retire(&world, 0, key, &late, 1, true);
    world_retire(&world, second, key, &early, 1, true);
    world_issue(&world, one, "82", 0, 3, NULL, NULL);
    assert_true(issue_of(world.station[0].ledger, "81").counted);
    world_give(&world, one, second);
    world_give(&world, second, 0);
    world_give(&world, 0, second);
    world_give(&world, 0, one);
    for (size_t at = 0; at <= one; at++) {
        struct ledger *ledger = world.station[at].ledger;
        assert_same_state(ledger, world.station[0].ledger);
        assert_true(issue_of(ledger, "80").counted);
        assert_false(issue_of(ledger, "81").counted);
        assert_false(issue_of(ledger, "82").counted);
        assert_told(ledger, "beyond", 1, "Table 1", "chips on bibs: 2, other records: 0");
        verify(ledger);
    }
    world_free(&world);
}

/* A dead one's records count, also those that are found later; dead and stolen at once is stolen.
 */
static void dead_then_stolen(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    const struct sign_public *key = &world.station[one].keys.sign_public;
    struct record_head cut = head_of(&world, one);
    world_retire(&world, 0, key, NULL, 0, false);
    world_issue(&world, one, "82", 0, 1, NULL, NULL);
    world_give(&world, one, 0);
    struct ledger *lead = world.station[0].ledger;
    assert_true(issue_of(lead, "82").counted);
    assert_int_equal(alarms(lead, "beyond").count, 0);
    world_retire(&world, 0, key, &cut, 1, true);
    assert_false(issue_of(lead, "82").counted);
    verify(lead);
    world_free(&world);
}

/* Whom a stolen lead let in after the cut is nobody, until a lead who is none of that says so. */
static void let_in_by_a_thief(void **state) {
    struct world world;
    struct station_keys friend_;
    (void)state;
    world_new(&world, false);
    size_t second = world_join(&world, "Second lead", ROLE_LEAD);
    struct record_head cut = head_of(&world, second);
    world_keys(503, &friend_);
    world_admit(&world, second, &friend_, "Table 9", ROLE_TABLE);
    world_give(&world, second, 0);
    struct ledger *lead = world.station[0].ledger;
    assert_int_equal(station_of(lead, &friend_.sign_public).role, ROLE_TABLE);
    world_retire(&world, SIZE_MAX, &world.station[second].keys.sign_public, &cut, 1, true);
    assert_int_equal(station_of(lead, &friend_.sign_public).role, ROLE_NONE);
    /* It writes: held, for a lead once named it, and set apart. */
    struct world_station *table = &world.station[world.count++];
    table->keys = friend_;
    table->ledger = world_ledger(&world);
    world_give(&world, 0, world.count - 1);
    struct incarnation incarnation = {{9}};
    struct error err;
    assert_int_equal(pairs_begin(table->ledger, &err), ERR_OK);
    assert_int_equal(pairs_author_open(table->ledger, &table->keys, &incarnation, NULL,
                                       (struct wall_ms){world.wall++}, (struct mono_ms){0},
                                       &table->author, &err),
                     ERR_OK);
    assert_int_equal(pairs_commit(table->ledger, &err), ERR_OK);
    world_issue(&world, world.count - 1, "99", 0, 1, NULL, NULL);
    world_give(&world, world.count - 1, 0);
    assert_told(lead, "beyond", 2, "\"Table 9\" is not let in", "Second lead was put out");
    assert_int_equal(issue_of(lead, "99").beyond, PAIRS_NOT_LET_IN);
    world_admit(&world, 0, &friend_, "Table 9", ROLE_TABLE);
    assert_told(lead, "beyond", 1, "Second lead", "put out as stolen");
    assert_true(issue_of(lead, "99").counted);
    verify(lead);
    world_free(&world);
}

/* ---- folders that live twice ---- */

static void open_again(struct world *world, size_t at, const struct record_head *follows,
                       uint8_t seed) {
    struct incarnation incarnation = {{seed, 77}};
    struct world_station *station = &world->station[at];
    struct error err;
    assert_int_equal(pairs_begin(station->ledger, &err), ERR_OK);
    assert_int_equal(pairs_author_open(station->ledger, &station->keys, &incarnation, follows,
                                       (struct wall_ms){world->wall++}, (struct mono_ms){0},
                                       &station->author, &err),
                     ERR_OK);
    assert_int_equal(pairs_commit(station->ledger, &err), ERR_OK);
}

static void copied_folder(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    struct ledger *ledger = world.station[one].ledger;
    struct pairs_author before = world.station[one].author;
    struct record_head head = head_of(&world, one);
    open_again(&world, one, &head, 1); /* after a reboot, say: nothing to tell */
    assert_int_equal(alarms(ledger, "copied").count, 0);
    struct pairs_author after = world.station[one].author;
    world.station[one].author = before; /* the copy that did not notice goes on */
    world_issue(&world, one, "10", 0, 1, NULL, NULL);
    assert_told(ledger, "copied", 1, "Table 1 went on from one point in two logs", "go on");
    world.station[one].author = after;
    head = head_of(&world, one);
    open_again(&world, one, &head, 2); /* two copies that both noticed */
    open_again(&world, one, &head, 3);
    assert_told(ledger, "copied", 1, "Table 1", "only one of them");
    world_free(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(reader_writes),        cmocka_unit_test(table_does_a_leads_work),
        cmocka_unit_test(lead_puts_out_a_lead), cmocka_unit_test(after_a_theft),
        cmocka_unit_test(many_in_doubt),        cmocka_unit_test(two_leads_one_theft),
        cmocka_unit_test(dead_then_stolen),     cmocka_unit_test(let_in_by_a_thief),
        cmocka_unit_test(copied_folder),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
