/*
 * web.c: the HTTP server of the pages: opening, connections and their bounds, and which request
 * goes where. It must never wait, and never listen anywhere but on the loopback.
 */
#include "node/web_internal.h"

#include <arpa/inet.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>

#include "node/show.h"
#include "node/web_assets.h"

/* A request on its way in. */
struct request {
    struct buffer body;
    bool too_big;
};

/* ---- answers ---- */

void web_headers(struct MHD_Response *response) {
    static const struct {
        const char *name, *value;
    } headers[] = {
        {"Content-Security-Policy",
         "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
         "img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"},
        {"X-Content-Type-Options", "nosniff"},
        {"X-Frame-Options", "DENY"},
        {"Referrer-Policy", "no-referrer"},
        {"Cross-Origin-Resource-Policy", "same-origin"},
        {"Cross-Origin-Opener-Policy", "same-origin"},
        {"Cache-Control", "no-store"},
    };
    for (size_t i = 0; i < sizeof headers / sizeof headers[0]; i++) {
        MHD_add_response_header(response, headers[i].name, headers[i].value);
    }
}

enum MHD_Result web_reply(struct MHD_Connection *connection, unsigned status, const char *type,
                          struct slice text) {
    void *copy = malloc(text.size + 1);
    if (copy == NULL) {
        return MHD_NO; /* the connection is closed */
    }
    if (text.size > 0) {
        memcpy(copy, text.data, text.size);
    }
    struct MHD_Response *response =
        MHD_create_response_from_buffer(text.size, copy, MHD_RESPMEM_MUST_FREE);
    if (response == NULL) {
        free(copy);
        return MHD_NO;
    }
    web_headers(response);
    MHD_add_response_header(response, "Content-Type", type);
    enum MHD_Result result = MHD_queue_response(connection, status, response);
    MHD_destroy_response(response);
    return result;
}

static enum MHD_Result say(struct MHD_Connection *connection, unsigned status, const char *why) {
    return web_reply(connection, status, "text/plain; charset=utf-8", slice_text(why));
}

/* ---- which request goes where ---- */

static const struct web_asset *find_asset(const char *url) {
    static const struct {
        const char *url, *name;
    } pages[] = {{"/", "desk.html"}, {"/floor", "floor.html"}, {"/ask", "ask.html"}};
    const char *name = url[0] == '/' ? url + 1 : url;
    for (size_t i = 0; i < sizeof pages / sizeof pages[0]; i++) {
        name = strcmp(url, pages[i].url) == 0 ? pages[i].name : name;
    }
    for (const struct web_asset *asset = web_assets; asset->name != NULL; asset++) {
        if (strcmp(asset->name, name) == 0) {
            return asset;
        }
    }
    return NULL;
}

static enum MHD_Result get(struct web *web, struct MHD_Connection *connection, const char *method,
                           const char *url) {
    const struct web_asset *asset = find_asset(url);
    if (strcmp(url, "/events") == 0 && strcmp(method, "GET") == 0) {
        return web_listen(web, connection);
    }
    if (asset == NULL) {
        return say(connection, MHD_HTTP_NOT_FOUND, "There is no such page here.");
    }
    return web_reply(connection, MHD_HTTP_OK, asset->type, slice_of(asset->data, asset->size));
}

static enum MHD_Result post(struct web *web, struct MHD_Connection *connection, const char *url,
                            const struct request *request) {
    struct buffer out;
    unsigned status = MHD_HTTP_NOT_FOUND;
    if (request->too_big) {
        return say(connection, 413, "That is more than a page may send.");
    }
    buffer_init(&out);
    if (strcmp(url, "/verb") == 0) {
        status = web_verb(web, buffer_slice(&request->body), &out);
    } else if (strcmp(url, "/desk") == 0) {
        status = web_desk_input(web, buffer_slice(&request->body), &out);
    } else if (strcmp(url, "/since") == 0) {
        json_t *since = web_floor_since(web->floor);
        status = since == NULL ? MHD_HTTP_NOT_FOUND : MHD_HTTP_OK;
        show_json(&out, since == NULL ? json_null() : since);
    }
    enum MHD_Result result =
        out.failed ? MHD_NO : web_reply(connection, status, "application/json", buffer_slice(&out));
    buffer_release(&out);
    return result;
}

static enum MHD_Result begin(struct web *web, struct MHD_Connection *connection, const char *method,
                             const char *url, void **state) {
    const char *why = NULL;
    if (web->closing) {
        return say(connection, MHD_HTTP_SERVICE_UNAVAILABLE, "This station is being ended.");
    }
    unsigned refused = web_check(web, connection, method, url, &why);
    if (refused != 0) {
        return say(connection, refused, why);
    }
    struct request *request = calloc(1, sizeof *request);
    if (request == NULL) {
        return MHD_NO;
    }
    buffer_init(&request->body);
    *state = request;
    return MHD_YES;
}

static void take_body(struct request *request, const char *data, size_t size) {
    if (request->too_big || request->body.size + size > WEB_BODY_MAX) {
        request->too_big = true;
        buffer_release(&request->body);
        return;
    }
    buffer_append(&request->body, data, size);
}

static enum MHD_Result serve(void *context, struct MHD_Connection *connection, const char *url,
                             const char *method, const char *version, const char *upload,
                             size_t *upload_size, void **state) {
    struct web *web = context;
    struct request *request = *state;
    (void)version;
    if (request == NULL) {
        return begin(web, connection, method, url, state);
    }
    if (*upload_size > 0) {
        take_body(request, upload, *upload_size);
        *upload_size = 0;
        return request->body.failed ? MHD_NO : MHD_YES;
    }
    return strcmp(method, "POST") == 0 ? post(web, connection, url, request)
                                       : get(web, connection, method, url);
}

/* ---- connections ---- */

static struct web_connection *slot_of(struct MHD_Connection *connection) {
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_SOCKET_CONTEXT);
    return info == NULL ? NULL : info->socket_context;
}

static void completed(void *context, struct MHD_Connection *connection, void **state,
                      enum MHD_RequestTerminationCode how) {
    struct web *web = context;
    struct request *request = *state;
    struct web_connection *slot = slot_of(connection);
    (void)how;
    if (slot != NULL) {
        slot->since = web->now;
        slot->listens = false; /* a stream may end and its connection stay */
    }
    if (request != NULL) {
        buffer_release(&request->body);
        free(request);
        *state = NULL;
    }
}

static void connected(void *context, struct MHD_Connection *connection, void **socket_context,
                      enum MHD_ConnectionNotificationCode what) {
    struct web *web = context;
    if (what == MHD_CONNECTION_NOTIFY_CLOSED) {
        if (*socket_context != NULL) {
            *(struct web_connection *)*socket_context = (struct web_connection){.fd = -1};
        }
        return;
    }
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CONNECTION_FD);
    for (size_t i = 0; info != NULL && i < WEB_CONNECTIONS_MAX; i++) {
        struct web_connection *slot = &web->connection[i];
        if (slot->fd < 0) {
            *slot = (struct web_connection){.fd = info->connect_fd, .since = web->now};
            *socket_context = slot;
            return;
        }
    }
}

/* Who sends a request byte by byte is never idle, so the library's own limit does not end it. */
static void drop_slow(struct web *web) {
    for (size_t i = 0; i < WEB_CONNECTIONS_MAX; i++) {
        struct web_connection *slot = &web->connection[i];
        if (slot->fd >= 0 && !slot->listens && web->now.ms - slot->since.ms >= WEB_REQUEST_MS) {
            shutdown(slot->fd, SHUT_RDWR);
            slot->since = web->now;
        }
    }
}

/* ---- opening and closing ---- */

static void start(struct web *web) {
    struct sockaddr_in address = {.sin_family = AF_INET,
                                  .sin_port = htons(web->config.port),
                                  .sin_addr = {htonl(INADDR_LOOPBACK)}};
    web->daemon = MHD_start_daemon(
        MHD_USE_EPOLL | MHD_ALLOW_SUSPEND_RESUME, web->config.port, NULL, NULL, serve, web,
        MHD_OPTION_SOCK_ADDR, (struct sockaddr *)&address, MHD_OPTION_CONNECTION_LIMIT,
        (unsigned)WEB_CONNECTIONS_MAX, MHD_OPTION_CONNECTION_TIMEOUT,
        (unsigned)(WEB_STUCK_MS / 1000), MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)32768,
        MHD_OPTION_NOTIFY_COMPLETED, completed, web, MHD_OPTION_NOTIFY_CONNECTION, connected, web,
        MHD_OPTION_END);
}

enum error_code web_new(const struct web_config *config, struct web **out, struct error *err) {
    struct web *web = calloc(1, sizeof *web);
    *out = NULL;
    if (web == NULL) {
        return error_set(err, ERR_MEMORY, "pages");
    }
    web->config = *config;
    web->now = station_now();
    for (size_t i = 0; i < WEB_CONNECTIONS_MAX; i++) {
        web->connection[i].fd = -1;
    }
    for (size_t i = 0; i < WEB_TOPICS; i++) {
        buffer_init(&web->state[i].text);
    }
    enum error_code code = web_floor_new(config->station, &web->floor, err);
    if (code == ERR_OK) {
        errno = 0;
        start(web);
        if (web->daemon == NULL) {
            error_set(err, ERR_SOCKET, "127.0.0.1:%u: %s", config->port, strerror(errno));
            code = error_say(err,
                             "No pages can be shown at port %u of this machine: choose another "
                             "with --page, or end what uses it.",
                             config->port);
        }
    }
    if (code != ERR_OK) {
        web_free(web);
        return code;
    }
    web->epoll = MHD_get_daemon_info(web->daemon, MHD_DAEMON_INFO_EPOLL_FD)->epoll_fd;
    web->port = MHD_get_daemon_info(web->daemon, MHD_DAEMON_INFO_BIND_PORT)->port;
    *out = web;
    return ERR_OK;
}

void web_free(struct web *web) {
    if (web == NULL) {
        return;
    }
    if (web->daemon != NULL) {
        web->closing = true; /* the library aborts where a stream still waits for news */
        web_end_clients(web);
        MHD_run(web->daemon);
        MHD_stop_daemon(web->daemon);
    }
    for (size_t i = 0; i < WEB_TOPICS; i++) {
        buffer_release(&web->state[i].text);
    }
    web_floor_free(web->floor);
    free(web);
}

uint16_t web_port(const struct web *web) {
    return web->port;
}

/* ---- in the loop ---- */

size_t web_poll(const struct web *web, zmq_pollitem_t *items, size_t max) {
    if (web == NULL || max == 0) {
        return 0;
    }
    items[0] = (zmq_pollitem_t){.fd = web->epoll, .events = ZMQ_POLLIN};
    return 1;
}

struct mono_ms web_deadline(const struct web *web) {
    struct mono_ms deadline = {INT64_MAX};
    MHD_UNSIGNED_LONG_LONG wait_ms = 0;
    if (web == NULL) {
        return deadline;
    }
    deadline = web_events_deadline(web);
    int64_t now = station_now().ms;
    if (MHD_get_timeout(web->daemon, &wait_ms) == MHD_YES && wait_ms < WEB_REQUEST_MS &&
        now + (int64_t)wait_ms < deadline.ms) {
        deadline.ms = now + (int64_t)wait_ms;
    }
    for (size_t i = 0; i < WEB_CONNECTIONS_MAX; i++) {
        const struct web_connection *slot = &web->connection[i];
        if (slot->fd >= 0 && !slot->listens && slot->since.ms + WEB_REQUEST_MS < deadline.ms) {
            deadline.ms = slot->since.ms + WEB_REQUEST_MS;
        }
    }
    return deadline;
}

enum web_done web_step(struct web *web, struct mono_ms now) {
    if (web == NULL) {
        return WEB_NOTHING;
    }
    web->now = now;
    web->done = WEB_NOTHING;
    drop_slow(web);
    MHD_run(web->daemon);
    web_tell(web);
    MHD_run(web->daemon);
    return web->done;
}
