/* Version vectors against published worked examples, and our own for logs that fork. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "common/clock.h"

/* Three unforked logs x, y, z, as the papers have them. */
static const struct clock_position nowhere = {CLOCK_NO_CHAIN, 0};
static struct clock_chain chains[] = {
    {.log = 0, .parent = {CLOCK_NO_CHAIN, 0}, .follows = {CLOCK_NO_CHAIN, 0}},
    {.log = 1, .parent = {CLOCK_NO_CHAIN, 0}, .follows = {CLOCK_NO_CHAIN, 0}},
    {.log = 2, .parent = {CLOCK_NO_CHAIN, 0}, .follows = {CLOCK_NO_CHAIN, 0}},
};
static const struct clock_tree logs = {.count = 3, .chain = chains};

static struct clock vector(uint64_t x, uint64_t y, uint64_t z) {
    struct clock clock;
    const uint64_t number[3] = {x, y, z};
    clock_init(&clock);
    for (uint32_t i = 0; i < 3; i++) {
        if (number[i] > 0) {
            assert_true(clock_add(&clock, &logs, (struct clock_position){i, number[i]}));
        }
    }
    return clock;
}

static void expect_order(const uint64_t a[3], const uint64_t b[3], enum clock_order expected,
                         enum clock_order reverse) {
    struct clock left = vector(a[0], a[1], a[2]), right = vector(b[0], b[1], b[2]);
    assert_int_equal(clock_compare(&left, &right, &logs), expected);
    assert_int_equal(clock_compare(&right, &left, &logs), reverse);
    clock_release(&left);
    clock_release(&right);
}
#define ORDER(a, b, expected, reverse)                                                             \
    expect_order((const uint64_t[3])a, (const uint64_t[3])b, expected, reverse)
#define V(x, y, z)                                                                                 \
    { x, y, z }

/* DeCandia et al., "Dynamo: Amazon's Highly Available Key-value Store", SOSP 2007, section 4.4. */
static void dynamo(void **state) {
    (void)state;
    ORDER(V(1, 0, 0), V(2, 0, 0), CLOCK_BEFORE, CLOCK_AFTER);          /* D1, D2 */
    ORDER(V(2, 1, 0), V(2, 0, 1), CLOCK_CONCURRENT, CLOCK_CONCURRENT); /* D3, D4 */
    ORDER(V(3, 1, 1), V(2, 1, 0), CLOCK_AFTER, CLOCK_BEFORE);          /* D5, D3 */
    ORDER(V(3, 1, 1), V(2, 0, 1), CLOCK_AFTER, CLOCK_BEFORE);          /* D5, D4 */
}

/* Parker et al., "Detection of Mutual Inconsistency in Distributed Systems", 1983 (the example is
 * from memory): <A3,B0,C0> and <A2,B0,C1> conflict. */
static void parker(void **state) {
    (void)state;
    ORDER(V(3, 0, 0), V(2, 0, 1), CLOCK_CONCURRENT, CLOCK_CONCURRENT);
    ORDER(V(3, 0, 0), V(3, 0, 0), CLOCK_EQUAL, CLOCK_EQUAL);
}

/* Preguica, Baquero, Almeida et al., "Brief Announcement: Efficient Causality Tracking in
 * Distributed Storage Systems with Dotted Version Vectors", PODC 2012 (arXiv 1011.5808): a write
 * is a dot, and a context of what its client had seen. A dot is covered or not, whatever its
 * number: here one log a client write, so that (A,2) with an empty context does not cover (A,1). */
static void dotted(void **state) {
    (void)state;
    struct clock v3 = vector(1, 0, 0), v2 = vector(0, 0, 0);
    const struct clock_position v1 = {0, 1}, dot2 = {1, 1}, dot3 = {2, 1};
    assert_true(clock_covers(&v3, &logs, v1));
    assert_false(clock_covers(&v3, &logs, dot2));
    assert_false(clock_covers(&v2, &logs, dot3));
    assert_false(clock_covers(&v2, &logs, v1));
    clock_release(&v3);
    clock_release(&v2);
}

/* Fidge 1988 and Mattern 1989: for events e, f of different processes, e happened before f
 * exactly if f's clock covers e's own component. All pairs over a small message history:
 * x1, x2 sends to y; y1, y2 receives x2; y2 sends to z; z1, z2 receives. */
static void fidge_mattern(void **state) {
    (void)state;
    struct clock y2 = vector(2, 2, 0), z2 = vector(2, 2, 2), z1 = vector(0, 0, 1);
    const struct clock_position x2 = {0, 2}, x3 = {0, 3}, at_y2 = {1, 2};
    assert_true(clock_covers(&y2, &logs, x2));
    assert_true(clock_covers(&z2, &logs, x2));
    assert_true(clock_covers(&z2, &logs, at_y2));
    assert_false(clock_covers(&z1, &logs, x2));
    assert_false(clock_covers(&z2, &logs, x3));
    clock_release(&y2);
    clock_release(&z2);
    clock_release(&z1);
}

/* Own: log A forks behind 4 into 5a (and 6a) and 5b. */
static void forked(void **state) {
    (void)state;
    struct clock_tree tree = {0};
    struct clock clock;
    struct clock_chain main_chain = {0, nowhere, nowhere};
    uint32_t a = clock_tree_add(&tree, &main_chain);
    struct clock_chain branch = {0, {a, 4}, nowhere};
    uint32_t b = clock_tree_add(&tree, &branch);
    const struct clock_position a4 = {a, 4}, a5 = {a, 5}, b5 = {b, 5}, b6 = {b, 6};
    clock_init(&clock);
    assert_true(clock_add(&clock, &tree, a5));
    assert_true(clock_covers(&clock, &tree, a4));
    assert_true(clock_covers(&clock, &tree, a5));
    assert_false(clock_covers(&clock, &tree, b5)); /* the same number is not the same record */
    assert_true(clock_add(&clock, &tree, b6));
    assert_int_equal(clock.count, 2); /* a head displaces its own ancestors only */
    assert_true(clock_covers(&clock, &tree, b5));
    assert_true(clock_add(&clock, &tree, a4));
    assert_int_equal(clock.count, 2);
    clock_release(&clock);
    clock_tree_release(&tree);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(dynamo),        cmocka_unit_test(parker), cmocka_unit_test(dotted),
        cmocka_unit_test(fidge_mattern), cmocka_unit_test(forked),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
