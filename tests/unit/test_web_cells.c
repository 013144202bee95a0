/* The map of the floor: whose work is marked as done by a table whose number it is not. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "node/web_cells.h"
#include "tests/unit/world.h"

static void allot(struct world *world, size_t to, uint64_t first, uint64_t last) {
    struct record_allot allot = {.key = world->station[to].keys.sign_public,
                                 .bibs = {1, {{first, last}}}};
    struct buffer body;
    buffer_init(&body);
    record_allot_write(&allot, &body);
    world_write(world, 0, RECORD_ALLOT, buffer_slice(&body));
    buffer_release(&body);
}

/* What `at` did, for the lead to see, and what the lead did, for it. */
static void issue(struct world *world, size_t at, const char *bib) {
    world_give(world, 0, at);
    world_issue(world, at, bib, 0, 0, NULL, NULL);
    world_give(world, at, 0);
}

static void assert_map(struct web_cells *cells, const char *wanted) {
    json_t *floor = json_object();
    while (web_cells_follow(cells, 100)) {
    }
    web_cells_json(cells, floor);
    json_t *map = json_object_get(json_object_get(floor, "map"), "cells");
    assert_string_equal(json_string_value(map), wanted);
    json_decref(floor);
}

struct hall {
    struct world world;
    size_t one, two;
    struct web_cells *cells;
};

static void open_hall(struct hall *hall) {
    struct error err;
    world_new(&hall->world, false);
    hall->one = world_join(&hall->world, "Table 1", ROLE_TABLE);
    hall->two = world_join(&hall->world, "Table 2", ROLE_TABLE);
    allot(&hall->world, hall->one, 1, 4);
    allot(&hall->world, hall->two, 5, 8);
    assert_int_equal(web_cells_new(hall->world.station[0].ledger, &hall->cells, &err), ERR_OK);
}

static void assert_map_again(struct hall *hall, const char *wanted) {
    struct error err;
    assert_map(hall->cells, wanted);
    web_cells_free(hall->cells); /* whoever opens the page later sees the same */
    assert_int_equal(web_cells_new(hall->world.station[0].ledger, &hall->cells, &err), ERR_OK);
    assert_map(hall->cells, wanted);
}

static void close_hall(struct hall *hall) {
    web_cells_free(hall->cells);
    world_free(&hall->world);
}

static void own_and_others(void **state) {
    struct hall hall;
    (void)state;
    open_hall(&hall);
    issue(&hall.world, hall.one, "1");
    issue(&hall.world, hall.one, "5");
    issue(&hall.world, hall.one, "9"); /* nobody's */
    assert_map_again(&hall, "c3.o3.c1991.");
    close_hall(&hall);
}

static void number_that_changed_hands(void **state) {
    struct hall hall;
    (void)state;
    open_hall(&hall);
    issue(&hall.world, hall.one, "1");
    issue(&hall.world, hall.two, "2"); /* before it was its own: it is now */
    allot(&hall.world, hall.two, 1, 4);
    assert_map_again(&hall, "2c1998.");
    issue(&hall.world, hall.one, "3"); /* no longer its own */
    issue(&hall.world, hall.two, "4");
    assert_map_again(&hall, "2coc1996.");
    close_hall(&hall);
}

static void table_that_is_out(void **state) {
    struct hall hall;
    (void)state;
    open_hall(&hall);
    issue(&hall.world, hall.one, "1");
    issue(&hall.world, hall.one, "5");
    assert_map(hall.cells, "c3.o1995.");
    world_retire(&hall.world, 0, &hall.world.station[hall.one].keys.sign_public, NULL, 0, false);
    allot(&hall.world, hall.two, 1, 4);
    assert_map_again(&hall, "c3.c1995.");
    close_hall(&hall);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(own_and_others),
        cmocka_unit_test(number_that_changed_hands),
        cmocka_unit_test(table_that_is_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
