/*
 * sync_message.h: the messages between stations, read and written as sync.cddl says.
 *
 * Reading checks the whole form before anything is believed, and borrows from the bytes. Whether
 * a message may be heeded (session, admission) is not asked here.
 * Any thread; no I/O.
 */
#ifndef BIBWEAVE_SYNC_MESSAGE_H
#define BIBWEAVE_SYNC_MESSAGE_H

#include "common/canon.h"
#include "common/sync.h"

enum {
    SYNC_MESSAGE_ROADS_MAX = 64,
    SYNC_MESSAGE_PARTS_MAX = 32, /* batches of one answer */
    /* Raw records put into one message: with a three-byte head for each (none is under 100 bytes)
     * and the message's own fields, the message stays under SYNC_MESSAGE_MAX. */
    SYNC_MESSAGE_RECORD_BYTES = 61440,
};

enum sync_message_kind {
    SYNC_MESSAGE_HELLO = 0,
    SYNC_MESSAGE_HAVE = 1,
    SYNC_MESSAGE_WANT = 2,
    SYNC_MESSAGE_BATCH = 3,
    SYNC_MESSAGE_PUSH = 4,
    SYNC_MESSAGE_BEAT = 5,
    SYNC_MESSAGE_ROADS = 6,
    SYNC_MESSAGE_OTHER = 7, /* a kind that this program does not know: to be ignored */
};

/* What follows a batch. */
enum sync_message_more {
    SYNC_MESSAGE_DONE = 0,    /* nothing: the run has reached the target */
    SYNC_MESSAGE_FOLLOWS = 1, /* a further batch of this answer */
    SYNC_MESSAGE_ASK = 2,     /* the credit is used up: ask for the rest */
};

/* One message. Which fields mean something depends on the kind; see sync.cddl. */
struct sync_message {
    enum sync_message_kind kind;
    uint64_t from, to; /* nonces; in hello `from` is the sender's own */
    /* hello. With another `version` than SYNC_VERSION nothing behind it was read. */
    uint64_t version;
    bool has_to; /* the sender knows the receiver's nonce */
    struct event_id event;
    struct sign_public key;
    uint16_t port;
    struct slice proof;
    struct wall_ms wall; /* hello, beat; never negative */
    struct log_id log;   /* hello (the sender's), want, batch, push */
    /* want, batch */
    uint8_t target[16];
    /* want */
    size_t point_count;
    struct record_seen point[LEDGER_SPACED_MAX];
    uint64_t credit;
    uint8_t part; /* batch: its place in the answer, from 0, under SYNC_MESSAGE_PARTS_MAX */
    enum sync_message_more more; /* batch */
    struct digest32 hash;        /* beat */
    /* have: logs; batch, push: raw records; roads: addresses. Encoded items, one after the other;
     * their form has been checked. */
    size_t list_count;
    struct slice list;
};

/* Reads one message. False if it is too long, not deterministic CBOR, or not of the form of its
 * kind; *message is undefined then. */
bool sync_message_read(struct slice bytes, struct sync_message *message)
    __attribute__((nonnull, warn_unused_result));

/* Appends the message to *out (whose `failed` tells when memory ran out). A message that was read
 * is written back to the same bytes. */
void sync_message_write(const struct sync_message *message, struct buffer *out)
    __attribute__((nonnull));

/* ---- items of lists: `next` takes one from a reader over `list`; false at the end ---- */

struct sync_message_log {
    struct log_id log;
    size_t head_count; /* at least 1 */
    struct record_seen head[LEDGER_HEADS_PER_LOG_MAX];
};
bool sync_message_next_log(struct canon_reader *list, struct sync_message_log *entry)
    __attribute__((nonnull));
/* `count` heads of one log, at most LEDGER_HEADS_PER_LOG_MAX. */
void sync_message_put_log(const struct ledger_head *heads, size_t count, struct buffer *out)
    __attribute__((nonnull));

bool sync_message_next_raw(struct canon_reader *list, struct slice *raw) __attribute__((nonnull));
/* Puts `count` raw records that stand one after the other in `records`. False if they do not. */
bool sync_message_put_raws(struct slice records, size_t count, struct buffer *out)
    __attribute__((nonnull, warn_unused_result));

struct sync_message_road {
    struct curve_public curve;
    char address[SYNC_ADDRESS_MAX + 1];
};
bool sync_message_next_road(struct canon_reader *list, struct sync_message_road *road)
    __attribute__((nonnull));
void sync_message_put_road(const struct sync_message_road *road, struct buffer *out)
    __attribute__((nonnull));
/* 1 to SYNC_ADDRESS_MAX printable ASCII characters without blanks. */
bool sync_message_is_address(struct slice text);

#endif
