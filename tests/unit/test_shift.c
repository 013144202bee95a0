/* test_shift.c: stacks that went wrong, played: what shift_find asks for is looked at until it
 * knows where the shift begins and ends. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdlib.h>
#include <string.h>

#include "common/shift.h"

enum { PLACES_MAX = 2100, ODD = 1000000 };

/* A stack as it is: by how much the chip at each place is off; ODD for one that has none. */
struct stack {
    uint64_t size;
    int64_t off[PLACES_MAX];
    struct shift_look looks[PLACES_MAX];
    size_t count;
    struct shift_finding finding;
    unsigned asked;
};
static struct stack stack;

static void new_stack(uint64_t size) {
    memset(&stack, 0, sizeof(stack));
    stack.size = size;
}

static void move(uint64_t first, uint64_t last, int64_t off) {
    for (uint64_t i = first; i <= last; i++) {
        stack.off[i] = off;
    }
}

/* Two bibs whose chips were taken for each other's. */
static void swap(uint64_t a, uint64_t b) {
    stack.off[a] = (int64_t)b - (int64_t)a;
    stack.off[b] = (int64_t)a - (int64_t)b;
}

static void look(uint64_t place) {
    size_t i = stack.count;
    assert_true(place < stack.size);
    while (i > 0 && stack.looks[i - 1].place > place) {
        stack.looks[i] = stack.looks[i - 1];
        i--;
    }
    assert_true(i == 0 || stack.looks[i - 1].place != place); /* nobody looks twice */
    int64_t off = stack.off[place];
    stack.looks[i] = (struct shift_look){
        .place = place,
        .seen = off == 0     ? SHIFT_RIGHT
                : off == ODD ? SHIFT_ODD
                             : SHIFT_OTHER,
        .offset = off == ODD ? 0 : off,
    };
    stack.count++;
}

static bool looked(uint64_t place) {
    for (size_t i = 0; i < stack.count; i++) {
        if (stack.looks[i].place == place) {
            return true;
        }
    }
    return false;
}

/* Looks at what is asked for until nothing is. */
static void play(void) {
    for (;;) {
        shift_find(stack.looks, stack.count, stack.size, &stack.finding);
        if (!stack.finding.has_next) {
            return;
        }
        stack.asked++;
        assert_true(stack.asked <= stack.size);
        look(stack.finding.next);
    }
}

static void expect_run(size_t index, uint64_t first, uint64_t last, int64_t off) {
    const struct shift_run *run = &stack.finding.run[index];
    if (index >= stack.finding.run_count || run->first != first || run->last != last ||
        run->offset != off) {
        fail_msg("run %zu of %zu: %llu-%llu by %lld, not %llu-%llu by %lld", index,
                 stack.finding.run_count, (unsigned long long)run->first,
                 (unsigned long long)run->last, (long long)run->offset, (unsigned long long)first,
                 (unsigned long long)last, (long long)off);
    }
}

static void expect_alone(uint64_t place) {
    for (size_t i = 0; i < stack.count; i++) {
        if (stack.looks[i].place == place) {
            assert_true(stack.looks[i].alone);
            return;
        }
    }
    fail_msg("nobody looked at %llu", (unsigned long long)place);
}

static unsigned halvings(uint64_t size) {
    unsigned count = 0;
    for (uint64_t left = size; left > 0; left /= 2) {
        count++;
    }
    return count;
}

static void a_right_stack_asks_for_nothing(void **state) {
    (void)state;
    new_stack(700);
    shift_find(stack.looks, 0, 700, &stack.finding);
    assert_false(stack.finding.has_next);
    look(3);
    look(699);
    play();
    assert_int_equal(stack.asked, 0);
    assert_int_equal(stack.finding.run_count, 0);
}

/* The last bib alone is enough to find a shift that goes on to the end, wherever it begins. */
static void any_beginning_in_both_directions(void **state) {
    (void)state;
    for (uint64_t first = 0; first < 199; first++) {
        for (int64_t off = -2; off <= 2; off++) {
            if (off == 0) {
                continue;
            }
            new_stack(200);
            move(first, 199, off);
            look(199);
            play();
            assert_int_equal(stack.finding.run_count, 1);
            expect_run(0, first, 199, off);
            assert_true(stack.asked <= halvings(200) + 3);
        }
    }
}

static void a_thousand_take_about_a_dozen(void **state) {
    (void)state;
    new_stack(1000);
    move(437, 999, -1);
    look(250);
    look(600);
    look(999);
    play();
    expect_run(0, 437, 999, -1);
    assert_false(stack.finding.run[0].mixed);
    assert_true(stack.asked <= 12);
}

static void a_shift_that_was_put_right(void **state) {
    (void)state;
    for (uint64_t last = 41; last < 90; last++) {
        new_stack(120);
        move(40, last, 1);
        look(10);
        look(41);
        look(119);
        play();
        assert_int_equal(stack.finding.run_count, 1);
        expect_run(0, 40, last, 1);
        assert_true(stack.asked <= 2 * halvings(120) + 4);
    }
}

static void one_wrong_bib_is_no_shift(void **state) {
    (void)state;
    for (uint64_t place = 0; place < 30; place++) {
        new_stack(30);
        stack.off[place] = 7;
        look(place);
        play();
        assert_int_equal(stack.finding.run_count, 0);
        expect_alone(place);
        assert_true(stack.asked <= 2); /* its neighbours */
    }
    new_stack(1);
    stack.off[0] = 1;
    look(0);
    play();
    expect_alone(0);
    assert_int_equal(stack.asked, 0);
}

static void two_that_were_swapped(void **state) {
    (void)state;
    new_stack(100);
    swap(50, 51);
    look(50);
    look(99);
    play();
    assert_int_equal(stack.finding.run_count, 0);
    expect_alone(50);
    expect_alone(51);
    new_stack(100);
    swap(98, 99);
    look(99);
    play();
    assert_int_equal(stack.finding.run_count, 0);
    expect_alone(99);
    expect_alone(98);
}

static void bibs_without_a_chip_say_nothing(void **state) {
    (void)state;
    new_stack(100);
    stack.off[20] = ODD;
    stack.off[60] = ODD;
    look(20);
    look(60);
    look(99);
    play();
    assert_int_equal(stack.asked, 0);
    expect_alone(20);
    expect_alone(60);
    /* One bib was passed over without a chip, and the next ones have each other's. */
    new_stack(100);
    stack.off[30] = ODD;
    move(31, 99, -1);
    look(99);
    play();
    assert_int_equal(stack.finding.run_count, 1);
    expect_run(0, stack.finding.run[0].first, 99, -1);
    assert_true(stack.finding.run[0].first == 31 || stack.finding.run[0].first == 30);
    for (size_t i = 0; i < stack.count; i++) {
        assert_true(stack.looks[i].place < 30 || !stack.looks[i].alone);
    }
}

/* Beside a bib without a chip, a shift is not cut short: what lies behind it counts. */
static void a_shift_around_a_bib_without_a_chip(void **state) {
    (void)state;
    new_stack(100);
    move(40, 61, 1);
    stack.off[60] = ODD;
    look(60);
    look(61);
    look(62);
    play();
    assert_int_equal(stack.finding.run_count, 1);
    expect_run(0, 40, 61, 1);
}

/* Most shifts go on to the end, so the last bib is looked at before any halves. */
static void the_end_costs_one_look(void **state) {
    (void)state;
    new_stack(1000);
    move(0, 999, 1);
    look(0);
    look(1);
    play();
    expect_run(0, 0, 999, 1);
    assert_true(looked(999));
    assert_true(stack.asked <= 2);
}

/* A shift anywhere, with a single wrong bib besides that is moved by the same number, on either
 * side: it must not be taken for the end of the shift. */
static void a_shift_with_a_single_one_besides(void **state) {
    (void)state;
    for (uint64_t single = 0; single < 120; single++) {
        for (int64_t off = -1; off <= 1; off += 2) {
            if (single >= 48 && single <= 82) {
                continue;
            }
            new_stack(120);
            move(50, 80, off);
            stack.off[single] = off;
            look(single);
            look(60);
            if (!looked(119)) {
                look(119);
            }
            play();
            assert_int_equal(stack.finding.run_count, 1);
            expect_run(0, 50, 80, off);
            expect_alone(single);
        }
    }
}

static void two_shifts_and_one_that_grows(void **state) {
    (void)state;
    new_stack(300);
    move(40, 70, 1);
    move(200, 299, -1);
    look(55);
    look(120);
    look(299);
    play();
    assert_int_equal(stack.finding.run_count, 2);
    expect_run(0, 40, 70, 1);
    expect_run(1, 200, 299, -1);
    new_stack(300);
    move(100, 179, -1);
    move(180, 299, -2);
    look(150);
    look(299);
    play();
    assert_int_equal(stack.finding.run_count, 1);
    expect_run(0, 100, 299, -1);
    assert_true(stack.finding.run[0].mixed);
}

static void more_shifts_than_are_told(void **state) {
    (void)state;
    new_stack(600);
    for (uint64_t i = 0; i < 30; i++) {
        move(i * 20, i * 20 + 9, 1);
        look(i * 20 + 3);
        look(i * 20 + 15);
    }
    look(599);
    play();
    assert_int_equal(stack.finding.run_count, SHIFT_RUNS_MAX);
    assert_true(stack.finding.more);
    assert_false(stack.finding.has_next);
    assert_int_equal(stack.finding.run[15].first, 300);
}

/* Whatever happened to a stack: it ends, nothing that was seen right is called wrong, and all that
 * was seen wrong is in a run or alone. */
static void anything_at_all(void **state) {
    (void)state;
    srand(7);
    for (unsigned round = 0; round < 3000; round++) {
        new_stack(1 + (uint64_t)rand() % 60);
        for (uint64_t i = 0; i < stack.size; i++) {
            int what = rand() % 8;
            stack.off[i] = what == 0 ? rand() % 7 - 3 : what == 1 ? ODD : 0;
            if (i > 0 && rand() % 2 == 0) {
                stack.off[i] = stack.off[i - 1];
            }
        }
        for (uint64_t i = 0; i < stack.size; i++) {
            if (rand() % 4 == 0) {
                look(i);
            }
        }
        play();
        for (size_t i = 0; i < stack.count; i++) {
            bool in_run = false;
            for (size_t r = 0; r < stack.finding.run_count; r++) {
                in_run = in_run || (stack.looks[i].place >= stack.finding.run[r].first &&
                                    stack.looks[i].place <= stack.finding.run[r].last);
            }
            bool right = stack.looks[i].seen == SHIFT_RIGHT;
            assert_false(right && (in_run || stack.looks[i].alone));
            assert_true(right || in_run != stack.looks[i].alone || stack.finding.more);
        }
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_right_stack_asks_for_nothing),
        cmocka_unit_test(any_beginning_in_both_directions),
        cmocka_unit_test(a_thousand_take_about_a_dozen),
        cmocka_unit_test(a_shift_that_was_put_right),
        cmocka_unit_test(one_wrong_bib_is_no_shift),
        cmocka_unit_test(two_that_were_swapped),
        cmocka_unit_test(bibs_without_a_chip_say_nothing),
        cmocka_unit_test(a_shift_around_a_bib_without_a_chip),
        cmocka_unit_test(the_end_costs_one_look),
        cmocka_unit_test(a_shift_with_a_single_one_besides),
        cmocka_unit_test(two_shifts_and_one_that_grows),
        cmocka_unit_test(more_shifts_than_are_told),
        cmocka_unit_test(anything_at_all),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
