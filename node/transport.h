/*
 * transport.h: messages between stations, by the key that sent them.
 *
 * One ROUTER that all may call and a DEALER to each station that we call, all with CURVE; there is
 * no plaintext mode. A peer is its CURVE key as proven by the handshake and read from each message
 * (User-Id), never a routing id. A *road* is a way to a peer: a connection of ours that is open,
 * or one of its own on which it was heard within SYNC_SILENCE_MS. What is sent goes by the road
 * that was heard last, and is dropped when no road takes it: nothing is ever promised here.
 * One thread, the loop's; it never blocks. It knows nothing of records.
 */
#ifndef BIBWEAVE_TRANSPORT_H
#define BIBWEAVE_TRANSPORT_H

#include "node/callers.h"
#include "node/dial.h"
#include "node/link.h"

enum {
    TRANSPORT_PEERS_MAX = 320,    /* with a road, at once */
    TRANSPORT_STRANGERS_MAX = 64, /* of these, whose keys are no station's that is known here */
    TRANSPORT_LISTEN_MAX = 8,
    TRANSPORT_POLL_MAX = 2 * DIAL_MAX + 4,
};

struct transport_config {
    struct curve_public curve_public;
    struct curve_secret curve_secret;
    uint8_t seed[32]; /* fresh random bytes */
    const char *dir;  /* where the file `peers` is kept; NULL for nowhere */
    int64_t silence_ms;
    size_t listen_count;
    struct address listen[TRANSPORT_LISTEN_MAX];
};

struct transport;
/* Binds, and then calls itself without CURVE and makes sure that this does not open (waiting a
 * third of a second at most). Errors: ERR_SOCKET (an address is taken or not this machine's; or
 * the test got in: the program must not run), ERR_MEMORY. */
enum error_code transport_open(const struct transport_config *config, struct transport **out,
                               struct error *err) __attribute__((nonnull, warn_unused_result));
void transport_close(struct transport *transport); /* NULL is fine */
/* Where it listens, with real ports; returns how many, at most `max`. */
size_t transport_listening(const struct transport *transport, struct address *out, size_t max)
    __attribute__((nonnull));
/* Its dials: who is called. */
struct dialer *transport_dialer(struct transport *transport) __attribute__((nonnull));

/* Fills in what to poll for: with `messages` false not for messages, while there is no room for
 * what they bring. */
size_t transport_poll(const struct transport *transport, bool messages, zmq_pollitem_t *items,
                      size_t max) __attribute__((nonnull));
/* Handshakes, dials, roads that fell silent. */
void transport_step(struct transport *transport, struct mono_ms now) __attribute__((nonnull));
struct mono_ms transport_deadline(const struct transport *transport) __attribute__((nonnull));

enum transport_event_kind {
    TRANSPORT_UP, /* a connection of ours to `peer` was opened; more than once if there are more */
    TRANSPORT_DOWN,    /* `peer` has no road any more */
    TRANSPORT_MESSAGE, /* from `peer` */
    TRANSPORT_STRANGE, /* see DIAL_STRANGE */
    TRANSPORT_SELF,    /* see DIAL_SELF */
    TRANSPORT_PARTS,   /* `peer` sends messages in parts, which no station does; said once a peer */
    TRANSPORT_REFUSED, /* something that speaks another protocol, or without CURVE, was refused */
    TRANSPORT_HUNG_UP, /* somebody was hung up on, see callers.h; said about once a minute */
};
struct transport_event {
    enum transport_event_kind kind;
    struct curve_public peer;
    struct slice message; /* borrowed until the next call of transport_next */
    const char *ip; /* of MESSAGE, where the peer called: its address without a port; or NULL */
    struct callers_hung_up hung_up; /* of HUNG_UP */
    struct address address;         /* of UP, STRANGE, SELF */
    bool was_strange;               /* of UP */
};
/* The next event; of messages one from each peer's connection in turn. Without `messages` only
 * what has nothing to do with them. False when there is none. */
bool transport_next(struct transport *transport, bool messages, struct mono_ms now,
                    struct transport_event *event) __attribute__((nonnull));

/* Hands a message of at most LINK_BODY_MAX bytes to a road of the peer; false if it was dropped. */
bool transport_send(struct transport *transport, const struct curve_public *peer,
                    struct slice message) __attribute__((nonnull));

struct transport_counts {
    uint64_t dropped;    /* messages that no road took */
    uint64_t nameless;   /* messages without a proven key, or beyond the bounds above */
    uint64_t parts;      /* frames beyond the one that a message has */
    uint64_t muted;      /* messages of those who had just been hung up on for a flood */
    uint64_t refused;    /* connections refused */
    uint64_t wrong_keys; /* of those who tried another key than ours, as stations do at --peer */
};
struct transport_counts transport_counts(const struct transport *transport)
    __attribute__((nonnull));

#endif
