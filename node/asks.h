/*
 * asks.h: what is asked of a running node by commands: the control socket, the verbs behind it,
 * the jobs that go on in steps, and the long ones on a copy.
 *
 * It does one thing at a time and returns, so that the loop can show what was written to the peers
 * and keep its order. One thread, the ledger's.
 */
#ifndef BIBWEAVE_ASKS_H
#define BIBWEAVE_ASKS_H

#include "node/control.h"
#include "node/verb.h"

struct asks_config {
    const char *dir; /* borrowed, as are the others */
    struct station *station;
    struct sync *sync;
    struct table *table;
};

struct asks;
/* Opens the control socket. Errors: ERR_SOCKET, ERR_MEMORY. */
enum error_code asks_new(const struct asks_config *config, struct asks **out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void asks_free(struct asks *asks); /* NULL is fine */

size_t asks_poll(const struct asks *asks, zmq_pollitem_t *items, size_t max)
    __attribute__((nonnull));
struct mono_ms asks_deadline(const struct asks *asks) __attribute__((nonnull));
/* Whether asks_work has something to do. */
bool asks_waiting(const struct asks *asks) __attribute__((nonnull));

/* Reads and writes the control socket and the pipes of a child, and drops what belonged to askers
 * who are gone. */
void asks_read(struct asks *asks, struct mono_ms now) __attribute__((nonnull));

enum asks_done {
    ASKS_NOTHING, /* there was nothing to do */
    ASKS_DONE,
    ASKS_TROUBLE, /* a verb ended with status 3: the ledger may have failed */
};
/* Serves the next request: runs its verb, or puts it where its turn comes. */
enum asks_done asks_serve(struct asks *asks) __attribute__((nonnull));
/* One step of a job in turn, and one slice of a copy. */
enum asks_done asks_work(struct asks *asks) __attribute__((nonnull));

#endif
