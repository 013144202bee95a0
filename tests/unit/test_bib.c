/* test_bib.c: labels and ranges as people type them. The rules are the project's own. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdio.h>
#include <string.h>

#include "common/bib.h"

static void labels_have_one_stored_form(void **state) {
    (void)state;
    static const struct {
        const char *typed;
        bool zeros_count;
        const char *stored;
    } cases[] = {
        {"42", false, "42"},
        {" 42\r\n", false, "42"},
        {"\t42 ", false, "42"},
        {"00042", false, "42"},
        {"00042", true, "00042"},
        {"0", false, "0"},
        {"000", false, "0"},
        {"000", true, "000"},
        {"a-7", false, "A-7"},
        {"m0042", false, "M0042"},
        {"0a", false, "0A"},
        {"-1", false, "-1"},
        {"zZ9", false, "ZZ9"},
        {"123456789012", false, "123456789012"},
        {"ABCDEFGHIJKL", false, "ABCDEFGHIJKL"},
        {"0000000000000000007", false, "7"},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct bib bib;
        struct error err;
        enum error_code code =
            bib_parse(slice_text(cases[i].typed), cases[i].zeros_count, &bib, &err);
        assert_int_equal(code, ERR_OK);
        assert_string_equal(bib.text, cases[i].stored);
        assert_true(bib_is_stored_form(slice_text(bib.text), cases[i].zeros_count));
    }
}

static void what_is_no_label_is_refused(void **state) {
    (void)state;
    static const char *const cases[] = {
        "",    "   ",       "\r\n",           "1 2", "1_2",           "1,2",
        "4.2", "\xC3\x84",  "1\xE2\x80\x93-", "42;", "1234567890123", "ABCDEFGHIJKLM",
        "#7",  "42\x1b[0m",
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct bib bib = {"KEPT"};
        struct error err;
        error_clear(&err);
        enum error_code code = bib_parse(slice_text(cases[i]), false, &bib, &err);
        if (code != ERR_BIB || err.code != ERR_BIB || strcmp(bib.text, "KEPT") != 0 ||
            err.say[0] == '\0') {
            fail_msg("'%s': code %d, bib %s, say '%s'", cases[i], code, bib.text, err.say);
        }
    }
    struct bib bib;
    struct error err;
    assert_int_equal(bib_parse(slice_of("4\0"
                                        "2",
                                        3),
                               false, &bib, &err),
                     ERR_BIB);
    assert_int_equal(bib_parse(slice_text("0000000000042"), true, &bib, &err), ERR_BIB);
    assert_int_equal(bib_parse(slice_of(NULL, 0), false, &bib, &err), ERR_BIB);
}

static void stored_form_is_strict(void **state) {
    (void)state;
    static const struct {
        const char *text;
        bool without_zeros;
        bool with_zeros;
    } cases[] = {
        {"42", true, true},    {"042", false, true}, {"0", true, true},
        {"00", false, true},   {"0A", true, true},   {"a7", false, false},
        {" 42", false, false}, {"", false, false},   {"1234567890123", false, false},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct slice text = slice_text(cases[i].text);
        assert_int_equal(bib_is_stored_form(text, false), cases[i].without_zeros);
        assert_int_equal(bib_is_stored_form(text, true), cases[i].with_zeros);
    }
}

static struct bib made(const char *text) {
    struct bib bib = {{0}};
    snprintf(bib.text, sizeof(bib.text), "%s", text);
    return bib;
}

static void order_is_the_one_people_expect(void **state) {
    (void)state;
    static const char *const rising[] = {"0",  "2",   "007",          "07", "7",
                                         "10", "100", "999999999999", "-1", "0A",
                                         "7A", "A10", "A2",           "B"};
    const size_t count = sizeof(rising) / sizeof(rising[0]);
    for (size_t i = 0; i < count; i++) {
        for (size_t k = 0; k < count; k++) {
            struct bib a = made(rising[i]);
            struct bib b = made(rising[k]);
            int order = bib_compare(&a, &b);
            if ((order < 0) != (i < k) || (order > 0) != (i > k)) {
                fail_msg("%s against %s: %d", a.text, b.text, order);
            }
        }
    }
}

static void numbers_of_numeric_labels_only(void **state) {
    (void)state;
    uint64_t number = 0;
    struct bib bib = made("999999999999");
    assert_true(bib_number(&bib, &number));
    assert_true(number == UINT64_C(999999999999));
    bib = made("0042");
    assert_true(bib_number(&bib, &number));
    assert_int_equal(number, 42);
    bib = made("A42");
    assert_false(bib_number(&bib, &number));
    bib = made("-42");
    assert_false(bib_number(&bib, &number));
}

static void ranges_are_read_and_shown(void **state) {
    (void)state;
    static const struct {
        const char *typed;
        const char *shown;
    } cases[] = {
        {"1-700,900,1200-1300", "1-700, 900, 1200-1300"},
        {" 1 - 700 , 900 ", "1-700, 900"},
        {"5", "5"},
        {"7-7", "7"},
        {"0-999999999999", "0-999999999999"},
        {"001-010", "1-10"},
        {"10-20,1-5", "10-20, 1-5"},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct bib_ranges ranges;
        struct error err;
        char shown[64];
        assert_int_equal(bib_ranges_parse(slice_text(cases[i].typed), &ranges, &err), ERR_OK);
        bib_ranges_text(&ranges, shown, sizeof(shown));
        assert_string_equal(shown, cases[i].shown);
    }
}

static void bad_ranges_are_refused(void **state) {
    (void)state;
    static const char *const cases[] = {
        "",
        " ",
        ",",
        "1,",
        ",1",
        "1,,2",
        "2-1",
        "1-",
        "-1",
        "1-2-3",
        "a",
        "A1-A5",
        "1-1000000000000",
        "1 2",
        "1;2",
        "0x10",
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct bib_ranges ranges = {.count = 63};
        struct error err;
        error_clear(&err);
        enum error_code code = bib_ranges_parse(slice_text(cases[i]), &ranges, &err);
        if (code != ERR_BIB || ranges.count != 63 || err.say[0] == '\0') {
            fail_msg("'%s': code %d, count %zu", cases[i], code, ranges.count);
        }
    }
}

static void ranges_are_bounded(void **state) {
    (void)state;
    char typed[512] = "1";
    struct bib_ranges ranges;
    struct error err;
    for (int i = 1; i < BIB_RANGES_MAX; i++) {
        strcat(typed, ",1");
    }
    assert_int_equal(bib_ranges_parse(slice_text(typed), &ranges, &err), ERR_OK);
    assert_int_equal(ranges.count, BIB_RANGES_MAX);
    strcat(typed, ",1");
    assert_int_equal(bib_ranges_parse(slice_text(typed), &ranges, &err), ERR_BIB);
}

static void ranges_hold_their_ends(void **state) {
    (void)state;
    struct bib_ranges ranges;
    struct error err;
    assert_int_equal(bib_ranges_parse(slice_text("10-20,30"), &ranges, &err), ERR_OK);
    static const uint64_t inside[] = {10, 15, 20, 30};
    static const uint64_t outside[] = {0, 9, 21, 29, 31, UINT64_MAX};
    for (size_t i = 0; i < sizeof(inside) / sizeof(inside[0]); i++) {
        assert_true(bib_ranges_hold(&ranges, inside[i]));
    }
    for (size_t i = 0; i < sizeof(outside) / sizeof(outside[0]); i++) {
        assert_false(bib_ranges_hold(&ranges, outside[i]));
    }
}

static void shown_ranges_are_cut_not_overrun(void **state) {
    (void)state;
    struct bib_ranges ranges;
    struct error err;
    char space[16];
    assert_int_equal(bib_ranges_parse(slice_text("1-700,900"), &ranges, &err), ERR_OK);
    for (size_t size = 0; size <= 12; size++) {
        memset(space, '#', sizeof(space));
        bib_ranges_text(&ranges, space, size);
        if (size > 0) {
            char expected[16];
            snprintf(expected, size, "%s", "1-700, 900");
            assert_string_equal(space, expected);
        }
        assert_int_equal(space[size], '#');
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(labels_have_one_stored_form),
        cmocka_unit_test(what_is_no_label_is_refused),
        cmocka_unit_test(stored_form_is_strict),
        cmocka_unit_test(order_is_the_one_people_expect),
        cmocka_unit_test(numbers_of_numeric_labels_only),
        cmocka_unit_test(ranges_are_read_and_shown),
        cmocka_unit_test(bad_ranges_are_refused),
        cmocka_unit_test(ranges_are_bounded),
        cmocka_unit_test(ranges_hold_their_ends),
        cmocka_unit_test(shown_ranges_are_cut_not_overrun),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
