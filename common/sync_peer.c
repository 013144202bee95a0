/*
 * sync_peer.c: who may speak, and what is heard of those who may not.
 *
 * A CURVE key that the ledger does not know as admitted is a stranger's: it may present one hello
 * that proves an admission, at a bounded rate, and hears nothing at all otherwise. Must never
 * remember anything of a stranger, nor answer one.
 */
#include "common/sync_internal.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- the table of peers ---- */

static size_t place_of(const struct sync *sync, const struct curve_public *curve, bool *found) {
    size_t at = 0;
    int order = -1;
    while (at < sync->peer_count &&
           (order = memcmp(sync->peer[at]->curve.bytes, curve->bytes, sizeof(curve->bytes))) < 0) {
        at++;
    }
    *found = at < sync->peer_count && order == 0;
    return at;
}

struct sync_peer_state *sync_peer_find(const struct sync *sync, const struct curve_public *curve) {
    bool found = false;
    size_t at = place_of(sync, curve, &found);
    return found ? sync->peer[at] : NULL;
}

static void forget(struct sync *sync, size_t at) {
    struct sync_peer_state *peer = sync->peer[at];
    sync_session_reset(sync, peer);
    sync->peer_count--;
    memmove(&sync->peer[at], &sync->peer[at + 1],
            (sync->peer_count - at) * sizeof(struct sync_peer_state *));
    free(peer);
}

/* Makes room in a full table: one without a session goes, rather without a road. */
static bool make_room(struct sync *sync) {
    size_t victim = SYNC_PEERS_MAX;
    for (size_t i = 0; i < sync->peer_count; i++) {
        const struct sync_peer_state *peer = sync->peer[i];
        if (!peer->open && (victim == SYNC_PEERS_MAX || !peer->road)) {
            victim = i;
        }
    }
    if (sync->peer_count < SYNC_PEERS_MAX) {
        return true;
    }
    if (victim == SYNC_PEERS_MAX) {
        return false;
    }
    forget(sync, victim);
    return true;
}

struct sync_peer_state *sync_peer_add(struct sync *sync, const struct curve_public *curve) {
    bool found = false;
    size_t at = place_of(sync, curve, &found);
    if (found) {
        return sync->peer[at];
    }
    if (!make_room(sync)) {
        sync->counts.refused++;
        return NULL;
    }
    if (sync->peer == NULL) {
        sync->peer = calloc(SYNC_PEERS_MAX, sizeof(struct sync_peer_state *));
    }
    struct sync_peer_state *peer = sync->peer == NULL ? NULL : calloc(1, sizeof(*peer));
    if (peer == NULL) {
        sync->starved = true;
        return NULL;
    }
    peer->curve = *curve;
    peer->own_nonce = sync_draw(sync);
    peer->answers = (struct sync_bucket){(int64_t)SYNC_ANSWER_BURST * 1000, sync->now};
    peer->pushes = (struct sync_bucket){(int64_t)SYNC_PUSH_BURST * 1000, sync->now};
    peer->sessions = (struct sync_bucket){(int64_t)SYNC_SESSION_BURST * 1000, sync->now};
    peer->troubles = (struct sync_bucket){(int64_t)SYNC_TROUBLE_BURST * 1000, sync->now};
    peer->pushes_after.ms = INT64_MIN;
    peer->timed_out_at.ms = INT64_MIN / 2;
    sync_session_reset(sync, peer);
    at = place_of(sync, curve, &found);
    memmove(&sync->peer[at + 1], &sync->peer[at],
            (sync->peer_count - at) * sizeof(struct sync_peer_state *));
    sync->peer[at] = peer;
    sync->peer_count++;
    return peer;
}

void sync_peer_label(const struct sync_peer_state *peer, char out[RECORD_TEXT_MAX + 1]) {
    char hex[9];
    hex_encode(peer->curve.bytes, 4, hex);
    if (peer->name[0] != '\0') {
        memcpy(out, peer->name, sizeof(peer->name));
    } else {
        snprintf(out, RECORD_TEXT_MAX + 1, "the station with key %s...", hex);
    }
}

/* ---- who is who ---- */

enum standing { STRANGER, ADMITTED, BARRED };

/* A laptop that was put out as dead may come back, and what it holds is wanted; one that was
 * stolen hears nothing. */
static enum standing standing_of(const struct pairs_station *station) {
    if (station->stolen) {
        return BARRED;
    }
    return station->role != ROLE_NONE || station->dead ? ADMITTED : STRANGER;
}

/* By CURVE key. *station is filled unless the key is in no admit that is held. */
static enum standing look_up(struct sync *sync, const struct curve_public *curve,
                             struct pairs_station *station, bool *found) {
    struct error err;
    enum error_code code = pairs_station_by_curve(sync->ledger, curve, station, &err);
    *found = code == ERR_OK;
    if (code != ERR_OK && code != ERR_NOT_FOUND) {
        sync_fault(sync, &err);
    }
    return *found ? standing_of(station) : STRANGER;
}

bool sync_peer_is_admitted(struct sync *sync, const struct curve_public *curve) {
    struct pairs_station station;
    bool found = false;
    return look_up(sync, curve, &station, &found) == ADMITTED;
}

static bool is_stolen(struct sync *sync, const struct sign_public *key) {
    struct pairs_station station;
    struct error err;
    return pairs_station(sync->ledger, key, &station, &err) == ERR_OK && station.stolen;
}

static bool is_any_stolen(struct sync *sync, const struct sync_vouchers *vouchers) {
    bool stolen = false;
    for (size_t i = 0; !stolen && i < vouchers->count; i++) {
        stolen = is_stolen(sync, &vouchers->key[i]);
    }
    return stolen;
}

bool sync_peer_may_speak(struct sync *sync, struct sync_peer_state *peer) {
    struct pairs_station station;
    bool found = false;
    bool before = peer->allowed;
    if (peer->looked == sync->authority) {
        return peer->allowed;
    }
    peer->looked = sync->authority;
    enum standing standing = look_up(sync, &peer->curve, &station, &found);
    if (found) {
        peer->key = station.key;
        memcpy(peer->name, station.name, sizeof(peer->name));
    }
    /* A proof stays good until this station learns that it, or who vouched in it, was stolen. */
    peer->proven =
        peer->proven && !is_stolen(sync, &peer->key) && !is_any_stolen(sync, &peer->vouchers);
    peer->barred = standing == BARRED;
    peer->allowed = standing == ADMITTED || (standing == STRANGER && peer->proven);
    if (before && !peer->allowed) {
        peer->road = false; /* nor is it greeted any more */
        sync_session_end(sync, peer);
    }
    return peer->allowed;
}

/* ---- strangers ---- */

static bool is_foreign_told(struct sync *sync, struct sync_peer_state *peer) {
    struct mono_ms again = {sync->foreign_told_at.ms + SYNC_FOREIGN_MS};
    bool told = peer != NULL ? peer->foreign_told : sync->foreign_told && !sync_due(sync, again);
    if (peer != NULL) {
        peer->foreign_told = true;
    } else if (!told) {
        sync->foreign_told = true;
        sync->foreign_told_at = sync->now;
    }
    return told;
}

void sync_peer_tell_foreign(struct sync *sync, struct sync_peer_state *peer) {
    char name[RECORD_TEXT_MAX + 1] = "A station";
    if (is_foreign_told(sync, peer)) {
        return;
    }
    if (peer != NULL) {
        sync_peer_label(peer, name);
    }
    sync_order_alarm(sync, "foreign",
                     "%.100s calls with the folder of another event: nothing is exchanged with it. "
                     "Check which folder was opened there.",
                     name);
}

/* The keys of leads in a proof that holds. False if there are more than a proof has. */
static bool read_vouchers(const struct sync *sync, struct slice proof,
                          struct sync_vouchers *vouchers) {
    struct canon_reader reader = canon_read(proof);
    struct sign_public root = ledger_event(sync->ledger).root;
    struct sign_public key;
    size_t count = 0;
    size_t fields = 0;
    vouchers->count = 0;
    bool good = canon_get_array(&reader, &count);
    for (size_t i = 0; good && i < count; i++) {
        good = canon_get_array(&reader, &fields) && fields == 2 &&
               canon_get_exact(&reader, key.bytes, sizeof(key.bytes)) && canon_skip(&reader, NULL);
        if (good && !ID_EQUAL(key, root)) {
            good = vouchers->count < SYNC_VOUCHERS_MAX;
            vouchers->key[good ? vouchers->count++ : 0] = key;
        }
    }
    return good;
}

/* Whether the hello proves that this CURVE key was admitted with this signing key. */
static bool is_proven(struct sync *sync, const struct curve_public *curve,
                      const struct sync_message *hello, struct record_admit *admit,
                      struct sync_vouchers *vouchers) {
    struct ledger_event event = ledger_event(sync->ledger);
    struct error err;
    return sync_bucket_take(sync, &sync->proofs, 1, SYNC_PROOF_RATE, SYNC_PROOF_RATE) &&
           pairs_admit_proven(&event, hello->proof, admit, &err) == ERR_OK &&
           ID_EQUAL(admit->curve, *curve) && ID_EQUAL(admit->key, hello->key) &&
           read_vouchers(sync, hello->proof, vouchers) && !is_stolen(sync, &admit->key) &&
           !is_any_stolen(sync, vouchers);
}

/* Lets in who proves its admission: it is remembered, and heard from now on. */
static struct sync_peer_state *let_in(struct sync *sync, const struct curve_public *curve,
                                      const struct sync_message *hello) {
    struct record_admit admit;
    struct sync_vouchers vouchers;
    if (!is_proven(sync, curve, hello, &admit, &vouchers)) {
        return NULL;
    }
    struct sync_peer_state *peer = sync_peer_add(sync, curve);
    if (peer == NULL) {
        return NULL;
    }
    peer->key = admit.key;
    peer->proven = true;
    peer->vouchers = vouchers;
    peer->looked = 0;
    if (admit.name.size < sizeof(peer->name)) {
        memcpy(peer->name, admit.name.data, admit.name.size);
        peer->name[admit.name.size] = '\0';
    }
    return sync_peer_may_speak(sync, peer) ? peer : NULL;
}

/* Whatever fails here fails in silence. */
static void hear_stranger(struct sync *sync, const struct curve_public *curve, struct slice bytes) {
    struct sync_message hello;
    struct sync_peer_state *peer = NULL;
    if (bytes.size <= SYNC_STRANGER_BYTES && sync_message_read(bytes, &hello) &&
        hello.kind == SYNC_MESSAGE_HELLO && hello.version == SYNC_VERSION) {
        if (ID_EQUAL(hello.event, ledger_event(sync->ledger).event)) {
            peer = let_in(sync, curve, &hello);
        } else {
            sync_peer_tell_foreign(sync, NULL);
        }
    }
    if (peer != NULL) {
        sync_session_hello(sync, peer, &hello);
    } else {
        sync->counts.refused++;
    }
}

/* ---- all messages ---- */

/* The peer behind the key, if it may speak: one that is remembered, or that the ledger knows. */
static struct sync_peer_state *speaker(struct sync *sync, const struct curve_public *curve) {
    struct sync_peer_state *peer = sync_peer_find(sync, curve);
    if (peer == NULL && sync_peer_is_admitted(sync, curve)) {
        peer = sync_peer_add(sync, curve);
    }
    return peer != NULL && sync_peer_may_speak(sync, peer) ? peer : NULL;
}

/* Of keys that are not in session only so many messages are looked at in a second. */
static bool is_too_many(struct sync *sync, const struct curve_public *curve) {
    const struct sync_peer_state *peer = sync_peer_find(sync, curve);
    return (peer == NULL || !peer->allowed) &&
           !sync_bucket_take(sync, &sync->strangers, 1, SYNC_STRANGER_RATE, SYNC_STRANGER_RATE);
}

void sync_peer_message(struct sync *sync, const struct curve_public *curve, struct slice bytes) {
    struct sync_message message;
    sync->counts.messages_in++;
    sync->counts.bytes_in += bytes.size;
    if (bytes.size > SYNC_MESSAGE_MAX || ID_EQUAL(*curve, sync->keys.curve_public) ||
        is_too_many(sync, curve)) {
        sync->counts.refused++;
        return;
    }
    struct sync_peer_state *peer = speaker(sync, curve);
    if (peer == NULL) {
        hear_stranger(sync, curve, bytes);
    } else if (!sync_message_read(bytes, &message)) {
        sync->counts.refused++;
    } else if (message.kind == SYNC_MESSAGE_HELLO) {
        sync_session_hello(sync, peer, &message);
    } else if (message.kind != SYNC_MESSAGE_OTHER) {
        sync_session_message(sync, peer, &message);
    }
}
