/* The root's key under a passphrase, in a folder and in a recovery file. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>
#include <sodium.h>

#include "node/files.h"
#include "node/passphrase.h"
#include "node/rootkey.h"

static char folder[64];

static void path_of(const char *name, char out[128]) {
    snprintf(out, 128, "%s/%s", folder, name);
}

static int make_folder(void **state) {
    (void)state;
    snprintf(folder, sizeof folder, "/tmp/bw-seal-XXXXXX");
    return mkdtemp(folder) == NULL || sodium_init() < 0;
}

static int remove_folder(void **state) {
    (void)state;
    files_folder_remove(folder);
    return 0;
}

static struct slice good(void) {
    return slice_text("correct horse battery");
}

/* A root key of an invented event, not sealed. */
static void make_key(struct rootkey *key) {
    static const uint8_t seed[32] = {7}, curve[32];
    struct station_keys keys;
    struct buffer body, raw;
    struct error err;
    struct record_found found = {
        .name = slice_text("Kettle Hill Run"), .bibs = {1, {{1, 2000}}}, .category_count = 1};
    found.category[0].name = slice_text("all");
    found.category[0].scheme = (struct epc_scheme){.kind = EPC_OWN, .code = 4711};
    found.category[0].tags_per_bib = 1;
    memset(key, 0, sizeof *key);
    identity_keys(seed, curve, &keys);
    buffer_init(&body);
    buffer_init(&raw);
    record_found_write(&found, &body);
    key->event.root = keys.sign_public;
    key->event.event = identity_event(&keys.sign_public, buffer_slice(&body));
    memcpy(key->seed, seed, sizeof key->seed);
    snprintf(key->name, sizeof key->name, "Kettle Hill Run");
    struct record record = {.number = 2,
                            .has_previous = true,
                            .kind = RECORD_FOUND,
                            .wall = {1800000000000},
                            .body = buffer_slice(&body)};
    assert_int_equal(
        record_encode(&record, NULL, 0, &key->event.event, &keys.sign_secret, &raw, &err), ERR_OK);
    memcpy(key->found, raw.data, raw.size);
    key->found_size = raw.size;
    buffer_release(&body);
    buffer_release(&raw);
}

static void sealed_and_opened(void **state) {
    static const uint8_t secret[32] = {1, 2, 3}, zeros[32];
    uint8_t got[32];
    struct seal seal;
    struct error err;
    (void)state;
    assert_int_equal(seal_make(secret, good(), &seal, &err), ERR_OK);
    /* libsodium's MODERATE limits, which are what was decided on */
    assert_int_equal(seal.passes, crypto_pwhash_OPSLIMIT_MODERATE);
    assert_int_equal(seal.memory, crypto_pwhash_MEMLIMIT_MODERATE);
    assert_memory_not_equal(seal.box + 16, secret, 32);
    assert_int_equal(seal_open(&seal, good(), got, &err), ERR_OK);
    assert_memory_equal(got, secret, 32);
    assert_int_equal(seal_open(&seal, slice_text("correct horse batterz"), got, &err),
                     ERR_SIGNATURE);
    assert_memory_equal(got, zeros, 32);
    seal.box[40] ^= 1;
    assert_int_equal(seal_open(&seal, good(), got, &err), ERR_SIGNATURE);
    seal.box[40] ^= 1;
    seal.salt[3] ^= 1;
    assert_int_equal(seal_open(&seal, good(), got, &err), ERR_SIGNATURE);
}

/* A file from outside must not make the machine work for ever, or take all of its memory. */
static void seal_of_a_stranger(void **state) {
    struct seal seal = {.passes = 3, .memory = 1 << 28}, back;
    static const struct {
        uint64_t passes, memory;
        bool taken;
    } rows[] = {{3, 1 << 28, true},
                {16, 1 << 30, true},
                {17, 1 << 28, false},
                {0, 1 << 28, false},
                {3, ((uint64_t)1 << 30) + 1, false},
                {3, 100, false}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct buffer bytes;
        buffer_init(&bytes);
        seal.passes = rows[i].passes;
        seal.memory = rows[i].memory;
        seal_put(&seal, &bytes);
        struct canon_reader reader = canon_read(buffer_slice(&bytes));
        if (seal_get(&reader, &back) != rows[i].taken) {
            fail_msg("%llu passes of %llu bytes", (unsigned long long)rows[i].passes,
                     (unsigned long long)rows[i].memory);
        }
        buffer_release(&bytes);
    }
}

static mode_t mode_of(const char *path) {
    struct stat st;
    assert_int_equal(stat(path, &st), 0);
    return st.st_mode & 07777;
}

static void key_in_a_folder(void **state) {
    struct rootkey key, back;
    struct error err;
    char path[128];
    (void)state;
    make_key(&key);
    path_of("root.key", path);
    assert_int_equal(rootkey_write(path, ROOTKEY_FOLDER, &key, false, &err), ERR_OK);
    assert_int_equal(mode_of(path), 0600);
    assert_int_equal(rootkey_read(path, ROOTKEY_FOLDER, &back, &err), ERR_OK);
    assert_false(back.sealed);
    assert_memory_equal(back.seed, key.seed, 32);
    assert_string_equal(back.name, "Kettle Hill Run");
    assert_int_equal(rootkey_read(path, ROOTKEY_RECOVERY, &back, &err), ERR_FORM);
    assert_int_equal(chmod(path, 0640), 0);
    assert_int_equal(rootkey_read(path, ROOTKEY_FOLDER, &back, &err), ERR_PERMISSION);
    assert_int_equal(unlink(path), 0);
}

static void recovery_file(void **state) {
    struct rootkey key, back;
    uint8_t seed[32];
    struct error err;
    char path[128], other[128];
    (void)state;
    make_key(&key);
    uint8_t expected[32];
    memcpy(expected, key.seed, sizeof expected);
    assert_int_equal(rootkey_seal(&key, good(), &err), ERR_OK);
    path_of("recovery", path);
    path_of("root.key", other);
    assert_int_equal(rootkey_write(path, ROOTKEY_RECOVERY, &key, false, &err), ERR_OK);
    assert_int_equal(mode_of(path), 0600);
    assert_int_equal(rootkey_write(path, ROOTKEY_RECOVERY, &key, false, &err), ERR_EXISTS);
    assert_int_equal(chmod(path, 0644), 0); /* as a stick gives it back */
    assert_int_equal(rootkey_read(path, ROOTKEY_RECOVERY, &back, &err), ERR_OK);
    assert_true(back.sealed);
    assert_int_equal(rootkey_unseal(&back, good(), seed, &err), ERR_OK);
    assert_memory_equal(seed, expected, 32);
    assert_int_equal(rootkey_read(path, ROOTKEY_FOLDER, &back, &err), ERR_PERMISSION);
    assert_int_equal(rootkey_write(other, ROOTKEY_FOLDER, &key, false, &err), ERR_OK);
    assert_int_equal(rootkey_read(other, ROOTKEY_FOLDER, &back, &err), ERR_OK);
    assert_true(back.sealed);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(unlink(other), 0);
}

/* Cut anywhere, or with another event's id or record in it, it is refused and not half used. */
static void damaged_file(void **state) {
    struct rootkey key, back;
    struct buffer bytes;
    struct error err;
    char path[128];
    (void)state;
    make_key(&key);
    path_of("root.key", path);
    buffer_init(&bytes);
    assert_int_equal(rootkey_write(path, ROOTKEY_FOLDER, &key, false, &err), ERR_OK);
    assert_int_equal(files_read(path, 65536, &bytes, &err), ERR_OK);
    for (size_t size = 0; size < bytes.size; size += 7) {
        assert_int_equal(files_write(path, 0600, FILES_REPLACE, slice_of(bytes.data, size), &err),
                         ERR_OK);
        assert_int_equal(rootkey_read(path, ROOTKEY_FOLDER, &back, &err), ERR_DAMAGED);
    }
    key.event.event.bytes[0] ^= 1;
    assert_int_equal(rootkey_write(path, ROOTKEY_FOLDER, &key, true, &err), ERR_OK);
    assert_int_equal(rootkey_read(path, ROOTKEY_FOLDER, &back, &err), ERR_DAMAGED);
    key.event.event.bytes[0] ^= 1;
    key.seed[0] ^= 1;
    assert_int_equal(rootkey_write(path, ROOTKEY_FOLDER, &key, true, &err), ERR_OK);
    assert_int_equal(rootkey_read(path, ROOTKEY_FOLDER, &back, &err), ERR_DAMAGED);
    assert_int_equal(unlink(path), 0);
    buffer_release(&bytes);
}

static void passphrase_in_a_file(void **state) {
    static char long_line[PASSPHRASE_MAX + 3];
    memset(long_line, 'x', PASSPHRASE_MAX + 1);
    static const struct {
        const char *text;
        enum error_code code;
        const char *passphrase;
    } rows[] = {{"correct horse\n", ERR_OK, "correct horse"},
                {"correct horse\r\nsecond line\n", ERR_OK, "correct horse"},
                {"  eight ch  ", ERR_OK, "  eight ch  "},
                {"seven..\n", ERR_USAGE, ""},
                {"", ERR_USAGE, ""},
                {long_line, ERR_LIMIT, ""}};
    struct passphrase got;
    struct error err;
    char path[128];
    (void)state;
    path_of("passphrase", path);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        assert_int_equal(files_write(path, 0600, FILES_REPLACE, slice_text(rows[i].text), &err),
                         ERR_OK);
        assert_int_equal(passphrase_file("/", path, &got, &err), rows[i].code);
        if (rows[i].code == ERR_OK) {
            assert_int_equal(got.size, strlen(rows[i].passphrase));
            assert_memory_equal(got.text, rows[i].passphrase, got.size);
        }
    }
    assert_int_equal(unlink(path), 0);
    assert_int_equal(passphrase_file("/", path, &got, &err), ERR_USAGE);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sealed_and_opened), cmocka_unit_test(seal_of_a_stranger),
        cmocka_unit_test(key_in_a_folder),   cmocka_unit_test(recovery_file),
        cmocka_unit_test(damaged_file),      cmocka_unit_test(passphrase_in_a_file),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
