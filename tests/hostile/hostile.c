/*
 * hostile.c: attacks one running node for a while, and says as one line of JSON what it did and
 * what it heard.
 * usage: hostile MODE --dir FOLDER --target NAME --at ADDR:PORT [--for MS] [--count N] [--stranger]
 *                [--as FOLDER] [--claim FOLDER]
 *
 * FOLDER is that of an admitted station, on which no node runs; with --stranger its keys are not
 * shown on the wire, only what everybody may have seen of it is used. Each mode is a function
 * below, with what it does above it.
 */
#include <errno.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>

#include "common/sync_internal.h"
#include "node/keyfile.h"
#include "node/station.h"
#include "tests/hostile/client.h"

/* ---- without a session ---- */

/* Says all that a station says, true and false, and listens. */
static void whisper(struct client *client) {
    struct client_log log;
    struct buffer list;
    buffer_init(&list);
    client_log_open(client, &client->keys, &client->event.event, false, &log, &list);
    while (client_time(client)) {
        client->nonce++;
        struct sync_message hello = client_hello(client, true);
        client_send_message(client, &hello);
        hello = client_hello(client, false);
        client_send_message(client, &hello);
        client_bytes(client, hello.event.bytes, sizeof hello.event.bytes);
        client_send_message(client, &hello);
        hello.version = SYNC_VERSION + 1;
        client_send_message(client, &hello);
        for (int kind = SYNC_MESSAGE_HAVE; kind < SYNC_MESSAGE_OTHER; kind++) {
            struct sync_message message = client_compose(client, (enum sync_message_kind)kind);
            message.log = log.id;
            if (kind == SYNC_MESSAGE_PUSH) {
                message.list = buffer_slice(&list);
                message.list_count = 1;
            }
            client_send_message(client, &message);
        }
        client_listen(client, 50);
    }
    buffer_release(&list);
}

/* Without CURVE: NULL, and PLAIN with a name and a password. */
static void mechanisms(struct client *client) {
    char endpoint[128];
    void *sockets[2] = {zmq_socket(client->context, ZMQ_DEALER),
                        zmq_socket(client->context, ZMQ_DEALER)};
    const int no_linger = 0;
    snprintf(endpoint, sizeof endpoint, "tcp://%s", client->options.at);
    zmq_setsockopt(sockets[1], ZMQ_PLAIN_USERNAME, "lead", 4);
    zmq_setsockopt(sockets[1], ZMQ_PLAIN_PASSWORD, "lead", 4);
    for (size_t i = 0; i < 2; i++) {
        zmq_setsockopt(sockets[i], ZMQ_LINGER, &no_linger, sizeof no_linger);
        if (zmq_connect(sockets[i], endpoint) != 0) {
            client_fail("%s", zmq_strerror(errno));
        }
    }
    while (client_time(client)) {
        for (size_t i = 0; i < 2; i++) {
            char byte = 0;
            client->counts.sent += zmq_send(sockets[i], "x", 1, ZMQ_DONTWAIT) == 1 ? 1 : 0;
            client->counts.heard += zmq_recv(sockets[i], &byte, 1, ZMQ_DONTWAIT) >= 0 ? 1 : 0;
        }
        client_listen(client, 20);
    }
    zmq_close(sockets[0]);
    zmq_close(sockets[1]);
}

/* Keeps `count` CURVE connections open, each with a key of its own, and says nothing. */
static void crowd(struct client *client) {
    enum { CROWD_MAX = 1500 };
    static void *sockets[CROWD_MAX];
    char endpoint[128];
    size_t count = client->options.count < CROWD_MAX ? client->options.count : CROWD_MAX;
    struct rlimit limit;
    if (getrlimit(RLIMIT_NOFILE, &limit) == 0) {
        limit.rlim_cur = limit.rlim_max;
        setrlimit(RLIMIT_NOFILE, &limit);
    }
    zmq_ctx_set(client->context, ZMQ_MAX_SOCKETS, CROWD_MAX + 100);
    snprintf(endpoint, sizeof endpoint, "tcp://%s", client->options.at);
    for (size_t i = 0; i < count; i++) {
        struct curve_public curve;
        struct curve_secret secret;
        crypto_box_keypair(curve.bytes, secret.bytes);
        sockets[i] = link_socket(client->context, ZMQ_DEALER, &curve, &secret, &client->server);
        if (sockets[i] == NULL || zmq_connect(sockets[i], endpoint) != 0) {
            client_fail("connection %zu: %s", i, zmq_strerror(errno));
        }
        client->counts.sent++;
    }
    while (client_time(client)) {
        client_listen(client, 50);
    }
    for (size_t i = 0; i < count; i++) {
        zmq_close(sockets[i]);
    }
}

/* Messages of `count` MiB each, in parts of which none is too large. A node cannot read anything of
 * a message until its last part is there. */
static void bomb(struct client *client) {
    static uint8_t part[16384];
    const uint64_t parts = (client->options.count << 20) / sizeof part;
    while (client_time(client)) {
        for (uint64_t i = 0; i < parts; i++) {
            int more = i + 1 < parts ? ZMQ_SNDMORE : 0;
            if (zmq_send(client->socket, part, sizeof part, ZMQ_DONTWAIT | more) < 0) {
                client->counts.refused++; /* hung up in the middle: from the beginning */
                break;
            }
            client->counts.sent++;
            client->counts.sent_bytes += sizeof part;
        }
        client_listen(client, 500);
    }
}

/* Messages in two parts, and messages over each bound: of a body, and of a frame. */
static void oversize(struct client *client) {
    static uint8_t large[1 << 20];
    static const size_t sizes[] = {LINK_BODY_MAX, LINK_BODY_MAX + 1, LINK_FRAME_MAX - 40,
                                   LINK_FRAME_MAX, sizeof large};
    client_begin_session(client);
    while (client_time(client)) {
        for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
            client_send(client, slice_of(large, sizes[i]));
        }
        if (zmq_send(client->socket, "a", 1, ZMQ_DONTWAIT | ZMQ_SNDMORE) == 1) {
            client_send(client, slice_text("b"));
        }
        client_listen(client, 20);
    }
}

/* ---- floods ---- */

/* Bytes by chance, and CBOR that is well formed and means nothing. */
static void garbage(struct client *client) {
    static uint8_t noise[LINK_BODY_MAX];
    static const size_t sizes[] = {1, 20, 300, 4000, LINK_BODY_MAX};
    client_begin_session(client);
    while (client_time(client)) {
        size_t size = sizes[client_draw(client) % 5];
        if (client_draw(client) % 2 == 0) {
            client_bytes(client, noise, size);
        } else { /* an array of small numbers, as long as a message can be */
            memset(noise, 1, size);
            noise[0] = 0x81;
            if (size > 300) {
                noise[0] = 0x99;
                noise[1] = (uint8_t)((size - 3) >> 8);
                noise[2] = (uint8_t)(size - 3);
            }
        }
        client_send(client, slice_of(noise, size));
        client_listen(client, 0);
    }
}

/* Asks for all that it knows of, again and again, with all the credit there is. */
static void wants(struct client *client) {
    size_t count = 0;
    client_begin_session(client);
    const struct ledger_head *heads = ledger_heads(client->ledger, &count);
    while (client_time(client) && count > 0) {
        for (size_t i = 0; i < count && client_time(client); i++) {
            struct sync_message want = client_compose(client, SYNC_MESSAGE_WANT);
            want.log = heads[i].log;
            memcpy(want.target, heads[i].id.bytes, sizeof want.target);
            want.credit = UINT32_MAX;
            client_send_message(client, &want);
        }
        client_listen(client, 0);
    }
}

static void push(struct client *client, const struct client_log *log, struct buffer *list,
                 size_t count) {
    struct sync_message message = client_compose(client, SYNC_MESSAGE_PUSH);
    message.log = log->id;
    message.list = buffer_slice(list);
    message.list_count = count;
    client_send_message(client, &message);
    buffer_clear(list);
}

/* Own records, all of them good: a log that grows as fast as pushes are taken. */
static void pushes(struct client *client) {
    enum { BATCH = 100, BYTES_A_MS = SYNC_PUSH_RATE / 1000 - SYNC_PUSH_RATE / 8000 };
    struct client_log log;
    struct buffer list;
    size_t records = 1;
    buffer_init(&list);
    client_begin_session(client);
    client_log_open(client, &client->keys, &client->event.event, false, &log, &list);
    const int64_t start = station_now().ms;
    while (client_time(client)) {
        for (; records < BATCH; records++) {
            client_log_issue(client, &log, 100000 + log.number, &list);
        }
        push(client, &log, &list, records);
        records = 0;
        /* Faster than this some are not taken, and those after them neither. */
        int64_t due = start + (int64_t)client->counts.sent_bytes / BYTES_A_MS;
        int64_t early = due - station_now().ms;
        client_listen(client, early > 0 ? (long)early : 0);
    }
    buffer_release(&list);
}

/* Logs in the target's name, each a new one, whose signatures are wrong: nothing can be kept, but
 * each has to be looked at. */
static void forged(struct client *client) {
    struct pairs_station target;
    struct station_keys keys = client->keys;
    struct error err;
    struct buffer list;
    if (pairs_station_by_name(client->ledger, client->options.target, &target, &err) != ERR_OK) {
        client_fail("%s", err.say);
    }
    keys.sign_public = target.key;
    buffer_init(&list);
    client_begin_session(client);
    while (client_time(client)) {
        struct client_log log;
        size_t records = client_draw(client) % 2 == 0 ? 1 : 120;
        client_log_open(client, &keys, &client->event.event, true, &log, &list);
        for (size_t i = 1; i < records; i++) {
            client_log_issue(client, &log, 200000 + i, &list);
        }
        push(client, &log, &list, records);
        client_listen(client, 0);
    }
    buffer_release(&list);
}

/* Records that the same key signed for another event, and that event's own. */
static void old(struct client *client) {
    char path[4200];
    struct keyfile file;
    struct error err;
    struct buffer list;
    struct client_log log;
    struct station_keys other;
    snprintf(path, sizeof path, "%s/station.key", client->options.claim);
    if (keyfile_read(path, KEYFILE_STATION, &file, &err) != ERR_OK) {
        client_fail("%s: %s", path, err.say);
    }
    keyfile_keys(&file, &other);
    buffer_init(&list);
    client_begin_session(client);
    while (client_time(client)) {
        client_log_open(client, &client->keys, &file.event.event, false, &log, &list);
        client_log_issue(client, &log, 300000, &list);
        push(client, &log, &list, 2);
        client_log_open(client, &other, &file.event.event, false, &log, &list);
        client_log_issue(client, &log, 300001, &list);
        push(client, &log, &list, 2);
        client_listen(client, 20);
    }
    buffer_release(&list);
}

/* Names thousands of logs that nobody has, and heads of real ones that are not there. */
static void haves(struct client *client) {
    size_t count = 0;
    client_begin_session(client);
    const struct ledger_head *heads = ledger_heads(client->ledger, &count);
    struct buffer list;
    buffer_init(&list);
    while (client_time(client)) {
        struct sync_message have = client_compose(client, SYNC_MESSAGE_HAVE);
        buffer_clear(&list);
        for (size_t i = 0; i < 1000; i++) {
            struct ledger_head head = {.number = 1 + client_draw(client) % 100000};
            client_bytes(client, head.log.bytes, sizeof head.log.bytes);
            client_bytes(client, head.id.bytes, sizeof head.id.bytes);
            if (i < count) {
                head.log = heads[i].log;
            }
            sync_message_put_log(&head, 1, &list);
        }
        have.list = buffer_slice(&list);
        have.list_count = 1000;
        client_send_message(client, &have);
        client_listen(client, 0);
    }
    buffer_release(&list);
}

/* A new session with every message, which is answered by all that the node has. */
static void hellos(struct client *client) {
    client_begin_session(client);
    while (client_time(client)) {
        client->nonce++;
        struct sync_message hello = client_hello(client, client_draw(client) % 2 == 0);
        client_send_message(client, &hello);
        client_listen(client, 0);
    }
}

/* Tells of addresses of every station, none of which is theirs. Of port 9 on this machine, which
 * nobody serves, so that no other machine is called. */
static void roads(struct client *client) {
    struct buffer list;
    buffer_init(&list);
    client_begin_session(client);
    while (client_time(client)) {
        struct sync_message message = client_compose(client, SYNC_MESSAGE_ROADS);
        buffer_clear(&list);
        for (size_t i = 0; i < SYNC_MESSAGE_ROADS_MAX; i++) {
            struct sync_message_road road = {.curve = client->server};
            if (i % 2 == 0) {
                client_bytes(client, road.curve.bytes, sizeof road.curve.bytes);
            }
            snprintf(road.address, sizeof road.address, "127.0.%u.%u:9",
                     (unsigned)(client_draw(client) % 256), (unsigned)(client_draw(client) % 256));
            sync_message_put_road(&road, &list);
        }
        message.list = buffer_slice(&list);
        message.list_count = SYNC_MESSAGE_ROADS_MAX;
        client_send_message(client, &message);
        client_listen(client, 0);
    }
    buffer_release(&list);
}

/* ---- the command line ---- */

static const struct {
    const char *name;
    void (*attack)(struct client *client);
} modes[] = {
    {"mechanisms", mechanisms}, {"whisper", whisper}, {"crowd", crowd}, {"bomb", bomb},
    {"oversize", oversize},     {"garbage", garbage}, {"wants", wants}, {"pushes", pushes},
    {"forged", forged},         {"old", old},         {"haves", haves}, {"hellos", hellos},
    {"roads", roads},
};

static void read_options(int count, char **words, struct client_options *options) {
    for (int i = 2; i < count; i++) {
        if (strcmp(words[i], "--stranger") == 0) {
            options->stranger = true;
            continue;
        }
        if (i + 1 == count) {
            client_fail("%s needs a value", words[i]);
        }
        const char *name = words[i];
        const char *value = words[++i];
        if (strcmp(name, "--dir") == 0) {
            options->dir = value;
        } else if (strcmp(name, "--target") == 0) {
            options->target = value;
        } else if (strcmp(name, "--at") == 0) {
            options->at = value;
        } else if (strcmp(name, "--as") == 0) {
            options->as = value;
        } else if (strcmp(name, "--claim") == 0) {
            options->claim = value;
        } else if (strcmp(name, "--for") == 0) {
            options->for_ms = strtol(value, NULL, 10);
        } else if (strcmp(name, "--count") == 0) {
            options->count = strtoul(value, NULL, 10);
        } else {
            client_fail("%s is no option", name);
        }
    }
    if (options->dir == NULL || options->target == NULL || options->at == NULL ||
        strncmp(options->at, "127.", 4) != 0) {
        client_fail("--dir, --target and --at are needed; --at is on the loopback network");
    }
}

int main(int count, char **words) {
    struct client_options options = {.for_ms = 1000, .count = 1};
    struct client client;
    if (sodium_init() < 0) {
        return 3;
    }
    read_options(count, words, &options);
    for (size_t i = 0; i < sizeof modes / sizeof modes[0]; i++) {
        if (strcmp(words[1], modes[i].name) != 0) {
            continue;
        }
        client_open(&options, &client);
        modes[i].attack(&client);
        const bool session = client.other_nonce != 0;
        client_close(&client);
        const struct client_counts *counts = &client.counts;
        printf("{\"session\":%s,\"sent\":%llu,\"sent_bytes\":%llu,\"heard\":%llu,"
               "\"heard_bytes\":%llu,\"dropped\":%llu}\n",
               session ? "true" : "false", (unsigned long long)counts->sent,
               (unsigned long long)counts->sent_bytes, (unsigned long long)counts->heard,
               (unsigned long long)counts->heard_bytes, (unsigned long long)counts->dropped);
        return 0;
    }
    client_fail("%s is no mode", count > 1 ? words[1] : "nothing");
}
