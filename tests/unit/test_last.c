/*
 * test_last.c: the file beside the data folder that knows what was written last. The promises are
 * those of last.h; no source outside this project.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "node/files.h"
#include "node/last.h"

static char folder[64], data[80], beside[80];
static const struct sign_public key = {{7}};
static const struct sign_public other_key = {{8}};

static int make_folder(void **state) {
    (void)state;
    snprintf(folder, sizeof folder, "/tmp/bw-last-XXXXXX");
    if (mkdtemp(folder) == NULL) {
        return -1;
    }
    snprintf(data, sizeof data, "%s/table", folder);
    snprintf(beside, sizeof beside, "%s/.table.last", folder);
    return mkdir(data, 0700);
}

static int remove_folder(void **state) {
    (void)state;
    files_folder_remove(folder);
    return 0;
}

static struct log_id log_of(unsigned n) {
    struct log_id log = {{(uint8_t)n, (uint8_t)(n >> 8), 1}};
    return log;
}

static void note(struct last *last, unsigned n, uint64_t number) {
    struct log_id log = log_of(n);
    struct record_id id = {{(uint8_t)number, (uint8_t)(number >> 8), (uint8_t)n}};
    last_note(last, &log, number, &id);
}

static void assert_newest(const struct last *last, unsigned n, uint64_t number) {
    const struct last_row *row = last_newest(last);
    struct log_id log = log_of(n);
    assert_non_null(row);
    assert_memory_equal(row->log.bytes, log.bytes, sizeof log.bytes);
    assert_int_equal(row->number, number);
    assert_int_equal(row->id[0], number & 0xff);
    assert_int_equal(row->id[2], n & 0xff);
}

static void what_was_noted_is_read_again(void **state) {
    struct last last;
    struct stat st;
    (void)state;
    last_open(&last, data, &key);
    assert_null(last_newest(&last));
    for (uint64_t number = 1; number <= 300; number++) {
        note(&last, 1, number);
    }
    note(&last, 2, 1);
    note(&last, 1, 301); /* an older log keeps its place */
    last_close(&last);
    last_open(&last, data, &key);
    assert_int_equal(last.count, 2);
    assert_int_equal(last.row[0].number, 301);
    assert_newest(&last, 2, 1);
    last_close(&last);
    assert_int_equal(stat(beside, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0600);
    assert_int_equal(st.st_size, 3 * 64); /* one row a log, however often it is noted */
}

/* However the folder is named, it is one file. */
static void one_folder_has_one_file(void **state) {
    char name[120], link[120];
    struct last last;
    (void)state;
    last_open(&last, data, &key);
    note(&last, 3, 33);
    last_close(&last);
    snprintf(name, sizeof name, "%s/./table/", folder);
    last_open(&last, name, &key);
    assert_newest(&last, 3, 33);
    last_close(&last);
    snprintf(link, sizeof link, "%s/link", folder);
    assert_int_equal(symlink(data, link), 0);
    last_open(&last, link, &key);
    assert_newest(&last, 3, 33);
    last_close(&last);
}

static void another_station_begins_anew(void **state) {
    struct last last;
    (void)state;
    last_open(&last, data, &key);
    note(&last, 4, 44);
    last_close(&last);
    last_open(&last, data, &other_key);
    assert_int_equal(last.count, 0);
    note(&last, 5, 55);
    last_close(&last);
    last_open(&last, data, &other_key);
    assert_newest(&last, 5, 55);
    last_close(&last);
}

/* A row with a turned byte says nothing, and the others stay where they are. */
static void a_torn_row_says_nothing(void **state) {
    struct last last;
    (void)state;
    unlink(beside);
    last_open(&last, data, &key);
    note(&last, 6, 66);
    note(&last, 7, 77);
    last_close(&last);
    FILE *file = fopen(beside, "r+b");
    assert_non_null(file);
    fseek(file, 64 + 20, SEEK_SET); /* in the number of the first row */
    fputc(0xff, file);
    fclose(file);
    last_open(&last, data, &key);
    assert_int_equal(last.count, 2);
    assert_int_equal(last.row[0].number, 0);
    assert_newest(&last, 7, 77);
    note(&last, 7, 78);
    last_close(&last);
    last_open(&last, data, &key);
    assert_newest(&last, 7, 78);
    last_close(&last);
}

static void a_full_table_keeps_the_newest(void **state) {
    struct last last;
    (void)state;
    unlink(beside);
    last_open(&last, data, &key);
    for (unsigned n = 1; n <= LAST_ROWS_MAX + 1; n++) {
        note(&last, n, n);
    }
    last_close(&last);
    last_open(&last, data, &key);
    assert_int_equal(last.count, LAST_ROWS_MAX / 2 + 1);
    assert_newest(&last, LAST_ROWS_MAX + 1, LAST_ROWS_MAX + 1);
    last_close(&last);
}

/* Where the file cannot be, nothing is said and nothing fails. */
static void without_a_file_all_goes_on(void **state) {
    struct last last = {0};
    (void)state;
    last_close(&last);
    unlink(beside);
    assert_int_equal(mkdir(beside, 0700), 0);
    last_open(&last, data, &key);
    note(&last, 8, 88);
    assert_null(last_newest(&last));
    last_close(&last);
    assert_int_equal(rmdir(beside), 0);
    last_open(&last, "/", &key); /* has no place beside it */
    note(&last, 8, 88);
    assert_null(last_newest(&last));
    last_close(&last);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_was_noted_is_read_again),
        cmocka_unit_test(one_folder_has_one_file),
        cmocka_unit_test(another_station_begins_anew),
        cmocka_unit_test(a_torn_row_says_nothing),
        cmocka_unit_test(a_full_table_keeps_the_newest),
        cmocka_unit_test(without_a_file_all_goes_on),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
