/* Beacons and ticket files: their form, and what is made of those that are not right. The sockets
 * are tried on real links in trust/beacon.mjs. No outside source: both are this project's own. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>
#include <sodium.h>

#include "node/beacon.h"
#include "node/ticket_file.h"

static const struct event_id event = {{1}};
static const struct event_id other_event = {{2}};

static void make_keys(uint8_t seed, struct station_keys *keys) {
    uint8_t sign[32], curve[32];
    memset(sign, seed, sizeof(sign));
    memset(curve, seed + 100, sizeof(curve));
    identity_keys(sign, curve, keys);
}

static void a_beacon_says_where(void **state) {
    struct station_keys keys, other;
    struct beacon_said said;
    struct buffer out;
    (void)state;
    make_keys(1, &keys);
    make_keys(2, &other);
    buffer_init(&out);
    beacon_put(&event, &keys, 7117, &out);
    assert_in_range(out.size, 60, BEACON_SIZE_MAX);
    assert_true(beacon_get(buffer_slice(&out), &said));
    struct beacon_who who = beacon_who(&keys.curve_public);
    assert_memory_equal(said.who.bytes, who.bytes, sizeof(who.bytes));
    assert_int_equal(said.port, 7117);
    assert_true(beacon_verify(&said, &event, &keys.sign_public));
    assert_false(beacon_verify(&said, &event, &other.sign_public));
    assert_false(beacon_verify(&said, &other_event, &keys.sign_public));
    /* nothing in it is a key, or the event id */
    assert_null(memmem(out.data, out.size, keys.curve_public.bytes, 8));
    assert_null(memmem(out.data, out.size, keys.sign_public.bytes, 8));
    assert_null(memmem(out.data, out.size, event.bytes, 8));
    buffer_release(&out);
}

static void each_flipped_bit_is_noticed(void **state) {
    struct station_keys keys;
    struct buffer out;
    (void)state;
    make_keys(1, &keys);
    buffer_init(&out);
    beacon_put(&event, &keys, 7117, &out);
    for (size_t at = 0; at < out.size * 8; at++) {
        struct beacon_said said;
        struct beacon_who who = beacon_who(&keys.curve_public);
        out.data[at / 8] = (uint8_t)(out.data[at / 8] ^ 1U << at % 8);
        if (beacon_get(buffer_slice(&out), &said) && ID_EQUAL(said.who, who) &&
            beacon_verify(&said, &event, &keys.sign_public)) {
            fail_msg("bit %zu was flipped and it is believed", at);
        }
        out.data[at / 8] = (uint8_t)(out.data[at / 8] ^ 1U << at % 8);
    }
    for (size_t size = 0; size < out.size; size++) {
        struct beacon_said said;
        assert_false(beacon_get(slice_of(out.data, size), &said));
    }
    buffer_append(&out, "\0", 1);
    struct beacon_said said;
    assert_false(beacon_get(buffer_slice(&out), &said));
    buffer_release(&out);
}

static void option_of_the_port(void **state) {
    static const struct {
        const char *value;
        enum error_code code;
        uint16_t port;
    } cases[] = {{NULL, ERR_OK, BEACON_PORT}, {"off", ERR_OK, 0},   {"1", ERR_OK, 1},
                 {"65535", ERR_OK, 65535},    {"0", ERR_USAGE, 0},  {"65536", ERR_USAGE, 0},
                 {"7x", ERR_USAGE, 0},        {"-1", ERR_USAGE, 0}, {"", ERR_USAGE, 0},
                 {" 7", ERR_USAGE, 0}};
    (void)state;
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        uint16_t port = 0;
        struct error err;
        enum error_code code = beacon_option(cases[i].value, &port, &err);
        if (code != cases[i].code || (code == ERR_OK && port != cases[i].port)) {
            fail_msg("\"%s\": %s, port %u", cases[i].value, error_name(code), port);
        }
    }
}

/* ---- ticket files ---- */

static struct ticket a_ticket(const char *at) {
    struct ticket ticket = {.lead = {{4}}, .secret = {5}};
    struct address address;
    struct error err;
    assert_int_equal(address_parse(at, &address, &err), ERR_OK);
    assert_true(ticket_set_address(&ticket, &address));
    return ticket;
}

static void addresses_go_into_tickets(void **state) {
    static const char *const good[] = {"10.0.0.1:7117", "[2001:db8::7]:1", "[::1]:65535"};
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct ticket ticket = a_ticket(good[i]);
        struct enter_place place;
        assert_true(ticket_place(&ticket, &place));
        assert_string_equal(place.address.text, good[i]);
    }
    struct ticket ticket;
    struct address address;
    struct error err;
    assert_int_equal(address_parse("*:7117", &address, &err), ERR_OK);
    assert_false(ticket_set_address(&ticket, &address));
    assert_int_equal(address_parse("10.0.0.1:0", &address, &err), ERR_OK);
    assert_false(ticket_set_address(&ticket, &address));
}

static void files_go_round(void **state) {
    struct ticket ticket = a_ticket("10.0.0.1:7117"), back;
    struct enter_place places[3] = {0}, read[8];
    char text[TICKET_TEXT_MAX + 1];
    struct buffer file;
    struct error err;
    size_t count = 0;
    (void)state;
    ticket_put(&ticket, text);
    assert_true(ticket_place(&ticket, &places[0]));
    places[1].lead.bytes[0] = 9;
    assert_int_equal(address_parse("10.0.0.2:7117", &places[1].address, &err), ERR_OK);
    places[2].lead.bytes[31] = 8;
    assert_int_equal(address_parse("[2001:db8::1]:7", &places[2].address, &err), ERR_OK);
    buffer_init(&file);
    ticket_file_put("Table 3\n, <evil>", text, places, 3, &file);
    assert_int_equal(ticket_file_get(buffer_slice(&file), &back, read, 8, &count, &err), ERR_OK);
    assert_int_equal(count, 4); /* the ticket's own first, and the three */
    assert_string_equal(read[0].address.text, "10.0.0.1:7117");
    assert_memory_equal(read[0].lead.bytes, ticket.lead.bytes, 32);
    assert_string_equal(read[2].address.text, "10.0.0.2:7117");
    assert_int_equal(read[2].lead.bytes[0], 9);
    assert_string_equal(read[3].address.text, "[2001:db8::1]:7");
    assert_memory_equal(back.secret, ticket.secret, TICKET_SECRET_SIZE);
    count = 0; /* room for one only */
    assert_int_equal(ticket_file_get(buffer_slice(&file), &back, read, 1, &count, &err), ERR_OK);
    assert_int_equal(count, 1);
    assert_string_equal(read[0].address.text, "10.0.0.1:7117");
    /* cut at every byte: never a ticket that is not the ticket */
    for (size_t size = 1; size < file.size; size++) {
        count = 0;
        enum error_code code =
            ticket_file_get(slice_of(file.data, size), &back, read, 8, &count, &err);
        if (code == ERR_OK) {
            assert_memory_equal(back.secret, ticket.secret, TICKET_SECRET_SIZE);
            assert_memory_equal(back.lead.bytes, ticket.lead.bytes, 32);
            assert_in_range(count, 1, 4);
        } else if (code != ERR_FORM && code != ERR_TRUNCATED) {
            fail_msg("cut at %zu: %s", size, error_name(code));
        }
    }
    buffer_release(&file);
}

static void other_files_are_named(void **state) {
    static const char grant[] = "\xA5\x01\x6E"
                                "bibweave grant\x02\x01";
    struct ticket ticket;
    struct enter_place places[2];
    struct error err;
    size_t count = 0;
    (void)state;
    assert_int_equal(
        ticket_file_get(slice_of(grant, sizeof(grant) - 1), &ticket, places, 2, &count, &err),
        ERR_USAGE);
    assert_non_null(strstr(err.say, "--grant"));
    assert_int_equal(ticket_file_get(slice_text("bibweave ticket 1\nfor: x\n"), &ticket, places, 2,
                                     &count, &err),
                     ERR_TRUNCATED);
    assert_int_equal(ticket_file_get(slice_text(""), &ticket, places, 2, &count, &err), ERR_FORM);
    assert_int_equal(count, 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_beacon_says_where), cmocka_unit_test(each_flipped_bit_is_noticed),
        cmocka_unit_test(option_of_the_port),  cmocka_unit_test(addresses_go_into_tickets),
        cmocka_unit_test(files_go_round),      cmocka_unit_test(other_files_are_named),
    };
    return sodium_init() < 0 ? 1 : cmocka_run_group_tests(tests, NULL, NULL);
}
