/*
 * ticket.c: see ticket.h.
 * Must never mend a mistyped group by guessing: it is named, and typed again.
 */
#include "common/ticket.h"

#include <sodium.h>
#include <stdio.h>
#include <string.h>

enum {
    VERSION = 1,
    BITS = 5,
    DATA = TICKET_GROUP - 1, /* symbols of a group that say something */
    SYMBOLS_MAX = DATA * TICKET_GROUPS_MAX,
    TYPED_MAX = 2 * TICKET_TEXT_MAX,
    CHECK_MIN = 2,
    SAID_MAX = 3, /* wrong groups that are named one by one */
    UNKNOWN = 0xFF,
};
static const char alphabet[] = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";

/* ---- the check of a group ---- */

/* In GF(32) over x^5 + x^2 + 1. */
static uint8_t times(uint8_t a, uint8_t b) {
    unsigned product = 0;
    for (unsigned i = 0; i < BITS; i++) {
        product ^= ((unsigned)b >> i & 1U) != 0 ? (unsigned)a << i : 0U;
    }
    for (unsigned i = 2 * BITS - 2; i >= BITS; i--) {
        product ^= (product >> i & 1U) != 0 ? 0x25U << (i - BITS) : 0U;
    }
    return (uint8_t)product;
}

/* Each symbol and the place have a weight of their own, none of them the check's own weight 1: so
 * one wrong symbol, two that changed places, and a whole group elsewhere are all noticed. */
static uint8_t group_check(const uint8_t data[DATA], size_t place) {
    static const uint8_t weight[DATA] = {2, 4, 8, 16};
    uint8_t check = times((uint8_t)(place + 1), 3);
    for (size_t i = 0; i < DATA; i++) {
        check = (uint8_t)(check ^ times(data[i], weight[i]));
    }
    return check;
}

/* ---- bits and symbols ---- */

/* How many symbols say something in a ticket of this first symbol, and how many there are in all.
 */
static void count_symbols(uint8_t first, size_t *said, size_t *all) {
    bool code = (first & 2U) != 0;
    bool ipv6 = (first & 1U) != 0;
    size_t bits = 256U + (code ? 0U : 8U * TICKET_SECRET_SIZE) + (ipv6 ? 128U : 32U) + 16U;
    *said = 1 + (bits + BITS - 1) / BITS;
    *all = (*said + CHECK_MIN + DATA - 1) / DATA * DATA;
}

static void add_check(uint8_t *symbols, size_t said, size_t all) {
    uint8_t hash[16];
    crypto_generichash(hash, sizeof(hash), symbols, said, NULL, 0);
    for (size_t i = 0; i < all - said; i++) {
        size_t bit = i * BITS;
        unsigned two = (unsigned)hash[bit / 8] << 8 | hash[bit / 8 + 1];
        symbols[said + i] = (uint8_t)(two >> (11 - bit % 8) & 31U);
    }
}

/* The bytes behind the first symbol; returns how many. */
static size_t to_bytes(const struct ticket *ticket, uint8_t *bytes) {
    size_t size = sizeof(ticket->lead.bytes);
    size_t ip = ticket->ipv6 ? 16 : 4;
    memcpy(bytes, ticket->lead.bytes, size);
    if (!ticket->code) {
        memcpy(bytes + size, ticket->secret, TICKET_SECRET_SIZE);
        size += TICKET_SECRET_SIZE;
    }
    memcpy(bytes + size, ticket->ip, ip);
    bytes[size + ip] = (uint8_t)(ticket->port >> 8);
    bytes[size + ip + 1] = (uint8_t)ticket->port;
    return size + ip + 2;
}

static void from_bytes(const uint8_t *bytes, struct ticket *ticket) {
    size_t ip = ticket->ipv6 ? 16 : 4;
    memcpy(ticket->lead.bytes, bytes, sizeof(ticket->lead.bytes));
    bytes += sizeof(ticket->lead.bytes);
    if (!ticket->code) {
        memcpy(ticket->secret, bytes, TICKET_SECRET_SIZE);
        bytes += TICKET_SECRET_SIZE;
    }
    memcpy(ticket->ip, bytes, ip);
    ticket->port = (uint16_t)((unsigned)bytes[ip] << 8 | bytes[ip + 1]);
}

enum { BYTES_MAX = 32 + TICKET_SECRET_SIZE + 16 + 2 };

void ticket_put(const struct ticket *ticket, char out[TICKET_TEXT_MAX + 1]) {
    uint8_t bytes[BYTES_MAX + 2] = {0};
    uint8_t symbols[SYMBOLS_MAX] = {0};
    size_t said = 0;
    size_t all = 0;
    symbols[0] = (uint8_t)(VERSION << 2 | (ticket->code ? 2 : 0) | (ticket->ipv6 ? 1 : 0));
    count_symbols(symbols[0], &said, &all);
    to_bytes(ticket, bytes);
    for (size_t i = 1; i < said; i++) {
        size_t bit = (i - 1) * BITS;
        unsigned two = (unsigned)bytes[bit / 8] << 8 | bytes[bit / 8 + 1];
        symbols[i] = (uint8_t)(two >> (11 - bit % 8) & 31U);
    }
    add_check(symbols, said, all);
    for (size_t i = 0; i < all; i++) {
        *out++ = alphabet[symbols[i]];
        if (i % DATA == DATA - 1) {
            *out++ = alphabet[group_check(&symbols[i + 1 - DATA], i / DATA)];
        }
    }
    *out = '\0';
    sodium_memzero(bytes, sizeof(bytes));
    sodium_memzero(symbols, sizeof(symbols));
}

/* ---- what was typed ---- */

struct typed {
    size_t count; /* characters, without what only parts them */
    uint8_t symbol[TYPED_MAX];
    size_t odd_group; /* from 1: the first group, as it was typed, that is not of five; 0: none */
    size_t odd_size;
};

static uint8_t symbol_of(uint8_t character) {
    int letter = character >= 'a' && character <= 'z' ? character - 'a' + 'A' : character;
    letter = letter == 'O' ? '0' : letter;
    letter = letter == 'I' || letter == 'L' ? '1' : letter;
    const char *at = letter == '\0' ? NULL : strchr(alphabet, letter);
    return at == NULL ? UNKNOWN : (uint8_t)(at - alphabet);
}

static bool is_parting(uint8_t character) {
    return character == ' ' || character == '\t' || character == '\r' || character == '\n' ||
           character == '-';
}

/* False if it is far too long. */
static bool take_typed(struct slice text, struct typed *typed) {
    size_t group = 0;
    size_t size = 0;
    memset(typed, 0, sizeof(*typed));
    for (size_t i = 0; i <= text.size; i++) {
        if (i == text.size || is_parting(text.data[i])) {
            group += size > 0 ? 1 : 0;
            if (size > 0 && size != TICKET_GROUP && typed->odd_group == 0) {
                typed->odd_group = group;
                typed->odd_size = size;
            }
            size = 0;
        } else if (typed->count == TYPED_MAX) {
            return false;
        } else {
            typed->symbol[typed->count++] = symbol_of(text.data[i]);
            size++;
        }
    }
    return true;
}

static void ordinal(size_t number, char out[24]) {
    const char *end = number % 10 == 1   ? "st"
                      : number % 10 == 2 ? "nd"
                      : number % 10 == 3 ? "rd"
                                         : "th";
    snprintf(out, 24, "%zu%s", number, number >= 11 && number <= 13 ? "th" : end);
}

static bool group_is_good(const struct typed *typed, size_t group) {
    const uint8_t *symbol = &typed->symbol[group * TICKET_GROUP];
    for (size_t i = 0; i < TICKET_GROUP; i++) {
        if (symbol[i] == UNKNOWN) {
            return false;
        }
    }
    return group_check(symbol, group) == symbol[DATA];
}

static enum error_code say_group_size(const struct typed *typed, struct error *err) {
    char which[24];
    ordinal(typed->odd_group, which);
    error_set(err, ERR_FORM, "group %zu of the ticket has %zu characters", typed->odd_group,
              typed->odd_size);
    return error_say(err,
                     "The %s group of the ticket has %zu %s, and each has five. Compare it and "
                     "type it again.",
                     which, typed->odd_size, typed->odd_size == 1 ? "character" : "characters");
}

/* Names up to three wrong groups; when one character is missing or too much, all behind it are
 * wrong, and the first one is where to look. */
static enum error_code say_groups(const size_t *wrong, size_t count, struct error *err) {
    char which[SAID_MAX][24];
    error_set(err, ERR_FORM, "%zu groups of the ticket do not fit their checks", count);
    for (size_t i = 0; i < count && i < SAID_MAX; i++) {
        ordinal(wrong[i] + 1, which[i]);
    }
    if (count == 1) {
        return error_say(err, "The %s group of the ticket is wrong. Compare it and type it again.",
                         which[0]);
    }
    if (count == 2) {
        return error_say(err,
                         "The %s and the %s group of the ticket are wrong. Compare them and type "
                         "them again.",
                         which[0], which[1]);
    }
    if (count == 3) {
        return error_say(err,
                         "The %s, the %s and the %s group of the ticket are wrong. Compare them "
                         "and type them again.",
                         which[0], which[1], which[2]);
    }
    return error_say(err,
                     "The ticket is wrong from the %s group on: perhaps a character is missing "
                     "there or in the group before, or one is too many. Compare it and type it "
                     "again.",
                     which[0]);
}

static enum error_code check_groups(const struct typed *typed, struct error *err) {
    size_t wrong[TYPED_MAX / TICKET_GROUP];
    size_t count = 0;
    for (size_t i = 0; i < typed->count / TICKET_GROUP; i++) {
        if (!group_is_good(typed, i)) {
            wrong[count++] = i;
        }
    }
    return count == 0 ? ERR_OK : say_groups(wrong, count, err);
}

/* The groups are all in order; there may be too few or too many of them. */
static enum error_code check_count(const struct typed *typed, size_t all, struct error *err) {
    size_t has = typed->count / TICKET_GROUP;
    size_t wants = all / DATA;
    if (has == wants && typed->count % TICKET_GROUP == 0) {
        return ERR_OK;
    }
    error_set(err, ERR_FORM, "%zu characters, not %zu", typed->count, wants * TICKET_GROUP);
    return error_say(err, "The ticket has %zu groups of five, and should have %zu: %s.", has, wants,
                     has < wants ? "the end is missing" : "something is behind its end");
}

static enum error_code not_a_ticket(struct error *err) {
    error_set(err, ERR_FORM, "not the text of a ticket");
    return error_say(err, "This is no ticket: a ticket is a file, or groups of five letters and "
                          "digits.");
}

enum error_code ticket_get(struct slice typed_text, struct ticket *ticket, struct error *err) {
    struct typed typed;
    uint8_t symbols[SYMBOLS_MAX];
    uint8_t check[SYMBOLS_MAX];
    uint8_t bytes[BYTES_MAX + 2] = {0};
    size_t said = 0;
    size_t all = 0;
    memset(ticket, 0, sizeof(*ticket));
    if (!take_typed(typed_text, &typed) || typed.count < TICKET_GROUP) {
        return not_a_ticket(err);
    }
    if (typed.count % TICKET_GROUP != 0 && typed.odd_group > 1) {
        return say_group_size(&typed, err);
    }
    enum error_code code = check_groups(&typed, err);
    if (code == ERR_OK && typed.symbol[0] >> 2 != VERSION) {
        code = error_set(err, ERR_TOO_NEW, "ticket of version %u", typed.symbol[0] >> 2);
    }
    if (code == ERR_OK) {
        count_symbols(typed.symbol[0], &said, &all);
        code = check_count(&typed, all, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    for (size_t i = 0; i < all; i++) {
        symbols[i] = typed.symbol[i / DATA * TICKET_GROUP + i % DATA];
    }
    memcpy(check, symbols, said);
    add_check(check, said, all);
    for (size_t i = 1; i < said; i++) {
        size_t bit = (i - 1) * BITS;
        unsigned two = (unsigned)symbols[i] << (11 - bit % 8);
        bytes[bit / 8] = (uint8_t)(bytes[bit / 8] | two >> 8);
        bytes[bit / 8 + 1] = (uint8_t)(bytes[bit / 8 + 1] | (two & 255U));
    }
    ticket->code = (symbols[0] & 2U) != 0;
    ticket->ipv6 = (symbols[0] & 1U) != 0;
    from_bytes(bytes, ticket);
    if (memcmp(check, symbols, all) != 0) {
        memset(ticket, 0, sizeof(*ticket));
        error_set(err, ERR_FORM, "the ticket does not fit its check");
        code = error_say(err, "The ticket is mistyped in more than one place of one group. Compare "
                              "all of it and type it again.");
    }
    sodium_memzero(bytes, sizeof(bytes));
    return code;
}

void ticket_lines(const char *text, const char *indent, size_t per_line, struct buffer *out) {
    size_t groups = strlen(text) / TICKET_GROUP;
    for (size_t i = 0; i < groups; i++) {
        bool ends = i % per_line == per_line - 1 || i + 1 == groups;
        buffer_print(out, "%s%.*s%s", i % per_line == 0 ? indent : " ", TICKET_GROUP,
                     text + i * TICKET_GROUP, ends ? "\n" : "");
    }
}

struct digest32 ticket_hash(const struct event_id *event,
                            const uint8_t secret[TICKET_SECRET_SIZE]) {
    struct digest32 hash;
    crypto_generichash(hash.bytes, sizeof(hash.bytes), secret, TICKET_SECRET_SIZE, event->bytes,
                       sizeof(event->bytes));
    return hash;
}
