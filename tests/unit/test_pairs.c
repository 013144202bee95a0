/* The derived state, case by case as the design defines it. */
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

static void issued_once(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    struct ledger *ledger = world.station[one].ledger;
    assert_int_equal(world_bib(ledger, "57").state, PAIRS_UNISSUED);
    world_issue(&world, one, "57", 0, 0, NULL, NULL);
    assert_int_equal(world_bib(ledger, "57").state, PAIRS_ISSUED);
    verify(ledger);
    world_free(&world);
}

/* Two tables that could not know of each other. */
static void unaware_double(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    world_issue(&world, one, "57", 0, 11, NULL, NULL);
    world_issue(&world, two, "57", 0, 22, NULL, NULL);
    assert_int_equal(world_bib(world.station[one].ledger, "57").state, PAIRS_ISSUED);
    world_give(&world, one, two);
    struct pairs_bib bib = world_bib(world.station[two].ledger, "57");
    assert_int_equal(bib.state, PAIRS_DOUBLED);
    assert_int_equal(bib.cause, PAIRS_UNAWARE);
    world_give(&world, two, one);
    assert_same_state(world.station[one].ledger, world.station[two].ledger);
    verify(world.station[one].ledger);
    world_free(&world);
}

/* Own example: B holds A's issue of 101 and issues 101 naming nothing replaced. */
static void knowing_double(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    world_issue(&world, one, "101", 0, 0, NULL, NULL);
    world_give(&world, one, two);
    world_issue(&world, two, "101", 0, 0, NULL, NULL);
    struct pairs_bib bib = world_bib(world.station[two].ledger, "101");
    assert_int_equal(bib.state, PAIRS_DOUBLED);
    assert_int_equal(bib.cause, PAIRS_KNOWING);
    /* The same at a station that hears the later one first. */
    struct ledger *other = world_ledger(&world);
    world_give_ledger(world.station[two].ledger, other);
    assert_int_equal(world_bib(other, "101").cause, PAIRS_KNOWING);
    verify(other);
    ledger_close(other);
    world_free(&world);
}

static void repeat_needs_tids(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    world_issue(&world, one, "7", 0, 77, NULL, NULL);
    world_issue(&world, two, "7", 0, 77, NULL, NULL);
    world_issue(&world, one, "8", 0, 0, NULL, NULL); /* equal EPCs, no TID: two chips */
    world_issue(&world, two, "8", 0, 0, NULL, NULL);
    world_give(&world, one, two);
    assert_int_equal(world_bib(world.station[two].ledger, "7").cause, PAIRS_REPEAT);
    assert_int_equal(world_bib(world.station[two].ledger, "8").cause, PAIRS_UNAWARE);
    world_free(&world);
}

static void replaced_and_voided(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    struct ledger *ledger = world.station[one].ledger;
    struct record_id first = world_issue(&world, one, "20", 0, 1, NULL, NULL);
    struct record_id second = world_issue(&world, one, "20", 0, 2, &first, NULL);
    struct pairs_bib bib = world_bib(ledger, "20");
    assert_int_equal(bib.state, PAIRS_ISSUED);
    assert_int_equal(bib.live, 1);
    struct record_id gone = world_void(&world, one, &second, 1);
    assert_int_equal(world_bib(ledger, "20").state, PAIRS_EMPTIED);
    world_void(&world, one, &gone, 1); /* a void of a void does nothing */
    assert_int_equal(world_bib(ledger, "20").state, PAIRS_EMPTIED);
    verify(ledger);
    world_free(&world);
}

/* A re-issue that the replacing station had not seen survives, as in an observed-remove set. */
static void concurrent_reissue_survives(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    struct record_id first = world_issue(&world, one, "30", 0, 1, NULL, NULL);
    world_give(&world, one, two);
    world_issue(&world, one, "30", 0, 2, &first, NULL);
    world_issue(&world, two, "30", 0, 3, &first, NULL);
    world_give(&world, one, two);
    struct pairs_bib bib = world_bib(world.station[two].ledger, "30");
    assert_int_equal(bib.live, 2);
    assert_int_equal(bib.cause, PAIRS_UNAWARE);
    world_free(&world);
}

static void extra_stands_beside(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    struct record_id first = world_issue(&world, one, "40", 0, 1, NULL, NULL);
    world_give(&world, one, two);
    world_issue(&world, one, "40", 0, 2, NULL, &first);
    assert_int_equal(world_bib(world.station[one].ledger, "40").state, PAIRS_ISSUED);
    world_issue(&world, two, "40", 0, 3, NULL, &first); /* beside the first, not the second */
    world_give(&world, one, two);
    assert_int_equal(world_bib(world.station[two].ledger, "40").state, PAIRS_DOUBLED);
    world_free(&world);
}

/* A void whose target comes later, and a target that is in another's log. */
static void void_before_target(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    struct record_id issue = world_issue(&world, one, "50", 0, 1, NULL, NULL);
    world_give(&world, one, two);
    world_void(&world, two, &issue, 1);
    size_t count = 0;
    struct slice *records = world_records(world.station[two].ledger, &count);
    struct ledger *other = world_ledger(&world);
    for (size_t i = 0; i < 3; i++) { /* all but the last passes leave the issue out */
        for (size_t j = 0; j < count; j++) {
            struct record_id id = identity_record(records[j]);
            if (i == 2 || !ID_EQUAL(id, issue)) {
                world_take_all(other, &records[j], 1);
            }
        }
    }
    assert_int_equal(world_bib(other, "50").state, PAIRS_EMPTIED);
    assert_same_state(other, world.station[two].ledger);
    world_records_free(records, count);
    ledger_close(other);
    world_free(&world);
}

static void crossed_settlings(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    struct record_id a = world_issue(&world, one, "60", 0, 1, NULL, NULL);
    struct record_id b = world_issue(&world, two, "60", 0, 2, NULL, NULL);
    world_give(&world, one, two);
    world_give(&world, two, one);
    world_void(&world, one, &a, 1);
    world_void(&world, two, &b, 1);
    world_give(&world, one, two);
    struct pairs_bib bib = world_bib(world.station[two].ledger, "60");
    assert_int_equal(bib.state, PAIRS_EMPTIED);
    assert_true(bib.crossed);
    /* A settling that had seen the other is no crossing, though it leaves nothing either. */
    a = world_issue(&world, one, "61", 0, 3, NULL, NULL);
    b = world_issue(&world, two, "61", 0, 4, NULL, NULL);
    world_give(&world, one, two);
    world_void(&world, two, &b, 1);
    world_give(&world, two, one);
    world_void(&world, one, &a, 1);
    bib = world_bib(world.station[one].ledger, "61");
    assert_int_equal(bib.state, PAIRS_EMPTIED);
    assert_false(bib.crossed);
    verify(world.station[two].ledger);
    world_free(&world);
}

/* The one who settles last had seen the other's settling, which is in a third station's log. */
static void settled_after_a_lead(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    struct record_id a = world_issue(&world, one, "62", 0, 1, NULL, NULL);
    struct record_id b = world_issue(&world, two, "62", 0, 2, NULL, NULL);
    world_give(&world, one, 0);
    world_give(&world, two, 0);
    world_void(&world, 0, &b, 1);
    world_give(&world, 0, one);
    world_void(&world, one, &a, 1);
    struct pairs_bib bib = world_bib(world.station[one].ledger, "62");
    assert_int_equal(bib.state, PAIRS_EMPTIED);
    assert_false(bib.crossed);
    world_free(&world);
}

/* Three chips: two tables that knew, and one that did not. The gravest cause is told. */
static void gravest_cause(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t at[3] = {world_join(&world, "Table 1", ROLE_TABLE),
                    world_join(&world, "Table 2", ROLE_TABLE),
                    world_join(&world, "Table 3", ROLE_TABLE)};
    /* Often enough that each of the three has the smallest id now and then. */
    for (size_t i = 0; i < 12; i++) {
        char bib[16];
        snprintf(bib, sizeof bib, "%zu", 163 + i);
        size_t one = at[i % 3], two = at[(i + 1) % 3], three = at[(i + 2) % 3];
        world_issue(&world, one, bib, 0, 1, NULL, NULL);
        world_give(&world, one, two);
        world_issue(&world, two, bib, 0, 2, NULL, NULL);
        assert_int_equal(world_bib(world.station[two].ledger, bib).cause, PAIRS_KNOWING);
        world_issue(&world, three, bib, 0, 3, NULL, NULL);
        world_give(&world, three, two);
        assert_int_equal(world_bib(world.station[two].ledger, bib).cause, PAIRS_UNAWARE);
        world_give(&world, two, one);
        world_give(&world, two, three);
    }
    world_free(&world);
}

/* A new incarnation goes on from what the old one had seen. */
static void clock_goes_on(void **state) {
    struct world world;
    struct error err;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    struct world_station *second = &world.station[two];
    world_issue(&world, one, "66", 0, 1, NULL, NULL);
    world_issue(&world, two, "66", 0, 2, NULL, NULL); /* unaware */
    world_give(&world, one, two);
    struct record_id mine = world_issue(&world, two, "67", 0, 3, NULL, NULL);
    world_issue(&world, two, "66", 0, 4, NULL, NULL); /* this one claims table 1's log */
    struct record_head follows = {second->author.log, second->author.number, second->author.head};
    struct incarnation incarnation = {{99}};
    assert_int_equal(pairs_begin(second->ledger, &err), ERR_OK);
    assert_int_equal(pairs_author_open(second->ledger, &second->keys, &incarnation, &follows,
                                       (struct wall_ms){1}, (struct mono_ms){1}, &second->author,
                                       &err),
                     ERR_OK);
    assert_int_equal(pairs_commit(second->ledger, &err), ERR_OK);
    struct record_id later = world_issue(&world, two, "68", 0, 5, NULL, NULL);
    struct clock_position at, old, of_one;
    assert_true(ledger_position(second->ledger, &later, &at));
    assert_true(ledger_position(second->ledger, &mine, &old));
    assert_true(ledger_position(second->ledger, &world.station[one].author.head, &of_one));
    assert_true(at.chain != old.chain);
    assert_true(ledger_covers(second->ledger, at, old));
    assert_true(ledger_covers(second->ledger, at, of_one));
    assert_false(ledger_covers(second->ledger, old, at));
    /* Elsewhere the new log may come before the one that it follows. */
    struct ledger *other = world_ledger(&world);
    world_give(&world, two, 0);
    world_give_ledger(second->ledger, other);
    assert_same_state(other, second->ledger);
    verify(second->ledger);
    ledger_close(other);
    world_free(&world);
}

static bool count_shared(void *context, const struct pairs_shared *shared) {
    assert_int_equal(shared->bib_count, 2);
    (*(int *)context)++;
    return true;
}

static int shared_of(struct ledger *ledger) {
    int count = 0;
    struct error err;
    assert_int_equal(pairs_each_shared(ledger, count_shared, &count, &err), ERR_OK);
    return count;
}

static void shared_tags(void **state) {
    struct world world;
    (void)state;
    world_new(&world, true); /* pre-encoded tags, each EPC on one chip only */
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    struct ledger *ledger = world.station[one].ledger;
    world_issue(&world, one, "70", 900, 0, NULL, NULL);
    struct record_id second = world_issue(&world, one, "71", 900, 0, NULL, NULL);
    assert_int_equal(shared_of(ledger), 1);
    world_void(&world, one, &second, 1);
    assert_int_equal(shared_of(ledger), 0);
    verify(ledger);
    world_free(&world);

    world_new(&world, false); /* written tags: the EPC says the bib, the TID the chip */
    one = world_join(&world, "Table 1", ROLE_TABLE);
    ledger = world.station[one].ledger;
    world_issue(&world, one, "70", 900, 5, NULL, NULL);
    world_issue(&world, one, "71", 900, 6, NULL, NULL);
    assert_int_equal(shared_of(ledger), 0);
    world_issue(&world, one, "72", 900, 6, NULL, NULL);
    assert_int_equal(shared_of(ledger), 1);
    world_free(&world);
}

static struct record_head head_of(struct world *world, size_t at) {
    const struct pairs_author *author = &world->station[at].author;
    return (struct record_head){author->log, author->number, author->head};
}

/* Stolen: what lies on the cut-off's chain counts, the rest is kept and puts its bib in doubt
 * until a lead deals with it. */
static void stolen_station(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    world_issue(&world, one, "80", 0, 1, NULL, NULL);
    struct record_head cut = head_of(&world, one);
    struct record_id late = world_issue(&world, one, "81", 0, 2, NULL, NULL);
    world_give(&world, one, 0);
    struct ledger *lead = world.station[0].ledger;
    assert_int_equal(world_bib(lead, "81").state, PAIRS_ISSUED);
    world_retire(&world, 0, &world.station[one].keys.sign_public, &cut, 1, true);
    assert_int_equal(world_bib(lead, "80").state, PAIRS_ISSUED);
    assert_int_equal(world_bib(lead, "81").state, PAIRS_UNISSUED);
    assert_true(world_bib(lead, "81").doubt);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    world_void(&world, two, &late, 1); /* a table's word does not settle it */
    world_give(&world, two, 0);
    assert_true(world_bib(lead, "81").doubt);
    world_void(&world, 0, &late, 1);
    assert_false(world_bib(lead, "81").doubt);
    /* The retire may come before the records it cuts off, and the cut-off's head last of all. */
    world_give(&world, 0, one);
    assert_same_state(lead, world.station[one].ledger);
    struct ledger *other = world_ledger(&world);
    world_give_ledger(lead, other);
    assert_same_state(lead, other);
    verify(other);
    ledger_close(other);
    world_free(&world);
}

static void dead_station_counts(void **state) {
    struct world world;
    struct pairs_station station;
    struct error err;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    world_retire(&world, 0, &world.station[one].keys.sign_public, NULL, 0, false);
    world_issue(&world, one, "82", 0, 1, NULL, NULL); /* found on it later */
    world_give(&world, one, 0);
    assert_int_equal(world_bib(world.station[0].ledger, "82").state, PAIRS_ISSUED);
    assert_int_equal(pairs_station(world.station[0].ledger, &world.station[one].keys.sign_public,
                                   &station, &err),
                     ERR_OK);
    assert_true(station.dead);
    world_free(&world);
}

/* A reader may hold and ask, never write: what it writes is kept and does not count. */
static void reader_does_not_count(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t reader = world_join(&world, "Info desk", ROLE_READER);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    struct record_id id = world_issue(&world, one, "90", 0, 1, NULL, NULL);
    world_give(&world, one, reader);
    world_void(&world, reader, &id, 1);
    world_issue(&world, reader, "91", 0, 2, NULL, NULL);
    struct ledger *ledger = world.station[reader].ledger;
    assert_int_equal(world_bib(ledger, "90").state, PAIRS_ISSUED);
    assert_int_equal(world_bib(ledger, "91").state, PAIRS_UNISSUED);
    assert_true(world_bib(ledger, "91").doubt);
    world_free(&world);
}

/* A table's admit lets nobody in; a lead's admit of a lead neither. */
static void only_who_may_admits(void **state) {
    struct world world;
    struct station_keys stranger, second;
    struct error err;
    struct pairs_station station;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    world_keys(500, &stranger);
    world_keys(501, &second);
    world_admit(&world, one, &stranger, "Table 66", ROLE_TABLE);
    assert_false(ledger_eligible(world.station[one].ledger, &stranger.sign_public));
    world_retire(&world, one, &world.station[0].keys.sign_public, NULL, 0, true);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    world_retire(&world, one, &world.station[two].keys.sign_public, NULL, 0, true);
    world_give(&world, one, 0);
    for (size_t i = 0; i <= two; i += two) {
        assert_int_equal(pairs_station(world.station[0].ledger, &world.station[i].keys.sign_public,
                                       &station, &err),
                         ERR_OK);
        assert_false(station.stolen || station.dead);
    }
    world_admit(&world, 0, &second, "Second lead", ROLE_LEAD);
    assert_int_equal(pairs_station(world.station[0].ledger, &second.sign_public, &station, &err),
                     ERR_OK);
    assert_int_equal(station.role, ROLE_NONE);
    world_root_admit(&world, &second, "Second lead", ROLE_LEAD);
    assert_int_equal(pairs_station(world.station[0].ledger, &second.sign_public, &station, &err),
                     ERR_OK);
    assert_int_equal(station.role, ROLE_LEAD);
    verify(world.station[0].ledger);
    world_free(&world);
}

/* An entry whose head is not held covers nothing yet: the cause changes when it comes. */
static void cause_changes_when_the_head_comes(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    struct record_id first = world_issue(&world, one, "95", 0, 1, NULL, NULL);
    struct record_id later = world_issue(&world, one, "96", 0, 2, NULL, NULL);
    world_give(&world, one, two);
    world_issue(&world, two, "95", 0, 3, NULL, NULL); /* names the head, which is `later` */
    size_t count = 0;
    struct slice *records = world_records(world.station[two].ledger, &count);
    struct ledger *other = world_ledger(&world);
    (void)first;
    for (size_t pass = 0; pass < 2; pass++) {
        for (size_t j = 0; j < count; j++) {
            struct record_id id = identity_record(records[j]);
            if (!ID_EQUAL(id, later)) {
                world_take_all(other, &records[j], 1);
            }
        }
    }
    assert_int_equal(world_bib(other, "95").cause, PAIRS_UNAWARE);
    world_take_all(other, records, count);
    assert_int_equal(world_bib(other, "95").cause, PAIRS_KNOWING);
    assert_same_state(other, world.station[two].ledger);
    verify(other);
    world_records_free(records, count);
    ledger_close(other);
    world_free(&world);
}

/* The same records in many random orders and groupings give the same state. */
static void arrival_order_does_not_matter(void **state) {
    struct world world;
    struct error err;
    (void)state;
    srand(20270516);
    world_new(&world, true);
    size_t tables[3] = {world_join(&world, "Table 1", ROLE_TABLE),
                        world_join(&world, "Table 2", ROLE_TABLE),
                        world_join(&world, "Info desk", ROLE_READER)};
    struct record_id made[120];
    size_t made_count = 0;
    for (unsigned i = 0; i < 120; i++) {
        size_t at = tables[rand() % 3];
        char bib[16];
        snprintf(bib, sizeof bib, "%d", 1 + rand() % 25);
        struct record_id *any = made_count > 0 ? &made[(size_t)rand() % made_count] : NULL;
        int dice = rand() % 10;
        if (dice == 0 && any != NULL) {
            world_void(&world, at, any, 1);
        } else {
            made[made_count++] =
                world_issue(&world, at, bib, 1 + (unsigned)rand() % 200, (unsigned)rand() % 60,
                            dice == 1 ? any : NULL, dice == 2 ? any : NULL);
        }
        if (rand() % 6 == 0) {
            world_give(&world, tables[rand() % 3], tables[rand() % 3]);
        }
    }
    struct record_head cut = {world.station[tables[1]].author.log, 20, {{0}}};
    cut.id = made[made_count / 2]; /* a cut-off that names a record of whatever log */
    world_retire(&world, 0, &world.station[tables[1]].keys.sign_public, &cut, 1, true);
    for (size_t i = 0; i < 3; i++) {
        world_give(&world, tables[i], 0);
    }
    struct ledger *whole = world.station[0].ledger;
    verify(whole);
    size_t count = 0;
    struct slice *records = world_records(whole, &count);
    for (int round = 0; round < 12; round++) {
        struct ledger *other = world_ledger(&world);
        for (size_t i = count - 1; i > 0; i--) {
            size_t j = (size_t)rand() % (i + 1);
            struct slice swap = records[i];
            records[i] = records[j];
            records[j] = swap;
        }
        for (size_t start = 0; start < count;) {
            size_t size = 1 + (size_t)rand() % 40;
            if (size > count - start) {
                size = count - start;
            }
            world_take_all(other, records + start, size);
            start += size;
        }
        world_take_all(other, records, count);
        assert_int_equal(ledger_count(other), count);
        assert_same_state(whole, other);
        if (round == 0 && pairs_verify(other, false, &err) != ERR_OK) {
            fail_msg("%s: %s", err.say, err.cause);
        }
        ledger_close(other);
    }
    world_records_free(records, count);
    world_free(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(issued_once),
        cmocka_unit_test(unaware_double),
        cmocka_unit_test(knowing_double),
        cmocka_unit_test(repeat_needs_tids),
        cmocka_unit_test(replaced_and_voided),
        cmocka_unit_test(concurrent_reissue_survives),
        cmocka_unit_test(extra_stands_beside),
        cmocka_unit_test(void_before_target),
        cmocka_unit_test(crossed_settlings),
        cmocka_unit_test(settled_after_a_lead),
        cmocka_unit_test(gravest_cause),
        cmocka_unit_test(clock_goes_on),
        cmocka_unit_test(shared_tags),
        cmocka_unit_test(stolen_station),
        cmocka_unit_test(dead_station_counts),
        cmocka_unit_test(reader_does_not_count),
        cmocka_unit_test(only_who_may_admits),
        cmocka_unit_test(cause_changes_when_the_head_comes),
        cmocka_unit_test(arrival_order_does_not_matter),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
