/*
 * dial.c: the dials and their monitors. It must never block, and never call itself.
 */
#include "node/dial.h"

#include "node/known.h"
#include "node/link.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    DIAL_HINTS_MAX = 2,        /* further addresses of one station, from peers */
    DIAL_NEXT_KEY_MS = 10,     /* at most, between two keys at one address */
    DIAL_BACKOFF_MIN_MS = 250, /* after a round of keys, doubled each round ... */
    DIAL_BACKOFF_MAX_MS = 2000,
    DIAL_WAIT_MS = 300, /* a station without a road is called after this and as much jitter: often
                           it calls us in the meantime */
    DIAL_SELF_MS = 60000,
};

struct station {
    struct dial_station known;
    size_t hint_count;
    struct address hint[DIAL_HINTS_MAX];
    bool called;            /* it has a road to us of its own making */
    struct mono_ms call_at; /* when it has no road: not before this */
};
struct dial {
    struct address address;
    bool fixed;
    struct curve_public key; /* of the attempt; of a learned dial always the same */
    void *socket, *monitor;  /* NULL between attempts */
    bool up;
    int fd;             /* of the connection that the monitor named last */
    bool strange, self; /* said already */
    struct mono_ms next;
    unsigned failures;          /* rounds, or for a learned one attempts */
    struct curve_public *order; /* of a fixed dial: the keys of this round */
    size_t order_count, order_next;
};
struct dialer {
    void *context;
    struct dial_config config;
    uint64_t drawn;
    struct known known;
    struct station *station;
    size_t station_count;
    struct dial *dial[DIAL_MAX];
    size_t dial_count;
    struct dial_event *event;
    size_t event_first, event_count, event_room;
    struct mono_ms now;
};

/* ---- small things ---- */

static int64_t jitter(struct dialer *dialer, int64_t below_ms) {
    uint64_t drawn = identity_draw(dialer->config.seed, (const char *)"dialling", dialer->drawn++);
    return (int64_t)(drawn % (uint64_t)below_ms);
}

static struct mono_ms after(struct dialer *dialer, int64_t ms, int64_t jitter_ms) {
    return (struct mono_ms){dialer->now.ms + ms + jitter(dialer, jitter_ms)};
}

static struct station *find_station(const struct dialer *dialer, const struct curve_public *key) {
    for (size_t i = 0; i < dialer->station_count; i++) {
        if (ID_EQUAL(dialer->station[i].known.key, *key)) {
            return &dialer->station[i];
        }
    }
    return NULL;
}

/* Whether another dial than `but` leads to `key`. */
static bool dialled(const struct dialer *dialer, const struct curve_public *key,
                    const struct dial *but) {
    for (size_t i = 0; i < dialer->dial_count; i++) {
        const struct dial *dial = dialer->dial[i];
        if (dial != but && dial->up && ID_EQUAL(dial->key, *key)) {
            return true;
        }
    }
    return false;
}

/* Room for what one dial can have to say in one step; false when there is none. */
static bool room_for_events(struct dialer *dialer) {
    enum { EVENTS_PER_STEP = 4 };
    if (dialer->event_count + EVENTS_PER_STEP <= dialer->event_room) {
        return true;
    }
    size_t room = dialer->event_room * 2 + EVENTS_PER_STEP;
    struct dial_event *grown = realloc(dialer->event, room * sizeof *grown);
    if (grown == NULL) {
        return false;
    }
    dialer->event = grown;
    dialer->event_room = room;
    return true;
}

static void say(struct dialer *dialer, enum dial_event_kind kind, const struct dial *dial) {
    dialer->event[dialer->event_count++] = (struct dial_event){
        .kind = kind,
        .socket = dial->socket,
        .fd = dial->fd,
        .key = dial->key,
        .address = dial->address,
        .was_strange = kind == DIAL_UP && dial->strange,
    };
}

bool dial_next(struct dialer *dialer, struct dial_event *event) {
    if (dialer->event_first == dialer->event_count) {
        dialer->event_first = 0;
        dialer->event_count = 0;
        return false;
    }
    *event = dialer->event[dialer->event_first++];
    return true;
}

/* ---- one attempt ---- */

static void hang_up(struct dialer *dialer, struct dial *dial) {
    char endpoint[ADDRESS_TEXT_MAX + 8];
    if (dial->up) {
        dial->up = false;
        say(dialer, DIAL_DOWN, dial);
        struct station *station = find_station(dialer, &dial->key);
        if (station != NULL) {
            station->call_at = after(dialer, DIAL_WAIT_MS, DIAL_WAIT_MS);
        }
    }
    snprintf(endpoint, sizeof endpoint, "tcp://%s", dial->address.text);
    link_close(dial->socket, dial->monitor, endpoint);
    dial->socket = NULL;
    dial->monitor = NULL;
}

static void call(struct dialer *dialer, struct dial *dial) {
    const int events = ZMQ_EVENT_CONNECTED | ZMQ_EVENT_HANDSHAKE_SUCCEEDED |
                       ZMQ_EVENT_HANDSHAKE_FAILED_NO_DETAIL | ZMQ_EVENT_HANDSHAKE_FAILED_PROTOCOL |
                       ZMQ_EVENT_HANDSHAKE_FAILED_AUTH | ZMQ_EVENT_DISCONNECTED;
    char endpoint[ADDRESS_TEXT_MAX + 8];
    snprintf(endpoint, sizeof endpoint, "tcp://%s", dial->address.text);
    dial->socket = link_socket(dialer->context, ZMQ_DEALER, &dialer->config.curve_public,
                               &dialer->config.curve_secret, &dial->key);
    if (dial->socket != NULL) {
        dial->monitor = link_monitor(dialer->context, dial->socket, events);
    }
    if (dial->monitor == NULL || zmq_connect(dial->socket, endpoint) != 0) {
        /* Out of descriptors or memory, or no such network: a little later it may be better. */
        hang_up(dialer, dial);
        dial->next = after(dialer, DIAL_BACKOFF_MAX_MS, DIAL_BACKOFF_MIN_MS);
    }
}

static void back_off(struct dialer *dialer, struct dial *dial, int64_t max_ms) {
    int64_t wait = DIAL_BACKOFF_MIN_MS;
    for (unsigned i = 0; i < dial->failures && wait < max_ms; i++) {
        wait *= 2;
    }
    dial->failures++;
    dial->next = after(dialer, wait < max_ms ? wait : max_ms, DIAL_BACKOFF_MIN_MS);
}

/* ---- which key next ---- */

/* Lower is sooner: who was here last, leads without a road, others without one, the rest. */
static int rank(const struct dialer *dialer, const struct station *station,
                const struct curve_public *good) {
    if (good != NULL && ID_EQUAL(station->known.key, *good)) {
        return 0;
    }
    if (station->called || dialled(dialer, &station->known.key, NULL)) {
        return 3;
    }
    return station->known.lead ? 1 : 2;
}

/* A new round. This station's own key comes last, to tell "that is me" from "a stranger". */
static bool begin_round(struct dialer *dialer, struct dial *dial) {
    struct curve_public good;
    bool any = known_find(&dialer->known, &dial->address, &good);
    struct curve_public *order = malloc((dialer->station_count + 2) * sizeof *order);
    if (order == NULL) {
        return false;
    }
    free(dial->order);
    dial->order = order;
    dial->order_count = 0;
    dial->order_next = 0;
    if (any && dialer->station_count == 0) {
        dial->order[dial->order_count++] =
            good; /* the admits are lost, and this is how they return */
    }
    for (int wanted = 0; wanted <= 3; wanted++) {
        for (size_t i = 0; i < dialer->station_count; i++) {
            if (rank(dialer, &dialer->station[i], any ? &good : NULL) == wanted) {
                dial->order[dial->order_count++] = dialer->station[i].known.key;
            }
        }
    }
    dial->order[dial->order_count++] = dialer->config.curve_public;
    return true;
}

static void call_next_key(struct dialer *dialer, struct dial *dial) {
    if (dial->fixed) {
        if (dial->order_next >= dial->order_count && !begin_round(dialer, dial)) {
            back_off(dialer, dial, DIAL_BACKOFF_MAX_MS);
            return;
        }
        dial->key = dial->order[dial->order_next++];
    }
    call(dialer, dial);
}

/* The other end was reached and would not open with this key. */
static void key_failed(struct dialer *dialer, struct dial *dial) {
    hang_up(dialer, dial);
    if (!dial->fixed) {
        back_off(dialer, dial, (int64_t)2 * DIAL_BACKOFF_MAX_MS);
    } else if (dial->order_next < dial->order_count || dial->order_count == 0) {
        dial->next = after(dialer, 0, DIAL_NEXT_KEY_MS);
    } else {
        /* Only after a second round: in the first one the right key may have met a program that
         * was just ending. */
        if (!dial->strange && dial->failures > 0) {
            dial->strange = true;
            say(dialer, DIAL_STRANGE, dial);
        }
        back_off(dialer, dial, DIAL_BACKOFF_MAX_MS);
    }
}

static void opened(struct dialer *dialer, struct dial *dial) {
    if (ID_EQUAL(dial->key, dialer->config.curve_public)) {
        if (!dial->self) {
            dial->self = true;
            say(dialer, DIAL_SELF, dial);
        }
        hang_up(dialer, dial);
        dial->order_next = dial->order_count;
        dial->next = after(dialer, DIAL_SELF_MS, DIAL_BACKOFF_MIN_MS);
        return;
    }
    dial->up = true;
    dial->failures = 0;
    dial->order_next = dial->order_count;
    known_put(&dialer->known, &dial->address, &dial->key);
    say(dialer, DIAL_UP, dial);
    dial->strange = false;
}

/* Forgets the rest of a round: the next attempt begins a new one, with who was here last. */
static void end_round(struct dial *dial) {
    dial->order_next = 0;
    dial->order_count = 0;
}

/* After an end that says nothing about the key: the same key again, soon. */
static void lost(struct dialer *dialer, struct dial *dial) {
    if (dial->up) {
        end_round(dial);
    } else if (dial->order_next > 0) {
        dial->order_next--;
    }
    hang_up(dialer, dial);
    dial->next = after(dialer, DIAL_BACKOFF_MIN_MS / 2, DIAL_BACKOFF_MIN_MS);
}

static void read_monitor(struct dialer *dialer, struct dial *dial) {
    int event = 0;
    uint32_t value = 0;
    while (dial->monitor != NULL && link_monitor_next(dial->monitor, &event, &value)) {
        switch (event) {
        case ZMQ_EVENT_CONNECTED:
            dial->fd = (int)value;
            break;
        case ZMQ_EVENT_HANDSHAKE_SUCCEEDED:
            opened(dialer, dial);
            break;
        case ZMQ_EVENT_HANDSHAKE_FAILED_NO_DETAIL:
            if (value == EAGAIN) { /* it accepts and is silent: busy, or the link went */
                lost(dialer, dial);
            } else {
                key_failed(dialer, dial);
            }
            break;
        case ZMQ_EVENT_HANDSHAKE_FAILED_PROTOCOL:
        case ZMQ_EVENT_HANDSHAKE_FAILED_AUTH:
            key_failed(dialer, dial);
            break;
        case ZMQ_EVENT_DISCONNECTED:
            /* Not left to libzmq's own reconnecting: after what it takes for an error of the
             * protocol it never tries again. */
            if (dial->up) {
                lost(dialer, dial);
            } else {
                key_failed(dialer, dial);
            }
            break;
        default:
            break;
        }
    }
}

/* ---- the set of dials ---- */

static struct dial *add_dial(struct dialer *dialer, const struct address *address, bool fixed) {
    struct dial *dial = dialer->dial_count < DIAL_MAX ? calloc(1, sizeof *dial) : NULL;
    if (dial != NULL) {
        dial->address = *address;
        dial->fixed = fixed;
        dialer->dial[dialer->dial_count++] = dial;
    }
    return dial;
}

static void remove_dial(struct dialer *dialer, size_t index) {
    struct dial *dial = dialer->dial[index];
    hang_up(dialer, dial);
    free(dial->order);
    free(dial);
    dialer->dial[index] = dialer->dial[--dialer->dial_count];
}

static struct dial *find_dial(const struct dialer *dialer, const struct address *address) {
    for (size_t i = 0; i < dialer->dial_count; i++) {
        if (address_equal(&dialer->dial[i]->address, address)) {
            return dialer->dial[i];
        }
    }
    return NULL;
}

enum error_code dial_fixed(struct dialer *dialer, const struct address *address,
                           struct error *err) {
    struct dial *dial = find_dial(dialer, address);
    if (dial != NULL && dial->fixed) {
        return ERR_OK;
    }
    if (address->any || address->port == 0) {
        error_set(err, ERR_USAGE, "%s", address->text);
        return error_say(err, "%s is no address that can be called.", address->text);
    }
    if (dialer->dial_count == DIAL_MAX) {
        return error_set(err, ERR_LIMIT, "more than %d addresses", DIAL_MAX);
    }
    if (add_dial(dialer, address, true) == NULL) {
        return error_set(err, ERR_MEMORY, "address");
    }
    return ERR_OK;
}

static bool has_road(const struct dialer *dialer, const struct station *station,
                     const struct dial *but) {
    return station->called || dialled(dialer, &station->known.key, but);
}

/* A learned dial is for a station that has no other road; one that is up stays, unless a further
 * one leads to the same station. */
static bool superfluous(const struct dialer *dialer, const struct dial *dial) {
    if (dial->fixed) {
        return false;
    }
    const struct station *station = find_station(dialer, &dial->key);
    return station == NULL ||
           (dial->up ? dialled(dialer, &dial->key, dial) : has_road(dialer, station, dial));
}

static void call_station_at(struct dialer *dialer, const struct station *station,
                            const struct address *address) {
    if (address->any || address->port == 0 || find_dial(dialer, address) != NULL) {
        return;
    }
    struct dial *dial = add_dial(dialer, address, false);
    if (dial != NULL) {
        dial->key = station->known.key;
        dial->next = dialer->now;
    }
}

static void call_stations(struct dialer *dialer) {
    for (size_t i = 0; i < dialer->station_count; i++) {
        struct station *station = &dialer->station[i];
        if (dialer->now.ms < station->call_at.ms || has_road(dialer, station, NULL)) {
            continue;
        }
        for (size_t a = 0; a < station->known.address_count; a++) {
            call_station_at(dialer, station, &station->known.address[a]);
        }
        for (size_t a = 0; a < station->hint_count; a++) {
            call_station_at(dialer, station, &station->hint[a]);
        }
    }
}

void dial_step(struct dialer *dialer, struct mono_ms now) {
    dialer->now = now;
    for (size_t i = 0; i < dialer->dial_count;) {
        struct dial *dial = dialer->dial[i];
        if (!room_for_events(dialer)) {
            return;
        }
        read_monitor(dialer, dial);
        if (superfluous(dialer, dial)) {
            remove_dial(dialer, i);
            continue;
        }
        if (dial->socket == NULL && now.ms >= dial->next.ms) {
            call_next_key(dialer, dial);
        }
        i++;
    }
    call_stations(dialer);
}

struct mono_ms dial_deadline(const struct dialer *dialer) {
    struct mono_ms deadline = {INT64_MAX};
    for (size_t i = 0; i < dialer->dial_count; i++) {
        const struct dial *dial = dialer->dial[i];
        if (dial->socket == NULL && dial->next.ms < deadline.ms) {
            deadline = dial->next;
        }
    }
    for (size_t i = 0; i < dialer->station_count; i++) {
        const struct station *station = &dialer->station[i];
        /* Past means: its dials exist already, or there is no address to call. */
        if (station->call_at.ms > dialer->now.ms && station->call_at.ms < deadline.ms &&
            !has_road(dialer, station, NULL)) {
            deadline = station->call_at;
        }
    }
    return deadline;
}

/* ---- who there is ---- */

/* Where it was reached before, newest entries first. */
static void remember_hints(const struct dialer *dialer, struct station *station) {
    for (size_t i = dialer->known.count; i-- > 0 && station->hint_count < DIAL_HINTS_MAX;) {
        if (ID_EQUAL(dialer->known.entry[i].key, station->known.key)) {
            station->hint[station->hint_count++] = dialer->known.entry[i].address;
        }
    }
}

enum error_code dial_stations(struct dialer *dialer, const struct dial_station *stations,
                              size_t count, struct mono_ms now, struct error *err) {
    count = count < DIAL_STATIONS_MAX ? count : DIAL_STATIONS_MAX;
    struct station *fresh = calloc(count + 1, sizeof *fresh);
    if (fresh == NULL) {
        return error_set(err, ERR_MEMORY, "%zu stations", count);
    }
    dialer->now = now;
    for (size_t i = 0; i < count; i++) {
        const struct station *old = find_station(dialer, &stations[i].key);
        if (old != NULL) {
            fresh[i] = *old;
        } else {
            fresh[i].call_at = after(dialer, DIAL_WAIT_MS, DIAL_WAIT_MS);
        }
        fresh[i].known = stations[i];
        if (old == NULL) {
            remember_hints(dialer, &fresh[i]);
        }
    }
    free(dialer->station);
    dialer->station = fresh;
    dialer->station_count = count;
    for (size_t i = 0; i < dialer->dial_count; i++) {
        struct dial *dial = dialer->dial[i];
        if (dial->fixed && !dial->up) {
            end_round(dial);
            dial->failures = 0;
            if (dial->socket == NULL && !dial->self) {
                dial->next = now;
            }
        }
    }
    return ERR_OK;
}

void dial_hint(struct dialer *dialer, const struct curve_public *key,
               const struct address *address) {
    struct station *station = find_station(dialer, key);
    if (station == NULL || address->any || address->port == 0) {
        return;
    }
    for (size_t i = 0; i < station->known.address_count; i++) {
        if (address_equal(&station->known.address[i], address)) {
            return;
        }
    }
    for (size_t i = 0; i < station->hint_count; i++) {
        if (address_equal(&station->hint[i], address)) {
            return;
        }
    }
    if (station->hint_count == DIAL_HINTS_MAX) {
        station->hint[0] = station->hint[DIAL_HINTS_MAX - 1];
        station->hint_count--;
    }
    station->hint[station->hint_count++] = *address;
    if (dialer->now.ms >= station->call_at.ms) {
        station->call_at = after(dialer, 0, DIAL_WAIT_MS);
    }
}

void dial_called(struct dialer *dialer, const struct curve_public *key, bool called,
                 struct mono_ms now) {
    struct station *station = find_station(dialer, key);
    dialer->now = now;
    if (station != NULL && station->called != called) {
        station->called = called;
        station->call_at = after(dialer, DIAL_WAIT_MS, DIAL_WAIT_MS);
    }
}

bool dial_is_station(const struct dialer *dialer, const struct curve_public *key) {
    return find_station(dialer, key) != NULL;
}

/* ---- for the transport ---- */

size_t dial_count(const struct dialer *dialer) {
    return dialer->dial_count;
}

void *dial_socket(const struct dialer *dialer, size_t index, struct curve_public *key) {
    const struct dial *dial = dialer->dial[index];
    *key = dial->key;
    return dial->up ? dial->socket : NULL;
}

size_t dial_poll(const struct dialer *dialer, bool messages, zmq_pollitem_t *items, size_t max) {
    size_t count = 0;
    for (size_t i = 0; i < dialer->dial_count && count + 2 <= max; i++) {
        const struct dial *dial = dialer->dial[i];
        if (dial->socket != NULL) {
            items[count++] = (zmq_pollitem_t){.socket = dial->monitor, .events = ZMQ_POLLIN};
        }
        if (dial->up && messages) {
            items[count++] = (zmq_pollitem_t){.socket = dial->socket, .events = ZMQ_POLLIN};
        }
    }
    return count;
}

enum error_code dial_new(void *context, const struct dial_config *config, struct dialer **out,
                         struct error *err) {
    struct dialer *dialer = calloc(1, sizeof *dialer);
    *out = dialer;
    if (dialer == NULL) {
        return error_set(err, ERR_MEMORY, "dials");
    }
    dialer->context = context;
    dialer->config = *config;
    known_load(&dialer->known, config->dir);
    return ERR_OK;
}

void dial_free(struct dialer *dialer) {
    if (dialer == NULL) {
        return;
    }
    while (dialer->dial_count > 0 && room_for_events(dialer)) {
        remove_dial(dialer, dialer->dial_count - 1);
    }
    free(dialer->event);
    free(dialer->station);
    free(dialer);
}
