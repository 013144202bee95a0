/*
 * interfaces.h: the addresses of this machine at which others may reach it. Any thread; no state.
 */
#ifndef BIBWEAVE_INTERFACES_H
#define BIBWEAVE_INTERFACES_H

#include "node/address.h"

enum { INTERFACES_MAX = 32 };

struct interface_address {
    unsigned index; /* of the interface */
    bool ipv6;
    uint8_t ip[16]; /* of IPv4 the first four */
    bool has_broadcast;
    struct address address; /* with the port that was asked for */
};

/* Addresses of interfaces that are up, at most INTERFACES_MAX: IPv4 first. Not the loopback's, and
 * not IPv6's link-local ones, which mean nothing without an interface's name. Returns how many; 0
 * also when the system does not say. */
size_t interfaces_list(uint16_t port, struct interface_address out[INTERFACES_MAX])
    __attribute__((nonnull));

#endif
