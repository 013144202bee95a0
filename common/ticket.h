/*
 * ticket.h: a ticket as people copy, dictate and photograph it, and a lead's code likewise.
 *
 * Crockford's alphabet (no I, L, O, U), upper case, in groups of five: four symbols that say
 * something and one that checks them and the group's place, so that a group that was mistyped,
 * turned round or put elsewhere can be named. Symbols, five bits each, most significant first:
 *   version (3 bits: 1), lead's code (1 bit), IPv6 (1 bit);
 *   the lead's CURVE key (256 bits); in a ticket the secret (80 bits);
 *   address (32 or 128 bits), port (16 bits); zero bits up to a whole symbol;
 *   two to five symbols, up to whole groups: the first bits of BLAKE2b-128 of all symbols so far.
 * A ticket with an IPv4 address has 20 groups, 100 characters, all of them in a QR code's
 * alphanumeric set. Any thread; no I/O.
 */
#ifndef BIBWEAVE_TICKET_H
#define BIBWEAVE_TICKET_H

#include "common/error.h"
#include "common/identity.h"

enum {
    TICKET_SECRET_SIZE = 10,
    TICKET_GROUP = 5,
    TICKET_GROUPS_MAX = 25,
    TICKET_TEXT_MAX = TICKET_GROUP * TICKET_GROUPS_MAX, /* without blanks */
};

struct ticket {
    bool code; /* a lead's code: key and address, and no secret */
    struct curve_public lead;
    uint8_t secret[TICKET_SECRET_SIZE];
    bool ipv6;
    uint8_t ip[16]; /* of IPv4 the first four */
    uint16_t port;
};

/* The text without blanks, and a NUL. */
void ticket_put(const struct ticket *ticket, char out[TICKET_TEXT_MAX + 1])
    __attribute__((nonnull));
/* Reads what somebody typed: blanks, hyphens and line breaks anywhere, either case, O for 0, I and
 * L for 1. Errors: ERR_FORM, whose sentence names the groups that are wrong; ERR_TOO_NEW. */
enum error_code ticket_get(struct slice typed_text, struct ticket *ticket, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Appends the text in groups, `per_line` of them in a line, each line behind `indent`. */
void ticket_lines(const char *text, const char *indent, size_t per_line, struct buffer *out)
    __attribute__((nonnull));

/* What a record says of a secret: BLAKE2b-256, keyed with the event id. */
struct digest32 ticket_hash(const struct event_id *event, const uint8_t secret[TICKET_SECRET_SIZE])
    __attribute__((nonnull));

#endif
