/* test_bytes.c: buffers, hex, times as text, UTF-8. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "common/bytes.h"
#include "tests/from_hex.h"

static void buffer_keeps_what_was_appended(void **state) {
    (void)state;
    struct buffer buffer;
    buffer_init(&buffer);
    assert_int_equal(buffer_slice(&buffer).size, 0);
    for (int i = 0; i < 1000; i++) {
        buffer_print(&buffer, "%03d,", i);
    }
    assert_int_equal(buffer.size, 4000);
    assert_memory_equal(buffer.data + 4 * 567, "567,", 4);
    buffer_drop(&buffer, 4 * 998);
    assert_int_equal(buffer.size, 8);
    assert_memory_equal(buffer.data, "998,999,", 8);
    buffer_append_slice(&buffer, slice_of(NULL, 0));
    buffer_append(&buffer, NULL, 0);
    assert_int_equal(buffer.size, 8);
    buffer_drop(&buffer, 8);
    assert_int_equal(buffer.size, 0);
    buffer_append(&buffer, "x", 1);
    buffer_clear(&buffer);
    assert_int_equal(buffer.size, 0);
    assert_false(buffer.failed);
    buffer_release(&buffer);
    assert_null(buffer.data);
}

static void buffer_out_of_memory_stays_failed(void **state) {
    (void)state;
    struct buffer buffer;
    buffer_init(&buffer);
    buffer_append(&buffer, "whole", 5);
    assert_false(buffer_reserve(&buffer, SIZE_MAX - 2));
    assert_true(buffer.failed);
    buffer_append(&buffer, "lost", 4);
    buffer_print(&buffer, "lost");
    assert_int_equal(buffer.size, 5);
    assert_memory_equal(buffer.data, "whole", 5);
    buffer_release(&buffer);
    assert_false(buffer.failed);
}

static void slices_compare_bytewise(void **state) {
    (void)state;
    assert_true(slice_compare(slice_text("a"), slice_text("b")) < 0);
    assert_true(slice_compare(slice_text("ab"), slice_text("a")) > 0);
    assert_true(slice_compare(slice_text("b"), slice_text("aa")) > 0);
    assert_true(slice_compare(slice_of("\xFF", 1), slice_of("\x01", 1)) > 0);
    assert_int_equal(slice_compare(slice_of(NULL, 0), slice_text("")), 0);
    assert_true(slice_equal(slice_of(NULL, 0), slice_text("")));
    assert_true(slice_equal(slice_text("ab"), slice_text("ab")));
    assert_false(slice_equal(slice_text("ab"), slice_text("abc")));
    assert_false(slice_equal(slice_text("ab"), slice_text("ac")));
}

static void hex_goes_both_ways(void **state) {
    (void)state;
    uint8_t all[256];
    uint8_t back[256];
    char text[513];
    for (size_t i = 0; i < sizeof(all); i++) {
        all[i] = (uint8_t)i;
    }
    hex_encode(all, sizeof(all), text);
    assert_int_equal(strlen(text), 512);
    assert_memory_equal(text + 2 * 0x9a, "9a9b", 4);
    assert_true(hex_decode(text, 512, back, sizeof(back)));
    assert_memory_equal(all, back, sizeof(all));
    assert_true(hex_decode("aBCdeF", 6, back, 3));
    assert_memory_equal(back, "\xAB\xCD\xEF", 3);
    assert_true(hex_decode("", 0, back, 0));
    assert_false(hex_decode("abc", 3, back, 1));
    assert_false(hex_decode("abcd", 4, back, 1));
    assert_false(hex_decode("ab", 2, back, 2));
    const char *bad[] = {"0g", "g0", " 0", "0x", "0:", "0/", "0@", "0G", "0`"};
    for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
        if (hex_decode(bad[i], 2, back, 1)) {
            fail_msg("taken as hex: %s", bad[i]);
        }
    }
}

static void wall_text_of_known_times(void **state) {
    (void)state;
    static const struct {
        int64_t ms;
        const char *text;
    } cases[] = {
        {482196050520, "1985-04-12T23:20:50Z"}, /* RFC 3339, 5.8 */
        {851042397000, "1996-12-20T00:39:57Z"}, /* RFC 3339, 5.8: 16:39:57-08:00 */
        {0, "1970-01-01T00:00:00Z"},
        {-1, "1969-12-31T23:59:59Z"},
        {-1000, "1969-12-31T23:59:59Z"},
        {-1001, "1969-12-31T23:59:58Z"},
        {-62167219200000, "0000-01-01T00:00:00Z"},
        {-62167219200001, "0000-01-01T00:00:00Z"},
        {253402300799999, "9999-12-31T23:59:59Z"},
        {253402300800000, "9999-12-31T23:59:59Z"},
        {INT64_MAX, "9999-12-31T23:59:59Z"},
        {INT64_MIN, "0000-01-01T00:00:00Z"},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        char text[21];
        wall_text((struct wall_ms){cases[i].ms}, text);
        assert_string_equal(text, cases[i].text);
    }
}

/* The C library's calendar as a second opinion, at every 11 days and some of 400 years and more. */
static void wall_text_agrees_with_the_c_library(void **state) {
    (void)state;
    int compared = 0;
    for (int64_t s = -62167219200; s <= 253402300799; s += 86400 * 11 + 12345) {
        char text[21];
        char expected[64];
        time_t when = (time_t)s;
        struct tm tm;
        assert_non_null(gmtime_r(&when, &tm));
        snprintf(expected, sizeof(expected), "%04d-%02d-%02dT%02d:%02d:%02dZ", tm.tm_year + 1900,
                 tm.tm_mon + 1, tm.tm_mday, tm.tm_hour, tm.tm_min, tm.tm_sec);
        wall_text((struct wall_ms){s * 1000 + 999}, text);
        assert_string_equal(text, expected);
        compared++;
    }
    assert_true(compared > 300000);
}

static void utf8_as_rfc_3629_says(void **state) {
    (void)state;
    static const struct {
        const char *hex;
        bool valid;
    } cases[] = {
        {"", true},
        {"41E289A2CE912E", true},     /* RFC 3629, section 7, first example */
        {"ED959CEAB5ADEC96B4", true}, /* second */
        {"E697A5E69CACE8AA9E", true}, /* third */
        {"EFBBBFF0A38EB4", true},     /* fourth */
        {"00", true},                 /* U+0000 */
        {"7F", true},
        {"C280", true}, /* U+0080, the first of two bytes */
        {"DFBF", true},
        {"E0A080", true},   /* U+0800 */
        {"ED9FBF", true},   /* U+D7FF, the last before the surrogates */
        {"EE8080", true},   /* U+E000, the first behind them */
        {"F0908080", true}, /* U+10000 */
        {"F48FBFBF", true}, /* U+10FFFF */
        {"C080", false},    /* overlong U+0000: RFC 3629, section 10 */
        {"C1BF", false},
        {"E09FBF", false},       /* overlong */
        {"F08FBFBF", false},     /* overlong */
        {"EDA080", false},       /* surrogate U+D800 */
        {"EDBFBF", false},       /* surrogate U+DFFF */
        {"EDA18CEDBEB4", false}, /* a pair of surrogates: section 10 */
        {"F4908080", false},     /* U+110000 */
        {"F5808080", false},
        {"FE", false},
        {"FF", false},
        {"80", false}, /* a tail alone */
        {"41BF", false},
        {"C3", false}, /* cut */
        {"E282", false},
        {"F09F98", false},
        {"C341", false}, /* no tail */
        {"E28241", false},
        {"F09F9841", false},
        {"F09F4180", false},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        uint8_t space[32];
        bool valid = utf8_valid(from_hex(cases[i].hex, space, sizeof(space)));
        if (valid != cases[i].valid) {
            fail_msg("%s: got %d, expected %d", cases[i].hex, valid, cases[i].valid);
        }
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(buffer_keeps_what_was_appended),
        cmocka_unit_test(buffer_out_of_memory_stays_failed),
        cmocka_unit_test(slices_compare_bytewise),
        cmocka_unit_test(hex_goes_both_ways),
        cmocka_unit_test(wall_text_of_known_times),
        cmocka_unit_test(wall_text_agrees_with_the_c_library),
        cmocka_unit_test(utf8_as_rfc_3629_says),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
