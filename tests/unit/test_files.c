/*
 * test_files.c: files that are written whole or not at all, and read with bounds. On real files in
 * a folder of the test's own. Errors are those that files.h names.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <dirent.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#include "node/files.h"

static char folder[64];

static int make_folder(void **state) {
    (void)state;
    snprintf(folder, sizeof(folder), "/tmp/bw-files-XXXXXX");
    return mkdtemp(folder) == NULL ? -1 : 0;
}

static int remove_folder(void **state) {
    (void)state;
    files_folder_remove(folder);
    return 0;
}

/* Two at a time, so that both may stand in one call. */
static const char *inside(const char *name) {
    static char paths[2][FILES_PATH_MAX];
    static unsigned turn;
    struct error err;
    char *path = paths[turn++ % 2];
    assert_int_equal(files_inside(folder, name, path, &err), ERR_OK);
    return path;
}

static void expect_content(const char *path, const char *content) {
    struct buffer read;
    struct error err;
    buffer_init(&read);
    assert_int_equal(files_read(path, 4096, &read, &err), ERR_OK);
    assert_int_equal(read.size, strlen(content));
    assert_memory_equal(read.data, content, read.size);
    buffer_release(&read);
}

static size_t count_names(void) {
    size_t count = 0;
    DIR *open = opendir(folder);
    assert_non_null(open);
    for (const struct dirent *entry; (entry = readdir(open)) != NULL;) {
        count += strcmp(entry->d_name, ".") != 0 && strcmp(entry->d_name, "..") != 0 ? 1 : 0;
    }
    closedir(open);
    return count;
}

static enum error_code write_text(const char *path, enum files_over over, const char *text) {
    struct error err;
    return files_write(path, 0600, over, slice_text(text), &err);
}

static void written_whole_and_not_over(void **state) {
    (void)state;
    struct stat st;
    assert_int_equal(write_text(inside("a"), FILES_NEW, "one"), ERR_OK);
    expect_content(inside("a"), "one");
    assert_int_equal(stat(inside("a"), &st), 0);
    assert_int_equal(st.st_mode & 07777, 0600);
    assert_int_equal(write_text(inside("a"), FILES_NEW, "two"), ERR_EXISTS);
    expect_content(inside("a"), "one");
    assert_int_equal(write_text(inside("a"), FILES_REPLACE, "two"), ERR_OK);
    expect_content(inside("a"), "two");
    assert_int_equal(write_text(inside("no/a"), FILES_NEW, "x"), ERR_USAGE);
    assert_int_equal(count_names(), 1);
}

/* What a link points to is neither read nor written, and the link stays. */
static void links_devices_and_folders_are_refused(void **state) {
    (void)state;
    struct buffer read;
    struct error err;
    struct stat st;
    buffer_init(&read);
    assert_int_equal(write_text(inside("target"), FILES_NEW, "precious"), ERR_OK);
    assert_int_equal(symlink(inside("target"), inside("link")), 0);
    assert_int_equal(symlink("nowhere", inside("dangling")), 0);
    assert_int_equal(mkfifo(inside("pipe"), 0600), 0);
    assert_int_equal(mkdir(inside("sub"), 0700), 0);
    static const char *const names[] = {"link", "dangling", "pipe", "sub"};
    for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++) {
        assert_int_equal(write_text(inside(names[i]), FILES_REPLACE, "x"), ERR_EXISTS);
        assert_int_equal(write_text(inside(names[i]), FILES_NEW, "x"), ERR_EXISTS);
        assert_int_equal(files_read(inside(names[i]), 100, &read, &err), ERR_FORM);
    }
    assert_int_equal(files_read("/dev/zero", 100, &read, &err), ERR_FORM);
    assert_int_equal(files_read(inside("missing"), 100, &read, &err), ERR_USAGE);
    assert_int_equal(read.size, 0);
    expect_content(inside("target"), "precious");
    assert_int_equal(lstat(inside("link"), &st), 0);
    assert_true(S_ISLNK(st.st_mode));
    buffer_release(&read);
}

static void reading_has_bounds(void **state) {
    (void)state;
    struct buffer read;
    struct error err;
    buffer_init(&read);
    assert_int_equal(write_text(inside("b"), FILES_NEW, "12345678"), ERR_OK);
    assert_int_equal(files_read(inside("b"), 8, &read, &err), ERR_OK);
    assert_int_equal(read.size, 8);
    buffer_clear(&read);
    assert_int_equal(files_read(inside("b"), 7, &read, &err), ERR_LIMIT);
    assert_int_equal(read.size, 0);
    buffer_release(&read);
}

static void secrets_are_for_us_alone(void **state) {
    (void)state;
    struct buffer read;
    struct error err;
    buffer_init(&read);
    assert_int_equal(write_text(inside("key"), FILES_NEW, "secret"), ERR_OK);
    assert_int_equal(files_read_secret(inside("key"), 100, &read, &err), ERR_OK);
    static const mode_t wider[] = {0640, 0604, 0610, 0602};
    for (size_t i = 0; i < sizeof(wider) / sizeof(wider[0]); i++) {
        assert_int_equal(chmod(inside("key"), wider[i]), 0);
        assert_int_equal(files_read_secret(inside("key"), 100, &read, &err), ERR_PERMISSION);
        assert_int_equal(chmod(folder, 0700 | (wider[i] & 077)), 0);
        assert_int_equal(files_folder_check(folder, &err), ERR_PERMISSION);
        assert_int_equal(chmod(folder, 0700), 0);
    }
    assert_int_equal(files_folder_check(folder, &err), ERR_OK);
    assert_int_equal(files_folder_check(inside("none"), &err), ERR_USAGE);
    assert_int_equal(files_folder_check(inside("key"), &err), ERR_NOT_OURS);
    if (geteuid() == 0) { /* only root can give files away */
        assert_int_equal(chmod(inside("key"), 0600), 0);
        assert_int_equal(chown(inside("key"), 12345, 12345), 0);
        assert_int_equal(files_read_secret(inside("key"), 100, &read, &err), ERR_NOT_OURS);
        assert_int_equal(chown(folder, 12345, 12345), 0);
        assert_int_equal(files_folder_check(folder, &err), ERR_NOT_OURS);
        assert_int_equal(chown(folder, 0, 0), 0);
    }
    assert_int_equal(read.size, 6);
    buffer_release(&read);
}

/* A limit on the size of files stands for a full disk: the same calls fail, with EFBIG. */
static void a_disk_that_is_full_leaves_the_old_file(void **state) {
    (void)state;
    struct error err;
    struct files_writer writer;
    struct rlimit before;
    static uint8_t block[4096];
    assert_int_equal(write_text(inside("c"), FILES_NEW, "old"), ERR_OK);
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    struct rlimit small = {.rlim_cur = 6000, .rlim_max = before.rlim_max};
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
    assert_int_equal(files_writer_open(inside("c"), 0600, FILES_REPLACE, &writer, &err), ERR_OK);
    assert_int_equal(files_writer_put(&writer, slice_of(block, sizeof(block)), &err), ERR_OK);
    assert_int_equal(files_writer_put(&writer, slice_of(block, sizeof(block)), &err),
                     ERR_DISK_FULL);
    files_writer_abandon(&writer);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
    expect_content(inside("c"), "old");
    assert_int_equal(count_names(), 1);
}

/* Bytes that change between writing and reading back: here by another hand, on a stick by a bad
 * cell. */
static void a_file_that_reads_back_differently_is_refused(void **state) {
    (void)state;
    struct error err;
    struct files_writer writer;
    assert_int_equal(files_writer_open(inside("d"), 0600, FILES_NEW, &writer, &err), ERR_OK);
    assert_int_equal(files_writer_put(&writer, slice_text("as it was meant"), &err), ERR_OK);
    assert_int_equal(pwrite(writer.fd, "X", 1, 3), 1);
    assert_int_equal(files_writer_finish(&writer, &err), ERR_DISK);
}

static void folders_get_their_name_when_they_are_whole(void **state) {
    (void)state;
    char temp[FILES_PATH_MAX];
    char path[FILES_PATH_MAX];
    struct error err;
    struct stat st;
    snprintf(path, sizeof(path), "%s/deep/er/station", folder);
    assert_int_equal(files_folder_free(path, &err), ERR_OK);
    assert_int_equal(files_folder_begin(path, temp, &err), ERR_OK);
    assert_false(files_exists(path));
    assert_int_equal(files_folder_finish(temp, path, &err), ERR_OK);
    assert_int_equal(stat(path, &st), 0);
    assert_int_equal(st.st_mode & 07777, 0700);
    assert_int_equal(files_folder_free(path, &err), ERR_OK); /* there, and empty */
    snprintf(path, sizeof(path), "%s/deep", folder);
    assert_int_equal(files_folder_free(path, &err), ERR_EXISTS);
    assert_int_equal(files_folder_begin(path, temp, &err), ERR_OK);
    assert_int_equal(files_folder_finish(temp, path, &err), ERR_EXISTS);
    files_folder_remove(temp);
    assert_false(files_exists(temp));
}

static void names(void **state) {
    (void)state;
    char path[FILES_PATH_MAX];
    char *longest = calloc(1, FILES_PATH_MAX + 1);
    struct error err;
    assert_non_null(longest);
    memset(longest, 'x', FILES_PATH_MAX);
    assert_int_equal(files_path("/a", "b/c", path, &err), ERR_OK);
    assert_string_equal(path, "/a/b/c");
    assert_int_equal(files_path("/a", "/b", path, &err), ERR_OK);
    assert_string_equal(path, "/b");
    assert_int_equal(files_path("/", "b", path, &err), ERR_OK);
    assert_string_equal(path, "/b");
    assert_int_equal(files_path("/a", "", path, &err), ERR_USAGE);
    assert_int_equal(files_path("/a", longest, path, &err), ERR_USAGE);
    longest[0] = '/';
    assert_int_equal(files_path("/a", longest, path, &err), ERR_USAGE);
    assert_int_equal(write_text("/tmp/", FILES_NEW, "x"), ERR_EXISTS);
    free(longest);
}

int main(void) {
    /* A write over the limit must be an error, not the end. */
    signal(SIGXFSZ, SIG_IGN);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(written_whole_and_not_over, make_folder, remove_folder),
        cmocka_unit_test_setup_teardown(links_devices_and_folders_are_refused, make_folder,
                                        remove_folder),
        cmocka_unit_test_setup_teardown(reading_has_bounds, make_folder, remove_folder),
        cmocka_unit_test_setup_teardown(secrets_are_for_us_alone, make_folder, remove_folder),
        cmocka_unit_test_setup_teardown(a_disk_that_is_full_leaves_the_old_file, make_folder,
                                        remove_folder),
        cmocka_unit_test_setup_teardown(a_file_that_reads_back_differently_is_refused, make_folder,
                                        remove_folder),
        cmocka_unit_test_setup_teardown(folders_get_their_name_when_they_are_whole, make_folder,
                                        remove_folder),
        cmocka_unit_test(names),
    };
    return sodium_init() < 0 ? 1 : cmocka_run_group_tests(tests, NULL, NULL);
}
