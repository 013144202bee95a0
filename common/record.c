/*
 * record.c: the envelope and payload of a record, decoded, checked, encoded and signed.
 * Must never allocate while decoding, nor judge more than form: roles and chains are elsewhere.
 */
#include "common/record.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "common/canon.h"
#include "common/cose.h"
#include "common/fields.h"

enum {
    KEY_LOG = 1,
    KEY_NUMBER = 2,
    KEY_PREVIOUS = 3,
    KEY_SEEN = 4,
    KEY_WALL = 5,
    KEY_KIND = 6,
    KEY_BODY = 7,
    KEY_HELPER = 8,
};

/* {1: -8}: alg EdDSA, and nothing else. */
static const uint8_t protected_header[] = {0xA1, 0x01, 0x27};
/* All records begin with these bytes: tag 18, array of 4, protected header, empty map. */
static const uint8_t envelope_start[] = {0xD2, 0x84, 0x43, 0xA1, 0x01, 0x27, 0xA0};
/* And end with the signature behind this head of a byte string. */
static const uint8_t signature_head[] = {0x58, 0x40};
enum { SIGNATURE_SIZE = 64, PAYLOAD_HEAD_MAX = 3 };

static struct slice own_protected(void) {
    return slice_of(protected_header, sizeof(protected_header));
}

enum error_code cose_sign1_parse(struct slice raw, struct slice *unprotected, struct slice *payload,
                                 const uint8_t **signature, struct error *err) {
    struct cose_sign1 cose;
    enum error_code code = cose_parse(raw, &cose, err);
    if (code != ERR_OK) {
        return code;
    }
    if (!slice_equal(cose.protected_, own_protected())) {
        return error_set(err, ERR_FORM, "protected header is not A10127");
    }
    *unprotected = cose.unprotected;
    *payload = cose.payload;
    *signature = cose.signature;
    return ERR_OK;
}

bool cose_sign1_verify(struct slice external_aad, struct slice payload, const uint8_t signature[64],
                       const struct sign_public *key) {
    return cose_verify(own_protected(), external_aad, payload, signature, key);
}

/* ---- decoding ---- */

static bool get_seen_entry(struct canon_reader *reader, struct record_seen *entry) {
    size_t count = 0;
    return canon_get_array(reader, &count) && count == 2 &&
           canon_get_uint(reader, &entry->number) && entry->number >= 1 &&
           entry->number <= RECORD_NUMBER_MAX &&
           canon_get_exact(reader, entry->id, sizeof(entry->id));
}

static bool get_seen(struct canon_reader *reader, struct slice *seen) {
    const uint8_t *start = reader->at;
    size_t count = 0;
    if (!canon_get_array(reader, &count) || count < 1 || count > RECORD_SEEN_MAX) {
        return false;
    }
    for (size_t i = 0; i < count; i++) {
        struct record_seen entry;
        if (!get_seen_entry(reader, &entry)) {
            return false;
        }
    }
    *seen = slice_of(start, (size_t)(reader->at - start));
    return true;
}

static bool get_wall(struct canon_reader *reader, struct wall_ms *wall) {
    return canon_peek(reader) == CANON_UINT && canon_get_int(reader, &wall->ms);
}

static bool get_helper(struct canon_reader *reader, struct slice *helper) {
    return canon_get_text(reader, helper) && helper->size >= 1 && helper->size <= RECORD_HELPER_MAX;
}

/* The record being filled, and the key at which reading stopped. */
struct decoding {
    struct record record;
    uint64_t key;
};

static bool take_field(struct canon_reader *reader, uint64_t key, void *into) {
    struct decoding *decoding = into;
    struct record *record = &decoding->record;
    decoding->key = key;
    switch (key) {
    case KEY_LOG:
        return canon_get_exact(reader, record->log.bytes, sizeof(record->log.bytes));
    case KEY_NUMBER:
        return canon_get_uint(reader, &record->number) && record->number >= 1 &&
               record->number <= RECORD_NUMBER_MAX;
    case KEY_PREVIOUS:
        record->has_previous = true;
        return canon_get_exact(reader, record->previous.bytes, sizeof(record->previous.bytes));
    case KEY_SEEN:
        return get_seen(reader, &record->seen);
    case KEY_WALL:
        return get_wall(reader, &record->wall);
    case KEY_KIND:
        return canon_get_uint(reader, &record->kind);
    case KEY_BODY:
        return canon_peek(reader) == CANON_MAP && canon_skip_within(reader, 1, &record->body);
    case KEY_HELPER:
        return get_helper(reader, &record->helper);
    default:
        return canon_skip_within(reader, 1, NULL);
    }
}

/* One walk checks all that canon_check would: keys in fields_read_all, each value in its getter or
 * as it is stepped over. */
static enum error_code decode_payload(struct slice payload, struct decoding *decoding,
                                      struct error *err) {
    const uint64_t required = FIELDS_BIT(KEY_LOG) | FIELDS_BIT(KEY_NUMBER) | FIELDS_BIT(KEY_WALL) |
                              FIELDS_BIT(KEY_KIND) | FIELDS_BIT(KEY_BODY);
    if (!fields_read_all(payload, required, take_field, decoding)) {
        return error_set(err, ERR_FORM,
                         "payload: a key is missing or out of order, or the value of key %" PRIu64
                         " is not of its shape",
                         decoding->key);
    }
    if (decoding->record.has_previous != (decoding->record.number != 1)) {
        return error_set(err, ERR_FORM, "payload: number %" PRIu64 " %s a previous record",
                         decoding->record.number,
                         decoding->record.has_previous ? "must not name" : "must name");
    }
    return ERR_OK;
}

enum error_code record_decode(struct slice raw, struct record *record, struct error *err) {
    struct decoding decoding = {0};
    struct slice unprotected = {NULL, 0};
    if (raw.size > RECORD_SIZE_MAX) {
        return error_set(err, ERR_LIMIT, "a record of %zu bytes, over %d", raw.size,
                         RECORD_SIZE_MAX);
    }
    enum error_code code = cose_sign1_parse(raw, &unprotected, &decoding.record.payload,
                                            &decoding.record.signature, err);
    if (code != ERR_OK) {
        return code;
    }
    if (unprotected.size != 1) {
        return error_set(err, ERR_FORM, "unprotected header is not empty");
    }
    code = decode_payload(decoding.record.payload, &decoding, err);
    if (code != ERR_OK) {
        return code;
    }
    decoding.record.raw = raw;
    *record = decoding.record;
    return ERR_OK;
}

/* Reads the head of the payload's byte string by hand, because its bytes may not have come yet and
 * the streaming decoder hands out whole strings only. Longer heads than three bytes would be over
 * RECORD_SIZE_MAX. Returns the head's size; 0 if it is none, or not whole. */
static size_t payload_head(struct slice bytes, size_t *length, bool *whole) {
    uint8_t first = bytes.size > 0 ? bytes.data[0] : 0x58;
    size_t size = first == 0x58 ? 2 : first == 0x59 ? 3 : 1;
    bool is_head = (first >= 0x40 && first <= 0x57) || size > 1;
    *whole = !is_head;
    if (!is_head || bytes.size < size) {
        return 0;
    }
    *length = size == 1 ? first - 0x40U : bytes.data[1];
    if (size == 3) {
        *length = *length << 8 | bytes.data[2];
    }
    bool shortest = size == 1 || *length > (size == 2 ? 23U : 255U);
    *whole = !shortest;
    return shortest ? size : 0;
}

size_t record_size_at(struct slice bytes, bool *whole) {
    const size_t start = sizeof(envelope_start);
    size_t common = bytes.size < start ? bytes.size : start;
    *whole = common > 0 && memcmp(bytes.data, envelope_start, common) != 0;
    if (*whole || bytes.size < start) {
        return 0;
    }
    size_t length = 0;
    size_t head = payload_head(slice_of(bytes.data + start, bytes.size - start), &length, whole);
    if (head == 0) {
        return 0;
    }
    size_t before_signature = start + head + length;
    size_t size = before_signature + sizeof(signature_head) + SIGNATURE_SIZE;
    size_t left = bytes.size > before_signature ? bytes.size - before_signature : 0;
    size_t known = left < sizeof(signature_head) ? left : sizeof(signature_head);
    *whole = size > RECORD_SIZE_MAX ||
             (known > 0 && memcmp(bytes.data + before_signature, signature_head, known) != 0);
    if (*whole || bytes.size < size) {
        return 0;
    }
    *whole = true;
    return size;
}

bool record_verify(const struct record *record, const struct event_id *event,
                   const struct sign_public *key) {
    return cose_sign1_verify(slice_of(event->bytes, sizeof(event->bytes)), record->payload,
                             record->signature, key);
}

size_t record_seen_read(const struct record *record, struct record_seen *entries) {
    struct canon_reader reader = canon_read(record->seen);
    size_t count = 0;
    if (record->seen.size == 0 || !canon_get_array(&reader, &count) || count > RECORD_SEEN_MAX) {
        return 0;
    }
    for (size_t i = 0; i < count; i++) {
        if (!get_seen_entry(&reader, &entries[i])) {
            return 0;
        }
    }
    return count;
}

/* ---- encoding ---- */

static void put_seen(const struct record_seen *seen, size_t count, struct buffer *out) {
    canon_put_uint(out, KEY_SEEN);
    canon_put_array(out, count);
    for (size_t i = 0; i < count; i++) {
        canon_put_array(out, 2);
        canon_put_uint(out, seen[i].number);
        canon_put_bytes(out, slice_of(seen[i].id, sizeof(seen[i].id)));
    }
}

/* A clock set before 1970 is written as 0: the time is for people only. */
static void put_payload(const struct record *record, const struct record_seen *seen,
                        size_t seen_count, struct buffer *out) {
    canon_put_map(out, 5U + (record->has_previous ? 1U : 0U) + (seen_count > 0 ? 1U : 0U) +
                           (record->helper.size > 0 ? 1U : 0U));
    canon_put_uint(out, KEY_LOG);
    canon_put_bytes(out, slice_of(record->log.bytes, sizeof(record->log.bytes)));
    canon_put_uint(out, KEY_NUMBER);
    canon_put_uint(out, record->number);
    if (record->has_previous) {
        canon_put_uint(out, KEY_PREVIOUS);
        canon_put_bytes(out, slice_of(record->previous.bytes, sizeof(record->previous.bytes)));
    }
    if (seen_count > 0) {
        put_seen(seen, seen_count, out);
    }
    canon_put_uint(out, KEY_WALL);
    canon_put_uint(out, record->wall.ms < 0 ? 0 : (uint64_t)record->wall.ms);
    canon_put_uint(out, KEY_KIND);
    canon_put_uint(out, record->kind);
    canon_put_uint(out, KEY_BODY);
    buffer_append_slice(out, record->body);
    if (record->helper.size > 0) {
        canon_put_uint(out, KEY_HELPER);
        canon_put_text(out, record->helper);
    }
}

static void put_envelope(struct slice payload, const uint8_t signature[SIGNATURE_SIZE],
                         struct buffer *out) {
    buffer_append(out, envelope_start, sizeof(envelope_start));
    canon_put_bytes(out, payload);
    canon_put_bytes(out, slice_of(signature, SIGNATURE_SIZE));
}

enum error_code record_encode(const struct record *record, const struct record_seen *seen,
                              size_t seen_count, const struct event_id *event,
                              const struct sign_secret *secret, struct buffer *out,
                              struct error *err) {
    struct buffer payload;
    uint8_t signature[SIGNATURE_SIZE];
    size_t before = out->size;
    struct record made;
    enum error_code code = ERR_OK;
    buffer_init(&payload);
    put_payload(record, seen, seen_count, &payload);
    if (payload.failed ||
        !buffer_reserve(out, sizeof(envelope_start) + PAYLOAD_HEAD_MAX + payload.size +
                                 sizeof(signature_head) + SIGNATURE_SIZE + 16)) {
        code = error_set(err, ERR_MEMORY, "encoding a record");
        goto done;
    }
    code = cose_sign(own_protected(), slice_of(event->bytes, sizeof(event->bytes)),
                     buffer_slice(&payload), secret, signature, err);
    if (code != ERR_OK) {
        goto done;
    }
    put_envelope(buffer_slice(&payload), signature, out);
    /* What others would refuse must never get into a log, where it would stand for good. */
    code = record_decode(slice_of(out->data + before, out->size - before), &made, err);
    if (code != ERR_OK) {
        error_while(err, "encoding a record");
        out->size = before;
    }
done:
    buffer_release(&payload);
    return code;
}

void record_kind_text(uint64_t kind, char *out, size_t size) {
    static const char *const names[] = {
        [RECORD_OPEN] = "open",     [RECORD_FOUND] = "found", [RECORD_ADMIT] = "admit",
        [RECORD_RETIRE] = "retire", [RECORD_ALLOT] = "allot", [RECORD_ISSUE] = "issue",
        [RECORD_VOID] = "void",     [RECORD_CLOSE] = "close", [RECORD_TICKET] = "ticket",
        [RECORD_CANCEL] = "cancel", [RECORD_HOLD] = "hold",   [RECORD_LOOK] = "look",
        [RECORD_ROLL] = "roll",     [RECORD_NOTE] = "note",   [RECORD_HANDOVER] = "handover",
    };
    if (kind < sizeof(names) / sizeof(names[0]) && names[kind] != NULL) {
        snprintf(out, size, "%s", names[kind]);
    } else {
        snprintf(out, size, "kind %" PRIu64, kind);
    }
}
