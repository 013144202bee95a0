/* test_canon.c: one byte form of CBOR, written and read. Published examples stand in
 * outside/test_published.c; here is what they do not reach. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "common/canon.h"
#include "tests/from_hex.h"

static void expect_canon(const char *hex, bool expected) {
    uint8_t space[4096];
    bool got = canon_check(from_hex(hex, space, sizeof(space)));
    if (got != expected) {
        fail_msg("%s: got %d, expected %d", hex, got, expected);
    }
}

static void heads_are_shortest(void **state) {
    (void)state;
    /* The shortest form, and one that is longer than needed. */
    static const char *const pairs[][2] = {
        {"00", "1800"},
        {"17", "1817"},
        {"1818", "190018"},
        {"18FF", "1900FF"},
        {"190100", "1A00000100"},
        {"19FFFF", "1A0000FFFF"},
        {"1A00010000", "1B0000000000010000"},
        {"1AFFFFFFFF", "1B00000000FFFFFFFF"},
        {"20", "3800"},
        {"3818", "390018"},
        {"390100", "3A00000100"},
        {"3A00010000", "3B0000000000010000"},
        {"4101", "580101"},
        {"6161", "780161"},
        {"80", "9800"},
        {"8100", "980100"},
        {"A0", "B800"},
        {"A10000", "B8010000"},
        {"C100", "D80100"},
        {"D81800", "D9001800"},
    };
    for (size_t i = 0; i < sizeof(pairs) / sizeof(pairs[0]); i++) {
        expect_canon(pairs[i][0], true);
        expect_canon(pairs[i][1], false);
    }
}

static void indefinite_lengths_are_refused(void **state) {
    (void)state;
    static const char *const cases[] = {
        "5F4101FF",   "7F6161FF", "9FFF", "9F00FF", "BFFF", "BF0000FF",
        "829F00FF00", "FF",       "81FF", "5F",     "5FFF", "A1009FFF",
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        expect_canon(cases[i], false);
    }
}

static void reserved_items_are_refused(void **state) {
    (void)state;
    static const char *const cases[] = {
        "1C", "1D", "1E", "1F",   "3C",   "3F",   "5C", "7C", "9C", "BC",   "DC",     "DF",
        "E0", "F3", "F8", "F818", "F814", "F8FF", "FC", "FD", "FE", "81F0", "A1E000",
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        expect_canon(cases[i], false);
    }
}

/* Cut items, items that claim more than there is, and bytes behind the end. */
static void lengths_must_be_true(void **state) {
    (void)state;
    static const char *const cases[] = {
        "",
        "18",
        "1901",
        "1A0101",
        "1B01010101",
        "41",
        "4201",
        "61",
        "6261",
        "81",
        "8200",
        "A1",
        "A100",
        "C1",
        "F9",
        "F97C",
        "FA",
        "FB0000",
        "9B7FFFFFFFFFFFFFFF",
        "9BFFFFFFFFFFFFFFFF",
        "BBFFFFFFFFFFFFFFFF",
        "BB8000000000000000",
        "5BFFFFFFFFFFFFFFFF",
        "5B7FFFFFFFFFFFFFFF",
        "7BFFFFFFFFFFFFFFFF",
        "0000",
        "8000",
        "A000",
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        expect_canon(cases[i], false);
    }
}

static void map_keys_rise_without_repeats(void **state) {
    (void)state;
    expect_canon("A200000100", true);
    expect_canon("A201000000", false);     /* unsorted */
    expect_canon("A200000000", false);     /* repeated */
    expect_canon("A3000001000100", false); /* repeated at the end */
    expect_canon("A21700181800", true);
    expect_canon("A21818001700", false);
    expect_canon("A2186400"
                 "2000",
                 true); /* bytewise: 100 before -1 */
    expect_canon("A22000"
                 "186400",
                 false); /* shorter first is the order of an older RFC */
    expect_canon("A2616100"
                 "62616100",
                 true);
    expect_canon("A262616100"
                 "616100",
                 false);
    expect_canon("A2616200"
                 "62616100",
                 true); /* the head's length decides first */
    expect_canon("A2810000810100", true);
    expect_canon("A2810100810000", false);
    expect_canon("81A201000000", false);   /* inside an array */
    expect_canon("A1A20100000000", false); /* inside a key */
    expect_canon("A100A201000000", false); /* inside a value */
    expect_canon("C1A201000000", false);   /* under a tag */
    expect_canon("A1F400", true);
}

static void text_is_utf8(void **state) {
    (void)state;
    expect_canon("62C3BC", true);
    expect_canon("61C3", false);
    expect_canon("62C080", false);
    expect_canon("63EDA080", false);
    expect_canon("8161FF", false);
    expect_canon("41FF", true); /* bytes are free */
}

static void expect_depth(const char *outer, const char *inner, size_t depth, bool expected) {
    char hex[256] = "";
    for (size_t i = 0; i < depth; i++) {
        strcat(hex, outer);
    }
    strcat(hex, inner);
    expect_canon(hex, expected);
}

static void nesting_is_bounded(void **state) {
    (void)state;
    static const char *const outers[] = {"81", "C1", "A100"};
    for (size_t i = 0; i < sizeof(outers) / sizeof(outers[0]); i++) {
        expect_depth(outers[i], "00", CANON_DEPTH_MAX, true);
        expect_depth(outers[i], "00", CANON_DEPTH_MAX + 1, false);
        expect_depth(outers[i], "80", CANON_DEPTH_MAX - 1, true);
        expect_depth(outers[i], "80", CANON_DEPTH_MAX, false);
    }
}

static size_t float_bytes(double number, bool single, uint8_t out[9]) {
    uint64_t bits = 0;
    if (single) {
        float narrow = (float)number;
        uint32_t narrow_bits;
        memcpy(&narrow_bits, &narrow, sizeof(narrow_bits));
        bits = narrow_bits;
    } else {
        memcpy(&bits, &number, sizeof(bits));
    }
    size_t size = single ? 4 : 8;
    out[0] = single ? 0xFA : 0xFB;
    for (size_t i = 0; i < size; i++) {
        out[1 + i] = (uint8_t)(bits >> (8 * (size - 1 - i)));
    }
    return size + 1;
}

/* Every half-precision value, by the definition in RFC 8949, appendix D: only its half form may
 * stand, and of the NaNs only 7E00. */
static void all_halves_have_one_form(void **state) {
    (void)state;
    for (unsigned half = 0; half <= 0xFFFF; half++) {
        uint8_t bytes[9] = {0xF9, (uint8_t)(half >> 8), (uint8_t)half};
        int exponent = (int)(half >> 10 & 0x1F);
        unsigned fraction = half & 0x3FF;
        bool is_nan = exponent == 31 && fraction != 0;
        bool got = canon_check(slice_of(bytes, 3));
        if (got != (!is_nan || half == 0x7E00)) {
            fail_msg("half %04x: got %d", half, got);
        }
        double number = exponent == 0    ? ldexp(fraction, -24)
                        : exponent == 31 ? (is_nan ? NAN : INFINITY)
                                         : ldexp(fraction + 1024, exponent - 25);
        number = (half & 0x8000) != 0 ? -number : number;
        for (int single = 0; single < 2; single++) {
            size_t size = float_bytes(number, single == 1, bytes);
            if (canon_check(slice_of(bytes, size))) {
                fail_msg("half %04x taken in %zu bytes", half, size);
            }
        }
    }
}

static void wider_floats_only_where_needed(void **state) {
    (void)state;
    static const struct {
        double number;
        bool fits_single; /* and no half, in all of these */
    } cases[] = {
        {0x1p-25, true},     /* half of the smallest half */
        {0x1.8p-24, true},   /* between two subnormal halves */
        {0x1.002p-14, true}, /* one bit more than a half has */
        {65520.0, true},     /* behind the largest half, 65504 */
        {65536.0, true},        {-65536.0, true}, {0x1p-149, true}, /* smallest single */
        {0x1.fffffep127, true},                                     /* largest single */
        {0x1.000001p0, false}, /* one bit more than a single has */
        {0x1p-150, false},      {0x1p128, false}, {0x1p-1074, false}, {0.1, false},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        uint8_t bytes[9];
        size_t size = float_bytes(cases[i].number, false, bytes);
        bool as_double = canon_check(slice_of(bytes, size));
        if (as_double == cases[i].fits_single) {
            fail_msg("%a as double: got %d", cases[i].number, as_double);
        }
        size = float_bytes(cases[i].number, true, bytes);
        if (cases[i].fits_single && !canon_check(slice_of(bytes, size))) {
            fail_msg("%a refused as single", cases[i].number);
        }
    }
}

static void writers_write_the_one_form(void **state) {
    (void)state;
    struct buffer out;
    uint8_t space[256];
    buffer_init(&out);
    canon_put_array(&out, 24);
    canon_put_uint(&out, 0);
    canon_put_uint(&out, 23);
    canon_put_uint(&out, 24);
    canon_put_uint(&out, 255);
    canon_put_uint(&out, 256);
    canon_put_uint(&out, 65535);
    canon_put_uint(&out, 65536);
    canon_put_uint(&out, UINT32_MAX);
    canon_put_uint(&out, (uint64_t)UINT32_MAX + 1);
    canon_put_uint(&out, UINT64_MAX);
    canon_put_int(&out, 7);
    canon_put_int(&out, -1);
    canon_put_int(&out, -24);
    canon_put_int(&out, -25);
    canon_put_int(&out, -256);
    canon_put_int(&out, -257);
    canon_put_int(&out, INT64_MIN);
    canon_put_bytes(&out, slice_of("\x01\x02", 2));
    canon_put_text(&out, slice_text("ab"));
    canon_put_map(&out, 1);
    canon_put_bytes(&out, slice_of(NULL, 0));
    canon_put_text(&out, slice_of(NULL, 0));
    canon_put_tag(&out, 18);
    canon_put_array(&out, 0);
    canon_put_bool(&out, false);
    canon_put_bool(&out, true);
    canon_put_null(&out);
    struct slice expected =
        from_hex("9818001718"
                 "1818FF19010019FFFF1A000100001AFFFFFFFF1B00000001000000001BFFFFFFFFFFFFFFFF07"
                 "20373818"
                 "38FF3901003B7FFFFFFFFFFFFFFF420102626162A14060D280F4F5F6",
                 space, sizeof(space));
    assert_int_equal(out.size, expected.size);
    assert_memory_equal(out.data, expected.data, expected.size);
    /* 17 + 2 + map + tag + 3 items */
    assert_true(canon_check(buffer_slice(&out)));
    buffer_release(&out);
}

static void getters_read_what_writers_wrote(void **state) {
    (void)state;
    uint8_t space[64];
    struct canon_reader reader =
        canon_read(from_hex("071BFFFFFFFFFFFFFFFF3B7FFFFFFFFFFFFFFF42010242030462616281A1D2F5F4F6",
                            space, sizeof(space)));
    uint64_t number = 0;
    int64_t integer = 0;
    struct slice slice = {NULL, 0};
    uint8_t exact[2];
    size_t count = 0;
    bool flag = false;
    assert_true(canon_get_int(&reader, &integer));
    assert_int_equal(integer, 7);
    assert_false(canon_get_int(&reader, &integer)); /* does not fit */
    assert_true(canon_get_uint(&reader, &number));
    assert_true(number == UINT64_MAX);
    assert_false(canon_get_uint(&reader, &number));
    assert_true(canon_get_int(&reader, &integer));
    assert_true(integer == INT64_MIN);
    assert_true(canon_get_bytes(&reader, &slice));
    assert_true(slice_equal(slice, slice_of("\x01\x02", 2)));
    assert_false(canon_get_exact(&reader, exact, 1));
    assert_true(canon_get_exact(&reader, exact, 2));
    assert_memory_equal(exact, "\x03\x04", 2);
    assert_false(canon_get_bytes(&reader, &slice));
    assert_true(canon_get_text(&reader, &slice));
    assert_true(slice_equal(slice, slice_text("ab")));
    assert_false(canon_get_map(&reader, &count));
    assert_true(canon_get_array(&reader, &count));
    assert_int_equal(count, 1);
    assert_false(canon_get_array(&reader, &count));
    assert_true(canon_get_map(&reader, &count));
    assert_int_equal(count, 1);
    assert_true(canon_get_tag(&reader, &number));
    assert_int_equal(number, 18);
    assert_false(canon_get_null(&reader));
    assert_true(canon_get_bool(&reader, &flag));
    assert_true(flag);
    assert_true(canon_get_bool(&reader, &flag));
    assert_false(flag);
    assert_false(canon_get_bool(&reader, &flag));
    assert_false(canon_done(&reader));
    assert_true(canon_get_null(&reader));
    assert_true(canon_done(&reader));
    assert_int_equal(canon_peek(&reader), CANON_END);
    assert_false(canon_get_null(&reader));
}

static void peek_tells_the_type(void **state) {
    (void)state;
    static const struct {
        const char *hex;
        enum canon_type type;
    } cases[] = {
        {"", CANON_END},           {"00", CANON_UINT},      {"20", CANON_NEGATIVE},
        {"40", CANON_BYTES},       {"60", CANON_TEXT},      {"80", CANON_ARRAY},
        {"A0", CANON_MAP},         {"C000", CANON_TAG},     {"F4", CANON_SIMPLE},
        {"F7", CANON_SIMPLE},      {"F93C00", CANON_FLOAT}, {"1800", CANON_BAD},
        {"9F00FF", CANON_BAD},     {"FF", CANON_BAD},       {"41", CANON_BAD},
        {"81", CANON_BAD},         {"A100", CANON_BAD},     {"A2000000", CANON_BAD},
        {"FA3F800000", CANON_BAD}, {"F8FF", CANON_BAD},     {"61FF", CANON_BAD},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        uint8_t space[16];
        struct canon_reader reader = canon_read(from_hex(cases[i].hex, space, sizeof(space)));
        const uint8_t *before = reader.at;
        enum canon_type type = canon_peek(&reader);
        if (type != cases[i].type || reader.at != before) {
            fail_msg("%s: got %d, expected %d", cases[i].hex, type, cases[i].type);
        }
    }
}

/* A failing getter leaves the cursor, also when the item is of its type but not whole. */
static void failing_getters_leave_the_cursor(void **state) {
    (void)state;
    static const char *const cases[] = {"1800", "5801", "61FF",   "9801",
                                        "81",   "A1",   "D81200", "F8F5"};
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        uint8_t space[16];
        uint64_t number = 0;
        int64_t integer = 0;
        size_t count = 0;
        bool flag = false;
        struct slice slice = {NULL, 0};
        struct canon_reader reader = canon_read(from_hex(cases[i], space, sizeof(space)));
        bool any = canon_get_uint(&reader, &number) || canon_get_int(&reader, &integer) ||
                   canon_get_bytes(&reader, &slice) || canon_get_exact(&reader, space, 1) ||
                   canon_get_text(&reader, &slice) || canon_get_array(&reader, &count) ||
                   canon_get_map(&reader, &count) || canon_get_tag(&reader, &number) ||
                   canon_get_bool(&reader, &flag) || canon_get_null(&reader) ||
                   canon_skip(&reader, &slice);
        if (any || reader.at != space) {
            fail_msg("%s was taken", cases[i]);
        }
    }
}

static void skip_gives_the_item(void **state) {
    (void)state;
    uint8_t space[32];
    struct slice whole = from_hex("8201A1020304F6", space, sizeof(space));
    struct canon_reader reader = canon_read(whole);
    struct slice item = {NULL, 0};
    assert_true(canon_skip(&reader, &item));
    assert_int_equal(item.size, 5);
    assert_ptr_equal(item.data, whole.data);
    assert_true(canon_skip(&reader, NULL));
    assert_true(canon_skip(&reader, &item));
    assert_int_equal(item.size, 1);
    assert_true(canon_done(&reader));
    assert_false(canon_skip(&reader, &item));
}

/* Writes again what the getters read; floats and undefined, which have no writer, are copied. */
static bool rewrite(struct canon_reader *reader, struct buffer *out) {
    uint64_t number = 0;
    int64_t integer = 0;
    size_t count = 0;
    bool flag = false;
    struct slice slice = {NULL, 0};
    if (canon_get_uint(reader, &number)) {
        canon_put_uint(out, number);
    } else if (canon_get_int(reader, &integer)) {
        canon_put_int(out, integer);
    } else if (canon_get_bytes(reader, &slice)) {
        canon_put_bytes(out, slice);
    } else if (canon_get_text(reader, &slice)) {
        canon_put_text(out, slice);
    } else if (canon_get_bool(reader, &flag)) {
        canon_put_bool(out, flag);
    } else if (canon_get_null(reader)) {
        canon_put_null(out);
    } else if (canon_get_tag(reader, &number)) {
        canon_put_tag(out, number);
        return rewrite(reader, out);
    } else if (canon_get_array(reader, &count)) {
        canon_put_array(out, count);
        for (size_t i = 0; i < count; i++) {
            if (!rewrite(reader, out)) {
                return false;
            }
        }
    } else if (canon_get_map(reader, &count)) {
        canon_put_map(out, count);
        for (size_t i = 0; i < 2 * count; i++) {
            if (!rewrite(reader, out)) {
                return false;
            }
        }
    } else if (canon_peek(reader) == CANON_FLOAT || canon_peek(reader) == CANON_SIMPLE ||
               canon_peek(reader) == CANON_NEGATIVE) {
        if (!canon_skip(reader, &slice)) {
            return false;
        }
        buffer_append_slice(out, slice);
    } else {
        return false;
    }
    return true;
}

/* What is accepted must re-encode to the same bytes: mutations of a good item, from one seed. */
static void accepted_bytes_reencode_to_themselves(void **state) {
    (void)state;
    static const char seed_hex[] = "A60001011AFFFFFFFF0242010203826161F93C0004A200F501F60582C10020";
    uint8_t seed[64];
    struct slice good = from_hex(seed_hex, seed, sizeof(seed));
    struct buffer out;
    uint64_t random = 20260516;
    unsigned accepted = 0;
    buffer_init(&out);
    assert_true(canon_check(good));
    for (int round = 0; round < 300000; round++) {
        uint8_t bytes[64];
        memcpy(bytes, good.data, good.size);
        for (int change = 0; change <= round % 3; change++) {
            random = random * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
            bytes[(random >> 33) % good.size] = (uint8_t)(random >> 56);
        }
        struct slice mutated = slice_of(bytes, good.size);
        struct canon_reader reader = canon_read(mutated);
        if (!canon_check(mutated)) {
            continue;
        }
        accepted++;
        buffer_clear(&out);
        if (!rewrite(&reader, &out) || !slice_equal(buffer_slice(&out), mutated)) {
            fail_msg("round %d was accepted, but does not re-encode to itself", round);
        }
    }
    buffer_release(&out);
    assert_true(accepted > 1000);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(heads_are_shortest),
        cmocka_unit_test(indefinite_lengths_are_refused),
        cmocka_unit_test(reserved_items_are_refused),
        cmocka_unit_test(lengths_must_be_true),
        cmocka_unit_test(map_keys_rise_without_repeats),
        cmocka_unit_test(text_is_utf8),
        cmocka_unit_test(nesting_is_bounded),
        cmocka_unit_test(all_halves_have_one_form),
        cmocka_unit_test(wider_floats_only_where_needed),
        cmocka_unit_test(writers_write_the_one_form),
        cmocka_unit_test(getters_read_what_writers_wrote),
        cmocka_unit_test(peek_tells_the_type),
        cmocka_unit_test(failing_getters_leave_the_cursor),
        cmocka_unit_test(skip_gives_the_item),
        cmocka_unit_test(accepted_bytes_reencode_to_themselves),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
