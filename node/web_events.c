/*
 * web_events.c: server-sent events to the pages that are open.
 *
 * `status`, `desk` and `floor` are whole states: a page that was asleep or away gets the newest
 * and has missed nothing. They are made at most once a second, when something changed and somebody
 * looks (the desk: at once). A page that does not read costs the one state that it is being sent,
 * and is dropped after WEB_STUCK_MS by the library. Must never make a state for nobody.
 */
#include "node/web_internal.h"

#include <sodium.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>

#include "node/log.h"
#include "node/show.h"

/* "In the last ten minutes" is told anew this often, should nothing else happen. */
enum { RECENT_MS = 300000 };

static const char *const topic_name[WEB_TOPICS] = {
    [WEB_STATUS] = "status", [WEB_DESK] = "desk", [WEB_FLOOR] = "floor"};

/* ---- one page ---- */

static bool has_news(const struct web_client *client) {
    for (size_t i = 0; i < WEB_TOPICS; i++) {
        if (client->wants[i] && client->sent[i] != client->web->state[i].version) {
            return true;
        }
    }
    return !client->begun || client->ending || client->web->now.ms >= client->heartbeat.ms;
}

/* The next thing to send: one state, or a sign of life. */
static void fill(struct web_client *client) {
    struct web *web = client->web;
    buffer_clear(&client->out);
    client->at = 0;
    if (!client->begun) {
        client->begun = true;
        buffer_print(&client->out, "retry: 1000\n\n");
    }
    for (size_t i = 0; i < WEB_TOPICS && client->out.size < 64; i++) {
        if (client->wants[i] && client->sent[i] != web->state[i].version) {
            client->sent[i] = web->state[i].version;
            buffer_append_slice(&client->out, buffer_slice(&web->state[i].text));
        }
    }
    if (client->out.size == 0 && web->now.ms >= client->heartbeat.ms) {
        buffer_print(&client->out, "event: here\ndata: 1\n\n");
    }
    if (client->out.size > 0) {
        client->heartbeat.ms = web->now.ms + WEB_HEARTBEAT_MS;
    }
}

static ssize_t read_client(void *context, uint64_t place, char *out, size_t max) {
    struct web_client *client = context;
    (void)place;
    if (client->ending || client->web->closing) {
        return MHD_CONTENT_READER_END_OF_STREAM;
    }
    if (client->at == client->out.size) {
        fill(client);
    }
    if (client->out.failed) {
        return MHD_CONTENT_READER_END_WITH_ERROR;
    }
    size_t rest = client->out.size - client->at;
    size_t size = rest < max ? rest : max;
    if (size == 0) {
        client->suspended = true;
        MHD_suspend_connection(client->connection);
        return 0;
    }
    memcpy(out, client->out.data + client->at, size);
    client->at += size;
    return (ssize_t)size;
}

static void free_client(void *context) {
    struct web_client *client = context;
    struct web_client **at = &client->web->clients;
    while (*at != NULL && *at != client) {
        at = &(*at)->next;
    }
    if (*at == client) {
        *at = client->next;
    }
    buffer_release(&client->out);
    free(client);
}

static void wake(struct web_client *client) {
    if (client->suspended) {
        client->suspended = false;
        MHD_resume_connection(client->connection);
    }
}

/* The library does not look at a connection that waits for news: a page that went away is noticed
 * when something is sent to it. Where there are too many, the oldest make room. */
static void make_room(struct web *web) {
    size_t count = 0;
    for (struct web_client *client = web->clients; client != NULL; client = client->next) {
        if (++count >= WEB_CLIENTS_MAX) {
            client->ending = true;
            wake(client);
        }
    }
}

static void read_wants(struct web_client *client, const char *of) {
    client->wants[WEB_STATUS] = true;
    client->wants[WEB_DESK] = of != NULL && strstr(of, "desk") != NULL;
    client->wants[WEB_FLOOR] = of != NULL && strstr(of, "floor") != NULL;
}

enum MHD_Result web_listen(struct web *web, struct MHD_Connection *connection) {
    struct web_client *client = calloc(1, sizeof *client);
    if (client == NULL) {
        return MHD_NO;
    }
    *client = (struct web_client){.web = web, .connection = connection, .heartbeat = web->now};
    client->heartbeat.ms += WEB_HEARTBEAT_MS;
    buffer_init(&client->out);
    read_wants(client, MHD_lookup_connection_value(connection, MHD_GET_ARGUMENT_KIND, "of"));
    struct MHD_Response *response = MHD_create_response_from_callback(
        MHD_SIZE_UNKNOWN, 16384, read_client, client, free_client);
    if (response == NULL) {
        free(client);
        return MHD_NO;
    }
    make_room(web);
    client->next = web->clients;
    web->clients = client;
    web_headers(response);
    MHD_add_response_header(response, "Content-Type", "text/event-stream; charset=utf-8");
    /* Who had to make room holds no connection either. */
    MHD_add_response_header(response, "Connection", "close");
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_SOCKET_CONTEXT);
    if (info != NULL && info->socket_context != NULL) {
        ((struct web_connection *)info->socket_context)->listens = true;
    }
    enum MHD_Result result = MHD_queue_response(connection, MHD_HTTP_OK, response);
    MHD_destroy_response(response);
    return result;
}

void web_end_clients(struct web *web) {
    for (struct web_client *client = web->clients; client != NULL; client = client->next) {
        client->ending = true;
        wake(client);
    }
}

/* ---- states ---- */

/* Takes the reference. An unchanged state is no news. */
static void set_state(struct web *web, enum web_topic topic, json_t *value) {
    struct web_state *state = &web->state[topic];
    struct buffer text;
    buffer_init(&text);
    buffer_print(&text, "event: %s\ndata: ", topic_name[topic]);
    show_json(&text, value);
    buffer_append(&text, "\n", 1);
    if (text.failed || slice_equal(buffer_slice(&text), buffer_slice(&state->text))) {
        buffer_release(&text);
        return;
    }
    buffer_release(&state->text);
    state->text = text;
    state->version++;
}

static bool somebody_wants(const struct web *web, enum web_topic topic) {
    for (const struct web_client *client = web->clients; client != NULL; client = client->next) {
        if (client->wants[topic] && !client->ending) {
            return true;
        }
    }
    return false;
}

static bool desk_is_new(const struct web *web) {
    const struct table *table = web->config.table;
    return table != NULL &&
           (web->state[WEB_DESK].version == 0 || table_view(table)->version != web->desk_version);
}

static void tell_desk(struct web *web) {
    if (desk_is_new(web) && somebody_wants(web, WEB_DESK)) {
        web->desk_version = table_view(web->config.table)->version;
        set_state(web, WEB_DESK, table_view_json(table_view(web->config.table)));
    }
}

/* What status and floor are made from: the records, who counts, who is heard, what is wrong. */
static struct digest32 picture(struct web *web) {
    struct digest32 digest;
    crypto_generichash_state state;
    struct sync_peer *peers = calloc(SYNC_PEERS_MAX, sizeof *peers);
    size_t count = peers == NULL ? 0 : sync_peers(web->config.sync, peers, SYNC_PEERS_MAX);
    struct ledger *ledger = web->config.station->ledger;
    struct pairs_alarm alarms[LOG_ALARMS_MAX];
    size_t alarm_count = log_alarms(alarms, LOG_ALARMS_MAX);
    uint64_t numbers[] = {ledger_count(ledger),
                          pairs_standing_epoch(ledger),
                          web->config.station->must_open,
                          ledger_unsafe(ledger, &web->config.station->keys.sign_public),
                          alarm_count,
                          (uint64_t)(station_wall().ms / RECENT_MS)};
    crypto_generichash_init(&state, NULL, 0, sizeof digest.bytes);
    crypto_generichash_update(&state, (const uint8_t *)numbers, sizeof numbers);
    for (size_t i = 0; i < count; i++) {
        uint64_t peer[] = {peers[i].connected, peers[i].behind, peers[i].same,
                           (uint64_t)(peers[i].clock_offset_ms / 60000)};
        crypto_generichash_update(&state, peers[i].curve.bytes, sizeof peers[i].curve.bytes);
        crypto_generichash_update(&state, (const uint8_t *)peer, sizeof peer);
    }
    for (size_t i = 0; i < alarm_count; i++) {
        crypto_generichash_update(&state, (const uint8_t *)alarms[i].say, strlen(alarms[i].say));
    }
    crypto_generichash_final(&state, digest.bytes, sizeof digest.bytes);
    free(peers);
    return digest;
}

/* `last_heard_ms` is an age, which would make each state news: here it is a time, and null for a
 * station that is connected. */
static void steady_peers(json_t *status) {
    json_t *peer = NULL;
    size_t i = 0;
    json_array_foreach(json_object_get(status, "peers"), i, peer) {
        json_t *age = json_object_get(peer, "last_heard_ms");
        bool connected = json_is_true(json_object_get(peer, "connected"));
        struct wall_ms heard = {(station_wall().ms - json_integer_value(age)) / 1000 * 1000};
        json_object_set_new(peer, "last_heard",
                            connected || !json_is_integer(age) ? json_null()
                                                               : show_time_json(heard));
        json_object_del(peer, "last_heard_ms");
    }
}

/* On how many other stations the newest own record is known to be, for the desk's page. */
static void add_safety(struct web *web, json_t *status) {
    const struct station *station = web->config.station;
    json_int_t copies = 0;
    if (station->author.number > 0) {
        copies = (json_int_t)ledger_copies(station->ledger, &station->author.log,
                                           station->author.number);
    }
    json_object_set_new(status, "copies", json_integer(copies));
}

static void tell_all(struct web *web) {
    json_t *status = web_read_verb(web, "status");
    if (status == NULL) {
        return;
    }
    steady_peers(status);
    add_safety(web, status);
    if (somebody_wants(web, WEB_FLOOR)) {
        json_t *doubles = web_read_verb(web, "doubles");
        json_t *floor = doubles == NULL ? NULL : web_floor_json(web->floor, status, doubles);
        if (floor != NULL) {
            set_state(web, WEB_FLOOR, floor);
        }
        json_decref(doubles);
    }
    json_object_del(status, "holds"); /* hundreds, told each second: the floor has them */
    set_state(web, WEB_STATUS, status);
}

static void refresh(struct web *web) {
    bool floor = somebody_wants(web, WEB_FLOOR);
    if (web->now.ms < web->refresh_at.ms || (floor && web_floor_follow(web->floor))) {
        return;
    }
    web->refresh_at.ms = web->now.ms + WEB_REFRESH_MS;
    struct digest32 seen = picture(web);
    if (ID_EQUAL(seen, web->picture) && (!floor || web->floor_made)) {
        return;
    }
    web->picture = seen;
    web->floor_made = floor;
    tell_all(web);
}

void web_tell(struct web *web) {
    if (web->clients == NULL) {
        return;
    }
    tell_desk(web);
    refresh(web);
    for (struct web_client *client = web->clients; client != NULL; client = client->next) {
        if (has_news(client)) {
            wake(client);
        }
    }
}

struct mono_ms web_events_deadline(const struct web *web) {
    struct mono_ms deadline = web->refresh_at; /* in the past while the floor is catching up */
    if (web->clients == NULL) {
        return (struct mono_ms){INT64_MAX};
    }
    if (desk_is_new(web) && somebody_wants(web, WEB_DESK)) {
        return (struct mono_ms){0};
    }
    for (const struct web_client *client = web->clients; client != NULL; client = client->next) {
        if (client->suspended && client->heartbeat.ms < deadline.ms) {
            deadline = client->heartbeat;
        }
    }
    return deadline;
}
