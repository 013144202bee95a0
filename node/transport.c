/*
 * transport.c: the ROUTER, the roads, and who is reached by which. It must never block, never
 * promise delivery, and never take a routing id for an identity.
 */
#include "node/transport.h"

#include "node/guard.h"
#include "node/zap.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    ROADS_MAX = 6, /* of one peer */
    ROUTING_ID_MAX = 16,
    ROUTER_BURST = 8,       /* messages of the ROUTER, which is itself fair, for one of each dial */
    REFUSED_SAY_MS = 60000, /* at most one REFUSED, and one HUNG_UP for a crowd, in this time */
    MUTED_MS = 1000,   /* after a flood: what still waits of it goes, before the next one comes */
    DROPPED_MAX = 256, /* messages thrown away at a time: then it is others' turn */
};

struct road {
    void *dealer; /* NULL: by the ROUTER */
    uint8_t id[ROUTING_ID_MAX];
    size_t id_size;
    struct mono_ms heard;
};
struct peer {
    struct curve_public key;
    bool station;
    bool parts_said;
    struct mono_ms muted; /* until then what comes from it is thrown away */
    bool down;            /* DOWN is to be said, and the entry goes */
    size_t road_count;
    struct road road[ROADS_MAX];
};
struct transport {
    struct transport_config config;
    void *context;
    struct zap zap;
    void *router, *router_monitor;
    struct dialer *dialer;
    struct callers *callers;
    size_t listening_count;
    struct address listening[TRANSPORT_LISTEN_MAX];
    size_t peer_count;
    struct peer peer[TRANSPORT_PEERS_MAX];
    bool any_down;
    size_t cursor; /* whose turn it is: 0 to ROUTER_BURST - 1 the ROUTER, then the dials */
    bool has_message;
    zmq_msg_t message;            /* the one that was handed out last */
    struct transport_event *said; /* what the dials had to say and nobody has taken yet */
    size_t said_first, said_count, said_room;
    struct mono_ms now;
    struct mono_ms refused_said;
    bool refused_new;
    struct mono_ms hung_up_said;
    struct transport_counts counts;
};

/* ---- opening ---- */

static enum error_code bind_one(struct transport *transport, const struct address *address,
                                struct error *err) {
    char endpoint[ADDRESS_TEXT_MAX + 8];
    char bound[2 * ADDRESS_TEXT_MAX];
    size_t size = sizeof bound;
    struct address *out = &transport->listening[transport->listening_count];
    snprintf(endpoint, sizeof endpoint, "tcp://%s", address->text);
    int rc = zmq_bind(transport->router, endpoint);
    if (rc != 0 && errno != EADDRINUSE && strncmp(address->text, "[::]", 4) == 0) {
        /* "*" on a machine without IPv6 */
        snprintf(endpoint, sizeof endpoint, "tcp://0.0.0.0:%u", address->port);
        rc = zmq_bind(transport->router, endpoint);
    }
    if (rc != 0) {
        error_set(err, ERR_SOCKET, "%s: %s", address->text, zmq_strerror(errno));
        return errno == EADDRINUSE
                   ? error_say(err,
                               "Another program listens at %s: end it, or give --listen with "
                               "another port.",
                               address->text)
                   : error_say(err,
                               "This machine cannot listen at %s: give --listen with one of "
                               "its own addresses.",
                               address->text);
    }
    if (zmq_getsockopt(transport->router, ZMQ_LAST_ENDPOINT, bound, &size) != 0 ||
        address_parse(bound, out, err) != ERR_OK) {
        return error_set(err, ERR_SOCKET, "%s: no endpoint", address->text);
    }
    transport->listening_count++;
    return ERR_OK;
}

static enum error_code open_router(struct transport *transport, struct error *err) {
    const struct transport_config *config = &transport->config;
    transport->router = link_socket(transport->context, ZMQ_ROUTER, &config->curve_public,
                                    &config->curve_secret, NULL);
    if (transport->router != NULL) {
        transport->router_monitor =
            link_monitor(transport->context, transport->router,
                         ZMQ_EVENT_ACCEPTED | ZMQ_EVENT_DISCONNECTED |
                             ZMQ_EVENT_HANDSHAKE_FAILED_PROTOCOL | ZMQ_EVENT_HANDSHAKE_FAILED_AUTH);
    }
    if (transport->router_monitor == NULL) {
        return error_set(err, ERR_SOCKET, "ROUTER: %s", zmq_strerror(errno));
    }
    for (size_t i = 0; i < config->listen_count; i++) {
        if (bind_one(transport, &config->listen[i], err) != ERR_OK) {
            return err->code;
        }
    }
    return ERR_OK;
}

/* The self-test's own call was refused, and is nothing to speak of. */
static void forget_self_test(struct transport *transport) {
    int event = 0;
    uint32_t value = 0;
    while (link_monitor_next(transport->router_monitor, &event, &value)) {
    }
}

/* The ZAP handler comes before every other socket: until it is bound, libzmq lets all in. */
static enum error_code open_all(struct transport *transport, struct error *err) {
    enum { SOCKETS_MAX = 8192 };
    const struct transport_config *config = &transport->config;
    struct dial_config dial = {.curve_public = config->curve_public,
                               .curve_secret = config->curve_secret,
                               .dir = config->dir};
    memcpy(dial.seed, config->seed, sizeof dial.seed);
    transport->context = zmq_ctx_new();
    if (transport->context == NULL ||
        zmq_ctx_set(transport->context, ZMQ_MAX_SOCKETS, SOCKETS_MAX) != 0) {
        return error_set(err, ERR_SOCKET, "ZeroMQ: %s", zmq_strerror(errno));
    }
    if (callers_new(0, &transport->callers, err) != ERR_OK ||
        zap_open(transport->context, &transport->zap, err) != ERR_OK ||
        open_router(transport, err) != ERR_OK) {
        return err->code;
    }
    if (transport->listening_count > 0 &&
        guard_check(transport->context, &transport->zap, &transport->listening[0], err) != ERR_OK) {
        return err->code;
    }
    forget_self_test(transport);
    return dial_new(transport->context, &dial, &transport->dialer, err);
}

enum error_code transport_open(const struct transport_config *config, struct transport **out,
                               struct error *err) {
    struct transport *transport = calloc(1, sizeof *transport);
    *out = NULL;
    if (transport == NULL) {
        return error_set(err, ERR_MEMORY, "transport");
    }
    transport->config = *config;
    transport->refused_said.ms = INT64_MIN / 2;
    transport->hung_up_said.ms = INT64_MIN / 2;
    if (open_all(transport, err) != ERR_OK) {
        transport_close(transport);
        return err->code;
    }
    *out = transport;
    return ERR_OK;
}

void transport_close(struct transport *transport) {
    if (transport == NULL) {
        return;
    }
    if (transport->has_message) {
        zmq_msg_close(&transport->message);
    }
    dial_free(transport->dialer);
    link_close(transport->router, transport->router_monitor, NULL);
    zap_close(&transport->zap);
    if (transport->context != NULL) {
        zmq_ctx_term(transport->context);
    }
    callers_free(transport->callers);
    free(transport->said);
    free(transport);
}

size_t transport_listening(const struct transport *transport, struct address *out, size_t max) {
    size_t count = transport->listening_count < max ? transport->listening_count : max;
    memcpy(out, transport->listening, count * sizeof *out);
    return count;
}

struct dialer *transport_dialer(struct transport *transport) {
    return transport->dialer;
}

struct transport_counts transport_counts(const struct transport *transport) {
    return transport->counts;
}

/* ---- peers and roads ---- */

static struct peer *find_peer(struct transport *transport, const struct curve_public *key) {
    for (size_t i = 0; i < transport->peer_count; i++) {
        if (!transport->peer[i].down && ID_EQUAL(transport->peer[i].key, *key)) {
            return &transport->peer[i];
        }
    }
    return NULL;
}

/* NULL when there is no room. Strangers have a small room of their own, so that a flood of keys
 * keeps no station out. */
static struct peer *add_peer(struct transport *transport, const struct curve_public *key) {
    bool station = dial_is_station(transport->dialer, key);
    size_t strangers = 0;
    for (size_t i = 0; i < transport->peer_count; i++) {
        strangers += transport->peer[i].station ? 0 : 1;
    }
    if (transport->peer_count == TRANSPORT_PEERS_MAX ||
        (!station && strangers >= TRANSPORT_STRANGERS_MAX)) {
        return NULL;
    }
    struct peer *peer = &transport->peer[transport->peer_count++];
    *peer = (struct peer){.key = *key, .station = station, .muted = {INT64_MIN}};
    return peer;
}

static bool has_called(const struct peer *peer) {
    for (size_t i = 0; i < peer->road_count; i++) {
        if (peer->road[i].dealer == NULL) {
            return true;
        }
    }
    return false;
}

static void remove_road(struct transport *transport, struct peer *peer, size_t index) {
    peer->road[index] = peer->road[--peer->road_count];
    if (peer->road_count == 0) {
        peer->down = true;
        transport->any_down = true;
    }
    if (!has_called(peer)) {
        dial_called(transport->dialer, &peer->key, false, transport->now);
    }
}

/* The oldest road gives way to a new one. */
static struct road *add_road(struct peer *peer) {
    if (peer->road_count < ROADS_MAX) {
        return &peer->road[peer->road_count++];
    }
    struct road *oldest = &peer->road[0];
    for (size_t i = 1; i < ROADS_MAX; i++) {
        oldest = peer->road[i].heard.ms < oldest->heard.ms ? &peer->road[i] : oldest;
    }
    return oldest;
}

static void heard_on_router(struct transport *transport, struct peer *peer, const void *id,
                            size_t id_size) {
    struct road *road = NULL;
    for (size_t i = 0; i < peer->road_count && road == NULL; i++) {
        struct road *other = &peer->road[i];
        if (other->dealer == NULL && other->id_size == id_size &&
            memcmp(other->id, id, id_size) == 0) {
            road = other;
        }
    }
    if (road == NULL) {
        road = add_road(peer);
        *road = (struct road){.id_size = id_size};
        memcpy(road->id, id, id_size);
        dial_called(transport->dialer, &peer->key, true, transport->now);
    }
    road->heard = transport->now;
}

static void remove_silent_roads(struct transport *transport) {
    int64_t limit = transport->now.ms - transport->config.silence_ms;
    for (size_t i = 0; i < transport->peer_count; i++) {
        struct peer *peer = &transport->peer[i];
        for (size_t r = peer->road_count; r-- > 0;) {
            if (peer->road[r].dealer == NULL && peer->road[r].heard.ms <= limit) {
                remove_road(transport, peer, r);
            }
        }
    }
}

/* ---- what the dials say ---- */

static void tell(struct transport *transport, const struct transport_event *event) {
    if (transport->said_count == transport->said_room) {
        size_t room = transport->said_room * 2 + 8;
        struct transport_event *grown = realloc(transport->said, room * sizeof *grown);
        if (grown == NULL) {
            return; /* a greeting less; the other side's will do */
        }
        transport->said = grown;
        transport->said_room = room;
    }
    transport->said[transport->said_count++] = *event;
}

static void dial_up(struct transport *transport, const struct dial_event *event) {
    struct peer *peer = find_peer(transport, &event->key);
    callers_came(transport->callers, event->fd, true, transport->now);
    if (peer == NULL) {
        peer = add_peer(transport, &event->key);
    }
    if (peer == NULL) {
        return;
    }
    struct road *road = add_road(peer);
    *road = (struct road){.dealer = event->socket, .heard = transport->now};
    tell(transport, &(struct transport_event){.kind = TRANSPORT_UP,
                                              .peer = event->key,
                                              .address = event->address,
                                              .was_strange = event->was_strange});
}

static void dial_down(struct transport *transport, const struct dial_event *event) {
    struct peer *peer = find_peer(transport, &event->key);
    callers_gone(transport->callers, event->fd);
    for (size_t r = peer == NULL ? 0 : peer->road_count; r-- > 0;) {
        if (peer->road[r].dealer == event->socket) {
            remove_road(transport, peer, r);
        }
    }
}

static void take_dial_events(struct transport *transport) {
    struct dial_event event;
    while (dial_next(transport->dialer, &event)) {
        switch (event.kind) {
        case DIAL_UP:
            dial_up(transport, &event);
            break;
        case DIAL_DOWN:
            dial_down(transport, &event);
            break;
        case DIAL_STRANGE:
        case DIAL_SELF:
            tell(transport,
                 &(struct transport_event){
                     .kind = event.kind == DIAL_SELF ? TRANSPORT_SELF : TRANSPORT_STRANGE,
                     .peer = event.key,
                     .address = event.address,
                 });
            break;
        }
    }
}

/* A wrong key is no reason to speak of: stations try theirs one after another. */
static void read_router_monitor(struct transport *transport) {
    int event = 0;
    uint32_t value = 0;
    while (link_monitor_next(transport->router_monitor, &event, &value)) {
        if (event == ZMQ_EVENT_ACCEPTED) {
            callers_came(transport->callers, (int)value, false, transport->now);
        } else if (event == ZMQ_EVENT_DISCONNECTED) {
            callers_gone(transport->callers, (int)value);
        } else if (event == ZMQ_EVENT_HANDSHAKE_FAILED_PROTOCOL &&
                   value == ZMQ_PROTOCOL_ERROR_ZMTP_CRYPTOGRAPHIC) {
            transport->counts.wrong_keys++;
        } else {
            transport->counts.refused++;
            transport->refused_new = true;
        }
    }
}

void transport_step(struct transport *transport, struct mono_ms now) {
    transport->now = now;
    zap_serve(&transport->zap);
    read_router_monitor(transport);
    remove_silent_roads(transport);
    dial_step(transport->dialer, now);
    take_dial_events(transport);
    callers_step(transport->callers, now);
    for (size_t i = 0; i < transport->peer_count; i++) {
        struct peer *peer = &transport->peer[i];
        if (!peer->station && dial_is_station(transport->dialer, &peer->key)) {
            peer->station = true;
            dial_called(transport->dialer, &peer->key, has_called(peer), now);
        }
    }
}

struct mono_ms transport_deadline(const struct transport *transport) {
    struct mono_ms deadline = dial_deadline(transport->dialer);
    struct mono_ms look = callers_deadline(transport->callers);
    deadline = look.ms < deadline.ms ? look : deadline;
    for (size_t i = 0; i < transport->peer_count; i++) {
        const struct peer *peer = &transport->peer[i];
        for (size_t r = 0; r < peer->road_count; r++) {
            int64_t end = peer->road[r].heard.ms + transport->config.silence_ms;
            if (peer->road[r].dealer == NULL && end < deadline.ms) {
                deadline.ms = end;
            }
        }
    }
    return deadline;
}

size_t transport_poll(const struct transport *transport, bool messages, zmq_pollitem_t *items,
                      size_t max) {
    size_t count = 0;
    if (max < 4) {
        return 0;
    }
    items[count++] = (zmq_pollitem_t){.socket = transport->zap.socket, .events = ZMQ_POLLIN};
    items[count++] = (zmq_pollitem_t){.socket = transport->router_monitor, .events = ZMQ_POLLIN};
    if (messages) {
        items[count++] = (zmq_pollitem_t){.socket = transport->router, .events = ZMQ_POLLIN};
    }
    return count + dial_poll(transport->dialer, messages, items + count, max - count);
}

/* ---- receiving ---- */

/* Reads and throws away what is left of a message in parts. libzmq bounds the size of a frame and
 * not their number, so this is where it ends. */
static size_t drain(void *socket) {
    size_t frames = 0;
    int more = 1;
    size_t size = sizeof more;
    while (zmq_getsockopt(socket, ZMQ_RCVMORE, &more, &size) == 0 && more != 0) {
        zmq_msg_t frame;
        zmq_msg_init(&frame);
        int rc = zmq_msg_recv(&frame, socket, ZMQ_DONTWAIT);
        zmq_msg_close(&frame);
        if (rc < 0) {
            break;
        }
        frames++;
    }
    return frames;
}

static void forget_message(struct transport *transport) {
    if (transport->has_message) {
        zmq_msg_close(&transport->message);
        transport->has_message = false;
    }
}

/* One body frame into transport->message; false when none waits. */
static bool receive_body(struct transport *transport, void *socket) {
    forget_message(transport);
    zmq_msg_init(&transport->message);
    transport->has_message = true;
    return zmq_msg_recv(&transport->message, socket, ZMQ_DONTWAIT) >= 0;
}

/* Makes the event of a message whose sender is known; false if there is nothing to hand out. */
static bool hand_out(struct transport *transport, struct peer *peer, size_t further,
                     struct transport_event *event) {
    *event = (struct transport_event){.kind = TRANSPORT_MESSAGE, .peer = peer->key};
    event->message = slice_of(zmq_msg_data(&transport->message), zmq_msg_size(&transport->message));
    if (further == 0) {
        return true;
    }
    transport->counts.parts += further;
    event->kind = TRANSPORT_PARTS;
    event->message = slice_of("", 0);
    bool news = !peer->parts_said;
    peer->parts_said = true;
    return news;
}

/* Which connection it came by: libzmq 4.3.4 says so. `peer` may be NULL. */
static void note_heard(struct transport *transport, const struct peer *peer) {
    int fd = zmq_msg_get(&transport->message, ZMQ_SRCFD);
    if (fd >= 0) {
        callers_heard(transport->callers, fd, zmq_msg_size(&transport->message),
                      peer == NULL ? NULL : &peer->key, peer != NULL && peer->station);
    }
}

static bool is_muted(struct transport *transport, const struct peer *peer) {
    bool muted = transport->now.ms < peer->muted.ms;
    transport->counts.muted += muted ? 1 : 0;
    return muted;
}

enum taken { TAKEN_NOTHING, TAKEN_DROPPED, TAKEN_EVENT };

/* The key is read from the body frame: on the routing id's frame it can be missing. */
static struct peer *sender(struct transport *transport) {
    struct curve_public key;
    const char *user = zmq_msg_gets(&transport->message, "User-Id");
    if (user == NULL || !hex_decode(user, strlen(user), key.bytes, sizeof key.bytes) ||
        ID_EQUAL(key, transport->config.curve_public)) {
        return NULL;
    }
    struct peer *peer = find_peer(transport, &key);
    return peer != NULL ? peer : add_peer(transport, &key);
}

static enum taken take_from_router(struct transport *transport, struct transport_event *event) {
    uint8_t id[ROUTING_ID_MAX];
    int more = 0;
    size_t size = sizeof more;
    int id_size = zmq_recv(transport->router, id, sizeof id, ZMQ_DONTWAIT);
    if (id_size < 0) {
        return TAKEN_NOTHING;
    }
    if (zmq_getsockopt(transport->router, ZMQ_RCVMORE, &more, &size) != 0 || more == 0 ||
        !receive_body(transport, transport->router)) {
        return TAKEN_DROPPED;
    }
    size_t further = zmq_msg_more(&transport->message) ? drain(transport->router) : 0;
    /* An id longer than our room was chosen by the other side; no station does. */
    struct peer *peer = id_size > (int)sizeof id ? NULL : sender(transport);
    note_heard(transport, peer);
    if (peer == NULL) {
        transport->counts.nameless++;
        transport->counts.parts += further;
        return TAKEN_DROPPED;
    }
    heard_on_router(transport, peer, id, (size_t)id_size);
    if (is_muted(transport, peer)) {
        return TAKEN_DROPPED;
    }
    bool out = hand_out(transport, peer, further, event);
    if (out && event->kind == TRANSPORT_MESSAGE) {
        event->ip = zmq_msg_gets(&transport->message, "Peer-Address");
    }
    return out ? TAKEN_EVENT : TAKEN_DROPPED;
}

static enum taken take_from_dial(struct transport *transport, size_t index,
                                 struct transport_event *event) {
    struct curve_public key;
    void *socket = dial_socket(transport->dialer, index, &key);
    struct peer *peer = socket == NULL ? NULL : find_peer(transport, &key);
    if (peer == NULL || !receive_body(transport, socket)) {
        return TAKEN_NOTHING;
    }
    size_t further = zmq_msg_more(&transport->message) ? drain(socket) : 0;
    note_heard(transport, peer);
    for (size_t r = 0; r < peer->road_count; r++) {
        if (peer->road[r].dealer == socket) {
            peer->road[r].heard = transport->now;
        }
    }
    return !is_muted(transport, peer) && hand_out(transport, peer, further, event) ? TAKEN_EVENT
                                                                                   : TAKEN_DROPPED;
}

/* Goes round all connections once, from where it stopped the last time. */
static bool next_message(struct transport *transport, struct transport_event *event) {
    size_t places = ROUTER_BURST + dial_count(transport->dialer);
    for (size_t idle = 0, dropped = 0; idle < places && dropped < DROPPED_MAX;) {
        size_t place = transport->cursor < places ? transport->cursor : 0;
        enum taken taken = place < ROUTER_BURST
                               ? take_from_router(transport, event)
                               : take_from_dial(transport, place - ROUTER_BURST, event);
        size_t steps = taken == TAKEN_NOTHING && place < ROUTER_BURST ? ROUTER_BURST - place : 1;
        transport->cursor = place + steps;
        idle = taken == TAKEN_DROPPED ? 0 : idle + steps;
        dropped += taken == TAKEN_DROPPED ? 1 : 0;
        if (taken == TAKEN_EVENT) {
            return true;
        }
    }
    return false;
}

static bool next_down(struct transport *transport, struct transport_event *event) {
    for (size_t i = 0; transport->any_down && i < transport->peer_count; i++) {
        if (transport->peer[i].down) {
            *event =
                (struct transport_event){.kind = TRANSPORT_DOWN, .peer = transport->peer[i].key};
            transport->peer[i] = transport->peer[--transport->peer_count];
            return true;
        }
    }
    transport->any_down = false;
    return false;
}

static bool next_hung_up(struct transport *transport, struct transport_event *event) {
    *event = (struct transport_event){.kind = TRANSPORT_HUNG_UP};
    const struct callers_hung_up *hung_up = &event->hung_up;
    if (!callers_hung_up(transport->callers, &event->hung_up)) {
        return false;
    }
    struct peer *peer = hung_up->heard ? find_peer(transport, &hung_up->key) : NULL;
    if (peer != NULL && hung_up->why == CALLERS_FLOOD) {
        peer->muted.ms = transport->now.ms + MUTED_MS;
    }
    bool often = transport->now.ms - transport->hung_up_said.ms < REFUSED_SAY_MS;
    if (hung_up->why == CALLERS_CROWD && often) {
        return false;
    }
    transport->hung_up_said = transport->now;
    return true;
}

bool transport_next(struct transport *transport, bool messages, struct mono_ms now,
                    struct transport_event *event) {
    transport->now = now;
    if (next_down(transport, event)) {
        return true;
    }
    if (transport->said_first < transport->said_count) {
        *event = transport->said[transport->said_first++];
        return true;
    }
    transport->said_first = 0;
    transport->said_count = 0;
    if (transport->refused_new && now.ms - transport->refused_said.ms >= REFUSED_SAY_MS) {
        transport->refused_new = false;
        transport->refused_said = now;
        *event = (struct transport_event){.kind = TRANSPORT_REFUSED};
        return true;
    }
    if (next_hung_up(transport, event)) {
        return true;
    }
    return messages && next_message(transport, event);
}

/* ---- sending ---- */

enum sent { SENT, SENT_NOT_NOW, SENT_NEVER };

static enum sent send_by(struct transport *transport, const struct road *road,
                         struct slice message) {
    if (road->dealer != NULL) {
        return zmq_send(road->dealer, message.data, message.size, ZMQ_DONTWAIT) < 0 ? SENT_NOT_NOW
                                                                                    : SENT;
    }
    if (zmq_send(transport->router, road->id, road->id_size, ZMQ_DONTWAIT | ZMQ_SNDMORE) < 0) {
        return errno == EHOSTUNREACH ? SENT_NEVER : SENT_NOT_NOW;
    }
    return zmq_send(transport->router, message.data, message.size, ZMQ_DONTWAIT) < 0 ? SENT_NOT_NOW
                                                                                     : SENT;
}

bool transport_send(struct transport *transport, const struct curve_public *key,
                    struct slice message) {
    bool tried[ROADS_MAX + 1] = {false};
    struct peer *peer = find_peer(transport, key);
    size_t roads = peer == NULL || message.size > LINK_BODY_MAX ? 0 : peer->road_count;
    while (roads-- > 0) {
        size_t best = ROADS_MAX;
        for (size_t r = 0; r < peer->road_count; r++) {
            if (!tried[r] &&
                (best == ROADS_MAX || peer->road[r].heard.ms > peer->road[best].heard.ms)) {
                best = r;
            }
        }
        if (best == ROADS_MAX) {
            break;
        }
        enum sent sent = send_by(transport, &peer->road[best], message);
        if (sent == SENT) {
            return true;
        }
        tried[best] = true;
        if (sent == SENT_NEVER) { /* the last road takes the place of the one that is removed */
            tried[best] = tried[peer->road_count - 1];
            remove_road(transport, peer, best);
        }
    }
    transport->counts.dropped++;
    return false;
}
