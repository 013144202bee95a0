/*
 * sync_road.c: where stations can be reached: each tells the others at which addresses it really
 * reached somebody, so that stations which know one common table find each other.
 *
 * Addresses are hints: whoever answers there must still prove its CURVE key. Only what the own
 * transport reached is passed on, never hearsay, so that a wrong address does not live on.
 */
#include "common/sync_internal.h"

#include <string.h>

enum {
    ROAD_GATHER_MS = 4 * SYNC_GATHER_MS,
    ROAD_COST = 1024, /* bytes that a road counts for: each is looked up */
};

void sync_road_schedule(struct sync *sync) {
    if (!sync->roads_due) {
        sync->roads_due = true;
        sync->roads_at = sync_after(sync, ROAD_GATHER_MS);
    }
    sync_wake_at(sync, sync->roads_at);
}

void sync_road(struct sync *sync, const struct curve_public *peer, const char *address) {
    struct sync_peer_state *found = sync_peer_find(sync, peer);
    if (found == NULL || !sync_message_is_address(slice_text(address)) ||
        strcmp(found->address, address) == 0) {
        return;
    }
    memcpy(found->address, address, strlen(address) + 1);
    found->address_serial = ++sync->addresses;
    sync_road_schedule(sync);
}

static void flush(struct sync *sync, struct sync_peer_state *peer, size_t count) {
    struct sync_message roads = sync_session_compose(peer, SYNC_MESSAGE_ROADS);
    roads.list = buffer_slice(&sync->scratch);
    roads.list_count = count;
    if (sync->scratch.failed) {
        sync->starved = true;
        sync->scratch.failed = false;
    } else {
        sync_order_send(sync, peer, &roads);
    }
    buffer_clear(&sync->scratch);
}

static void tell(struct sync *sync, struct sync_peer_state *peer) {
    size_t count = 0;
    buffer_clear(&sync->scratch);
    for (size_t i = 0; i < sync->peer_count; i++) {
        const struct sync_peer_state *other = sync->peer[i];
        struct sync_message_road road = {.curve = other->curve};
        if (other == peer || !other->allowed || other->address_serial <= peer->roads_told) {
            continue;
        }
        memcpy(road.address, other->address, sizeof(road.address));
        sync_message_put_road(&road, &sync->scratch);
        if (++count == SYNC_MESSAGE_ROADS_MAX) {
            flush(sync, peer, count);
            count = 0;
        }
    }
    if (count > 0) {
        flush(sync, peer, count);
    }
    peer->roads_told = sync->addresses;
}

void sync_road_timers(struct sync *sync) {
    if (!sync->roads_due) {
        return;
    }
    if (!sync_due(sync, sync->roads_at)) {
        sync_wake_at(sync, sync->roads_at);
        return;
    }
    sync->roads_due = false;
    for (size_t i = 0; i < sync->peer_count; i++) {
        if (sync->peer[i]->open && sync->peer[i]->roads_told < sync->addresses) {
            tell(sync, sync->peer[i]);
        }
    }
}

void sync_road_heard(struct sync *sync, struct sync_peer_state *peer,
                     const struct sync_message *message) {
    struct canon_reader list = canon_read(message->list);
    struct sync_message_road road;
    if (!sync_bucket_take(sync, &peer->pushes, (int64_t)message->list_count * ROAD_COST,
                          SYNC_PUSH_RATE, SYNC_PUSH_BURST)) {
        sync->counts.refused++;
        return;
    }
    while (sync_message_next_road(&list, &road)) {
        const struct sync_peer_state *known = sync_peer_find(sync, &road.curve);
        if (ID_EQUAL(road.curve, sync->keys.curve_public) || (known != NULL && known->open) ||
            !sync_peer_is_admitted(sync, &road.curve)) {
            continue;
        }
        sync_order_road(sync, &road);
    }
}
