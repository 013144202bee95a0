/*
 * client.h: a command from the command line: finds out whether a node runs on the folder, and
 * forwards the command to it or opens the folder and acts. The only part of the program besides
 * the node's log that prints. One thread.
 */
#ifndef BIBWEAVE_CLIENT_H
#define BIBWEAVE_CLIENT_H

#include "node/verb.h"

/* Runs `verb` with call's arguments, prints, and returns the exit status. `copy` is a copy of the
 * folder's ledger to read instead (a child of a node does that), or NULL. */
int client_run(const struct verb *verb, struct verb_call *call, const char *copy)
    __attribute__((nonnull(1, 2)));
/* Prints what the call's buffers hold and empties them; 3 if that could not be done, else the
 * call's status. */
int client_print(struct verb_call *call) __attribute__((nonnull));

#endif
