/* The lead's side of joining, on a real folder: who is let in, who hears what, and what a stranger
 * can make it do. No outside source: the rules are this project's own (DESIGN, section 5). */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <sodium.h>
#include <sys/stat.h>
#include <unistd.h>

#include "node/files.h"
#include "node/grant.h"
#include "node/porter.h"
#include "node/verb.h"

static char top[] = "/tmp/bw-porter-XXXXXX";
static char dir[64];
static unsigned made;
static struct station station;
static struct porter *porter;
static struct buffer answer_bytes;

/* A fresh event in a folder of its own, and its lead's porter. */
static int begin(void **state) {
    struct error err;
    const char *words[] = {"--name",   "Harbour Run", "--bibs",           "1-2000",    "--scheme",
                           "own:4711", "--unsealed",  "--no-second-lead", "--station", "Lead"};
    struct verb_call call = {.arguments = words,
                             .argument_count = sizeof(words) / sizeof(words[0]),
                             .cwd = "/",
                             .dir = dir};
    (void)state;
    snprintf(dir, sizeof(dir), "%s/%u", top, ++made);
    buffer_init(&call.out);
    buffer_init(&call.err);
    verb_event_new(&call);
    buffer_append(&call.err, "", 1);
    if (call.status != 0) {
        fail_msg("event new: %s", (const char *)call.err.data);
    }
    buffer_release(&call.out);
    buffer_release(&call.err);
    if (station_open(dir, &station, &err) != ERR_OK) {
        fail_msg("%s (%s)", err.say, err.cause);
    }
    assert_int_equal(porter_new(&station, &porter, &err), ERR_OK);
    buffer_init(&answer_bytes);
    return 0;
}

static int end(void **state) {
    (void)state;
    porter_free(porter);
    station_close(&station);
    buffer_release(&answer_bytes);
    files_folder_remove(dir);
    return 0;
}

static int make_top(void **state) {
    (void)state;
    umask(077); /* as main() does */
    return mkdtemp(top) == NULL ? -1 : 0;
}
static int remove_top(void **state) {
    (void)state;
    char path[FILES_PATH_MAX];
    for (unsigned i = 1; i <= made; i++) { /* what the station wrote last, beside its folder */
        snprintf(path, sizeof(path), "%s/.%u.last", top, i);
        unlink(path);
    }
    return rmdir(top);
}

static void write_down(enum record_kind kind, const struct buffer *body) {
    struct record_id id;
    struct error err;
    assert_false(body->failed);
    if (station_append(&station, kind, buffer_slice(body), &id, &err) != ERR_OK) {
        fail_msg("%s (%s)", err.say, err.cause);
    }
}

static void secret_of(unsigned number, uint8_t secret[TICKET_SECRET_SIZE]) {
    memset(secret, 0, TICKET_SECRET_SIZE);
    memcpy(secret, &number, sizeof(number));
}

static void make_ticket(unsigned number, const char *name, int64_t expires) {
    static struct record_ticket ticket;
    uint8_t secret[TICKET_SECRET_SIZE];
    struct buffer body;
    secret_of(number, secret);
    ticket = (struct record_ticket){.entry_count = 1, .expires = {expires}};
    ticket.entry[0] =
        (struct record_ticket_entry){.id = {{(uint8_t)number}},
                                     .hash = ticket_hash(&station.event.event, secret),
                                     .name = slice_text(name),
                                     .role = ROLE_TABLE,
                                     .bibs = {1, {{100, 199}}}};
    buffer_init(&body);
    record_ticket_write(&ticket, &body);
    write_down(RECORD_TICKET, &body);
    buffer_release(&body);
}

static void make_keys(unsigned seed, struct station_keys *keys) {
    uint8_t sign[32] = {1}, curve[32] = {2};
    memcpy(sign + 4, &seed, sizeof(seed));
    memcpy(curve + 4, &seed, sizeof(seed));
    identity_keys(sign, curve, keys);
}

static void make_ask(unsigned seed, unsigned number, const char *name, struct buffer *out) {
    struct station_keys keys;
    make_keys(seed, &keys);
    struct admission_ask ask = {
        .key = keys.sign_public, .name = slice_text(name), .wall = {1800000000000}};
    secret_of(number, ask.secret);
    admission_ask_put(&ask, &station.keys.curve_public, &keys, out);
    assert_false(out->failed);
}

static bool hand_in(unsigned seed, const char *ip, struct slice message) {
    struct station_keys keys;
    make_keys(seed, &keys);
    return porter_take(porter, &keys.curve_public, ip, message, &answer_bytes);
}

/* Asks as the station `seed` with the ticket `number`; the answer's slices live till the next. */
static bool ask(unsigned seed, unsigned number, const char *name, const char *ip,
                struct admission_answer *answer) {
    struct buffer message;
    struct error err;
    buffer_init(&message);
    make_ask(seed, number, name, &message);
    bool said = hand_in(seed, ip, buffer_slice(&message));
    buffer_release(&message);
    if (said) {
        assert_int_equal(admission_answer_get(buffer_slice(&answer_bytes), answer, &err), ERR_OK);
    }
    return said;
}

static void expect(enum admission_verdict wanted, unsigned seed, unsigned number, const char *name,
                   const char *ip) {
    struct admission_answer answer;
    assert_true(ask(seed, number, name, ip, &answer));
    assert_int_equal(answer.verdict, wanted);
}

static int64_t later(void) {
    return station_wall().ms + 3600000;
}

static void lets_in_once_and_the_same_again(void **state) {
    struct admission_answer answer;
    struct pairs_station in;
    struct bib_ranges bibs;
    struct station_keys keys;
    struct error err;
    (void)state;
    make_ticket(1, "Table 3", later());
    uint64_t before = ledger_count(station.ledger);
    uint64_t appended = station.appended;
    assert_true(ask(7, 1, "", "10.0.0.2", &answer));
    assert_int_equal(answer.verdict, ADMISSION_GRANTED);
    assert_memory_equal(answer.event.event.bytes, station.event.event.bytes, 32);
    assert_memory_equal(answer.event.root.bytes, station.event.root.bytes, 32);
    assert_true(slice_equal(answer.name, slice_text("Table 3")));
    assert_true(ledger_holds(station.ledger, answer.last.bytes));
    assert_int_equal(ledger_count(station.ledger), before + 2); /* admit and allot */
    assert_true(station.appended > appended);
    make_keys(7, &keys);
    assert_int_equal(pairs_station(station.ledger, &keys.sign_public, &in, &err), ERR_OK);
    assert_int_equal(in.role, ROLE_TABLE);
    assert_memory_equal(in.curve.bytes, keys.curve_public.bytes, 32);
    assert_int_equal(pairs_allotted(station.ledger, &keys.sign_public, &bibs, &err), ERR_OK);
    assert_int_equal(bibs.range[0].first, 100);
    for (int i = 0; i < 3; i++) { /* lost answers */
        struct record_id last = answer.last;
        assert_true(ask(7, 1, "", "10.0.0.2", &answer));
        assert_int_equal(answer.verdict, ADMISSION_GRANTED);
        assert_memory_equal(answer.last.bytes, last.bytes, 32);
    }
    assert_int_equal(ledger_count(station.ledger), before + 2);
    assert_true(ask(8, 1, "", "10.0.0.3", &answer)); /* somebody else */
    assert_int_equal(answer.verdict, ADMISSION_USED);
    assert_true(slice_equal(answer.name, slice_text("Table 3")));
    assert_true(answer.when.ms > 0);
    assert_int_equal(ledger_count(station.ledger), before + 2);
}

static void names_and_ends(void **state) {
    struct record_retire retire = {.how = RETIRE_DEAD};
    struct admission_answer answer;
    struct station_keys keys;
    struct buffer body;
    (void)state;
    make_ticket(1, "Table 3", later());
    make_ticket(2, "Table 4", station_wall().ms - 1);
    make_ticket(3, "Table 5", later());
    expect(ADMISSION_NAME, 7, 1, "LEAD", "10.0.0.2");
    expect(ADMISSION_EXPIRED, 7, 2, "", "10.0.0.2");
    assert_true(ask(7, 1, "evil\x1b[2J", "10.0.0.2", &answer)); /* the ticket's name instead */
    assert_int_equal(answer.verdict, ADMISSION_GRANTED);
    assert_true(slice_equal(answer.name, slice_text("Table 3")));
    assert_true(ask(8, 3, "Table Five", "10.0.0.2", &answer));
    assert_true(slice_equal(answer.name, slice_text("Table Five")));
    make_keys(7, &keys);
    retire.key = keys.sign_public;
    buffer_init(&body);
    record_retire_write(&retire, &body);
    write_down(RECORD_RETIRE, &body);
    buffer_release(&body);
    expect(ADMISSION_RETIRED, 7, 1, "", "10.0.0.2");
}

/* Nothing but one word, whatever is nearly right. */
static void a_wrong_secret_hears_one_word(void **state) {
    static const uint8_t word[] = {0x84, 0x08, 0x01, 0x04, 0xA0};
    (void)state;
    make_ticket(1, "Table 3", later());
    for (unsigned i = 0; i < 4; i++) {
        struct admission_answer answer;
        char ip[32];
        snprintf(ip, sizeof(ip), "10.0.1.%u", i);
        assert_true(ask(7, i == 0 ? 2 : 1U ^ 1U << (8 + i), "", ip, &answer));
        assert_int_equal(answer_bytes.size, sizeof(word));
        assert_memory_equal(answer_bytes.data, word, sizeof(word));
    }
}

static void what_is_no_ask_hears_nothing(void **state) {
    struct station_keys keys, other;
    struct buffer message;
    (void)state;
    make_ticket(1, "Table 3", later());
    make_keys(7, &keys);
    make_keys(8, &other);
    uint64_t before = ledger_count(station.ledger);
    buffer_init(&message);
    make_ask(7, 1, "", &message);
    for (size_t size = 0; size < message.size; size += 7) {
        assert_false(hand_in(7, "10.0.0.2", slice_of(message.data, size)));
    }
    assert_false(hand_in(8, "10.0.0.2", buffer_slice(&message))); /* another's connection */
    struct admission_ask elsewhere = {.key = keys.sign_public, .wall = {1}};
    secret_of(1, elsewhere.secret);
    buffer_clear(&message);
    admission_ask_put(&elsewhere, &other.curve_public, &keys, &message); /* for another lead */
    assert_false(hand_in(7, "10.0.0.2", buffer_slice(&message)));
    buffer_clear(&message);
    elsewhere.key = other.sign_public; /* another's signing key */
    admission_ask_put(&elsewhere, &station.keys.curve_public, &keys, &message);
    assert_false(hand_in(7, "10.0.0.2", buffer_slice(&message)));
    buffer_clear(&message);
    make_ask(7, 1, "", &message);
    while (message.size <= ADMISSION_SIZE_MAX) {
        buffer_append(&message, "\0", 1);
    }
    assert_false(hand_in(7, "10.0.0.2", buffer_slice(&message)));
    assert_int_equal(ledger_count(station.ledger), before);
    buffer_release(&message);
}

static void who_is_wrong_too_often_waits(void **state) {
    (void)state;
    make_ticket(1, "Table 3", later());
    make_ticket(2, "Table 4", later());
    for (unsigned i = 0; i < 5; i++) {
        expect(ADMISSION_UNKNOWN, 100 + i, 50 + i, "", "10.0.0.66");
    }
    for (unsigned i = 0; i < 5; i++) {
        expect(ADMISSION_WAIT, 200 + i, 60 + i, "", "10.0.0.66");
    }
    expect(ADMISSION_WAIT, 7, 1, "", "10.0.0.66"); /* no oracle */
    expect(ADMISSION_GRANTED, 7, 1, "", "10.0.0.2");
    /* an address that is not known is one address */
    for (unsigned i = 0; i < 5; i++) {
        expect(ADMISSION_UNKNOWN, 300 + i, 70 + i, "", NULL);
    }
    expect(ADMISSION_WAIT, 8, 2, "", NULL);
    expect(ADMISSION_GRANTED, 8, 2, "", "10.0.0.3");
}

/* From ever new addresses: most are not even looked at, and memory is bounded by the table. */
static void a_flood_is_not_answered(void **state) {
    struct buffer message;
    size_t said = 0;
    (void)state;
    uint64_t before = ledger_count(station.ledger);
    buffer_init(&message);
    make_ask(7, 99, "", &message);
    struct mono_ms start = station_now();
    for (unsigned i = 0; i < 20000; i++) {
        char ip[32];
        snprintf(ip, sizeof(ip), "10.%u.%u.%u", i >> 16, i >> 8 & 255, i & 255);
        said += hand_in(7, ip, buffer_slice(&message)) ? 1 : 0;
    }
    int64_t took = station_now().ms - start.ms;
    assert_in_range(said, 1, 60 + (uint64_t)took * 20 / 1000 + 1);
    assert_int_equal(ledger_count(station.ledger), before);
    buffer_release(&message);
}

/* Who is let in by file instead: an address longer than any makes no admit, for that is part of the
 * proof with which the station calls those who do not know it. */
static void requests_have_short_addresses(void **state) {
    static char text[SYNC_ADDRESS_MAX + 2];
    struct station_keys keys;
    struct record_admit admit, back;
    struct buffer out;
    struct error err;
    uint8_t seed[32] = {7};
    (void)state;
    memset(text, '1', SYNC_ADDRESS_MAX + 1);
    identity_keys(seed, seed, &keys);
    buffer_init(&out);
    for (size_t size = SYNC_ADDRESS_MAX; size <= SYNC_ADDRESS_MAX + 1; size++) {
        admit = (struct record_admit){.key = keys.sign_public,
                                      .curve = keys.curve_public,
                                      .name = slice_text("Table 1"),
                                      .address_count = 1};
        admit.address[0] = slice_of((const uint8_t *)text, size);
        buffer_clear(&out);
        grant_request_put(&admit, &keys.sign_secret, &out);
        assert_int_equal(grant_request_get(buffer_slice(&out), &back, &err),
                         size > SYNC_ADDRESS_MAX ? ERR_FORM : ERR_OK);
    }
    buffer_release(&out);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(requests_have_short_addresses),
        cmocka_unit_test_setup_teardown(lets_in_once_and_the_same_again, begin, end),
        cmocka_unit_test_setup_teardown(names_and_ends, begin, end),
        cmocka_unit_test_setup_teardown(a_wrong_secret_hears_one_word, begin, end),
        cmocka_unit_test_setup_teardown(what_is_no_ask_hears_nothing, begin, end),
        cmocka_unit_test_setup_teardown(who_is_wrong_too_often_waits, begin, end),
        cmocka_unit_test_setup_teardown(a_flood_is_not_answered, begin, end),
    };
    return sodium_init() < 0 ? 1 : cmocka_run_group_tests(tests, make_top, remove_top);
}
