/*
 * verb_rolls.c: `roll` and `note` without a word: what was used of the rolls of chips, by table,
 * and what people noted.
 *
 * How many chips a roll has is what somebody said when it was loaded; what was thrown away and not
 * said is not known. Must never write.
 */
#include "node/verb_rolls.h"

#include <stdlib.h>
#include <string.h>

#include "node/show_day.h"
#include "node/verb_parts.h"

/* ---- what happened to rolls ---- */

enum what { WHAT_USED, WHAT_LOADED, WHAT_REMOVED, WHAT_SCRAPPED };

struct event {
    char roll[RECORD_TEXT_MAX + 1];
    char table[RECORD_TEXT_MAX + 1];
    struct sign_public station;
    struct wall_ms wall;
    enum what what;
    bool pair, has_count;
    uint64_t count;
};

/* What one table did with one roll. */
struct share {
    const struct event *first; /* of any kind: for its name and key */
    uint64_t used, scrapped;
    bool here; /* it is loaded there */
};

struct rolls {
    struct verb_call *call;
    struct event *event;
    size_t count, capacity;
    uint64_t unsaid; /* chips used of which no roll was said */
    struct share *share;
    size_t share_count, share_capacity;
    json_t *array;
    bool failed;
};

static struct event *add_event(struct rolls *rolls, const char *roll, const char *table,
                               const struct sign_public *station, struct wall_ms wall) {
    if (rolls->count == rolls->capacity) {
        size_t wanted = rolls->capacity == 0 ? 64 : 2 * rolls->capacity;
        struct event *grown = realloc(rolls->event, wanted * sizeof(*grown));
        if (grown == NULL) {
            rolls->failed = true;
            return NULL;
        }
        rolls->event = grown;
        rolls->capacity = wanted;
    }
    struct event *event = &rolls->event[rolls->count++];
    memset(event, 0, sizeof(*event));
    memcpy(event->roll, roll, strlen(roll));
    memcpy(event->table, table, strlen(table));
    event->station = *station;
    event->wall = wall;
    return event;
}

static bool add_roll(void *context, const struct pairs_roll *roll) {
    struct event *event =
        add_event(context, roll->roll, roll->said.table, &roll->said.station, roll->said.wall);
    if (event == NULL) {
        return false;
    }
    event->what = roll->how == ROLL_LOADED    ? WHAT_LOADED
                  : roll->how == ROLL_REMOVED ? WHAT_REMOVED
                                              : WHAT_SCRAPPED;
    event->pair = roll->pair;
    event->has_count = roll->has_count;
    event->count = roll->count;
    return true;
}

/* A chip is used up also where its issue does not count any more. */
static bool add_issue(void *context, const struct pairs_issue *issue) {
    struct rolls *rolls = context;
    for (size_t i = 0; i < issue->tag_count; i++) {
        const struct pairs_tag *tag = &issue->tag[i];
        if (tag->roll[0] == '\0') {
            rolls->unsaid++;
            continue;
        }
        struct event *event =
            add_event(rolls, tag->roll, issue->table, &issue->station, issue->wall);
        if (event == NULL) {
            return false;
        }
        event->count = 1;
    }
    return true;
}

static enum error_code gather(struct rolls *rolls, struct error *err) {
    struct ledger *ledger = rolls->call->station->ledger;
    struct pairs_filter live = {.which = PAIRS_ISSUES_LIVE}, dead = {.which = PAIRS_ISSUES_DEAD};
    enum error_code code = pairs_each_roll(ledger, NULL, add_roll, rolls, err);
    if (code == ERR_OK) {
        code = pairs_each_issue(ledger, &live, add_issue, rolls, err);
    }
    if (code == ERR_OK) {
        code = pairs_each_issue(ledger, &dead, add_issue, rolls, err);
    }
    return code == ERR_OK && rolls->failed ? error_set(err, ERR_MEMORY, "rolls") : code;
}

/* By roll, then by the clocks of those who wrote it. What is said of a roll comes before what was
 * used of it in the same moment. */
static int compare(const void *a, const void *b) {
    const struct event *left = a, *right = b;
    int order = strcmp(left->roll, right->roll);
    if (order != 0) {
        return order;
    }
    if (left->wall.ms != right->wall.ms) {
        return left->wall.ms < right->wall.ms ? -1 : 1;
    }
    return (left->what == WHAT_USED) - (right->what == WHAT_USED);
}

/* ---- one roll ---- */

/* The roll that is loaded at a table: what was said there last, of any roll. */
static bool is_here(const struct rolls *rolls, const struct event *of) {
    const struct event *last = NULL;
    for (size_t i = 0; i < rolls->count; i++) {
        const struct event *event = &rolls->event[i];
        bool whole = event->what == WHAT_LOADED || event->what == WHAT_REMOVED ||
                     (event->what == WHAT_SCRAPPED && !event->has_count);
        if (whole && ID_EQUAL(event->station, of->station) &&
            (last == NULL || event->wall.ms >= last->wall.ms)) {
            last = event;
        }
    }
    return last != NULL && last->what == WHAT_LOADED && strcmp(last->roll, of->roll) == 0;
}

static struct share *share_of(struct rolls *rolls, const struct event *event) {
    for (size_t i = 0; i < rolls->share_count; i++) {
        if (ID_EQUAL(rolls->share[i].first->station, event->station)) {
            return &rolls->share[i];
        }
    }
    if (rolls->share_count == rolls->share_capacity) {
        size_t wanted = rolls->share_capacity == 0 ? 16 : 2 * rolls->share_capacity;
        struct share *grown = realloc(rolls->share, wanted * sizeof(*grown));
        if (grown == NULL) {
            rolls->failed = true;
            return NULL;
        }
        rolls->share = grown;
        rolls->share_capacity = wanted;
    }
    struct share *share = &rolls->share[rolls->share_count++];
    *share = (struct share){.first = event, .here = is_here(rolls, event)};
    return share;
}

struct sum {
    bool pair, has_count, scrapped_whole;
    uint64_t count, used, scrapped; /* count: as it was when it was loaded last with a number */
    uint64_t since;                 /* used and scrapped since then */
};

static void add_up(struct rolls *rolls, const struct event *event, struct sum *sum) {
    struct share *share = share_of(rolls, event);
    if (share == NULL) {
        return;
    }
    if (event->what == WHAT_USED) {
        share->used += event->count;
        sum->used += event->count;
        sum->since += event->count;
    } else if (event->what == WHAT_SCRAPPED) {
        share->scrapped += event->count;
        sum->scrapped += event->count;
        sum->since += event->count;
        sum->scrapped_whole = !event->has_count;
    } else if (event->what == WHAT_LOADED) {
        sum->pair = event->pair;
        sum->scrapped_whole = false;
        if (event->has_count) {
            sum->has_count = true;
            sum->count = event->count;
            sum->since = 0;
        }
    }
}

static uint64_t left_of(const struct sum *sum) {
    return sum->scrapped_whole || sum->since >= sum->count ? 0 : sum->count - sum->since;
}

static void tell_roll_json(struct rolls *rolls, const char *roll, const struct sum *sum) {
    bool known = sum->has_count || sum->scrapped_whole;
    json_t *tables = json_array();
    for (size_t i = 0; i < rolls->share_count; i++) {
        const struct share *share = &rolls->share[i];
        json_array_append_new(
            tables, json_pack("{s:o, s:I, s:I, s:b}", "table", show_text_json(share->first->table),
                              "used", (json_int_t)share->used, "scrapped",
                              (json_int_t)share->scrapped, "loaded", share->here));
    }
    json_array_append_new(
        rolls->array,
        json_pack("{s:o, s:b, s:o, s:I, s:I, s:o, s:o}", "roll", show_text_json(roll), "pair",
                  sum->pair, "count",
                  sum->has_count ? json_integer((json_int_t)sum->count) : json_null(), "used",
                  (json_int_t)sum->used, "scrapped", (json_int_t)sum->scrapped, "left",
                  known ? json_integer((json_int_t)left_of(sum)) : json_null(), "tables", tables));
}

static void tell_roll_text(struct rolls *rolls, const char *roll, const struct sum *sum) {
    struct buffer *out = &rolls->call->out;
    buffer_print(out, "Roll ");
    show_plain(out, slice_text(roll));
    buffer_print(out, "%s: used %llu, scrapped %llu", sum->pair ? " (pairs)" : "",
                 (unsigned long long)sum->used, (unsigned long long)sum->scrapped);
    if (sum->scrapped_whole) {
        buffer_print(out, ", and then the whole roll");
    } else if (sum->has_count && sum->since > sum->count) {
        buffer_print(out, ", and it had only %llu: look at the roll's name",
                     (unsigned long long)sum->count);
    } else if (sum->has_count) {
        buffer_print(out, ", left %llu", (unsigned long long)left_of(sum));
    } else {
        buffer_print(out, ", and nobody said how many it has");
    }
    buffer_print(out, ".\n");
    for (size_t i = 0; i < rolls->share_count; i++) {
        const struct share *share = &rolls->share[i];
        buffer_print(out, "  ");
        show_plain(out, slice_text(share->first->table));
        buffer_print(out, ": used %llu, scrapped %llu%s\n", (unsigned long long)share->used,
                     (unsigned long long)share->scrapped, share->here ? ", loaded now" : "");
    }
}

static enum error_code tell_all(struct rolls *rolls, struct error *err) {
    for (size_t i = 0; i < rolls->count && !rolls->failed;) {
        const char *roll = rolls->event[i].roll;
        struct sum sum = {.pair = false};
        rolls->share_count = 0;
        for (; i < rolls->count && strcmp(rolls->event[i].roll, roll) == 0; i++) {
            add_up(rolls, &rolls->event[i], &sum);
        }
        (rolls->call->json ? tell_roll_json : tell_roll_text)(rolls, roll, &sum);
    }
    if (rolls->failed) {
        return error_set(err, ERR_MEMORY, "rolls");
    }
    if (rolls->call->json) {
        show_json(&rolls->call->out, json_pack("{s:O, s:I}", "rolls", rolls->array, "unsaid",
                                               (json_int_t)rolls->unsaid));
    } else if (rolls->count == 0) {
        buffer_print(&rolls->call->out, "Nothing was said of any roll.\n");
    } else if (rolls->unsaid > 0) {
        buffer_print(&rolls->call->out, "Chips of which no roll was said: %llu.\n",
                     (unsigned long long)rolls->unsaid);
    }
    return ERR_OK;
}

enum error_code rolls_list(struct verb_call *call, const struct options *options,
                           struct error *err) {
    struct rolls rolls = {.call = call, .array = json_array()};
    enum error_code code = ERR_OK;
    if (options->given_count > 0) {
        error_set(err, ERR_USAGE, "no roll, and %s", options->given[0].name);
        code = error_say(err, "Say which roll: the name that is written on it.");
    }
    if (code == ERR_OK) {
        code = gather(&rolls, err);
    }
    if (code == ERR_OK) {
        if (rolls.count > 1) {
            qsort(rolls.event, rolls.count, sizeof(*rolls.event), compare);
        }
        code = tell_all(&rolls, err);
    }
    json_decref(rolls.array);
    free(rolls.event);
    free(rolls.share);
    return code;
}

/* ---- notes ---- */

struct noting {
    struct verb_call *call;
    const struct sign_public *about; /* only of this station; NULL for all */
    json_t *array;
    size_t count;
};

static bool tell_note(void *context, const struct pairs_note *note) {
    struct noting *noting = context;
    struct buffer *out = &noting->call->out;
    struct pairs_station about = {.name = ""};
    struct error unknown;
    if (noting->about != NULL && !(note->has_about && ID_EQUAL(note->about, *noting->about))) {
        return true;
    }
    noting->count++;
    if (note->has_about &&
        pairs_station(noting->call->station->ledger, &note->about, &about, &unknown) != ERR_OK) {
        about.name[0] = '\0';
    }
    if (noting->call->json) {
        json_t *object = show_note_json(note);
        json_object_set_new(object, "about",
                            note->has_about ? show_text_json(about.name) : json_null());
        json_array_append_new(noting->array, object);
        return true;
    }
    if (note->has_bib) {
        buffer_print(out, "Bib %s, ", note->bib.text);
    }
    if (note->has_about) {
        show_plain(out, slice_text(about.name[0] == '\0' ? "a station" : about.name));
        buffer_print(out, ", ");
    }
    show_note(out, "", note, station_wall());
    return true;
}

enum error_code rolls_notes(struct verb_call *call, const struct bib *bib,
                            const struct sign_public *about, struct error *err) {
    struct noting noting = {call, about, json_array(), 0};
    enum error_code code = pairs_each_note(call->station->ledger, bib, tell_note, &noting, err);
    if (code == ERR_OK && call->json) {
        show_json(&call->out, json_pack("{s:O}", "notes", noting.array));
    } else if (code == ERR_OK && noting.count == 0) {
        buffer_print(&call->out, "There are no notes.\n");
    }
    json_decref(noting.array);
    return code;
}
