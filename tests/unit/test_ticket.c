/* The text of a ticket: what people do to it when they copy it must be noticed, and the place said.
 * No outside source: the form is this project's own. The alphabet is Douglas Crockford's base 32
 * (crockford.com/base32.html, from memory: no I, L, O, U; O reads as 0, I and L as 1). */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>
#include <sodium.h>

#include "common/ticket.h"

static const char alphabet[] = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";

/* One of each kind: ticket and lead's code, IPv4 and IPv6. */
static struct ticket example(int kind, unsigned seed) {
    struct ticket ticket = {.code = kind >= 2, .ipv6 = kind % 2 == 1, .port = 7117};
    for (size_t i = 0; i < sizeof(ticket.lead.bytes); i++) {
        ticket.lead.bytes[i] = (uint8_t)(seed * 31 + 7 * i);
    }
    for (size_t i = 0; i < sizeof(ticket.secret) && !ticket.code; i++) {
        ticket.secret[i] = (uint8_t)(seed * 17 + 11 * i + 1);
    }
    for (size_t i = 0; i < (ticket.ipv6 ? 16U : 4U); i++) {
        ticket.ip[i] = (uint8_t)(10 + seed + i);
    }
    return ticket;
}

static void expect_same(const struct ticket *a, const struct ticket *b) {
    assert_int_equal(a->code, b->code);
    assert_int_equal(a->ipv6, b->ipv6);
    assert_int_equal(a->port, b->port);
    assert_memory_equal(a->lead.bytes, b->lead.bytes, 32);
    assert_memory_equal(a->secret, b->secret, TICKET_SECRET_SIZE);
    assert_memory_equal(a->ip, b->ip, 16);
}

static void expect_error(const char *text, enum error_code wanted, const char *says) {
    struct ticket ticket;
    struct error err;
    enum error_code code = ticket_get(slice_text(text), &ticket, &err);
    if (code != wanted || strstr(err.say, says) == NULL) {
        fail_msg("%s: got %s \"%s\", wanted %s \"...%s...\"", text, error_name(code),
                 code == ERR_OK ? "" : err.say, error_name(wanted), says);
    }
}

static void expect_read(const char *text, const struct ticket *wanted) {
    struct ticket ticket;
    struct error err;
    if (ticket_get(slice_text(text), &ticket, &err) != ERR_OK) {
        fail_msg("%s: %s (%s)", text, err.say, err.cause);
    }
    expect_same(&ticket, wanted);
}

static void goes_round(void **state) {
    static const size_t length[] = {100, 125, 80, 105};
    (void)state;
    for (int kind = 0; kind < 4; kind++) {
        for (unsigned seed = 0; seed < 200; seed++) {
            struct ticket ticket = example(kind, seed);
            char text[TICKET_TEXT_MAX + 1];
            ticket.port = (uint16_t)(seed * 331);
            ticket_put(&ticket, text);
            assert_int_equal(strlen(text), length[kind]);
            assert_int_equal(strspn(text, alphabet), length[kind]);
            expect_read(text, &ticket);
        }
    }
}

/* So that a printed ticket is still read by a later program. */
static void the_form_stays(void **state) {
    struct ticket ticket = example(0, 1);
    char text[TICKET_TEXT_MAX + 1];
    (void)state;
    ticket_put(&ticket, text);
    assert_string_equal(text, "43WK42TD1JV894VN0NT6YCNPR76YMG1H27ASD7DD4NESVBKG6N"
                              "7SVAFXSRZRAY7WT1479S86CZG4JN23ZD9T2GP30WD1RDYWTA6P");
}

static void ordinal(size_t number, char out[16]) {
    const char *end = number % 10 == 1   ? "st"
                      : number % 10 == 2 ? "nd"
                      : number % 10 == 3 ? "rd"
                                         : "th";
    snprintf(out, 16, "%zu%s group", number, number >= 11 && number <= 13 ? "th" : end);
}

/* Each character against each other one, in each kind: refused, and its group named. */
static void each_wrong_character_is_noticed(void **state) {
    size_t tried = 0;
    (void)state;
    for (int kind = 0; kind < 4; kind++) {
        struct ticket ticket = example(kind, 5);
        char text[TICKET_TEXT_MAX + 1];
        ticket_put(&ticket, text);
        for (size_t at = 0; text[at] != '\0'; at++) {
            char right = text[at];
            char where[16];
            ordinal(at / TICKET_GROUP + 1, where);
            for (const char *wrong = alphabet; *wrong != '\0'; wrong++) {
                if (*wrong != right) {
                    text[at] = *wrong;
                    expect_error(text, ERR_FORM, where);
                    tried++;
                }
            }
            text[at] = 'U'; /* a letter that the alphabet has not */
            expect_error(text, ERR_FORM, where);
            text[at] = right;
        }
    }
    assert_int_equal(tried, 31 * (100 + 125 + 80 + 105));
}

/* Any two characters of a ticket that change places, neighbours or not. */
static void each_transposition_is_noticed(void **state) {
    (void)state;
    for (int kind = 0; kind < 4; kind++) {
        struct ticket ticket = example(kind, 6);
        char text[TICKET_TEXT_MAX + 1];
        ticket_put(&ticket, text);
        size_t length = strlen(text);
        for (size_t a = 0; a < length; a++) {
            for (size_t b = a + 1; b < length; b++) {
                char where[16];
                if (text[a] == text[b]) {
                    continue;
                }
                char kept = text[a];
                text[a] = text[b];
                text[b] = kept;
                ordinal(a / TICKET_GROUP + 1, where);
                where[strlen(where) - 6] = '\0'; /* "1st", also where two are named */
                expect_error(text, ERR_FORM, where);
                text[b] = text[a];
                text[a] = kept;
            }
        }
    }
}

static void groups_that_change_places_are_noticed(void **state) {
    struct ticket ticket = example(0, 7);
    char text[TICKET_TEXT_MAX + 1];
    (void)state;
    ticket_put(&ticket, text);
    for (size_t a = 0; a < 20; a++) {
        for (size_t b = a + 1; b < 20; b++) {
            char swapped[TICKET_TEXT_MAX + 1];
            char first[16], second[16];
            struct ticket ignored;
            struct error err;
            memcpy(swapped, text, sizeof(swapped));
            memcpy(swapped + a * 5, text + b * 5, 5);
            memcpy(swapped + b * 5, text + a * 5, 5);
            ordinal(a + 1, first);
            ordinal(b + 1, second);
            assert_int_equal(ticket_get(slice_text(swapped), &ignored, &err), ERR_FORM);
            first[strlen(first) - 6] = '\0';
            assert_non_null(strstr(err.say, first));
            assert_non_null(strstr(err.say, second));
        }
    }
}

static void what_is_missing_or_too_much(void **state) {
    struct ticket ticket = example(0, 3);
    char text[TICKET_TEXT_MAX + 1];
    char typed[200];
    struct buffer lines;
    (void)state;
    ticket_put(&ticket, text);
    buffer_init(&lines);
    ticket_lines(text, "  ", 5, &lines);
    buffer_append(&lines, "", 1);
    expect_read((const char *)lines.data, &ticket);
    /* in groups, the 13th lacks its last character: 4 lines of 5 groups, 2 blanks before each */
    snprintf(typed, sizeof(typed), "%s", (const char *)lines.data);
    char *at = strchr(strchr(typed, '\n') + 1, '\n') + 1 + 2 + 2 * 6 + 4;
    memmove(at, at + 1, strlen(at));
    expect_error(typed, ERR_FORM, "The 13th group of the ticket has 4 characters");
    buffer_release(&lines);
    /* without blanks the groups behind are wrong, too */
    snprintf(typed, sizeof(typed), "%.62s%s", text, text + 63);
    expect_error(typed, ERR_FORM, "from the 13th group on");
    snprintf(typed, sizeof(typed), "%.62sX%s", text, text + 62);
    expect_error(typed, ERR_FORM, "from the 13th group on");
    snprintf(typed, sizeof(typed), "%.95s", text);
    expect_error(typed, ERR_FORM, "has 19 groups of five, and should have 20: the end is missing");
    snprintf(typed, sizeof(typed), "%s%.5s", text, text);
    expect_error(typed, ERR_FORM, "21st group");
    expect_error("", ERR_FORM, "no ticket");
    expect_error("   \n", ERR_FORM, "no ticket");
    expect_error("ABC", ERR_FORM, "no ticket");
    memset(typed, 'A', sizeof(typed));
    typed[199] = '\0';
    expect_error(typed, ERR_FORM, "from the 1st group on");
}

/* What a person may do without harm. */
static void is_forgiving(void **state) {
    (void)state;
    for (unsigned seed = 0; seed < 50; seed++) {
        struct ticket ticket = example((int)(seed % 4), seed);
        char text[TICKET_TEXT_MAX + 1];
        char typed[4 * TICKET_TEXT_MAX];
        size_t size = 0;
        ticket_put(&ticket, text);
        for (size_t i = 0; text[i] != '\0'; i++) {
            static const char *const between[] = {" ", "-", "\r\n", "\t", "  ", "", ""};
            char c = text[i];
            c = c == '0' ? "0Oo"[(seed + i) % 3] : c == '1' ? "1IilL"[(seed + i) % 5] : c;
            if (c >= 'A' && c <= 'Z' && (seed + i) % 2 == 0) {
                c = (char)(c - 'A' + 'a');
            }
            size += (size_t)snprintf(typed + size, sizeof(typed) - size, "%c%s", c,
                                     between[(seed * 3 + i) % 7]);
        }
        expect_read(typed, &ticket);
    }
}

/* Two wrong characters in one group can agree by chance; the check over all finds that. */
static void two_errors_of_one_group(void **state) {
    struct ticket ticket = example(0, 9);
    char text[TICKET_TEXT_MAX + 1];
    size_t passed_group = 0;
    size_t unnoticed = 0;
    (void)state;
    ticket_put(&ticket, text);
    for (size_t group = 0; group < 20; group++) {
        for (size_t one = 0; one < 32; one++) {
            for (size_t two = 0; two < 32; two++) {
                char typed[TICKET_TEXT_MAX + 1];
                struct ticket ignored;
                struct error err;
                memcpy(typed, text, sizeof(typed));
                typed[group * 5 + 1] = alphabet[one];
                typed[group * 5 + 2] = alphabet[two];
                if (strcmp(typed, text) == 0) {
                    continue;
                }
                enum error_code code = ticket_get(slice_text(typed), &ignored, &err);
                unnoticed += code == ERR_OK ? 1 : 0;
                passed_group += strstr(err.say, "more than one place") != NULL ? 1 : 0;
            }
        }
    }
    /* of 1023 pairs in each group 31 agree, and one in 1024 of those by the check over all, too */
    assert_in_range(passed_group + unnoticed, 20 * 31 - 20, 20 * 31);
    assert_in_range(unnoticed, 0, 4);
}

static void a_later_version_is_told(void **state) {
    /* version 2: the first symbol is 8, and the group's check fits it */
    struct ticket ticket = example(0, 10);
    char text[TICKET_TEXT_MAX + 1];
    bool found = false;
    (void)state;
    ticket_put(&ticket, text);
    text[0] = '8';
    for (const char *check = alphabet; *check != '\0' && !found; check++) {
        struct ticket ignored;
        struct error err;
        text[4] = *check;
        found = ticket_get(slice_text(text), &ignored, &err) == ERR_TOO_NEW;
    }
    assert_true(found);
}

static void the_hash_is_of_the_event(void **state) {
    struct event_id one = {{1}}, other = {{2}};
    uint8_t secret[TICKET_SECRET_SIZE] = {1, 2, 3};
    struct digest32 plain = ticket_hash(&one, secret);
    struct digest32 elsewhere = ticket_hash(&other, secret);
    uint8_t wanted[32];
    (void)state;
    /* BLAKE2b (RFC 7693), keyed: libsodium's, which is checked in outside/published */
    assert_int_equal(crypto_generichash(wanted, 32, secret, sizeof(secret), one.bytes, 32), 0);
    assert_memory_equal(plain.bytes, wanted, 32);
    assert_memory_not_equal(plain.bytes, elsewhere.bytes, 32);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(goes_round),
        cmocka_unit_test(the_form_stays),
        cmocka_unit_test(each_wrong_character_is_noticed),
        cmocka_unit_test(each_transposition_is_noticed),
        cmocka_unit_test(groups_that_change_places_are_noticed),
        cmocka_unit_test(what_is_missing_or_too_much),
        cmocka_unit_test(is_forgiving),
        cmocka_unit_test(two_errors_of_one_group),
        cmocka_unit_test(a_later_version_is_told),
        cmocka_unit_test(the_hash_is_of_the_event),
    };
    return sodium_init() < 0 ? 1 : cmocka_run_group_tests(tests, NULL, NULL);
}
