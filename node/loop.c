/*
 * loop.c: the event loop. It must never wait for anything but zmq_poll, and never send a record
 * that is not committed.
 */
#include "node/loop.h"
#include "node/behind.h"

#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include "node/log.h"

enum {
    LOOP_VERBS_PER_TURN = 16,
    LOOP_MESSAGES_PER_TURN = 128,
    LOOP_PEERS_MS = 10,          /* at most, for messages in one turn */
    LOOP_REINCARNATE_MS = 10000, /* at most one new log in this time */
    LOOP_WATCH_MS = 1000,        /* how often it is looked who has come and gone */
    LOOP_ENOUGH_MS = 100,        /* how often it is asked whether it is enough */
    LOOP_POLL_MAX = TRANSPORT_POLL_MAX + CONTROL_CONNECTIONS_MAX + TABLE_POLL_MAX + 11,
};

struct watched {
    struct curve_public key;
    bool connected;
};
struct loop {
    struct loop_config config;
    struct buffer answer; /* of the porter */
    struct log_id log;    /* of the station, as sync knows it */
    uint64_t appended, imported;
    uint64_t standing_epoch;
    bool stations_known;
    bool others, others_known; /* whether there are other tables, and by which standing */
    uint64_t others_epoch;
    bool more;                 /* something is left of this turn: do not sleep */
    bool forked;               /* the station's log has a branch: a new one is due */
    struct mono_ms new_log_at; /* not before this */
    struct mono_ms watch_at;
    size_t watched_count;
    struct watched watched[SYNC_PEERS_MAX];
    struct sync_peer seen[SYNC_PEERS_MAX]; /* scratch of watch_peers */
    bool stop;
    struct error fault; /* why, if not for a signal */
    zmq_pollitem_t items[LOOP_POLL_MAX];
};

/* ---- the machine: events in, orders out ---- */

static void stop_for(struct loop *loop, const struct error *err) {
    if (!loop->stop || loop->fault.code == ERR_OK) {
        loop->fault = *err;
    }
    loop->stop = true;
}

static void dial_order(struct loop *loop, const struct sync_order *order) {
    struct address address;
    struct error ignored;
    if (address_parse(order->address, &address, &ignored) == ERR_OK) {
        dial_hint(transport_dialer(loop->config.transport), &order->peer, &address);
    }
}

static void carry_out(struct loop *loop, const struct sync_order *order) {
    struct error err;
    switch (order->kind) {
    case SYNC_SEND:
        transport_send(loop->config.transport, &order->peer, order->bytes);
        break;
    case SYNC_STORE:
        if (!store_add(loop->config.store, order)) {
            error_set(&err, ERR_MEMORY, "records of another station");
            stop_for(loop, &err);
        }
        break;
    case SYNC_ALARM:
        log_alarm(order->alarm);
        break;
    case SYNC_ROAD:
        dial_order(loop, order);
        break;
    }
}

static void feed(struct loop *loop, struct sync_event *event) {
    struct error err;
    const struct sync_order *order = NULL;
    event->now = station_now();
    event->wall = station_wall();
    if (sync_step(loop->config.sync, event, &err) != ERR_OK) {
        log_line("%s (%s)", err.say, err.cause);
        if (err.code == ERR_DISK || err.code == ERR_DAMAGED) {
            stop_for(loop, &err);
        }
    }
    while ((order = sync_next(loop->config.sync)) != NULL) {
        carry_out(loop, order);
    }
}

static void tick(struct loop *loop) {
    feed(loop, &(struct sync_event){.kind = SYNC_TICK});
}

/* ---- who may be called ---- */

struct station_list {
    const struct loop *loop;
    size_t count;
    bool failed;
    struct dial_station *station;
    struct beacon_station *beacon; /* parallel to station */
};

static bool is_own_address(const struct loop *loop, const struct address *address) {
    struct address own[TRANSPORT_LISTEN_MAX];
    size_t count = transport_listening(loop->config.transport, own, TRANSPORT_LISTEN_MAX);
    for (size_t i = 0; i < count; i++) {
        if (address_equal(&own[i], address) ||
            (address_loopback(address) && own[i].port == address->port)) {
            return true;
        }
    }
    return false;
}

/* A dead station's laptop may still be running with records that nobody has; a stolen one is not
 * spoken to. */
static bool add_station(void *context, const struct pairs_station *station) {
    struct station_list *list = context;
    struct error ignored;
    if (station->stolen || list->count == DIAL_STATIONS_MAX ||
        ID_EQUAL(station->curve, list->loop->config.station->keys.curve_public)) {
        return true;
    }
    list->beacon[list->count] = (struct beacon_station){station->curve, station->key};
    struct dial_station *entry = &list->station[list->count++];
    *entry = (struct dial_station){.key = station->curve, .lead = station->role == ROLE_LEAD};
    for (size_t i = 0; i < station->address_count && entry->address_count < DIAL_ADDRESSES_MAX;
         i++) {
        struct address *address = &entry->address[entry->address_count];
        if (address_parse(station->address[i], address, &ignored) == ERR_OK &&
            !is_own_address(list->loop, address)) {
            entry->address_count++;
        }
    }
    return true;
}

static void refresh_stations(struct loop *loop) {
    uint64_t epoch = pairs_standing_epoch(loop->config.station->ledger);
    struct station_list list = {.loop = loop};
    struct error err;
    if (loop->stations_known && epoch == loop->standing_epoch) {
        return;
    }
    loop->stations_known = true;
    loop->standing_epoch = epoch;
    list.station = calloc(DIAL_STATIONS_MAX, sizeof *list.station);
    list.beacon = calloc(DIAL_STATIONS_MAX, sizeof *list.beacon);
    enum error_code code =
        list.station == NULL || list.beacon == NULL
            ? error_set(&err, ERR_MEMORY, "stations")
            : pairs_each_station(loop->config.station->ledger, add_station, &list, &err);
    if (code == ERR_OK && list.beacon != NULL) {
        beacon_stations(loop->config.beacon, list.beacon, list.count);
        code = dial_stations(transport_dialer(loop->config.transport), list.station, list.count,
                             station_now(), &err);
    }
    free(list.station);
    free(list.beacon);
    if (code != ERR_OK) {
        log_line("%s (%s)", err.say, err.cause);
    }
}

/* ---- own records ---- */

/* After a verb, a job's step or a new log: what was committed is shown. */
static void show_own(struct loop *loop) {
    const struct station *station = loop->config.station;
    if (!ID_EQUAL(station->author.log, loop->log)) {
        loop->log = station->author.log;
        sync_log_changed(loop->config.sync, &loop->log);
        loop->imported = UINT64_MAX; /* a tick is due */
    }
    if (station->appended != loop->appended) {
        loop->appended = station->appended;
        feed(loop, &(struct sync_event){.kind = SYNC_APPENDED, .log = loop->log});
    }
    if (station->imported != loop->imported) {
        loop->imported = station->imported;
        tick(loop);
    }
}

static void begin_new_log(struct loop *loop) {
    struct error err;
    struct mono_ms now = station_now();
    if (!loop->forked || now.ms < loop->new_log_at.ms) {
        return;
    }
    loop->forked = false;
    loop->new_log_at.ms = now.ms + LOOP_REINCARNATE_MS;
    if (!pairs_author_forked(loop->config.station->ledger, &loop->config.station->author)) {
        return;
    }
    if (station_reincarnate(loop->config.station,
                            "another copy of this folder has written to its log", &err) != ERR_OK) {
        loop->forked = true;
        log_line("%s (%s)", err.say, err.cause);
        return;
    }
    log_line("Somewhere a copy of this station's folder has been writing, too: this station goes "
             "on in a new log. Nothing is lost.");
    show_own(loop);
}

/* A verb ended badly: if it was the disk, the ledger says so to whoever would write. */
static void check_disk(struct loop *loop) {
    struct error err;
    enum error_code code = pairs_begin(loop->config.station->ledger, &err);
    if (code == ERR_OK) {
        pairs_rollback(loop->config.station->ledger);
    } else if (code == ERR_DISK || code == ERR_DAMAGED) {
        stop_for(loop, &err);
    }
}

static void after_ask(struct loop *loop, enum asks_done done) {
    show_own(loop);
    if (done == ASKS_TROUBLE) {
        check_disk(loop);
    }
}

static void serve_commands(struct loop *loop) {
    asks_read(loop->config.asks, station_now());
    for (int i = 0; i < LOOP_VERBS_PER_TURN && !loop->stop; i++) {
        enum asks_done done = asks_serve(loop->config.asks);
        if (done == ASKS_NOTHING) {
            return;
        }
        after_ask(loop, done);
    }
    loop->more = true;
}

static void serve_pages(struct loop *loop) {
    enum web_done done = web_step(loop->config.web, station_now());
    if (done != WEB_NOTHING) {
        after_ask(loop, done == WEB_TROUBLE ? ASKS_TROUBLE : ASKS_DONE);
    }
}

/* What encoders say, and what the desk makes of it; what came from elsewhere is news to it. */
static void serve_desk(struct loop *loop) {
    struct error err;
    if (table_step(loop->config.table, station_now(), &err) != ERR_OK) {
        stop_for(loop, &err);
    }
    show_own(loop);
    loop->more = loop->more || table_waiting(loop->config.table);
}

/* ---- peers ---- */

static void name_of(const struct loop *loop, const struct curve_public *key, char *name,
                    size_t size) {
    struct pairs_station station;
    struct error ignored;
    if (pairs_station_by_curve(loop->config.station->ledger, key, &station, &ignored) == ERR_OK) {
        snprintf(name, size, "%s", station.name);
    } else {
        snprintf(name, size, "A station that is not known here");
    }
}

/* Where somebody who called us listens: the address the call came from, and the port that its
 * hello said. */
static void note_caller(struct loop *loop, const struct transport_event *event) {
    struct address address;
    uint16_t port = event->ip == NULL ? 0 : sync_port(loop->config.sync, &event->peer);
    if (port != 0 && address_of(event->ip, port, &address)) {
        sync_road(loop->config.sync, &event->peer, address.text);
    }
}

/* Somebody asks to be let in. What was written is shown to the others like any other local act. */
static void take_ask(struct loop *loop, const struct transport_event *event) {
    if (porter_take(loop->config.porter, &event->peer, event->ip, event->message, &loop->answer)) {
        show_own(loop);
        transport_send(loop->config.transport, &event->peer, buffer_slice(&loop->answer));
    }
}

static void take_message(struct loop *loop, const struct transport_event *event) {
    if (admission_is_ask(event->message)) {
        take_ask(loop, event);
        return;
    }
    feed(loop, &(struct sync_event){
                   .kind = SYNC_MESSAGE, .peer = event->peer, .message = event->message});
    note_caller(loop, event);
}

static void take_hung_up(const struct callers_hung_up *hung_up) {
    const char *from = hung_up->ip[0] == 0 ? "somewhere" : hung_up->ip;
    if (hung_up->why == CALLERS_CROWD) {
        log_line("There are too many connections from %s: those that are no station's are hung up "
                 "on. This table goes on.",
                 from);
    } else {
        log_alarm_say("flood",
                      "The machine at %s sends more than can be read, which no station does: it is "
                      "hung up on. Look at that machine.",
                      from);
    }
}

static void take_event(struct loop *loop, const struct transport_event *event) {
    char name[RECORD_TEXT_MAX + 1];
    switch (event->kind) {
    case TRANSPORT_MESSAGE:
        take_message(loop, event);
        break;
    case TRANSPORT_UP:
        name_of(loop, &event->peer, name, sizeof name);
        log_line("%s answers at %s.", name, event->address.text);
        if (event->was_strange) {
            log_alarm_over("not_a_station", event->address.text);
        }
        feed(loop, &(struct sync_event){.kind = SYNC_PEER_UP, .peer = event->peer});
        sync_road(loop->config.sync, &event->peer, event->address.text);
        break;
    case TRANSPORT_DOWN:
        feed(loop, &(struct sync_event){.kind = SYNC_PEER_DOWN, .peer = event->peer});
        break;
    case TRANSPORT_STRANGE:
        log_alarm_say("not_a_station",
                      "The program at %s is not a station of this event, or of one not heard of "
                      "yet. It is tried again and again.",
                      event->address.text);
        break;
    case TRANSPORT_SELF:
        log_line("%s is this station itself; it need not be given as --peer.", event->address.text);
        break;
    case TRANSPORT_PARTS:
        name_of(loop, &event->peer, name, sizeof name);
        log_alarm_say("parts",
                      "%.100s sends messages in parts, which no station does: they are thrown "
                      "away. Look at the machine that has its key.",
                      name);
        break;
    case TRANSPORT_REFUSED:
        log_line("Something that does not speak as a station called and was refused.");
        break;
    case TRANSPORT_HUNG_UP:
        take_hung_up(&event->hung_up);
        break;
    }
}

/* Stations that say where they are are called, if they have no road. */
static void serve_beacon(struct loop *loop) {
    struct curve_public curve;
    struct address address;
    struct mono_ms now = station_now();
    beacon_step(loop->config.beacon, now);
    while (beacon_next(loop->config.beacon, now, &curve, &address)) {
        dial_hint(transport_dialer(loop->config.transport), &curve, &address);
    }
}

static void serve_peers(struct loop *loop) {
    struct transport_event event;
    transport_step(loop->config.transport, station_now());
    int64_t end = station_now().ms + LOOP_PEERS_MS;
    for (int i = 0; i < LOOP_MESSAGES_PER_TURN && !loop->stop; i++) {
        struct mono_ms now = station_now();
        bool messages = now.ms < end && !store_full(loop->config.store);
        if (!transport_next(loop->config.transport, messages, now, &event)) {
            loop->more = loop->more || now.ms >= end;
            return;
        }
        take_event(loop, &event);
    }
    loop->more = true;
}

static void watch_peer(struct loop *loop, const struct sync_peer *peer) {
    size_t i = 0;
    while (i < loop->watched_count && !ID_EQUAL(loop->watched[i].key, peer->curve)) {
        i++;
    }
    if (i == SYNC_PEERS_MAX || peer->name[0] == 0) {
        return;
    }
    if (i == loop->watched_count) {
        loop->watched[loop->watched_count++] = (struct watched){.key = peer->curve};
    }
    if (loop->watched[i].connected != peer->connected) {
        loop->watched[i].connected = peer->connected;
        log_line(peer->connected ? "%s is connected." : "%s is away.", peer->name);
    }
}

/* So that the desk does not call unknown what another table may know. */
static void tell_desk(struct loop *loop, size_t count) {
    struct station *station = loop->config.station;
    uint64_t epoch = pairs_standing_epoch(station->ledger);
    struct error err;
    enum error_code code = ERR_OK;
    if (!loop->others_known || epoch != loop->others_epoch) {
        loop->others_known = true;
        loop->others_epoch = epoch;
        code = behind_others(station->ledger, &station->keys.sign_public, &loop->others, &err);
    }
    if (code == ERR_OK) {
        code =
            table_behind(loop->config.table, loop->others && behind_peers(loop->seen, count), &err);
    }
    if (code != ERR_OK) {
        stop_for(loop, &err);
    }
}

static void watch_peers(struct loop *loop) {
    if (station_now().ms < loop->watch_at.ms) {
        return;
    }
    loop->watch_at.ms = station_now().ms + LOOP_WATCH_MS;
    size_t count = sync_peers(loop->config.sync, loop->seen, SYNC_PEERS_MAX);
    for (size_t i = 0; i < count; i++) {
        watch_peer(loop, &loop->seen[i]);
    }
    tell_desk(loop, count);
}

/* ---- bulk ---- */

static void take_results(struct loop *loop) {
    struct store_result result;
    while (store_next(loop->config.store, &result)) {
        if (result.tried && ID_EQUAL(result.log, loop->log) && result.taken.stored > 0) {
            loop->forked = true;
        }
        feed(loop, &(struct sync_event){
                       .kind = SYNC_STORED,
                       .peer = result.peer,
                       .log = result.log,
                       .taken = result.tried ? &result.taken : NULL,
                   });
    }
}

static void store_records(struct loop *loop) {
    struct error err;
    if (store_due(loop->config.store).ms > station_now().ms) {
        take_results(loop); /* batches that were given up in a pause */
        return;
    }
    enum error_code code = store_slice(loop->config.store, &err);
    if (code == ERR_OK) {
        log_alarm_over("disk_full", NULL);
    } else if (code == ERR_DISK_FULL) {
        log_alarm_say("disk_full", "The disk of this machine is full: records of other tables "
                                   "wait until there is room. Make room now.");
    } else if (code == ERR_DISK || code == ERR_DAMAGED) {
        stop_for(loop, &err);
    } else {
        log_line("%s (%s)", err.say, err.cause);
    }
    take_results(loop);
}

static void do_bulk(struct loop *loop) {
    store_records(loop);
    if (!loop->stop) {
        enum asks_done done = asks_work(loop->config.asks);
        if (done != ASKS_NOTHING) {
            after_ask(loop, done);
        }
    }
}

/* ---- turns ---- */

static void read_signals(struct loop *loop) {
    struct signalfd_siginfo info;
    while (read(loop->config.signals, &info, sizeof info) == (ssize_t)sizeof info) {
        if (info.ssi_signo != SIGCHLD) {
            log_line("Ending, as told.");
            loop->stop = true;
        }
    }
}

static void sooner(struct mono_ms *deadline, struct mono_ms other) {
    *deadline = other.ms < deadline->ms ? other : *deadline;
}

static long time_to_sleep(const struct loop *loop) {
    enum { SLEEP_MAX_MS = 60000 };
    struct mono_ms deadline = sync_deadline(loop->config.sync);
    if (loop->more || asks_waiting(loop->config.asks)) {
        return 0;
    }
    sooner(&deadline, transport_deadline(loop->config.transport));
    sooner(&deadline, beacon_deadline(loop->config.beacon));
    sooner(&deadline, asks_deadline(loop->config.asks));
    sooner(&deadline, web_deadline(loop->config.web));
    sooner(&deadline, store_due(loop->config.store));
    sooner(&deadline, table_deadline(loop->config.table));
    sooner(&deadline, loop->watch_at);
    if (loop->forked) {
        sooner(&deadline, loop->new_log_at);
    }
    int64_t now = station_now().ms;
    if (deadline.ms <= now) {
        return 0;
    }
    long max = loop->config.enough == NULL ? SLEEP_MAX_MS : LOOP_ENOUGH_MS;
    return deadline.ms - now < max ? (long)(deadline.ms - now) : max;
}

static void sleep_until_due(struct loop *loop) {
    size_t count = 0;
    loop->items[count++] = (zmq_pollitem_t){.fd = loop->config.signals, .events = ZMQ_POLLIN};
    count += beacon_poll(loop->config.beacon, loop->items + count, LOOP_POLL_MAX - count);
    count += asks_poll(loop->config.asks, loop->items + count, LOOP_POLL_MAX - count);
    count += web_poll(loop->config.web, loop->items + count, LOOP_POLL_MAX - count);
    count += table_poll(loop->config.table, loop->items + count, LOOP_POLL_MAX - count);
    count += transport_poll(loop->config.transport, !store_full(loop->config.store),
                            loop->items + count, LOOP_POLL_MAX - count);
    long timeout = time_to_sleep(loop);
    loop->more = false;
    if (zmq_poll(loop->items, (int)count, timeout) < 0 && errno != EINTR) {
        struct error err;
        error_set(&err, ERR_SOCKET, "poll: %s", zmq_strerror(errno));
        stop_for(loop, &err);
    }
}

static void turn(struct loop *loop) {
    sleep_until_due(loop);
    read_signals(loop);
    if (loop->stop) {
        return;
    }
    serve_desk(loop);
    serve_commands(loop);
    serve_pages(loop);
    refresh_stations(loop);
    serve_beacon(loop);
    serve_peers(loop);
    if (sync_deadline(loop->config.sync).ms <= station_now().ms) {
        tick(loop);
    }
    watch_peers(loop);
    if (!loop->stop) {
        do_bulk(loop);
        begin_new_log(loop);
    }
    if (loop->config.enough != NULL && loop->config.enough(loop->config.context)) {
        loop->stop = true;
    }
}

enum error_code loop_run(const struct loop_config *config, struct error *err) {
    struct loop *loop = calloc(1, sizeof *loop);
    if (loop == NULL) {
        return error_set(err, ERR_MEMORY, "event loop");
    }
    loop->config = *config;
    buffer_init(&loop->answer);
    loop->appended = config->station->appended;
    show_own(loop);
    tick(loop);
    while (!loop->stop) {
        turn(loop);
    }
    *err = loop->fault;
    buffer_release(&loop->answer);
    free(loop);
    return err->code;
}
