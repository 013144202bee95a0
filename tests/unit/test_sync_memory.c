/* The sync machine when memory runs out: the n-th allocation of a step fails, for every n. A step
 * may say ERR_MEMORY; it must not crash, and what it left undone must be made good later. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/rig.h"
#include "tests/unit/scarce.h"

static bool inside;     /* a step of a machine */
static long seen;       /* allocations in steps so far */
static long fail_at;    /* this one fails; 0 for none */
static bool fail_after; /* and all that follow it in the same step */
static bool failing;

bool scarce_fails(bool sqlite) {
    if (sqlite || !inside)
        return false;
    seen++;
    failing = failing || seen == fail_at;
    return seen == fail_at || (failing && fail_after);
}

static void stepping(bool now_inside) {
    inside = now_inside;
    if (!now_inside)
        failing = false;
}

enum { ONE = 1, TWO = 2, THREE = 3 };

static void issue(struct rig *rig, size_t at, unsigned bib) {
    char text[16];
    snprintf(text, sizeof text, "%u", bib);
    world_issue(&rig->world, at, text, 0, 0, NULL, NULL);
}

/* Hello, have, want, batch, push, relay, addresses, and an end. Returns the allocations counted. */
static long play(long at, bool after) {
    static struct rig rig;
    seen = 0;
    fail_at = at;
    fail_after = after;
    rig_new(&rig, 3);
    rig.stepping = stepping;
    for (unsigned i = 1; i <= 3; i++)
        issue(&rig, ONE, i);
    rig_start(&rig, ONE);
    rig_start(&rig, TWO);
    rig_start(&rig, THREE);
    rig_join(&rig, ONE, TWO);
    rig_join(&rig, TWO, THREE);
    rig_run(&rig, 1500);
    sync_road(rig.sync[TWO], rig_curve(&rig, ONE), "192.0.2.1:7101");
    issue(&rig, THREE, 4);
    rig_appended(&rig, THREE);
    rig_run(&rig, 1500);
    long counted = seen;
    fail_at = 0;
    rig_run(&rig, 30000);
    assert_same_state(rig.world.station[ONE].ledger, rig.world.station[TWO].ledger);
    assert_same_state(rig.world.station[TWO].ledger, rig.world.station[THREE].ledger);
    rig_free(&rig);
    return counted;
}

static void every_allocation_may_fail(void **state) {
    (void)state;
    long count = play(0, false);
    assert_true(count > 50);
    for (long at = 1; at <= count; at++)
        play(at, false);
}

static void all_allocations_of_a_step_may_fail(void **state) {
    (void)state;
    long count = play(0, false);
    for (long at = 1; at <= count; at += 3)
        play(at, true);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_allocation_may_fail),
        cmocka_unit_test(all_allocations_of_a_step_may_fail),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
