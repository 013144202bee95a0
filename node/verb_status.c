/*
 * verb_status.c: `status` and `close`: how this station is.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/log.h"
#include "node/show.h"
#include "node/verb_parts.h"

struct standing {
    struct verb_call *call;
    struct sync_peer *peers;
    size_t peer_count;
    size_t others, connected; /* stations besides this one; of them in session now */
    int64_t heard_last;       /* mono ms when any of them was last heard; 0 for never */
    uint64_t doubles, shared, doubts, unsafe;
    uint64_t half;   /* bibs of which a chip is missing */
    uint64_t unseen; /* chips of a supplier's list that nobody has read */
    struct pairs_station self;
    json_t *peers_json, *alarms_json, *retired_json;
    struct buffer peers_text, alarms_text;
    struct parts_holds holds;
    struct pairs_handover handover; /* number 0: no list is out */
};

static bool count_bib(void *context, const struct pairs_bib *bib) {
    struct standing *standing = context;
    standing->doubles += bib->state == PAIRS_DOUBLED ? 1 : 0;
    return true;
}

static bool count_doubt(void *context, const struct pairs_bib *bib) {
    struct standing *standing = context;
    standing->doubts += bib->doubt ? 1 : 0;
    return true;
}

static bool count_shared(void *context, const struct pairs_shared *shared) {
    struct standing *standing = context;
    standing->shared += shared->bib_count > 0 ? 1 : 0;
    return true;
}

static const struct sync_peer *find_peer(const struct standing *standing,
                                         const struct sign_public *key) {
    for (size_t i = 0; i < standing->peer_count; i++) {
        if (ID_EQUAL(standing->peers[i].key, *key)) {
            return &standing->peers[i];
        }
    }
    return NULL;
}

static void add_peer(struct standing *standing, const struct pairs_station *station) {
    static const struct sync_peer never;
    const struct sync_peer *peer = find_peer(standing, &station->key);
    const struct sync_peer *shown = peer == NULL ? &never : peer;
    int64_t ago = station_now().ms - shown->last_heard.ms;
    bool heard = shown->last_heard.ms != 0;
    if (shown->last_heard.ms > standing->heard_last) {
        standing->heard_last = shown->last_heard.ms;
    }
    standing->others++;
    standing->connected += shown->connected ? 1 : 0;
    json_array_append_new(standing->peers_json,
                          json_pack("{s:o, s:b, s:o, s:I, s:I, s:b}", "name",
                                    show_text_json(station->name), "connected", shown->connected,
                                    "last_heard_ms", heard ? json_integer(ago) : json_null(),
                                    "behind", (json_int_t)shown->behind, "clock_offset_ms",
                                    (json_int_t)shown->clock_offset_ms, "same", shown->same));
    buffer_print(&standing->peers_text, "  ");
    show_plain(&standing->peers_text, slice_text(station->name));
    buffer_print(&standing->peers_text, ": %s",
                 shown->connected ? "connected"
                 : heard          ? "away"
                                  : "not heard since the start");
    if (shown->behind > 0) {
        buffer_print(&standing->peers_text, ", records of it that are not here yet: %llu",
                     (unsigned long long)shown->behind);
    }
    if (heard && (shown->clock_offset_ms > 60000 || shown->clock_offset_ms < -60000)) {
        buffer_print(&standing->peers_text, ", its clock is %lld minutes off",
                     (long long)(shown->clock_offset_ms / 60000));
    }
    buffer_print(&standing->peers_text, "\n");
}

static void add_retired(struct standing *standing, const struct pairs_station *station) {
    const char *how = station->stolen ? "stolen" : "dead";
    json_array_append_new(
        standing->retired_json,
        json_pack("{s:o, s:s}", "name", show_text_json(station->name), "how", how));
    buffer_print(&standing->peers_text, "  ");
    show_plain(&standing->peers_text, slice_text(station->name));
    buffer_print(&standing->peers_text, ": out, %s\n", how);
}

static bool see_station(void *context, const struct pairs_station *station) {
    struct standing *standing = context;
    if (ID_EQUAL(station->key, standing->call->station->keys.sign_public)) {
        standing->self = *station;
    } else if (standing->call->sync != NULL && station->role != ROLE_NONE && !station->dead &&
               !station->stolen) {
        add_peer(standing, station);
    } else if (station->dead || station->stolen) {
        add_retired(standing, station);
    }
    return true;
}

static bool add_alarm(void *context, const struct pairs_alarm *alarm) {
    struct standing *standing = context;
    json_array_append_new(standing->alarms_json,
                          json_pack("{s:o, s:o}", "name", show_text_json(alarm->name), "say",
                                    show_text_json(alarm->say)));
    buffer_print(&standing->alarms_text, "  ! ");
    show_plain(&standing->alarms_text, slice_text(alarm->say));
    buffer_print(&standing->alarms_text, "\n");
    return true;
}

/* Why no log could be begun, if that is so. */
static void add_waiting(struct standing *standing) {
    const struct station *station = standing->call->station;
    struct pairs_alarm full = {.name = "disk_full",
                               .say = "The disk is full: nothing can be recorded here. Make room."};
    struct pairs_alarm strange = {
        .name = "no_admit",
        .say = "What let this station in is not here yet: nothing can be recorded. Connect it to "
               "another table, or carry in a file of the lead's."};
    if (station->must_open) {
        bool admitted = ledger_eligible(station->ledger, &station->keys.sign_public);
        add_alarm(standing, admitted ? &full : &strange);
    }
}

/* Own records that were written and are not here. */
static void add_missing(struct standing *standing) {
    enum { STRETCHES_MAX = 64 };
    struct station_missing missing[STRETCHES_MAX];
    struct pairs_alarm alarm = {.name = "missing"};
    size_t count = station_missing(standing->call->station, missing, STRETCHES_MAX);
    uint64_t records = 0;
    for (size_t i = 0; i < count; i++) {
        records += missing[i].to - missing[i].from + 1;
    }
    if (count > 0) {
        const struct station_missing *last = &missing[count - 1];
        snprintf(alarm.say, sizeof(alarm.say),
                 "%llu records that this station wrote are not here (the newest is number %llu): "
                 "the folder was put back from an older copy, or damaged. They come from the "
                 "other tables that have them; `bibweave recover` names what is on none.",
                 (unsigned long long)records, (unsigned long long)last->to);
        add_alarm(standing, &alarm);
    }
}

static void add_own_alarms(struct standing *standing) {
    struct pairs_alarm alarms[LOG_ALARMS_MAX];
    size_t count = standing->call->sync == NULL ? 0 : log_alarms(alarms, LOG_ALARMS_MAX);
    for (size_t i = 0; i < count; i++) {
        add_alarm(standing, &alarms[i]);
    }
    add_waiting(standing);
    add_missing(standing);
}

static enum error_code gather(struct standing *standing, struct error *err) {
    struct verb_call *call = standing->call;
    struct ledger *ledger = call->station->ledger;
    if (call->sync != NULL) {
        standing->peers = calloc(SYNC_PEERS_MAX, sizeof(*standing->peers));
        standing->peer_count =
            standing->peers == NULL ? 0 : sync_peers(call->sync, standing->peers, SYNC_PEERS_MAX);
    }
    standing->unsafe = ledger_unsafe(ledger, &call->station->keys.sign_public);
    enum error_code code = pairs_each_bib(ledger, PAIRS_BIBS_DOUBLED, count_bib, standing, err);
    if (code == ERR_OK) {
        code = pairs_each_bib(ledger, PAIRS_BIBS_DOUBT, count_doubt, standing, err);
    }
    if (code == ERR_OK) {
        code = pairs_each_shared(ledger, count_shared, standing, err);
    }
    if (code == ERR_OK) {
        code = pairs_each_station(ledger, see_station, standing, err);
    }
    if (code == ERR_OK) {
        code = pairs_each_alarm(ledger, add_alarm, standing, err);
    }
    add_own_alarms(standing);
    if (code == ERR_OK) {
        code = pairs_count_unseen(ledger, &standing->unseen, err);
    }
    if (code == ERR_OK) {
        code = pairs_count_half(ledger, &standing->half, err);
    }
    if (code == ERR_OK) {
        code = parts_holds(ledger, &standing->holds, err);
    }
    if (code == ERR_OK) {
        code = pairs_last_handover(ledger, &standing->handover, err);
        code = code == ERR_NOT_FOUND ? ERR_OK : code;
    }
    return code;
}

/* Since when no other station is heard, as wall time; false when some is, or nobody can tell. */
static bool alone_since(const struct standing *standing, struct wall_ms *since) {
    if (standing->call->sync == NULL || standing->others == 0 || standing->connected > 0) {
        return false;
    }
    int64_t mono =
        standing->heard_last != 0 ? standing->heard_last : standing->call->station->opened_at.ms;
    since->ms = station_wall().ms - (station_now().ms - mono);
    return true;
}

static const char *role_name(const struct standing *standing) {
    static const char *const names[] = {[ROLE_NONE] = "none",
                                        [ROLE_READER] = "reader",
                                        [ROLE_TABLE] = "table",
                                        [ROLE_LEAD] = "lead",
                                        [ROLE_ROOT] = "root"};
    return standing->self.dead || standing->self.stolen ? "retired" : names[standing->self.role];
}

/* The chip list that the timing crew has. */
static json_t *handover_json(const struct pairs_handover *handover) {
    return handover->number == 0
               ? json_null()
               : json_pack("{s:I, s:I, s:o, s:o, s:o, s:o}", "number", (json_int_t)handover->number,
                           "lines", (json_int_t)handover->bibs, "table",
                           show_text_json(handover->said.table), "time",
                           show_time_json(handover->said.wall), "state_hash",
                           show_hex_json(handover->state.bytes, sizeof(handover->state.bytes)),
                           "list_hash",
                           show_hex_json(handover->list.bytes, sizeof(handover->list.bytes)));
}

static void handover_text(struct buffer *out, const struct pairs_handover *handover) {
    if (handover->number > 0) {
        buffer_print(out, "  chip list %llu is out: ", (unsigned long long)handover->number);
        show_who(out, handover->said.table, handover->said.wall, handover->said.helper,
                 station_wall());
        buffer_print(out, "\n");
    }
}

static void tell_json(struct verb_call *call, struct standing *standing, struct digest32 heads,
                      struct digest32 state) {
    struct wall_ms since;
    const struct station *station = call->station;
    const struct record_found *found = pairs_found(station->ledger);
    bool alone = alone_since(standing, &since);
    bool writes = station->author.number > 0;
    json_t *status = json_object();
    json_object_set_new(
        status, "event",
        show_hex_json(station->event.event.bytes, sizeof(station->event.event.bytes)));
    json_object_set_new(status, "event_name",
                        found == NULL
                            ? json_null()
                            : json_stringn((const char *)found->name.data, found->name.size));
    json_object_set_new(status, "station", show_text_json(station->name));
    json_object_set_new(status, "role", json_string(role_name(standing)));
    json_object_set_new(
        status, "log",
        writes ? show_hex_json(station->author.log.bytes, sizeof(station->author.log.bytes))
               : json_null());
    json_object_set_new(status, "number", json_integer((json_int_t)station->author.number));
    json_object_set_new(status, "records", json_integer((json_int_t)ledger_count(station->ledger)));
    json_object_set_new(status, "heads_hash", show_hex_json(heads.bytes, sizeof(heads.bytes)));
    json_object_set_new(status, "state_hash", show_hex_json(state.bytes, sizeof(state.bytes)));
    json_object_set_new(status, "doubles", json_integer((json_int_t)standing->doubles));
    json_object_set_new(status, "shared", json_integer((json_int_t)standing->shared));
    json_object_set_new(status, "doubt", json_integer((json_int_t)standing->doubts));
    json_object_set_new(status, "half", json_integer((json_int_t)standing->half));
    json_object_set_new(status, "unseen", json_integer((json_int_t)standing->unseen));
    json_object_set_new(status, "unsafe", json_integer((json_int_t)standing->unsafe));
    json_object_set(status, "holds", standing->holds.array);
    json_object_set_new(status, "handover", handover_json(&standing->handover));
    json_object_set(status, "alarms", standing->alarms_json);
    json_object_set(status, "peers", standing->peers_json);
    json_object_set(status, "retired", standing->retired_json);
    json_object_set_new(status, "alone_since_ms", alone ? json_integer(since.ms) : json_null());
    json_object_set_new(status, "out",
                        standing->self.dead || standing->self.stolen
                            ? json_string(standing->self.stolen ? "stolen" : "dead")
                            : json_null());
    json_object_set_new(status, "running", json_boolean(call->sync != NULL));
    json_object_set_new(status, "closed", json_boolean(standing->self.closed));
    show_json(&call->out, status);
}

static void tell_text(struct verb_call *call, struct standing *standing, struct digest32 heads,
                      struct digest32 state) {
    char heads_hex[2 * sizeof(heads.bytes) + 1];
    char state_hex[2 * sizeof(state.bytes) + 1];
    char when[SHOW_TIME_SIZE];
    struct wall_ms since;
    struct buffer *out = &call->out;
    const struct record_found *found = pairs_found(call->station->ledger);
    hex_encode(heads.bytes, sizeof(heads.bytes), heads_hex);
    hex_encode(state.bytes, sizeof(state.bytes), state_hex);
    if (found != NULL) {
        show_plain(out, found->name);
        buffer_print(out, ": ");
    }
    show_plain(
        out, slice_text(call->station->name[0] == '\0' ? "a merged folder" : call->station->name));
    buffer_print(out, "%s\n", standing->self.closed ? ", closed" : "");
    buffer_print(out, "  records: %llu, of this station and on no other yet: %llu\n",
                 (unsigned long long)ledger_count(call->station->ledger),
                 (unsigned long long)standing->unsafe);
    buffer_print(out, "  bibs chipped twice: %llu, chips on two bibs: %llu, bibs in doubt: %llu\n",
                 (unsigned long long)standing->doubles, (unsigned long long)standing->shared,
                 (unsigned long long)standing->doubts);
    if (standing->half > 0) {
        buffer_print(out, "  bibs that are half, a chip of their set is missing: %llu\n",
                     (unsigned long long)standing->half);
    }
    if (standing->unseen > 0) {
        buffer_print(out, "  chips from a supplier's list that nobody has read yet: %llu\n",
                     (unsigned long long)standing->unseen);
    }
    if (standing->holds.count > 0) {
        buffer_print(out, "  bibs held back: %zu\n", standing->holds.count);
        buffer_append_slice(out, buffer_slice(&standing->holds.text));
    }
    handover_text(out, &standing->handover);
    if (standing->self.dead || standing->self.stolen) {
        buffer_print(out, "  This station was put out of the event: do nothing with it, and ask "
                          "the lead.\n");
    } else if (alone_since(standing, &since)) {
        show_time(since, station_wall(), when);
        buffer_print(out, "  working alone since %s, carry on\n", when);
    } else if (call->sync != NULL) {
        buffer_print(out, "  %zu of %zu other stations connected\n", standing->connected,
                     standing->others);
    } else {
        buffer_print(out, "  not running\n");
    }
    buffer_append_slice(out, buffer_slice(&standing->peers_text));
    buffer_append_slice(out, buffer_slice(&standing->alarms_text));
    buffer_print(out, "  records %s\n  state   %s\n", heads_hex, state_hex);
}

void verb_status(struct verb_call *call) {
    struct options options;
    struct error err;
    struct standing *standing = parts_room(call, sizeof(*standing));
    if (standing == NULL) {
        return;
    }
    standing->call = call;
    standing->peers_json = json_array();
    standing->alarms_json = json_array();
    standing->retired_json = json_array();
    buffer_init(&standing->peers_text);
    buffer_init(&standing->alarms_text);
    enum error_code code = parts_words(call, "status", 0, 0, "", &options, &err);
    if (code == ERR_OK) {
        code = gather(standing, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    } else {
        struct digest32 heads = ledger_heads_hash(call->station->ledger);
        struct digest32 state = pairs_state_hash(call->station->ledger);
        (call->json ? tell_json : tell_text)(call, standing, heads, state);
    }
    json_decref(standing->peers_json);
    json_decref(standing->alarms_json);
    json_decref(standing->retired_json);
    buffer_release(&standing->peers_text);
    buffer_release(&standing->alarms_text);
    parts_holds_release(&standing->holds);
    free(standing->peers);
    free(standing);
    options_release(&options);
}

/* ---- close ---- */

static enum error_code close_table(struct verb_call *call, struct record_id *id,
                                   struct error *err) {
    struct buffer body;
    struct record_close close = {.number = call->station->author.number + 1};
    if (call->station->must_open) {
        close.number = 2; /* the append begins a log of its own first */
    }
    buffer_init(&body);
    record_close_write(&close, &body);
    enum error_code code =
        body.failed ? error_set(err, ERR_MEMORY, "close")
                    : station_append(call->station, RECORD_CLOSE, buffer_slice(&body), id, err);
    buffer_release(&body);
    return code;
}

void verb_close(struct verb_call *call) {
    struct options options;
    struct error err;
    struct record_id id;
    struct pairs_station self;
    enum error_code code = parts_words(call, "close", 0, 0, "", &options, &err);
    if (code == ERR_OK) {
        code = parts_helper(call, &options, &err);
    }
    if (code == ERR_OK && verb_may_write(call, &self)) {
        code = close_table(call, &id, &err);
        uint64_t unsafe = ledger_unsafe(call->station->ledger, &call->station->keys.sign_public);
        if (code == ERR_OK && call->json) {
            show_json(&call->out, json_pack("{s:o, s:o, s:I, s:I}", "record",
                                            show_hex_json(id.bytes, sizeof(id.bytes)), "station",
                                            show_text_json(call->station->name), "number",
                                            (json_int_t)call->station->author.number, "unsafe",
                                            (json_int_t)unsafe));
        } else if (code == ERR_OK) {
            show_plain(&call->out, slice_text(call->station->name));
            buffer_print(&call->out, " is closed.%s\n",
                         unsafe > 0 ? " Its last records are on no other station yet: leave it "
                                      "running until `status` says that all are, or use carry out."
                                    : "");
        }
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    options_release(&options);
}
