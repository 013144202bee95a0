/*
 * run.c: `bibweave run`: opens the folder, the network and the control socket in this order, says
 * that it serves, and hands over to the loop.
 */
#include <errno.h>
#include <signal.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include "node/log.h"
#include "node/loop.h"
#include "node/options.h"

enum { RUN_PORT = 7117, RUN_PEERS_MAX = 256 };

/* Everything that a node holds open. */
struct node {
    const struct verb_call *call;
    struct station station;
    bool open;
    size_t peer_count;
    struct address peer[RUN_PEERS_MAX];
    uint16_t beacon_port; /* UDP; 0: none */
    size_t encoder_count;
    const char *encoder[TABLE_ENCODERS_MAX]; /* borrowed from the call */
    int64_t gone_ms;
    struct transport_config network;
    struct loop_config loop;
};

/* ---- the command line ---- */

static enum error_code add_listen(struct node *node, const char *text, struct error *err) {
    if (node->network.listen_count == TRANSPORT_LISTEN_MAX) {
        return error_set(err, ERR_LIMIT, "more than %d --listen", TRANSPORT_LISTEN_MAX);
    }
    return address_parse(text, &node->network.listen[node->network.listen_count++], err);
}

static enum error_code add_peer(struct node *node, const char *text, struct error *err) {
    if (node->peer_count == RUN_PEERS_MAX) {
        return error_set(err, ERR_LIMIT, "more than %d --peer", RUN_PEERS_MAX);
    }
    struct address *address = &node->peer[node->peer_count++];
    enum error_code code = address_parse(text, address, err);
    if (code == ERR_OK && (address->any || address->port == 0)) {
        error_set(err, ERR_USAGE, "--peer %s", address->text);
        return error_say(err,
                         "Nobody can be called at %s: --peer needs the other station's own "
                         "address and port.",
                         address->text);
    }
    return code;
}

static enum error_code add_encoder(struct node *node, const char *spec, struct error *err) {
    if (node->encoder_count == TABLE_ENCODERS_MAX) {
        return error_set(err, ERR_LIMIT, "more than %d --encoder", TABLE_ENCODERS_MAX);
    }
    node->encoder[node->encoder_count++] = spec;
    return ERR_OK;
}

/* How long a chip may be unheard before it counts as gone. */
static enum error_code read_gone(struct node *node, const char *text, struct error *err) {
    enum { GONE_MIN_MS = 100, GONE_MAX_MS = 60000 };
    char *end = NULL;
    long ms = strtol(text, &end, 10);
    if (*end != '\0' || ms < GONE_MIN_MS || ms > GONE_MAX_MS) {
        error_set(err, ERR_USAGE, "--gone %.40s", text);
        return error_say(err, "--gone is in milliseconds, from %d to %d.", GONE_MIN_MS,
                         GONE_MAX_MS);
    }
    node->gone_ms = ms;
    return ERR_OK;
}

static enum error_code read_words(struct node *node, const char *verb_name, struct error *err) {
    const struct verb_call *call = node->call;
    const struct verb *verb = verb_find(verb_name);
    struct options options;
    INVARIANT(verb != NULL);
    enum error_code code =
        options_read(verb->options, call->arguments, call->argument_count, &options, err);
    if (code == ERR_OK) {
        code = options_rest(&options, 0, 0, "nothing", err);
    }
    for (size_t i = 0; code == ERR_OK && i < options.given_count; i++) {
        const struct options_given *given = &options.given[i];
        if (strcmp(given->name, "--listen") == 0) {
            code = add_listen(node, given->value, err);
        } else if (strcmp(given->name, "--peer") == 0) {
            code = add_peer(node, given->value, err);
        } else if (strcmp(given->name, "--encoder") == 0) {
            code = add_encoder(node, given->value, err);
        } else if (strcmp(given->name, "--gone") == 0) {
            code = read_gone(node, given->value, err);
        }
    }
    if (code == ERR_OK) {
        code = beacon_option(options_value(&options, "--beacon"), &node->beacon_port, err);
    }
    options_release(&options);
    return code;
}

/* Without --listen: everywhere, at the port that the station's admit gives for it, so that others
 * find it where they look. */
static enum error_code default_listen(struct node *node, struct error *err) {
    struct pairs_station self;
    struct address admitted;
    struct error ignored;
    char text[ADDRESS_TEXT_MAX];
    unsigned port = RUN_PORT;
    if (node->network.listen_count > 0) {
        return ERR_OK;
    }
    if (pairs_station(node->station.ledger, &node->station.keys.sign_public, &self, &ignored) ==
            ERR_OK &&
        self.address_count > 0 && address_parse(self.address[0], &admitted, &ignored) == ERR_OK &&
        admitted.port != 0) {
        port = admitted.port;
    }
    snprintf(text, sizeof text, "*:%u", port);
    return add_listen(node, text, err);
}

/* ---- the process ---- */

/* Each connection takes four descriptors, and idle strangers take some, too. */
static void raise_limits(void) {
    struct rlimit limit;
    if (getrlimit(RLIMIT_NOFILE, &limit) == 0 && limit.rlim_cur < limit.rlim_max) {
        limit.rlim_cur = limit.rlim_max;
        setrlimit(RLIMIT_NOFILE, &limit);
    }
}

/* Before ZeroMQ starts its threads, which inherit what is blocked. */
static enum error_code take_signals(struct node *node, struct error *err) {
    sigset_t signals;
    sigemptyset(&signals);
    sigaddset(&signals, SIGTERM);
    sigaddset(&signals, SIGINT);
    sigaddset(&signals, SIGHUP);
    sigaddset(&signals, SIGCHLD);
    signal(SIGPIPE, SIG_IGN);
    node->loop.signals = -1;
    if (sigprocmask(SIG_BLOCK, &signals, NULL) == 0) {
        node->loop.signals = signalfd(-1, &signals, SFD_NONBLOCK | SFD_CLOEXEC);
    }
    return node->loop.signals < 0 ? error_set(err, ERR_PERMISSION, "signals: %s", strerror(errno))
                                  : ERR_OK;
}

/* ---- opening and closing ---- */

static enum error_code open_folder(struct node *node, struct error *err) {
    enum error_code code = station_open_checked(node->call->dir, &node->station, err);
    if (code != ERR_OK) {
        return code;
    }
    node->open = true;
    node->loop.station = &node->station;
    if (node->station.author.number == 0 && !node->station.must_open) {
        error_set(err, ERR_NOT_ALLOWED, "no station.key in %.200s", node->call->dir);
        return error_say(err, "This folder is for reading only. Use the folder of a station.");
    }
    if (node->station.new_incarnation) {
        log_line("This station goes on in a new log: %s.", node->station.incarnation_cause);
    }
    return ERR_OK;
}

static enum error_code open_network(struct node *node, struct error *err) {
    struct transport_config *network = &node->network;
    network->curve_public = node->station.keys.curve_public;
    network->curve_secret = node->station.keys.curve_secret;
    network->dir = node->call->dir;
    network->silence_ms = SYNC_SILENCE_MS;
    randombytes_buf(network->seed, sizeof network->seed);
    enum error_code code = default_listen(node, err);
    if (code == ERR_OK) {
        code = transport_open(network, &node->loop.transport, err);
    }
    for (size_t i = 0; code == ERR_OK && i < node->peer_count; i++) {
        code = dial_fixed(transport_dialer(node->loop.transport), &node->peer[i], err);
    }
    return code;
}

/* Without a beacon the others are found by what is known of them. */
static enum error_code open_beacon(struct node *node, struct error *err) {
    struct address own[TRANSPORT_LISTEN_MAX];
    struct beacon_config config = {.event = node->station.event.event,
                                   .keys = node->station.keys,
                                   .port = node->beacon_port,
                                   .listen = own};
    if (node->beacon_port == 0) {
        return ERR_OK;
    }
    config.listen_count = transport_listening(node->loop.transport, own, TRANSPORT_LISTEN_MAX);
    randombytes_buf(config.seed, sizeof config.seed);
    enum error_code code = beacon_open(&config, &node->loop.beacon, err);
    sodium_memzero(&config, sizeof config);
    if (code == ERR_SOCKET) {
        log_line("%s (%s)", err->say, err->cause);
        return ERR_OK;
    }
    return code;
}

static enum error_code open_machine(struct node *node, struct error *err) {
    struct address own[TRANSPORT_LISTEN_MAX];
    struct sync_config config = {.ledger = node->station.ledger, .keys = node->station.keys};
    if (transport_listening(node->loop.transport, own, TRANSPORT_LISTEN_MAX) > 0) {
        config.port = own[0].port;
    }
    randombytes_buf(config.seed, sizeof config.seed);
    enum error_code code = sync_new(&config, &node->loop.sync, err);
    sodium_memzero(&config, sizeof config);
    if (code == ERR_OK) {
        code = store_new(node->station.ledger, &node->loop.store, err);
    }
    if (code == ERR_OK) {
        code = porter_new(&node->station, &node->loop.porter, err);
    }
    if (code == ERR_OK) {
        code = open_beacon(node, err);
    }
    if (code == ERR_OK) {
        struct table_config table = {&node->station, node->encoder, node->encoder_count,
                                     node->gone_ms};
        code = table_new(&table, &node->loop.table, err);
    }
    if (code == ERR_OK) {
        struct asks_config asks = {node->call->dir, &node->station, node->loop.sync,
                                   node->loop.table};
        code = asks_new(&asks, &node->loop.asks, err);
    }
    return code;
}

static void say_ready(const struct node *node) {
    struct address own[TRANSPORT_LISTEN_MAX];
    size_t count = transport_listening(node->loop.transport, own, TRANSPORT_LISTEN_MAX);
    for (size_t i = 0; i < count; i++) {
        printf("ready %s\n", own[i].text);
    }
    fflush(stdout);
}

/* The reverse of opening: nobody is served any more when the ledger closes. */
static void close_node(struct node *node) {
    asks_free(node->loop.asks);
    table_free(node->loop.table);
    beacon_close(node->loop.beacon);
    porter_free(node->loop.porter);
    transport_close(node->loop.transport);
    store_free(node->loop.store);
    sync_free(node->loop.sync);
    if (node->open) {
        station_close(&node->station);
    }
    if (node->loop.signals >= 0) {
        close(node->loop.signals);
    }
    sodium_memzero(&node->network, sizeof node->network);
}

static enum error_code serve(struct node *node, struct error *err) {
    enum error_code code = loop_run(&node->loop, err);
    if (code == ERR_DISK || code == ERR_DAMAGED) {
        error_say(err, "The disk of this machine failed, so the node has ended. Start it again: "
                       "what was acknowledged is kept. If it ends again, take another machine.");
    }
    return code;
}

/* A node that does not serve yet; NULL if there is no memory. */
static struct node *new_node(const struct verb_call *call, struct error *err) {
    struct node *node = calloc(1, sizeof *node);
    if (node == NULL) {
        error_set(err, ERR_MEMORY, "node");
        return NULL;
    }
    node->call = call;
    node->loop.signals = -1;
    node->gone_ms = TABLE_GONE_MS;
    return node;
}

static enum error_code open_node(struct node *node, const char *verb_name, struct error *err) {
    raise_limits();
    enum error_code code = read_words(node, verb_name, err);
    if (code == ERR_OK) {
        code = take_signals(node, err);
    }
    if (code == ERR_OK) {
        code = open_folder(node, err);
    }
    if (code == ERR_OK) {
        code = open_network(node, err);
    }
    if (code == ERR_OK) {
        code = open_machine(node, err);
    }
    return code;
}

void run_node(struct verb_call *call) {
    struct error err;
    struct node *node = new_node(call, &err);
    enum error_code code = node == NULL ? ERR_MEMORY : open_node(node, "run", &err);
    if (code == ERR_OK) {
        say_ready(node);
        code = serve(node, &err);
    }
    if (node != NULL) {
        close_node(node);
    }
    free(node);
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
}

/* ---- until in step ---- */

enum { IN_STEP_MS = 1500 }; /* further stations may still be about to answer */

struct patience {
    struct node *node;
    struct mono_ms end;        /* no longer than this */
    struct mono_ms same_since; /* all that are heard hold the same; INT64_MAX: they do not */
    struct run_heard heard;
    struct sync_peer peer[SYNC_PEERS_MAX];
};

static bool is_enough(void *context) {
    struct patience *patience = context;
    struct mono_ms now = station_now();
    size_t count = sync_peers(patience->node->loop.sync, patience->peer, SYNC_PEERS_MAX);
    bool same = true;
    patience->heard.stations = 0;
    for (size_t i = 0; i < count; i++) {
        const struct sync_peer *peer = &patience->peer[i];
        patience->heard.stations += peer->connected ? 1 : 0;
        same = same && (!peer->connected || peer->same);
    }
    if (!same || patience->heard.stations == 0) {
        patience->same_since.ms = INT64_MAX;
    } else if (patience->same_since.ms == INT64_MAX) {
        patience->same_since = now;
    }
    patience->heard.in_step =
        patience->same_since.ms != INT64_MAX && now.ms - patience->same_since.ms >= IN_STEP_MS;
    return patience->heard.in_step || now.ms >= patience->end.ms;
}

enum error_code run_until_in_step(struct verb_call *call, int64_t wait_ms, struct run_heard *heard,
                                  struct error *err) {
    struct node *node = new_node(call, err);
    struct patience *patience = calloc(1, sizeof *patience);
    enum error_code code =
        node == NULL || patience == NULL ? error_set(err, ERR_MEMORY, "node") : ERR_OK;
    if (code == ERR_OK) {
        patience->node = node;
        patience->end.ms = station_now().ms + wait_ms;
        patience->same_since.ms = INT64_MAX;
        node->loop.enough = is_enough;
        node->loop.context = patience;
        code = open_node(node, "recover", err);
    }
    if (code == ERR_OK) {
        code = serve(node, err);
        *heard = patience->heard;
    }
    if (node != NULL) {
        close_node(node);
    }
    free(node);
    free(patience);
    return code;
}
