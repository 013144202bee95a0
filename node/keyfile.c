/*
 * keyfile.c: see keyfile.h.
 * Must never leave a secret in memory that it gives back.
 */
#include "node/keyfile.h"

#include <sodium.h>
#include <string.h>

#include "common/canon.h"
#include "common/fields.h"
#include "node/files.h"

enum { FORMAT_VERSION = 1, KEYFILE_SIZE_MAX = 4096 };
/* {1: version, 2: kind, 3: name, 4: signing seed, ? 5: CURVE seed, ? 6: event id, ? 7: root key} */
enum { KEY_VERSION = 1, KEY_KIND, KEY_NAME, KEY_SIGN, KEY_CURVE, KEY_EVENT, KEY_ROOT };

void keyfile_draw(enum keyfile_kind kind, struct keyfile *key) {
    *key = (struct keyfile){.kind = kind};
    randombytes_buf(key->sign_seed, sizeof(key->sign_seed));
    randombytes_buf(key->curve_seed, sizeof(key->curve_seed));
}

void keyfile_keys(const struct keyfile *key, struct station_keys *keys) {
    identity_keys(key->sign_seed, key->curve_seed, keys);
}

void keyfile_wipe(struct keyfile *key) {
    sodium_memzero(key, sizeof(*key));
}

struct reading {
    struct keyfile *key;
    uint64_t version;
    uint64_t kind;
    bool has_event, has_root;
};

static bool take(struct canon_reader *reader, uint64_t field, void *into) {
    struct reading *reading = into;
    struct keyfile *key = reading->key;
    struct slice name;
    switch (field) {
    case KEY_VERSION:
        return canon_get_uint(reader, &reading->version);
    case KEY_KIND:
        return canon_get_uint(reader, &reading->kind);
    case KEY_NAME:
        if (!canon_get_text(reader, &name) || name.size > RECORD_TEXT_MAX) {
            return false;
        }
        memcpy(key->name, name.data, name.size);
        key->name[name.size] = '\0';
        return true;
    case KEY_SIGN:
        return canon_get_exact(reader, key->sign_seed, sizeof(key->sign_seed));
    case KEY_CURVE:
        return canon_get_exact(reader, key->curve_seed, sizeof(key->curve_seed));
    case KEY_EVENT:
        reading->has_event = true;
        return canon_get_exact(reader, key->event.event.bytes, sizeof(key->event.event.bytes));
    case KEY_ROOT:
        reading->has_root = true;
        return canon_get_exact(reader, key->event.root.bytes, sizeof(key->event.root.bytes));
    default:
        return canon_skip(reader, NULL);
    }
}

static enum error_code read_map(const char *path, struct slice bytes, enum keyfile_kind kind,
                                struct keyfile *key, struct error *err) {
    const uint64_t required = FIELDS_BIT(KEY_VERSION) | FIELDS_BIT(KEY_KIND) |
                              FIELDS_BIT(KEY_NAME) | FIELDS_BIT(KEY_SIGN);
    struct reading reading = {.key = key};
    if (!fields_read_all(bytes, required, take, &reading) || reading.kind != (uint64_t)kind ||
        reading.has_event != reading.has_root) {
        error_set(err, ERR_DAMAGED, "%.200s is not a key file", path);
        return error_say(err,
                         "The keys in this folder are damaged. Put a copy of that file back, or "
                         "let this laptop in as a new station.");
    }
    if (reading.version > FORMAT_VERSION) {
        return error_set(err, ERR_TOO_NEW, "%.200s has version %llu", path,
                         (unsigned long long)reading.version);
    }
    key->kind = kind;
    key->has_event = reading.has_event;
    return ERR_OK;
}

enum error_code keyfile_read(const char *path, enum keyfile_kind kind, struct keyfile *key,
                             struct error *err) {
    struct buffer bytes;
    buffer_init(&bytes);
    memset(key, 0, sizeof(*key));
    enum error_code code = ERR_OK;
    /* Room at once, so that growing leaves no copy of a secret behind. */
    if (!buffer_reserve(&bytes, (size_t)32 * KEYFILE_SIZE_MAX)) {
        code = error_set(err, ERR_MEMORY, "key file");
    }
    if (code == ERR_OK) {
        code = files_read_secret(path, KEYFILE_SIZE_MAX, &bytes, err);
        if (code == ERR_FORM || code == ERR_LIMIT) { /* a link, or no key file at all */
            code = error_set(err, ERR_NOT_OURS, "%.200s is no key file", path);
        }
    }
    if (code == ERR_OK) {
        code = read_map(path, buffer_slice(&bytes), kind, key, err);
    }
    if (code != ERR_OK) {
        keyfile_wipe(key);
    }
    if (bytes.data != NULL) {
        sodium_memzero(bytes.data, bytes.capacity);
    }
    buffer_release(&bytes);
    return code;
}

enum error_code keyfile_write(const char *path, const struct keyfile *key, bool replace,
                              struct error *err) {
    struct buffer bytes;
    buffer_init(&bytes);
    bool station = key->kind == KEYFILE_STATION;
    if (!buffer_reserve(&bytes, KEYFILE_SIZE_MAX)) {
        return error_set(err, ERR_MEMORY, "key file");
    }
    canon_put_map(&bytes, 4U + (station ? 1U : 0U) + (key->has_event ? 2U : 0U));
    canon_put_uint(&bytes, KEY_VERSION);
    canon_put_uint(&bytes, FORMAT_VERSION);
    canon_put_uint(&bytes, KEY_KIND);
    canon_put_uint(&bytes, (uint64_t)key->kind);
    canon_put_uint(&bytes, KEY_NAME);
    canon_put_text(&bytes, slice_text(key->name));
    canon_put_uint(&bytes, KEY_SIGN);
    canon_put_bytes(&bytes, slice_of(key->sign_seed, sizeof(key->sign_seed)));
    if (station) {
        canon_put_uint(&bytes, KEY_CURVE);
        canon_put_bytes(&bytes, slice_of(key->curve_seed, sizeof(key->curve_seed)));
    }
    if (key->has_event) {
        canon_put_uint(&bytes, KEY_EVENT);
        canon_put_bytes(&bytes, slice_of(key->event.event.bytes, sizeof(key->event.event.bytes)));
        canon_put_uint(&bytes, KEY_ROOT);
        canon_put_bytes(&bytes, slice_of(key->event.root.bytes, sizeof(key->event.root.bytes)));
    }
    enum error_code code = bytes.failed
                               ? error_set(err, ERR_MEMORY, "key file")
                               : files_write(path, 0600, replace ? FILES_REPLACE : FILES_NEW,
                                             buffer_slice(&bytes), err);
    sodium_memzero(bytes.data, bytes.capacity);
    buffer_release(&bytes);
    return code;
}
