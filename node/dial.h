/*
 * dial.h: outgoing connections: who is called, with which key, and when again.
 *
 * Two kinds of dials. A *fixed* one has an address (`--peer`) and no key: CURVE needs the server's
 * key, so the keys of the admitted stations are tried one after another until one opens, and the
 * one that did is remembered in the file `peers` of the data folder. A *learned* one has both,
 * from an admit record, from another peer, from a beacon or from `peers`, and exists only while
 * that station has no road. Each dial is a DEALER and its monitor. One thread, the loop's; it never
 * blocks.
 */
#ifndef BIBWEAVE_DIAL_H
#define BIBWEAVE_DIAL_H

#include "common/identity.h"
#include "node/address.h"

#include <zmq.h>

enum {
    DIAL_MAX = 512,           /* dials at once */
    DIAL_STATIONS_MAX = 1024, /* stations that are called */
    DIAL_ADDRESSES_MAX = 4,   /* of one station that are tried at the same time */
};

struct dial_config {
    struct curve_public curve_public;
    struct curve_secret curve_secret;
    uint8_t seed[32]; /* for jitter */
    const char *dir;  /* where `peers` is kept; NULL for nowhere */
};
struct dial_station {
    struct curve_public key;
    bool lead; /* tried first */
    size_t address_count;
    struct address address[DIAL_ADDRESSES_MAX];
};

struct dialer;
/* Errors: ERR_MEMORY. A `peers` file that cannot be read is as good as none. */
enum error_code dial_new(void *context, const struct dial_config *config, struct dialer **out,
                         struct error *err) __attribute__((nonnull, warn_unused_result));
void dial_free(struct dialer *dialer); /* NULL is fine */

/* Who may be at an address, without this station itself. Trying begins anew. ERR_MEMORY: as before.
 */
enum error_code dial_stations(struct dialer *dialer, const struct dial_station *stations,
                              size_t count, struct mono_ms now, struct error *err)
    __attribute__((nonnull(1, 5), warn_unused_result));
/* Calls this address for as long as the node runs. Twice the same is once. Errors: ERR_LIMIT,
 * ERR_MEMORY. */
enum error_code dial_fixed(struct dialer *dialer, const struct address *address, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* A further address of a station, from a peer: a hint, dropped when it does not fit. */
void dial_hint(struct dialer *dialer, const struct curve_public *key, const struct address *address)
    __attribute__((nonnull));
/* Whether `key` has called us (its messages reach our ROUTER): then it need not be called. */
void dial_called(struct dialer *dialer, const struct curve_public *key, bool called,
                 struct mono_ms now) __attribute__((nonnull));
/* Whether `key` is one of the stations. */
bool dial_is_station(const struct dialer *dialer, const struct curve_public *key)
    __attribute__((nonnull));

/* Reads the monitors and does what is due. Events are to be taken after it, before anything is
 * sent: a socket that went down is closed already. */
void dial_step(struct dialer *dialer, struct mono_ms now) __attribute__((nonnull));
struct mono_ms dial_deadline(const struct dialer *dialer) __attribute__((nonnull));

enum dial_event_kind {
    DIAL_UP,      /* `socket` leads to `key` */
    DIAL_DOWN,    /* it does not any more */
    DIAL_STRANGE, /* what answers at `address` opens with no key that is known here; said once */
    DIAL_SELF,    /* `address` is this station's own; said once */
};
struct dial_event {
    enum dial_event_kind kind;
    void *socket;
    int fd; /* of the connection, as its monitor told; not to be touched */
    struct curve_public key;
    struct address address;
    bool was_strange; /* with UP: a STRANGE was said about this address, and is over */
};
bool dial_next(struct dialer *dialer, struct dial_event *event) __attribute__((nonnull));

/* For polling and reading: the dials, by index; `socket` is NULL unless the dial is up. */
size_t dial_count(const struct dialer *dialer) __attribute__((nonnull));
void *dial_socket(const struct dialer *dialer, size_t index, struct curve_public *key)
    __attribute__((nonnull));
/* Fills in what to poll for; messages too with `messages`. Returns how many items, at most max. */
size_t dial_poll(const struct dialer *dialer, bool messages, zmq_pollitem_t *items, size_t max)
    __attribute__((nonnull));

#endif
