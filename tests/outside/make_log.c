/*
 * make_log.c: writes an invented event's records to a file, as a CBOR sequence: every kind, a kind
 * and keys from the future, several logs, a new incarnation. For the checkers in this folder, which
 * know the stations' seeds: 32 bytes of 1 for the root, 2 for the lead, 3 for the table.
 * Usage: make_log FILE
 */
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/canon.h"
#include "common/cose.h"
#include "common/record.h"

/* One station's log as it grows. */
struct log {
    struct station_keys keys;
    struct incarnation incarnation;
    struct log_id id;
    uint64_t number;
    struct record_id head;
};

static struct event_id event;
static struct buffer file;

static void stop(const char *what) {
    fprintf(stderr, "make_log: %s\n", what);
    exit(1);
}

static struct log log_of(uint8_t seed_byte, uint8_t incarnation) {
    struct log log = {.number = 0};
    uint8_t seed[32];
    memset(seed, seed_byte, sizeof(seed));
    identity_keys(seed, seed, &log.keys);
    memset(log.incarnation.bytes, incarnation, sizeof(log.incarnation.bytes));
    log.id = identity_log(&log.keys.sign_public, &log.incarnation);
    return log;
}

static struct record_id added(struct log *log, size_t start) {
    log->number++;
    log->head = identity_record(slice_of(file.data + start, file.size - start));
    return log->head;
}

/* Appends a record with `body` to its log; `seen` may be NULL. Empties the body. */
static struct record_id append(struct log *log, uint64_t kind, struct buffer *body,
                               const struct log *seen) {
    struct error err;
    struct record_seen entry = {0};
    size_t start = file.size;
    struct record record = {.log = log->id,
                            .number = log->number + 1,
                            .has_previous = log->number > 0,
                            .previous = log->head,
                            .wall = {1778918400000 + (int64_t)start},
                            .kind = kind,
                            .body = buffer_slice(body),
                            .helper = slice_text(log->number % 2 == 0 ? "AB" : "")};
    if (seen != NULL) {
        entry.number = seen->number;
        memcpy(entry.id, seen->head.bytes, sizeof(entry.id));
    }
    if (body->failed || record_encode(&record, &entry, seen != NULL ? 1 : 0, &event,
                                      &log->keys.sign_secret, &file, &err) != ERR_OK) {
        stop("a record could not be encoded");
    }
    buffer_clear(body);
    return added(log, start);
}

/* A record whose payload and body carry keys that this program does not know. */
static void append_with_future_keys(struct log *log, struct buffer *body) {
    struct buffer payload;
    struct error err;
    uint8_t signature[64];
    size_t start = file.size;
    buffer_init(&payload);
    canon_put_map(&payload, 8);
    canon_put_uint(&payload, 1);
    canon_put_bytes(&payload, slice_of(log->id.bytes, sizeof(log->id.bytes)));
    canon_put_uint(&payload, 2);
    canon_put_uint(&payload, log->number + 1);
    canon_put_uint(&payload, 3);
    canon_put_bytes(&payload, slice_of(log->head.bytes, sizeof(log->head.bytes)));
    canon_put_uint(&payload, 5);
    canon_put_uint(&payload, 1778918400123);
    canon_put_uint(&payload, 6);
    canon_put_uint(&payload, RECORD_CLOSE);
    canon_put_uint(&payload, 7);
    canon_put_map(&payload, 3);
    canon_put_uint(&payload, 1);
    canon_put_uint(&payload, log->number + 1);
    canon_put_uint(&payload, 40);
    canon_put_null(&payload);
    canon_put_text(&payload, slice_text("later"));
    canon_put_array(&payload, 0);
    canon_put_uint(&payload, 99);
    canon_put_tag(&payload, 1);
    canon_put_uint(&payload, 7);
    canon_put_int(&payload, -1);
    canon_put_bool(&payload, true);
    if (payload.failed ||
        cose_sign(slice_of("\xA1\x01\x27", 3), slice_of(event.bytes, 32), buffer_slice(&payload),
                  &log->keys.sign_secret, signature, &err) != ERR_OK) {
        stop("a record could not be signed");
    }
    buffer_append(&file, "\xD2\x84\x43\xA1\x01\x27\xA0", 7);
    canon_put_bytes(&file, buffer_slice(&payload));
    canon_put_bytes(&file, slice_of(signature, sizeof(signature)));
    buffer_release(&payload);
    buffer_clear(body);
    added(log, start);
}

static void append_open(struct log *log, const struct log *follows, struct buffer *body) {
    struct record_open open = {.key = log->keys.sign_public, .incarnation = log->incarnation};
    if (follows != NULL) {
        open.has_follows = true;
        open.follows = (struct record_head){follows->id, follows->number, follows->head};
    }
    record_open_write(&open, body);
    append(log, RECORD_OPEN, body, NULL);
}

static void make_found(const struct log *root, struct buffer *body) {
    static struct record_found found;
    found = (struct record_found){.name = slice_text("Harbour Run"),
                                  .start = slice_text("2026-05-16"),
                                  .bibs = {2, {{1, 2000}, {9000, 9099}}},
                                  .late = {1, {{9000, 9099}}},
                                  .category_count = 3};
    found.category[0] = (struct record_category){.name = slice_text("10 km"),
                                                 .scheme = {.kind = EPC_GID96, .manager = 31415},
                                                 .tags_per_bib = 2,
                                                 .bibs = {1, {{1, 1000}}}};
    found.category[1] = (struct record_category){.name = slice_text("Relay"),
                                                 .scheme = {.kind = EPC_OWN, .code = 439041101},
                                                 .tags_per_bib = 1,
                                                 .bibs = {1, {{1001, 2000}}}};
    found.category[2] = (struct record_category){
        .name = slice_text("M\xC3\xBChle"), .scheme = {.kind = EPC_AS_READ}, .tags_per_bib = 1};
    record_found_write(&found, body);
    event = identity_event(&root->keys.sign_public, buffer_slice(body));
}

static void append_admit(struct log *by, const struct log *who, enum role role, const char *name,
                         struct buffer *body) {
    struct record_admit admit = {.key = who->keys.sign_public,
                                 .curve = who->keys.curve_public,
                                 .name = slice_text(name),
                                 .role = role,
                                 .address_count = role == ROLE_LEAD ? 1 : 0,
                                 .address = {slice_text("192.0.2.7:7117")}};
    record_admit_write(&admit, body);
    append(by, RECORD_ADMIT, body, NULL);
}

/* With every optional key; the second ticket is the one that `who` came with. */
static void append_tickets(struct log *by, const struct log *who, struct buffer *body) {
    static struct record_ticket ticket = {.entry_count = 2, .expires = {1780128000000}};
    struct record_cancel cancel = {
        .ticket_count = 1, .ticket = {{{1}}}, .reason = slice_text("lost")};
    struct record_admit admit = {.key = who->keys.sign_public,
                                 .curve = who->keys.curve_public,
                                 .name = slice_text("Table 3"),
                                 .role = ROLE_TABLE,
                                 .has_ticket = true,
                                 .ticket = {{2}}};
    ticket.entry[0] = (struct record_ticket_entry){
        .id = {{1}}, .hash = {{8}}, .name = slice_text("Spare 1"), .role = ROLE_READER};
    ticket.entry[1] = (struct record_ticket_entry){.id = {{2}},
                                                   .hash = {{9}},
                                                   .name = slice_text("Table 3"),
                                                   .role = ROLE_TABLE,
                                                   .bibs = {1, {{1, 700}}}};
    record_ticket_write(&ticket, body);
    append(by, RECORD_TICKET, body, NULL);
    record_cancel_write(&cancel, body);
    append(by, RECORD_CANCEL, body, NULL);
    record_admit_write(&admit, body);
    append(by, RECORD_ADMIT, body, NULL);
}

static struct record_id append_issue(struct log *table, const char *bib, struct buffer *body) {
    struct record_issue issue = {.tag_count = 1, .how = ISSUE_TYPED};
    snprintf(issue.bib.text, sizeof(issue.bib.text), "%s", bib);
    issue.tag[0].epc = (struct epc){12, {0x35, 0, 7, 0xAB, 0x70, 0x42, 0x5D, 0x40}};
    record_issue_write(&issue, body);
    return append(table, RECORD_ISSUE, body, NULL);
}

/* An issue with every optional key, that replaces another. */
static void append_full_issue(struct log *table, const struct record_id *old,
                              const struct log *seen, struct buffer *body) {
    struct record_issue issue = {.bib = {"1414"},
                                 .tag_count = 2,
                                 .how = ISSUE_SCAN,
                                 .replaces_count = 1,
                                 .replaces = {*old},
                                 .extra_count = 1,
                                 .extra = {*old},
                                 .half = true,
                                 .reason = slice_text("torn off"),
                                 .chip = CHIP_ON_BIB,
                                 .has_chip_bib = true,
                                 .chip_bib = {"A-7"}};
    issue.tag[0].epc = (struct epc){2, {1, 2}};
    issue.tag[0].tid = (struct tid){12, {0xE2, 0x80, 0x11, 0x05}};
    issue.tag[0].roll = slice_text("R12");
    issue.tag[0].seen = true;
    issue.tag[1] = issue.tag[0];
    record_issue_write(&issue, body);
    append(table, RECORD_ISSUE, body, seen);
}

static void append_settlement(struct log *lead, const struct record_id *loser,
                              const struct log *table, struct buffer *body) {
    static struct record_void v;
    v = (struct record_void){.target_count = 1,
                             .target = {*loser},
                             .reason = slice_text("other chip found"),
                             .chip = CHIP_ON_BIB,
                             .has_chip_bib = true,
                             .chip_bib = {"1415"},
                             .unseen = true};
    record_void_write(&v, body);
    append(lead, RECORD_VOID, body, table);
}

static void append_stolen(struct log *root, const struct log *table, struct buffer *body) {
    static struct record_retire retire;
    retire = (struct record_retire){.key = table->keys.sign_public,
                                    .how = RETIRE_STOLEN,
                                    .cutoff_count = 1,
                                    .cutoff = {{table->id, table->number, table->head}},
                                    .reason = slice_text("left in a bus")};
    record_retire_write(&retire, body);
    append(root, RECORD_RETIRE, body, table);
}

/* What happens all day beside issuing, with every optional key. */
static void append_day(struct log *table, const struct log *lead, struct buffer *body) {
    struct record_hold hold = {.bib = {"1500"},
                               .how = HOLD_REPRINT,
                               .reason = slice_text("M\xC3\xBC"
                                                    "de")};
    struct record_look look = {.bib = {"1414"},
                               .tag_count = 1,
                               .verdict = LOOK_OTHER,
                               .has_stack = true,
                               .stack = {1401, 1500}};
    struct record_look empty = {.bib = {"A-7"}, .verdict = LOOK_NO_CHIP};
    struct record_roll roll = {.roll = slice_text("R12"),
                               .how = ROLL_LOADED,
                               .pair = true,
                               .has_count = true,
                               .count = 2000};
    struct record_note note = {.text = slice_text("box B was wet"),
                               .has_bib = true,
                               .bib = {"1414"},
                               .has_station = true,
                               .station = lead->keys.sign_public};
    record_hold_write(&hold, body);
    append(table, RECORD_HOLD, body, lead);
    look.tag[0].epc = (struct epc){12, {0x35, 0, 7, 0xAB}};
    look.tag[0].tid = (struct tid){12, {0xE2, 0x80, 0x11, 0x05}};
    look.tag[0].seen = true;
    record_look_write(&look, body);
    append(table, RECORD_LOOK, body, NULL);
    record_look_write(&empty, body);
    append(table, RECORD_LOOK, body, NULL);
    record_roll_write(&roll, body);
    append(table, RECORD_ROLL, body, NULL);
    record_note_write(&note, body);
    append(table, RECORD_NOTE, body, NULL);
}

static void append_handover(struct log *lead, struct buffer *body) {
    struct record_handover handover = {
        .number = 1, .state = {{5}}, .list = {{6}}, .bibs = RECORD_NUMBER_MAX};
    record_handover_write(&handover, body);
    append(lead, RECORD_HANDOVER, body, NULL);
}

static void make_event(void) {
    struct buffer body;
    struct buffer found;
    struct log root = log_of(1, 11);
    struct log lead = log_of(2, 12);
    struct log table = log_of(3, 13);
    struct log again = log_of(3, 14);
    buffer_init(&body);
    buffer_init(&found);
    make_found(&root, &found);
    append_open(&root, NULL, &body);
    append(&root, RECORD_FOUND, &found, NULL);
    append_admit(&root, &lead, ROLE_LEAD, "Lead", &body);
    append_open(&lead, NULL, &body);
    append_tickets(&lead, &table, &body);
    record_allot_write(&(struct record_allot){table.keys.sign_public, {1, {{1, 700}}}}, &body);
    append(&lead, RECORD_ALLOT, &body, &root);
    append_open(&table, NULL, &body);
    struct record_id first = append_issue(&table, "1414", &body);
    append_issue(&table, "A-7", &body);
    append_full_issue(&table, &first, &lead, &body);
    append_settlement(&lead, &first, &table, &body);
    append_day(&table, &lead, &body);
    append_handover(&lead, &body);
    append_open(&again, &table, &body);
    for (int bib = 1; bib <= 130; bib++) {
        char label[8];
        snprintf(label, sizeof(label), "%d", bib);
        append_issue(&again, label, &body);
    }
    canon_put_map(&body, 2);
    canon_put_uint(&body, 1);
    canon_put_text(&body, slice_text("a kind from the future"));
    canon_put_text(&body, slice_text("k"));
    canon_put_bytes(&body, slice_of("\xFF", 1));
    append(&again, 77, &body, &lead);
    append_with_future_keys(&again, &body);
    append_stolen(&root, &table, &body);
    record_close_write(&(struct record_close){again.number + 1}, &body);
    append(&again, RECORD_CLOSE, &body, NULL);
    buffer_release(&body);
    buffer_release(&found);
}

int main(int argc, char **argv) {
    if (argc != 2 || sodium_init() < 0) {
        stop("usage: make_log FILE");
    }
    make_event();
    FILE *out = fopen(argv[1], "wb");
    if (out == NULL || file.failed || fwrite(file.data, 1, file.size, out) != file.size ||
        fclose(out) != 0) {
        stop("the file could not be written");
    }
    buffer_release(&file);
    return 0;
}
