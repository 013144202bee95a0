/* test_epc.c: schemes, and EPCs and TIDs as text. The standard's worked examples stand in
 * outside/test_published.c. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdio.h>
#include <string.h>

#include "common/epc.h"
#include "tests/from_hex.h"

static struct bib made(const char *text) {
    struct bib bib = {{0}};
    snprintf(bib.text, sizeof(bib.text), "%s", text);
    return bib;
}

static struct epc_scheme scheme_of(const char *text) {
    struct epc_scheme scheme;
    struct error err;
    assert_int_equal(epc_scheme_parse(slice_text(text), &scheme, &err), ERR_OK);
    return scheme;
}

static void schemes_go_both_ways(void **state) {
    (void)state;
    static const char *const cases[] = {
        "gid96:0:0", "gid96:268435455:16777215", "own:1",  "own:4294967295",
        "own:7:A1",  "own:4294967295:FF",        "as-read"};
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        char text[40];
        struct epc_scheme scheme = scheme_of(cases[i]);
        epc_scheme_text(&scheme, text, sizeof(text));
        assert_string_equal(text, cases[i]);
    }
    struct epc_scheme scheme = scheme_of("gid96:31415:271828");
    assert_int_equal(scheme.kind, EPC_GID96);
    assert_int_equal(scheme.manager, 31415);
    assert_int_equal(scheme.class_, 271828);
    scheme = scheme_of("own:7:0f"); /* the usual one has one form */
    assert_int_equal(scheme.afi, 0);
    scheme = scheme_of("own:7:a1");
    assert_int_equal(scheme.afi, 0xA1);
}

static void bad_schemes_are_refused(void **state) {
    (void)state;
    static const char *const cases[] = {
        "",
        "gid96",
        "gid96:",
        "gid96:1",
        "gid96:1:",
        "gid96::1",
        "gid96:1:2:3",
        "gid96:-1:2",
        "gid96:268435456:0",
        "gid96:0:16777216",
        "gid96:99999999999999999999:0",
        "own:",
        "own:0",
        "own:4294967296",
        "own:1x",
        "own:1:",
        "own:1:A",
        "own:1:A1B",
        "own:1:G1",
        "own:1:00",
        "own:1:07", /* libraries', as test_tag.c has them */
        "own:1:C2",
        "as read",
        "sgtin96:1:2",
        "GID96:1:2",
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct epc_scheme scheme = {.kind = EPC_OWN, .code = 7};
        struct error err;
        enum error_code code = epc_scheme_parse(slice_text(cases[i]), &scheme, &err);
        if (code != ERR_USAGE || scheme.kind != EPC_OWN || scheme.code != 7) {
            fail_msg("'%s': code %d", cases[i], code);
        }
    }
}

static void own_scheme_lays_out_its_bits(void **state) {
    (void)state;
    /* The project's own layout: 32 bits code, 16 bits zero, 48 bits number. */
    struct epc_scheme scheme = scheme_of("own:439041101");
    struct bib bib = made("42");
    struct epc epc;
    struct error err;
    uint8_t space[12];
    uint64_t number = 0;
    assert_int_equal(epc_for_bib(&scheme, &bib, &epc, &err), ERR_OK);
    assert_int_equal(epc.size, 12);
    assert_memory_equal(epc.data, from_hex("1A2B3C4D000000000000002A", space, 12).data, 12);
    assert_true(epc_number(&scheme, &epc, &number));
    assert_int_equal(number, 42);
    bib = made("999999999999");
    assert_int_equal(epc_for_bib(&scheme, &bib, &epc, &err), ERR_OK);
    assert_memory_equal(epc.data, from_hex("1A2B3C4D000000E8D4A50FFF", space, 12).data, 12);
    assert_true(epc_number(&scheme, &epc, &number));
    assert_true(number == UINT64_C(999999999999));
}

static void other_tags_carry_no_number(void **state) {
    (void)state;
    static const struct {
        const char *scheme;
        const char *epc;
    } cases[] = {
        {"own:439041101", "1A2B3C4E000000000000002A"}, /* another event's code */
        {"own:439041101", "1A2B3C4D000100000000002A"}, /* the zero bits are not zero */
        {"own:439041101", "1A2B3C4D00000000002A"},     /* short */
        {"own:439041101", "1A2B3C4D000000000000002A0000"},
        {"gid96:31415:271828", "360007AB70425D4000000586"}, /* header */
        {"gid96:31415:271828", "350007AB80425D4000000586"}, /* manager */
        {"gid96:31415:271828", "350007AB70425D5000000586"}, /* class */
        {"gid96:31415:271828", "350007AB70425D400000"},
        {"as-read", "350007AB70425D4000000586"},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct epc_scheme scheme = scheme_of(cases[i].scheme);
        struct epc epc;
        struct error err;
        uint64_t number = 0;
        assert_int_equal(epc_parse(slice_text(cases[i].epc), &epc, &err), ERR_OK);
        if (epc_number(&scheme, &epc, &number)) {
            fail_msg("%s under %s gave %llu", cases[i].epc, cases[i].scheme,
                     (unsigned long long)number);
        }
    }
}

static void labels_that_a_scheme_cannot_hold(void **state) {
    (void)state;
    static const struct {
        const char *scheme;
        const char *bib;
        enum error_code code;
    } cases[] = {
        {"gid96:1:1", "68719476735", ERR_OK}, /* 2^36 - 1 */
        {"gid96:1:1", "68719476736", ERR_TAG},
        {"own:1", "999999999999", ERR_OK},
        {"gid96:1:1", "A7", ERR_TAG},
        {"own:1", "7-1", ERR_TAG},
        {"as-read", "7", ERR_TAG},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct epc_scheme scheme = scheme_of(cases[i].scheme);
        struct bib bib = made(cases[i].bib);
        struct epc epc = {.size = 99};
        struct error err;
        enum error_code code = epc_for_bib(&scheme, &bib, &epc, &err);
        assert_int_equal(code, cases[i].code);
        assert_int_equal(epc.size, code == ERR_OK ? 12 : 99);
    }
}

static void only_the_bibs_own_tag_fits(void **state) {
    (void)state;
    struct epc_scheme scheme = scheme_of("gid96:31415:271828");
    struct bib bib = made("1414");
    struct epc epc;
    struct error err;
    assert_int_equal(epc_parse(slice_text("350007AB70425D4000000586"), &epc, &err), ERR_OK);
    assert_int_equal(epc_fits(&scheme, &bib, &epc, &err), ERR_OK);
    bib = made("1415");
    assert_int_equal(epc_fits(&scheme, &bib, &epc, &err), ERR_TAG);
    assert_non_null(strstr(err.say, "1414")); /* whose number the tag carries */
    assert_non_null(strstr(err.say, "1415"));
    assert_int_equal(epc_parse(slice_text("E2004216CB60601500951ED6"), &epc, &err), ERR_OK);
    assert_int_equal(epc_fits(&scheme, &bib, &epc, &err), ERR_TAG);
    scheme = scheme_of("as-read");
    bib = made("A7");
    assert_int_equal(epc_fits(&scheme, &bib, &epc, &err), ERR_OK);
}

static void expect_tag_text(const char *text, enum error_code as_epc, enum error_code as_tid) {
    struct epc epc = {.size = 99};
    struct tid tid = {.size = 99};
    struct error err;
    enum error_code got_epc = epc_parse(slice_text(text), &epc, &err);
    enum error_code got_tid = tid_parse(slice_text(text), &tid, &err);
    if (got_epc != as_epc || got_tid != as_tid || (got_epc != ERR_OK && epc.size != 99) ||
        (got_tid != ERR_OK && tid.size != 99)) {
        fail_msg("'%s': epc %d, tid %d", text, got_epc, got_tid);
    }
}

static void tags_are_whole_words_of_hex(void **state) {
    (void)state;
    char longest[2 * EPC_SIZE_MAX + 8];
    expect_tag_text("E2801105", ERR_OK, ERR_OK);
    expect_tag_text(" e2801105\r\n", ERR_OK, ERR_OK);
    expect_tag_text("E004", ERR_OK, ERR_OK);
    expect_tag_text("3000", ERR_OK, ERR_TAG); /* no class identifier of a tag */
    expect_tag_text("E1801105", ERR_OK, ERR_TAG);
    expect_tag_text("", ERR_TAG, ERR_TAG);
    expect_tag_text("  ", ERR_TAG, ERR_TAG);
    expect_tag_text("E28", ERR_TAG, ERR_TAG);
    expect_tag_text("E280110", ERR_TAG, ERR_TAG);
    expect_tag_text("E28011", ERR_TAG, ERR_TAG); /* a word and a half */
    expect_tag_text("E28Z", ERR_TAG, ERR_TAG);
    expect_tag_text("E2 80", ERR_TAG, ERR_TAG);
    memset(longest, 0, sizeof(longest));
    memcpy(longest, "E2", 2);
    memset(longest + 2, '0', 2 * TID_SIZE_MAX - 2);
    expect_tag_text(longest, ERR_OK, ERR_OK);
    memset(longest + 2, '0', 2 * TID_SIZE_MAX + 2);
    expect_tag_text(longest, ERR_OK, ERR_TAG);
    memset(longest + 2, '0', 2 * EPC_SIZE_MAX - 2);
    expect_tag_text(longest, ERR_OK, ERR_TAG);
    memset(longest + 2, '0', 2 * EPC_SIZE_MAX + 2);
    expect_tag_text(longest, ERR_TAG, ERR_TAG);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(schemes_go_both_ways),
        cmocka_unit_test(bad_schemes_are_refused),
        cmocka_unit_test(own_scheme_lays_out_its_bits),
        cmocka_unit_test(other_tags_carry_no_number),
        cmocka_unit_test(labels_that_a_scheme_cannot_hold),
        cmocka_unit_test(only_the_bibs_own_tag_fits),
        cmocka_unit_test(tags_are_whole_words_of_hex),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
