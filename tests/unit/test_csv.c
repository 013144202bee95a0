/* test_csv.c: rows as RFC 4180 has them, and no formulas. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <string.h>

#include "common/csv.h"

static void expect_field(const char *field, const char *written) {
    struct buffer out;
    buffer_init(&out);
    csv_row(&out, &field, 1);
    buffer_append(&out, "", 1);
    assert_false(out.failed);
    char row[128];
    memcpy(row, out.data, out.size);
    buffer_release(&out);
    assert_int_equal(strcmp(row + strlen(row) - 2, "\r\n"), 0);
    row[strlen(row) - 2] = '\0';
    assert_string_equal(row, written);
}

static void fields_that_a_spreadsheet_would_run(void **state) {
    (void)state;
    expect_field("=1+1", "'=1+1");
    expect_field("+1", "'+1");
    expect_field("-1", "'-1");
    expect_field("@A1", "'@A1");
    expect_field("\tx", "'\tx");
    expect_field("\rx", "\"'\rx\"");
    expect_field("=A1,B1", "\"'=A1,B1\"");
    expect_field("=\"x\"", "\"'=\"\"x\"\"\"");
    expect_field("1=1", "1=1");
    expect_field("A-7", "A-7");
    expect_field("'x", "'x");
}

static void rows_have_commas_between_fields_and_crlf_behind(void **state) {
    (void)state;
    struct buffer out;
    const char *const first[] = {"bib", "", "table"};
    const char *const second[] = {"", ""};
    buffer_init(&out);
    csv_row(&out, first, 3);
    csv_row(&out, second, 2);
    assert_int_equal(out.size, strlen("bib,,table\r\n,\r\n"));
    assert_memory_equal(out.data, "bib,,table\r\n,\r\n", out.size);
    buffer_release(&out);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(fields_that_a_spreadsheet_would_run),
        cmocka_unit_test(rows_have_commas_between_fields_and_crlf_behind),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
