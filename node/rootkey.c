/*
 * rootkey.c: see rootkey.h.
 * Must never write a recovery file that opens without a passphrase.
 */
#include "node/rootkey.h"

#include <sodium.h>
#include <string.h>

#include "common/fields.h"
#include "node/files.h"

enum { FORMAT_VERSION = 1, FILE_SIZE_MAX = 32768 };
enum { KEY_WHAT = 1, KEY_VERSION, KEY_EVENT, KEY_ROOT, KEY_NAME, KEY_FOUND, KEY_SEED, KEY_SEAL };
static const char *const whats[] = {
    [ROOTKEY_FOLDER] = "bibweave root key", [ROOTKEY_RECOVERY] = "bibweave recovery"};

void rootkey_wipe(struct rootkey *key) {
    sodium_memzero(key, sizeof(*key));
}

/* ---- reading ---- */

struct reading {
    struct rootkey *key;
    struct slice what;
    uint64_t version;
    bool has_seed;
};

static bool take_found(struct canon_reader *reader, struct rootkey *key) {
    struct slice found;
    if (!canon_get_bytes(reader, &found) || found.size > sizeof(key->found)) {
        return false;
    }
    memcpy(key->found, found.data, found.size);
    key->found_size = found.size;
    return true;
}

static bool take_name(struct canon_reader *reader, struct rootkey *key) {
    struct slice name;
    if (!canon_get_text(reader, &name) || name.size > RECORD_TEXT_MAX) {
        return false;
    }
    memcpy(key->name, name.data, name.size);
    key->name[name.size] = '\0';
    return true;
}

static bool take(struct canon_reader *reader, uint64_t field, void *into) {
    struct reading *reading = into;
    struct rootkey *key = reading->key;
    switch (field) {
    case KEY_WHAT:
        return canon_get_text(reader, &reading->what);
    case KEY_VERSION:
        return canon_get_uint(reader, &reading->version);
    case KEY_EVENT:
        return canon_get_exact(reader, key->event.event.bytes, sizeof(key->event.event.bytes));
    case KEY_ROOT:
        return canon_get_exact(reader, key->event.root.bytes, sizeof(key->event.root.bytes));
    case KEY_NAME:
        return take_name(reader, key);
    case KEY_FOUND:
        return take_found(reader, key);
    case KEY_SEED:
        reading->has_seed = true;
        return canon_get_exact(reader, key->seed, sizeof(key->seed));
    case KEY_SEAL:
        key->sealed = true;
        return seal_get(reader, &key->seal);
    default:
        return canon_skip(reader, NULL);
    }
}

/* Whether `found` makes the event id with the root's key, and the seed is that key's. */
static bool agrees(const struct rootkey *key) {
    struct record found;
    struct station_keys keys;
    struct error unused;
    if (record_decode(slice_of(key->found, key->found_size), &found, &unused) != ERR_OK ||
        found.kind != RECORD_FOUND) {
        return false;
    }
    struct event_id event = identity_event(&key->event.root, found.body);
    bool same = ID_EQUAL(event, key->event.event) &&
                (key->sealed || rootkey_keys(&key->event, key->seed, &keys));
    sodium_memzero(&keys, sizeof(keys));
    return same;
}

static enum error_code refuse(const char *path, enum rootkey_file file, struct error *err) {
    if (file == ROOTKEY_RECOVERY) {
        error_set(err, ERR_FORM, "%.200s is no recovery file", path);
        return error_say(err, "This is no recovery file, or it was damaged. Take another copy of "
                              "it.");
    }
    error_set(err, ERR_DAMAGED, "%.200s is not a root key", path);
    return error_say(err, "The event's key in this folder is damaged. Get it back from the "
                          "recovery file (event restore-root), or take root.key out of the "
                          "folder to go on without.");
}

static enum error_code parse(const char *path, enum rootkey_file file, struct slice bytes,
                             struct rootkey *key, struct error *err) {
    const uint64_t required = FIELDS_BIT(KEY_WHAT) | FIELDS_BIT(KEY_VERSION);
    const uint64_t all = required | FIELDS_BIT(KEY_EVENT) | FIELDS_BIT(KEY_ROOT) |
                         FIELDS_BIT(KEY_NAME) | FIELDS_BIT(KEY_FOUND);
    struct reading reading = {.key = key};
    bool good = fields_read_all(bytes, required, take, &reading) &&
                slice_equal(reading.what, slice_text(whats[file]));
    if (good && reading.version > FORMAT_VERSION) {
        return error_set(err, ERR_TOO_NEW, "%.200s has version %llu", path,
                         (unsigned long long)reading.version);
    }
    good = good && fields_read_all(bytes, all, take, &reading) && reading.has_seed != key->sealed &&
           (file == ROOTKEY_FOLDER || key->sealed) && agrees(key);
    return good ? ERR_OK : refuse(path, file, err);
}

enum error_code rootkey_read(const char *path, enum rootkey_file file, struct rootkey *key,
                             struct error *err) {
    struct buffer bytes;
    buffer_init(&bytes);
    memset(key, 0, sizeof(*key));
    enum error_code code = ERR_OK;
    /* Room at once, so that growing leaves no copy of a secret behind. */
    if (!buffer_reserve(&bytes, (size_t)16 * FILE_SIZE_MAX)) {
        code = error_set(err, ERR_MEMORY, "root key");
    }
    if (code == ERR_OK) {
        code = file == ROOTKEY_FOLDER ? files_read_secret(path, FILE_SIZE_MAX, &bytes, err)
                                      : files_read(path, FILE_SIZE_MAX, &bytes, err);
    }
    if (code == ERR_OK) {
        code = parse(path, file, buffer_slice(&bytes), key, err);
    }
    if (code != ERR_OK) {
        rootkey_wipe(key);
    }
    if (bytes.data != NULL) {
        sodium_memzero(bytes.data, bytes.capacity);
    }
    buffer_release(&bytes);
    return code;
}

/* ---- writing ---- */

enum error_code rootkey_write(const char *path, enum rootkey_file file, const struct rootkey *key,
                              bool replace, struct error *err) {
    struct buffer bytes;
    INVARIANT(file == ROOTKEY_FOLDER || key->sealed);
    buffer_init(&bytes);
    if (!buffer_reserve(&bytes, FILE_SIZE_MAX)) {
        return error_set(err, ERR_MEMORY, "root key");
    }
    canon_put_map(&bytes, 7);
    canon_put_uint(&bytes, KEY_WHAT);
    canon_put_text(&bytes, slice_text(whats[file]));
    canon_put_uint(&bytes, KEY_VERSION);
    canon_put_uint(&bytes, FORMAT_VERSION);
    canon_put_uint(&bytes, KEY_EVENT);
    canon_put_bytes(&bytes, slice_of(key->event.event.bytes, sizeof(key->event.event.bytes)));
    canon_put_uint(&bytes, KEY_ROOT);
    canon_put_bytes(&bytes, slice_of(key->event.root.bytes, sizeof(key->event.root.bytes)));
    canon_put_uint(&bytes, KEY_NAME);
    canon_put_text(&bytes, slice_text(key->name));
    canon_put_uint(&bytes, KEY_FOUND);
    canon_put_bytes(&bytes, slice_of(key->found, key->found_size));
    canon_put_uint(&bytes, key->sealed ? KEY_SEAL : KEY_SEED);
    if (key->sealed) {
        seal_put(&key->seal, &bytes);
    } else {
        canon_put_bytes(&bytes, slice_of(key->seed, sizeof(key->seed)));
    }
    enum error_code code = bytes.failed
                               ? error_set(err, ERR_MEMORY, "root key")
                               : files_write(path, 0600, replace ? FILES_REPLACE : FILES_NEW,
                                             buffer_slice(&bytes), err);
    sodium_memzero(bytes.data, bytes.capacity);
    buffer_release(&bytes);
    return code;
}

/* ---- the seed ---- */

enum error_code rootkey_seal(struct rootkey *key, struct slice passphrase, struct error *err) {
    if (key->sealed) {
        return ERR_OK;
    }
    enum error_code code = seal_make(key->seed, passphrase, &key->seal, err);
    if (code == ERR_OK) {
        key->sealed = true;
        sodium_memzero(key->seed, sizeof(key->seed));
    }
    return code;
}

bool rootkey_keys(const struct ledger_event *event, const uint8_t seed[ROOTKEY_SEED],
                  struct station_keys *keys) {
    static const uint8_t unused[32]; /* the root has no connections, so no key for them */
    identity_keys(seed, unused, keys);
    if (ID_EQUAL(keys->sign_public, event->root)) {
        return true;
    }
    sodium_memzero(keys, sizeof(*keys));
    return false;
}

enum error_code rootkey_unseal(const struct rootkey *key, struct slice passphrase,
                               uint8_t seed[ROOTKEY_SEED], struct error *err) {
    struct station_keys keys;
    enum error_code code = seal_open(&key->seal, passphrase, seed, err);
    if (code == ERR_OK && !rootkey_keys(&key->event, seed, &keys)) {
        sodium_memzero(seed, ROOTKEY_SEED);
        code = error_set(err, ERR_DAMAGED, "the seal holds the key of another event");
    }
    sodium_memzero(&keys, sizeof(keys));
    return code;
}
