/*
 * target_record.c: any bytes as a record. What is taken has one byte form, cuts out of a sequence
 * at its own size, and its parts read, written and read again say the same.
 */
#include "tests/fuzz/event.h"

#include "common/canon.h"
#include "common/cose.h"

#include <string.h>

/* ---- bodies: what reads must write to a form that reads to the same form ---- */

/* The written form must be deterministic, read again, and be written to the same bytes; and where
 * the body had no key that is unknown or says nothing, those are the bytes that came. */
#define CHECK_BODY(name)                                                                           \
    static void check_##name(struct slice body) {                                                  \
        struct record_##name first, second;                                                        \
        struct buffer once, again;                                                                 \
        if (!record_##name##_read(body, &first)) {                                                 \
            return;                                                                                \
        }                                                                                          \
        buffer_init(&once);                                                                        \
        buffer_init(&again);                                                                       \
        record_##name##_write(&first, &once);                                                      \
        FUZZ_CHECK(canon_check(buffer_slice(&once)), "a written " #name);                          \
        FUZZ_CHECK(record_##name##_read(buffer_slice(&once), &second), "a written " #name);        \
        record_##name##_write(&second, &again);                                                    \
        FUZZ_CHECK(slice_equal(buffer_slice(&once), buffer_slice(&again)), "twice " #name);        \
        FUZZ_CHECK(once.size < body.size || slice_equal(buffer_slice(&once), body),                \
                   "%zu bytes of " #name " became %zu others", body.size, once.size);              \
        buffer_release(&once);                                                                     \
        buffer_release(&again);                                                                    \
    }
CHECK_BODY(open)
CHECK_BODY(found)
CHECK_BODY(admit)
CHECK_BODY(retire)
CHECK_BODY(allot)
CHECK_BODY(issue)
CHECK_BODY(void)
CHECK_BODY(close)
CHECK_BODY(ticket)
CHECK_BODY(cancel)

static void check_bodies(struct slice body) {
    struct record_found found;
    struct bib bib = {"17"};
    check_open(body);
    check_found(body);
    check_admit(body);
    check_retire(body);
    check_allot(body);
    check_issue(body);
    check_void(body);
    check_close(body);
    check_ticket(body);
    check_cancel(body);
    if (record_found_read(body, &found)) {
        const struct record_category *category = record_found_category(&found, &bib);
        FUZZ_CHECK(category >= found.category && category < found.category + found.category_count,
                   "a category of none");
    }
}

/* ---- the whole record ---- */

/* Signing the same fields again gives the same payload, unless it had keys that are not known. */
static void check_encoding(const struct record *record) {
    const struct fuzz_event *event = fuzz_event();
    struct record_seen seen[RECORD_SEEN_MAX];
    struct record again;
    struct buffer raw;
    struct error err;
    struct canon_reader reader = canon_read(record->payload);
    size_t pairs = 0;
    size_t count = record_seen_read(record, seen);
    FUZZ_CHECK((count == 0) == (record->seen.size == 0), "%zu entries of `seen`", count);
    FUZZ_CHECK(canon_get_map(&reader, &pairs), "a payload that is no map");
    bool known = pairs == 5U + record->has_previous + (count > 0) + (record->helper.size > 0);
    buffer_init(&raw);
    enum error_code code = record_encode(record, seen, count, &event->world.event.event,
                                         &event->stranger.sign_secret, &raw, &err);
    fuzz_must(code, &err);
    fuzz_must(record_decode(buffer_slice(&raw), &again, &err), &err);
    FUZZ_CHECK(!known || slice_equal(again.payload, record->payload), "another payload");
    FUZZ_CHECK(record_verify(&again, &event->world.event.event, &event->stranger.sign_public),
               "its own signature");
    if (slice_equal(again.payload, record->payload)) {
        memcpy(raw.data + raw.size - 64, record->signature, 64);
        struct record_id id = identity_record(record->raw);
        struct record_id id_again = identity_record(buffer_slice(&raw));
        FUZZ_CHECK(ID_EQUAL(id, id_again), "another id");
    }
    buffer_release(&raw);
}

static void check_record(struct slice raw, const struct record *record) {
    const struct fuzz_event *event = fuzz_event();
    bool whole = false;
    char kind[40];
    FUZZ_CHECK(canon_check(raw) && canon_check(record->payload) && canon_check(record->body),
               "a second byte form");
    FUZZ_CHECK(fuzz_cbor_is_canonical(raw) && fuzz_cbor_is_canonical(record->payload),
               "a second byte form, by other eyes");
    FUZZ_CHECK(record_size_at(raw, &whole) == raw.size && whole, "another size in a sequence");
    record_kind_text(record->kind, kind, sizeof kind);
    FUZZ_CHECK(!record_verify(record, &event->world.event.event, &event->stranger.sign_public),
               "signed by somebody who never signs");
    check_encoding(record);
    check_bodies(record->body);
}

/* Cutting a sequence never claims more than is there, nor changes its mind about what it said. */
static void check_cut(struct slice bytes) {
    bool whole = false;
    size_t size = record_size_at(bytes, &whole);
    FUZZ_CHECK(size <= bytes.size && (size == 0 || whole), "%zu of %zu bytes", size, bytes.size);
    for (size_t cut = 0; cut < bytes.size && cut < 24; cut++) {
        bool refused = false;
        size_t early = record_size_at(slice_of(bytes.data, cut), &refused);
        FUZZ_CHECK(early == 0, "%zu bytes of %zu", early, cut);
        FUZZ_CHECK(!refused || (size == 0 && whole), "refused at %zu and taken later", cut);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct slice raw = slice_of(data, size);
    struct record record;
    struct cose_sign1 cose;
    struct error err;
    check_cut(raw);
    bool envelope = cose_parse(raw, &cose, &err) == ERR_OK;
    FUZZ_CHECK(!envelope || canon_check(raw), "an envelope in a second byte form");
    enum error_code code = record_decode(raw, &record, &err);
    FUZZ_CHECK(code == ERR_OK || code == ERR_FORM || code == ERR_LIMIT, "%s", error_name(code));
    if (code == ERR_OK) {
        FUZZ_CHECK(envelope, "a record without an envelope");
        check_record(raw, &record);
    } else {
        check_bodies(raw);
    }
    canon_check(raw);
    return 0;
}

/* Half of the changes are made inside the payload, behind which a signature is put again. */
size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t size_max, unsigned seed) {
    struct fuzz_chance chance = fuzz_chance_of(seed);
    struct buffer changed, out;
    struct cose_sign1 cose;
    struct error err;
    if (fuzz_below(&chance, 4) == 0) {
        return LLVMFuzzerMutate(data, size, size_max);
    }
    buffer_init(&changed);
    buffer_init(&out);
    if (fuzz_below(&chance, 4) > 0 && cose_parse(slice_of(data, size), &cose, &err) == ERR_OK) {
        buffer_append_slice(&changed, cose.payload);
        fuzz_mutate_cbor(&changed, &chance);
        fuzz_sign(buffer_slice(&changed), &fuzz_event()->world.root, &out);
    } else {
        buffer_append(&out, data, size);
        fuzz_mutate_cbor(&out, &chance);
    }
    size_t made = fuzz_hand_back(&out, data, size_max);
    buffer_release(&changed);
    buffer_release(&out);
    return made;
}
