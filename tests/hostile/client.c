/* client.c: see client.h. */
#include "tests/hostile/client.h"

#include <errno.h>
#include <sodium.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/keyfile.h"
#include "node/station.h"

void client_fail(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    vfprintf(stderr, format, arguments);
    va_end(arguments);
    fputc('\n', stderr);
    exit(3);
}

static void check(enum error_code code, const struct error *err, const char *what) {
    if (code != ERR_OK) {
        client_fail("%s: %s (%s)", what, err->say, err->cause);
    }
}

/* ---- opening ---- */

static void read_keys(const char *dir, struct client *client) {
    char path[4200];
    struct keyfile file;
    struct error err;
    snprintf(path, sizeof path, "%s/station.key", dir);
    check(keyfile_read(path, KEYFILE_STATION, &file, &err), &err, path);
    keyfile_keys(&file, &client->keys);
    client->event = file.event;
    keyfile_wipe(&file);
}

static void open_ledger(const char *dir, struct client *client) {
    char path[4200];
    struct error err;
    ledger_close(client->ledger);
    snprintf(path, sizeof path, "%s/ledger.db", dir);
    check(ledger_open(path, NULL, NULL, &client->event, &client->ledger, &err), &err, path);
}

/* Who is called, by the folder `dir`; who calls, by `as` where that is given. */
static void read_folders(struct client *client) {
    const struct client_options *options = &client->options;
    struct pairs_station target;
    struct error err;
    read_keys(options->dir, client);
    open_ledger(options->dir, client);
    check(pairs_station_by_name(client->ledger, options->target, &target, &err), &err,
          options->target);
    client->server = target.curve;
    if (options->as != NULL) {
        read_keys(options->as, client);
        open_ledger(options->as, client);
    }
    buffer_init(&client->proof);
    enum error_code code =
        pairs_admit_proof(client->ledger, &client->keys.sign_public, &client->proof, &err);
    if (code != ERR_NOT_FOUND) { /* who was retired has none that counts */
        check(code, &err, "proof");
    }
}

static void connect_to(struct client *client) {
    const int events = ZMQ_EVENT_DISCONNECTED;
    char endpoint[128];
    snprintf(endpoint, sizeof endpoint, "tcp://%s", client->options.at);
    client->context = zmq_ctx_new();
    client->socket =
        link_socket(client->context, ZMQ_DEALER, &client->curve, &client->secret, &client->server);
    client->monitor =
        client->socket == NULL ? NULL : link_monitor(client->context, client->socket, events);
    if (client->monitor == NULL || zmq_connect(client->socket, endpoint) != 0) {
        client_fail("%s: %s", endpoint, zmq_strerror(errno));
    }
}

void client_open(const struct client_options *options, struct client *client) {
    *client = (struct client){.options = *options};
    read_folders(client);
    client->curve = client->keys.curve_public;
    client->secret = client->keys.curve_secret;
    if (options->stranger) {
        crypto_box_keypair(client->curve.bytes, client->secret.bytes);
    }
    client->nonce = 1 + (uint64_t)randombytes_random();
    buffer_init(&client->out);
    client->end = station_now().ms + options->for_ms;
    connect_to(client);
}

void client_close(struct client *client) {
    int event = 0;
    uint32_t value = 0;
    while (link_monitor_next(client->monitor, &event, &value)) {
        client->counts.dropped++;
    }
    link_close(client->socket, client->monitor, NULL);
    zmq_ctx_term(client->context);
    ledger_close(client->ledger);
    buffer_release(&client->proof);
    buffer_release(&client->out);
}

bool client_time(const struct client *client) {
    return station_now().ms < client->end;
}

uint64_t client_draw(struct client *client) {
    static const uint8_t seed[32] = {77};
    return identity_draw(seed, "hostile!", ++client->draws);
}

void client_bytes(struct client *client, void *out, size_t size) {
    uint8_t seed[randombytes_SEEDBYTES] = {0};
    uint64_t drawn = client_draw(client);
    memcpy(seed, &drawn, sizeof drawn);
    randombytes_buf_deterministic(out, size, seed);
}

/* ---- talking ---- */

void client_send(struct client *client, struct slice message) {
    while (zmq_send(client->socket, message.data, message.size, ZMQ_DONTWAIT) < 0) {
        if (!client_time(client)) {
            return;
        }
        client->counts.refused++;
        zmq_pollitem_t item = {.socket = client->socket, .events = ZMQ_POLLOUT | ZMQ_POLLIN};
        zmq_poll(&item, 1, 20);
        client_listen(client, 0);
    }
    client->counts.sent++;
    client->counts.sent_bytes += message.size;
}

void client_send_message(struct client *client, const struct sync_message *message) {
    buffer_clear(&client->out);
    sync_message_write(message, &client->out);
    if (client->out.failed) {
        client_fail("no memory");
    }
    client_send(client, buffer_slice(&client->out));
}

static void take(struct client *client, zmq_msg_t *frame) {
    struct sync_message message;
    struct slice bytes = slice_of(zmq_msg_data(frame), zmq_msg_size(frame));
    client->counts.heard++;
    client->counts.heard_bytes += bytes.size;
    if (sync_message_read(bytes, &message) && message.kind == SYNC_MESSAGE_HELLO &&
        message.version == SYNC_VERSION) {
        client->other_nonce = message.from;
    }
}

void client_listen(struct client *client, long wait_ms) {
    zmq_pollitem_t item = {.socket = client->socket, .events = ZMQ_POLLIN};
    if (wait_ms > 0) {
        zmq_poll(&item, 1, wait_ms);
    }
    for (;;) {
        zmq_msg_t frame;
        zmq_msg_init(&frame);
        bool got = zmq_msg_recv(&frame, client->socket, ZMQ_DONTWAIT) >= 0;
        if (got) {
            take(client, &frame);
        }
        zmq_msg_close(&frame);
        if (!got) {
            return;
        }
    }
}

struct sync_message client_hello(const struct client *client, bool proof) {
    struct sync_message hello = {.kind = SYNC_MESSAGE_HELLO,
                                 .version = SYNC_VERSION,
                                 .from = client->nonce,
                                 .has_to = client->other_nonce != 0,
                                 .to = client->other_nonce,
                                 .event = client->event.event,
                                 .key = client->keys.sign_public,
                                 .wall = station_wall()};
    memset(hello.log.bytes, 0x5a, sizeof hello.log.bytes);
    if (proof) {
        hello.proof = buffer_slice(&client->proof);
    }
    return hello;
}

bool client_begin_session(struct client *client) {
    while (client_time(client)) {
        struct sync_message hello = client_hello(client, true);
        client_send_message(client, &hello);
        client_listen(client, 200);
        if (client->other_nonce != 0) {
            hello = client_hello(client, true);
            client_send_message(client, &hello);
            return true;
        }
    }
    return false;
}

struct sync_message client_compose(const struct client *client, enum sync_message_kind kind) {
    return (struct sync_message){.kind = kind, .from = client->nonce, .to = client->other_nonce};
}

/* ---- records ---- */

static void put(struct client_log *log, uint64_t kind, struct slice body, struct buffer *out) {
    struct record record = {.log = log->id,
                            .number = log->number + 1,
                            .has_previous = log->number > 0,
                            .previous = log->head,
                            .wall = station_wall(),
                            .kind = kind,
                            .body = body};
    struct buffer raw;
    struct error err;
    buffer_init(&raw);
    check(record_encode(&record, NULL, 0, &log->event, &log->keys.sign_secret, &raw, &err), &err,
          "record");
    if (log->broken) {
        raw.data[raw.size - 1] ^= 1;
    }
    log->number++;
    log->head = identity_record(buffer_slice(&raw));
    canon_put_bytes(out, buffer_slice(&raw));
    buffer_release(&raw);
}

void client_log_open(struct client *client, const struct station_keys *keys,
                     const struct event_id *event, bool broken, struct client_log *log,
                     struct buffer *out) {
    struct record_open open = {.key = keys->sign_public};
    struct buffer body;
    client_bytes(client, open.incarnation.bytes, sizeof open.incarnation.bytes);
    open.incarnation.bytes[0] = (uint8_t)client->options.count;
    *log = (struct client_log){.keys = *keys, .event = *event, .broken = broken};
    log->id = identity_log(&keys->sign_public, &open.incarnation);
    buffer_init(&body);
    record_open_write(&open, &body);
    put(log, RECORD_OPEN, buffer_slice(&body), out);
    buffer_release(&body);
}

void client_log_issue(struct client *client, struct client_log *log, uint64_t number,
                      struct buffer *out) {
    struct record_issue issue = {.tag_count = 1, .how = ISSUE_SERIES};
    struct buffer body;
    snprintf(issue.bib.text, sizeof issue.bib.text, "%u", (unsigned)number);
    issue.tag[0].epc.size = 12;
    client_bytes(client, issue.tag[0].epc.data, 12);
    buffer_init(&body);
    record_issue_write(&issue, &body);
    put(log, RECORD_ISSUE, buffer_slice(&body), out);
    buffer_release(&body);
}
