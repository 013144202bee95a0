/*
 * test_pairs_ask.c: what people ask of the state and are told: an issue by the beginning of its id,
 * why one ended, alarms in words, addresses of stations, whose numbers are whose; and what is
 * refused: proofs of admission that do not hold, own records that would not read back.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "common/canon.h"
#include "tests/unit/world.h"

static void must(enum error_code code, const struct error *err) {
    if (code != ERR_OK) {
        fail_msg("%s: %s (%s)", error_name(code), err->say, err->cause);
    }
}

/* ---- issues ---- */

static void by_the_beginning_of_an_id(void **state) {
    struct world world;
    struct pairs_issue found;
    struct error err;
    char hex[65];
    (void)state;
    world_new(&world, false);
    struct record_id id = world_issue(&world, 0, "5", 0, 0, NULL, NULL);
    struct record_id ended = world_void(&world, 0, &id, 1);
    struct ledger *ledger = world.station[0].ledger;
    hex_encode(id.bytes, sizeof id.bytes, hex);
    must(pairs_find_issue(ledger, slice_of(hex, 8), &found, &err), &err);
    assert_memory_equal(found.id.bytes, id.bytes, sizeof id.bytes);
    must(pairs_find_issue(ledger, slice_of(hex, 64), &found, &err), &err);
    assert_int_equal(found.ended, PAIRS_VOIDED);
    assert_string_equal(found.ended_reason, "wrong bib");
    assert_int_equal(pairs_find_issue(ledger, slice_of(hex, 7), &found, &err), ERR_USAGE);
    assert_int_equal(pairs_find_issue(ledger, slice_text("zzzzzzzz"), &found, &err), ERR_USAGE);
    hex[0] = hex[0] == '0' ? '1' : '0';
    assert_int_equal(pairs_find_issue(ledger, slice_of(hex, 64), &found, &err), ERR_NOT_FOUND);
    hex_encode(ended.bytes, sizeof ended.bytes, hex);
    assert_int_equal(pairs_find_issue(ledger, slice_of(hex, 64), &found, &err), ERR_NOT_FOUND);
    world_free(&world);
}

static bool keep_first(void *context, const struct pairs_issue *issue) {
    *(struct pairs_issue *)context = *issue;
    return false;
}

/* A chip goes to another bib: whoever asks for the chip is told where it is now, and why. */
static void replaced(void **state) {
    struct world world;
    struct pairs_issue told = {.ended = PAIRS_VOIDED};
    struct error err;
    (void)state;
    world_new(&world, false);
    struct ledger *ledger = world.station[0].ledger;
    struct record_id old = world_issue(&world, 0, "5", 42, 0, NULL, NULL);
    struct record_issue issue = {.bib = world_label("6"),
                                 .tag_count = 1,
                                 .how = ISSUE_TYPED,
                                 .tag[0].epc = {12, {[11] = 43}},
                                 .replaces_count = 1,
                                 .replaces = {old},
                                 .reason = slice_text("changed number"),
                                 .chip = CHIP_ON_BIB,
                                 .has_chip_bib = true,
                                 .chip_bib = world_label("7")};
    struct buffer body;
    buffer_init(&body);
    record_issue_write(&issue, &body);
    world_write(&world, 0, RECORD_ISSUE, buffer_slice(&body));
    buffer_release(&body);
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_EPC, .epc = {12, {[11] = 42}}};
    must(pairs_each_issue(ledger, &filter, keep_first, &told, &err), &err);
    assert_int_equal(told.ended, PAIRS_REPLACED);
    assert_string_equal(told.ended_reason, "changed number");
    assert_string_equal(told.ended_table, "Lead");
    assert_string_equal(told.new_bib.text, "6");
    assert_int_equal(told.chip, CHIP_ON_BIB);
    assert_string_equal(told.chip_bib.text, "7");
    world_free(&world);
}

/* ---- alarms ---- */

static bool add_alarm(void *context, const struct pairs_alarm *alarm) {
    char *all = context;
    size_t length = strlen(all);
    snprintf(all + length, 4000 - length, "%s: %s\n", alarm->name, alarm->say);
    return true;
}

static void expect_alarm(struct ledger *ledger, const char *name, const char *word) {
    static char all[4000];
    char begin[64];
    struct error err;
    all[0] = '\0';
    must(pairs_each_alarm(ledger, add_alarm, all, &err), &err);
    snprintf(begin, sizeof begin, "%s: ", name);
    const char *found = strstr(all, begin);
    if (found == NULL || strstr(found, word) == NULL) {
        fail_msg("no alarm %s with \"%s\" among:\n%s", name, word, all);
    }
}

static void alarms_in_words(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t table = world_join(&world, "Table 1", ROLE_TABLE);
    size_t second = world_join(&world, "Second lead", ROLE_LEAD);
    world_issue(&world, table, "6", 0, 0, NULL, NULL);
    struct pairs_author kept = world.station[table].author;
    world_give(&world, table, second);
    struct record_id a = world_issue(&world, table, "5", 0, 0, NULL, NULL);
    struct ledger *own = world.station[table].ledger;
    world.station[table].ledger = world.station[second].ledger;
    world.station[table].author = kept;
    struct record_id b = world_issue(&world, table, "5", 0, 0, NULL, NULL);
    world.station[table].ledger = own;
    world_give(&world, table, 0);
    world_give(&world, table, second);
    world_give(&world, second, 0);
    struct ledger *ledger = world.station[0].ledger;
    expect_alarm(ledger, "fork", "Table 1 wrote two different records under one number (3)");
    world_void(&world, 0, &a, 1);
    world_void(&world, second, &b, 1);
    world_give(&world, second, 0);
    expect_alarm(ledger, "crossed", "Bib 5 was settled at two places at once");
    world_retire(&world, 0, &world.station[table].keys.sign_public, NULL, 0, true);
    expect_alarm(ledger, "doubt", "Bib 6 is in doubt");
    world_free(&world);
}

/* ---- stations ---- */

static bool find_table(void *context, const struct pairs_station *station) {
    if (strcmp(station->name, "Table 9") == 0) {
        *(struct pairs_station *)context = *station;
    }
    return true;
}

/* Addresses are told as they were signed; one that no transport could use is left out. */
static void addresses(void **state) {
    struct world world;
    struct station_keys keys;
    struct pairs_station told = {.address_count = 99};
    struct error err;
    char too_long[80];
    (void)state;
    memset(too_long, 'x', sizeof too_long);
    world_new(&world, false);
    world_keys(50, &keys);
    struct record_admit admit = {.key = keys.sign_public,
                                 .curve = keys.curve_public,
                                 .name = slice_text("Table 9"),
                                 .role = ROLE_TABLE,
                                 .address_count = 3,
                                 .address = {slice_text("192.0.2.7:7117"),
                                             slice_of(too_long, sizeof too_long),
                                             slice_text("[2001:db8::7]:7117")}};
    struct buffer body;
    buffer_init(&body);
    record_admit_write(&admit, &body);
    world_write(&world, 0, RECORD_ADMIT, buffer_slice(&body));
    buffer_release(&body);
    must(pairs_each_station(world.station[0].ledger, find_table, &told, &err), &err);
    assert_int_equal(told.address_count, 2);
    assert_string_equal(told.address[0], "192.0.2.7:7117");
    assert_string_equal(told.address[1], "[2001:db8::7]:7117");
    world_free(&world);
}

/* A range may go beyond what a column holds (found by fuzzing: it ended the program). */
static void numbers_without_end(void **state) {
    struct world world;
    struct pairs_station owner;
    struct bib_ranges ranges;
    struct error err;
    (void)state;
    world_new(&world, false);
    size_t table = world_join(&world, "Table 1", ROLE_TABLE);
    struct ledger *ledger = world.station[0].ledger;
    struct record_allot allot = {.key = world.station[table].keys.sign_public,
                                 .bibs = {2, {{5, UINT64_MAX}, {UINT64_MAX - 1, UINT64_MAX}}}};
    struct buffer body;
    buffer_init(&body);
    record_allot_write(&allot, &body);
    world_write(&world, 0, RECORD_ALLOT, buffer_slice(&body));
    buffer_release(&body);
    must(pairs_owner(ledger, 999999999999, &owner, &err), &err);
    assert_string_equal(owner.name, "Table 1");
    assert_int_equal(pairs_owner(ledger, 4, &owner, &err), ERR_NOT_FOUND);
    assert_int_equal(pairs_owner(ledger, UINT64_MAX, &owner, &err), ERR_NOT_FOUND);
    must(pairs_allotted(ledger, &allot.key, &ranges, &err), &err);
    assert_int_equal(ranges.count, 2);
    assert_true(ranges.range[0].first == 5 && ranges.range[0].last >= 999999999999);
    must(pairs_verify(ledger, true, &err), &err);
    world_free(&world);
}

/* ---- proofs of admission ---- */

struct link {
    const struct station_keys *by, *of;
    enum role role;
};

static void put_link(const struct world *world, const struct link *link, struct buffer *proof) {
    struct record_admit admit = {.key = link->of->sign_public,
                                 .curve = link->of->curve_public,
                                 .name = slice_text("X"),
                                 .role = link->role};
    struct record record = {.log = {{1}}, .number = 1, .kind = RECORD_ADMIT};
    struct buffer body, raw;
    struct error err;
    buffer_init(&body);
    buffer_init(&raw);
    record_admit_write(&admit, &body);
    record.body = buffer_slice(&body);
    must(record_encode(&record, NULL, 0, &world->event.event, &link->by->sign_secret, &raw, &err),
         &err);
    canon_put_array(proof, 2);
    canon_put_bytes(proof, slice_of(link->by->sign_public.bytes, 32));
    canon_put_bytes(proof, buffer_slice(&raw));
    buffer_release(&body);
    buffer_release(&raw);
}

static enum error_code prove(const struct world *world, const struct link *link, size_t count,
                             bool more) {
    struct record_admit admit;
    struct buffer proof;
    struct error err;
    buffer_init(&proof);
    canon_put_array(&proof, count);
    for (size_t i = 0; i < count; i++) {
        put_link(world, &link[i], &proof);
    }
    if (more) {
        canon_put_uint(&proof, 1);
    }
    enum error_code code = pairs_admit_proven(&world->event, buffer_slice(&proof), &admit, &err);
    if (code == ERR_OK) {
        assert_memory_equal(admit.key.bytes, link[count - 1].of->sign_public.bytes, 32);
    }
    buffer_release(&proof);
    return code;
}

static void proofs(void **state) {
    struct world world;
    struct station_keys lead, table, other;
    (void)state;
    world_new(&world, false);
    const struct station_keys *root = &world.root;
    world_keys(60, &lead);
    world_keys(61, &table);
    world_keys(62, &other);
    struct link by_root = {root, &lead, ROLE_LEAD};
    struct link two[] = {by_root, {&lead, &table, ROLE_TABLE}};
    assert_int_equal(prove(&world, &by_root, 1, false), ERR_OK);
    assert_int_equal(prove(&world, two, 2, false), ERR_OK);
    assert_int_equal(prove(&world, two, 2, true), ERR_FORM);
    assert_int_equal(prove(&world, two, 0, false), ERR_FORM);
    /* by nobody's leave */
    struct link by_table = {&table, &other, ROLE_TABLE};
    assert_int_equal(prove(&world, &by_table, 1, false), ERR_NOT_ALLOWED);
    /* a table lets nobody in */
    struct link from_table[] = {{root, &table, ROLE_TABLE}, {&table, &other, ROLE_TABLE}};
    assert_int_equal(prove(&world, from_table, 2, false), ERR_NOT_ALLOWED);
    /* a lead lets no lead in */
    struct link lead_by_lead[] = {by_root, {&lead, &other, ROLE_LEAD}};
    assert_int_equal(prove(&world, lead_by_lead, 2, false), ERR_NOT_ALLOWED);
    /* the second link is by somebody else than the first names */
    struct link torn[] = {by_root, {&other, &table, ROLE_TABLE}};
    assert_int_equal(prove(&world, torn, 2, false), ERR_NOT_ALLOWED);
    /* it says the root, and another signed it */
    struct station_keys liar = other;
    liar.sign_public = root->sign_public;
    struct link forged = {&liar, &other, ROLE_LEAD};
    assert_int_equal(prove(&world, &forged, 1, false), ERR_SIGNATURE);
    world_free(&world);
}

/* ---- own records ---- */

/* What would not read back never gets into a log, and nothing else does in that transaction. */
static void refused(void **state) {
    static const uint8_t map[] = {0xA1, 0x01, 0x05};
    static const uint64_t kinds[] = {RECORD_ISSUE, RECORD_VOID};
    struct world world;
    struct pairs_author author;
    struct record_id id;
    struct error err;
    (void)state;
    world_new(&world, false);
    struct ledger *ledger = world.station[0].ledger;
    uint64_t count = ledger_count(ledger);
    for (size_t i = 0; i < 2; i++) {
        author = world.station[0].author;
        must(pairs_begin(ledger, &err), &err);
        assert_int_equal(pairs_append(ledger, &author, (enum record_kind)kinds[i],
                                      slice_of(map, sizeof map), (struct wall_ms){1},
                                      (struct mono_ms){1}, &id, &err),
                         ERR_FORM);
        assert_int_equal(ledger_count(ledger), count);
    }
    world_issue(&world, 0, "5", 0, 0, NULL, NULL);
    struct record_id nobody = {{1}};
    assert_int_equal(pairs_author_resume(ledger, &world.station[0].keys, &nobody, &author, &err),
                     ERR_NOT_FOUND);
    assert_int_equal(
        pairs_author_resume(ledger, &world.station[0].keys, &world.root_author.head, &author, &err),
        ERR_NOT_FOUND);
    must(pairs_verify(ledger, true, &err), &err);
    world_free(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(by_the_beginning_of_an_id),
        cmocka_unit_test(replaced),
        cmocka_unit_test(alarms_in_words),
        cmocka_unit_test(addresses),
        cmocka_unit_test(numbers_without_end),
        cmocka_unit_test(proofs),
        cmocka_unit_test(refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
