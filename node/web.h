/*
 * web.h: the local pages of a running node: HTTP on 127.0.0.1 through libmicrohttpd, in the node's
 * one loop.
 *
 * What a page may ask for:
 *   GET  /, /floor, /ask, /NAME   pages and what they are made of, all compiled in
 *   GET  /events?of=desk,floor    server-sent events, see web_events.h; `status` always
 *   POST /verb   {"verb": "ask", "arguments": ["42"]} -> {"status": 0, "out": ..., "err": "..."}
 *   POST /desk   an input for the desk -> its view after it
 * Nothing changes on a GET. A POST has to come from a page of this node: Host and Origin are
 * checked, and the type of its body is one that no other site's form can send. It never waits, and
 * never listens anywhere but on the loopback. One thread, the ledger's.
 */
#ifndef BIBWEAVE_WEB_H
#define BIBWEAVE_WEB_H

#include <jansson.h>

#include "node/table.h"
#include "node/verb.h"

#include <zmq.h>

enum {
    WEB_PORT = 7118,
    WEB_BODY_MAX = 65536,     /* bytes of a POST's body */
    WEB_CONNECTIONS_MAX = 64, /* at once */
    /* Of them, pages that listen to events; the oldest makes room, and comes back. Browsers open at
     * most six connections to one place: one must be left for what a page asks for and does. */
    WEB_CLIENTS_MAX = 5,
    WEB_REQUEST_MS = 20000,   /* a request must be whole this long after the one before it */
    WEB_STUCK_MS = 15000,     /* who takes nothing of an answer for this long is dropped */
    WEB_HEARTBEAT_MS = 10000, /* a sign of life to each page, which also finds those that left */
    WEB_REFRESH_MS = 1000,    /* what pages show is made again at most this often */
};

struct web_config {
    uint16_t port;   /* 0: any that is free */
    const char *dir; /* the data folder; borrowed, as are the others */
    struct station *station;
    struct sync *sync;
    struct table *table; /* the desk; NULL: none, and POST /desk is refused */
};

struct web;
/* Errors: ERR_SOCKET (the port is taken, say), ERR_MEMORY. */
enum error_code web_new(const struct web_config *config, struct web **out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void web_free(struct web *web); /* NULL is fine, here and below */
uint16_t web_port(const struct web *web) __attribute__((nonnull));

size_t web_poll(const struct web *web, zmq_pollitem_t *items, size_t max)
    __attribute__((nonnull(2)));
struct mono_ms web_deadline(const struct web *web);

enum web_done {
    WEB_NOTHING, /* no verb ran, nothing was put into the desk */
    WEB_DONE,
    WEB_TROUBLE, /* a verb ended with status 3: the ledger may have failed */
};
/* Serves what has come, and tells open pages what is new. */
enum web_done web_step(struct web *web, struct mono_ms now);

#endif
