/*
 * beacon.h: how stations on one network find each other: a small signed UDP message every three
 * seconds or so, by IPv4 broadcast, to an IPv4 multicast group of local scope and to an IPv6 group
 * of link-local scope. A hint and nothing more: who hears it calls the station there by CURVE.
 *
 *   beacon = [1, event: bstr .size 8, who: bstr .size 16, port: 1..65535, signature: bstr .size 64]
 *
 * `event` is BLAKE2b-64 keyed with the event id, `who` BLAKE2b-128 of the station's CURVE key: a
 * stranger learns no name, no event and no key, and without the key cannot even shake hands. The
 * station's signing key signs ["bibweave beacon", event id, who, port]. The address is the one that
 * the message came from, so a replay from elsewhere costs its hearers one call that does not open.
 * One thread, the loop's; it never blocks.
 */
#ifndef BIBWEAVE_BEACON_H
#define BIBWEAVE_BEACON_H

#include <zmq.h>

#include "common/identity.h"
#include "node/address.h"

enum {
    BEACON_PORT = 7117, /* UDP, unless said */
    BEACON_SIZE_MAX = 128,
    BEACON_EVERY_MS = 3000,
    BEACON_STATIONS_MAX = 1024,
};

/* ---- the message ---- */

struct beacon_who {
    uint8_t bytes[16];
};
struct beacon_said {
    uint8_t event[8];
    struct beacon_who who;
    uint16_t port;
    uint8_t signature[64];
};
struct beacon_who beacon_who(const struct curve_public *curve) __attribute__((nonnull));
void beacon_put(const struct event_id *event, const struct station_keys *keys, uint16_t port,
                struct buffer *out) __attribute__((nonnull));
/* The form alone. */
bool beacon_get(struct slice bytes, struct beacon_said *said)
    __attribute__((nonnull, warn_unused_result));
/* Whether a station with this signing key of this event said it. */
bool beacon_verify(const struct beacon_said *said, const struct event_id *event,
                   const struct sign_public *key) __attribute__((nonnull));

/* ---- the sockets ---- */

/* What is heard on a UDP port; for whoever joins, too, who has no event yet. */
struct beacon_ears {
    int ipv4, ipv6; /* -1: none */
    uint16_t port;
};
/* False if the port cannot be had on either. Other stations on this machine may have it as well. */
bool beacon_ears_open(uint16_t port, struct beacon_ears *ears)
    __attribute__((nonnull, warn_unused_result));
void beacon_ears_close(struct beacon_ears *ears) __attribute__((nonnull));
/* Listens to the groups on all interfaces that there are now. */
void beacon_ears_join(const struct beacon_ears *ears) __attribute__((nonnull));
/* The next message of the right form, and the address that its sender means; false when no more
 * wait. */
bool beacon_ears_next(const struct beacon_ears *ears, struct beacon_said *said,
                      struct address *address) __attribute__((nonnull));

/* --beacon: "off" is 0, absent (NULL) is BEACON_PORT. Errors: ERR_USAGE. */
enum error_code beacon_option(const char *value, uint16_t *port, struct error *err)
    __attribute__((nonnull(2, 3), warn_unused_result));

/* ---- a station's beacon ---- */

struct beacon_config {
    struct event_id event;
    struct station_keys keys;
    uint8_t seed[32]; /* for jitter */
    uint16_t port;    /* UDP */
    size_t listen_count;
    const struct address *listen; /* where the station can be called; borrowed for the call */
};
struct beacon_station {
    struct curve_public curve;
    struct sign_public key;
};

struct beacon;
/* *out is NULL, and that is no error, for a station that is reached from its own machine only.
 * Errors: ERR_SOCKET (the port cannot be had: others must be found without a beacon),
 * ERR_MEMORY. */
enum error_code beacon_open(const struct beacon_config *config, struct beacon **out,
                            struct error *err) __attribute__((nonnull, warn_unused_result));
void beacon_close(struct beacon *beacon); /* NULL is fine, here and below */
/* Whose beacons count; more than BEACON_STATIONS_MAX are left out. */
void beacon_stations(struct beacon *beacon, const struct beacon_station *stations, size_t count)
    __attribute__((nonnull(2)));
size_t beacon_poll(const struct beacon *beacon, zmq_pollitem_t *items, size_t max)
    __attribute__((nonnull(2)));
/* Says that the station is here, when it is due. */
void beacon_step(struct beacon *beacon, struct mono_ms now);
struct mono_ms beacon_deadline(const struct beacon *beacon);
/* The next station that was heard: each at most once a second, and verified. False when there is
 * none, or a bound for one turn is reached. */
bool beacon_next(struct beacon *beacon, struct mono_ms now, struct curve_public *curve,
                 struct address *address) __attribute__((nonnull(3, 4)));

#endif
