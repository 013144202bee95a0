/*
 * seal.h: a secret of 32 bytes under a passphrase: Argon2id (RFC 9106) makes a key of it, and
 * libsodium's secretbox (XSalsa20, Poly1305) keeps the secret under that key.
 *
 * The cost of Argon2id is stored with it: about a second and 256 MiB. Never called in a node, whose
 * table would wait for it. Any thread; no I/O.
 */
#ifndef BIBWEAVE_SEAL_H
#define BIBWEAVE_SEAL_H

#include "common/bytes.h"
#include "common/canon.h"
#include "common/error.h"

enum { SEAL_SECRET = 32, SEAL_SALT = 16, SEAL_NONCE = 24, SEAL_BOX = SEAL_SECRET + 16 };
struct seal {
    uint8_t salt[SEAL_SALT];
    uint64_t passes, memory; /* of Argon2id: rounds, and bytes */
    uint8_t nonce[SEAL_NONCE];
    uint8_t box[SEAL_BOX];
};

/* Errors: ERR_MEMORY (Argon2id's). */
enum error_code seal_make(const uint8_t secret[SEAL_SECRET], struct slice passphrase,
                          struct seal *seal, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Errors: ERR_SIGNATURE (another passphrase, or the seal was changed), ERR_MEMORY; zeros then. */
enum error_code seal_open(const struct seal *seal, struct slice passphrase,
                          uint8_t secret[SEAL_SECRET], struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* As one CBOR array: [2 (Argon2id 1.3), passes, memory, salt, nonce, box]. */
void seal_put(const struct seal *seal, struct buffer *out) __attribute__((nonnull));
/* False where it is not of that shape, or asks for more than 16 passes or 1 GiB. */
bool seal_get(struct canon_reader *reader, struct seal *seal) __attribute__((nonnull));

#endif
