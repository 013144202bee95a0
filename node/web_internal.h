/*
 * web_internal.h: what the files of node/web*.c share. For them alone.
 */
#ifndef BIBWEAVE_WEB_INTERNAL_H
#define BIBWEAVE_WEB_INTERNAL_H

#include <microhttpd.h>

#include "node/web.h"
#include "node/web_floor.h"

/* An event that pages listen to: only its newest state is kept. */
enum web_topic { WEB_STATUS, WEB_DESK, WEB_FLOOR, WEB_TOPICS };
struct web_state {
    struct buffer text; /* "event: ...\ndata: ...\n\n" */
    uint64_t version;   /* rises with each change; 0: not made yet */
};

/* A page that listens. It is sent states, never a history, so a slow one costs one state. */
struct web_client {
    struct web_client *next;
    struct web *web;
    struct MHD_Connection *connection;
    bool wants[WEB_TOPICS];
    uint64_t sent[WEB_TOPICS];
    struct buffer out; /* what is being sent */
    size_t at;
    bool begun, suspended, ending;
    struct mono_ms heartbeat;
};

struct web_connection {
    int fd;       /* -1: free */
    bool listens; /* to events: open for as long as the page is */
    struct mono_ms since;
};

struct web {
    struct web_config config;
    struct MHD_Daemon *daemon;
    int epoll;
    uint16_t port;
    bool closing; /* nothing new is begun, and every stream ends */
    struct mono_ms now;
    enum web_done done;
    struct web_connection connection[WEB_CONNECTIONS_MAX];
    struct web_client *clients; /* newest first */
    struct web_state state[WEB_TOPICS];
    struct web_floor *floor;
    uint64_t desk_version;
    struct mono_ms refresh_at; /* not before this */
    struct digest32 picture;   /* of what status and floor were made from */
    bool floor_made;           /* the floor was made from it, too */
};

/* ---- web_check.c ---- */

/* Whether a request may be served at all; else the HTTP status to refuse it with, and *why. */
unsigned web_check(const struct web *web, struct MHD_Connection *connection, const char *method,
                   const char *url, const char **why) __attribute__((nonnull));

/* ---- web.c ---- */

/* Queues an answer with all headers that every answer carries. `text` is copied. */
enum MHD_Result web_reply(struct MHD_Connection *connection, unsigned status, const char *type,
                          struct slice text) __attribute__((nonnull));
/* Adds those headers. */
void web_headers(struct MHD_Response *response) __attribute__((nonnull));

/* ---- web_verb.c ---- */

/* {"verb", "arguments"}: runs it, and puts the answer into *out. Returns the HTTP status. */
unsigned web_verb(struct web *web, struct slice body, struct buffer *out) __attribute__((nonnull));
/* An input for the desk. */
unsigned web_desk_input(struct web *web, struct slice body, struct buffer *out)
    __attribute__((nonnull));
/* Runs a verb that only reads and gives its JSON; NULL if that failed. New reference. */
json_t *web_read_verb(struct web *web, const char *name) __attribute__((nonnull));

/* ---- web_events.c ---- */

enum MHD_Result web_listen(struct web *web, struct MHD_Connection *connection)
    __attribute__((nonnull));
/* Makes states again where something changed, and wakes the pages that they are new to. */
void web_tell(struct web *web) __attribute__((nonnull));
struct mono_ms web_events_deadline(const struct web *web) __attribute__((nonnull));
void web_end_clients(struct web *web) __attribute__((nonnull));

#endif
