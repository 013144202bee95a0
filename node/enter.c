/*
 * enter.c: see enter.h.
 * Must never show the secret to anyone but a lead whose key is on the ticket, nor tell a lead that
 * records are held here before they are in place.
 */
#include "node/enter.h"

#include <errno.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/sync_message.h"
#include "node/beacon.h"
#include "node/link.h"
#include "node/show.h"
#include "node/station.h"
#include "node/store.h"

enum {
    ASK_EVERY_MS = 1000,
    ANSWER_MS = 6000,  /* a lead that took the call and is silent for this long is left */
    PATIENCE_MS = 700, /* for one that is to be asked before the one that is there already */
    REACH_MS = 10000,  /* nobody reached in this time: it is said */
    ALL_MS = 30000,
    AGAIN_MS = 1000, /* between two calls to one place */
    TURN_MS = 100,
    TROUBLE_MAX = 3,
    QUIET_MS = 10000, /* without a new record, while fetching */
    CLOCKS_DIFFER_MS = 300000,
};

/* One address, and the key that is expected there. */
struct call {
    struct enter_place place;
    void *socket, *monitor;
    bool up;
    bool reached, wrong_key; /* something took the call; and it was not this lead */
    bool given_up;           /* asked, and no answer, or no lead any more */
    bool silent;
    struct mono_ms again; /* when there is no socket */
};
struct enter {
    struct enter_config config;
    void *context;
    struct beacon_ears ears;
    bool listening;
    struct mono_ms start;
    size_t count;
    struct call call[ENTER_PLACES_MAX];
    struct call *asked; /* who is asked now */
    struct mono_ms asked_at, ask_again;
    unsigned troubles;
    bool no_lead; /* one said that it lets nobody in */
    struct buffer ask;
};

/* ---- calls ---- */

static void hang_up(struct call *call) {
    char endpoint[ADDRESS_TEXT_MAX + 8];
    snprintf(endpoint, sizeof(endpoint), "tcp://%s", call->place.address.text);
    link_close(call->socket, call->monitor, endpoint);
    call->socket = NULL;
    call->monitor = NULL;
    call->up = false;
}

static void call_up(struct enter *enter, struct call *call, struct mono_ms now) {
    const int events = ZMQ_EVENT_CONNECTED | ZMQ_EVENT_HANDSHAKE_SUCCEEDED |
                       ZMQ_EVENT_HANDSHAKE_FAILED_NO_DETAIL | ZMQ_EVENT_HANDSHAKE_FAILED_PROTOCOL |
                       ZMQ_EVENT_HANDSHAKE_FAILED_AUTH | ZMQ_EVENT_DISCONNECTED;
    const struct station_keys *keys = &enter->config.keys;
    char endpoint[ADDRESS_TEXT_MAX + 8];
    call->again.ms = now.ms + AGAIN_MS;
    call->socket = link_socket(enter->context, ZMQ_DEALER, &keys->curve_public, &keys->curve_secret,
                               &call->place.lead);
    if (call->socket == NULL) {
        return;
    }
    call->monitor = link_monitor(enter->context, call->socket, events);
    snprintf(endpoint, sizeof(endpoint), "tcp://%s", call->place.address.text);
    if (call->monitor == NULL || zmq_connect(call->socket, endpoint) != 0) {
        hang_up(call);
    }
}

/* libzmq may not try again after a failure, so each is followed by a new socket. */
static void failed(struct enter *enter, struct call *call, bool wrong_key, struct mono_ms now) {
    call->wrong_key = call->wrong_key || wrong_key;
    if (enter->asked == call) {
        enter->asked = NULL;
    }
    hang_up(call);
    call->again.ms = now.ms + AGAIN_MS;
}

static void read_monitor(struct enter *enter, struct call *call, struct mono_ms now) {
    int event = 0;
    uint32_t value = 0;
    while (call->monitor != NULL && link_monitor_next(call->monitor, &event, &value)) {
        if (event == ZMQ_EVENT_CONNECTED) {
            call->reached = true;
        } else if (event == ZMQ_EVENT_HANDSHAKE_SUCCEEDED) {
            call->up = true;
            call->wrong_key = false;
        } else {
            bool silent = event == ZMQ_EVENT_HANDSHAKE_FAILED_NO_DETAIL && value == EAGAIN;
            failed(enter, call, !call->up && !silent, now);
        }
    }
}

static void step_calls(struct enter *enter, struct mono_ms now) {
    for (size_t i = 0; i < enter->count; i++) {
        struct call *call = &enter->call[i];
        read_monitor(enter, call, now);
        if (call->socket == NULL && !call->given_up && now.ms >= call->again.ms) {
            call_up(enter, call, now);
        }
    }
}

static void add_place(struct enter *enter, const struct enter_place *place) {
    for (size_t i = 0; i < enter->count; i++) {
        if (ID_EQUAL(enter->call[i].place.lead, place->lead) &&
            address_equal(&enter->call[i].place.address, &place->address)) {
            return;
        }
    }
    if (enter->count < ENTER_PLACES_MAX) {
        enter->call[enter->count++] = (struct call){.place = *place};
    }
}

/* A lead that says where it is. Whether it is that lead, CURVE finds out. */
static void hear_beacons(struct enter *enter) {
    struct beacon_said said;
    struct enter_place place;
    size_t known = enter->config.place_count;
    for (int i = 0;
         enter->listening && i < 16 && beacon_ears_next(&enter->ears, &said, &place.address); i++) {
        for (size_t k = 0; k < known; k++) {
            place.lead = enter->config.place[k].lead;
            struct beacon_who who = beacon_who(&place.lead);
            if (ID_EQUAL(who, said.who)) {
                add_place(enter, &place);
            }
        }
    }
}

static enum error_code begin(const struct enter_config *config, struct enter **out,
                             struct error *err) {
    struct enter *enter = calloc(1, sizeof(*enter));
    *out = enter;
    if (enter == NULL) {
        return error_set(err, ERR_MEMORY, "joining");
    }
    enter->config = *config;
    enter->start = station_now();
    buffer_init(&enter->ask);
    for (size_t i = 0; i < config->place_count; i++) {
        add_place(enter, &config->place[i]);
    }
    enter->listening =
        config->beacon_port != 0 && beacon_ears_open(config->beacon_port, &enter->ears);
    enter->context = zmq_ctx_new();
    return enter->context != NULL ? ERR_OK
                                  : error_set(err, ERR_SOCKET, "ZeroMQ: %s", zmq_strerror(errno));
}

void enter_free(struct enter *enter) {
    if (enter == NULL) {
        return;
    }
    for (size_t i = 0; i < enter->count; i++) {
        hang_up(&enter->call[i]);
    }
    if (enter->listening) {
        beacon_ears_close(&enter->ears);
    }
    if (enter->context != NULL) {
        zmq_ctx_term(enter->context);
    }
    if (enter->ask.data != NULL) {
        sodium_memzero(enter->ask.data, enter->ask.capacity);
    }
    buffer_release(&enter->ask);
    sodium_memzero(&enter->config, sizeof(enter->config));
    free(enter);
}

/* Sleeps until something comes, or a little. */
static void wait_for_news(const struct enter *enter) {
    zmq_pollitem_t items[2 * ENTER_PLACES_MAX + 2];
    int count = 0;
    for (size_t i = 0; i < enter->count; i++) {
        if (enter->call[i].socket != NULL) {
            items[count++] =
                (zmq_pollitem_t){.socket = enter->call[i].socket, .events = ZMQ_POLLIN};
            items[count++] =
                (zmq_pollitem_t){.socket = enter->call[i].monitor, .events = ZMQ_POLLIN};
        }
    }
    const int ears[] = {enter->ears.ipv4, enter->ears.ipv6};
    for (size_t i = 0; enter->listening && i < 2; i++) {
        if (ears[i] >= 0) {
            items[count++] = (zmq_pollitem_t){.fd = ears[i], .events = ZMQ_POLLIN};
        }
    }
    (void)zmq_poll(items, count, TURN_MS);
}

/* One message of a call; false when none waits. Messages in parts are no lead's. */
static bool receive(struct call *call, zmq_msg_t *message) {
    zmq_msg_init(message);
    while (zmq_msg_recv(message, call->socket, ZMQ_DONTWAIT) >= 0) {
        if (!zmq_msg_more(message)) {
            return true;
        }
    }
    zmq_msg_close(message);
    return false;
}

/* ---- asking ---- */

/* The first in order that is up; while one before it may still come up, it is waited for a little.
 */
static void choose(struct enter *enter, struct mono_ms now) {
    bool earlier_may_come = false;
    for (size_t i = 0; enter->asked == NULL && i < enter->count; i++) {
        struct call *call = &enter->call[i];
        if (call->given_up) {
            continue;
        }
        if (call->up && (!earlier_may_come || now.ms - enter->start.ms >= PATIENCE_MS)) {
            enter->asked = call;
            enter->asked_at = now;
            enter->ask_again = now;
        }
        earlier_may_come = true;
    }
}

static enum error_code send_ask(struct enter *enter, struct mono_ms now, struct error *err) {
    if (enter->asked == NULL || now.ms < enter->ask_again.ms) {
        return ERR_OK;
    }
    enter->config.ask.wall = station_wall();
    buffer_clear(&enter->ask);
    if (buffer_reserve(&enter->ask, ADMISSION_SIZE_MAX)) {
        admission_ask_put(&enter->config.ask, &enter->asked->place.lead, &enter->config.keys,
                          &enter->ask);
    }
    if (enter->ask.failed) {
        return error_set(err, ERR_MEMORY, "asking to be let in");
    }
    (void)zmq_send(enter->asked->socket, enter->ask.data, enter->ask.size, ZMQ_DONTWAIT);
    enter->ask_again.ms = now.ms + ASK_EVERY_MS;
    return ERR_OK;
}

static void give_up(struct enter *enter, struct call *call, bool silent) {
    call->given_up = true;
    call->silent = silent;
    hang_up(call);
    enter->asked = NULL;
    enter->troubles = 0;
}

/* ---- verdicts in words ---- */

static void copy_name(struct slice name, char out[RECORD_TEXT_MAX + 1]) {
    char plain[RECORD_TEXT_MAX + 1];
    size_t size = name.size <= RECORD_TEXT_MAX ? name.size : 0;
    memcpy(plain, name.data == NULL ? (const uint8_t *)"" : name.data, size);
    plain[size] = '\0';
    snprintf(out, RECORD_TEXT_MAX + 1, "%s", plain);
}

static enum error_code say_expired(const struct admission_answer *answer, struct error *err) {
    char when[SHOW_TIME_SIZE];
    char lead[SHOW_TIME_SIZE];
    char here[SHOW_TIME_SIZE];
    struct wall_ms wall = station_wall();
    int64_t apart = answer->wall.ms - wall.ms;
    show_time(answer->when, (struct wall_ms){0}, when);
    error_set(err, ERR_NOT_ALLOWED, "the lead said: expired");
    if (apart > -CLOCKS_DIFFER_MS && apart < CLOCKS_DIFFER_MS) {
        return error_say(err, "This ticket was good until %s. Have the lead make a new one.", when);
    }
    show_time(answer->wall, (struct wall_ms){0}, lead);
    show_time(wall, (struct wall_ms){0}, here);
    return error_say(err,
                     "This ticket was good until %s, the lead's clock says %s, and this laptop's "
                     "says %s. Set the clock that is wrong, or have the lead make a new ticket.",
                     when, lead, here);
}

static enum error_code say_verdict(const struct admission_answer *answer, struct error *err) {
    char name[RECORD_TEXT_MAX + 1];
    char when[SHOW_TIME_SIZE];
    copy_name(answer->name, name);
    show_time(answer->when, station_wall(), when);
    switch (answer->verdict) {
    case ADMISSION_USED:
        error_set(err, ERR_NOT_ALLOWED, "the lead said: used");
        return error_say(err,
                         "This ticket was used already, by %.100s at %s, and each is good for one "
                         "station. Take another one.",
                         name, when);
    case ADMISSION_EXPIRED:
        return say_expired(answer, err);
    case ADMISSION_CANCELLED:
        error_set(err, ERR_NOT_ALLOWED, "the lead said: cancelled");
        return error_say(err, "The lead cancelled this ticket at %s. Ask for another one.", when);
    case ADMISSION_UNKNOWN:
        error_set(err, ERR_FOREIGN, "the lead said: not known");
        return error_say(err, "The lead's laptop does not know this ticket: it is of another "
                              "event, or was made by a lead who was not heard yet. Ask for "
                              "another one.");
    case ADMISSION_WAIT:
        error_set(err, ERR_NOT_ALLOWED, "the lead said: wait");
        return error_say(err, "Too many tickets that were not right came from this laptop. Wait "
                              "half a minute, and try again with the right one.");
    case ADMISSION_NAME:
        error_set(err, ERR_EXISTS, "the lead said: the name is taken");
        return error_say(err,
                         "There is a station called %.100s already. Join with another name: join "
                         "TICKET --name NAME.",
                         name);
    case ADMISSION_RETIRED:
        error_set(err, ERR_NOT_ALLOWED, "the lead said: retired");
        return error_say(err, "This station was put out of the event. Join from another folder, "
                              "with another ticket.");
    case ADMISSION_NO_LEAD:
        error_set(err, ERR_NOT_ALLOWED, "the station said: no lead");
        return error_say(err, "The station that made this ticket lets nobody in any more. Ask "
                              "another lead for a ticket.");
    case ADMISSION_GRANTED:
    case ADMISSION_TROUBLE:
        break;
    }
    error_set(err, ERR_SOCKET, "the lead said: trouble");
    return error_say(err, "The lead's laptop cannot write now: look there whether its disk is "
                          "full, and try again.");
}

/* All addresses that were tried, for people. */
static void list_places(const struct enter *enter, char *out, size_t size) {
    size_t used = 0;
    out[0] = '\0';
    for (size_t i = 0; i < enter->count && used + ADDRESS_TEXT_MAX < size && i < 3; i++) {
        int more = snprintf(out + used, size - used, "%s%s", i == 0 ? "" : ", ",
                            enter->call[i].place.address.text);
        used += more > 0 ? (size_t)more : 0;
    }
}

static enum error_code say_nobody(const struct enter *enter, struct error *err) {
    char places[3 * ADDRESS_TEXT_MAX + 16];
    bool wrong_key = false;
    bool silent = false;
    list_places(enter, places, sizeof(places));
    for (size_t i = 0; i < enter->count; i++) {
        wrong_key = wrong_key || enter->call[i].wrong_key;
        silent = silent || enter->call[i].silent;
    }
    if (enter->no_lead) {
        return say_verdict(&(struct admission_answer){.verdict = ADMISSION_NO_LEAD}, err);
    }
    if (silent) {
        error_set(err, ERR_SOCKET, "no answer to the ask from %.100s", places);
        return error_say(err,
                         "The lead's laptop at %.140s takes the call and says nothing. See that "
                         "bibweave is of the same version there, and try again.",
                         places);
    }
    if (wrong_key) {
        error_set(err, ERR_FOREIGN, "no station with the ticket's key at %.100s", places);
        return error_say(err,
                         "What answers at %.140s is not the lead who made this ticket: it is "
                         "another station, or of another event. If the lead is elsewhere now, add "
                         "--peer ADDR:PORT.",
                         places);
    }
    error_set(err, ERR_SOCKET, "no connection to %.100s", places);
    return error_say(err,
                     "The lead's laptop does not answer at %.140s. Is it running, and on this "
                     "network? If it has another address now, add --peer ADDR:PORT.",
                     places);
}

/* ---- the ask from beginning to end ---- */

enum outcome { GOES_ON, GRANTED, REFUSED };

static enum outcome take_answer(struct enter *enter, struct slice bytes,
                                struct enter_granted *granted, struct mono_ms now,
                                struct error *err) {
    struct admission_answer answer;
    if (!admission_is_answer(bytes) || admission_answer_get(bytes, &answer, err) != ERR_OK) {
        return GOES_ON; /* hellos and the like */
    }
    if (answer.verdict == ADMISSION_GRANTED) {
        granted->event = answer.event;
        granted->last = answer.last;
        granted->place = enter->asked->place;
        copy_name(answer.name, granted->name);
        return GRANTED;
    }
    if (answer.verdict == ADMISSION_NO_LEAD) {
        enter->no_lead = true;
        give_up(enter, enter->asked, false);
        return GOES_ON;
    }
    if (answer.verdict == ADMISSION_TROUBLE && ++enter->troubles < TROUBLE_MAX) {
        enter->asked_at = now;
        return GOES_ON;
    }
    say_verdict(&answer, err);
    return REFUSED;
}

static enum outcome read_answers(struct enter *enter, struct enter_granted *granted,
                                 struct mono_ms now, struct error *err) {
    enum outcome outcome = GOES_ON;
    zmq_msg_t message;
    while (outcome == GOES_ON && enter->asked != NULL && enter->asked->socket != NULL &&
           receive(enter->asked, &message)) {
        struct slice bytes = slice_of(zmq_msg_data(&message), zmq_msg_size(&message));
        outcome = take_answer(enter, bytes, granted, now, err);
        zmq_msg_close(&message);
    }
    return outcome;
}

/* Whether there is nobody left to wait for. */
static bool is_hopeless(const struct enter *enter, struct mono_ms now) {
    int64_t passed = now.ms - enter->start.ms;
    bool any_left = false;
    for (size_t i = 0; i < enter->count; i++) {
        any_left = any_left || !enter->call[i].given_up;
    }
    return passed >= ALL_MS || (enter->asked == NULL && (!any_left || passed >= REACH_MS));
}

enum error_code enter_ask(const struct enter_config *config, struct enter **out,
                          struct enter_granted *granted, struct error *err) {
    enum error_code code = begin(config, out, err);
    struct enter *enter = *out;
    enum outcome outcome = GOES_ON;
    if (enter == NULL) {
        return code;
    }
    while (code == ERR_OK && outcome == GOES_ON) {
        struct mono_ms now = station_now();
        step_calls(enter, now);
        hear_beacons(enter);
        choose(enter, now);
        code = send_ask(enter, now, err);
        if (code == ERR_OK) {
            wait_for_news(enter);
            now = station_now();
            outcome = read_answers(enter, granted, now, err);
        }
        if (enter->asked != NULL && now.ms - enter->asked_at.ms >= ANSWER_MS) {
            give_up(enter, enter->asked, true);
        }
        if (outcome == GOES_ON && code == ERR_OK && is_hopeless(enter, now)) {
            code = say_nobody(enter, err);
        }
    }
    return outcome == REFUSED ? err->code : code;
}

/* ---- fetching ---- */

/* A machine of sync.h on the one connection that there is. */
struct fetch {
    struct enter *enter;
    struct ledger *ledger;
    struct sync *sync;
    struct store *store;
    struct curve_public lead;
    uint64_t held;
    struct mono_ms moved; /* when the last new record came */
};

static void send_order(struct fetch *fetch, struct slice bytes) {
    struct sync_message message;
    /* What is held here goes into its place only at the end: until then nothing is receipted. */
    if (fetch->enter->asked != NULL && fetch->enter->asked->socket != NULL &&
        sync_message_read(bytes, &message) && message.kind != SYNC_MESSAGE_HAVE) {
        (void)zmq_send(fetch->enter->asked->socket, bytes.data, bytes.size, ZMQ_DONTWAIT);
    }
}

static enum error_code feed(struct fetch *fetch, struct sync_event *event, struct error *err) {
    const struct sync_order *order = NULL;
    event->now = station_now();
    event->wall = station_wall();
    event->peer = fetch->lead;
    enum error_code code = sync_step(fetch->sync, event, err);
    while (code == ERR_OK && (order = sync_next(fetch->sync)) != NULL) {
        if (order->kind == SYNC_SEND) {
            send_order(fetch, order->bytes);
        } else if (order->kind == SYNC_STORE && !store_add(fetch->store, order)) {
            code = error_set(err, ERR_MEMORY, "records");
        }
    }
    return code;
}

static enum error_code store_records(struct fetch *fetch, struct error *err) {
    struct store_result result;
    enum error_code code = store_slice(fetch->store, err);
    while (code == ERR_OK && store_next(fetch->store, &result)) {
        code = feed(fetch,
                    &(struct sync_event){.kind = SYNC_STORED,
                                         .log = result.log,
                                         .taken = result.tried ? &result.taken : NULL},
                    err);
    }
    return code;
}

static bool has_all(const struct fetch *fetch, const struct record_id *last) {
    struct pairs_station self;
    struct error ignored;
    return ledger_holds(fetch->ledger, last->bytes) && pairs_found(fetch->ledger) != NULL &&
           pairs_station(fetch->ledger, &fetch->enter->config.keys.sign_public, &self, &ignored) ==
               ERR_OK &&
           self.role != ROLE_NONE;
}

static enum error_code open_fetch(struct fetch *fetch, struct enter *enter, struct ledger *ledger,
                                  struct error *err) {
    struct sync_config config = {.ledger = ledger, .keys = enter->config.keys};
    *fetch = (struct fetch){.enter = enter, .ledger = ledger, .moved = station_now()};
    INVARIANT(enter->asked != NULL);
    for (size_t i = 0; i < enter->count; i++) { /* nobody else is spoken to any more */
        if (&enter->call[i] != enter->asked) {
            hang_up(&enter->call[i]);
        }
    }
    if (enter->listening) {
        beacon_ears_close(&enter->ears);
    }
    fetch->lead = enter->asked->place.lead;
    randombytes_buf(config.seed, sizeof(config.seed));
    enum error_code code = sync_new(&config, &fetch->sync, err);
    sodium_memzero(&config, sizeof(config));
    return code == ERR_OK ? store_new(ledger, &fetch->store, err) : code;
}

static enum error_code fetch_turn(struct fetch *fetch, struct error *err) {
    struct enter *enter = fetch->enter;
    enum error_code code = ERR_OK;
    zmq_msg_t message;
    while (code == ERR_OK && enter->asked != NULL && enter->asked->socket != NULL &&
           receive(enter->asked, &message)) {
        struct slice bytes = slice_of(zmq_msg_data(&message), zmq_msg_size(&message));
        code = feed(fetch, &(struct sync_event){.kind = SYNC_MESSAGE, .message = bytes}, err);
        zmq_msg_close(&message);
    }
    if (code == ERR_OK) {
        code = store_records(fetch, err);
    }
    if (code == ERR_OK) {
        code = feed(fetch, &(struct sync_event){.kind = SYNC_TICK}, err);
    }
    return code;
}

static enum error_code line_broke(struct error *err) {
    error_set(err, ERR_SOCKET, "the records of the event did not come");
    return error_say(err, "The lead let this station in, and then the line broke. Give the same "
                          "command again: the ticket is still good for this folder.");
}

enum error_code enter_fetch(struct enter *enter, struct ledger *ledger,
                            const struct record_id *last, struct error *err) {
    struct fetch fetch;
    enum error_code code = open_fetch(&fetch, enter, ledger, err);
    if (code == ERR_OK) {
        code = feed(&fetch, &(struct sync_event){.kind = SYNC_PEER_UP}, err);
    }
    while (code == ERR_OK && !has_all(&fetch, last)) {
        struct mono_ms now = station_now();
        read_monitor(enter, enter->asked != NULL ? enter->asked : &enter->call[0], now);
        if (ledger_count(ledger) != fetch.held) {
            fetch.held = ledger_count(ledger);
            fetch.moved = now;
        }
        if (enter->asked == NULL || now.ms - fetch.moved.ms >= QUIET_MS) {
            code = line_broke(err);
            break;
        }
        wait_for_news(enter);
        code = fetch_turn(&fetch, err);
    }
    sync_free(fetch.sync);
    store_free(fetch.store);
    return code;
}
