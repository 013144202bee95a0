/*
 * identity.h: keys and the ids that follow from them. All cryptography is libsodium's.
 *
 * Nothing here draws randomness: seeds are handed in. The host calls sodium_init() once.
 * Any thread; no I/O.
 */
#ifndef BIBWEAVE_IDENTITY_H
#define BIBWEAVE_IDENTITY_H

#include "common/bytes.h"

struct sign_public {
    uint8_t bytes[32];
}; /* Ed25519 */
struct sign_secret {
    uint8_t bytes[64];
}; /* Ed25519, libsodium's seed and public key */
struct curve_public {
    uint8_t bytes[32];
}; /* X25519, as CURVE uses it */
struct curve_secret {
    uint8_t bytes[32];
};
struct event_id {
    uint8_t bytes[32];
}; /* BLAKE2b-256(root key, body of `found`) */
struct log_id {
    uint8_t bytes[16];
}; /* BLAKE2b-128(station key, incarnation) */
struct record_id {
    uint8_t bytes[32];
}; /* BLAKE2b-256(whole encoded record) */
struct incarnation {
    uint8_t bytes[16];
};
struct digest32 {
    uint8_t bytes[32];
};
struct digest64 {
    uint8_t bytes[64];
};

/* The two key pairs of a station, or the one of a root (which has no CURVE keys). */
struct station_keys {
    struct sign_public sign_public;
    struct sign_secret sign_secret;
    struct curve_public curve_public;
    struct curve_secret curve_secret;
};

/* Both pairs from two independent 32-byte seeds. */
void identity_keys(const uint8_t sign_seed[32], const uint8_t curve_seed[32],
                   struct station_keys *keys) __attribute__((nonnull));
struct event_id identity_event(const struct sign_public *root, struct slice found_body)
    __attribute__((nonnull));
struct log_id identity_log(const struct sign_public *station, const struct incarnation *incarnation)
    __attribute__((nonnull));
struct record_id identity_record(struct slice raw);

/* Ed25519 (RFC 8032) over `message`; verification is libsodium's, on every station the same. */
void identity_sign(const struct sign_secret *secret, struct slice message, uint8_t signature[64])
    __attribute__((nonnull));
bool identity_verify(const struct sign_public *key, struct slice message,
                     const uint8_t signature[64]) __attribute__((nonnull));
/* Whether a station with these keys may be let in: the signing key is a point of the main group in
 * its one encoding (so no small-order or mixed-order key, under which signatures hold that nobody
 * had to make, or hold by chance), and the CURVE key is of no small order (whose shared secret all
 * know). Keys that were made by identity_keys are. Slow, a tenth of a millisecond. */
bool identity_admissible(const struct sign_public *key, const struct curve_public *curve)
    __attribute__((nonnull));

/* A 64-bit number from a seed, a purpose and a counter: how the core draws nonces. */
uint64_t identity_draw(const uint8_t seed[32], const char purpose[8], uint64_t counter)
    __attribute__((nonnull));

#define ID_EQUAL(a, b) (memcmp((a).bytes, (b).bytes, sizeof(a).bytes) == 0)

#endif
