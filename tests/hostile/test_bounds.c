/*
 * test_bounds.c: what one admitted station that is broken can cost another, by the sync machine
 * alone and without any real time: new sessions, records that do not hold, and promises that are
 * not kept. The bounds are this project's own (common/sync_internal.h).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "common/sync_internal.h"
#include "tests/unit/rig.h"

enum { LEAD = 0, ONE = 1, TWO = 2, THREE = 3 };

static struct ledger *ledger_of(const struct rig *rig, size_t at) {
    return rig->world.station[at].ledger;
}

static void say(struct rig *rig, size_t to, size_t from, const struct sync_message *message) {
    struct buffer bytes;
    buffer_init(&bytes);
    sync_message_write(message, &bytes);
    rig_message(rig, to, rig_curve(rig, from), buffer_slice(&bytes));
    buffer_release(&bytes);
}

/* Remembers the nonce of ONE's last hello, and loses all that goes to TWO, whose machine is silent:
 * what is said for it is made here. */
static bool watch(void *context, const struct rig_message *passing,
                  const struct sync_message *message) {
    if (passing->from == ONE && message->kind == SYNC_MESSAGE_HELLO) {
        *(uint64_t *)context = message->from;
    }
    return passing->to != TWO;
}

static struct sync_message hello_of(const struct rig *rig, size_t as, uint64_t nonce) {
    return (struct sync_message){.kind = SYNC_MESSAGE_HELLO,
                                 .version = SYNC_VERSION,
                                 .event = rig->world.event.event,
                                 .from = nonce,
                                 .key = rig->world.station[as].keys.sign_public,
                                 .log = rig->world.station[as].author.log,
                                 .wall = {1800000000000}};
}

/* A session of TWO, made by hand, with ONE. */
static void begin(struct rig *rig, uint64_t nonce, uint64_t *other) {
    if (rig->sync[TWO] == NULL) {
        rig_start(rig, TWO);
    }
    rig->pass = watch;
    rig->context = other;
    struct sync_message hello = hello_of(rig, TWO, nonce);
    say(rig, ONE, TWO, &hello);
    rig_deliver(rig);
    assert_int_not_equal(*other, 0);
    hello.has_to = true;
    hello.to = *other;
    say(rig, ONE, TWO, &hello);
    rig_deliver(rig);
}

static void new_sessions_are_bounded(void **state) {
    static struct rig rig;
    uint64_t other = 0;
    (void)state;
    rig_new(&rig, 2);
    rig_start(&rig, ONE);
    begin(&rig, 1, &other);
    uint64_t before = rig.sent[ONE][SYNC_MESSAGE_HELLO] + rig.sent[ONE][SYNC_MESSAGE_HAVE];
    for (uint64_t nonce = 2; nonce < 1002; nonce++) {
        struct sync_message hello = hello_of(&rig, TWO, nonce);
        hello.has_to = nonce % 2 == 0; /* one half opens at once, and is told all there is */
        hello.to = other;
        say(&rig, ONE, TWO, &hello);
        rig_deliver(&rig);
    }
    uint64_t said = rig.sent[ONE][SYNC_MESSAGE_HELLO] + rig.sent[ONE][SYNC_MESSAGE_HAVE] - before;
    assert_in_range(said, 1, 2 * SYNC_SESSION_BURST);
    assert_true(sync_counts(rig.sync[ONE]).refused >= 1000 - SYNC_SESSION_BURST);
    /* The station itself, mended and started again, gets its session all the same. */
    rig.pass = NULL;
    rig_start(&rig, TWO);
    rig_join(&rig, ONE, TWO);
    rig_run(&rig, 6000);
    assert_true(rig_peer(&rig, ONE, TWO).connected);
    assert_true(rig_peer(&rig, TWO, ONE).connected);
    rig_free(&rig);
}

/* The first record of a new log in the lead's name, which the lead has not signed. */
static void put_forged(const struct rig *rig, unsigned salt, struct log_id *log,
                       struct buffer *list) {
    const struct station_keys *keys = &rig->world.station[LEAD].keys;
    struct record_open open = {.key = keys->sign_public};
    struct buffer body, raw;
    struct error err;
    memcpy(open.incarnation.bytes, &salt, sizeof salt);
    open.incarnation.bytes[15] = 0xff;
    buffer_init(&body);
    record_open_write(&open, &body);
    *log = identity_log(&open.key, &open.incarnation);
    struct record record = {.log = *log,
                            .number = 1,
                            .wall = {1800000000000},
                            .kind = RECORD_OPEN,
                            .body = buffer_slice(&body)};
    buffer_init(&raw);
    assert_int_equal(record_encode(&record, NULL, 0, &rig->world.event.event,
                                   &rig->world.station[TWO].keys.sign_secret, &raw, &err),
                     ERR_OK);
    buffer_clear(list);
    canon_put_bytes(list, buffer_slice(&raw));
    buffer_release(&raw);
    buffer_release(&body);
}

static void records_that_do_not_hold_are_looked_at_rarely(void **state) {
    static struct rig rig;
    uint64_t other = 0;
    struct buffer list;
    (void)state;
    rig_new(&rig, 3);
    rig_start(&rig, ONE);
    begin(&rig, 7, &other);
    buffer_init(&list);
    for (unsigned i = 0; i < 500; i++) {
        struct sync_message push = {.kind = SYNC_MESSAGE_PUSH, .from = 7, .to = other};
        put_forged(&rig, i, &push.log, &list);
        push.list = buffer_slice(&list);
        push.list_count = 1;
        say(&rig, ONE, TWO, &push);
        rig_deliver(&rig);
        rig.alarms = 0; /* each new log is one, as long as there are a few */
    }
    assert_in_range(rig.outcome[PAIRS_PENDING], SYNC_TROUBLE_BURST, SYNC_TROUBLE_BURST + 1);
    assert_int_equal(rig.outcome[PAIRS_STORED], 0);
    assert_int_equal(rig.stored[ONE], 0);
    /* Others are heard as ever; and so is TWO a little later. */
    rig.pass = NULL;
    rig_start(&rig, THREE);
    rig_join(&rig, ONE, THREE);
    rig_run(&rig, 500);
    world_issue(&rig.world, THREE, "31", 0, 0, NULL, NULL);
    rig_appended(&rig, THREE);
    rig_deliver(&rig);
    assert_int_equal(world_bib(ledger_of(&rig, ONE), "31").state, PAIRS_ISSUED);
    rig_start(&rig, TWO);
    rig_join(&rig, ONE, TWO);
    rig_run(&rig, 3000);
    world_issue(&rig.world, TWO, "21", 0, 0, NULL, NULL);
    rig_appended(&rig, TWO);
    rig_deliver(&rig);
    assert_int_equal(world_bib(ledger_of(&rig, ONE), "21").state, PAIRS_ISSUED);
    buffer_release(&list);
    rig_free(&rig);
}

/* TWO says that it holds more of the lead's log, where admits may be, and never sends it. */
static void promise(struct rig *rig, uint64_t nonce, uint64_t other) {
    struct ledger_head head = {.log = rig->world.station[LEAD].author.log, .number = 1000};
    struct sync_message have = {.kind = SYNC_MESSAGE_HAVE, .from = nonce, .to = other};
    struct buffer list;
    memset(head.id.bytes, (int)nonce, sizeof head.id.bytes);
    buffer_init(&list);
    sync_message_put_log(&head, 1, &list);
    have.list = buffer_slice(&list);
    have.list_count = 1;
    uint64_t before = sync_counts(rig->sync[ONE]).wants;
    say(rig, ONE, TWO, &have);
    rig_deliver(rig);
    assert_int_equal(sync_counts(rig->sync[ONE]).wants, before + 1);
    buffer_release(&list);
}

static void nobody_waits_for_a_promise_that_was_broken(void **state) {
    static struct rig rig;
    uint64_t other = 0;
    (void)state;
    rig_new(&rig, 3);
    /* A table that was let in, as ONE knows, and whose log only THREE has. */
    size_t late = world_join(&rig.world, "Table 4", ROLE_TABLE);
    world_give(&rig.world, LEAD, ONE);
    world_give(&rig.world, LEAD, THREE);
    world_give(&rig.world, late, THREE);
    uint64_t held = ledger_count(ledger_of(&rig, ONE));
    rig_start(&rig, ONE);
    begin(&rig, 7, &other);
    promise(&rig, 7, other);
    rig_run(&rig, 3000); /* it is not kept; the session goes on, or begins anew */
    assert_true(sync_counts(rig.sync[ONE]).timeouts > 0);
    other = 0;
    begin(&rig, 8, &other);
    promise(&rig, 8, other);
    rig_start(&rig, THREE);
    rig_join(&rig, ONE, THREE);
    rig_run(&rig, 500);
    assert_int_equal(ledger_count(ledger_of(&rig, ONE)), held + 1);
    rig_free(&rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(new_sessions_are_bounded),
        cmocka_unit_test(records_that_do_not_hold_are_looked_at_rarely),
        cmocka_unit_test(nobody_waits_for_a_promise_that_was_broken),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
