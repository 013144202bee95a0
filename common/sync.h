/*
 * sync.h: the gossip between stations as a state machine without I/O.
 *
 * Events come in by sync_step (a peer's message, a tick, own records committed, a batch stored);
 * work orders go out by sync_next (send this, store that, tell people). Between them the machine
 * only reads the ledger. No clock: every event carries the time. No randomness: nonces come from
 * the seed. The same code runs under ZeroMQ and in the simulator. Messages: sync.cddl.
 * One thread, the ledger's.
 */
#ifndef BIBWEAVE_SYNC_H
#define BIBWEAVE_SYNC_H

#include "common/ledger.h"
#include "common/pairs.h"

enum {
    SYNC_VERSION = 1,
    SYNC_MESSAGE_MAX = 65536,     /* bytes of one message */
    SYNC_PEERS_MAX = 256,         /* peers remembered at once */
    SYNC_CREDIT_BYTES = 262144,   /* records that may be in flight for one want */
    SYNC_PUSH_BYTES = 65536,      /* own records pushed to one peer ahead of its receipts */
    SYNC_WANTS_PER_PEER = 4,      /* logs fetched from one peer at once */
    SYNC_STRANGER_BYTES = 4096,   /* a stranger may send a hello of this size, and nothing else */
    SYNC_GATHER_MS = 50,          /* announcements wait this long for company */
    SYNC_BEAT_MS = 1000,          /* heartbeat with clock and heads hash */
    SYNC_SILENCE_MS = 4000,       /* a peer not heard for this long is away */
    SYNC_FETCH_TIMEOUT_MS = 2000, /* a fetch without progress goes to another peer */
    SYNC_COMPARE_MS = 2000,       /* hashes that differ this long bring a full `have` */
    SYNC_LOGS_PER_PEER = 4096,    /* logs of one peer that are remembered; of more, those lacked */
    SYNC_HEADS_PER_PEER = 8192,   /* heads in all of them */
    SYNC_ADDRESS_MAX = 63,        /* bytes of "192.0.2.7:7117" or "[2001:db8::7]:7117" */
};

struct sync;

struct sync_config {
    struct ledger *ledger; /* borrowed for the machine's life */
    struct station_keys keys;
    uint8_t seed[32]; /* fresh random bytes for each machine: nonces and jitter come from it */
    uint16_t port;    /* where others reach us; 0 for nowhere */
};

enum sync_event_kind {
    SYNC_PEER_UP, /* the transport has a road to `peer`, who is then greeted: one that this station
                     dialled, never one on which a stranger called (strangers hear nothing) */
    SYNC_PEER_DOWN, /* it has none any more */
    SYNC_MESSAGE,   /* `message` came from `peer`, whose CURVE key the transport has proven */
    SYNC_TICK,      /* time has passed; also notices records that came another way (carried in) */
    SYNC_APPENDED,  /* own records were committed to `log` */
    SYNC_STORED,    /* a STORE order was carried out and committed, or refused: `taken` */
};
struct sync_event {
    enum sync_event_kind kind;
    struct mono_ms now; /* never before that of the event before */
    struct wall_ms wall;
    struct curve_public peer;        /* identity of a peer on the wire; for STORED: of the order */
    struct slice message;            /* borrowed for the call */
    struct log_id log;               /* for APPENDED; for STORED: of the order */
    const struct pairs_taken *taken; /* for STORED; NULL when a fault of this machine's own kept the
                                        host from trying: it will be asked for again */
};

enum sync_order_kind {
    SYNC_SEND,  /* `bytes` to `peer`; dropping it is allowed, order is not promised */
    SYNC_STORE, /* hand `records` (one log, in order) to pairs_take, commit, answer with STORED;
                   STORE orders are carried out in the order in which they came */
    SYNC_ALARM, /* tell people: `alarm` */
    SYNC_ROAD,  /* `peer` can be reached at `address`: connect when it is not connected */
};
struct sync_order {
    enum sync_order_kind kind;
    struct curve_public peer;        /* of SEND, STORE (from whom) and ROAD */
    struct slice bytes;              /* of SEND: at most SYNC_MESSAGE_MAX */
    const struct slice *records;     /* of STORE */
    size_t record_count;             /* of STORE, at least 1 */
    struct log_id log;               /* of STORE */
    const struct pairs_alarm *alarm; /* of ALARM: "version", "foreign" or "unsound" */
    const char *address;             /* of ROAD: "192.0.2.7:7117", printable ASCII, a hint only */
};

/* Makes the ledger durable first: peers are shown nothing that a power cut could take.
 * Errors: ERR_MEMORY, or the ledger's. */
enum error_code sync_new(const struct sync_config *config, struct sync **out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void sync_free(struct sync *sync); /* NULL is fine */

/* Which log this station writes: to be called once after sync_new, and whenever a new incarnation
 * begins. Sessions begin anew: a peer may have other beliefs about the log that was left. */
void sync_log_changed(struct sync *sync, const struct log_id *log) __attribute__((nonnull));

/* Feeds one event. Never called inside a transaction, so that only what is committed is shown to
 * peers. Bad input from a peer is never an error: it is counted and, where people should know,
 * becomes an ALARM. Errors: ERR_MEMORY, or the ledger's when reading fails; what could not be done
 * then is left out, as if a message had been lost, and the machine goes on. */
enum error_code sync_step(struct sync *sync, const struct sync_event *event, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* The next work order, or NULL. Borrowed until the next sync_next or sync_step. All orders of a
 * step are taken before the next step. */
const struct sync_order *sync_next(struct sync *sync) __attribute__((nonnull));

/* When the machine next wants a TICK, at the latest. */
struct mono_ms sync_deadline(const struct sync *sync) __attribute__((nonnull));

/* The transport reached `peer` at `address` (its ROUTER, not the port that a caller happened to
 * have): other peers are told, so that a star grows into a mesh. Ignored for a peer that is not
 * known, and when it is no short printable text. */
void sync_road(struct sync *sync, const struct curve_public *peer, const char *address)
    __attribute__((nonnull));
/* The port that `peer` listens on, as its hello said; 0 when it said none or was not heard. */
uint16_t sync_port(const struct sync *sync, const struct curve_public *peer)
    __attribute__((nonnull));

struct sync_peer {
    struct curve_public curve;
    struct sign_public key;         /* zeros until it is known */
    char name[RECORD_TEXT_MAX + 1]; /* "" until it is known */
    bool connected;                 /* in session, and heard within SYNC_SILENCE_MS */
    struct mono_ms last_heard;      /* ms; 0 for never in this process */
    uint64_t behind;                /* records it is known to hold that are not held here */
    int64_t clock_offset_ms;        /* its wall clock less ours, as last heard */
    bool same;                      /* its last heads hash was ours */
};
/* Peers that the machine knows, in the order of their keys; returns how many, at most `max`. */
size_t sync_peers(const struct sync *sync, struct sync_peer *out, size_t max)
    __attribute__((nonnull));

struct sync_counts { /* since sync_new; for status, benchmarks and the simulator */
    uint64_t messages_in, messages_out, bytes_in, bytes_out;
    uint64_t refused; /* messages of strangers, malformed ones, and what is beyond a bound */
    uint64_t stale;   /* messages of another session, and answers that nobody waits for any more */
    uint64_t stores, wants, timeouts, full_haves;
    size_t memory; /* bytes held for peers and fetches now */
};
struct sync_counts sync_counts(const struct sync *sync) __attribute__((nonnull));

#endif
