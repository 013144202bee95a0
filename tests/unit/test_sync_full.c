/*
 * test_sync_full.c: more peers than the machine remembers, more heads than it lets one peer name,
 * and more logs than one message tells of: what is in session stays, and nothing grows.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/rig.h"

static struct rig rig;

/* A host that dials 300 addresses that its user typed: each is greeted, and the table at the other
 * end of the hall is not forgotten for them. */
static void more_peers_than_places(void **state) {
    static struct sync_peer peers[SYNC_PEERS_MAX + 1];
    (void)state;
    rig_new(&rig, 1);
    rig_start(&rig, 0);
    rig_start(&rig, 1);
    rig_join(&rig, 0, 1);
    rig_run(&rig, 3000);
    assert_true(rig_peer(&rig, 0, 1).connected);
    uint64_t greeted = rig.sent[0][SYNC_MESSAGE_HELLO];
    for (unsigned i = 0; i < 300; i++) {
        struct curve_public nobody = {{0xff}};
        memcpy(nobody.bytes + 1, &i, sizeof i);
        rig_step(&rig, 0, (struct sync_event){.kind = SYNC_PEER_UP, .peer = nobody});
        rig_deliver(&rig);
    }
    assert_int_equal(rig.sent[0][SYNC_MESSAGE_HELLO] - greeted, 300);
    assert_int_equal(sync_peers(rig.sync[0], peers, SYNC_PEERS_MAX + 1), SYNC_PEERS_MAX);
    assert_true(rig_peer(&rig, 0, 1).connected);
    world_issue(&rig.world, 1, "5", 0, 0, NULL, NULL);
    rig_appended(&rig, 1);
    rig_run(&rig, 500);
    assert_same_state(rig.world.station[0].ledger, rig.world.station[1].ledger);
    rig_free(&rig);
}

/* Remembers the session's nonces, as station 1 says them. */
static bool listen(void *context, const struct rig_message *queued,
                   const struct sync_message *message) {
    struct sync_message *have = context;
    if (queued->from == 1 && message->kind == SYNC_MESSAGE_BEAT) {
        have->from = message->from;
        have->to = message->to;
    }
    return true;
}

/* A table that names 64 heads of each of 200 logs: as many as its bound are kept, and the session
 * goes on. */
static void more_heads_than_are_kept(void **state) {
    static struct ledger_head heads[LEDGER_HEADS_PER_LOG_MAX];
    struct sync_message have = {.kind = SYNC_MESSAGE_HAVE};
    (void)state;
    rig_new(&rig, 1);
    rig_start(&rig, 0);
    rig_start(&rig, 1);
    rig.pass = listen;
    rig.context = &have;
    rig_join(&rig, 0, 1);
    rig_run(&rig, 3000);
    uint64_t refused = sync_counts(rig.sync[0]).refused;
    size_t memory = sync_counts(rig.sync[0]).memory;
    for (unsigned log = 0; log < 200; log++) {
        struct buffer list, bytes;
        buffer_init(&list);
        buffer_init(&bytes);
        for (unsigned i = 0; i < LEDGER_HEADS_PER_LOG_MAX; i++) {
            memset(heads[i].log.bytes, 0xEE, sizeof heads[i].log.bytes);
            memcpy(heads[i].log.bytes, &log, sizeof log);
            memcpy(heads[i].id.bytes, &log, sizeof log);
            memcpy(heads[i].id.bytes + 4, &i, sizeof i);
            heads[i].number = 1 + i;
        }
        sync_message_put_log(heads, LEDGER_HEADS_PER_LOG_MAX, &list);
        have.list = buffer_slice(&list);
        have.list_count = 1;
        sync_message_write(&have, &bytes);
        rig_message(&rig, 0, rig_curve(&rig, 1), buffer_slice(&bytes));
        buffer_release(&list);
        buffer_release(&bytes);
    }
    /* The event's own logs, which are held, make room. */
    assert_int_equal(sync_counts(rig.sync[0]).refused - refused,
                     200 - SYNC_HEADS_PER_PEER / LEDGER_HEADS_PER_LOG_MAX);
    assert_true(sync_counts(rig.sync[0]).memory - memory < 1024 * 1024);
    assert_true(rig_peer(&rig, 0, 1).connected);
    rig_free(&rig);
}

static void open_logs(size_t at, unsigned count) {
    struct world_station *station = &rig.world.station[at];
    struct error err;
    for (unsigned i = 0; i < count; i++) {
        struct incarnation incarnation = {{9}};
        memcpy(incarnation.bytes + 1, &i, sizeof i);
        if (pairs_begin(station->ledger, &err) != ERR_OK ||
            pairs_author_open(station->ledger, &station->keys, &incarnation, NULL,
                              (struct wall_ms){1}, (struct mono_ms){0}, &station->author,
                              &err) != ERR_OK ||
            pairs_commit(station->ledger, &err) != ERR_OK) {
            fail_msg("%s", err.cause);
        }
    }
}

/* A station that was started 1,600 times: its logs take more than one `have`, and all of them come
 * over. */
static void more_logs_than_one_message_tells(void **state) {
    (void)state;
    rig_new(&rig, 1);
    open_logs(0, 1600);
    rig_start(&rig, 0);
    rig_start(&rig, 1);
    rig_join(&rig, 0, 1);
    rig_run(&rig, 400);
    assert_true(rig.sent[0][SYNC_MESSAGE_HAVE] >= 2);
    for (int i = 0; i < 600 && ledger_count(rig.world.station[1].ledger) <
                                   ledger_count(rig.world.station[0].ledger);
         i++) {
        rig_run(&rig, 100);
    }
    assert_same_state(rig.world.station[0].ledger, rig.world.station[1].ledger);
    rig_free(&rig);
}

/* An admitted station that opens more logs than one peer may name: all of them go round, and what
 * honest stations wrote after it goes round, too. Station 2 hears of all by station 0 alone. */
static void more_logs_than_a_peer_may_name(void **state) {
    struct ledger *ledger[3];
    (void)state;
    rig_new(&rig, 2);
    for (size_t i = 0; i < 3; i++) {
        ledger[i] = rig.world.station[i].ledger;
        rig_start(&rig, i);
    }
    open_logs(1, SYNC_LOGS_PER_PEER + 300);
    rig_start(&rig, 1);
    rig_join(&rig, 0, 1);
    for (int i = 0; i < 3000 && ledger_count(ledger[0]) < ledger_count(ledger[1]); i++)
        rig_run(&rig, 100);
    assert_same_state(ledger[0], ledger[1]);
    world_issue(&rig.world, 0, "5", 0, 0, NULL, NULL);
    rig_appended(&rig, 0);
    world_issue(&rig.world, 2, "6", 0, 0, NULL, NULL);
    rig_join(&rig, 0, 2);
    for (int i = 0; i < 3000 && ledger_count(ledger[2]) < ledger_count(ledger[1]) + 1; i++)
        rig_run(&rig, 100);
    assert_same_state(ledger[2], ledger[0]);
    assert_same_state(ledger[2], ledger[1]);
    assert_true(sync_counts(rig.sync[2]).memory < 4 * 1024 * 1024);
    /* ... and a receipt for one's own log comes back. */
    struct log_id own = rig.world.station[2].author.log;
    rig_run(&rig, 5000);
    assert_int_equal(ledger_copies(ledger[2], &own, rig.world.station[2].author.number), 1);
    rig_free(&rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(more_peers_than_places),
        cmocka_unit_test(more_heads_than_are_kept),
        cmocka_unit_test(more_logs_than_one_message_tells),
        cmocka_unit_test(more_logs_than_a_peer_may_name),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
