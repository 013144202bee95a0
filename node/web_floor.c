/*
 * web_floor.c: the state of the whole event as the lead's page shows it. Must never write, and
 * never walk over all records in one go, but where a person asks what changed.
 */
#include "node/web_floor.h"

#include <stdlib.h>
#include <string.h>

#include "node/show.h"
#include "node/web_cells.h"

enum {
    LISTED_MAX = 200,   /* doubles and holds that are listed one by one */
    RECENT_MS = 600000, /* "in the last ten minutes" */
};

struct web_floor {
    struct station *station;
    struct web_cells *cells;
};

enum error_code web_floor_new(struct station *station, struct web_floor **out, struct error *err) {
    struct web_floor *floor = calloc(1, sizeof *floor);
    *out = floor;
    if (floor == NULL) {
        return error_set(err, ERR_MEMORY, "floor");
    }
    floor->station = station;
    return ERR_OK;
}

void web_floor_free(struct web_floor *floor) {
    if (floor != NULL) {
        web_cells_free(floor->cells);
        free(floor);
    }
}

bool web_floor_follow(struct web_floor *floor) {
    struct error err;
    if (floor->cells == NULL &&
        web_cells_new(floor->station->ledger, &floor->cells, &err) != ERR_OK) {
        return false; /* `found` is not here yet, or there is no memory */
    }
    return web_cells_follow(floor->cells, WEB_FLOOR_SLICE_MS);
}

/* ---- tables ---- */

struct tables {
    struct web_floor *floor;
    json_t *peers, *list;
};

static json_t *find_peer(const struct tables *tables, const char *name) {
    json_t *peer = NULL;
    size_t i = 0;
    json_array_foreach(tables->peers, i, peer) {
        const char *known = json_string_value(json_object_get(peer, "name"));
        if (known != NULL && strcmp(known, name) == 0) {
            return peer;
        }
    }
    return NULL;
}

static const char *role_word(enum role role) {
    return role == ROLE_LEAD ? "lead" : role == ROLE_TABLE ? "table" : "reader";
}

static const char *state_of(const struct pairs_station *station, bool self, bool connected,
                            json_int_t behind) {
    if (station->stolen || station->dead) {
        return station->stolen ? "stolen" : "dead";
    }
    if (behind > 0 && !connected) {
        return "fetch"; /* it has records that others know of and that are not here */
    }
    if (station->closed) {
        return "closed";
    }
    if (self || connected) {
        return "open";
    }
    return station->heard ? "away" : "unheard";
}

static bool add_table(void *context, const struct pairs_station *station) {
    struct tables *tables = context;
    struct web_floor *floor = tables->floor;
    bool self = ID_EQUAL(station->key, floor->station->keys.sign_public);
    json_t *peer = find_peer(tables, station->name);
    bool connected = json_is_true(json_object_get(peer, "connected"));
    json_int_t behind = json_integer_value(json_object_get(peer, "behind"));
    json_t *heard = json_object_get(peer, "last_heard");
    if (station->role == ROLE_NONE) {
        return true;
    }
    json_t *table = json_pack("{s:o, s:b, s:b, s:b, s:s, s:s, s:I, s:I, s:o, s:o}", "name",
                              show_text_json(station->name), "self", self, "connected", connected,
                              "closed", station->closed, "role", role_word(station->role), "state",
                              state_of(station, self, connected, behind), "behind", behind,
                              "issued", (json_int_t)station->issues, "last_heard",
                              heard == NULL ? json_null() : json_incref(heard), "last_record",
                              station->heard ? show_time_json(station->last) : json_null());
    web_cells_add_station(floor->cells, &station->key, table);
    json_array_append_new(tables->list, table);
    return true;
}

static json_t *tables_json(struct web_floor *floor, json_t *status) {
    struct tables tables = {floor, json_object_get(status, "peers"), json_array()};
    struct error err;
    if (pairs_each_station(floor->station->ledger, add_table, &tables, &err) != ERR_OK) {
        json_decref(tables.list);
        return NULL;
    }
    return tables.list;
}

/* ---- alarms: many of one cause are one ---- */

static json_t *alarms_json(json_t *status) {
    json_t *list = json_array(), *alarm = NULL, *known = NULL;
    size_t i = 0, j = 0;
    json_array_foreach(json_object_get(status, "alarms"), i, alarm) {
        const char *name = json_string_value(json_object_get(alarm, "name"));
        json_t *same = NULL;
        json_array_foreach(list, j, known) {
            const char *other = json_string_value(json_object_get(known, "name"));
            same = name != NULL && other != NULL && strcmp(name, other) == 0 ? known : same;
        }
        if (same == NULL) {
            same = json_pack("{s:O, s:[], s:i}", "name", json_object_get(alarm, "name"), "say",
                             "count", 0);
            json_array_append_new(list, same);
        }
        json_t *say = json_object_get(same, "say");
        if (json_array_size(say) < LISTED_MAX) {
            json_array_append(say, json_object_get(alarm, "say"));
        }
        json_int_t count = json_integer_value(json_object_get(same, "count"));
        json_object_set_new(same, "count", json_integer(count + 1));
    }
    return list;
}

/* ---- doubles, oldest first ---- */

struct double_entry {
    json_t *told;      /* as the verb gave it, borrowed */
    const char *since; /* when the later of its chips was put on */
};

static const char *since_of(json_t *told) {
    const char *latest = "";
    json_t *issue = NULL;
    size_t i = 0;
    json_array_foreach(json_object_get(told, "issues"), i, issue) {
        const char *time = json_string_value(json_object_get(issue, "time"));
        latest = time != NULL && strcmp(time, latest) > 0 ? time : latest;
    }
    return latest;
}

static int by_since(const void *a, const void *b) {
    return strcmp(((const struct double_entry *)a)->since, ((const struct double_entry *)b)->since);
}

static json_t *doubles_json(json_t *doubles) {
    size_t count = json_array_size(doubles);
    struct double_entry *entry = calloc(count + 1, sizeof *entry);
    json_t *list = json_array();
    if (entry == NULL) {
        return list;
    }
    for (size_t i = 0; i < count; i++) {
        json_t *told = json_array_get(doubles, i);
        entry[i] = (struct double_entry){told, since_of(told)};
    }
    qsort(entry, count, sizeof *entry, by_since);
    for (size_t i = 0; i < count && i < LISTED_MAX; i++) {
        json_array_append(list, entry[i].told);
    }
    free(entry);
    return list;
}

/* Bibs that share a chip stand out on the map, too. */
static void mark_shared(struct web_cells *cells, json_t *doubles) {
    json_t *entry = NULL, *bib = NULL;
    size_t i = 0, j = 0;
    json_array_foreach(doubles, i, entry) {
        json_array_foreach(json_object_get(entry, "bibs"), j, bib) {
            const char *text = json_string_value(bib);
            if (text != NULL) {
                web_cells_mark(cells, text, WEB_CELL_SHARED);
            }
        }
    }
}

/* ---- the chip list that is out ---- */

/* With `same`: whether nothing about chips has changed since it was made. */
static json_t *handover_json(json_t *status) {
    json_t *handover = json_object_get(status, "handover");
    const char *at = json_string_value(json_object_get(handover, "state_hash"));
    const char *now = json_string_value(json_object_get(status, "state_hash"));
    json_t *value = json_is_object(handover) ? json_copy(handover) : json_null();
    if (json_is_object(value)) {
        bool same = at != NULL && now != NULL && strcmp(at, now) == 0;
        json_object_set_new(value, "same", json_boolean(same));
    }
    return value;
}

/* ---- what changed since that list ---- */

struct since {
    json_t *bibs;
    size_t count;
};

static bool add_since(void *context, const struct bib *bib) {
    struct since *since = context;
    if (since->count++ < LISTED_MAX) {
        json_array_append_new(since->bibs, json_string(bib->text));
    }
    return true;
}

json_t *web_floor_since(struct web_floor *floor) {
    struct ledger *ledger = floor->station->ledger;
    struct pairs_handover handover;
    struct error err;
    struct since since = {json_array(), 0};
    enum error_code code = pairs_last_handover(ledger, &handover, &err);
    if (code == ERR_OK) {
        code = pairs_each_since(ledger, &handover.said.id, add_since, &since, &err);
    }
    if (code != ERR_OK) {
        json_decref(since.bibs);
        return NULL;
    }
    return json_pack("{s:I, s:I, s:o}", "number", (json_int_t)handover.number, "count",
                     (json_int_t)since.count, "bibs", since.bibs);
}

/* ---- all of it ---- */

json_t *web_floor_json(struct web_floor *floor, json_t *status, json_t *doubles) {
    if (floor->cells == NULL) {
        return NULL;
    }
    web_cells_unmark(floor->cells);
    mark_shared(floor->cells, doubles);
    json_t *tables = tables_json(floor, status);
    json_t *all = json_object();
    json_object_set(all, "event_name", json_object_get(status, "event_name"));
    json_object_set(all, "station", json_object_get(status, "station"));
    json_object_set(all, "role", json_object_get(status, "role"));
    json_object_set_new(all, "tables", tables == NULL ? json_array() : tables);
    json_object_set_new(all, "alarms", alarms_json(status));
    json_object_set_new(all, "doubles", doubles_json(doubles));
    json_object_set_new(all, "doubles_count", json_integer((json_int_t)json_array_size(doubles)));
    json_object_set_new(all, "holds", web_cells_holds(floor->cells, LISTED_MAX));
    json_object_set_new(all, "handover", handover_json(status));
    web_cells_json(floor->cells, all);
    return all;
}
