/*
 * address.h: "ADDR:PORT" as people and admit records write it, in one form.
 *
 * Numeric only: looking a name up would block ZeroMQ's thread, and with it every heartbeat, for as
 * long as a name server in the hall is silent. No I/O. Any thread.
 */
#ifndef BIBWEAVE_ADDRESS_H
#define BIBWEAVE_ADDRESS_H

#include "common/error.h"

#include <stdint.h>

enum { ADDRESS_TEXT_MAX = 64 };

/* "192.0.2.7:7117" or "[2001:db8::7]:7117"; an IPv4-mapped address is written as IPv4. */
struct address {
    char text[ADDRESS_TEXT_MAX];
    uint16_t port; /* 0: any free port, for listening only */
    bool any;      /* the unspecified address (0.0.0.0 or ::), for listening only */
};

/* Reads "ADDR:PORT"; ADDR may be "*" (all of this machine's) or "localhost". A "tcp://" in front is
 * stepped over. Errors: ERR_USAGE with a sentence. */
enum error_code address_parse(const char *text, struct address *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* The address `ip` (as ZeroMQ's Peer-Address gives it) with `port`; false if it is none. */
bool address_of(const char *ip, uint16_t port, struct address *out) __attribute__((nonnull));
bool address_equal(const struct address *a, const struct address *b) __attribute__((nonnull));
/* Whether the address is this very machine's loopback. */
bool address_loopback(const struct address *address) __attribute__((nonnull));

#endif
