/*
 * admission.c: see admission.h.
 * Must never take an ask that its own key did not sign for the very connection on which it came.
 */
#include "common/admission.h"

#include <sodium.h>
#include <string.h>

#include "common/canon.h"
#include "common/fields.h"

enum { KIND_ASK = 7, KIND_ANSWER = 8, FORMAT_VERSION = 1, ASK_FIELDS = 8, ANSWER_FIELDS = 4 };
enum { KEY_EVENT = 1, KEY_ROOT, KEY_LAST, KEY_NAME, KEY_WHEN, KEY_WALL };

/* Both kinds are below 24, so array head and kind are one byte each. */
bool admission_is_ask(struct slice bytes) {
    return bytes.size > 2 && bytes.data[0] >> 5 == 4 && bytes.data[1] == KIND_ASK;
}

bool admission_is_answer(struct slice bytes) {
    return bytes.size > 2 && bytes.data[0] >> 5 == 4 && bytes.data[1] == KIND_ANSWER;
}

/* ---- ask ---- */

/* What the ask says, the signature left out. */
static void put_said(const struct admission_ask *ask, struct buffer *out) {
    canon_put_bytes(out, slice_of(ask->secret, sizeof(ask->secret)));
    canon_put_bytes(out, slice_of(ask->key.bytes, sizeof(ask->key.bytes)));
    canon_put_text(out, ask->name);
    canon_put_array(out, ask->address_count);
    for (size_t i = 0; i < ask->address_count; i++) {
        canon_put_text(out, ask->address[i]);
    }
    canon_put_uint(out, (uint64_t)ask->wall.ms);
}

/* What is signed: the words, both ends of the connection, and what is said. */
static void put_signed(const struct admission_ask *ask, const struct curve_public *lead,
                       const struct curve_public *asker, struct buffer *out) {
    canon_put_array(out, 8);
    canon_put_text(out, slice_text("bibweave ask"));
    canon_put_bytes(out, slice_of(lead->bytes, sizeof(lead->bytes)));
    canon_put_bytes(out, slice_of(asker->bytes, sizeof(asker->bytes)));
    put_said(ask, out);
}

static void wipe(struct buffer *buffer) {
    if (buffer->data != NULL) {
        sodium_memzero(buffer->data, buffer->capacity);
    }
    buffer_release(buffer);
}

void admission_ask_put(const struct admission_ask *ask, const struct curve_public *lead,
                       const struct station_keys *asker, struct buffer *out) {
    struct buffer signed_;
    uint8_t signature[64];
    buffer_init(&signed_);
    /* Room at once, so that growing leaves no copy of the secret behind. */
    if (buffer_reserve(&signed_, ADMISSION_SIZE_MAX)) {
        put_signed(ask, lead, &asker->curve_public, &signed_);
    }
    if (signed_.failed) {
        out->failed = true;
    } else {
        identity_sign(&asker->sign_secret, buffer_slice(&signed_), signature);
        canon_put_array(out, ASK_FIELDS);
        canon_put_uint(out, KIND_ASK);
        canon_put_uint(out, FORMAT_VERSION);
        put_said(ask, out);
        canon_put_bytes(out, slice_of(signature, sizeof(signature)));
    }
    wipe(&signed_);
}

static bool read_addresses(struct canon_reader *reader, struct admission_ask *ask) {
    if (!canon_get_array(reader, &ask->address_count) ||
        ask->address_count > RECORD_ADDRESSES_MAX) {
        return false;
    }
    for (size_t i = 0; i < ask->address_count; i++) {
        if (!canon_get_text(reader, &ask->address[i]) || ask->address[i].size > RECORD_TEXT_MAX) {
            return false;
        }
    }
    return true;
}

static bool read_ask(struct slice bytes, struct admission_ask *ask, uint8_t signature[64]) {
    struct canon_reader reader = canon_read(bytes);
    size_t fields = 0;
    uint64_t kind = 0;
    uint64_t version = 0;
    uint64_t wall = 0;
    bool good = canon_get_array(&reader, &fields) && fields == ASK_FIELDS &&
                canon_get_uint(&reader, &kind) && kind == KIND_ASK &&
                canon_get_uint(&reader, &version) && version == FORMAT_VERSION &&
                canon_get_exact(&reader, ask->secret, sizeof(ask->secret)) &&
                canon_get_exact(&reader, ask->key.bytes, sizeof(ask->key.bytes)) &&
                canon_get_text(&reader, &ask->name) && ask->name.size <= RECORD_TEXT_MAX &&
                read_addresses(&reader, ask) && canon_get_uint(&reader, &wall) &&
                wall <= INT64_MAX && canon_get_exact(&reader, signature, 64) && canon_done(&reader);
    ask->wall.ms = (int64_t)wall;
    return good;
}

enum error_code admission_ask_get(struct slice bytes, const struct curve_public *lead,
                                  const struct curve_public *asker, struct admission_ask *ask,
                                  struct error *err) {
    struct buffer signed_;
    uint8_t signature[64];
    memset(ask, 0, sizeof(*ask));
    if (bytes.size > ADMISSION_SIZE_MAX || !read_ask(bytes, ask, signature)) {
        return error_set(err, ERR_FORM, "not an ask to be let in");
    }
    enum error_code code = ERR_OK;
    buffer_init(&signed_);
    put_signed(ask, lead, asker, &signed_);
    if (signed_.failed) {
        code = error_set(err, ERR_MEMORY, "an ask to be let in");
    } else if (!identity_verify(&ask->key, buffer_slice(&signed_), signature)) {
        code = error_set(err, ERR_SIGNATURE, "an ask to be let in");
    } else if (!identity_admissible(&ask->key, asker)) {
        code = error_set(err, ERR_NOT_ALLOWED, "keys that no station can have");
    }
    wipe(&signed_);
    return code;
}

/* ---- answer ---- */

void admission_answer_put(const struct admission_answer *answer, struct buffer *out) {
    bool granted = answer->verdict == ADMISSION_GRANTED;
    bool when = answer->when.ms > 0;
    bool wall = answer->wall.ms > 0;
    canon_put_array(out, ANSWER_FIELDS);
    canon_put_uint(out, KIND_ANSWER);
    canon_put_uint(out, FORMAT_VERSION);
    canon_put_uint(out, (uint64_t)answer->verdict);
    canon_put_map(out, (granted ? 3U : 0U) + (answer->name.size > 0 ? 1U : 0U) + (when ? 1U : 0U) +
                           (wall ? 1U : 0U));
    if (granted) {
        canon_put_uint(out, KEY_EVENT);
        canon_put_bytes(out, slice_of(answer->event.event.bytes, 32));
        canon_put_uint(out, KEY_ROOT);
        canon_put_bytes(out, slice_of(answer->event.root.bytes, 32));
        canon_put_uint(out, KEY_LAST);
        canon_put_bytes(out, slice_of(answer->last.bytes, 32));
    }
    if (answer->name.size > 0) {
        canon_put_uint(out, KEY_NAME);
        canon_put_text(out, answer->name);
    }
    if (when) {
        canon_put_uint(out, KEY_WHEN);
        canon_put_uint(out, (uint64_t)answer->when.ms);
    }
    if (wall) {
        canon_put_uint(out, KEY_WALL);
        canon_put_uint(out, (uint64_t)answer->wall.ms);
    }
}

static bool get_wall(struct canon_reader *reader, struct wall_ms *wall) {
    uint64_t value = 0;
    if (!canon_get_uint(reader, &value) || value > INT64_MAX) {
        return false;
    }
    wall->ms = (int64_t)value;
    return true;
}

static bool take_answer(struct canon_reader *reader, uint64_t key, void *into) {
    struct admission_answer *answer = into;
    switch (key) {
    case KEY_EVENT:
        return canon_get_exact(reader, answer->event.event.bytes, 32);
    case KEY_ROOT:
        return canon_get_exact(reader, answer->event.root.bytes, 32);
    case KEY_LAST:
        return canon_get_exact(reader, answer->last.bytes, 32);
    case KEY_NAME:
        return canon_get_text(reader, &answer->name) && answer->name.size <= RECORD_TEXT_MAX;
    case KEY_WHEN:
        return get_wall(reader, &answer->when);
    case KEY_WALL:
        return get_wall(reader, &answer->wall);
    default:
        return canon_skip(reader, NULL);
    }
}

enum error_code admission_answer_get(struct slice bytes, struct admission_answer *answer,
                                     struct error *err) {
    struct canon_reader reader = canon_read(bytes);
    size_t fields = 0;
    uint64_t kind = 0;
    uint64_t version = 0;
    uint64_t verdict = 0;
    memset(answer, 0, sizeof(*answer));
    if (!canon_get_array(&reader, &fields) || fields != ANSWER_FIELDS ||
        !canon_get_uint(&reader, &kind) || kind != KIND_ANSWER ||
        !canon_get_uint(&reader, &version)) {
        return error_set(err, ERR_FORM, "not an answer to an ask");
    }
    if (version != FORMAT_VERSION) {
        return error_set(err, ERR_TOO_NEW, "answer of version %llu", (unsigned long long)version);
    }
    if (!canon_get_uint(&reader, &verdict)) {
        return error_set(err, ERR_FORM, "an answer without a verdict");
    }
    const uint64_t required =
        verdict == ADMISSION_GRANTED
            ? FIELDS_BIT(KEY_EVENT) | FIELDS_BIT(KEY_ROOT) | FIELDS_BIT(KEY_LAST)
            : 0;
    answer->verdict =
        verdict <= ADMISSION_TROUBLE ? (enum admission_verdict)verdict : ADMISSION_TROUBLE;
    if (!fields_read(&reader, required, take_answer, answer) || !canon_done(&reader)) {
        return error_set(err, ERR_FORM, "an answer that is damaged");
    }
    return ERR_OK;
}
