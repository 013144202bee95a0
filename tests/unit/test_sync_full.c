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
    /* One less than would fit, because the event's own logs have their places. */
    assert_int_equal(sync_counts(rig.sync[0]).refused - refused,
                     200 - (SYNC_HEADS_PER_PEER / LEDGER_HEADS_PER_LOG_MAX - 1));
    assert_true(sync_counts(rig.sync[0]).memory - memory < 1024 * 1024);
    assert_true(rig_peer(&rig, 0, 1).connected);
    rig_free(&rig);
}

static void open_logs(unsigned count) {
    struct world_station *station = &rig.world.station[0];
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
    open_logs(1600);
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

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(more_peers_than_places),
        cmocka_unit_test(more_heads_than_are_kept),
        cmocka_unit_test(more_logs_than_one_message_tells),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
