/* test_sample.c: samples of a stack against published examples; the source stands beside each. That
 * the arithmetic never rounds the wrong way is shown by outside/sample.mjs. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "common/sample.h"

static struct sample_share share_of(const char *text) {
    struct sample_share share = {0};
    struct error err;
    assert_int_equal(sample_share_parse(slice_text(text), &share, &err), ERR_OK);
    return share;
}

static void shares_as_typed(void **state) {
    (void)state;
    static const struct {
        const char *text;
        uint64_t part, whole;
    } cases[] = {
        {"1%", 1, 100},
        {"0.01", 1, 100},
        {"0,01", 1, 100},
        {" 5 % ", 5, 100},
        {"0%", 0, 100},
        {"100%", 100, 100},
        {"97.5%", 975, 1000},
        {"1", 1, 1},
        {"0.5 %", 5, 1000},
        {".5", 5, 10},
        {"99.9999999%", 999999999, 1000000000},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct sample_share share = share_of(cases[i].text);
        if (share.part != cases[i].part || share.whole != cases[i].whole) {
            fail_msg("'%s'", cases[i].text);
        }
    }
    static const char *const bad[] = {
        "",      "%",    "1%%",  "101%", "95",           "-1%", "1e-2",
        "1.2.3", "1 2%", "half", "% 1",  "0.1234567891", ".",   "18446744073709551617%"};
    for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
        struct sample_share share = {7, 7};
        struct error err;
        if (sample_share_parse(slice_text(bad[i]), &share, &err) != ERR_USAGE || share.part != 7) {
            fail_msg("'%s' was taken", bad[i]);
        }
    }
}

static void shares_of_a_stack(void **state) {
    (void)state;
    struct sample_share share = share_of("1%");
    assert_int_equal(sample_share_of(&share, 700), 7);
    assert_int_equal(sample_share_of(&share, 699), 6);
    assert_int_equal(sample_share_of(&share, 99), 0);
    share = share_of("99.9999999%");
    assert_int_equal(sample_share_of(&share, SAMPLE_STACK_MAX), 999999);
}

static uint64_t needed(uint64_t count, uint64_t wrong, const char *confidence) {
    struct sample_share share = share_of(confidence);
    return sample_needed(count, wrong, &share);
}

static void known_sizes_of_large_lots(void **state) {
    (void)state;
    /* "59 of a large lot, all right: with 95 % fewer than 5 % are wrong": 0.95^59 < 0.05 < 0.95^58,
     * the success-run formula n = ln(1 - C) / ln(1 - P), printed in many handbooks on acceptance
     * sampling with c = 0. Of a million, what is not put back makes no difference. */
    assert_int_equal(needed(1000000, 50000, "95%"), 59);
    /* A test laboratory's page, "Sample size for attributes when C = 0": 99 % confidence that 95 %
     * are right takes 90. */
    assert_int_equal(needed(1000000, 50000, "99%"), 90);
    /* "Rule of three" (Eypasch and others, BMJ 311, 1995; Jovanovic and Levy, American Statistician
     * 51, 1997): nothing wrong in n says with 95 % that at most 3/n are. For n = 300: 1 %. */
    assert_int_equal(needed(1000000, 10000, "95%"), 299);
}

static void known_sizes_of_small_lots(void **state) {
    (void)state;
    /* R package RSurveillance 0.2.1, example of n.hypergeo as its manual prints the output. It uses
     * the approximation of Cannon and Roe, which may be off by one in a hundred. */
    static const struct {
        uint64_t count, wrong;
        const char *confidence;
        uint64_t printed;
    } cases[] = {
        {100, 1, "95%", 95},    {200, 2, "95%", 156},     {500, 5, "95%", 226},
        {1000, 10, "95%", 259}, {10000, 100, "95%", 296}, {100, 5, "50%", 13},
        {100, 5, "80%", 28},    {100, 5, "90%", 37},      {100, 5, "95%", 46},
        {80, 1, "95%", 76},     {80, 2, "95%", 63},       {80, 5, "95%", 37},
        {80, 10, "95%", 21},
    };
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        uint64_t got = needed(cases[i].count, cases[i].wrong, cases[i].confidence);
        uint64_t slack = cases[i].printed / 100 + 1;
        if (got > cases[i].printed + slack || got + slack < cases[i].printed) {
            fail_msg("%llu of %llu: %llu, printed %llu", (unsigned long long)cases[i].wrong,
                     (unsigned long long)cases[i].count, (unsigned long long)got,
                     (unsigned long long)cases[i].printed);
        }
    }
}

static void known_chances(void **state) {
    (void)state;
    /* "Acceptance Sampling: An Application of the Hypergeometric Distribution" (course text): of 25
     * components 5 are tested; with 2 bad ones none is found with 0.6333. */
    double none = 1 - sample_confidence(25, 2, 5, 0);
    assert_true(fabs(none - 0.6333) < 0.00005);
    /* MATLAB's manual, hygeinv: 50 of 1000 disks with 10 bad ones; 3 is the first number that is
     * not passed with 99 %, 0 with 50 %. */
    assert_true(1 - sample_confidence(1000, 10, 50, 3) >= 0.99);
    assert_true(1 - sample_confidence(1000, 10, 50, 2) < 0.99);
    assert_true(1 - sample_confidence(1000, 10, 50, 0) >= 0.50);
    /* A textbook exercise often quoted (aircraft altimeters, 3 % of 4000 bad, 100 tested): refused
     * with 0.952 by the binomial; what is not put back adds a little. */
    double refused = sample_confidence(4000, 120, 100, 0);
    assert_true(refused > 0.952 && refused < 0.955);
}

static void ends(void **state) {
    (void)state;
    struct sample_share sure = share_of("100%");
    struct sample_share usual = share_of("95%");
    /* None may be wrong: what is not looked at is at most what the confidence leaves; a tie counts.
     */
    assert_int_equal(needed(100, 1, "95%"), 95);
    assert_int_equal(needed(20, 1, "95%"), 19);
    assert_int_equal(needed(1000000, 1, "99.9%"), 999000);
    /* Full certainty: all but the wrong ones less one. */
    assert_int_equal(needed(100, 1, "100%"), 100);
    assert_int_equal(needed(100, 10, "100%"), 91);
    assert_int_equal(needed(1, 1, "95%"), 1);
    assert_int_equal(needed(0, 1, "95%"), 0);
    assert_int_equal(needed(5, 6, "95%"), 0); /* more than there are */
    assert_int_equal(needed(100, 100, "95%"), 1);
    assert_int_equal(sample_most_wrong(100, 100, 0, &usual), 0);
    assert_int_equal(sample_most_wrong(100, 100, 3, &usual), 3);
    assert_int_equal(sample_most_wrong(100, 0, 0, &usual), 100);
    assert_int_equal(sample_most_wrong(100, 91, 0, &sure), 9);
    assert_int_equal(sample_most_wrong(0, 0, 0, &usual), 0);
    assert_true(sample_confidence(100, 5, 0, 0) == 0);
    assert_true(sample_confidence(100, 1, 100, 0) == 1);
    assert_true(sample_confidence(SAMPLE_STACK_MAX, 500000, 500000, 0) < 1);
    assert_true(sample_confidence(SAMPLE_STACK_MAX, 500000, 500000, 0) > 0.999999);
    assert_true(sample_confidence(SAMPLE_STACK_MAX, 500000, 500000, 250000) < 0.5);
    assert_true(sample_confidence(SAMPLE_STACK_MAX, 500000, 500000, 250000) > 0.49);
}

/* All stacks of up to 9 bibs, all ways in which `wrong` of them may be wrong, and all samples with
 * the last one among them: the plan misses no way more often than the confidence allows, and one
 * look fewer would. */
static double misses_at_worst(unsigned count, unsigned wrong, unsigned n) {
    double worst = 0;
    for (unsigned bad = 0; bad < 1U << count; bad++) {
        unsigned samples = 0;
        unsigned missed = 0;
        if ((unsigned)__builtin_popcount(bad) != wrong) {
            continue;
        }
        for (unsigned sample = 0; sample < 1U << count; sample++) {
            bool is_sample =
                (unsigned)__builtin_popcount(sample) == n && (sample & 1U << (count - 1)) != 0;
            samples += is_sample ? 1 : 0;
            missed += is_sample && (sample & bad) == 0 ? 1 : 0;
        }
        double share = samples == 0 ? 1 : (double)missed / samples;
        worst = share > worst ? share : worst;
    }
    return worst;
}

static void plans_hold_for_every_way_to_be_wrong(void **state) {
    (void)state;
    static const char *const confidences[] = {"60%", "75%", "90%", "95%"};
    for (unsigned c = 0; c < 4; c++) {
        struct sample_share share = share_of(confidences[c]);
        double left = 1 - (double)share.part / (double)share.whole + 1e-9;
        for (unsigned count = 1; count <= 9; count++) {
            for (unsigned wrong = 1; wrong <= count; wrong++) {
                unsigned n = (unsigned)sample_stack_needed(count, wrong, &share);
                assert_true(n >= 1 && n <= count);
                assert_true(misses_at_worst(count, wrong, n) <= left);
                assert_true(n == 1 || misses_at_worst(count, wrong, n - 1) > left);
                struct sample_looks looks = {.count = count, .n = n, .last_seen = true};
                assert_true(sample_stack_rules_out(&looks, wrong, &share));
                assert_true(sample_stack_most_wrong(&looks, &share) < wrong);
            }
        }
    }
}

static void looks_at_a_stack(void **state) {
    (void)state;
    struct sample_share share = share_of("95%");
    struct sample_looks looks = {
        .count = 100, .n = 3, .k = 1, .last_seen = true, .last_wrong = true};
    /* The last one is known to be wrong, and 2 of the 99 others were right. */
    assert_int_equal(sample_stack_most_wrong(&looks, &share),
                     1 + sample_most_wrong(99, 2, 0, &share));
    assert_true(sample_stack_confidence(&looks, 51) == sample_confidence(99, 50, 2, 0));
    looks.last_wrong = false;
    assert_int_equal(sample_stack_most_wrong(&looks, &share), sample_most_wrong(99, 2, 1, &share));
    looks.last_seen = false;
    assert_int_equal(sample_stack_most_wrong(&looks, &share), sample_most_wrong(100, 3, 1, &share));
    looks = (struct sample_looks){.count = 1, .n = 1, .last_seen = true};
    assert_true(sample_stack_rules_out(&looks, 1, &share));
    assert_int_equal(sample_stack_needed(0, 1, &share), 0);
    assert_int_equal(sample_stack_needed(1, 1, &share), 1);
    /* 59 drawn, as of any large lot, and the last one. */
    assert_int_equal(sample_stack_needed(1000000, 50000, &share), 60);
}

static void draws_are_the_same_everywhere(void **state) {
    (void)state;
    uint8_t seed[32] = {1, 2, 3};
    bool chosen[100];
    bool again[100];
    sample_draw(100, 7, seed, chosen);
    sample_draw(100, 7, seed, again);
    assert_memory_equal(chosen, again, sizeof(chosen));
    seed[31] = 1;
    sample_draw(100, 7, seed, again);
    assert_memory_not_equal(chosen, again, sizeof(chosen));
}

/* Each bib as likely as any other, and each pair: counts over many seeds, within six standard
 * deviations of what is to be expected, so that it does not fail by chance. */
static void draws_are_fair(void **state) {
    (void)state;
    enum { COUNT = 12, TAKEN = 4, ROUNDS = 20000 };
    unsigned single[COUNT] = {0};
    unsigned pair[COUNT][COUNT] = {{0}};
    for (uint32_t round = 0; round < ROUNDS; round++) {
        uint8_t seed[32] = {0};
        bool chosen[COUNT];
        memcpy(seed, &round, sizeof(round));
        sample_draw(COUNT, TAKEN, seed, chosen);
        unsigned total = 0;
        for (size_t i = 0; i < COUNT; i++) {
            total += chosen[i] ? 1 : 0;
            single[i] += chosen[i] ? 1 : 0;
            for (size_t j = 0; j < i; j++) {
                pair[i][j] += chosen[i] && chosen[j] ? 1 : 0;
            }
        }
        assert_int_equal(total, TAKEN);
    }
    double p = (double)TAKEN / COUNT;
    double p2 = p * (TAKEN - 1) / (COUNT - 1);
    for (size_t i = 0; i < COUNT; i++) {
        assert_true(fabs(single[i] - ROUNDS * p) < 6 * sqrt(ROUNDS * p * (1 - p)));
        for (size_t j = 0; j < i; j++) {
            assert_true(fabs(pair[i][j] - ROUNDS * p2) < 6 * sqrt(ROUNDS * p2 * (1 - p2)));
        }
    }
}

static void draws_at_the_ends(void **state) {
    (void)state;
    uint8_t seed[32] = {9};
    bool chosen[5] = {true, true, true, true, true};
    bool none[5] = {0};
    sample_draw(5, 0, seed, chosen);
    assert_memory_equal(chosen, none, sizeof(none));
    sample_draw(5, 5, seed, chosen);
    assert_true(chosen[0] && chosen[1] && chosen[2] && chosen[3] && chosen[4]);
    sample_draw(0, 0, seed, chosen);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(shares_as_typed),
        cmocka_unit_test(shares_of_a_stack),
        cmocka_unit_test(known_sizes_of_large_lots),
        cmocka_unit_test(known_sizes_of_small_lots),
        cmocka_unit_test(known_chances),
        cmocka_unit_test(ends),
        cmocka_unit_test(plans_hold_for_every_way_to_be_wrong),
        cmocka_unit_test(looks_at_a_stack),
        cmocka_unit_test(draws_are_the_same_everywhere),
        cmocka_unit_test(draws_are_fair),
        cmocka_unit_test(draws_at_the_ends),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
