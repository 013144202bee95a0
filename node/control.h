/*
 * control.h: commands on a folder whose node is running, over a Unix socket in that folder.
 *
 * The socket is `control`, 0600, in a folder that is 0700, and the other side's user must be ours
 * or root's. A message is four bytes of length (big-endian) and one item of deterministic CBOR:
 *   request = [verb: text, [* argument: text], json: bool, cwd: text, ? secret: bytes .size 32]
 *   answer  = [status: uint, out: bytes, err: bytes, more: bool]
 * Answers come in the order of the requests; one answer may come in several parts, all but the
 * last with `more`. A connection stays open for any number of requests.
 * The server never blocks and runs no verb itself: the loop takes requests from it and hands
 * answers back. The client blocks. One thread each.
 */
#ifndef BIBWEAVE_CONTROL_H
#define BIBWEAVE_CONTROL_H

#include "common/bytes.h"
#include "common/error.h"

#include <zmq.h>

enum {
    CONTROL_REQUEST_MAX = 65536,  /* bytes of a request's item */
    CONTROL_PART_MAX = 262144,    /* bytes of out and err in one part of an answer */
    CONTROL_CONNECTIONS_MAX = 64, /* at once; one more is told to try again */
    CONTROL_ARGUMENTS_MAX = 4096, /* arguments of a request */
    CONTROL_REQUEST_MS = 5000,    /* a request must be whole this long after its first byte */
    CONTROL_SECRET = 32,          /* bytes: the root key's seed, for the one act it is needed for */
    CONTROL_STUCK_MS = 30000,     /* who does not read an answer for this long is dropped */
};

/* ---- the node's side ---- */

struct control;

/* Makes the socket; one left by a killed node is replaced (the caller holds the folder's lock).
 * Errors: ERR_SOCKET, ERR_MEMORY. */
enum error_code control_listen(const char *dir, struct control **out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Ends all connections and removes the socket. NULL is fine. */
void control_close(struct control *control);

/* Fills in what to poll for; returns how many items, at most `max`. */
size_t control_poll(const struct control *control, zmq_pollitem_t *items, size_t max)
    __attribute__((nonnull));
/* Accepts, reads, writes and drops, without blocking. */
void control_step(struct control *control, struct mono_ms now) __attribute__((nonnull));
/* When control_step is wanted at the latest; INT64_MAX for never. */
struct mono_ms control_deadline(const struct control *control) __attribute__((nonnull));

struct control_request {
    uint64_t connection; /* a number that is not used again */
    const char *verb;
    const char *const *arguments; /* NULL-terminated too */
    size_t argument_count;
    bool json;
    const char *cwd;
    const uint8_t *secret; /* CONTROL_SECRET bytes, or NULL */
};
/* The next request of a connection that is owed no answer, round robin; false if there is none.
 * What *request points to lives until control_answer for that connection. */
bool control_next(struct control *control, struct control_request *request)
    __attribute__((nonnull));
/* Queues the answer to the connection of that number. Nothing happens if the asker has gone. */
void control_answer(struct control *control, uint64_t number, int status, struct slice out,
                    struct slice err) __attribute__((nonnull));
/* Whether the asker is still there; what the request pointed to is gone when not. */
bool control_alive(const struct control *control, uint64_t connection) __attribute__((nonnull));

/* ---- the command line's side ---- */

struct control_client {
    int fd;                /* -1 when closed */
    const uint8_t *secret; /* goes with the next request; borrowed; NULL for none */
};

/* Connects to the node that runs on `dir`. One attempt: where the folder is held and this fails
 * with ERR_NOT_FOUND (no socket, or nobody behind it), the holder is another command or a node
 * that is about to start or end; try again a little later.
 * Errors: ERR_NOT_FOUND, ERR_SOCKET, ERR_PERMISSION. */
enum error_code control_connect(const char *dir, struct control_client *client, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Asks and waits for the whole answer, appended to *out and *say, with the verb's exit status.
 * Errors: ERR_LIMIT (request too long), ERR_USAGE (not UTF-8), ERR_SOCKET (the node ended before
 * it answered: what was asked may or may not have been done), ERR_FORM, ERR_MEMORY. */
enum error_code control_ask(struct control_client *client, const char *verb,
                            const char *const *arguments, size_t argument_count, bool json,
                            const char *cwd, int *status, struct buffer *out, struct buffer *say,
                            struct error *err)
    __attribute__((nonnull(1, 2, 6, 7, 8, 9, 10), warn_unused_result));
void control_disconnect(struct control_client *client) __attribute__((nonnull));

#endif
