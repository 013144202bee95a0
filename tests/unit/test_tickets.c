/* What tickets mean in a ledger: who wrote them, who used them, and that they change no state hash.
 * No outside source: the rules are this project's own (DESIGN, sections 4 and 5). */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>
#include <sodium.h>

#include "common/ticket.h"
#include "world.h"

static struct world world;
enum { LEAD, SECOND, TABLE }; /* stations */

/* A lead with the root's key, a second lead, a table; all hold the same. */
static int begin(void **state) {
    (void)state;
    struct station_keys keys;
    world_new(&world, false);
    world_join(&world, "Second", ROLE_TABLE);
    world_join(&world, "Table 1", ROLE_TABLE);
    keys = world.station[SECOND].keys;
    world_root_admit(&world, &keys, "Second", ROLE_LEAD);
    for (size_t i = 0; i < world.count; i++) {
        for (size_t j = 0; j < world.count; j++) {
            world_give(&world, i, j);
        }
    }
    return 0;
}

static int end(void **state) {
    (void)state;
    world_free(&world);
    return 0;
}

static struct digest32 hash_of(unsigned number) {
    uint8_t secret[TICKET_SECRET_SIZE] = {(uint8_t)number, (uint8_t)(number >> 8)};
    return ticket_hash(&world.event.event, secret);
}

static void write_tickets(size_t by, unsigned first, size_t count, int64_t expires) {
    static struct record_ticket ticket;
    char name[RECORD_TICKETS_MAX][16];
    struct buffer body;
    ticket = (struct record_ticket){.entry_count = count, .expires = {expires}};
    for (size_t i = 0; i < count; i++) {
        snprintf(name[i], sizeof(name[i]), "Table %zu", first + i);
        ticket.entry[i] = (struct record_ticket_entry){
            .id = {{(uint8_t)(first + i), 7}},
            .hash = hash_of((unsigned)(first + i)),
            .name = slice_text(name[i]),
            .role = ROLE_TABLE,
            .bibs = {1, {{100 * (first + i), 100 * (first + i) + 99}}}};
    }
    buffer_init(&body);
    record_ticket_write(&ticket, &body);
    world_write(&world, by, RECORD_TICKET, buffer_slice(&body));
    buffer_release(&body);
}

static void cancel(size_t by, unsigned number) {
    struct record_cancel body_of = {
        .ticket_count = 1, .ticket = {{{(uint8_t)number, 7}}}, .reason = slice_text("lost")};
    struct buffer body;
    buffer_init(&body);
    record_cancel_write(&body_of, &body);
    world_write(&world, by, RECORD_CANCEL, buffer_slice(&body));
    buffer_release(&body);
}

static void admit_for(size_t by, unsigned seed, const char *name, unsigned number) {
    struct station_keys keys;
    struct buffer body;
    world_keys(seed, &keys);
    struct record_admit admit = {.key = keys.sign_public,
                                 .curve = keys.curve_public,
                                 .name = slice_text(name),
                                 .role = ROLE_TABLE,
                                 .has_ticket = true,
                                 .ticket = {{(uint8_t)number, 7}}};
    buffer_init(&body);
    record_admit_write(&admit, &body);
    world_write(&world, by, RECORD_ADMIT, buffer_slice(&body));
    buffer_release(&body);
}

static enum error_code look(size_t at, unsigned number, struct pairs_ticket *ticket) {
    struct error err;
    struct digest32 hash = hash_of(number);
    return pairs_ticket_by_hash(world.station[at].ledger, &hash, ticket, &err);
}

struct alarms {
    size_t count;
    struct pairs_alarm alarm[16];
};
static bool gather(void *context, const struct pairs_alarm *alarm) {
    struct alarms *alarms = context;
    if (strncmp(alarm->name, "ticket", 6) == 0) {
        alarms->alarm[alarms->count++] = *alarm;
    }
    return alarms->count < 16;
}
static struct alarms alarms_at(size_t at) {
    struct alarms alarms = {0};
    struct error err;
    assert_int_equal(pairs_each_alarm(world.station[at].ledger, gather, &alarms, &err), ERR_OK);
    return alarms;
}

static bool count_one(void *context, const struct pairs_ticket *ticket) {
    (void)ticket;
    ++*(size_t *)context;
    return true;
}

static void expect_sound(size_t at) {
    struct error err;
    if (pairs_verify(world.station[at].ledger, true, &err) != ERR_OK) {
        fail_msg("station %zu: %s (%s)", at, err.say, err.cause);
    }
}

static void every_lead_knows_every_ticket(void **state) {
    struct pairs_ticket ticket;
    size_t count = 0;
    struct error err;
    (void)state;
    struct digest32 before = pairs_state_hash(world.station[LEAD].ledger);
    write_tickets(LEAD, 3, RECORD_TICKETS_MAX, 5000000);
    write_tickets(SECOND, 50, 1, 6000000);
    struct digest32 after = pairs_state_hash(world.station[LEAD].ledger);
    assert_memory_equal(before.bytes, after.bytes, 32);
    world_give(&world, LEAD, SECOND);
    assert_int_equal(look(SECOND, 34, &ticket), ERR_OK);
    assert_string_equal(ticket.name, "Table 34");
    assert_int_equal(ticket.role, ROLE_TABLE);
    assert_int_equal(ticket.expires.ms, 5000000);
    assert_int_equal(ticket.bibs.range[0].first, 3400);
    assert_int_equal(ticket.used, 0);
    assert_false(ticket.cancelled);
    assert_memory_equal(ticket.author.bytes, world.station[LEAD].keys.sign_public.bytes, 32);
    assert_int_equal(look(LEAD, 50, &ticket), ERR_NOT_FOUND); /* not heard yet */
    assert_int_equal(look(SECOND, 35, &ticket), ERR_NOT_FOUND);
    struct ticket_id id = {{34, 7}};
    assert_int_equal(pairs_ticket(world.station[SECOND].ledger, &id, &ticket, &err), ERR_OK);
    assert_string_equal(ticket.name, "Table 34");
    assert_int_equal(pairs_each_ticket(world.station[SECOND].ledger, count_one, &count, &err),
                     ERR_OK);
    assert_int_equal(count, RECORD_TICKETS_MAX + 1);
    expect_sound(SECOND);
}

/* A table's ticket, cancel or admit is kept, and lets nobody in or out. */
static void a_table_makes_no_tickets(void **state) {
    struct pairs_ticket ticket;
    size_t count = 0;
    struct error err;
    (void)state;
    write_tickets(TABLE, 3, 1, 5000000);
    world_give(&world, TABLE, LEAD);
    assert_int_equal(look(LEAD, 3, &ticket), ERR_NOT_FOUND);
    assert_int_equal(pairs_each_ticket(world.station[LEAD].ledger, count_one, &count, &err),
                     ERR_OK);
    assert_int_equal(count, 0);
    write_tickets(LEAD, 4, 1, 5000000);
    world_give(&world, LEAD, TABLE);
    cancel(TABLE, 4);
    admit_for(TABLE, 90, "Mine", 4);
    world_give(&world, TABLE, LEAD);
    assert_int_equal(look(LEAD, 4, &ticket), ERR_OK);
    assert_false(ticket.cancelled);
    assert_int_equal(ticket.used, 0);
    assert_int_equal(alarms_at(LEAD).count, 0);
    expect_sound(LEAD);
}

/* Its own ticket of the same secret must not hide the lead's. */
static void a_table_hides_no_ticket(void **state) {
    struct pairs_ticket ticket;
    (void)state;
    for (unsigned i = 0; i < 20; i++) { /* whichever record id is smaller */
        write_tickets(TABLE, 3 + i, 1, 1);
        write_tickets(LEAD, 3 + i, 1, 5000000);
    }
    world_give(&world, TABLE, LEAD);
    for (unsigned i = 0; i < 20; i++) {
        assert_int_equal(look(LEAD, 3 + i, &ticket), ERR_OK);
        assert_int_equal(ticket.expires.ms, 5000000);
    }
}

static void a_used_ticket_is_known_everywhere(void **state) {
    struct pairs_ticket ticket;
    (void)state;
    write_tickets(LEAD, 3, 2, 5000000);
    admit_for(LEAD, 90, "Table 3", 3);
    admit_for(LEAD, 90, "Table 3", 3); /* the same key twice is one station */
    world_give(&world, LEAD, SECOND);
    assert_int_equal(look(SECOND, 3, &ticket), ERR_OK);
    assert_int_equal(ticket.used, 1);
    assert_string_equal(ticket.used_name, "Table 3");
    assert_true(ticket.used_at.ms > 0);
    assert_int_equal(look(SECOND, 4, &ticket), ERR_OK);
    assert_int_equal(ticket.used, 0);
    assert_int_equal(alarms_at(SECOND).count, 0);
    expect_sound(SECOND);
}

static void two_leads_apart_let_in_two(void **state) {
    struct pairs_ticket at_lead, at_second;
    (void)state;
    write_tickets(LEAD, 3, 1, 5000000);
    world_give(&world, LEAD, SECOND);
    admit_for(LEAD, 90, "Table 3", 3);
    admit_for(SECOND, 91, "Stranger", 3);
    assert_int_equal(alarms_at(LEAD).count, 0);
    world_give(&world, LEAD, SECOND);
    world_give(&world, SECOND, LEAD);
    assert_int_equal(look(LEAD, 3, &at_lead), ERR_OK);
    assert_int_equal(look(SECOND, 3, &at_second), ERR_OK);
    assert_int_equal(at_lead.used, 2);
    assert_string_equal(at_lead.used_name, "Table 3"); /* its admit is the earlier one */
    assert_string_equal(at_lead.other_name, "Stranger");
    assert_string_equal(at_second.used_name, "Table 3");
    assert_string_equal(at_second.other_name, "Stranger");
    struct alarms alarms = alarms_at(SECOND);
    assert_int_equal(alarms.count, 1);
    assert_string_equal(alarms.alarm[0].name, "ticket_twice");
    assert_non_null(strstr(alarms.alarm[0].say, "Stranger"));
    assert_same_state(world.station[LEAD].ledger, world.station[SECOND].ledger);
}

static void cancelled_here_and_used_there(void **state) {
    struct pairs_ticket ticket;
    (void)state;
    write_tickets(LEAD, 3, 2, 5000000);
    world_give(&world, LEAD, SECOND);
    cancel(LEAD, 3);
    cancel(LEAD, 4);
    assert_int_equal(look(LEAD, 3, &ticket), ERR_OK);
    assert_true(ticket.cancelled);
    assert_string_equal(ticket.cancel_reason, "lost");
    admit_for(SECOND, 90, "Table 3", 3);
    world_give(&world, SECOND, LEAD);
    struct alarms alarms = alarms_at(LEAD);
    assert_int_equal(alarms.count, 1); /* not for the one that was only cancelled */
    assert_string_equal(alarms.alarm[0].name, "ticket_cancelled");
    assert_non_null(strstr(alarms.alarm[0].say, "Table 3"));
    expect_sound(LEAD);
}

/* A stolen lead's tickets from after its cut-off are none. */
static void tickets_of_a_stolen_lead(void **state) {
    struct pairs_ticket ticket;
    (void)state;
    write_tickets(SECOND, 3, 1, 5000000);
    struct record_head cutoff = {.log = world.station[SECOND].author.log,
                                 .number = world.station[SECOND].author.number,
                                 .id = world.station[SECOND].author.head};
    write_tickets(SECOND, 4, 1, 5000000);
    world_give(&world, SECOND, LEAD);
    assert_int_equal(look(LEAD, 4, &ticket), ERR_OK);
    world_retire(&world, SIZE_MAX, &world.station[SECOND].keys.sign_public, &cutoff, 1, true);
    assert_int_equal(look(LEAD, 3, &ticket), ERR_OK);
    assert_int_equal(look(LEAD, 4, &ticket), ERR_NOT_FOUND);
    expect_sound(LEAD);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(every_lead_knows_every_ticket, begin, end),
        cmocka_unit_test_setup_teardown(a_table_makes_no_tickets, begin, end),
        cmocka_unit_test_setup_teardown(a_table_hides_no_ticket, begin, end),
        cmocka_unit_test_setup_teardown(a_used_ticket_is_known_everywhere, begin, end),
        cmocka_unit_test_setup_teardown(two_leads_apart_let_in_two, begin, end),
        cmocka_unit_test_setup_teardown(cancelled_here_and_used_there, begin, end),
        cmocka_unit_test_setup_teardown(tickets_of_a_stolen_lead, begin, end),
    };
    return sodium_init() < 0 ? 1 : cmocka_run_group_tests(tests, NULL, NULL);
}
