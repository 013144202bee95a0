/*
 * make_seeds.c: writes seed inputs for all fuzz targets, made by the program's own writers from the
 * invented event: FOLDER/TARGET/NAME.
 * usage: make_seeds FOLDER      (the folder must be there)
 */
#include "tests/fuzz/event.h"
#include "tests/fuzz/script.h"

#include "common/admission.h"
#include "common/canon.h"
#include "common/sync_message.h"
#include "node/beacon.h"
#include "node/grant.h"
#include "node/seal.h"
#include "node/ticket_file.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static const char *folder;

static void write_seed(const char *target, const char *name, struct slice bytes) {
    char path[4096];
    snprintf(path, sizeof path, "%s/%s", folder, target);
    FUZZ_CHECK(mkdir(path, 0777) == 0 || errno == EEXIST, "%s: %s", path, strerror(errno));
    snprintf(path, sizeof path, "%s/%s/%s", folder, target, name);
    FILE *file = fopen(path, "wb");
    FUZZ_CHECK(file != NULL, "%s: %s", path, strerror(errno));
    size_t written = fwrite(bytes.data, 1, bytes.size, file);
    FUZZ_CHECK(fclose(file) == 0 && written == bytes.size, "%s: %s", path, strerror(errno));
}

/* ---- records, messages, files ---- */

static void make_records(void) {
    const struct fuzz_event *event = fuzz_event();
    bool done[100] = {false};
    for (size_t i = 0; i < event->count; i++) {
        struct record record;
        struct error err;
        char name[64], kind[40];
        fuzz_must(record_decode(event->record[i], &record, &err), &err);
        size_t slot = record.kind < 99 ? (size_t)record.kind : 99;
        if (done[slot] && record.seen.size == 0) {
            continue;
        }
        record_kind_text(record.kind, kind, sizeof kind);
        if (!done[slot]) {
            snprintf(name, sizeof name, "body %s", kind);
            write_seed("record", name, record.body);
        }
        done[slot] = true;
        snprintf(name, sizeof name, "%s %zu", kind, i);
        if (i < 60) {
            write_seed("record", name, event->record[i]);
        }
    }
}

static void write_message(const char *name, const struct sync_message *message) {
    struct buffer bytes;
    buffer_init(&bytes);
    buffer_append(&bytes, "\0", 1);
    sync_message_write(message, &bytes);
    write_seed("message", name, buffer_slice(&bytes));
    buffer_release(&bytes);
}

static void make_messages(void) {
    const struct fuzz_event *event = fuzz_event();
    struct sync_message message = {.kind = SYNC_MESSAGE_HELLO,
                                   .version = SYNC_VERSION,
                                   .event = event->world.event.event,
                                   .from = 7,
                                   .wall = {1800000000000}};
    struct sync_message_road road = {.address = "192.0.2.7:7117"};
    struct buffer list;
    size_t count = 0;
    const struct ledger_head *head = ledger_heads(event->world.station[EVENT_LEAD].ledger, &count);
    buffer_init(&list);
    write_message("hello", &message);
    message.has_to = true;
    message.to = UINT64_MAX;
    write_message("hello that knows", &message);
    message.kind = SYNC_MESSAGE_BEAT;
    write_message("beat", &message);
    message.kind = SYNC_MESSAGE_WANT;
    message.point[message.point_count++].number = 5;
    message.point[message.point_count++].number = RECORD_NUMBER_MAX;
    write_message("want", &message);
    for (size_t i = 0; i < count; i++) {
        sync_message_put_log(&head[i], 1, &list);
    }
    message.kind = SYNC_MESSAGE_HAVE;
    message.list = buffer_slice(&list);
    message.list_count = count;
    write_message("have", &message);
    buffer_clear(&list);
    canon_put_bytes(&list, event->record[0]);
    canon_put_bytes(&list, event->record[1]);
    message.list = buffer_slice(&list);
    message.list_count = 2;
    message.kind = SYNC_MESSAGE_BATCH;
    message.more = SYNC_MESSAGE_ASK;
    write_message("batch", &message);
    message.kind = SYNC_MESSAGE_PUSH;
    write_message("push", &message);
    buffer_clear(&list);
    sync_message_put_road(&road, &list);
    message.kind = SYNC_MESSAGE_ROADS;
    message.list = buffer_slice(&list);
    message.list_count = 1;
    write_message("roads", &message);
    buffer_release(&list);
}

static void make_grants(void) {
    const struct fuzz_event *event = fuzz_event();
    const struct world_station *table = &event->world.station[EVENT_LATE];
    struct record_admit admit = {.key = table->keys.sign_public,
                                 .curve = table->keys.curve_public,
                                 .name = slice_text("Table 5"),
                                 .address_count = 1,
                                 .address = {slice_text("192.0.2.7:7117")}};
    struct buffer bytes;
    struct error err;
    buffer_init(&bytes);
    buffer_append(&bytes, "\1", 1);
    fuzz_must(pairs_admit_proof(event->world.station[EVENT_LEAD].ledger, &admit.key, &bytes, &err),
              &err);
    write_seed("message", "proof", buffer_slice(&bytes));
    buffer_clear(&bytes);
    buffer_append(&bytes, "\2", 1);
    grant_request_put(&admit, &table->keys.sign_secret, &bytes);
    write_seed("message", "request", buffer_slice(&bytes));
    bytes.data[0] = 3;
    write_seed("message", "request for a grant", buffer_slice(&bytes));
    buffer_clear(&bytes);
    buffer_append(&bytes, "\3", 1);
    grant_head_put(&event->world.event, &admit.key, &bytes);
    buffer_append_slice(&bytes, event->record[0]);
    write_seed("message", "grant", buffer_slice(&bytes));
    buffer_release(&bytes);
}

static void make_joining(void) {
    const struct fuzz_event *event = fuzz_event();
    struct admission_ask ask = {.key = event->stranger.sign_public,
                                .name = slice_text("Table 9"),
                                .address_count = 1,
                                .address = {slice_text("192.0.2.9:7117")}};
    struct admission_answer answer = {.verdict = ADMISSION_GRANTED,
                                      .event = event->world.event,
                                      .name = slice_text("Table 9"),
                                      .when = {1800000000000}};
    struct seal seal = {.passes = 3, .memory = 1 << 28};
    struct buffer bytes;
    buffer_init(&bytes);
    buffer_append(&bytes, "\4", 1);
    admission_ask_put(&ask, &event->world.station[EVENT_LEAD].keys.curve_public, &event->stranger,
                      &bytes);
    write_seed("message", "ask", buffer_slice(&bytes));
    buffer_clear(&bytes);
    buffer_append(&bytes, "\5", 1);
    admission_answer_put(&answer, &bytes);
    write_seed("message", "answer", buffer_slice(&bytes));
    buffer_clear(&bytes);
    buffer_append(&bytes, "\6", 1);
    beacon_put(&event->world.event.event, &event->world.station[EVENT_LEAD].keys, 7117, &bytes);
    write_seed("message", "beacon", buffer_slice(&bytes));
    buffer_clear(&bytes);
    buffer_append(&bytes, "\7", 1);
    seal_put(&seal, &bytes);
    write_seed("message", "seal", buffer_slice(&bytes));
    buffer_release(&bytes);
}

static void make_tickets(void) {
    struct ticket ticket = {.lead = {{1, 2, 3}}, .secret = {4}, .ip = {192, 0, 2, 7}, .port = 7117};
    struct buffer bytes;
    char text[TICKET_TEXT_MAX + 1];
    buffer_init(&bytes);
    ticket_put(&ticket, text);
    buffer_append(&bytes, "\x08", 1);
    ticket_lines(text, "  ", 5, &bytes);
    write_seed("text", "ticket", buffer_slice(&bytes));
    buffer_clear(&bytes);
    buffer_append(&bytes, "\x09", 1);
    ticket_file_put("Table 3", text, NULL, 0, &bytes);
    write_seed("text", "ticket file", buffer_slice(&bytes));
    buffer_release(&bytes);
}

static void put_range(size_t first, size_t last, struct buffer *out) {
    const struct fuzz_event *event = fuzz_event();
    for (size_t i = first; i < last && i < event->count; i++) {
        buffer_append_slice(out, event->record[i]);
    }
}

static void make_carry(void) {
    const struct fuzz_event *event = fuzz_event();
    struct buffer file;
    buffer_init(&file);
    for (size_t i = 0; i < event->early_count; i++) {
        buffer_append_slice(&file, event->early[i]);
    }
    write_seed("carry", "early", buffer_slice(&file));
    write_seed("carry", "cut", slice_of(file.data, file.size - 10));
    buffer_clear(&file);
    put_range(0, 24, &file);
    write_seed("carry", "first", buffer_slice(&file));
    buffer_clear(&file);
    put_range(12, 24, &file);
    put_range(0, 12, &file);
    put_range(0, 3, &file);
    write_seed("carry", "turned round", buffer_slice(&file));
    buffer_clear(&file);
    put_range(0, 5, &file);
    buffer_append(&file, "damaged", 7);
    put_range(7, 20, &file);
    write_seed("carry", "gap", buffer_slice(&file));
    buffer_clear(&file);
    put_range(0, event->count, &file);
    write_seed("carry", "all", buffer_slice(&file));
    buffer_release(&file);
}

/* ---- text ---- */

static void make_text(void) {
    static const struct {
        const char *name;
        char which;
        const char *text; /* | stands for a NUL between words */
    } seeds[] = {
        {"row", 0, "57|Table 1|350007AB70425D4000000586"},
        {"formula", 0, "=1+1|-5|@x|+y|\tz|a,b|say \"no\"|two\r\nlines|"},
        {"bib", 1, " 00042\r\n"},
        {"label", 1, "a-12"},
        {"ranges", 2, "1-700, 900,1200 - 1300"},
        {"epc", 3, "350007ab70425d4000000586"},
        {"tid", 3, "E28011052000000012345678"},
        {"gid", 4, "gid96:31415:271828 1414"},
        {"own", 4, "own:4294967295 281474976710655"},
        {"as read", 4, "as-read 5"},
        {"address", 5, "tcp://[2001:db8::7]:7117"},
        {"mapped", 5, "[::ffff:192.0.2.7]:7117"},
        {"any", 5, "*:0"},
        {"options", 6, "57|--tag|3500/E280|--json|--tag=x|--|--tag"},
        {"time", 7, "\x01\x02\x03\x04\x05\x06\x07\x7f"},
    };
    for (size_t i = 0; i < sizeof seeds / sizeof seeds[0]; i++) {
        char bytes[256];
        size_t length = strlen(seeds[i].text);
        bytes[0] = seeds[i].which;
        for (size_t j = 0; j < length; j++) {
            bytes[j + 1] = seeds[i].text[j] == '|' ? '\0' : seeds[i].text[j];
        }
        write_seed("text", seeds[i].name, slice_of(bytes, length + 1));
    }
}

/* ---- control socket ---- */

static void put_request(const char *verb, size_t arguments, struct buffer *out) {
    struct buffer item;
    buffer_init(&item);
    canon_put_array(&item, 4);
    canon_put_text(&item, slice_text(verb));
    canon_put_array(&item, arguments);
    for (size_t i = 0; i < arguments; i++) {
        canon_put_text(&item, slice_text("57"));
    }
    canon_put_bool(&item, false);
    canon_put_text(&item, slice_text("/"));
    uint8_t head[4] = {0, 0, (uint8_t)(item.size >> 8), (uint8_t)item.size};
    buffer_append(out, head, sizeof head);
    buffer_append_slice(out, buffer_slice(&item));
    buffer_release(&item);
}

/* Sends `bytes` as client `who`. */
static void put_send(uint8_t who, struct slice bytes, struct buffer *out) {
    uint8_t head[4] = {1, who, (uint8_t)bytes.size, (uint8_t)(bytes.size >> 8)};
    buffer_append(out, head, sizeof head);
    buffer_append_slice(out, bytes);
}

static void make_control(void) {
    struct buffer requests, script;
    buffer_init(&requests);
    buffer_init(&script);
    put_request("issue", 1, &requests);
    put_send(0, buffer_slice(&requests), &script);
    buffer_append(&script, "\2\0\5", 3);
    buffer_append(&script, "\4\0\xff\xff", 4);
    write_seed("control", "one request", buffer_slice(&script));
    buffer_clear(&script);
    put_request("status", 0, &requests);
    put_request("carry out", 300, &requests);
    size_t half = requests.size / 2;
    put_send(1, slice_of(requests.data, half), &script);
    buffer_append(&script, "\2\0\0", 3);
    put_send(1, slice_of(requests.data + half, requests.size - half), &script);
    buffer_append(&script, "\2\0\2\2\0\2\4\1\xff\xff\4\1\xff\xff\2\0\1", 17);
    buffer_append(&script, "\x45\1", 2);
    write_seed("control", "three in pieces", buffer_slice(&script));
    buffer_clear(&script);
    put_send(2, slice_of(requests.data, 9), &script);
    buffer_append(&script, "\3\0\x88\x13\4\2\xff\0", 8);
    put_send(0, slice_text("\xff\xff\xff\xffno request"), &script);
    buffer_append(&script, "\2\0\3", 3);
    write_seed("control", "late and too long", buffer_slice(&script));
    buffer_release(&requests);
    buffer_release(&script);
}

/* ---- scripts for the sync machine ---- */

static void put(struct buffer *script, uint8_t code, const void *bytes, size_t size) {
    uint8_t head[3] = {code, (uint8_t)size, (uint8_t)(size >> 8)};
    buffer_append(script, head, sizeof head);
    buffer_append(script, bytes, size);
}
/* Acts whose bytes are all small numbers. */
#define PUT(script, code, ...)                                                                     \
    put(script, code, (const uint8_t[]){__VA_ARGS__}, sizeof((const uint8_t[]){__VA_ARGS__}))

/* A session with a peer, to the point where the station asks for what it lacks. */
static void put_session(struct buffer *script, uint8_t peer, uint8_t hello) {
    PUT(script, ACT_UP, peer);
    PUT(script, ACT_HELLO, peer, hello);
    PUT(script, ACT_HAVE, peer);
    PUT(script, ACT_TICK, 60, 0);
}

static void put_exchange(struct buffer *script, uint8_t peer, int rounds) {
    for (int i = 0; i < rounds; i++) {
        PUT(script, ACT_BATCH, peer, 0, 0);
        PUT(script, ACT_STORE, 9, 0);
        PUT(script, ACT_TICK, 80, 0);
    }
}

static void make_script(const char *name, struct buffer *script) {
    write_seed("sync", name, buffer_slice(script));
    buffer_clear(script);
}

static void make_sessions(void) {
    struct buffer script;
    buffer_init(&script);
    put_session(&script, EVENT_LEAD, 0);
    put_exchange(&script, EVENT_LEAD, 9);
    PUT(&script, ACT_BEAT, EVENT_LEAD, 0);
    PUT(&script, ACT_TICK, 0xE8, 3);
    PUT(&script, ACT_BEAT, EVENT_LEAD, 1);
    PUT(&script, ACT_APPEND, 5, 0);
    PUT(&script, ACT_WANT, EVENT_LEAD, 2, 1, 0xFF, 0xFF, 3);
    PUT(&script, ACT_DOWN, EVENT_LEAD);
    make_script("whole session", &script);
    put_session(&script, EVENT_TABLE, 0);
    put_session(&script, EVENT_SECOND, 0);
    PUT(&script, ACT_PUSH, EVENT_TABLE, 20, 0, 1);
    PUT(&script, ACT_BATCH, EVENT_SECOND, BATCH_MORE, 3);
    PUT(&script, ACT_STORE, 1, 1);
    PUT(&script, ACT_TICK, 0xD0, 7);
    PUT(&script, ACT_BATCH, EVENT_TABLE, BATCH_ASK, 0);
    PUT(&script, ACT_BATCH, EVENT_TABLE, BATCH_EMPTY, 0);
    PUT(&script, ACT_STORE, 9, 0);
    make_script("two peers", &script);
    PUT(&script, ACT_HELLO, EVENT_LATE, HELLO_PROOF);
    PUT(&script, ACT_HELLO, EVENT_LATE, 0);
    PUT(&script, ACT_HAVE, EVENT_LATE);
    put_exchange(&script, EVENT_LATE, 6);
    PUT(&script, ACT_HELLO, PEER_STRANGER, 0);
    PUT(&script, ACT_HELLO, PEER_STRANGER, HELLO_PROOF);
    PUT(&script, ACT_HELLO, EVENT_SELF, 0);
    PUT(&script, ACT_HELLO, EVENT_TABLE, HELLO_FOREIGN);
    PUT(&script, ACT_HELLO, EVENT_TABLE, HELLO_VERSION);
    make_script("proof", &script);
    buffer_release(&script);
}

static void make_makers(void) {
    struct buffer script;
    buffer_init(&script);
    put_session(&script, EVENT_LEAD, 0);
    put_exchange(&script, EVENT_LEAD, 9);
    for (uint8_t kind = 0; kind < 10; kind++) {
        PUT(&script, ACT_MADE, EVENT_LEAD, EVENT_LEAD, kind, 0, 1, 2, 3, 4, 5, 6);
        PUT(&script, ACT_STORE, 9, 0);
    }
    PUT(&script, ACT_MADE, EVENT_LEAD, EVENT_TABLE, 0, MADE_FORK, 1, 2, 0);
    PUT(&script, ACT_MADE, EVENT_LEAD, EVENT_TABLE, 0, MADE_SEEN | MADE_HAVE, 2, 1, 0, 9, 0, 1);
    put_exchange(&script, EVENT_LEAD, 2);
    PUT(&script, ACT_MADE, EVENT_LEAD, AUTHOR_ROOT, 3, 0, 2, 0, 1, 4, 9, 0);
    PUT(&script, ACT_STORE, 9, 0);
    make_script("made records", &script);
    put_session(&script, EVENT_LEAD, 0);
    put_exchange(&script, EVENT_LEAD, 9);
    /* The stolen station is put out while it is in session. */
    PUT(&script, ACT_HELLO, EVENT_STOLEN, HELLO_PROOF);
    PUT(&script, ACT_HELLO, EVENT_STOLEN, 0);
    PUT(&script, ACT_APPEND, 3, 0);
    PUT(&script, ACT_CARRY, 22, 0);
    make_script("stolen", &script);
    put_session(&script, EVENT_TABLE, 0);
    PUT(&script, ACT_MANY, EVENT_TABLE, 100, 1, 0, 0);
    PUT(&script, ACT_MANY, EVENT_TABLE, 0, 5, 0, 8);
    PUT(&script, ACT_TICK, 0xD0, 7);
    PUT(&script, ACT_BATCH, EVENT_TABLE, BATCH_EMPTY, 0);
    put(&script, ACT_ROADS,
        "\2\3"
        "192.0.2.7:7117",
        16);
    put(&script, ACT_REACHED,
        "\2"
        "192.0.2.8:7117",
        15);
    PUT(&script, ACT_TICK, 0xD0, 7);
    put(&script, ACT_RAW, "\2\x85\5\0\0\0\0", 7);
    PUT(&script, ACT_BEAT | ACT_TAMPER, 4, 0, 1, EVENT_TABLE, 0);
    make_script("hostile", &script);
    buffer_release(&script);
}

int main(int argc, char **argv) {
    if (argc != 2) {
        fprintf(stderr, "usage: make_seeds FOLDER\n");
        return 2;
    }
    folder = argv[1];
    make_records();
    make_messages();
    make_grants();
    make_joining();
    make_tickets();
    make_carry();
    make_text();
    make_control();
    make_sessions();
    make_makers();
    return 0;
}
