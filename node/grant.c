/*
 * grant.c: see grant.h.
 * Must never let in a key that did not sign its own request.
 */
#include "node/grant.h"

#include <string.h>

#include "common/canon.h"
#include "common/fields.h"
#include "common/sync.h"

enum { FORMAT_VERSION = 1 };
enum { KEY_WHAT = 1, KEY_VERSION, KEY_SIGN, KEY_CURVE, KEY_NAME, KEY_ADDRESSES, KEY_SIGNATURE };
enum { KEY_EVENT = 3, KEY_ROOT, KEY_STATION };
static const char request_what[] = "bibweave request";
static const char grant_what[] = "bibweave grant";

/* ---- request ---- */

/* Keys 1 to 6, behind the head of a map of `pairs`. */
static void put_request_map(const struct record_admit *admit, size_t pairs, struct buffer *out) {
    canon_put_map(out, pairs);
    canon_put_uint(out, KEY_WHAT);
    canon_put_text(out, slice_text(request_what));
    canon_put_uint(out, KEY_VERSION);
    canon_put_uint(out, FORMAT_VERSION);
    canon_put_uint(out, KEY_SIGN);
    canon_put_bytes(out, slice_of(admit->key.bytes, sizeof(admit->key.bytes)));
    canon_put_uint(out, KEY_CURVE);
    canon_put_bytes(out, slice_of(admit->curve.bytes, sizeof(admit->curve.bytes)));
    canon_put_uint(out, KEY_NAME);
    canon_put_text(out, admit->name);
    canon_put_uint(out, KEY_ADDRESSES);
    canon_put_array(out, admit->address_count);
    for (size_t i = 0; i < admit->address_count; i++) {
        canon_put_text(out, admit->address[i]);
    }
}

void grant_request_put(const struct record_admit *admit, const struct sign_secret *secret,
                       struct buffer *out) {
    struct buffer signed_;
    uint8_t signature[64];
    buffer_init(&signed_);
    put_request_map(admit, 6, &signed_);
    if (signed_.failed) {
        out->failed = true;
    } else {
        identity_sign(secret, buffer_slice(&signed_), signature);
        put_request_map(admit, 7, out);
        canon_put_uint(out, KEY_SIGNATURE);
        canon_put_bytes(out, slice_of(signature, sizeof(signature)));
    }
    buffer_release(&signed_);
}

struct reading {
    struct slice what;
    uint64_t version;
    struct record_admit *admit;
    uint8_t signature[64];
    struct ledger_event *event;
    struct sign_public *station;
};

/* No longer than an address can be: the admit that is made of them is part of a proof, which has to
 * fit into what a stranger may say. */
static bool take_addresses(struct canon_reader *reader, struct record_admit *admit) {
    size_t count = 0;
    if (!canon_get_array(reader, &count) || count > RECORD_ADDRESSES_MAX) {
        return false;
    }
    admit->address_count = count;
    for (size_t i = 0; i < count; i++) {
        if (!canon_get_text(reader, &admit->address[i]) ||
            admit->address[i].size > SYNC_ADDRESS_MAX) {
            return false;
        }
    }
    return true;
}

static bool take_request(struct canon_reader *reader, uint64_t key, void *into) {
    struct reading *reading = into;
    struct record_admit *admit = reading->admit;
    switch (key) {
    case KEY_WHAT:
        return canon_get_text(reader, &reading->what);
    case KEY_VERSION:
        return canon_get_uint(reader, &reading->version);
    case KEY_SIGN:
        return canon_get_exact(reader, admit->key.bytes, sizeof(admit->key.bytes));
    case KEY_CURVE:
        return canon_get_exact(reader, admit->curve.bytes, sizeof(admit->curve.bytes));
    case KEY_NAME:
        return canon_get_text(reader, &admit->name) && admit->name.size <= RECORD_TEXT_MAX;
    case KEY_ADDRESSES:
        return take_addresses(reader, admit);
    case KEY_SIGNATURE:
        return canon_get_exact(reader, reading->signature, sizeof(reading->signature));
    default:
        return canon_skip(reader, NULL);
    }
}

/* Tells a person who mixed up files which one this is. */
static enum error_code mixed_up(struct slice what, const char *wanted, struct error *err) {
    if (slice_equal(what, slice_text(request_what))) {
        error_set(err, ERR_USAGE, "a request, where %s is wanted", wanted);
        return error_say(err, "This file is a request. Take it to the lead's station: bibweave "
                              "admit FILE --out GRANT.");
    }
    if (slice_equal(what, slice_text(grant_what))) {
        error_set(err, ERR_USAGE, "a grant, where %s is wanted", wanted);
        return error_say(err, "This file is a grant. Take it to the station that asked: bibweave "
                              "join --grant FILE.");
    }
    return error_set(err, ERR_FORM, "not %s", wanted);
}

/* What key 1 of the first item says, if it says anything. */
static bool take_what(struct canon_reader *reader, uint64_t key, void *into) {
    struct reading *reading = into;
    return key == KEY_WHAT ? canon_get_text(reader, &reading->what) : canon_skip(reader, NULL);
}

static enum error_code check_what(struct slice bytes, const char *wanted, const char *words,
                                  struct error *err) {
    struct reading reading = {0};
    struct canon_reader reader = canon_read(bytes);
    if (!fields_read(&reader, FIELDS_BIT(KEY_WHAT), take_what, &reading)) {
        return error_set(err, ERR_FORM, "not %s, or damaged", words);
    }
    return slice_equal(reading.what, slice_text(wanted)) ? ERR_OK
                                                         : mixed_up(reading.what, words, err);
}

enum error_code grant_request_get(struct slice bytes, struct record_admit *admit,
                                  struct error *err) {
    const uint64_t required = FIELDS_BIT(KEY_WHAT) | FIELDS_BIT(KEY_VERSION) |
                              FIELDS_BIT(KEY_SIGN) | FIELDS_BIT(KEY_CURVE) | FIELDS_BIT(KEY_NAME) |
                              FIELDS_BIT(KEY_ADDRESSES) | FIELDS_BIT(KEY_SIGNATURE);
    struct reading reading = {.admit = admit};
    struct buffer signed_;
    memset(admit, 0, sizeof(*admit));
    enum error_code code = check_what(bytes, request_what, "a request to be let in", err);
    if (code != ERR_OK) {
        return code;
    }
    if (!fields_read_all(bytes, required, take_request, &reading)) {
        return error_set(err, ERR_FORM, "a request that is damaged");
    }
    if (reading.version > FORMAT_VERSION) {
        return error_set(err, ERR_TOO_NEW, "request of version %llu",
                         (unsigned long long)reading.version);
    }
    buffer_init(&signed_);
    put_request_map(admit, 6, &signed_);
    if (signed_.failed) {
        code = error_set(err, ERR_MEMORY, "request");
    } else if (!identity_verify(&admit->key, buffer_slice(&signed_), reading.signature)) {
        error_set(err, ERR_SIGNATURE, "the request's own signature");
        code = error_say(err, "The request was damaged on the way. Copy it again from the "
                              "station.");
    } else if (!identity_admissible(&admit->key, &admit->curve)) {
        error_set(err, ERR_NOT_ALLOWED, "a key in the request that no station can have");
        code = error_say(err, "This request is not from an honest station: its keys are none. Do "
                              "not let it in.");
    }
    buffer_release(&signed_);
    return code;
}

/* ---- grant ---- */

void grant_head_put(const struct ledger_event *event, const struct sign_public *station,
                    struct buffer *out) {
    canon_put_map(out, 5);
    canon_put_uint(out, KEY_WHAT);
    canon_put_text(out, slice_text(grant_what));
    canon_put_uint(out, KEY_VERSION);
    canon_put_uint(out, FORMAT_VERSION);
    canon_put_uint(out, KEY_EVENT);
    canon_put_bytes(out, slice_of(event->event.bytes, sizeof(event->event.bytes)));
    canon_put_uint(out, KEY_ROOT);
    canon_put_bytes(out, slice_of(event->root.bytes, sizeof(event->root.bytes)));
    canon_put_uint(out, KEY_STATION);
    canon_put_bytes(out, slice_of(station->bytes, sizeof(station->bytes)));
}

static bool take_grant(struct canon_reader *reader, uint64_t key, void *into) {
    struct reading *reading = into;
    switch (key) {
    case KEY_WHAT:
        return canon_get_text(reader, &reading->what);
    case KEY_VERSION:
        return canon_get_uint(reader, &reading->version);
    case KEY_EVENT:
        return canon_get_exact(reader, reading->event->event.bytes,
                               sizeof(reading->event->event.bytes));
    case KEY_ROOT:
        return canon_get_exact(reader, reading->event->root.bytes,
                               sizeof(reading->event->root.bytes));
    case KEY_STATION:
        return canon_get_exact(reader, reading->station->bytes, sizeof(reading->station->bytes));
    default:
        return canon_skip(reader, NULL);
    }
}

enum error_code grant_head_get(struct slice bytes, struct ledger_event *event,
                               struct sign_public *station, struct slice *records,
                               struct error *err) {
    const uint64_t required = FIELDS_BIT(KEY_WHAT) | FIELDS_BIT(KEY_VERSION) |
                              FIELDS_BIT(KEY_EVENT) | FIELDS_BIT(KEY_ROOT) |
                              FIELDS_BIT(KEY_STATION);
    struct reading reading = {.event = event, .station = station};
    struct canon_reader reader = canon_read(bytes);
    enum error_code code = check_what(bytes, grant_what, "a grant", err);
    if (code != ERR_OK) {
        return code;
    }
    if (!fields_read(&reader, required, take_grant, &reading)) {
        return error_set(err, ERR_FORM, "a grant that is damaged");
    }
    if (reading.version > FORMAT_VERSION) {
        return error_set(err, ERR_TOO_NEW, "grant of version %llu",
                         (unsigned long long)reading.version);
    }
    *records = slice_of(reader.at, (size_t)(reader.end - reader.at));
    return ERR_OK;
}
