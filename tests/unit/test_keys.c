/* test_keys.c: lines out of what scanners and people type. The AIM identifiers are those of ISO/IEC
 * 15424 for Code 128, GS1-128, Code 39, ITF and QR, from memory of secondary sources; that a
 * scanner ends with Enter or Tab, and how fast it types, is common practice, no source. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdio.h>
#include <string.h>

#include "common/bib.h"
#include "common/epc.h"
#include "common/keys.h"

enum { SCANNER = 8, PERSON = 180 }; /* milliseconds from key to key */

struct typist {
    struct keys keys;
    struct mono_ms now;
    struct keys_line line; /* the last */
    size_t lines;
};

static struct typist typist_with(const char *const *words) {
    struct typist typist = {.now = {1000}};
    struct keys_config config = keys_config_plain();
    struct error err;
    for (; words != NULL && *words != NULL; words++) {
        assert_int_equal(keys_config_word(slice_text(*words), &config, &err), ERR_OK);
    }
    keys_init(&typist.keys, &config);
    return typist;
}

/* Types `size` bytes, each `gap` behind the one before. */
static void type_bytes(struct typist *typist, const char *bytes, size_t size, int64_t gap) {
    for (size_t i = 0; i < size; i++) {
        typist->now.ms += gap;
        if (keys_take(&typist->keys, (uint8_t)bytes[i], typist->now, &typist->line)) {
            typist->lines++;
        }
    }
}

static void type(struct typist *typist, const char *text, int64_t gap) {
    type_bytes(typist, text, strlen(text), gap);
}

static void expect(const struct typist *typist, size_t lines, const char *text, bool scanned,
                   enum keys_fault fault) {
    assert_int_equal(typist->lines, lines);
    assert_string_equal(typist->line.text, text);
    assert_int_equal(typist->line.scanned, scanned);
    assert_int_equal(typist->line.fault, fault);
}

static void ends_of_lines(void **state) {
    (void)state;
    static const char *const ends[] = {"\r", "\n", "\r\n", "\t", "\t\r\n", "\n\n\r"};
    for (size_t i = 0; i < sizeof(ends) / sizeof(ends[0]); i++) {
        struct typist typist = typist_with(NULL);
        type(&typist, ends[i], SCANNER);
        assert_int_equal(typist.lines, 0);
        type(&typist, "00042", SCANNER);
        type(&typist, ends[i], SCANNER);
        expect(&typist, 1, "00042", true, KEYS_GOOD);
        type(&typist, "7", SCANNER);
        type(&typist, ends[i], SCANNER);
        expect(&typist, 2, "7", true, KEYS_GOOD);
    }
}

/* What zint's symbols read as (CHECKS: 128, 39 and QR keep digits, ITF is padded to an even count,
 * a check character of Code 39 comes as data), behind each identifier. */
static void identifiers_are_taken_off(void **state) {
    (void)state;
    static const struct {
        const char *typed, *text, *symbology;
    } cases[] = {
        {"]C000042\r", "00042", "C0"},
        {"]C112345\r", "12345", "C1"},
        {"]A01\r", "1", "A0"},
        {"]A012345P\r", "12345P", "A0"}, /* a check character is not guessed at */
        {"]I0012345\r", "012345", "I0"},
        {"]Q1+REPLACE\r", "+REPLACE", "Q1"},
        {"]d2A-17\r", "A-17", "d2"},
        {"]C0]C042\r", "]C042", "C0"}, /* one alone; the rest is data */
        {"]42\r", "]42", ""},
        {"]C\r", "]C", ""},
        {"]C-1\r", "]C-1", ""},
        {"12]C042\r", "12]C042", ""},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct typist typist = typist_with(NULL);
        type(&typist, cases[i].typed, SCANNER);
        expect(&typist, 1, cases[i].text, true, KEYS_GOOD);
        assert_string_equal(typist.line.symbology, cases[i].symbology);
    }
    struct typist typist = typist_with(NULL);
    type(&typist, "]C042\r", PERSON); /* nobody types that by hand */
    expect(&typist, 1, "42", true, KEYS_GOOD);
    type(&typist, "]C0\r", SCANNER);
    assert_int_equal(typist.lines, 1);
}

/* What comes out goes into the parsers of labels and EPCs as it is. */
static void lines_are_labels_and_chips(void **state) {
    (void)state;
    struct bib bib;
    struct epc epc;
    struct error err;
    struct typist typist = typist_with(NULL);
    type(&typist, "]I0012345\r", SCANNER);
    assert_int_equal(bib_parse(slice_text(typist.line.text), false, &bib, &err), ERR_OK);
    assert_string_equal(bib.text, "12345");
    assert_int_equal(bib_parse(slice_text(typist.line.text), true, &bib, &err), ERR_OK);
    assert_string_equal(bib.text, "012345");
    type(&typist, "3500007AB70425F000000586\t", SCANNER);
    assert_int_equal(epc_parse(slice_text(typist.line.text), &epc, &err), ERR_OK);
    assert_int_equal(epc.size, 12);
}

static void prefix_and_suffix(void **state) {
    (void)state;
    static const char *const words[] = {"prefix=\\x02", "suffix=~\\x03", NULL};
    struct typist typist = typist_with(words);
    type(&typist,
         "\x02"
         "42~\x03\r",
         PERSON);
    expect(&typist, 1, "42", true, KEYS_GOOD);
    type(&typist,
         "\x02"
         "]C000042~\x03\r",
         SCANNER);
    expect(&typist, 2, "00042", true, KEYS_GOOD);
    type(&typist,
         "]C0\x02"
         "43~\x03\r",
         SCANNER);
    expect(&typist, 3, "43", true, KEYS_GOOD);
    assert_string_equal(typist.line.symbology, "C0");
    type(&typist, "44\r", PERSON); /* by hand, beside the scanner */
    expect(&typist, 4, "44", false, KEYS_GOOD);
    type(&typist,
         "\x02"
         "45\r",
         SCANNER);
    expect(&typist, 5, "45\xEF\xBF\xBD", true, KEYS_TORN);
    type(&typist, "5~\x03\r", SCANNER);
    expect(&typist, 6, "5\xEF\xBF\xBD", true, KEYS_TORN);
    type(&typist, "\x02~\x03\r", SCANNER);
    assert_int_equal(typist.lines, 6);
    static const char *const one[] = {"prefix=BIB\\\\", NULL};
    typist = typist_with(one);
    type(&typist, "BIB\\42\r", SCANNER);
    expect(&typist, 1, "42", true, KEYS_GOOD);
}

static void words_of_a_configuration(void **state) {
    (void)state;
    static const struct {
        const char *word;
        enum error_code code;
    } cases[] = {
        {"prefix=", ERR_USAGE},
        {"prefix=\\x0D", ERR_USAGE},
        {"suffix=\\x09", ERR_USAGE},
        {"suffix=\\n", ERR_USAGE},
        {"suffix=\\x0", ERR_USAGE},
        {"suffix=ABCDEFGHIJKLMNOP", ERR_OK},
        {"suffix=ABCDEFGHIJKLMNOPQ", ERR_LIMIT},
        {"gap=", ERR_LIMIT},
        {"gap=0", ERR_LIMIT},
        {"gap=500", ERR_OK},
        {"gap=501", ERR_LIMIT},
        {"gap=99999999999999999999999", ERR_LIMIT},
        {"gap=5ms", ERR_USAGE},
        {"speed=5", ERR_USAGE},
        {"", ERR_USAGE},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct keys_config config = keys_config_plain(), before = config;
        struct error err;
        assert_int_equal(keys_config_word(slice_text(cases[i].word), &config, &err), cases[i].code);
        assert_int_equal(memcmp(&config, &before, sizeof(config)) == 0, cases[i].code != ERR_OK);
    }
}

static void speed_tells_a_scanner(void **state) {
    (void)state;
    struct typist typist = typist_with(NULL);
    type(&typist, "4711\r", KEYS_GAP_MS);
    expect(&typist, 1, "4711", true, KEYS_GOOD);
    type(&typist, "4711\r", KEYS_GAP_MS + 1);
    expect(&typist, 2, "4711", false, KEYS_GOOD);
    type(&typist, "4711", SCANNER); /* Enter by hand */
    type(&typist, "\r", PERSON);
    expect(&typist, 3, "4711", false, KEYS_GOOD);
    type(&typist, "471", PERSON); /* the last two keys with two hands */
    type(&typist, "1", PERSON);
    type(&typist, "\r", SCANNER);
    expect(&typist, 4, "4711", false, KEYS_GOOD);
    static const char *const slow[] = {"gap=200", NULL};
    typist = typist_with(slow);
    type(&typist, "4711\r", PERSON);
    expect(&typist, 1, "4711", true, KEYS_GOOD);
}

/* A number that was begun by hand, and then a scan: never one number of both. */
static void a_scan_behind_half_a_number(void **state) {
    (void)state;
    struct bib bib;
    struct error err;
    struct typist typist = typist_with(NULL);
    type(&typist, "12", PERSON);
    typist.now.ms += 5000;
    type(&typist, "345\r", SCANNER);
    expect(&typist, 1,
           "12\xEF\xBF\xBD"
           "345",
           true, KEYS_MIXED);
    assert_int_equal(bib_parse(slice_text(typist.line.text), false, &bib, &err), ERR_BIB);
    type(&typist, "345\r", SCANNER);
    expect(&typist, 2, "345", true, KEYS_GOOD);
    type(&typist, "12", SCANNER); /* a scan that was cut, and the next */
    typist.now.ms += 5000;
    type(&typist, "]C0345\r", SCANNER);
    expect(&typist, 3,
           "12\xEF\xBF\xBD"
           "345",
           true, KEYS_MIXED);
    type(&typist, "  ", PERSON);
    type(&typist, "345\r", PERSON);
    expect(&typist, 4, "  345", false, KEYS_GOOD);
    type(&typist, " ", PERSON);
    typist.now.ms += PERSON;
    type(&typist, "345\r", SCANNER);
    expect(&typist, 5, "345", true, KEYS_GOOD);
    type(&typist, "99", SCANNER);
    assert_true(keys_pending(&typist.keys));
    keys_reset(&typist.keys); /* unplugged */
    assert_false(keys_pending(&typist.keys));
    type(&typist, "345\r", SCANNER);
    expect(&typist, 6, "345", true, KEYS_GOOD);
}

static void people_take_keys_back(void **state) {
    (void)state;
    struct typist typist = typist_with(NULL);
    type(&typist, "43\b2\r", PERSON);
    expect(&typist, 1, "42", false, KEYS_GOOD);
    type(&typist,
         "99\x1B"
         "42\r",
         PERSON);
    expect(&typist, 2, "42", false, KEYS_GOOD);
    type(&typist,
         "9\x7F\x7F\x7F"
         "42\r",
         PERSON);
    expect(&typist, 3, "42", false, KEYS_GOOD);
    type(&typist, "4\xC3\xA9\b2\r", PERSON); /* a whole character */
    expect(&typist, 4, "42", false, KEYS_GOOD);
    type(&typist, "99\x15\r", PERSON);
    assert_int_equal(typist.lines, 4);
    /* In a barcode they are no wish of a person. */
    type(&typist, "12\b7\r", SCANNER);
    assert_int_equal(typist.line.fault, KEYS_NOT_TEXT);
    type(&typist,
         "12\x1B"
         "7\r",
         SCANNER);
    assert_int_equal(typist.line.fault, KEYS_NOT_TEXT);
    typist.now.ms += 1000;
    type(&typist, "\x1B[A\r", SCANNER); /* a terminal's arrow key */
    assert_int_equal(typist.line.fault, KEYS_NOT_TEXT);
    assert_int_equal(typist.lines, 7);
    typist.now.ms += 1000;
    type(&typist, "42\r", SCANNER);
    expect(&typist, 8, "42", true, KEYS_GOOD);
    typist.keys.config.bunched = true; /* a terminal that was busy */
    type(&typist, "43\b2\r", 0);
    expect(&typist, 9, "42", false, KEYS_GOOD);
}

static void what_is_no_text(void **state) {
    (void)state;
    static const struct {
        const char *bytes;
        size_t size;
        const char *text;
        enum keys_fault fault;
    } cases[] = {
        {"4\0002\n", 4,
         "4\xEF\xBF\xBD"
         "2",
         KEYS_NOT_TEXT},
        {"42\x1D"
         "17\n",
         6,
         "42\xEF\xBF\xBD"
         "17",
         KEYS_NOT_TEXT}, /* a GS1 separator */
        {"\xFF\xFE\xFD\n", 4, "\xEF\xBF\xBD", KEYS_NOT_TEXT},
        {"4\xC3\n", 3, "4\xEF\xBF\xBD", KEYS_NOT_TEXT},       /* cut in a character */
        {"\xC0\xB4\n", 3, "\xEF\xBF\xBD", KEYS_NOT_TEXT},     /* overlong "4" */
        {"\xED\xA0\x80\n", 4, "\xEF\xBF\xBD", KEYS_NOT_TEXT}, /* surrogate */
        {"4\xC2\x85\n", 4, "4\xEF\xBF\xBD", KEYS_NOT_TEXT},   /* C1 */
        {"J\xC3\xB6rg\n", 6, "J\xC3\xB6rg", KEYS_GOOD},
        {"\xEF\xBC\x94\xF0\x9F\x8F\x83\n", 8, "\xEF\xBC\x94\xF0\x9F\x8F\x83", KEYS_GOOD},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct typist typist = typist_with(NULL);
        type_bytes(&typist, cases[i].bytes, cases[i].size, SCANNER);
        expect(&typist, 1, cases[i].text, true, cases[i].fault);
    }
    struct typist typist = typist_with(NULL);
    type(&typist, "4", SCANNER);
    keys_spoil(&typist.keys, typist.now); /* a key without a meaning */
    type(&typist, "2\r", SCANNER);
    expect(&typist, 1,
           "4\xEF\xBF\xBD"
           "2",
           true, KEYS_NOT_TEXT);
}

static void lines_are_bounded(void **state) {
    (void)state;
    struct typist typist = typist_with(NULL);
    for (size_t i = 0; i < KEYS_LINE_MAX; i++) {
        type(&typist, "7", SCANNER);
    }
    type(&typist, "\r", SCANNER);
    assert_int_equal(typist.lines, 1);
    assert_int_equal(typist.line.fault, KEYS_GOOD);
    assert_int_equal(strlen(typist.line.text), KEYS_LINE_MAX);
    for (size_t i = 0; i < 100000; i++) {
        type(&typist, "\xC3\xB6", SCANNER);
    }
    type(&typist, "\r", SCANNER);
    assert_int_equal(typist.lines, 2);
    assert_int_equal(typist.line.fault, KEYS_TOO_LONG);
    assert_true(utf8_valid(slice_text(typist.line.text)));
    assert_non_null(strstr(typist.line.text, "\xEF\xBF\xBD"));
    type(&typist, "42\r", SCANNER);
    expect(&typist, 3, "42", true, KEYS_GOOD);
}

static void whole_lines(void **state) {
    (void)state;
    struct keys_config config = keys_config_plain();
    struct keys_line line;
    assert_false(keys_read(&config, slice_text(""), true, &line));
    assert_false(keys_read(&config, slice_text("\r\n"), true, &line));
    assert_false(keys_read(&config, slice_text("  \t"), true, &line));
    assert_true(keys_read(&config, slice_text("]C000042\r\n"), false, &line));
    assert_string_equal(line.text, "00042");
    assert_true(line.scanned);
    assert_true(keys_read(&config, slice_text("42"), false, &line));
    assert_false(line.scanned);
    assert_true(keys_read(&config, slice_text("42\n43"), true, &line));
    assert_int_equal(line.fault, KEYS_NOT_TEXT);
}

static void faults_say_what_to_do(void **state) {
    (void)state;
    static const struct {
        enum keys_fault fault;
        enum error_code code;
    } cases[] = {{KEYS_GOOD, ERR_OK},
                 {KEYS_NOT_TEXT, ERR_FORM},
                 {KEYS_TOO_LONG, ERR_LIMIT},
                 {KEYS_TORN, ERR_TRUNCATED},
                 {KEYS_MIXED, ERR_TRUNCATED}};
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct error err;
        assert_int_equal(keys_fault_error(cases[i].fault, &err), cases[i].code);
        assert_int_equal(err.code, cases[i].code);
        assert_int_equal(err.say[0] != '\0', cases[i].code != ERR_OK);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ends_of_lines),
        cmocka_unit_test(identifiers_are_taken_off),
        cmocka_unit_test(lines_are_labels_and_chips),
        cmocka_unit_test(prefix_and_suffix),
        cmocka_unit_test(words_of_a_configuration),
        cmocka_unit_test(speed_tells_a_scanner),
        cmocka_unit_test(a_scan_behind_half_a_number),
        cmocka_unit_test(people_take_keys_back),
        cmocka_unit_test(what_is_no_text),
        cmocka_unit_test(lines_are_bounded),
        cmocka_unit_test(whole_lines),
        cmocka_unit_test(faults_say_what_to_do),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
