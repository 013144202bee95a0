/*
 * zap.h: who may open a CURVE connection (ZeroMQ RFC 27, ZAP 1.0).
 *
 * Any CURVE key may: a station whose admit has not reached us yet must be able to present it. What
 * a stranger may then say is limited message by message, by its key, which this handler makes the
 * User-Id. Anything but CURVE is refused. Without a handler libzmq would let everyone in, nameless.
 * It touches no disk and is served by the loop's thread.
 */
#ifndef BIBWEAVE_ZAP_H
#define BIBWEAVE_ZAP_H

#include "common/error.h"

#include <stdint.h>

#define ZAP_DOMAIN "bibweave"

struct zap {
    void *socket;
    uint64_t accepted, refused;
};

/* Binds the handler of a ZeroMQ context; before any other socket of it. Errors: ERR_SOCKET. */
enum error_code zap_open(void *context, struct zap *zap, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Answers the requests that wait, a bounded number; true if there may be more. */
bool zap_serve(struct zap *zap) __attribute__((nonnull));
void zap_close(struct zap *zap) __attribute__((nonnull));

#endif
