/*
 * guard.c: the self-test at the start. A library that was built or set otherwise than it should be
 * would let everyone in without a word; so this is not believed, but tried.
 */
#include "node/guard.h"

#include "node/link.h"
#include "node/station.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

enum { GUARD_MS = 300 };

enum verdict { WAITING, REFUSED, GOT_IN };

static enum verdict look(void *monitor) {
    int event = 0;
    uint32_t value = 0;
    if (!link_monitor_next(monitor, &event, &value)) {
        return WAITING;
    }
    return event == ZMQ_EVENT_HANDSHAKE_SUCCEEDED ? GOT_IN : REFUSED;
}

static enum verdict wait_for_verdict(struct zap *zap, void *monitor) {
    zmq_pollitem_t items[] = {
        {.socket = monitor, .events = ZMQ_POLLIN},
        {.socket = zap->socket, .events = ZMQ_POLLIN},
    };
    int64_t end = station_now().ms + GUARD_MS;
    enum verdict verdict = WAITING;
    while (verdict == WAITING) {
        int64_t left = end - station_now().ms;
        if (left <= 0) {
            return WAITING;
        }
        zmq_poll(items, 2, (long)left);
        zap_serve(zap);
        verdict = look(monitor);
    }
    return verdict;
}

/* Its own machine reaches a socket that listens everywhere by the loopback address. */
static void endpoint_of(const struct address *listening, char out[ADDRESS_TEXT_MAX + 8]) {
    if (!listening->any) {
        snprintf(out, ADDRESS_TEXT_MAX + 8, "tcp://%s", listening->text);
    } else {
        snprintf(out, ADDRESS_TEXT_MAX + 8, "tcp://127.0.0.1:%u", listening->port);
    }
}

enum error_code guard_check(void *context, struct zap *zap, const struct address *listening,
                            struct error *err) {
    const int no_linger = 0;
    const int events = ZMQ_EVENT_HANDSHAKE_SUCCEEDED | ZMQ_EVENT_HANDSHAKE_FAILED_NO_DETAIL |
                       ZMQ_EVENT_HANDSHAKE_FAILED_PROTOCOL | ZMQ_EVENT_HANDSHAKE_FAILED_AUTH |
                       ZMQ_EVENT_DISCONNECTED;
    char endpoint[ADDRESS_TEXT_MAX + 8];
    endpoint_of(listening, endpoint);
    void *plain = zmq_socket(context, ZMQ_DEALER);
    void *monitor = plain == NULL ? NULL : link_monitor(context, plain, events);
    if (monitor == NULL || zmq_setsockopt(plain, ZMQ_LINGER, &no_linger, sizeof no_linger) != 0 ||
        zmq_connect(plain, endpoint) != 0) {
        error_set(err, ERR_SOCKET, "self-test at %s: %s", endpoint, zmq_strerror(errno));
    } else if (wait_for_verdict(zap, monitor) == GOT_IN) {
        error_set(err, ERR_SOCKET, "a connection without CURVE was accepted at %s", endpoint);
        error_say(err, "The ZeroMQ library of this machine lets everybody in: install the "
                       "system's own libzmq and start again.");
    } else {
        error_clear(err);
    }
    link_close(plain, monitor, endpoint);
    return err->code;
}
