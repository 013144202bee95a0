/*
 * test_show.c: names and texts from outside before they reach a terminal. The controls are those of
 * ECMA-48 (C0, DEL, C1), and the marks that Unicode lists as Bidi_Control.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <string.h>

#include "node/show.h"

static void expect_plain(const char *text, const char *shown) {
    struct buffer out;
    buffer_init(&out);
    show_plain(&out, slice_text(text));
    buffer_append(&out, "", 1);
    assert_false(out.failed);
    assert_string_equal((const char *)out.data, shown);
    buffer_release(&out);
}

static void what_people_write_stays(void **state) {
    (void)state;
    expect_plain("Table 1", "Table 1");
    expect_plain("Stra\xC3\x9F"
                 "e, \xE6\x9D\xB1, \xF0\x9F\x8F\x81",
                 "Stra\xC3\x9F"
                 "e, \xE6\x9D\xB1, \xF0\x9F\x8F\x81");
    expect_plain("a\\b \"c\"", "a\\b \"c\"");
}

static void what_steers_a_terminal_is_written_out(void **state) {
    (void)state;
    expect_plain("\x1B[31mred", "\\x1b[31mred");
    expect_plain("a\nb\tc\rd\x7F", "a\\x0ab\\x09c\\x0dd\\x7f");
    expect_plain("\xC2\x9B"
                 "2J",
                 "\\xc2\\x9b2J"); /* CSI as one character */
    expect_plain("\xE2\x80\xAE"
                 "75 bib",
                 "\\xe2\\x80\\xae75 bib"); /* U+202E turns what follows round */
    expect_plain("\xE2\x81\xA6x\xE2\x80\x8Ey", "\\xe2\\x81\\xa6x\\xe2\\x80\\x8ey");
    expect_plain("\xD8\x9Cx", "\\xd8\\x9cx");
}

static void what_is_no_utf8_is_written_out(void **state) {
    (void)state;
    expect_plain("\xFFx", "\\xffx");
    expect_plain("a\xC3", "a\\xc3");
    expect_plain("\xE6\x9D", "\\xe6\\x9d");
    expect_plain("\xC0\x8A", "\\xc0\\x8a");          /* an overlong line feed */
    expect_plain("\xED\xA0\x80", "\\xed\\xa0\\x80"); /* a surrogate */
}

static void json_takes_any_bytes(void **state) {
    (void)state;
    json_t *value = show_text_json("\xFF\x1B");
    assert_non_null(value);
    assert_string_equal(json_string_value(value), "\\xff\\x1b");
    json_decref(value);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_people_write_stays),
        cmocka_unit_test(what_steers_a_terminal_is_written_out),
        cmocka_unit_test(what_is_no_utf8_is_written_out),
        cmocka_unit_test(json_takes_any_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
