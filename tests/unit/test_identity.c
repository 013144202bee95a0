/* test_identity.c: that ids hash what they say, and that keys come from seeds alone. Published
 * values of the primitives stand in outside/test_published.c. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <sodium.h>
#include <string.h>

#include "common/identity.h"

static struct station_keys keys_of(uint8_t first) {
    struct station_keys keys;
    uint8_t sign_seed[32];
    uint8_t curve_seed[32];
    memset(sign_seed, first, sizeof(sign_seed));
    memset(curve_seed, first + 1, sizeof(curve_seed));
    identity_keys(sign_seed, curve_seed, &keys);
    return keys;
}

static void keys_follow_from_their_seeds(void **state) {
    (void)state;
    struct station_keys a = keys_of(1);
    struct station_keys again = keys_of(1);
    struct station_keys b = keys_of(2);
    assert_memory_equal(&a, &again, sizeof(a));
    assert_memory_not_equal(&a.sign_public, &b.sign_public, 32);
    assert_memory_not_equal(&a.curve_public, &b.curve_public, 32);
    assert_memory_not_equal(&a.curve_public, &a.sign_public, 32);
    /* The CURVE pair is one: the public key is the base point times the secret (RFC 7748). */
    uint8_t point[32];
    assert_int_equal(crypto_scalarmult_base(point, a.curve_secret.bytes), 0);
    assert_memory_equal(point, a.curve_public.bytes, 32);
}

/* Each id is one hash over its parts joined, so a single call over the joined bytes gives it. */
static void ids_hash_what_they_say(void **state) {
    (void)state;
    uint8_t joined[64];
    uint8_t expected[32];
    struct sign_public key;
    struct incarnation incarnation;
    memset(key.bytes, 7, sizeof(key.bytes));
    memset(incarnation.bytes, 9, sizeof(incarnation.bytes));
    memset(joined, 7, 32);
    memset(joined + 32, 9, 16);
    crypto_generichash(expected, 16, joined, 48, NULL, 0);
    struct log_id log = identity_log(&key, &incarnation);
    assert_memory_equal(log.bytes, expected, 16);
    memcpy(joined + 32, "body", 4);
    crypto_generichash(expected, 32, joined, 36, NULL, 0);
    struct event_id event = identity_event(&key, slice_text("body"));
    assert_memory_equal(event.bytes, expected, 32);
    crypto_generichash(expected, 32, joined, 36, NULL, 0);
    struct record_id id = identity_record(slice_of(joined, 36));
    assert_memory_equal(id.bytes, expected, 32);
    assert_true(ID_EQUAL(id, (struct record_id){0}) == false);
}

static void signatures_hold_for_one_key_and_message(void **state) {
    (void)state;
    struct station_keys a = keys_of(1);
    struct station_keys b = keys_of(2);
    uint8_t signature[64];
    identity_sign(&a.sign_secret, slice_text("message"), signature);
    assert_true(identity_verify(&a.sign_public, slice_text("message"), signature));
    assert_false(identity_verify(&b.sign_public, slice_text("message"), signature));
    assert_false(identity_verify(&a.sign_public, slice_text("messagE"), signature));
    assert_false(identity_verify(&a.sign_public, slice_text("messag"), signature));
    for (size_t bit = 0; bit < 8 * sizeof(signature); bit++) {
        signature[bit / 8] ^= (uint8_t)(1U << bit % 8);
        if (identity_verify(&a.sign_public, slice_text("message"), signature)) {
            fail_msg("bit %zu of the signature does not matter", bit);
        }
        signature[bit / 8] ^= (uint8_t)(1U << bit % 8);
    }
}

/* A small-order key would sign anything; libsodium refuses it, and so do all stations. */
static void small_order_keys_verify_nothing(void **state) {
    (void)state;
    struct sign_public identity_point = {{1}};
    uint8_t signature[64] = {1};
    assert_false(identity_verify(&identity_point, slice_text("message"), signature));
}

static void draws_depend_on_seed_purpose_and_counter(void **state) {
    (void)state;
    uint8_t seed[32] = {1};
    uint8_t other[32] = {2};
    uint64_t drawn = identity_draw(seed, "purpose1", 1);
    assert_true(drawn == identity_draw(seed, "purpose1", 1));
    assert_true(drawn != identity_draw(seed, "purpose1", 2));
    assert_true(drawn != identity_draw(seed, "purpose2", 1));
    assert_true(drawn != identity_draw(other, "purpose1", 1));
}

static int set_up(void **state) {
    (void)state;
    return sodium_init() < 0 ? -1 : 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(keys_follow_from_their_seeds),
        cmocka_unit_test(ids_hash_what_they_say),
        cmocka_unit_test(signatures_hold_for_one_key_and_message),
        cmocka_unit_test(small_order_keys_verify_nothing),
        cmocka_unit_test(draws_depend_on_seed_purpose_and_counter),
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
