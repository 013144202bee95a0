/*
 * test_published.c: our decoder, hashes, signatures, EPCs and CSV against published values. The
 * source stands beside each.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <sodium.h>
#include <stdio.h>
#include <string.h>

#include "common/canon.h"
#include "common/cose.h"
#include "common/csv.h"
#include "common/epc.h"
#include "common/identity.h"
#include "common/record.h"
#include "tests/from_hex.h"

/* ---- CBOR ---- */

/* RFC 8949, appendix A, all of it. Deterministic (4.2.1) are those that a decoder of ours takes;
 * refused are the other widths of floats, indefinite lengths, and the unassigned simple values. */
static void rfc_8949_appendix_a(void **state) {
    (void)state;
    static const struct {
        const char *hex;
        bool taken;
    } cases[] = {
        {"00", true},
        {"01", true},
        {"0a", true},
        {"17", true},
        {"1818", true},
        {"1819", true},
        {"1864", true},
        {"1903e8", true},
        {"1a000f4240", true},
        {"1b000000e8d4a51000", true},
        {"1bffffffffffffffff", true},
        {"c249010000000000000000", true},
        {"3bffffffffffffffff", true},
        {"c349010000000000000000", true},
        {"20", true},
        {"29", true},
        {"3863", true},
        {"3903e7", true},
        {"f90000", true},
        {"f98000", true},
        {"f93c00", true},
        {"fb3ff199999999999a", true},
        {"f93e00", true},
        {"f97bff", true},
        {"fa47c35000", true},
        {"fa7f7fffff", true},
        {"fb7e37e43c8800759c", true},
        {"f90001", true},
        {"f90400", true},
        {"f9c400", true},
        {"fbc010666666666666", true},
        {"f97c00", true},
        {"f97e00", true},
        {"f9fc00", true},
        {"fa7f800000", false}, /* infinities and NaN in wider floats */
        {"fa7fc00000", false},
        {"faff800000", false},
        {"fb7ff0000000000000", false},
        {"fb7ff8000000000000", false},
        {"fbfff0000000000000", false},
        {"f4", true},
        {"f5", true},
        {"f6", true},
        {"f7", true},
        {"f0", false},   /* simple(16): unassigned */
        {"f8ff", false}, /* simple(255): unassigned */
        {"c074323031332d30332d32315432303a30343a30305a", true},
        {"c11a514b67b0", true},
        {"c1fb41d452d9ec200000", true},
        {"d74401020304", true},
        {"d818456449455446", true},
        {"d82076687474703a2f2f7777772e6578616d706c652e636f6d", true},
        {"40", true},
        {"4401020304", true},
        {"60", true},
        {"6161", true},
        {"6449455446", true},
        {"62225c", true},
        {"62c3bc", true},
        {"63e6b0b4", true},
        {"64f0908591", true},
        {"80", true},
        {"83010203", true},
        {"8301820203820405", true},
        {"98190102030405060708090a0b0c0d0e0f101112131415161718181819", true},
        {"a0", true},
        {"a201020304", true},
        {"a26161016162820203", true},
        {"826161a161626163", true},
        {"a56161614161626142616361436164614461656145", true},
        {"5f42010243030405ff", false}, /* indefinite lengths from here on */
        {"7f657374726561646d696e67ff", false},
        {"9fff", false},
        {"9f018202039f0405ffff", false},
        {"9f01820203820405ff", false},
        {"83018202039f0405ff", false},
        {"83019f0203ff820405", false},
        {"9f0102030405060708090a0b0c0d0e0f101112131415161718181819ff", false},
        {"bf61610161629f0203ffff", false},
        {"826161bf61626163ff", false},
        {"bf6346756ef563416d7421ff", false},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        uint8_t space[64];
        bool taken = canon_check(from_hex(cases[i].hex, space, sizeof(space)));
        if (taken != cases[i].taken) {
            fail_msg("%s: got %d, expected %d", cases[i].hex, taken, cases[i].taken);
        }
    }
    assert_int_equal(sizeof(cases) / sizeof(cases[0]), 81);
}

/* RFC 8949, 4.2.1: keys 10, 100, -1, "z", "aa", [100], [-1], false, here with values 0. Any two
 * neighbours swapped are refused. */
static void rfc_8949_map_order(void **state) {
    (void)state;
    static const char *const keys[] = {"0a",     "1864",   "20",   "617a",
                                       "626161", "811864", "8120", "f4"};
    const size_t count = sizeof(keys) / sizeof(keys[0]);
    uint8_t space[64];
    assert_true(
        canon_check(from_hex("a80a001864002000617a006261610081186400812000f400", space, 64)));
    for (size_t swapped = 0; swapped + 1 < count; swapped++) {
        char hex[128] = "a8";
        for (size_t i = 0; i < count; i++) {
            size_t place = i == swapped ? i + 1 : i == swapped + 1 ? i - 1 : i;
            strcat(hex, keys[place]);
            strcat(hex, "00");
        }
        if (canon_check(from_hex(hex, space, sizeof(space)))) {
            fail_msg("taken with keys %zu and %zu swapped", swapped, swapped + 1);
        }
    }
    /* RFC 7049's older order, shorter keys first, is another one: 4.2.3. */
    assert_false(canon_check(from_hex("a80a002000f40018640061"
                                      "7a0081200062616100"
                                      "81186400",
                                      space, 64)));
}

/* ---- COSE ---- */

/* COSE working group, Examples, eddsa-examples/eddsa-sig-01 (public domain). */
static const char cose_message[] =
    "D28445A201270300A10442313154546869732069732074686520636F6E74656E742E58407142FD2FF96D56DB85BEE9"
    "05A76BA1D0B7321A95C8C4D3607C5781932B7AFB8711497DFA751BF40B58B3BCC32300B1487F3DB34085EEF013BF08"
    "F4A44D6FEF0D";
static const char cose_to_be_signed[] =
    "846A5369676E61747572653145A2012703004054546869732069732074686520636F6E74656E742E";
/* The example's key, which is also that of RFC 8032, 7.1, test 1. */
static const char cose_key[] = "D75A980182B10AB7D54BFED3C964073A0EE172F3DAA62325AF021A68F707511A";

static void cose_working_group_example(void **state) {
    (void)state;
    uint8_t message[256];
    uint8_t signed_bytes[64];
    struct sign_public key;
    struct cose_sign1 cose;
    struct error err;
    struct slice none = {NULL, 0};
    struct slice raw = from_hex(cose_message, message, sizeof(message));
    from_hex(cose_key, key.bytes, sizeof(key.bytes));
    assert_int_equal(cose_parse(raw, &cose, &err), ERR_OK);
    assert_true(slice_equal(cose.payload, slice_text("This is the content.")));
    assert_true(slice_equal(cose.protected_, slice_of("\xA2\x01\x27\x03\x00", 5)));
    assert_true(slice_equal(cose.unprotected, slice_of("\xA1\x04\x42\x31\x31", 5)));
    assert_true(cose_verify(cose.protected_, none, cose.payload, cose.signature, &key));
    /* What we say is signed is what the example says, byte for byte. */
    assert_true(identity_verify(
        &key, from_hex(cose_to_be_signed, signed_bytes, sizeof(signed_bytes)), cose.signature));
    assert_false(cose_verify(cose.protected_, slice_text("x"), cose.payload, cose.signature, &key));
    assert_false(
        cose_verify(slice_of("\xA1\x01\x27", 3), none, cose.payload, cose.signature, &key));
    /* Well formed and well signed, but no record: its headers are others. */
    struct record record;
    assert_int_equal(record_decode(raw, &record, &err), ERR_FORM);
    for (size_t bit = 0; bit < 8 * raw.size; bit++) {
        message[bit / 8] ^= (uint8_t)(1U << bit % 8);
        bool holds = cose_parse(raw, &cose, &err) == ERR_OK &&
                     cose_verify(cose.protected_, none, cose.payload, cose.signature, &key);
        message[bit / 8] ^= (uint8_t)(1U << bit % 8);
        /* The unprotected header (bytes 8 to 12) is not signed; all else must matter. */
        if (holds && !(bit / 8 >= 8 && bit / 8 <= 12)) {
            fail_msg("bit %zu does not matter", bit);
        }
    }
}

/* ---- signatures and hashes ---- */

/* RFC 8032, 7.1, tests 1 to 3. */
static void rfc_8032_tests(void **state) {
    (void)state;
    static const struct {
        const char *seed;
        const char *key;
        const char *message;
        const char *signature;
    } cases[] = {
        {"9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
         "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a", "",
         "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701"
         "cf9b46bd25bf5f0595bbe24655141438e7a100b"},
        {"4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
         "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c", "72",
         "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d"
         "0f11d8c387b2eaeb4302aeeb00d291612bb0c00"},
        {"c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
         "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025", "af82",
         "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760"
         "984dc6594a7c15e9716ed28dc027beceea1ec40a"},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        uint8_t seed[32];
        uint8_t key[32];
        uint8_t expected[64];
        uint8_t got[64];
        uint8_t space[8];
        struct station_keys keys;
        from_hex(cases[i].seed, seed, sizeof(seed));
        from_hex(cases[i].key, key, sizeof(key));
        from_hex(cases[i].signature, expected, sizeof(expected));
        struct slice message = from_hex(cases[i].message, space, sizeof(space));
        identity_keys(seed, seed, &keys);
        assert_memory_equal(keys.sign_public.bytes, key, sizeof(key));
        identity_sign(&keys.sign_secret, message, got);
        assert_memory_equal(got, expected, sizeof(expected));
        assert_true(identity_verify(&keys.sign_public, message, expected));
        expected[63] ^= 0x20; /* S plus a multiple of the order has the same residue: malleation */
        assert_false(identity_verify(&keys.sign_public, message, expected));
    }
}

/* BLAKE2b-256 of "" and "abc": computed with a second implementation (RFC 7693 publishes the
 * 512-bit value only). */
static void blake2b_256_values(void **state) {
    (void)state;
    static const char *const cases[][2] = {
        {"", "0e5751c026e543b2e8ab2eb06099daa1d1e5df47778f7787faab45cdf12fe3a8"},
        {"abc", "bddd813c634239723171ef3fee98579b94964e3bb1cb3e427262c8c068d52319"},
    };
    for (size_t i = 0; i < 2; i++) {
        char got[65];
        struct record_id id = identity_record(slice_text(cases[i][0]));
        hex_encode(id.bytes, sizeof(id.bytes), got);
        assert_string_equal(got, cases[i][1]);
    }
}

/* ---- EPC ---- */

/* GS1 EPC Tag Data Standard, GID-96: the worked example, and the ends of each field. */
static void gid_96_values(void **state) {
    (void)state;
    static const struct {
        const char *scheme;
        const char *bib;
        const char *epc;
    } cases[] = {
        {"gid96:31415:271828", "1414", "350007AB70425D4000000586"},
        {"gid96:268435455:16777215", "68719476735", "35FFFFFFFFFFFFFFFFFFFFFF"},
        {"gid96:0:0", "1", "350000000000000000000001"},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        uint8_t expected[EPC_96_SIZE];
        struct epc_scheme scheme;
        struct bib bib;
        struct epc epc;
        struct error err;
        uint64_t number = 0;
        uint64_t back = 0;
        from_hex(cases[i].epc, expected, sizeof(expected));
        assert_int_equal(epc_scheme_parse(slice_text(cases[i].scheme), &scheme, &err), ERR_OK);
        assert_int_equal(bib_parse(slice_text(cases[i].bib), false, &bib, &err), ERR_OK);
        assert_int_equal(epc_for_bib(&scheme, &bib, &epc, &err), ERR_OK);
        assert_int_equal(epc.size, EPC_96_SIZE);
        assert_memory_equal(epc.data, expected, EPC_96_SIZE);
        assert_true(bib_number(&bib, &number) && epc_number(&scheme, &epc, &back));
        assert_true(number == back);
    }
}

/* One over the maximum of each field (same standard). */
static void gid_96_one_over(void **state) {
    (void)state;
    struct epc_scheme scheme;
    struct bib bib;
    struct epc epc;
    struct error err;
    assert_int_equal(epc_scheme_parse(slice_text("gid96:268435456:0"), &scheme, &err), ERR_USAGE);
    assert_int_equal(epc_scheme_parse(slice_text("gid96:0:16777216"), &scheme, &err), ERR_USAGE);
    assert_int_equal(epc_scheme_parse(slice_text("gid96:0:0"), &scheme, &err), ERR_OK);
    assert_int_equal(bib_parse(slice_text("68719476736"), false, &bib, &err), ERR_OK);
    assert_int_equal(epc_for_bib(&scheme, &bib, &epc, &err), ERR_TAG);
}

/* Tags of other schemes of the same standard (TDS annex E.3 and examples) carry no number of ours.
 */
static void other_schemes_are_not_ours(void **state) {
    (void)state;
    static const char *const cases[] = {
        "3074257BF7194E4000001A85", /* sgtin-96:3.0614141.812345.6789 */
        "3174257BF4499602D2000000", /* sscc-96:3.0614141.1234567890 */
        "3474257BF40000000000162E", /* giai-96:3.0614141.5678 */
        "3274257BF46072000000162E", /* sgln-96:3.0614141.12345.5678 */
    };
    struct epc_scheme scheme;
    struct error err;
    assert_int_equal(epc_scheme_parse(slice_text("gid96:31415:271828"), &scheme, &err), ERR_OK);
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct epc epc;
        uint64_t number = 0;
        assert_int_equal(epc_parse(slice_text(cases[i]), &epc, &err), ERR_OK);
        assert_false(epc_number(&scheme, &epc, &number));
    }
}

/* ---- CSV ---- */

/* RFC 4180, section 2, rules 5 to 7: the fields of its examples, and the rows that it shows
 * (those with all fields quoted carry the same fields as ours, which quotes only where needed). */
static void rfc_4180_rows(void **state) {
    (void)state;
    static const struct {
        const char *fields[3];
        const char *row;
    } cases[] = {
        {{"aaa", "bbb", "ccc"}, "aaa,bbb,ccc\r\n"},
        {{"aaa", "b\r\nbb", "ccc"}, "aaa,\"b\r\nbb\",ccc\r\n"},
        {{"aaa", "b\"bb", "ccc"}, "aaa,\"b\"\"bb\",ccc\r\n"},
        {{"a,aa", " b ", "c\nc"}, "\"a,aa\", b ,\"c\nc\"\r\n"},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct buffer out;
        buffer_init(&out);
        csv_row(&out, cases[i].fields, 3);
        bool same = slice_equal(buffer_slice(&out), slice_text(cases[i].row));
        if (!same) {
            fail_msg("row %zu: got %.*s", i, (int)out.size, (const char *)out.data);
        }
        buffer_release(&out);
    }
}

static int set_up(void **state) {
    (void)state;
    return sodium_init() < 0 ? -1 : 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rfc_8949_appendix_a),
        cmocka_unit_test(rfc_8949_map_order),
        cmocka_unit_test(cose_working_group_example),
        cmocka_unit_test(rfc_8032_tests),
        cmocka_unit_test(blake2b_256_values),
        cmocka_unit_test(gid_96_values),
        cmocka_unit_test(gid_96_one_over),
        cmocka_unit_test(other_schemes_are_not_ours),
        cmocka_unit_test(rfc_4180_rows),
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
