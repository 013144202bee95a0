/* test_look.c: what a chip is, and whether a bib carries what the list says. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "common/look.h"
#include "tests/unit/world.h"

/* A tag as world_issue makes it: EPC number and TID number, 0 for a TID that was not read. */
static struct record_tag tag_of(unsigned epc, unsigned tid) {
    struct record_tag tag = {.epc = {.size = 12}, .seen = true};
    for (size_t i = 0; i < sizeof epc; i++) {
        tag.epc.data[11 - i] = (uint8_t)(epc >> (8 * i));
    }
    if (tid != 0) {
        tag.tid.size = 12;
        tag.tid.data[0] = 0xe2;
        for (size_t i = 0; i < sizeof tid; i++) {
            tag.tid.data[11 - i] = (uint8_t)(tid >> (8 * i));
        }
    }
    return tag;
}

static struct look_tag find(struct ledger *ledger, unsigned epc, unsigned tid) {
    struct record_tag tag = tag_of(epc, tid);
    struct look_tag out;
    struct error err;
    assert_int_equal(look_tag(ledger, &tag.epc, &tag.tid, &out, &err), ERR_OK);
    return out;
}

static enum look_verdict judge(struct ledger *ledger, const char *bib,
                               const struct record_tag *tags, size_t count) {
    struct bib label = world_label(bib);
    enum look_verdict verdict = LOOK_RIGHT;
    struct error err;
    assert_int_equal(look_judge(ledger, &label, tags, count, &verdict, &err), ERR_OK);
    return verdict;
}

static void chips(void **state) {
    struct world world;
    (void)state;
    world_new(&world, true);
    struct ledger *ledger = world.station[0].ledger;
    world_issue(&world, 0, "5", 50, 1, NULL, NULL);
    world_issue(&world, 0, "6", 60, 0, NULL, NULL); /* its TID was not read */
    struct record_id gone = world_issue(&world, 0, "7", 70, 3, NULL, NULL);
    world_void(&world, 0, &gone, 1);
    struct look_tag tag = find(ledger, 50, 1);
    assert_int_equal(tag.is, LOOK_IS_LIVE);
    assert_string_equal(tag.issue.bib.text, "5");
    assert_int_equal(tag.bibs, 1);
    assert_int_equal(find(ledger, 50, 0).is, LOOK_IS_LIVE);
    assert_int_equal(find(ledger, 60, 9).is, LOOK_IS_LIVE);
    assert_int_equal(find(ledger, 50, 9).is, LOOK_IS_UNKNOWN); /* another chip of that number */
    assert_int_equal(find(ledger, 99, 1).is, LOOK_IS_LIVE);    /* that chip, written anew */
    assert_int_equal(find(ledger, 70, 3).is, LOOK_IS_DEAD);
    assert_string_equal(find(ledger, 70, 3).issue.bib.text, "7");
    assert_int_equal(find(ledger, 80, 8).is, LOOK_IS_UNKNOWN);
    assert_false(find(ledger, 50, 1).has_number); /* chips are taken as they come */
    world_issue(&world, 0, "8", 50, 1, NULL, NULL);
    world_issue(&world, 0, "9", 50, 1, NULL, NULL);
    tag = find(ledger, 50, 1);
    assert_int_equal(tag.bibs, 3);
    assert_string_not_equal(tag.other.text, tag.issue.bib.text);
    world_free(&world);
}

static void bibs(void **state) {
    struct world world;
    (void)state;
    world_new(&world, true);
    struct ledger *ledger = world.station[0].ledger;
    struct record_id first = world_issue(&world, 0, "5", 50, 1, NULL, NULL);
    world_issue(&world, 0, "5", 51, 2, NULL, &first); /* a further chip */
    world_issue(&world, 0, "6", 60, 3, NULL, NULL);
    struct record_id gone = world_issue(&world, 0, "5", 52, 4, NULL, NULL);
    world_void(&world, 0, &gone, 1);
    struct record_tag both[] = {tag_of(51, 2), tag_of(50, 1)};
    struct record_tag twice[] = {tag_of(50, 1), tag_of(50, 1)};
    struct record_tag with_other[] = {tag_of(51, 2), tag_of(50, 1), tag_of(60, 3)};
    struct record_tag with_old[] = {tag_of(51, 2), tag_of(50, 1), tag_of(52, 4)};
    struct record_tag strange = tag_of(77, 7);
    assert_int_equal(judge(ledger, "5", both, 2), LOOK_RIGHT);
    assert_int_equal(judge(ledger, "5", both, 1), LOOK_HALF);
    assert_int_equal(judge(ledger, "5", both, 0), LOOK_NO_CHIP);
    assert_int_equal(judge(ledger, "5", with_other, 3), LOOK_OTHER);
    assert_int_equal(judge(ledger, "5", with_old, 3), LOOK_VOID);
    assert_int_equal(judge(ledger, "5", &strange, 1), LOOK_STRANGE);
    assert_int_equal(judge(ledger, "6", both, 1), LOOK_OTHER);
    assert_int_equal(judge(ledger, "8", &strange, 1), LOOK_STRANGE); /* it has no chip */
    assert_int_not_equal(judge(ledger, "5", twice, 2), LOOK_RIGHT);  /* one chip is not two */
    world_free(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(chips),
        cmocka_unit_test(bibs),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
