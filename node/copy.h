/*
 * copy.h: commands that read much (export, verify, ...) on a running node: done by a child on a
 * copy of the ledger, so that the tables go on issuing.
 *
 * The copy is made through SQLite's backup API in slices of about 2 ms (copying the file of a live
 * WAL database loses what was committed last), into the data folder (into memory when its disk is
 * full), and removed afterwards. One command at a time; a few more wait. One thread, the ledger's;
 * it never blocks.
 */
#ifndef BIBWEAVE_COPY_H
#define BIBWEAVE_COPY_H

#include "common/ledger.h"
#include "node/control.h"

enum {
    COPY_QUEUE_MAX = 8, /* commands that wait, beside the one that is being done */
    COPY_SLICE_MS = 2,
    COPY_OUT_MAX = 67108864, /* bytes that a child may print */
};

struct copies;
/* Removes copies that a killed node left. Errors: ERR_MEMORY. */
enum error_code copy_new(const char *dir, struct ledger *ledger, struct copies **out,
                         struct error *err) __attribute__((nonnull, warn_unused_result));
/* Ends the child and removes the copy. NULL is fine. */
void copy_free(struct copies *copies);

/* Puts a command into the queue. Errors: ERR_BUSY (too many wait), ERR_MEMORY. */
enum error_code copy_add(struct copies *copies, const struct control_request *request,
                         struct error *err) __attribute__((nonnull, warn_unused_result));
/* Forgets the commands of a connection that is gone. */
void copy_cancel(struct copies *copies, uint64_t connection) __attribute__((nonnull));
/* The connections with a command in hand or waiting; at most `max`. */
size_t copy_connections(const struct copies *copies, uint64_t *out, size_t max)
    __attribute__((nonnull));

/* Whether copy_step has a slice to do. */
bool copy_due(const struct copies *copies) __attribute__((nonnull));
/* Does one slice of a copy, or starts the child. */
void copy_step(struct copies *copies) __attribute__((nonnull));
size_t copy_poll(const struct copies *copies, zmq_pollitem_t *items, size_t max)
    __attribute__((nonnull));
/* Reads what the child printed, and sees whether it has ended (after SIGCHLD, too). */
void copy_read(struct copies *copies) __attribute__((nonnull));

struct copy_answer {
    uint64_t connection;
    int status;
    struct slice out, err; /* borrowed until the next call */
};
/* The answer to a command that is done; false if there is none. */
bool copy_next(struct copies *copies, struct copy_answer *answer) __attribute__((nonnull));

#endif
