/*
 * identity.c: keys, ids and signatures, by libsodium.
 * Must never draw randomness, and holds no cryptography of its own.
 */
#include "common/identity.h"

#include <sodium.h>
#include <string.h>

#include "common/error.h"

void identity_keys(const uint8_t sign_seed[32], const uint8_t curve_seed[32],
                   struct station_keys *keys) {
    crypto_sign_seed_keypair(keys->sign_public.bytes, keys->sign_secret.bytes, sign_seed);
    crypto_box_seed_keypair(keys->curve_public.bytes, keys->curve_secret.bytes, curve_seed);
}

/* BLAKE2b of `size` bytes over two parts, one after the other. */
static void hash_two(struct slice first, struct slice second, uint8_t *out, size_t size) {
    crypto_generichash_state state;
    crypto_generichash_init(&state, NULL, 0, size);
    crypto_generichash_update(&state, first.data, first.size);
    crypto_generichash_update(&state, second.data, second.size);
    crypto_generichash_final(&state, out, size);
}

struct event_id identity_event(const struct sign_public *root, struct slice found_body) {
    struct event_id id;
    hash_two(slice_of(root->bytes, sizeof(root->bytes)), found_body, id.bytes, sizeof(id.bytes));
    return id;
}

struct log_id identity_log(const struct sign_public *station,
                           const struct incarnation *incarnation) {
    struct log_id id;
    hash_two(slice_of(station->bytes, sizeof(station->bytes)),
             slice_of(incarnation->bytes, sizeof(incarnation->bytes)), id.bytes, sizeof(id.bytes));
    return id;
}

struct record_id identity_record(struct slice raw) {
    struct record_id id;
    crypto_generichash(id.bytes, sizeof(id.bytes), raw.data, raw.size, NULL, 0);
    return id;
}

void identity_sign(const struct sign_secret *secret, struct slice message, uint8_t signature[64]) {
    crypto_sign_detached(signature, NULL, message.data, message.size, secret->bytes);
}

bool identity_verify(const struct sign_public *key, struct slice message,
                     const uint8_t signature[64]) {
    return crypto_sign_verify_detached(signature, message.data, message.size, key->bytes) == 0;
}

bool identity_admissible(const struct sign_public *key, const struct curve_public *curve) {
    static const uint8_t any[crypto_scalarmult_SCALARBYTES] = {8};
    uint8_t shared[crypto_scalarmult_BYTES];
    return crypto_core_ed25519_is_valid_point(key->bytes) == 1 &&
           crypto_scalarmult(shared, any, curve->bytes) == 0;
}

/* libsodium's key derivation takes exactly a key, eight letters and a number. */
uint64_t identity_draw(const uint8_t seed[32], const char purpose[8], uint64_t counter) {
    uint8_t drawn[crypto_kdf_BYTES_MIN];
    int failed = crypto_kdf_derive_from_key(drawn, sizeof(drawn), counter, purpose, seed);
    INVARIANT(failed == 0);
    uint64_t number = 0;
    for (size_t i = 0; i < 8; i++) {
        number |= (uint64_t)drawn[i] << (8 * i);
    }
    return number;
}
