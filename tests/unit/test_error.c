/* test_error.c: every code has its words, and texts are cut, never overrun. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdio.h>
#include <string.h>

#include "common/error.h"

static void every_code_has_name_class_and_sentence(void **state) {
    (void)state;
    for (int code = ERR_OK; code < ERR_COUNT; code++) {
        struct error err;
        enum error_class expected = code == ERR_OK            ? ERROR_CLASS_NONE
                                    : code <= ERR_NOT_ALLOWED ? ERROR_CLASS_STATE
                                    : code <= ERR_EXISTS      ? ERROR_CLASS_INPUT
                                                              : ERROR_CLASS_MACHINE;
        assert_int_equal(error_class((enum error_code)code), expected);
        assert_non_null(error_name((enum error_code)code));
        assert_int_equal(error_set(&err, (enum error_code)code, "place %d", 7), code);
        assert_int_equal(err.code, code);
        assert_string_equal(err.cause, "place 7");
        if (code != ERR_OK) {
            /* A sentence ends, and was not cut. */
            assert_in_range(strlen(err.say), 20, sizeof(err.say) - 2);
            assert_int_equal(err.say[strlen(err.say) - 1], '.');
        }
        for (int other = ERR_OK; other < code; other++) {
            assert_string_not_equal(error_name((enum error_code)code),
                                    error_name((enum error_code)other));
        }
    }
}

static void each_level_adds_what_it_was_doing(void **state) {
    (void)state;
    struct error err;
    error_set(&err, ERR_DISK, "read of %d bytes", 5);
    assert_int_equal(error_while(&err, "opening %s", "x"), ERR_DISK);
    assert_string_equal(err.cause, "opening x: read of 5 bytes");
    assert_int_equal(error_say(&err, "Try %s.", "again"), ERR_DISK);
    assert_string_equal(err.say, "Try again.");
    assert_string_equal(err.cause, "opening x: read of 5 bytes");
    error_set(&err, ERR_FORM, "%s", err.cause); /* its own text as an argument */
    assert_string_equal(err.cause, "opening x: read of 5 bytes");
    error_clear(&err);
    assert_int_equal(err.code, ERR_OK);
    assert_string_equal(err.say, "");
    assert_string_equal(err.cause, "");
    error_while(&err, "alone");
    assert_string_equal(err.cause, "alone");
}

static void long_texts_are_cut(void **state) {
    (void)state;
    struct error err;
    char text[1000];
    memset(text, 'x', sizeof(text) - 1);
    text[sizeof(text) - 1] = '\0';
    error_set(&err, ERR_FORM, "%s", text);
    assert_int_equal(strlen(err.cause), sizeof(err.cause) - 1);
    error_while(&err, "doing");
    assert_int_equal(strlen(err.cause), sizeof(err.cause) - 1);
    assert_memory_equal(err.cause, "doing: xxx", 10);
    error_while(&err, "%s", text);
    assert_int_equal(strlen(err.cause), sizeof(err.cause) - 1);
    error_say(&err, "%s", text);
    assert_int_equal(strlen(err.say), sizeof(err.say) - 1);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_code_has_name_class_and_sentence),
        cmocka_unit_test(each_level_adds_what_it_was_doing),
        cmocka_unit_test(long_texts_are_cut),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
