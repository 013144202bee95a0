/*
 * seal.c: see seal.h.
 * Must never leave the key that a passphrase gives in memory.
 */
#include "node/seal.h"

#include <sodium.h>
#include <string.h>

enum { ARGON2ID = crypto_pwhash_ALG_ARGON2ID13, PASSES_MAX = 16 };
#define MEMORY_MAX ((uint64_t)1 << 30)

static enum error_code make_key(const struct seal *seal, struct slice passphrase,
                                uint8_t key[crypto_secretbox_KEYBYTES], struct error *err) {
    if (crypto_pwhash(key, crypto_secretbox_KEYBYTES, (const char *)passphrase.data,
                      passphrase.size, seal->salt, seal->passes, (size_t)seal->memory,
                      ARGON2ID) == 0) {
        return ERR_OK;
    }
    error_set(err, ERR_MEMORY, "Argon2id with %llu bytes", (unsigned long long)seal->memory);
    return error_say(err,
                     "The machine has too little memory free to work with the passphrase (%llu "
                     "MiB). Close other programs, and try again.",
                     (unsigned long long)(seal->memory >> 20));
}

enum error_code seal_make(const uint8_t secret[SEAL_SECRET], struct slice passphrase,
                          struct seal *seal, struct error *err) {
    uint8_t key[crypto_secretbox_KEYBYTES];
    seal->passes = crypto_pwhash_OPSLIMIT_MODERATE;
    seal->memory = crypto_pwhash_MEMLIMIT_MODERATE;
    randombytes_buf(seal->salt, sizeof(seal->salt));
    randombytes_buf(seal->nonce, sizeof(seal->nonce));
    enum error_code code = make_key(seal, passphrase, key, err);
    if (code == ERR_OK) {
        crypto_secretbox_easy(seal->box, secret, SEAL_SECRET, seal->nonce, key);
    }
    sodium_memzero(key, sizeof(key));
    return code;
}

enum error_code seal_open(const struct seal *seal, struct slice passphrase,
                          uint8_t secret[SEAL_SECRET], struct error *err) {
    uint8_t key[crypto_secretbox_KEYBYTES];
    enum error_code code = make_key(seal, passphrase, key, err);
    if (code == ERR_OK &&
        crypto_secretbox_open_easy(secret, seal->box, SEAL_BOX, seal->nonce, key) != 0) {
        error_set(err, ERR_SIGNATURE, "the seal does not open");
        code = error_say(err, "That is not the passphrase. Try again; mind capitals and the "
                              "keyboard's language.");
    }
    sodium_memzero(key, sizeof(key));
    if (code != ERR_OK) {
        sodium_memzero(secret, SEAL_SECRET);
    }
    return code;
}

void seal_put(const struct seal *seal, struct buffer *out) {
    canon_put_array(out, 6);
    canon_put_uint(out, ARGON2ID);
    canon_put_uint(out, seal->passes);
    canon_put_uint(out, seal->memory);
    canon_put_bytes(out, slice_of(seal->salt, sizeof(seal->salt)));
    canon_put_bytes(out, slice_of(seal->nonce, sizeof(seal->nonce)));
    canon_put_bytes(out, slice_of(seal->box, sizeof(seal->box)));
}

bool seal_get(struct canon_reader *reader, struct seal *seal) {
    size_t count = 0;
    uint64_t kind = 0;
    return canon_get_array(reader, &count) && count == 6 && canon_get_uint(reader, &kind) &&
           kind == ARGON2ID && canon_get_uint(reader, &seal->passes) &&
           canon_get_uint(reader, &seal->memory) && seal->passes >= 1 &&
           seal->passes <= PASSES_MAX && seal->memory >= crypto_pwhash_MEMLIMIT_MIN &&
           seal->memory <= MEMORY_MAX && canon_get_exact(reader, seal->salt, sizeof(seal->salt)) &&
           canon_get_exact(reader, seal->nonce, sizeof(seal->nonce)) &&
           canon_get_exact(reader, seal->box, sizeof(seal->box));
}
