/*
 * link.c: making and closing sockets. No state but a counter for monitor names.
 *
 * Tried with libzmq 4.3.4, client side, what a monitor says:
 *   right key              CONNECTED, HANDSHAKE_SUCCEEDED
 *   wrong server key       CONNECTED, HANDSHAKE_FAILED_NO_DETAIL (EPIPE or ECONNRESET),
 *                          DISCONNECTED, CONNECT_RETRIED: the server hangs up without a word
 *   server without CURVE   CONNECTED, HANDSHAKE_FAILED_PROTOCOL (mechanism mismatch),
 *                          DISCONNECTED; and the socket never tries again
 *   no ZeroMQ at all       CONNECTED, DISCONNECTED; and the socket never tries again
 *   silent server          CONNECTED, after HANDSHAKE_IVL HANDSHAKE_FAILED_NO_DETAIL (EAGAIN)
 *   port closed            CLOSED, CONNECT_RETRIED
 * On the server's side a wrong key is HANDSHAKE_FAILED_PROTOCOL (cryptographic).
 */
#include "node/link.h"

#include <stdio.h>
#include <string.h>

/* In zmq.h's draft block; the stock library honours it: no connection without a ZAP verdict. */
#ifndef ZMQ_ZAP_ENFORCE_DOMAIN
#define ZMQ_ZAP_ENFORCE_DOMAIN 93
#endif

#include "node/zap.h"

struct option {
    int name, value;
};

static bool set(void *socket, const struct option *options, size_t count) {
    for (size_t i = 0; i < count; i++) {
        if (zmq_setsockopt(socket, options[i].name, &options[i].value, sizeof(int)) != 0) {
            return false;
        }
    }
    return true;
}

static bool set_common(void *socket) {
    static const struct option options[] = {
        {ZMQ_LINGER, 0},
        {ZMQ_SNDHWM, LINK_QUEUE},
        /* No limit: when a connection whose input waits for room in a full queue is cut, the next
         * heartbeat breaks an assertion and ends the process (tried, 4.3.4: "!_io_error"), so any
         * caller could end it. What may wait to be read is bounded in bytes by callers.h. */
        {ZMQ_RCVHWM, 0},
        {ZMQ_IPV6, 1},
        {ZMQ_HANDSHAKE_IVL, 3000},
        {ZMQ_HEARTBEAT_IVL, 1000},
        {ZMQ_HEARTBEAT_TIMEOUT, 3000},
        {ZMQ_HEARTBEAT_TTL, 3000},
        {ZMQ_TCP_KEEPALIVE, 1},
        {ZMQ_TCP_KEEPALIVE_IDLE, 10},
        {ZMQ_TCP_KEEPALIVE_INTVL, 5},
        {ZMQ_TCP_KEEPALIVE_CNT, 3},
        {ZMQ_TCP_MAXRT, 5000},
    };
    const int64_t frame_max = LINK_FRAME_MAX;
    return set(socket, options, sizeof options / sizeof options[0]) &&
           zmq_setsockopt(socket, ZMQ_MAXMSGSIZE, &frame_max, sizeof frame_max) == 0;
}

static bool set_server(void *socket) {
    static const struct option options[] = {
        {ZMQ_CURVE_SERVER, 1},
        {ZMQ_ZAP_ENFORCE_DOMAIN, 1},
        {ZMQ_ROUTER_HANDOVER, 0},
        {ZMQ_ROUTER_MANDATORY, 1},
    };
    return zmq_setsockopt(socket, ZMQ_ZAP_DOMAIN, ZAP_DOMAIN, strlen(ZAP_DOMAIN)) == 0 &&
           set(socket, options, sizeof options / sizeof options[0]);
}

static bool set_client(void *socket, const struct curve_public *own,
                       const struct curve_public *server) {
    /* Stations must be together again within 5 s of a link's return, so the pause between
     * attempts stays below a second; libzmq adds jitter of up to 250 ms. */
    static const struct option options[] = {
        {ZMQ_IMMEDIATE, 1},
        {ZMQ_CONNECT_TIMEOUT, 2000},
        {ZMQ_RECONNECT_IVL, 250},
        {ZMQ_RECONNECT_IVL_MAX, 1000},
    };
    return zmq_setsockopt(socket, ZMQ_CURVE_SERVERKEY, server->bytes, sizeof server->bytes) == 0 &&
           zmq_setsockopt(socket, ZMQ_CURVE_PUBLICKEY, own->bytes, sizeof own->bytes) == 0 &&
           set(socket, options, sizeof options / sizeof options[0]);
}

void *link_socket(void *context, int type, const struct curve_public *own,
                  const struct curve_secret *secret, const struct curve_public *server) {
    void *socket = zmq_socket(context, type);
    if (socket == NULL) {
        return NULL;
    }
    bool good =
        set_common(socket) &&
        zmq_setsockopt(socket, ZMQ_CURVE_SECRETKEY, secret->bytes, sizeof secret->bytes) == 0 &&
        (server == NULL ? set_server(socket) : set_client(socket, own, server));
    if (!good) {
        zmq_close(socket);
        return NULL;
    }
    return socket;
}

void *link_monitor(void *context, void *socket, int events) {
    static unsigned long last;
    static const struct option options[] = {
        {ZMQ_LINGER, 0},
        /* Without a limit: libzmq writes events from its own thread and would stop there, with
         * every connection, if the queue were full while the loop is at the disk. */
        {ZMQ_RCVHWM, 0},
    };
    char name[48];
    snprintf(name, sizeof name, "inproc://monitor-%lu", ++last);
    if (zmq_socket_monitor(socket, name, events) != 0) {
        return NULL;
    }
    void *monitor = zmq_socket(context, ZMQ_PAIR);
    if (monitor != NULL && (!set(monitor, options, sizeof options / sizeof options[0]) ||
                            zmq_connect(monitor, name) != 0)) {
        zmq_close(monitor);
        monitor = NULL;
    }
    return monitor;
}

bool link_monitor_next(void *monitor, int *event, uint32_t *value) {
    enum { EVENT_BYTES = 6 };
    zmq_msg_t frame;
    zmq_msg_init(&frame);
    bool got = zmq_msg_recv(&frame, monitor, ZMQ_DONTWAIT) >= 0;
    if (got) {
        const uint8_t *data = zmq_msg_data(&frame);
        uint16_t number = 0;
        *value = 0;
        if (zmq_msg_size(&frame) == EVENT_BYTES) {
            memcpy(&number, data, sizeof number);
            memcpy(value, data + sizeof number, sizeof *value);
        }
        *event = number;
        while (zmq_msg_more(&frame) && zmq_msg_recv(&frame, monitor, ZMQ_DONTWAIT) >= 0) {
        }
    }
    zmq_msg_close(&frame);
    return got;
}

void link_close(void *socket, void *monitor, const char *endpoint) {
    if (socket != NULL) {
        /* In this order: a DEALER that was closed while its monitor was still open and its
         * connection between two attempts went on calling for ever (tried, 4.3.4). */
        zmq_socket_monitor(socket, NULL, 0);
        if (endpoint != NULL) {
            zmq_disconnect(socket, endpoint);
        }
        zmq_close(socket);
    }
    if (monitor != NULL) {
        zmq_close(monitor);
    }
}
