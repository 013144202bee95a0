/*
 * sync_session.c: the session with a peer that may speak: hello, beats, and its end.
 *
 * There is one session at a time with a peer, named by a nonce of each side. What is not of the
 * session is ignored, and what was believed of the peer dies with it. A session is open once the
 * peer has shown that it knows our nonce.
 */
#include "common/sync_internal.h"

#include <string.h>

/* ---- sessions ---- */

/* Forgets what was believed of the peer; its next `have` says all anew. */
void sync_session_reset(struct sync *sync, struct sync_peer_state *peer) {
    sync_fetch_abandon(sync, peer);
    sync_logs_drop_all(sync, peer);
    peer->open = false;
    peer->has_nonce = false;
    peer->announced = 0;
    peer->announcing = false;
    peer->full_due = false;
    peer->pushed = 0;
    peer->receipted = 0;
    peer->has_hash = false;
    peer->differs = false;
    peer->roads_told = 0;
    peer->patience = SYNC_FETCH_TIMEOUT_MS;
    peer->credit = SYNC_START_CREDIT;
    peer->hello_wait = SYNC_HELLO_MS_MIN;
    peer->hello_at = sync->now;
}

/* Ends the session from this side: what still comes of it will be ignored. */
void sync_session_end(struct sync *sync, struct sync_peer_state *peer) {
    sync_session_reset(sync, peer);
    peer->own_nonce = sync_draw(sync);
    sync_wake_at(sync, sync->now);
}

void sync_session_restart_all(struct sync *sync) {
    for (size_t i = 0; i < sync->peer_count; i++) {
        sync_session_end(sync, sync->peer[i]);
    }
}

struct sync_message sync_session_compose(const struct sync_peer_state *peer,
                                         enum sync_message_kind kind) {
    return (struct sync_message){.kind = kind, .from = peer->own_nonce, .to = peer->nonce};
}

static void open_session(struct sync *sync, struct sync_peer_state *peer) {
    if (peer->open) {
        return;
    }
    peer->open = true;
    sync_announce_full(sync, peer);
    if (sync->addresses > 0) {
        sync_road_schedule(sync);
    }
}

static void note_heard(struct sync *sync, struct sync_peer_state *peer) {
    peer->last_heard = sync->now;
    peer->road = true;
    peer->hello_wait = SYNC_HELLO_MS_MIN;
}

static void note_clock(struct sync *sync, struct sync_peer_state *peer, struct wall_ms wall) {
    peer->clock_offset_ms = wall.ms - (sync->wall.ms < 0 ? 0 : sync->wall.ms);
}

/* ---- hello, out ---- */

static struct slice own_proof(struct sync *sync) {
    struct error err;
    if (sync->proof_epoch != sync->epoch) {
        buffer_clear(&sync->proof);
        enum error_code code =
            pairs_admit_proof(sync->ledger, &sync->keys.sign_public, &sync->proof, &err);
        if (code != ERR_OK) {
            buffer_clear(&sync->proof); /* whoever knows this station needs none */
        }
        if (code != ERR_OK && code != ERR_NOT_FOUND) {
            sync_fault(sync, &err);
        }
        sync->proof_epoch = sync->epoch;
    }
    return buffer_slice(&sync->proof);
}

/* Whether the peer was told the same a moment ago. */
static bool is_just_greeted(const struct sync *sync, const struct sync_peer_state *peer,
                            struct mono_ms earliest) {
    return peer->greeted && !sync_due(sync, earliest) &&
           peer->greeted_own_nonce == peer->own_nonce && peer->greeted_to == peer->has_nonce &&
           (!peer->has_nonce || peer->greeted_nonce == peer->nonce);
}

static void greet(struct sync *sync, struct sync_peer_state *peer) {
    struct mono_ms earliest = {peer->greeted_at.ms + SYNC_HELLO_GAP_MS};
    if (is_just_greeted(sync, peer, earliest)) {
        peer->hello_at = earliest;
        sync_wake_at(sync, earliest);
        return;
    }
    struct sync_message hello = sync_session_compose(peer, SYNC_MESSAGE_HELLO);
    hello.version = SYNC_VERSION;
    hello.has_to = peer->has_nonce;
    hello.event = ledger_event(sync->ledger).event;
    hello.key = sync->keys.sign_public;
    hello.log = sync->own.log;
    hello.wall = sync->wall;
    hello.port = sync->port;
    hello.proof = own_proof(sync);
    sync_order_send(sync, peer, &hello);
    peer->greeted = true;
    peer->greeted_at = sync->now;
    peer->greeted_own_nonce = peer->own_nonce;
    peer->greeted_to = peer->has_nonce;
    peer->greeted_nonce = peer->nonce;
    peer->hello_at = sync_after(sync, peer->hello_wait + sync_jitter(sync, SYNC_HELLO_MS_MIN / 2));
    if (peer->hello_wait < SYNC_HELLO_MS_MAX) {
        peer->hello_wait *= 2;
    }
    sync_wake_at(sync, peer->hello_at);
}

void sync_session_up(struct sync *sync, const struct curve_public *curve) {
    if (ID_EQUAL(*curve, sync->keys.curve_public)) {
        return;
    }
    struct sync_peer_state *peer = sync_peer_add(sync, curve);
    if (peer == NULL) {
        return;
    }
    peer->road = true;
    peer->hello_wait = SYNC_HELLO_MS_MIN;
    sync_peer_may_speak(sync, peer);
    if (!peer->open && !peer->barred) {
        greet(sync, peer);
    }
}

void sync_session_down(struct sync *sync, const struct curve_public *curve) {
    struct sync_peer_state *peer = sync_peer_find(sync, curve);
    if (peer != NULL) {
        peer->road = false;
        sync_session_end(sync, peer);
    }
}

/* ---- hello, in ---- */

static void tell_version(struct sync *sync, struct sync_peer_state *peer, uint64_t version) {
    char name[RECORD_TEXT_MAX + 1];
    if (peer->version_told) {
        return;
    }
    peer->version_told = true;
    sync_peer_label(peer, name);
    sync_order_alarm(sync, "version",
                     "%.100s runs %s version of this program (protocol %llu, here %d), so the two "
                     "cannot exchange records: update %.100s.",
                     name, version > SYNC_VERSION ? "a newer" : "an older",
                     (unsigned long long)version, SYNC_VERSION,
                     version > SYNC_VERSION ? "this station" : name);
}

/* A hello of a station that may speak. */
void sync_session_hello(struct sync *sync, struct sync_peer_state *peer,
                        const struct sync_message *hello) {
    if (hello->version != SYNC_VERSION) {
        tell_version(sync, peer, hello->version);
        return;
    }
    if (!ID_EQUAL(hello->event, ledger_event(sync->ledger).event)) {
        sync_peer_tell_foreign(sync, peer);
        return;
    }
    if (!ID_EQUAL(hello->key, peer->key)) {
        sync->counts.refused++;
        return;
    }
    if (!peer->has_nonce || peer->nonce != hello->from || !ID_EQUAL(peer->log, hello->log)) {
        if (!sync_bucket_take(sync, &peer->sessions, 1, SYNC_SESSION_RATE, SYNC_SESSION_BURST)) {
            sync->counts.refused++; /* an honest one says it again */
            return;
        }
        sync_session_reset(sync, peer);
        peer->has_nonce = true;
        peer->nonce = hello->from;
        peer->log = hello->log;
    }
    peer->port = hello->port;
    note_heard(sync, peer);
    note_clock(sync, peer, hello->wall);
    if (hello->has_to && hello->to == peer->own_nonce) {
        open_session(sync, peer);
    } else {
        greet(sync, peer);
    }
}

/* ---- messages of stations that may speak ---- */

/* Tells the peer all, because the hashes have been different for too long. The wait grows while
 * that changes nothing on either side: then it is not a message that was lost. */
static void tell_all(struct sync *sync, struct sync_peer_state *peer, const struct digest32 *ours) {
    bool same_as_before =
        ID_EQUAL(peer->compared_ours, *ours) && ID_EQUAL(peer->compared_theirs, peer->hash);
    if (!same_as_before) {
        peer->compare_wait = SYNC_COMPARE_MS;
    } else if (peer->compare_wait < SYNC_COMPARE_MS_MAX) {
        peer->compare_wait *= 2;
    }
    peer->compare_wait += sync_jitter(sync, SYNC_COMPARE_MS / 4);
    peer->compared_ours = *ours;
    peer->compared_theirs = peer->hash;
    peer->differs_since = sync->now;
    sync_announce_full(sync, peer);
}

/* Equal hashes are the usual end of it. When they stay different though nothing has come from the
 * peer meanwhile, something was lost. */
static void take_beat(struct sync *sync, struct sync_peer_state *peer,
                      const struct sync_message *beat) {
    struct digest32 ours = ledger_heads_hash(sync->ledger);
    note_clock(sync, peer, beat->wall);
    peer->has_hash = true;
    peer->hash = beat->hash;
    if (ID_EQUAL(ours, beat->hash)) {
        peer->differs = false;
    } else if (!peer->differs) {
        peer->differs = true;
        peer->differs_since = sync->now;
        peer->compare_wait = SYNC_COMPARE_MS + sync_jitter(sync, SYNC_COMPARE_MS / 4);
    } else if (sync->now.ms - peer->differs_since.ms >= peer->compare_wait) {
        tell_all(sync, peer, &ours);
    }
}

void sync_session_message(struct sync *sync, struct sync_peer_state *peer,
                          const struct sync_message *message) {
    if (!peer->has_nonce || message->from != peer->nonce || message->to != peer->own_nonce) {
        sync->counts.stale++;
        if (!peer->open) {
            greet(sync, peer); /* it believes in a session that is over */
        }
        return;
    }
    note_heard(sync, peer);
    open_session(sync, peer);
    switch (message->kind) {
    case SYNC_MESSAGE_HAVE:
        sync_announce_have(sync, peer, message);
        break;
    case SYNC_MESSAGE_WANT:
        sync_answer_want(sync, peer, message);
        break;
    case SYNC_MESSAGE_BATCH:
        sync_fetch_batch(sync, peer, message);
        break;
    case SYNC_MESSAGE_PUSH:
        sync_fetch_push(sync, peer, message);
        break;
    case SYNC_MESSAGE_BEAT:
        take_beat(sync, peer, message);
        break;
    case SYNC_MESSAGE_ROADS:
        sync_road_heard(sync, peer, message);
        break;
    case SYNC_MESSAGE_HELLO:
    case SYNC_MESSAGE_OTHER:
        break;
    }
}

/* ---- timers ---- */

static void beat(struct sync *sync) {
    struct digest32 hash = ledger_heads_hash(sync->ledger);
    for (size_t i = 0; i < sync->peer_count; i++) {
        if (!sync->peer[i]->open) {
            continue;
        }
        struct sync_message message = sync_session_compose(sync->peer[i], SYNC_MESSAGE_BEAT);
        message.wall = sync->wall;
        message.hash = hash;
        sync_order_send(sync, sync->peer[i], &message);
    }
}

static void check_peer(struct sync *sync, struct sync_peer_state *peer) {
    sync_peer_may_speak(sync, peer);
    struct mono_ms silent = {peer->last_heard.ms + SYNC_SILENCE_MS};
    if (peer->open && sync_due(sync, silent)) {
        sync_session_end(sync, peer);
    } else if (peer->open) {
        sync_wake_at(sync, silent);
    }
    if (peer->open || !peer->road || peer->barred) {
        return;
    }
    if (sync_due(sync, peer->hello_at)) {
        greet(sync, peer);
    } else {
        sync_wake_at(sync, peer->hello_at);
    }
}

/* All beats go out in one go: a station with fifty peers wakes once a second, not fifty times. */
void sync_session_timers(struct sync *sync) {
    bool any_open = false;
    for (size_t i = 0; i < sync->peer_count; i++) {
        check_peer(sync, sync->peer[i]);
        any_open = any_open || sync->peer[i]->open;
    }
    if (any_open && sync_due(sync, sync->beat_at)) {
        beat(sync);
        sync->beat_at = sync_after(sync, SYNC_BEAT_MS);
    }
    if (any_open) {
        sync_wake_at(sync, sync->beat_at);
    }
}
