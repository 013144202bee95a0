/*
 * sync.c: the sync machine's entrance: events in, orders out, and when it next wants a tick.
 *
 * Every event goes the same way: what it says is noted, then whatever is due by now is done. No
 * timer is looked at before the earliest of them is due, so that an idle machine is idle.
 * Must never ask a clock, draw randomness of its own, or write to the ledger.
 */
#include "common/sync_internal.h"

#include <sodium.h>
#include <stdlib.h>
#include <string.h>

/* ---- time, chance, bounds ---- */

uint64_t sync_draw(struct sync *sync) {
    return identity_draw(sync->seed, "syncdraw", ++sync->draws);
}

int64_t sync_jitter(struct sync *sync, int64_t below) {
    return (int64_t)(sync_draw(sync) % (uint64_t)below);
}

struct mono_ms sync_after(const struct sync *sync, int64_t ms) {
    return (struct mono_ms){sync->now.ms + ms};
}

bool sync_due(const struct sync *sync, struct mono_ms when) {
    return sync->now.ms >= when.ms;
}

void sync_wake_at(struct sync *sync, struct mono_ms when) {
    if (when.ms < sync->wake.ms) {
        sync->wake = when;
    }
}

bool sync_bucket_take(const struct sync *sync, struct sync_bucket *bucket, int64_t cost,
                      int64_t per_second, int64_t burst) {
    int64_t passed = sync->now.ms - bucket->at.ms;
    int64_t longest = burst * 1000 / per_second + 1; /* by then it is full, and nothing overflows */
    if (passed > longest) {
        passed = longest;
    }
    bucket->level += passed * per_second;
    if (bucket->level > burst * 1000) {
        bucket->level = burst * 1000;
    }
    bucket->at = sync->now;
    if (bucket->level < cost * 1000) {
        return false;
    }
    bucket->level -= cost * 1000;
    return true;
}

void sync_fault(struct sync *sync, const struct error *err) {
    if (sync->fault.code == ERR_OK) {
        sync->fault = *err;
    }
}

bool sync_grow(struct sync *sync, void **array, size_t count, size_t *capacity, size_t size) {
    if (count < *capacity) {
        return true;
    }
    size_t larger = *capacity == 0 ? 16 : *capacity * 2;
    void *grown = realloc(*array, larger * size);
    if (grown == NULL) {
        sync->starved = true;
        return false;
    }
    *array = grown;
    *capacity = larger;
    return true;
}

/* ---- life ---- */

enum error_code sync_new(const struct sync_config *config, struct sync **out, struct error *err) {
    *out = NULL;
    enum error_code code = ledger_make_durable(config->ledger, err);
    if (code != ERR_OK) {
        return code;
    }
    struct sync *sync = calloc(1, sizeof(*sync));
    if (sync == NULL) {
        return error_set(err, ERR_MEMORY, "starting to talk with other stations");
    }
    sync->ledger = config->ledger;
    sync->keys = config->keys;
    memcpy(sync->seed, config->seed, sizeof(sync->seed));
    sync->port = config->port;
    buffer_init(&sync->proof);
    buffer_init(&sync->scratch);
    buffer_init(&sync->list);
    buffer_init(&sync->orders.bytes);
    sync->strangers.level = (int64_t)SYNC_STRANGER_RATE * 1000;
    sync->proofs.level = (int64_t)SYNC_PROOF_RATE * 1000;
    sync_logs_watch_admits(sync);
    sync_logs_scan(sync);
    if (sync->starved) {
        sync_free(sync);
        return error_set(err, ERR_MEMORY, "reading which logs there are");
    }
    *out = sync;
    return ERR_OK;
}

void sync_free(struct sync *sync) {
    if (sync == NULL) {
        return;
    }
    for (size_t i = 0; i < sync->peer_count; i++) {
        sync_logs_drop_all(sync, sync->peer[i]);
        free(sync->peer[i]);
    }
    sync_logs_free(sync);
    sync_order_release(&sync->orders);
    buffer_release(&sync->proof);
    buffer_release(&sync->scratch);
    buffer_release(&sync->list);
    free(sync->peer);
    free(sync->wanted);
    free(sync->store);
    sodium_memzero(&sync->keys, sizeof(sync->keys));
    free(sync);
}

void sync_log_changed(struct sync *sync, const struct log_id *log) {
    sync_announce_log(sync, log);
    sync_session_restart_all(sync);
}

/* ---- steps ---- */

static void take_event(struct sync *sync, const struct sync_event *event) {
    switch (event->kind) {
    case SYNC_PEER_UP:
        sync_session_up(sync, &event->peer);
        break;
    case SYNC_PEER_DOWN:
        sync_session_down(sync, &event->peer);
        break;
    case SYNC_MESSAGE:
        sync_peer_message(sync, &event->peer, event->message);
        break;
    case SYNC_TICK:
        sync_logs_scan(sync);
        break;
    case SYNC_APPENDED:
        sync_announce_appended(sync, &event->log);
        break;
    case SYNC_STORED:
        sync_fetch_stored(sync, event);
        break;
    }
}

/* Each of these looks at its own timers and says by sync_wake_at when it wants to look again. */
static void run_timers(struct sync *sync) {
    sync->wake = (struct mono_ms){INT64_MAX};
    sync_session_timers(sync);
    sync_fetch_timers(sync);
    sync_announce_timers(sync);
    sync_road_timers(sync);
}

enum error_code sync_step(struct sync *sync, const struct sync_event *event, struct error *err) {
    sync_order_clear(&sync->orders);
    sync->now = event->now;
    sync->wall = event->wall;
    sync->starved = false;
    error_clear(&sync->fault);
    take_event(sync, event);
    if (sync_due(sync, sync->wake)) {
        run_timers(sync);
    }
    if (sync->fetch_due) {
        sync_fetch_run(sync);
    }
    if (sync->starved) {
        return error_set(err, ERR_MEMORY, "talking with other stations");
    }
    if (sync->fault.code != ERR_OK) {
        *err = sync->fault;
    }
    return sync->fault.code;
}

struct mono_ms sync_deadline(const struct sync *sync) {
    return sync->wake;
}

/* ---- what is shown ---- */

static bool is_connected(const struct sync *sync, const struct sync_peer_state *peer) {
    return peer->open && sync->now.ms - peer->last_heard.ms < SYNC_SILENCE_MS;
}

size_t sync_peers(const struct sync *sync, struct sync_peer *out, size_t max) {
    struct digest32 hash = ledger_heads_hash(sync->ledger);
    size_t count = sync->peer_count < max ? sync->peer_count : max;
    for (size_t i = 0; i < count; i++) {
        const struct sync_peer_state *peer = sync->peer[i];
        out[i] = (struct sync_peer){
            .curve = peer->curve,
            .key = peer->key,
            .connected = is_connected(sync, peer),
            .last_heard = peer->last_heard,
            .behind = sync_logs_behind(sync, peer),
            .clock_offset_ms = peer->clock_offset_ms,
            .same = peer->has_hash && ID_EQUAL(peer->hash, hash),
        };
        memcpy(out[i].name, peer->name, sizeof(out[i].name));
    }
    return count;
}

uint16_t sync_port(const struct sync *sync, const struct curve_public *peer) {
    const struct sync_peer_state *found = sync_peer_find(sync, peer);
    return found == NULL ? 0 : found->port;
}

static size_t memory_of_peer(const struct sync_peer_state *peer) {
    size_t size = sizeof(*peer) + peer->known_capacity * sizeof(struct sync_known *) +
                  peer->known_count * sizeof(struct sync_known);
    for (size_t i = 0; i < peer->known_count; i++) {
        if (peer->known[i]->many != NULL) {
            size += peer->known[i]->count * sizeof(struct sync_tip);
        }
    }
    return size;
}

struct sync_counts sync_counts(const struct sync *sync) {
    struct sync_counts counts = sync->counts;
    counts.memory = sizeof(*sync) + sync->orders.bytes.capacity + sync->scratch.capacity +
                    sync->list.capacity + sync->log_count * sizeof(struct sync_log) +
                    (sync->log_capacity + sync->wanted_capacity) * sizeof(struct sync_log *) +
                    sync->store_capacity * sizeof(struct sync_store);
    for (size_t i = 0; i < sync->peer_count; i++) {
        counts.memory += memory_of_peer(sync->peer[i]);
    }
    return counts;
}
