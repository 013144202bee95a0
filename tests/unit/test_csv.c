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

/* ---- reading ---- */

/* Rows as "a|b/c|d", a broken one as "!", each with its line behind it. */
static void expect_rows(const char *file, size_t size, const char *rows) {
    struct csv_reader reader;
    struct buffer text, told;
    struct slice fields[3];
    size_t count = 0;
    uint64_t line = 0;
    enum csv_got got;
    buffer_init(&text);
    buffer_init(&told);
    csv_open(&reader, slice_of(file, size));
    while ((got = csv_read(&reader, &text, fields, 3, &count, &line)) != CSV_END) {
        assert_int_not_equal(got, CSV_NO_MEMORY);
        buffer_print(&told, "%llu:", (unsigned long long)line);
        for (size_t i = 0; got == CSV_ROW && i < count && i < 3; i++) {
            buffer_print(&told, "%s%.*s", i == 0 ? "" : "|", (int)fields[i].size,
                         fields[i].data == NULL ? "" : (const char *)fields[i].data);
        }
        buffer_print(&told, "%s%s/", got == CSV_BROKEN ? "!" : "", count > 3 ? "+" : "");
    }
    buffer_append(&told, "", 1);
    assert_false(told.failed);
    assert_string_equal((const char *)told.data, rows);
    buffer_release(&text);
    buffer_release(&told);
}
#define EXPECT_ROWS(file, rows) expect_rows(file, sizeof(file) - 1, rows)

/* RFC 4180, section 2. */
static void rows_are_read(void **state) {
    (void)state;
    EXPECT_ROWS("", "");
    EXPECT_ROWS("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", "1:aaa|bbb|ccc/2:zzz|yyy|xxx/");
    EXPECT_ROWS("aaa,bbb,ccc\r\nzzz,yyy,xxx", "1:aaa|bbb|ccc/2:zzz|yyy|xxx/"); /* no last end */
    EXPECT_ROWS("\"aaa\",\"b \r\nbb\",\"ccc\"\r\nzzz,yyy,xxx", "1:aaa|b \nbb|ccc/3:zzz|yyy|xxx/");
    EXPECT_ROWS("\"aaa\",\"b\"\"bb\",\"c,c\"", "1:aaa|b\"bb|c,c/");
    EXPECT_ROWS("\"\"\"\",\"\"", "1:\"|/");
    EXPECT_ROWS("a,b,c,d\n", "1:a|b|c+/");
    EXPECT_ROWS("a,\n,\n\nb", "1:a|/2:|/3:/4:b/");
    EXPECT_ROWS(" a , b\n", "1: a | b/"); /* blanks are part of a field */
}

static void rows_of_other_programs(void **state) {
    (void)state;
    EXPECT_ROWS("\xEF\xBB\xBF"
                "bib;epc\n7;AB\n",
                "1:bib|epc/2:7|AB/");
    EXPECT_ROWS("bib\tepc\r7\tA,B\r", "1:bib|epc/2:7|A,B/");
    EXPECT_ROWS("bib\n1,2\n", "1:bib/2:1|2/");
}

static void broken_rows_are_stepped_over(void **state) {
    (void)state;
    EXPECT_ROWS("a,b\nc\"d,e\nf,g\n", "1:a|b/2:!/3:f|g/");
    EXPECT_ROWS("a,b\n\"c\"d,e\nf,g\n", "1:a|b/2:!/3:f|g/");
    EXPECT_ROWS("a,b\n\"c,d\ne,f\n", "1:a|b/2:!/"); /* no end to be found */
    EXPECT_ROWS("a\n\"", "1:a/2:!/");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(fields_that_a_spreadsheet_would_run),
        cmocka_unit_test(rows_have_commas_between_fields_and_crlf_behind),
        cmocka_unit_test(rows_are_read),
        cmocka_unit_test(rows_of_other_programs),
        cmocka_unit_test(broken_rows_are_stepped_over),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
