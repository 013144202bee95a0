/* test_record.c: the envelope and payload of a record. Bodies stand in test_record_bodies.c. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <sodium.h>
#include <stdio.h>
#include <string.h>

#include "common/canon.h"
#include "common/cose.h"
#include "common/record.h"
#include "tests/from_hex.h"

static struct station_keys keys;
static const struct event_id event = {{1, 2, 3}};

static int set_up(void **state) {
    (void)state;
    uint8_t seed[32] = {5};
    if (sodium_init() < 0) {
        return -1;
    }
    identity_keys(seed, seed, &keys);
    return 0;
}

/* An issue with everything in it, as a table writes it. */
static void make_issue(struct buffer *out) {
    struct buffer body;
    struct error err;
    struct record_issue issue = {
        .bib = {"1414"}, .tag_count = 1, .how = ISSUE_SCAN, .replaces_count = 1, .half = true};
    struct record_seen seen[2] = {{7, {1}}, {RECORD_NUMBER_MAX, {2}}};
    issue.tag[0].epc = (struct epc){12, {0x35}};
    issue.tag[0].tid = (struct tid){12, {0xE2}};
    buffer_init(&body);
    record_issue_write(&issue, &body);
    struct record record = {.log = {{9}},
                            .number = 2,
                            .has_previous = true,
                            .previous = {{8}},
                            .wall = {1789000000000},
                            .kind = RECORD_ISSUE,
                            .body = buffer_slice(&body),
                            .helper = slice_text("AB")};
    assert_int_equal(record_encode(&record, seen, 2, &event, &keys.sign_secret, out, &err), ERR_OK);
    buffer_release(&body);
}

static void what_was_encoded_is_decoded(void **state) {
    (void)state;
    struct buffer out;
    struct record record;
    struct record_issue issue;
    struct record_seen seen[RECORD_SEEN_MAX];
    struct error err;
    buffer_init(&out);
    make_issue(&out);
    assert_int_equal(record_decode(buffer_slice(&out), &record, &err), ERR_OK);
    assert_int_equal(record.log.bytes[0], 9);
    assert_int_equal(record.number, 2);
    assert_true(record.has_previous);
    assert_int_equal(record.previous.bytes[0], 8);
    assert_int_equal(record.wall.ms, 1789000000000);
    assert_int_equal(record.kind, RECORD_ISSUE);
    assert_true(slice_equal(record.helper, slice_text("AB")));
    assert_true(slice_equal(record.raw, buffer_slice(&out)));
    assert_true(canon_check(record.payload));
    assert_true(canon_check(record.body));
    assert_int_equal(record_seen_read(&record, seen), 2);
    assert_int_equal(seen[0].number, 7);
    assert_true(seen[1].number == RECORD_NUMBER_MAX);
    assert_int_equal(seen[1].id[0], 2);
    assert_true(record_issue_read(record.body, &issue));
    assert_string_equal(issue.bib.text, "1414");
    assert_true(record_verify(&record, &event, &keys.sign_public));
    /* Nearly all records look like this one: the design counts on 250 bytes and a little. */
    assert_in_range(out.size, 200, 330);
    buffer_release(&out);
}

static void another_event_or_key_does_not_verify(void **state) {
    (void)state;
    struct buffer out;
    struct record record;
    struct error err;
    struct station_keys other;
    uint8_t seed[32] = {6};
    struct event_id other_event = event;
    identity_keys(seed, seed, &other);
    other_event.bytes[31] ^= 1;
    buffer_init(&out);
    make_issue(&out);
    assert_int_equal(record_decode(buffer_slice(&out), &record, &err), ERR_OK);
    assert_false(record_verify(&record, &other_event, &keys.sign_public));
    assert_false(record_verify(&record, &event, &other.sign_public));
    assert_false(
        cose_sign1_verify(slice_of(NULL, 0), record.payload, record.signature, &keys.sign_public));
    buffer_release(&out);
}

/* Every single bit of a record matters. */
static void a_flipped_bit_is_always_noticed(void **state) {
    (void)state;
    struct buffer out;
    struct record record;
    struct error err;
    buffer_init(&out);
    make_issue(&out);
    size_t decoded = 0;
    for (size_t bit = 0; bit < 8 * out.size; bit++) {
        out.data[bit / 8] ^= (uint8_t)(1U << bit % 8);
        enum error_code code = record_decode(buffer_slice(&out), &record, &err);
        if (code == ERR_OK) {
            decoded++;
            assert_true(canon_check(record.payload));
            if (record_verify(&record, &event, &keys.sign_public)) {
                fail_msg("bit %zu does not matter", bit);
            }
        } else if (code != ERR_FORM) {
            fail_msg("bit %zu: code %d", bit, code);
        }
        out.data[bit / 8] ^= (uint8_t)(1U << bit % 8);
    }
    assert_true(decoded > 512); /* at least the signature's bits are a matter of verifying */
    assert_int_equal(record_decode(buffer_slice(&out), &record, &err), ERR_OK);
    assert_true(record_verify(&record, &event, &keys.sign_public));
    buffer_release(&out);
}

static void a_cut_or_longer_record_is_refused(void **state) {
    (void)state;
    struct buffer out;
    struct record record;
    struct error err;
    buffer_init(&out);
    make_issue(&out);
    for (size_t size = 0; size < out.size; size++) {
        assert_int_equal(record_decode(slice_of(out.data, size), &record, &err), ERR_FORM);
    }
    buffer_append(&out, "\x00", 1);
    assert_int_equal(record_decode(buffer_slice(&out), &record, &err), ERR_FORM);
    buffer_release(&out);
}

/* ---- envelopes by hand ---- */

#define SIGNATURE_64                                                                               \
    "5840"                                                                                         \
    "0000000000000000000000000000000000000000000000000000000000000000"                             \
    "0000000000000000000000000000000000000000000000000000000000000000"
#define LOG      "015011111111111111111111111111111111"
#define NUMBER   "0202"
#define PREVIOUS "0358202222222222222222222222222222222222222222222222222222222222222222"
#define SEEN     "0481820550aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"
#define WALL     "05187b"
#define KIND     "0606"
#define BODY     "07a0"
#define HELPER   "08624142"

static enum error_code decode_hex(const char *hex, struct record *record, struct error *err) {
    static uint8_t space[1024];
    return record_decode(from_hex(hex, space, sizeof(space)), record, err);
}

/* An envelope around a payload, with any signature: decoding does not verify. */
static enum error_code decode_payload_hex(const char *payload, struct record *record,
                                          struct error *err) {
    static uint8_t bytes[1024];
    static uint8_t space[1200]; /* *record borrows from it */
    struct buffer out = {.data = space, .capacity = sizeof(space)};
    uint8_t signature[64] = {0};
    buffer_append(&out, "\xD2\x84\x43\xA1\x01\x27\xA0", 7);
    canon_put_bytes(&out, from_hex(payload, bytes, sizeof(bytes)));
    canon_put_bytes(&out, slice_of(signature, sizeof(signature)));
    return record_decode(buffer_slice(&out), record, err);
}

#define GOOD_PAYLOAD "A7" LOG NUMBER PREVIOUS WALL KIND BODY HELPER

static void other_envelopes_are_refused(void **state) {
    (void)state;
#define FIRST "A5" LOG "0201" WALL KIND BODY /* 28 bytes */
#define START "D28443A10127A0"
    static const struct {
        const char *what;
        const char *hex;
        enum error_code code;
    } cases[] = {
        {"good", START "581C" FIRST SIGNATURE_64, ERR_OK},
        {"no tag", "8443A10127A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"tag of COSE_Sign", "D8628443A10127A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"tag of COSE_Mac0", "D18443A10127A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"two tags", "D9D9F7D28443A10127A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"long tag", "D8128443A10127A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"array of 3", "D28343A10127A0581C" FIRST, ERR_FORM},
        {"array of 5", "D28543A10127A0581C" FIRST SIGNATURE_64 "00", ERR_FORM},
        {"indefinite array", "D29F43A10127A0581C" FIRST SIGNATURE_64 "FF", ERR_FORM},
        {"empty protected", "D28440A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"empty protected map", "D28441A0A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"alg ES256", "D28443A10126A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"alg and content type", "D28445A201270300A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"long alg", "D28444A1013807A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"long alg head", "D28444A1180127A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"protected with trailing byte", "D28444A1012700A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"protected not in a string", "D284A10127A0581C" FIRST SIGNATURE_64, ERR_FORM},
        {"kid in unprotected", "D28443A10127A1044131581C" FIRST SIGNATURE_64, ERR_FORM},
        {"unprotected null", "D28443A10127F6581C" FIRST SIGNATURE_64, ERR_FORM},
        {"unprotected long map", "D28443A10127B800581C" FIRST SIGNATURE_64, ERR_FORM},
        {"unprotected indefinite", "D28443A10127BFFF581C" FIRST SIGNATURE_64, ERR_FORM},
        {"detached payload", START "F6" SIGNATURE_64, ERR_FORM},
        {"payload not in a string", START FIRST SIGNATURE_64, ERR_FORM},
        {"payload as text", START "781C" FIRST SIGNATURE_64, ERR_FORM},
        {"payload with long head", START "59001C" FIRST SIGNATURE_64, ERR_FORM},
        {"payload in chunks", START "5F581C" FIRST "FF" SIGNATURE_64, ERR_FORM},
        {"empty payload", START "40" SIGNATURE_64, ERR_FORM},
        {"signature of 0", START "581C" FIRST "40", ERR_FORM},
        {"signature of 1", START "581C" FIRST "4100", ERR_FORM},
        {"signature as text", START "581C" FIRST "6100", ERR_FORM},
        {"trailing byte", START "581C" FIRST SIGNATURE_64 "00", ERR_FORM},
        {"nothing", "", ERR_FORM},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct record record;
        struct error err;
        error_clear(&err);
        enum error_code code = decode_hex(cases[i].hex, &record, &err);
        if (code != cases[i].code || err.code != code) {
            fail_msg("%s: got %d (%s), expected %d", cases[i].what, code, err.cause, cases[i].code);
        }
    }
}

static void payloads_are_checked(void **state) {
    (void)state;
    static const struct {
        const char *what;
        const char *payload;
        enum error_code code;
    } cases[] = {
        {"good", GOOD_PAYLOAD, ERR_OK},
        {"all keys", "A8" LOG NUMBER PREVIOUS SEEN WALL KIND BODY HELPER, ERR_OK},
        {"first", "A5" LOG "0201" WALL KIND BODY, ERR_OK},
        {"trailing byte", GOOD_PAYLOAD "00", ERR_FORM},
        {"no map", "80", ERR_FORM},
        {"empty map", "A0", ERR_FORM},
        {"no log", "A5" NUMBER PREVIOUS WALL KIND BODY, ERR_FORM},
        {"no number", "A5" LOG PREVIOUS WALL KIND BODY, ERR_FORM},
        {"no wall", "A5" LOG NUMBER PREVIOUS KIND BODY, ERR_FORM},
        {"no kind", "A5" LOG NUMBER PREVIOUS WALL BODY, ERR_FORM},
        {"no body", "A5" LOG NUMBER PREVIOUS WALL KIND, ERR_FORM},
        {"unsorted", "A6" NUMBER LOG PREVIOUS WALL KIND BODY, ERR_FORM},
        {"repeated", "A7" LOG NUMBER NUMBER PREVIOUS WALL KIND BODY, ERR_FORM},
        {"indefinite map", "BF" LOG NUMBER PREVIOUS WALL KIND BODY "FF", ERR_FORM},
        {"long map head", "B806" LOG NUMBER PREVIOUS WALL KIND BODY, ERR_FORM},
        {"long key", "A6" LOG "180202" PREVIOUS WALL KIND BODY, ERR_FORM},
        {"log of 15",
         "A6"
         "014F111111111111111111111111111111" NUMBER PREVIOUS WALL KIND BODY,
         ERR_FORM},
        {"log as text",
         "A6"
         "017011111111111111111111111111111111" NUMBER PREVIOUS WALL KIND BODY,
         ERR_FORM},
        {"number 0", "A6" LOG "0200" PREVIOUS WALL KIND BODY, ERR_FORM},
        {"number 0, no previous", "A5" LOG "0200" WALL KIND BODY, ERR_FORM},
        {"number max", "A6" LOG "021B0000FFFFFFFFFFFF" PREVIOUS WALL KIND BODY, ERR_OK},
        {"number over max", "A6" LOG "021B0001000000000000" PREVIOUS WALL KIND BODY, ERR_FORM},
        {"number 2^64-1", "A6" LOG "021BFFFFFFFFFFFFFFFF" PREVIOUS WALL KIND BODY, ERR_FORM},
        {"number negative", "A6" LOG "0220" PREVIOUS WALL KIND BODY, ERR_FORM},
        {"number with long head", "A6" LOG "021802" PREVIOUS WALL KIND BODY, ERR_FORM},
        {"number as float", "A6" LOG "02F94000" PREVIOUS WALL KIND BODY, ERR_FORM},
        {"previous with number 1", "A6" LOG "0201" PREVIOUS WALL KIND BODY, ERR_FORM},
        {"no previous with number 2", "A5" LOG NUMBER WALL KIND BODY, ERR_FORM},
        {"previous of 1", "A6" LOG NUMBER "034122" WALL KIND BODY, ERR_FORM},
        {"previous null", "A6" LOG NUMBER "03F6" WALL KIND BODY, ERR_FORM},
        {"seen empty", "A7" LOG NUMBER PREVIOUS "0480" WALL KIND BODY, ERR_FORM},
        {"seen no array", "A7" LOG NUMBER PREVIOUS "04A0" WALL KIND BODY, ERR_FORM},
        {"seen entry of 1", "A7" LOG NUMBER PREVIOUS "04818105" WALL KIND BODY, ERR_FORM},
        {"seen number 0",
         "A7" LOG NUMBER PREVIOUS "0481820050aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa" WALL KIND BODY,
         ERR_FORM},
        {"seen number over max",
         "A7" LOG NUMBER PREVIOUS
         "0481821B000100000000000050aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa" WALL KIND BODY,
         ERR_FORM},
        {"seen id of 15",
         "A7" LOG NUMBER PREVIOUS "048182054Faaaaaaaaaaaaaaaaaaaaaaaaaaaaaa" WALL KIND BODY,
         ERR_FORM},
        {"seen entry of 3",
         "A7" LOG NUMBER PREVIOUS "0481830550aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa00" WALL KIND BODY,
         ERR_FORM},
        {"wall negative", "A6" LOG NUMBER PREVIOUS "0520" KIND BODY, ERR_FORM},
        {"wall 2^63-1", "A6" LOG NUMBER PREVIOUS "051B7FFFFFFFFFFFFFFF" KIND BODY, ERR_OK},
        {"wall 2^63", "A6" LOG NUMBER PREVIOUS "051B8000000000000000" KIND BODY, ERR_FORM},
        {"kind as text", "A6" LOG NUMBER PREVIOUS WALL "066134" BODY, ERR_FORM},
        {"kind 77", "A6" LOG NUMBER PREVIOUS WALL "06184D" BODY, ERR_OK},
        {"kind 0", "A6" LOG NUMBER PREVIOUS WALL "0600" BODY, ERR_OK},
        {"kind 2^64-1", "A6" LOG NUMBER PREVIOUS WALL "061BFFFFFFFFFFFFFFFF" BODY, ERR_OK},
        {"body an array", "A6" LOG NUMBER PREVIOUS WALL KIND "0780", ERR_FORM},
        {"body in a string", "A6" LOG NUMBER PREVIOUS WALL KIND "0741A0", ERR_FORM},
        {"body unsorted", "A6" LOG NUMBER PREVIOUS WALL KIND "07A202000100", ERR_FORM},
        {"body repeated", "A6" LOG NUMBER PREVIOUS WALL KIND "07A201000100", ERR_FORM},
        {"body indefinite", "A6" LOG NUMBER PREVIOUS WALL KIND "07BFFF", ERR_FORM},
        {"body overlong inside", "A6" LOG NUMBER PREVIOUS WALL KIND "07A1011800", ERR_FORM},
        {"helper empty", "A7" LOG NUMBER PREVIOUS WALL KIND BODY "0860", ERR_FORM},
        {"helper of 8", "A7" LOG NUMBER PREVIOUS WALL KIND BODY "08684142434445464748", ERR_OK},
        {"helper of 9", "A7" LOG NUMBER PREVIOUS WALL KIND BODY "0869414243444546474849", ERR_FORM},
        {"helper as bytes", "A7" LOG NUMBER PREVIOUS WALL KIND BODY "084141", ERR_FORM},
        {"helper no UTF-8", "A7" LOG NUMBER PREVIOUS WALL KIND BODY "0861FF", ERR_FORM},
        {"unknown key 0",
         "A7"
         "0000" LOG NUMBER PREVIOUS WALL KIND BODY,
         ERR_OK},
        {"unknown key 9", "A7" LOG NUMBER PREVIOUS WALL KIND BODY "0982F4A0", ERR_OK},
        {"unknown key 300", "A7" LOG NUMBER PREVIOUS WALL KIND BODY "19012C00", ERR_OK},
        {"unknown key 2^64-1", "A7" LOG NUMBER PREVIOUS WALL KIND BODY "1BFFFFFFFFFFFFFFFFF6",
         ERR_OK},
        {"unknown key -1", "A7" LOG NUMBER PREVIOUS WALL KIND BODY "2000", ERR_OK},
        {"unknown key as text", "A7" LOG NUMBER PREVIOUS WALL KIND BODY "617800", ERR_OK},
        {"unknown key as array",
         "A7" LOG NUMBER PREVIOUS WALL KIND BODY "8100"
         "00",
         ERR_OK},
        {"unknown key, bad value", "A7" LOG NUMBER PREVIOUS WALL KIND BODY "091800", ERR_FORM},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct record record;
        struct error err;
        error_clear(&err);
        enum error_code code = decode_payload_hex(cases[i].payload, &record, &err);
        if (code != cases[i].code) {
            fail_msg("%s: got %d (%s), expected %d", cases[i].what, code, err.cause, cases[i].code);
        }
        if (code == ERR_OK && !canon_check(record.payload)) {
            fail_msg("%s: decoded, but not deterministic", cases[i].what);
        }
    }
}

/* Nesting is counted from the payload's map: one level of sixteen is taken before the body. */
static void nesting_is_counted_from_the_payload(void **state) {
    (void)state;
    for (size_t depth = CANON_DEPTH_MAX - 3; depth <= CANON_DEPTH_MAX; depth++) {
        char body[256] = "A100";
        char unknown[256] = "";
        char payload[1024];
        for (size_t i = 1; i < depth; i++) {
            strcat(body, "81");
        }
        for (size_t i = 0; i < depth; i++) {
            strcat(unknown, "81");
        }
        enum error_code expected = depth < CANON_DEPTH_MAX ? ERR_OK : ERR_FORM;
        struct record record;
        struct error err;
        snprintf(payload, sizeof(payload), "A6" LOG NUMBER PREVIOUS WALL KIND "07%s00", body);
        assert_int_equal(decode_payload_hex(payload, &record, &err), expected);
        snprintf(payload, sizeof(payload), "A7" LOG NUMBER PREVIOUS WALL KIND BODY "09%s00",
                 unknown);
        assert_int_equal(decode_payload_hex(payload, &record, &err), expected);
    }
}

/* A refusal says where, for whoever has to find out. */
static void refusals_say_where(void **state) {
    (void)state;
    struct record record = {.number = 77};
    struct error err;
    assert_int_equal(decode_payload_hex("A6" LOG "0200" PREVIOUS WALL KIND BODY, &record, &err),
                     ERR_FORM);
    assert_non_null(strstr(err.cause, "key 2"));
    assert_int_equal(decode_payload_hex("A5" LOG NUMBER WALL KIND BODY, &record, &err), ERR_FORM);
    assert_non_null(strstr(err.cause, "previous"));
    assert_int_equal(record.number, 77);
}

static void unknown_keys_and_kinds_survive(void **state) {
    (void)state;
    struct record record;
    struct error err;
    char text[32];
    assert_int_equal(decode_payload_hex("A7" LOG NUMBER PREVIOUS WALL "06184D"
                                        "07A2617801627979F6"
                                        "0982F4A0",
                                        &record, &err),
                     ERR_OK);
    assert_int_equal(record.kind, 77);
    assert_int_equal(record.body.size, 8);
    assert_memory_equal(record.body.data, "\xA2\x61\x78\x01\x62\x79\x79\xF6", 8);
    record_kind_text(record.kind, text, sizeof(text));
    assert_string_equal(text, "kind 77");
    record_kind_text(RECORD_ISSUE, text, sizeof(text));
    assert_string_equal(text, "issue");
    record_kind_text(0, text, sizeof(text));
    assert_string_equal(text, "kind 0");
    record_kind_text(UINT64_MAX, text, sizeof(text));
    assert_string_equal(text, "kind 18446744073709551615");
}

/* ---- limits ---- */

static enum error_code encode_with_body_of(size_t size, struct buffer *out, struct error *err) {
    static uint8_t zeros[RECORD_SIZE_MAX];
    struct buffer body;
    buffer_init(&body);
    canon_put_map(&body, 1);
    canon_put_uint(&body, 1);
    canon_put_bytes(&body, slice_of(zeros, size));
    struct record record = {.number = 1, .kind = 77, .body = buffer_slice(&body)};
    enum error_code code = record_encode(&record, NULL, 0, &event, &keys.sign_secret, out, err);
    buffer_release(&body);
    return code;
}

static void a_record_has_at_most_16_kib(void **state) {
    (void)state;
    struct buffer out;
    struct error err;
    struct record record;
    size_t fits = 0;
    buffer_init(&out);
    assert_int_equal(encode_with_body_of(1000, &out, &err), ERR_OK);
    fits = 1000 + RECORD_SIZE_MAX - out.size;
    buffer_clear(&out);
    assert_int_equal(encode_with_body_of(fits, &out, &err), ERR_OK);
    assert_int_equal(out.size, RECORD_SIZE_MAX);
    assert_int_equal(record_decode(buffer_slice(&out), &record, &err), ERR_OK);
    assert_true(record_verify(&record, &event, &keys.sign_public));
    assert_int_equal(encode_with_body_of(fits + 1, &out, &err), ERR_LIMIT);
    assert_int_equal(out.size, RECORD_SIZE_MAX); /* unchanged */
    assert_int_equal(encode_with_body_of(RECORD_SIZE_MAX, &out, &err), ERR_LIMIT);
    assert_int_equal(out.size, RECORD_SIZE_MAX);
    buffer_append(&out, "", 1);
    assert_int_equal(record_decode(buffer_slice(&out), &record, &err), ERR_LIMIT);
    buffer_release(&out);
}

/* What others would refuse is not written. */
static void encoding_refuses_what_decoding_would(void **state) {
    (void)state;
    static const struct record_seen many[RECORD_SEEN_MAX + 1] = {{1, {0}}};
    const struct record good = {.number = 1, .kind = RECORD_CLOSE, .body = slice_of("\xA0", 1)};
    struct record record = good;
    struct buffer out;
    struct error err;
    buffer_init(&out);
    buffer_append(&out, "before", 6);
    record.number = 0;
    assert_int_equal(record_encode(&record, NULL, 0, &event, &keys.sign_secret, &out, &err),
                     ERR_FORM);
    record = good;
    record.has_previous = true;
    assert_int_equal(record_encode(&record, NULL, 0, &event, &keys.sign_secret, &out, &err),
                     ERR_FORM);
    record = good;
    record.helper = slice_text("ABCDEFGHI");
    assert_int_equal(record_encode(&record, NULL, 0, &event, &keys.sign_secret, &out, &err),
                     ERR_FORM);
    record = good;
    record.body = slice_of("\xA1\x00", 2);
    assert_int_equal(record_encode(&record, NULL, 0, &event, &keys.sign_secret, &out, &err),
                     ERR_FORM);
    assert_int_equal(
        record_encode(&good, many, RECORD_SEEN_MAX + 1, &event, &keys.sign_secret, &out, &err),
        ERR_FORM);
    assert_int_equal(out.size, 6);
    record = good;
    record.wall.ms = -5; /* a clock set before 1970 */
    assert_int_equal(record_encode(&record, NULL, 0, &event, &keys.sign_secret, &out, &err),
                     ERR_OK);
    assert_int_equal(record_decode(slice_of(out.data + 6, out.size - 6), &record, &err), ERR_OK);
    assert_int_equal(record.wall.ms, 0);
    out.failed = true;
    assert_int_equal(record_encode(&good, NULL, 0, &event, &keys.sign_secret, &out, &err),
                     ERR_MEMORY);
    buffer_release(&out);
}

static void sixty_four_heads_fit(void **state) {
    (void)state;
    struct record_seen seen[RECORD_SEEN_MAX];
    struct record_seen back[RECORD_SEEN_MAX];
    struct buffer out;
    struct error err;
    struct record record = {.number = 1, .kind = 77, .body = slice_of("\xA0", 1)};
    memset(seen, 0, sizeof(seen));
    for (size_t i = 0; i < RECORD_SEEN_MAX; i++) {
        seen[i].number = i + 1;
        seen[i].id[0] = (uint8_t)i;
    }
    buffer_init(&out);
    assert_int_equal(
        record_encode(&record, seen, RECORD_SEEN_MAX, &event, &keys.sign_secret, &out, &err),
        ERR_OK);
    assert_int_equal(record_decode(buffer_slice(&out), &record, &err), ERR_OK);
    assert_int_equal(record_seen_read(&record, back), RECORD_SEEN_MAX);
    for (size_t i = 0; i < RECORD_SEEN_MAX; i++) {
        assert_true(back[i].number == seen[i].number);
        assert_memory_equal(back[i].id, seen[i].id, sizeof(seen[i].id));
    }
    record.seen = slice_of(NULL, 0);
    assert_int_equal(record_seen_read(&record, back), 0);
    buffer_release(&out);
}

/* ---- cutting a sequence ---- */

static void a_sequence_is_cut_into_its_records(void **state) {
    (void)state;
    struct buffer out;
    struct error err;
    size_t sizes[3];
    bool whole = false;
    buffer_init(&out);
    make_issue(&out);
    sizes[0] = out.size;
    assert_int_equal(encode_with_body_of(5, &out, &err), ERR_OK);
    sizes[1] = out.size - sizes[0];
    assert_int_equal(encode_with_body_of(1000, &out, &err), ERR_OK);
    sizes[2] = out.size - sizes[0] - sizes[1];
    size_t at = 0;
    for (size_t i = 0; i < 3; i++) {
        /* Whatever part has come, the answer is: more bytes, please. */
        for (size_t have = 0; have < sizes[i]; have++) {
            assert_int_equal(record_size_at(slice_of(out.data + at, have), &whole), 0);
            assert_false(whole);
        }
        assert_int_equal(record_size_at(slice_of(out.data + at, out.size - at), &whole), sizes[i]);
        assert_true(whole);
        at += sizes[i];
    }
    assert_int_equal(at, out.size);
    buffer_release(&out);
}

static void what_is_no_record_is_told_apart(void **state) {
    (void)state;
#define BEGIN "D28443A10127A0"
    static const struct {
        const char *hex;
        bool no_record; /* else: more bytes could make it one */
    } cases[] = {
        {"", false},
        {"D2", false},
        {BEGIN, false},
        {BEGIN "57", false},
        {BEGIN "58", false},
        {BEGIN "593F", false},
        {BEGIN "4100", false},
        {BEGIN "410058", false},
        {BEGIN "41005840", false},
        {BEGIN "593FB4", false}, /* 7 + 3 + 16308 + 66 bytes: the largest that fits */
        {"D3", true},
        {"00", true},
        {"D28443A10126", true},
        {"D28443A10127A1", true},
        {BEGIN "60", true},
        {BEGIN "F6", true},
        {BEGIN "5F", true},
        {BEGIN "5A00000001", true},
        {BEGIN "5B", true},
        {BEGIN "5817", true},   /* a longer head than needed */
        {BEGIN "5900FF", true}, /* the same */
        {BEGIN "59FFFF", true}, /* over 16 KiB */
        {BEGIN "593FB5", true},
        {BEGIN "410041", true},   /* no signature behind */
        {BEGIN "4100583F", true}, /* a signature of 63 */
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        uint8_t space[64];
        bool whole = !cases[i].no_record;
        size_t size = record_size_at(from_hex(cases[i].hex, space, sizeof(space)), &whole);
        if (size != 0 || whole != cases[i].no_record) {
            fail_msg("%s: size %zu, %d", cases[i].hex, size, whole);
        }
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_was_encoded_is_decoded),
        cmocka_unit_test(another_event_or_key_does_not_verify),
        cmocka_unit_test(a_flipped_bit_is_always_noticed),
        cmocka_unit_test(a_cut_or_longer_record_is_refused),
        cmocka_unit_test(other_envelopes_are_refused),
        cmocka_unit_test(payloads_are_checked),
        cmocka_unit_test(nesting_is_counted_from_the_payload),
        cmocka_unit_test(refusals_say_where),
        cmocka_unit_test(unknown_keys_and_kinds_survive),
        cmocka_unit_test(a_record_has_at_most_16_kib),
        cmocka_unit_test(encoding_refuses_what_decoding_would),
        cmocka_unit_test(sixty_four_heads_fit),
        cmocka_unit_test(a_sequence_is_cut_into_its_records),
        cmocka_unit_test(what_is_no_record_is_told_apart),
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
