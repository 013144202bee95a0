/*
 * client.h: somebody on the wire who is not a station of ours, or no longer an honest one: a CURVE
 * connection to a running node, with keys from a data folder or fresh ones, and whatever messages.
 *
 * For tests/hostile alone. Sends to one address, for a bounded time. Every call ends the process
 * with a sentence when the machine fails it: what the node does is never such a failure.
 */
#ifndef BIBWEAVE_TESTS_HOSTILE_CLIENT_H
#define BIBWEAVE_TESTS_HOSTILE_CLIENT_H

#include "common/sync_message.h"
#include "node/link.h"

struct client_options {
    const char *dir;    /* a station's folder, no node running on it: event, keys, ledger */
    const char *target; /* name of the station that is called */
    const char *at;     /* its address and port */
    const char *as;     /* folder of another event, as whose station it comes; or NULL */
    const char *claim;  /* folder of another event, whose records it brings; or NULL */
    bool stranger;      /* with a fresh key on the wire instead of the station's */
    int64_t for_ms;
    uint64_t count; /* meaning depends on the mode */
};

struct client_counts {
    uint64_t sent, sent_bytes,
        refused;                 /* refused: by the own full queue, now and then tried again */
    uint64_t heard, heard_bytes; /* messages: what libzmq says for itself is not among them */
    uint64_t dropped;            /* times that the node hung up */
};

struct client {
    struct client_options options;
    struct ledger *ledger; /* of the folder */
    struct ledger_event event;
    struct station_keys keys;   /* of the folder's station */
    struct curve_public curve;  /* that is shown on the wire */
    struct curve_secret secret; /* likewise */
    struct curve_public server; /* of the target */
    struct buffer proof;        /* of the folder's station's admission */
    void *context, *socket, *monitor;
    int64_t end;                 /* by the machine's clock, ms */
    uint64_t nonce, other_nonce; /* of the session; other_nonce 0: none yet */
    uint64_t draws;
    struct client_counts counts;
    struct buffer out; /* the message that is being made */
};

__attribute__((noreturn, format(printf, 1, 2))) void client_fail(const char *format, ...);

void client_open(const struct client_options *options, struct client *client);
void client_close(struct client *client);
bool client_time(const struct client *client); /* whether there is any left */
uint64_t client_draw(struct client *client);   /* numbers by chance, the same in every run */
/* Draws `size` bytes. */
void client_bytes(struct client *client, void *out, size_t size);

/* Puts a message on its way; waits while the queue is full, as long as there is time. */
void client_send(struct client *client, struct slice message);
void client_send_message(struct client *client, const struct sync_message *message);
/* Counts and throws away what has come, at most for `wait_ms`. Remembers the nonce of a hello. */
void client_listen(struct client *client, long wait_ms);

/* A hello as the folder's station, with or without its proof. */
struct sync_message client_hello(const struct client *client, bool proof);
/* Says hello until the other side has answered; false if it never does in the time. */
bool client_begin_session(struct client *client);
/* A message of the session of this kind, to be filled in. */
struct sync_message client_compose(const struct client *client, enum sync_message_kind kind);

/* A log that grows record by record, signed by `keys` for `event`. */
struct client_log {
    struct station_keys keys;
    struct event_id event;
    struct log_id id;
    uint64_t number;
    struct record_id head;
    bool broken; /* sign wrongly from now on */
};
/* Begins one, and appends its `open` to *out as an item of a list of raw records. */
void client_log_open(struct client *client, const struct station_keys *keys,
                     const struct event_id *event, bool broken, struct client_log *log,
                     struct buffer *out);
/* Appends an issue of the bib `number`, likewise. */
void client_log_issue(struct client *client, struct client_log *log, uint64_t number,
                      struct buffer *out);

#endif
