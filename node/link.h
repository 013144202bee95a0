/*
 * link.h: the options that every ZeroMQ socket of the network carries, at both ends, set before
 * bind and connect. There is no socket without CURVE.
 */
#ifndef BIBWEAVE_LINK_H
#define BIBWEAVE_LINK_H

#include "common/identity.h"

#include <zmq.h>

enum {
    LINK_BODY_MAX = 65536,         /* bytes of a message */
    LINK_FRAME_MAX = 65536 + 1024, /* on the wire: CURVE adds 33 bytes; a little more is let through
                                      so that we can say what came instead of hanging up mutely */
    LINK_QUEUE = 64, /* messages that wait to be sent; what is in flight is bounded by credit */
};

/* A socket of `type` with the common options, or NULL. `server` is the key of the server to call;
 * NULL makes a server. */
void *link_socket(void *context, int type, const struct curve_public *own,
                  const struct curve_secret *secret, const struct curve_public *server)
    __attribute__((nonnull(1, 3, 4)));

/* A monitor of `socket` for `events`, as a PAIR to read from, or NULL. */
void *link_monitor(void *context, void *socket, int events) __attribute__((nonnull));
/* The next event of a monitor; false if none waits. */
bool link_monitor_next(void *monitor, int *event, uint32_t *value) __attribute__((nonnull));
/* Closes a monitor and its socket. `endpoint` is what it was connected to, or NULL. */
void link_close(void *socket, void *monitor, const char *endpoint);

#endif
