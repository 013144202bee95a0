/* test_record_bodies.c: each body written and read back, and every way to miss its shape. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdio.h>
#include <string.h>

#include "common/canon.h"
#include "common/record.h"
#include "tests/from_hex.h"

static const char long_text[] = "123456789012345678901234567890123456789012345678901234567890123456"
                                "78901234567890123456789012345"
                                "678901234567890123456789012345678901234567890123456789012345678901"
                                "23456789012345678901234567890"
                                "1234567890";

/* `written` is canonical and, read and written again by the caller, the same bytes. */
static void expect_same(const struct buffer *written, const struct buffer *again) {
    assert_false(written->failed);
    assert_true(canon_check(buffer_slice(written)));
    assert_int_equal(written->size, again->size);
    assert_memory_equal(written->data, again->data, written->size);
}

/* Writes, reads into `back`, writes that again, and compares the bytes. */
#define ROUND_TRIP(name, value, back)                                                              \
    do {                                                                                           \
        struct buffer written, again;                                                              \
        buffer_init(&written);                                                                     \
        buffer_init(&again);                                                                       \
        record_##name##_write(value, &written);                                                    \
        buffer_append(&store, written.data, written.size);                                         \
        assert_true(record_##name##_read(slice_of(store.data, written.size), back));               \
        record_##name##_write(back, &again);                                                       \
        expect_same(&written, &again);                                                             \
        buffer_release(&written);                                                                  \
        buffer_release(&again);                                                                    \
    } while (0)

/* What was read borrows from here until the next round trip. */
static struct buffer store;

static int clear_store(void **state) {
    (void)state;
    buffer_release(&store);
    return 0;
}

static void open_goes_round(void **state) {
    (void)state;
    struct record_open open = {.key = {{1}}, .incarnation = {{2}}};
    struct record_open back;
    ROUND_TRIP(open, &open, &back);
    assert_memory_equal(&open, &back, sizeof(open));
    buffer_clear(&store);
    open.has_follows = true;
    open.follows = (struct record_head){{{3}}, RECORD_NUMBER_MAX, {{4}}};
    ROUND_TRIP(open, &open, &back);
    assert_true(back.has_follows);
    assert_true(back.follows.number == RECORD_NUMBER_MAX);
    assert_int_equal(back.follows.id.bytes[0], 4);
}

static void found_goes_round(void **state) {
    (void)state;
    static struct record_found found;
    static struct record_found back;
    found = (struct record_found){.name = slice_text("Harbour Run"),
                                  .start = slice_text(""),
                                  .bibs = {1, {{1, 20000}}},
                                  .category_count = 1,
                                  .epc_unique = true};
    found.category[0] = (struct record_category){
        .name = slice_text("all"), .scheme = {.kind = EPC_AS_READ}, .tags_per_bib = 1};
    ROUND_TRIP(found, &found, &back);
    assert_true(slice_equal(back.name, slice_text("Harbour Run")));
    assert_int_equal(back.start.size, 0);
    assert_int_equal(back.late.count, 0);
    assert_false(back.zeros_count);
    assert_true(back.epc_unique);
    buffer_clear(&store);
    found.zeros_count = true;
    found.start = slice_text(long_text);
    assert_int_equal(found.start.size, RECORD_TEXT_MAX);
    found.bibs.count = BIB_RANGES_MAX;
    found.late = (struct bib_ranges){2, {{900, 900}, {0, UINT64_MAX}}};
    found.category_count = RECORD_CATEGORIES_MAX;
    for (size_t i = 0; i < RECORD_CATEGORIES_MAX; i++) {
        found.category[i] = (struct record_category){
            .name = slice_text("c"),
            .scheme = {.kind = EPC_GID96, .manager = 268435455, .class_ = 16777215},
            .tags_per_bib = RECORD_TAGS_MAX,
            .bibs = {1, {{i, i}}}};
    }
    found.category[3].scheme = (struct epc_scheme){.kind = EPC_OWN, .code = UINT32_MAX};
    found.category[4].scheme = (struct epc_scheme){.kind = EPC_OWN, .code = 7, .afi = 0xA1};
    ROUND_TRIP(found, &found, &back);
    assert_int_equal(back.category_count, RECORD_CATEGORIES_MAX);
    assert_int_equal(back.category[2].scheme.manager, 268435455);
    assert_int_equal(back.category[2].scheme.class_, 16777215);
    assert_int_equal(back.category[3].scheme.kind, EPC_OWN);
    assert_true(back.category[3].scheme.code == UINT32_MAX);
    assert_int_equal(back.category[3].scheme.afi, 0);
    assert_int_equal(back.category[4].scheme.afi, 0xA1);
    assert_int_equal(back.category[4].scheme.code, 7);
    assert_int_equal(back.category[15].bibs.range[0].first, 15);
    assert_int_equal(back.category[15].tags_per_bib, RECORD_TAGS_MAX);
    assert_true(back.late.range[1].last == UINT64_MAX);
}

static void categories_are_chosen_by_range(void **state) {
    (void)state;
    static struct record_found found = {.category_count = 4};
    found.category[0].bibs = (struct bib_ranges){1, {{1, 10}}};
    found.category[2].bibs = (struct bib_ranges){1, {{5, 20}}};
    static const struct {
        const char *bib;
        size_t category;
    } cases[] = {{"1", 0}, {"7", 0}, {"11", 2}, {"20", 2}, {"21", 1}, {"A7", 1}, {"007", 0}};
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        struct bib bib = {{0}};
        snprintf(bib.text, sizeof(bib.text), "%s", cases[i].bib);
        assert_ptr_equal(record_found_category(&found, &bib), &found.category[cases[i].category]);
    }
    found.category_count = 1; /* none without ranges: the first */
    assert_ptr_equal(record_found_category(&found, &(struct bib){"99"}), &found.category[0]);
}

static void admit_goes_round(void **state) {
    (void)state;
    struct record_admit admit = {
        .key = {{1}}, .curve = {{2}}, .name = slice_text("Table 3"), .role = ROLE_READER};
    struct record_admit back;
    ROUND_TRIP(admit, &admit, &back);
    assert_int_equal(back.role, ROLE_READER);
    assert_int_equal(back.curve.bytes[0], 2);
    buffer_clear(&store);
    admit.role = ROLE_LEAD;
    admit.address_count = RECORD_ADDRESSES_MAX;
    for (size_t i = 0; i < RECORD_ADDRESSES_MAX; i++) {
        admit.address[i] = slice_text("192.0.2.7:7117");
    }
    ROUND_TRIP(admit, &admit, &back);
    assert_int_equal(back.role, ROLE_LEAD);
    assert_int_equal(back.address_count, RECORD_ADDRESSES_MAX);
    assert_true(slice_equal(back.address[7], slice_text("192.0.2.7:7117")));
    assert_false(back.has_ticket);
    buffer_clear(&store);
    admit.has_ticket = true;
    admit.ticket.bytes[7] = 9;
    ROUND_TRIP(admit, &admit, &back);
    assert_true(back.has_ticket);
    assert_int_equal(back.ticket.bytes[7], 9);
}

static void ticket_and_cancel_go_round(void **state) {
    (void)state;
    static struct record_ticket ticket = {.entry_count = 1, .expires = {1800000000000}};
    static struct record_ticket back;
    ticket.entry[0] = (struct record_ticket_entry){
        .id = {{1}}, .hash = {{2}}, .name = slice_text("Table 3"), .role = ROLE_TABLE};
    ROUND_TRIP(ticket, &ticket, &back);
    assert_int_equal(back.entry_count, 1);
    assert_int_equal(back.expires.ms, 1800000000000);
    assert_int_equal(back.entry[0].bibs.count, 0);
    assert_true(slice_equal(back.entry[0].name, slice_text("Table 3")));
    buffer_clear(&store);
    ticket.entry_count = RECORD_TICKETS_MAX;
    ticket.expires.ms = INT64_MAX;
    for (size_t i = 0; i < RECORD_TICKETS_MAX; i++) {
        ticket.entry[i] = (struct record_ticket_entry){.id = {{(uint8_t)i}},
                                                       .hash = {{(uint8_t)(i + 100)}},
                                                       .name = slice_text(""),
                                                       .role = ROLE_READER,
                                                       .bibs = {1, {{i + 1, i + 9}}}};
    }
    ROUND_TRIP(ticket, &ticket, &back);
    assert_int_equal(back.entry_count, RECORD_TICKETS_MAX);
    assert_int_equal(back.entry[31].id.bytes[0], 31);
    assert_int_equal(back.entry[31].hash.bytes[0], 131);
    assert_int_equal(back.entry[31].role, ROLE_READER);
    assert_int_equal(back.entry[31].bibs.range[0].last, 40);
    assert_true(back.expires.ms == INT64_MAX);
    buffer_clear(&store);
    struct record_cancel cancel = {
        .ticket_count = RECORD_TICKETS_MAX, .ticket = {{{7}}}, .reason = slice_text("lost")};
    struct record_cancel cancel_back;
    cancel.ticket[31].bytes[7] = 5;
    ROUND_TRIP(cancel, &cancel, &cancel_back);
    assert_int_equal(cancel_back.ticket_count, RECORD_TICKETS_MAX);
    assert_int_equal(cancel_back.ticket[0].bytes[0], 7);
    assert_int_equal(cancel_back.ticket[31].bytes[7], 5);
    assert_true(slice_equal(cancel_back.reason, slice_text("lost")));
}

static void retire_goes_round(void **state) {
    (void)state;
    static struct record_retire retire = {.key = {{1}}, .how = RETIRE_DEAD};
    static struct record_retire back;
    ROUND_TRIP(retire, &retire, &back);
    assert_int_equal(back.how, RETIRE_DEAD);
    buffer_clear(&store);
    retire.how = RETIRE_STOLEN;
    retire.reason = slice_text("left in a bus");
    retire.cutoff_count = RECORD_CUTOFFS_MAX;
    for (size_t i = 0; i < RECORD_CUTOFFS_MAX; i++) {
        retire.cutoff[i] = (struct record_head){{{(uint8_t)i}}, i + 1, {{7}}};
    }
    ROUND_TRIP(retire, &retire, &back);
    assert_int_equal(back.cutoff_count, RECORD_CUTOFFS_MAX);
    assert_int_equal(back.cutoff[63].number, 64);
    assert_true(slice_equal(back.reason, slice_text("left in a bus")));
}

static void allot_and_close_go_round(void **state) {
    (void)state;
    struct record_allot allot = {.key = {{1}}, .bibs = {2, {{1, 700}, {900, 900}}}};
    struct record_allot allot_back;
    ROUND_TRIP(allot, &allot, &allot_back);
    assert_int_equal(allot_back.bibs.count, 2);
    assert_int_equal(allot_back.bibs.range[0].last, 700);
    buffer_clear(&store);
    struct record_close close = {RECORD_NUMBER_MAX};
    struct record_close close_back;
    ROUND_TRIP(close, &close, &close_back);
    assert_true(close_back.number == RECORD_NUMBER_MAX);
}

static void issue_goes_round(void **state) {
    (void)state;
    struct record_issue issue = {.bib = {"A-7"}, .tag_count = 1, .how = ISSUE_FILE};
    struct record_issue back;
    issue.tag[0].epc = (struct epc){2, {0x12, 0x34}};
    ROUND_TRIP(issue, &issue, &back);
    assert_int_equal(store.size, 17); /* nothing optional is written */
    assert_string_equal(back.bib.text, "A-7");
    assert_int_equal(back.tag[0].tid.size, 0);
    assert_int_equal(back.chip, CHIP_UNSAID);
    assert_false(back.half || back.has_chip_bib || back.tag[0].seen);
    buffer_clear(&store);
    issue.tag_count = RECORD_TAGS_MAX;
    for (size_t i = 0; i < RECORD_TAGS_MAX; i++) {
        issue.tag[i].epc = (struct epc){EPC_SIZE_MAX, {(uint8_t)i}};
        issue.tag[i].tid = (struct tid){TID_SIZE_MAX, {0xE2, (uint8_t)i}};
        issue.tag[i].roll = slice_text("R12");
        issue.tag[i].seen = true;
    }
    issue.replaces_count = issue.extra_count = ISSUE_NAMES_MAX;
    for (size_t i = 0; i < ISSUE_NAMES_MAX; i++) {
        issue.replaces[i].bytes[0] = (uint8_t)i;
        issue.extra[i].bytes[1] = (uint8_t)i;
    }
    issue.half = true;
    issue.reason = slice_text(long_text);
    issue.chip = CHIP_ON_BIB;
    issue.has_chip_bib = true;
    issue.chip_bib = (struct bib){"123456789012"};
    ROUND_TRIP(issue, &issue, &back);
    assert_int_equal(back.tag[3].epc.size, EPC_SIZE_MAX);
    assert_int_equal(back.tag[3].tid.data[1], 3);
    assert_true(slice_equal(back.tag[2].roll, slice_text("R12")));
    assert_true(back.tag[0].seen && back.half && back.has_chip_bib);
    assert_int_equal(back.replaces[15].bytes[0], 15);
    assert_int_equal(back.extra[15].bytes[1], 15);
    assert_int_equal(back.chip, CHIP_ON_BIB);
    assert_string_equal(back.chip_bib.text, "123456789012");
}

static void void_goes_round(void **state) {
    (void)state;
    static struct record_void v = {.target_count = 1, .chip = CHIP_DESTROYED};
    static struct record_void back;
    ROUND_TRIP(void, &v, &back);
    assert_int_equal(back.chip, CHIP_DESTROYED);
    assert_false(back.unseen || back.has_chip_bib);
    buffer_clear(&store);
    v = (struct record_void){.target_count = RECORD_NAMES_MAX,
                             .reason = slice_text("wrong bib"),
                             .chip = CHIP_ON_BIB,
                             .has_chip_bib = true,
                             .chip_bib = {"8"},
                             .unseen = true};
    v.target[63].bytes[31] = 9;
    ROUND_TRIP(void, &v, &back);
    assert_int_equal(back.target_count, RECORD_NAMES_MAX);
    assert_int_equal(back.target[63].bytes[31], 9);
    assert_true(back.unseen && back.has_chip_bib);
    assert_string_equal(back.chip_bib.text, "8");
}

static void hold_and_look_go_round(void **state) {
    (void)state;
    struct record_hold hold = {.bib = {"A-7"}, .how = HOLD_FREE};
    struct record_hold back;
    ROUND_TRIP(hold, &hold, &back);
    assert_string_equal(back.bib.text, "A-7");
    assert_int_equal(back.how, HOLD_FREE);
    buffer_clear(&store);
    hold = (struct record_hold){
        .bib = {"123456789012"}, .how = HOLD_REPRINT, .reason = slice_text(long_text)};
    ROUND_TRIP(hold, &hold, &back);
    assert_string_equal(back.bib.text, "123456789012");
    assert_int_equal(back.how, HOLD_REPRINT);
    assert_true(slice_equal(back.reason, slice_text(long_text)));
    buffer_clear(&store);
    struct record_look look = {.bib = {"7"}, .verdict = LOOK_NO_CHIP};
    struct record_look seen;
    ROUND_TRIP(look, &look, &seen);
    assert_int_equal(seen.tag_count, 0);
    assert_false(seen.has_stack);
    buffer_clear(&store);
    look.tag_count = RECORD_TAGS_MAX;
    for (size_t i = 0; i < RECORD_TAGS_MAX; i++) {
        look.tag[i].epc = (struct epc){2, {(uint8_t)i, 1}};
        look.tag[i].tid = (struct tid){2, {0xE2, (uint8_t)i}};
        look.tag[i].seen = true;
    }
    look.verdict = LOOK_HALF;
    look.has_stack = true;
    look.stack = (struct bib_range){0, UINT64_MAX};
    ROUND_TRIP(look, &look, &seen);
    assert_int_equal(seen.verdict, LOOK_HALF);
    assert_int_equal(seen.tag[3].epc.data[0], 3);
    assert_int_equal(seen.tag[3].tid.data[1], 3);
    assert_true(seen.has_stack && seen.stack.last == UINT64_MAX);
}

static void roll_note_and_handover_go_round(void **state) {
    (void)state;
    struct record_roll roll = {.roll = slice_text("R"), .how = ROLL_LOADED};
    struct record_roll back;
    ROUND_TRIP(roll, &roll, &back);
    assert_false(back.pair || back.has_count);
    buffer_clear(&store);
    roll = (struct record_roll){slice_text(long_text), ROLL_SCRAPPED, true, true, 0};
    ROUND_TRIP(roll, &roll, &back);
    assert_true(back.pair && back.has_count);
    assert_int_equal(back.count, 0);
    assert_int_equal(back.how, ROLL_SCRAPPED);
    buffer_clear(&store);
    struct record_note note = {.text = slice_text("wet")};
    struct record_note said;
    ROUND_TRIP(note, &note, &said);
    assert_false(said.has_bib || said.has_station);
    buffer_clear(&store);
    note.has_bib = note.has_station = true;
    note.bib = (struct bib){"8"};
    note.station.bytes[31] = 6;
    ROUND_TRIP(note, &note, &said);
    assert_string_equal(said.bib.text, "8");
    assert_int_equal(said.station.bytes[31], 6);
    assert_true(slice_equal(said.text, slice_text("wet")));
    buffer_clear(&store);
    struct record_handover handover = {RECORD_NUMBER_MAX, {{1}}, {{2}}, 20000};
    struct record_handover out;
    ROUND_TRIP(handover, &handover, &out);
    assert_memory_equal(&handover, &out, sizeof(out));
}

/* ---- shapes ---- */

static bool reads(enum record_kind kind, struct slice body) {
    static union {
        struct record_open open;
        struct record_found found;
        struct record_admit admit;
        struct record_retire retire;
        struct record_allot allot;
        struct record_issue issue;
        struct record_void v;
        struct record_close close;
        struct record_ticket ticket;
        struct record_cancel cancel;
        struct record_hold hold;
        struct record_look look;
        struct record_roll roll;
        struct record_note note;
        struct record_handover handover;
    } into;
    switch (kind) {
    case RECORD_OPEN:
        return record_open_read(body, &into.open);
    case RECORD_FOUND:
        return record_found_read(body, &into.found);
    case RECORD_ADMIT:
        return record_admit_read(body, &into.admit);
    case RECORD_RETIRE:
        return record_retire_read(body, &into.retire);
    case RECORD_ALLOT:
        return record_allot_read(body, &into.allot);
    case RECORD_ISSUE:
        return record_issue_read(body, &into.issue);
    case RECORD_VOID:
        return record_void_read(body, &into.v);
    case RECORD_CLOSE:
        return record_close_read(body, &into.close);
    case RECORD_TICKET:
        return record_ticket_read(body, &into.ticket);
    case RECORD_CANCEL:
        return record_cancel_read(body, &into.cancel);
    case RECORD_HOLD:
        return record_hold_read(body, &into.hold);
    case RECORD_LOOK:
        return record_look_read(body, &into.look);
    case RECORD_ROLL:
        return record_roll_read(body, &into.roll);
    case RECORD_NOTE:
        return record_note_read(body, &into.note);
    case RECORD_HANDOVER:
        return record_handover_read(body, &into.handover);
    }
    return false;
}

struct shape_case {
    enum record_kind kind;
    const char *hex;
    bool fits;
};

static void expect_shapes(const struct shape_case *cases, size_t count) {
    for (size_t i = 0; i < count; i++) {
        uint8_t space[4096];
        bool fits = reads(cases[i].kind, from_hex(cases[i].hex, space, sizeof(space)));
        if (fits != cases[i].fits) {
            fail_msg("case %zu, kind %d, %s: got %d", i, cases[i].kind, cases[i].hex, fits);
        }
    }
}
#define EXPECT_SHAPES(cases) expect_shapes(cases, sizeof(cases) / sizeof((cases)[0]))

#define B16  "50000102030405060708090A0B0C0D0E0F"
#define B32  "5820000102030405060708090A0B0C0D0E0F101112131415161718191A1B1C1D1E1F"
#define B31  "581F000102030405060708090A0B0C0D0E0F101112131415161718191A1B1C1D1E"
#define HEAD "83" B16 "05" B32
#define TAGS                                                                                       \
    "81A201420102"                                                                                 \
    "04F5"
#define BIB1 "016137"

static void shapes_of_open(void **state) {
    (void)state;
    static const struct shape_case cases[] = {
        {RECORD_OPEN, "A201" B32 "02" B16, true},
        {RECORD_OPEN, "A301" B32 "02" B16 "03" HEAD, true},
        {RECORD_OPEN, "A301" B32 "02" B16 "0981F6", true},
        {RECORD_OPEN, "A301" B32 "02" B16 "617800", true},
        {RECORD_OPEN,
         "A2"
         "02" B16 "01" B32,
         false},
        {RECORD_OPEN, "A301" B32 "02" B16 "02" B16, false},
        {RECORD_OPEN, "A101" B32, false},
        {RECORD_OPEN, "A102" B16, false},
        {RECORD_OPEN, "A201" B31 "02" B16, false},
        {RECORD_OPEN, "A201" B16 "02" B16, false},
        {RECORD_OPEN, "A201" B32 "02" B32, false},
        {RECORD_OPEN, "A301" B32 "02" B16 "0382" B16 "05", false},
        {RECORD_OPEN, "A301" B32 "02" B16 "0384" B16 "05" B32 "00", false},
        {RECORD_OPEN, "A301" B32 "02" B16 "0383" B16 "00" B32, false},
        {RECORD_OPEN, "A301" B32 "02" B16 "03F6", false},
        {RECORD_OPEN, "A201" B32 "02" B16 "00", false},
        {RECORD_OPEN, "A0", false},
        {RECORD_OPEN, "80", false},
        {RECORD_OPEN, "", false},
    };
    EXPECT_SHAPES(cases);
}

#define CATEGORY                                                                                   \
    "A40161610281030301"                                                                           \
    "0480"
#define FOUND(categories, six)                                                                     \
    "A70161780260"                                                                                 \
    "0381820105"                                                                                   \
    "0480"                                                                                         \
    "05" categories "06" six "07F5"

static void shapes_of_found(void **state) {
    (void)state;
    static const struct shape_case cases[] = {
        {RECORD_FOUND, FOUND("81" CATEGORY, "F4"), true},
        {RECORD_FOUND, FOUND("82" CATEGORY CATEGORY, "F4"), true},
        {RECORD_FOUND, FOUND("80", "F4"), false},
        {RECORD_FOUND,
         FOUND("91" CATEGORY CATEGORY CATEGORY CATEGORY CATEGORY CATEGORY CATEGORY CATEGORY CATEGORY
                   CATEGORY CATEGORY CATEGORY CATEGORY CATEGORY CATEGORY CATEGORY CATEGORY,
               "F4"),
         false},
        {RECORD_FOUND, FOUND("81" CATEGORY, "00"), false},
        {RECORD_FOUND, FOUND("81" CATEGORY, "F6"), false},
        /* schemes */
        {RECORD_FOUND,
         FOUND("81A401616102830100000301"
               "0480",
               "F4"),
         true},
        {RECORD_FOUND,
         FOUND("81A40161610282011A0FFFFFFF0301"
               "0480",
               "F4"),
         false},
        {RECORD_FOUND,
         FOUND("81A40161610283011A1000000000"
               "03010480",
               "F4"),
         false},
        {RECORD_FOUND,
         FOUND("81A4016161028301001A01000000"
               "03010480",
               "F4"),
         false},
        {RECORD_FOUND,
         FOUND("81A4016161028202010301"
               "0480",
               "F4"),
         true},
        {RECORD_FOUND,
         FOUND("81A4016161028202000301"
               "0480",
               "F4"),
         false},
        {RECORD_FOUND,
         FOUND("81A40161610282021B00000001000000000301"
               "0480",
               "F4"),
         false},
        {RECORD_FOUND,
         FOUND("81A40161610282030003"
               "010480",
               "F4"),
         false},
        {RECORD_FOUND,
         FOUND("81A4016161028104030104"
               "80",
               "F4"),
         false},
        {RECORD_FOUND, FOUND("81A4016161028003010480", "F4"), false},
        /* tags a bib */
        {RECORD_FOUND, FOUND("81A401616102810303040480", "F4"), true},
        {RECORD_FOUND, FOUND("81A401616102810303000480", "F4"), false},
        {RECORD_FOUND, FOUND("81A401616102810303050480", "F4"), false},
        /* a category without its ranges; with more */
        {RECORD_FOUND, FOUND("81A30161610281030301", "F4"), false},
        {RECORD_FOUND,
         FOUND("81A501616102810303010480"
               "09F6",
               "F4"),
         true},
        /* ranges: none, falling, of one, of three */
        {RECORD_FOUND,
         "A701617802600380048005"
         "81" CATEGORY "06F407F5",
         false},
        {RECORD_FOUND,
         "A70161780260038182050104"
         "8005"
         "81" CATEGORY "06F407F5",
         false},
        {RECORD_FOUND,
         "A701617802600381810504"
         "8005"
         "81" CATEGORY "06F407F5",
         false},
        {RECORD_FOUND,
         "A7016178026003818301020304"
         "8005"
         "81" CATEGORY "06F407F5",
         false},
        {RECORD_FOUND,
         "A601617802600381820105"
         "0480"
         "06F407F5",
         false},
    };
    EXPECT_SHAPES(cases);
}

#define ADMIT(name, role, addresses) "A501" B32 "02" B32 "03" name "04" role "05" addresses

#define B8          "480001020304050607"
#define ENTRY(role) "A401" B8 "02" B32 "03617804" role
#define ADMIT_6(id)                                                                                \
    "A601" B32 "02" B32 "036178040105800"                                                          \
    "6" id

static void shapes_of_ticket_and_cancel(void **state) {
    (void)state;
    static const struct shape_case cases[] = {
        {RECORD_ADMIT, ADMIT_6(B8), true},
        {RECORD_ADMIT, ADMIT_6("4700010203040506"), false},
        {RECORD_ADMIT, ADMIT_6("49000102030405060708"), false},
        {RECORD_ADMIT, ADMIT_6("F6"), false},
        {RECORD_TICKET, "A20181" ENTRY("01") "0200", true},
        {RECORD_TICKET, "A20182" ENTRY("01") ENTRY("02") "021B7FFFFFFFFFFFFFFF", true},
        {RECORD_TICKET, "A20181" ENTRY("00") "0200", false},
        {RECORD_TICKET, "A20181" ENTRY("03") "0200", false}, /* no lead by ticket */
        {RECORD_TICKET,
         "A20180"
         "0200",
         false},
        {RECORD_TICKET,
         "A101"
         "81" ENTRY("01"),
         false}, /* when it ends is not said */
        {RECORD_TICKET, "A20181" ENTRY("01") "021B8000000000000000", false},
        {RECORD_TICKET, "A20181" ENTRY("01") "0220", false},
        {RECORD_TICKET, "A20181A301" B8 "02" B32 "0361780200", false}, /* no role */
        {RECORD_TICKET,
         "A20181A501" B8 "02" B32 "03617804010581820109"
         "0200",
         true},
        {RECORD_TICKET, "A20181A501" B8 "02" B32 "036178040105800200", false}, /* no range */
        {RECORD_TICKET,
         "A20181A501" B8 "02" B32 "036178040118630B"
         "0200",
         true}, /* unknown key */
        {RECORD_CANCEL, "A20181" B8 "0260", true},
        {RECORD_CANCEL,
         "A20180"
         "0260",
         false},
        {RECORD_CANCEL,
         "A101"
         "81" B8,
         false},
        {RECORD_CANCEL, "A20181" B16 "0260", false},
    };
    EXPECT_SHAPES(cases);
}

static void shapes_of_admit_retire_allot_close(void **state) {
    (void)state;
    static const struct shape_case cases[] = {
        {RECORD_ADMIT, ADMIT("6178", "01", "80"), true},
        {RECORD_ADMIT, ADMIT("60", "03", "8160"), true},
        {RECORD_ADMIT, ADMIT("6178", "00", "80"), false},
        {RECORD_ADMIT, ADMIT("6178", "04", "80"), false},
        {RECORD_ADMIT, ADMIT("4178", "01", "80"), false},
        {RECORD_ADMIT, ADMIT("6178", "01", "8100"), false},
        {RECORD_ADMIT, ADMIT("6178", "01", "89606060606060606060"), false},
        {RECORD_ADMIT, ADMIT("6178", "01", "8860606060606060"), false}, /* one too few */
        {RECORD_ADMIT,
         ADMIT("6178", "01",
               "88"
               "6060606060606060"),
         true},
        {RECORD_ADMIT,
         "A401" B32 "02" B32 "036178"
         "0401",
         false},
        {RECORD_RETIRE,
         "A401" B32 "0201"
         "0380"
         "0460",
         true},
        {RECORD_RETIRE,
         "A401" B32 "0202"
         "0381" HEAD "0460",
         true},
        {RECORD_RETIRE,
         "A401" B32 "0200"
         "0380"
         "0460",
         false},
        {RECORD_RETIRE,
         "A401" B32 "0203"
         "0380"
         "0460",
         false},
        {RECORD_RETIRE,
         "A401" B32 "0201"
         "03" HEAD "0460",
         false},
        {RECORD_RETIRE,
         "A301" B32 "0201"
         "0380",
         false},
        {RECORD_ALLOT, "A201" B32 "0281820101", true},
        {RECORD_ALLOT, "A201" B32 "0280", false},
        {RECORD_ALLOT, "A201" B32 "0281820100", false},
        {RECORD_ALLOT,
         "A201" B32 "028182F90000"
         "01",
         false},
        {RECORD_ALLOT, "A10281820101", false},
        {RECORD_CLOSE, "A10101", true},
        {RECORD_CLOSE,
         "A2010102"
         "00",
         true},
        {RECORD_CLOSE, "A10100", false},
        {RECORD_CLOSE, "A1011B0001000000000000", false},
        {RECORD_CLOSE, "A0", false},
        {RECORD_CLOSE,
         "A1020"
         "1",
         false},
        {RECORD_CLOSE, "A1010100", false},
    };
    EXPECT_SHAPES(cases);
}

static void shapes_of_issue(void **state) {
    (void)state;
    static const struct shape_case cases[] = {
        {RECORD_ISSUE, "A3" BIB1 "02" TAGS "0301", true},
        {RECORD_ISSUE,
         "A3016C"
         "313233343536373839303132"
         "02" TAGS "0304",
         true},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "18630B",
         true},
        /* bib */
        {RECORD_ISSUE,
         "A3016D"
         "31323334353637383930313233"
         "02" TAGS "0301",
         false},
        {RECORD_ISSUE,
         "A30160"
         "02" TAGS "0301",
         false},
        {RECORD_ISSUE,
         "A3016161"
         "02" TAGS "0301",
         false}, /* lower case */
        {RECORD_ISSUE,
         "A3016120"
         "02" TAGS "0301",
         false},
        {RECORD_ISSUE,
         "A30107"
         "02" TAGS "0301",
         false},
        {RECORD_ISSUE,
         "A3014137"
         "02" TAGS "0301",
         false},
        {RECORD_ISSUE, "A201613702" TAGS, false},
        {RECORD_ISSUE, "A202" TAGS "0301", false},
        /* how */
        {RECORD_ISSUE, "A3" BIB1 "02" TAGS "0300", false},
        {RECORD_ISSUE, "A3" BIB1 "02" TAGS "0305", false},
        /* tags */
        {RECORD_ISSUE,
         "A3" BIB1 "0280"
         "0301",
         false},
        {RECORD_ISSUE, "A3" BIB1 "0284A20142010204F5A20142010204F5A20142010204F5A20142010204F50301",
         true},
        {RECORD_ISSUE,
         "A3" BIB1 "0285A20142010204F5A20142010204F5A20142010204F5A20142010204F5A20142010204F50301",
         false},
        {RECORD_ISSUE,
         "A3" BIB1 "0281A104F5"
         "0301",
         false}, /* no EPC */
        {RECORD_ISSUE,
         "A3" BIB1 "0281A101420102"
         "0301",
         false}, /* seen unsaid */
        {RECORD_ISSUE,
         "A3" BIB1 "0281A2014004F5"
         "0301",
         false}, /* empty EPC */
        {RECORD_ISSUE,
         "A3" BIB1 "0281A201410104F5"
         "0301",
         false}, /* half a word */
        {RECORD_ISSUE,
         "A3" BIB1 "0281A20143010203"
         "04F50301",
         false},
        {RECORD_ISSUE,
         "A3" BIB1 "0281A201420102"
         "0400"
         "0301",
         false},
        {RECORD_ISSUE,
         "A3" BIB1 "0281A301420102"
         "024004F50301",
         false}, /* empty TID */
        {RECORD_ISSUE,
         "A3" BIB1 "0281A301420102"
         "0242E20004F50301",
         true},
        {RECORD_ISSUE,
         "A3" BIB1 "0281A301420102"
         "0241E204F50301",
         false},
        {RECORD_ISSUE,
         "A3" BIB1 "0281A301420102"
         "036052"
         "04F50301",
         false},
        {RECORD_ISSUE,
         "A3" BIB1 "0281A301420102"
         "036152"
         "04F50301",
         true},
        {RECORD_ISSUE,
         "A3" BIB1 "0281A301420102"
         "04F505F60301",
         true}, /* unknown key */
        {RECORD_ISSUE,
         "A3" BIB1 "0281A204F501420102"
         "0301",
         false}, /* unsorted */
        /* replaces, extra */
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "0481" B32,
         true},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "0480",
         false},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "04" B32,
         false},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "0481" B31,
         false},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "0582" B32 B32,
         true},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "0580",
         false},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "0591" B32 B32 B32 B32 B32 B32 B32 B32 B32 B32 B32 B32 B32 B32 B32 B32 B32,
         false},
        /* half, reason, chip, chip's bib */
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "06F5",
         true},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "06F4",
         false},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "0601",
         false},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "076178",
         true},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "074178",
         false},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "0803",
         true},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "0800",
         false},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "0804",
         false},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "096138",
         true},
        {RECORD_ISSUE,
         "A4" BIB1 "02" TAGS "0301"
         "0960",
         false},
    };
    EXPECT_SHAPES(cases);
}

static void shapes_of_void(void **state) {
    (void)state;
    static const struct shape_case cases[] = {
        {RECORD_VOID, "A30181" B32 "02600301", true},
        {RECORD_VOID, "A40181" B32 "02600303046137", true},
        {RECORD_VOID, "A40181" B32 "0260030105F5", true},
        {RECORD_VOID, "A40181" B32 "026003010600", true},
        {RECORD_VOID,
         "A30180"
         "02600301",
         false},
        {RECORD_VOID, "A30181" B31 "02600301", false},
        {RECORD_VOID, "A30181" B32 "02600300", false},
        {RECORD_VOID, "A30181" B32 "02600304", false},
        {RECORD_VOID, "A20181" B32 "0260", false},
        {RECORD_VOID, "A20181" B32 "0301", false},
        {RECORD_VOID, "A40181" B32 "0260030105F4", false},
        {RECORD_VOID, "A40181" B32 "02600303046161", false},
    };
    EXPECT_SHAPES(cases);
}

static void shapes_of_the_day(void **state) {
    (void)state;
    static const struct shape_case cases[] = {
        {RECORD_HOLD, "A3" BIB1 "02010360", true},
        {RECORD_HOLD, "A3" BIB1 "0204036178", true},
        {RECORD_HOLD,
         "A4" BIB1 "0204036178"
         "0900",
         true}, /* unknown key */
        {RECORD_HOLD, "A3" BIB1 "02000360", false},
        {RECORD_HOLD, "A3" BIB1 "02050360", false},
        {RECORD_HOLD,
         "A3016161"
         "02010360",
         false}, /* lower case */
        {RECORD_HOLD, "A2" BIB1 "0201", false},
        {RECORD_HOLD, "A202010360", false},
        {RECORD_HOLD,
         "A3" BIB1 "02010341"
         "78",
         false}, /* bytes for text */
        {RECORD_LOOK,
         "A3" BIB1 "0280"
         "0302",
         true},
        {RECORD_LOOK, "A3" BIB1 "02" TAGS "0306", true},
        {RECORD_LOOK,
         "A4" BIB1 "02" TAGS "0301"
         "04820109",
         true},
        {RECORD_LOOK, "A3" BIB1 "02" TAGS "0300", false},
        {RECORD_LOOK, "A3" BIB1 "02" TAGS "0307", false},
        {RECORD_LOOK,
         "A4" BIB1 "02" TAGS "0301"
         "04820901",
         false}, /* falling */
        {RECORD_LOOK,
         "A4" BIB1 "02" TAGS "0301"
         "048101",
         false},
        {RECORD_LOOK,
         "A3" BIB1 "0285A20142010204F5A20142010204F5A20142010204F5A20142010204F5A20142010204F50301",
         false},
        {RECORD_LOOK, "A2" BIB1 "0302", false},
        {RECORD_LOOK, "A2" BIB1 "0280", false},
        {RECORD_ROLL,
         "A2016152"
         "0201",
         true},
        {RECORD_ROLL,
         "A4016152"
         "020303F50400",
         true},
        {RECORD_ROLL,
         "A3016152"
         "0201041B0000FFFFFFFFFFFF",
         true},
        {RECORD_ROLL,
         "A3016152"
         "0201041B0001000000000000",
         false},
        {RECORD_ROLL,
         "A20160"
         "0201",
         false}, /* no name */
        {RECORD_ROLL,
         "A2016152"
         "0200",
         false},
        {RECORD_ROLL,
         "A2016152"
         "0204",
         false},
        {RECORD_ROLL,
         "A3016152"
         "020103F4",
         false},
        {RECORD_ROLL, "A1016152", false},
        {RECORD_NOTE, "A1016178", true},
        {RECORD_NOTE,
         "A3016178"
         "02613703" B32,
         true},
        {RECORD_NOTE,
         "A2016178"
         "03" B31,
         false},
        {RECORD_NOTE,
         "A2016178"
         "026161",
         false},
        {RECORD_NOTE, "A10160", false},
        {RECORD_NOTE, "A0", false},
        {RECORD_HANDOVER, "A4010102" B32 "03" B32 "0400", true},
        {RECORD_HANDOVER, "A4010002" B32 "03" B32 "0400", false}, /* lists count from 1 */
        {RECORD_HANDOVER, "A4010102" B31 "03" B32 "0400", false},
        {RECORD_HANDOVER, "A4010102" B32 "03" B31 "0400", false},
        {RECORD_HANDOVER, "A4010102" B32 "03" B32 "0420", false},
        {RECORD_HANDOVER, "A3010102" B32 "03" B32, false},
    };
    EXPECT_SHAPES(cases);
}

/* Texts are bounded in bytes: 200 fit, 201 do not. */
static void texts_are_bounded(void **state) {
    (void)state;
    struct record_retire retire = {.how = RETIRE_DEAD};
    static struct record_retire back;
    char text[RECORD_TEXT_MAX + 2];
    memset(text, 'x', sizeof(text));
    for (size_t size = RECORD_TEXT_MAX; size <= RECORD_TEXT_MAX + 1; size++) {
        struct buffer out;
        buffer_init(&out);
        retire.reason = slice_of(text, size);
        record_retire_write(&retire, &out);
        assert_int_equal(record_retire_read(buffer_slice(&out), &back), size <= RECORD_TEXT_MAX);
        buffer_release(&out);
    }
}

/* Counts one over each bound, as only a foreign program writes them. */
static void lists_are_bounded(void **state) {
    (void)state;
    struct buffer out;
    static const uint8_t id[32];
    static struct record_void v;
    static struct record_retire retire;
    buffer_init(&out);
    for (size_t count = RECORD_NAMES_MAX; count <= RECORD_NAMES_MAX + 1; count++) {
        buffer_clear(&out);
        canon_put_map(&out, 3);
        canon_put_uint(&out, 1);
        canon_put_array(&out, count);
        for (size_t i = 0; i < count; i++) {
            canon_put_bytes(&out, slice_of(id, sizeof(id)));
        }
        buffer_append(&out, "\x02\x60\x03\x01", 4);
        assert_int_equal(record_void_read(buffer_slice(&out), &v), count <= RECORD_NAMES_MAX);
        buffer_clear(&out);
        canon_put_map(&out, 4);
        canon_put_uint(&out, 1);
        canon_put_bytes(&out, slice_of(id, sizeof(id)));
        buffer_append(&out, "\x02\x02\x03", 3);
        canon_put_array(&out, count);
        for (size_t i = 0; i < count; i++) {
            canon_put_array(&out, 3);
            canon_put_bytes(&out, slice_of(id, 16));
            canon_put_uint(&out, 1);
            canon_put_bytes(&out, slice_of(id, sizeof(id)));
        }
        buffer_append(&out, "\x04\x60", 2);
        assert_int_equal(record_retire_read(buffer_slice(&out), &retire),
                         count <= RECORD_CUTOFFS_MAX);
    }
    buffer_release(&out);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_teardown(open_goes_round, clear_store),
        cmocka_unit_test_teardown(found_goes_round, clear_store),
        cmocka_unit_test(categories_are_chosen_by_range),
        cmocka_unit_test_teardown(admit_goes_round, clear_store),
        cmocka_unit_test_teardown(ticket_and_cancel_go_round, clear_store),
        cmocka_unit_test_teardown(retire_goes_round, clear_store),
        cmocka_unit_test_teardown(allot_and_close_go_round, clear_store),
        cmocka_unit_test_teardown(issue_goes_round, clear_store),
        cmocka_unit_test_teardown(void_goes_round, clear_store),
        cmocka_unit_test_teardown(hold_and_look_go_round, clear_store),
        cmocka_unit_test_teardown(roll_note_and_handover_go_round, clear_store),
        cmocka_unit_test(shapes_of_open),
        cmocka_unit_test(shapes_of_found),
        cmocka_unit_test(shapes_of_admit_retire_allot_close),
        cmocka_unit_test(shapes_of_ticket_and_cancel),
        cmocka_unit_test(shapes_of_issue),
        cmocka_unit_test(shapes_of_void),
        cmocka_unit_test(shapes_of_the_day),
        cmocka_unit_test(texts_are_bounded),
        cmocka_unit_test(lists_are_bounded),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
