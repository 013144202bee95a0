/*
 * desk_terminal.h: the desk at a terminal, in the command's own process: keys go to the running
 * node as inputs, and its view is drawn. It knows nothing that the node does not say.
 */
#ifndef BIBWEAVE_DESK_TERMINAL_H
#define BIBWEAVE_DESK_TERMINAL_H

#include "node/control.h"
#include "node/options.h"

/* Whether `desk` was called to work at a terminal, and not with --view or --input. */
bool desk_terminal_wanted(const struct verb *verb, const struct verb_call *call)
    __attribute__((nonnull));
/* Works until the end of the input, Ctrl-D or Ctrl-C; the terminal is then as it was before. Where
 * standard input is no terminal, each of its lines is a text that is typed. Returns the exit
 * status; what is to be said at the end is in call->err. */
int desk_terminal(struct control_client *node, struct verb_call *call) __attribute__((nonnull));

#endif
