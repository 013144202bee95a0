/* rig.c: see rig.h. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/rig.h"

static void check(enum error_code code, const struct error *err) {
    if (code != ERR_OK)
        fail_msg("%s: %s (%s)", error_name(code), err->say, err->cause);
}

void rig_new(struct rig *rig, size_t tables) {
    memset(rig, 0, sizeof *rig);
    rig->now = 1000;
    world_new(&rig->world, false);
    for (size_t i = 1; i <= tables; i++) {
        char name[32];
        snprintf(name, sizeof name, "Table %zu", i);
        world_join(&rig->world, name, ROLE_TABLE);
    }
    for (size_t i = 1; i <= tables; i++)
        world_give(&rig->world, i, 0);
    for (size_t i = 1; i <= tables; i++)
        world_give(&rig->world, 0, i);
}

static void drop_queue(struct rig *rig) {
    for (size_t i = 0; i < rig->queued; i++)
        free((void *)(uintptr_t)rig->queue[i].bytes.data);
    rig->queued = 0;
}

void rig_free(struct rig *rig) {
    drop_queue(rig);
    for (size_t i = 0; i < WORLD_STATIONS_MAX; i++)
        sync_free(rig->sync[i]);
    world_free(&rig->world);
}

void rig_start(struct rig *rig, size_t at) {
    static uint8_t seeds;
    struct world_station *station = &rig->world.station[at];
    struct sync_config config = {
        .ledger = station->ledger, .keys = station->keys, .port = (uint16_t)(7100 + at)};
    struct error err;
    config.seed[0] = ++seeds;
    config.seed[1] = (uint8_t)at;
    sync_free(rig->sync[at]);
    check(sync_new(&config, &rig->sync[at], &err), &err);
    sync_log_changed(rig->sync[at], &station->author.log);
}

const struct curve_public *rig_curve(const struct rig *rig, size_t at) {
    return &rig->world.station[at].keys.curve_public;
}

static size_t station_of(const struct rig *rig, const struct curve_public *curve) {
    for (size_t i = 0; i < rig->world.count; i++)
        if (ID_EQUAL(*rig_curve(rig, i), *curve))
            return i;
    return SIZE_MAX;
}

static struct slice copy(struct slice bytes) {
    uint8_t *data = malloc(bytes.size + 1);
    assert_non_null(data);
    memcpy(data, bytes.data, bytes.size);
    return slice_of(data, bytes.size);
}

static void take_send(struct rig *rig, size_t at, const struct sync_order *order) {
    struct sync_message message;
    struct rig_message *queued = &rig->queue[rig->queued];
    assert_true(order->bytes.size <= SYNC_MESSAGE_MAX);
    assert_true(sync_message_read(order->bytes, &message));
    rig->sent[at][message.kind]++;
    assert_true(rig->queued < RIG_QUEUE_MAX);
    *queued = (struct rig_message){at, station_of(rig, &order->peer), copy(order->bytes)};
    rig->queued++;
}

struct pending {
    struct sync_event event;
    struct pairs_taken taken;
};

static void carry_out(struct rig *rig, size_t at, const struct sync_order *order,
                      struct pending *pending) {
    struct ledger *ledger = rig->world.station[at].ledger;
    struct error err;
    check(pairs_begin(ledger, &err), &err);
    check(pairs_take(ledger, order->records, order->record_count, &pending->taken, &err), &err);
    check(pairs_commit(ledger, &err), &err);
    rig->stored[at] += pending->taken.stored;
    rig->outcome[pending->taken.outcome]++;
    pending->event = (struct sync_event){
        .kind = SYNC_STORED, .peer = order->peer, .log = order->log, .taken = &pending->taken};
}

static void take_order(struct rig *rig, size_t at, const struct sync_order *order,
                       struct pending *pending, size_t *count) {
    switch (order->kind) {
    case SYNC_SEND:
        take_send(rig, at, order);
        break;
    case SYNC_STORE:
        assert_true(*count < 64);
        carry_out(rig, at, order, &pending[(*count)++]);
        break;
    case SYNC_ALARM:
        assert_true(rig->alarms < RIG_ALARMS_MAX);
        rig->alarm[rig->alarms++] = *order->alarm;
        break;
    case SYNC_ROAD:
        rig->roads++;
        snprintf(rig->road, sizeof rig->road, "%s", order->address);
        rig->road_peer = order->peer;
        break;
    }
}

static void keep_back(struct rig *rig, size_t at, const struct pending *pending) {
    assert_true(rig->held_count < RIG_HELD_MAX);
    rig->held[rig->held_count].at = at;
    rig->held[rig->held_count].peer = pending->event.peer;
    rig->held[rig->held_count].log = pending->event.log;
    rig->held[rig->held_count++].taken = pending->taken;
}

void rig_step(struct rig *rig, size_t at, struct sync_event event) {
    struct pending *pending = calloc(64, sizeof *pending);
    struct error err;
    size_t count = 0;
    assert_non_null(pending);
    event.now.ms = rig->now;
    event.wall.ms = 1800000000000 + rig->now + 1000 * (int64_t)at;
    if (rig->stepping != NULL)
        rig->stepping(true);
    enum error_code code = sync_step(rig->sync[at], &event, &err);
    if (rig->stepping != NULL)
        rig->stepping(false);
    if (rig->stepping == NULL || code != ERR_MEMORY)
        check(code, &err);
    for (const struct sync_order *order; (order = sync_next(rig->sync[at])) != NULL;)
        take_order(rig, at, order, pending, &count);
    for (size_t i = 0; i < count && !rig->hold; i++)
        rig_step(rig, at, pending[i].event);
    for (size_t i = 0; i < count && rig->hold; i++)
        keep_back(rig, at, &pending[i]);
    free(pending);
}

void rig_release(struct rig *rig) {
    rig->hold = false;
    for (size_t i = 0; i < rig->held_count; i++)
        rig_step(rig, rig->held[i].at,
                 (struct sync_event){.kind = SYNC_STORED,
                                     .peer = rig->held[i].peer,
                                     .log = rig->held[i].log,
                                     .taken = &rig->held[i].taken});
    rig->held_count = 0;
}

void rig_join(struct rig *rig, size_t a, size_t b) {
    rig_step(rig, a, (struct sync_event){.kind = SYNC_PEER_UP, .peer = *rig_curve(rig, b)});
    rig_step(rig, b, (struct sync_event){.kind = SYNC_PEER_UP, .peer = *rig_curve(rig, a)});
}

void rig_message(struct rig *rig, size_t to, const struct curve_public *from, struct slice bytes) {
    rig_step(rig, to, (struct sync_event){.kind = SYNC_MESSAGE, .peer = *from, .message = bytes});
}

void rig_appended(struct rig *rig, size_t at) {
    rig_step(rig, at,
             (struct sync_event){.kind = SYNC_APPENDED, .log = rig->world.station[at].author.log});
}

void rig_deliver(struct rig *rig) {
    while (rig->queued > 0) {
        struct rig_message first = rig->queue[0];
        struct sync_message message;
        rig->queued--;
        memmove(rig->queue, rig->queue + 1, rig->queued * sizeof rig->queue[0]);
        assert_true(sync_message_read(first.bytes, &message));
        if (first.to != SIZE_MAX && rig->sync[first.to] != NULL &&
            !rig->cut[first.from][first.to] &&
            (rig->pass == NULL || rig->pass(rig->context, &first, &message)))
            rig_message(rig, first.to, rig_curve(rig, first.from), first.bytes);
        free((void *)(uintptr_t)first.bytes.data);
    }
}

void rig_run(struct rig *rig, int64_t ms) {
    int64_t end = rig->now + ms;
    while (true) {
        int64_t next = end;
        rig_deliver(rig);
        for (size_t i = 0; i < rig->world.count; i++)
            if (rig->sync[i] != NULL && sync_deadline(rig->sync[i]).ms < next)
                next = sync_deadline(rig->sync[i]).ms;
        if (next >= end)
            break;
        rig->now = next > rig->now ? next : rig->now;
        for (size_t i = 0; i < rig->world.count; i++)
            if (rig->sync[i] != NULL && sync_deadline(rig->sync[i]).ms <= rig->now)
                rig_step(rig, i, (struct sync_event){.kind = SYNC_TICK});
    }
    rig->now = end;
}

struct sync_peer rig_peer(const struct rig *rig, size_t at, size_t other) {
    static struct sync_peer peers[SYNC_PEERS_MAX];
    size_t count = sync_peers(rig->sync[at], peers, SYNC_PEERS_MAX);
    for (size_t i = 0; i < count; i++)
        if (ID_EQUAL(peers[i].curve, *rig_curve(rig, other)))
            return peers[i];
    fail_msg("station %zu does not know station %zu", at, other);
    return peers[0];
}
