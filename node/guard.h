/*
 * guard.h: the program tries its own door: a connection without CURVE must not open.
 */
#ifndef BIBWEAVE_GUARD_H
#define BIBWEAVE_GUARD_H

#include "node/address.h"
#include "node/zap.h"

/* Calls `listening` (of this process, whose ZAP handler is `zap`) with a plain socket and sends it
 * something. Takes a third of a second at most, most often a few milliseconds.
 * Errors: ERR_SOCKET: it got in, or could not be tried. */
enum error_code guard_check(void *context, struct zap *zap, const struct address *listening,
                            struct error *err) __attribute__((nonnull, warn_unused_result));

#endif
