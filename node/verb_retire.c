/*
 * verb_retire.c: `retire`: puts a station out, as dead or as stolen.
 *
 * Dead: nobody can use that laptop any more, and what is found on it later counts. Stolen, or lost:
 * it is refused, and what was written with its key beyond what is held here does not count. There
 * is no default between the two. Must never put out a lead without the root's key.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/heads.h"
#include "node/show.h"
#include "node/verb_parts.h"

enum { READ_BYTES = 1 << 20 };

struct retiring {
    struct record_retire body;
    struct pairs_station target;
    bool done_before; /* it is out already in the same way, and nothing more is asked for */
    bool written;
    struct record_id id;
    const char *replacement; /* name, or NULL */
    struct pairs_station heir;
    struct bib_ranges bibs; /* what goes to it */
};

/* ---- reading the command ---- */

static enum error_code read_how(const struct options *options, struct retiring *retiring,
                                struct error *err) {
    bool dead = options_has(options, "--dead");
    bool stolen = options_has(options, "--stolen");
    if (dead != stolen) {
        retiring->body.how = stolen ? RETIRE_STOLEN : RETIRE_DEAD;
        return ERR_OK;
    }
    error_set(err, ERR_USAGE, dead ? "--dead with --stolen" : "neither --dead nor --stolen");
    return error_say(err, "Say --dead or --stolen. Dead: nobody can use that laptop any more, and "
                          "what is found on it later counts. Stolen, or lost: every station "
                          "refuses it, and what was written on it beyond what is here does not "
                          "count.");
}

static enum error_code find_station(struct verb_call *call, const char *name,
                                    struct pairs_station *out, struct error *err) {
    enum error_code code = pairs_station_by_name(call->station->ledger, name, out, err);
    if (code == ERR_NOT_FOUND) {
        error_say(err, "There is no station called %.100s. `bibweave status` lists them.", name);
    }
    return code;
}

static enum error_code read_replacement(struct verb_call *call, const struct options *options,
                                        struct retiring *retiring, struct error *err) {
    retiring->replacement = options_value(options, "--replacement");
    if (retiring->replacement == NULL) {
        return ERR_OK;
    }
    enum error_code code = find_station(call, retiring->replacement, &retiring->heir, err);
    if (code == ERR_OK &&
        (ID_EQUAL(retiring->heir.key, retiring->target.key) || retiring->heir.dead ||
         retiring->heir.stolen || retiring->heir.role < ROLE_TABLE)) {
        error_set(err, ERR_NOT_ALLOWED, "the replacement may not issue");
        code = error_say(err,
                         "%.100s cannot take over: it is out, or may only read. Let the new laptop "
                         "in first (admit), then name it.",
                         retiring->heir.name);
    }
    return code;
}

/* What is final stays: a station that was stolen is not dead later. */
static enum error_code check_before(const struct options *options, struct retiring *retiring,
                                    struct error *err) {
    const struct pairs_station *target = &retiring->target;
    bool stolen = retiring->body.how == RETIRE_STOLEN;
    if (target->stolen && !stolen) {
        error_set(err, ERR_NOT_ALLOWED, "it was put out as stolen");
        return error_say(err,
                         "%.100s was put out as stolen, and that is final. If it was found, let it "
                         "join again with another folder.",
                         target->name);
    }
    retiring->done_before =
        (stolen ? target->stolen : target->dead) && options_value(options, "--at") == NULL;
    return ERR_OK;
}

/* ---- cut-offs ---- */

/* Those with most records first. */
static int by_number(const void *a, const void *b) {
    const struct ledger_head *left = a, *right = b;
    return left->number > right->number ? -1 : left->number < right->number;
}

/* Looks through a run of raw records for the one of that number; *last is where it ended. */
static bool find_number(struct slice run, uint64_t number, struct record_seen *last,
                        struct record_id *id) {
    while (run.size > 0) {
        struct record record;
        struct error unused;
        bool whole = false;
        size_t size = record_size_at(run, &whole);
        if (size == 0 || record_decode(slice_of(run.data, size), &record, &unused) != ERR_OK) {
            return false;
        }
        *id = identity_record(record.raw);
        last->number = record.number;
        memcpy(last->id, id->bytes, sizeof(last->id));
        if (record.number == number) {
            return true;
        }
        run = slice_of(run.data + size, run.size - size);
    }
    return false;
}

/* Puts the head back to record `number` on its own branch. */
static enum error_code cut_head(struct ledger *ledger, struct ledger_head *head, uint64_t number,
                                struct error *err) {
    struct record_seen from = {0};
    struct record_id id;
    struct buffer run;
    size_t count = 0;
    bool more = true;
    bool found = false;
    enum error_code code = ERR_OK;
    buffer_init(&run);
    while (code == ERR_OK && more && !found) {
        buffer_clear(&run);
        code = ledger_read_run(ledger, &head->log, head->id.bytes, &from, from.number > 0 ? 1 : 0,
                               READ_BYTES, &run, &count, &more, err);
        found = code == ERR_OK && find_number(buffer_slice(&run), number, &from, &id);
    }
    buffer_release(&run);
    if (code == ERR_OK && !found) {
        code = error_set(err, ERR_DAMAGED, "record %llu of a log", (unsigned long long)number);
    }
    if (found) {
        head->number = number;
        head->id = id;
    }
    return code;
}

/* --at NUMBER is about the log that the station wrote last; what came before stays. */
static enum error_code cut_at(struct ledger *ledger, struct ledger_head *heads, size_t count,
                              const char *text, struct error *err) {
    char *end = NULL;
    unsigned long long number = strtoull(text, &end, 10);
    size_t newest = 0;
    int64_t wall = INT64_MIN;
    for (size_t i = 0; i < count; i++) {
        int64_t other = heads_wall(ledger, &heads[i].id);
        newest = other > wall ? i : newest;
        wall = other > wall ? other : wall;
    }
    if (text[0] < '0' || text[0] > '9' || *end != '\0' || number < 1 || count == 0 ||
        number > heads[newest].number) {
        error_set(err, ERR_USAGE, "--at %.40s", text);
        return error_say(err,
                         "--at wants the number of the last record that is to count, in the log "
                         "that the station wrote last: 1 to %llu.",
                         count == 0 ? 0ULL : (unsigned long long)heads[newest].number);
    }
    struct log_id log = heads[newest].log;
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < count; i++) {
        if (ID_EQUAL(heads[i].log, log) && heads[i].number > number) {
            code = cut_head(ledger, &heads[i], number, err);
        }
    }
    return code;
}

/* All that is held of the station counts. Should it have more logs than a record can name, those
 * with most records are named. */
static enum error_code put_cutoffs(struct verb_call *call, const struct options *options,
                                   struct retiring *retiring, struct error *err) {
    struct ledger *ledger = call->station->ledger;
    struct record_retire *body = &retiring->body;
    const char *at = options_value(options, "--at");
    size_t count = 0;
    if (body->how == RETIRE_DEAD) {
        if (at == NULL) {
            return ERR_OK;
        }
        error_set(err, ERR_USAGE, "--at with --dead");
        return error_say(err, "--at goes with --stolen: all that a dead laptop wrote counts.");
    }
    struct ledger_head *heads = heads_of(ledger, &retiring->target.key, &count);
    if (heads == NULL) {
        return error_set(err, ERR_MEMORY, "logs of a station");
    }
    if (count > 1) {
        qsort(heads, count, sizeof(*heads), by_number);
    }
    enum error_code code = at == NULL ? ERR_OK : cut_at(ledger, heads, count, at, err);
    for (size_t i = 0; code == ERR_OK && i < count && body->cutoff_count < RECORD_CUTOFFS_MAX;
         i++) {
        body->cutoff[body->cutoff_count++] =
            (struct record_head){heads[i].log, heads[i].number, heads[i].id};
    }
    free(heads);
    return code;
}

/* ---- writing ---- */

static enum error_code append(struct verb_call *call, struct retiring *retiring,
                              struct error *err) {
    struct buffer body;
    buffer_init(&body);
    record_retire_write(&retiring->body, &body);
    enum error_code code = body.failed ? error_set(err, ERR_MEMORY, "retire") : ERR_OK;
    if (code == ERR_OK && retiring->target.role >= ROLE_LEAD) {
        code = station_root_open(call->station, call->seed, err);
        if (code == ERR_OK) {
            code = station_append_root(call->station, RECORD_RETIRE, buffer_slice(&body),
                                       &retiring->id, err);
            station_root_close(call->station);
        }
    } else if (code == ERR_OK) {
        code =
            station_append(call->station, RECORD_RETIRE, buffer_slice(&body), &retiring->id, err);
    }
    buffer_release(&body);
    retiring->written = code == ERR_OK;
    return code;
}

static bool has_range(const struct bib_ranges *ranges, const struct bib_range *range) {
    for (size_t i = 0; i < ranges->count; i++) {
        if (ranges->range[i].first == range->first && ranges->range[i].last == range->last) {
            return true;
        }
    }
    return false;
}

/* A range may have been given to somebody else since. */
static bool is_still_of(struct ledger *ledger, const struct sign_public *key, uint64_t number) {
    struct pairs_station owner;
    struct error unused;
    return pairs_owner(ledger, number, &owner, &unused) == ERR_OK && ID_EQUAL(owner.key, *key);
}

static enum error_code hand_over(struct verb_call *call, struct retiring *retiring,
                                 struct error *err) {
    struct ledger *ledger = call->station->ledger;
    struct bib_ranges had = {0}, has = {0};
    struct record_allot allot = {.key = retiring->heir.key};
    struct record_id unused;
    struct buffer body;
    enum error_code code = pairs_allotted(ledger, &retiring->target.key, &had, err);
    if (code == ERR_OK) {
        code = pairs_allotted(ledger, &retiring->heir.key, &has, err);
    }
    for (size_t i = 0; code == ERR_OK && i < had.count; i++) {
        const struct bib_range *range = &had.range[i];
        if (!has_range(&has, range) && (is_still_of(ledger, &retiring->target.key, range->first) ||
                                        is_still_of(ledger, &retiring->target.key, range->last))) {
            allot.bibs.range[allot.bibs.count++] = *range;
        }
    }
    if (code != ERR_OK || allot.bibs.count == 0) {
        return code;
    }
    retiring->bibs = allot.bibs;
    buffer_init(&body);
    record_allot_write(&allot, &body);
    code = body.failed
               ? error_set(err, ERR_MEMORY, "allot")
               : station_append(call->station, RECORD_ALLOT, buffer_slice(&body), &unused, err);
    buffer_release(&body);
    return code;
}

static enum error_code retire(struct verb_call *call, const struct options *options,
                              const struct pairs_station *self, struct retiring *retiring,
                              struct error *err) {
    const char *reason = "";
    if (self->role != ROLE_LEAD) {
        error_set(err, ERR_NOT_ALLOWED, "this station is no lead");
        return error_say(err, "Only a lead puts stations out. Tell the lead.");
    }
    enum error_code code = find_station(call, options->rest[0], &retiring->target, err);
    if (code == ERR_OK) {
        code = read_how(options, retiring, err);
    }
    if (code == ERR_OK) {
        code = parts_text(options, "--reason", RECORD_TEXT_MAX, &reason, err);
    }
    if (code == ERR_OK) {
        code = read_replacement(call, options, retiring, err);
    }
    if (code == ERR_OK) {
        code = check_before(options, retiring, err);
    }
    if (code == ERR_OK) {
        retiring->body.key = retiring->target.key;
        retiring->body.reason = slice_text(reason);
        code = put_cutoffs(call, options, retiring, err);
    }
    if (code == ERR_OK) {
        code = parts_helper(call, options, err);
    }
    if (code == ERR_OK && !retiring->done_before) {
        code = append(call, retiring, err);
    }
    if (code == ERR_OK && retiring->replacement != NULL) {
        code = hand_over(call, retiring, err);
    }
    return code;
}

/* ---- telling ---- */

static void tell_json(struct verb_call *call, const struct retiring *retiring,
                      const char *numbers) {
    json_t *cutoffs = json_array();
    for (size_t i = 0; i < retiring->body.cutoff_count; i++) {
        const struct record_head *head = &retiring->body.cutoff[i];
        json_array_append_new(cutoffs,
                              json_pack("{s:o, s:I, s:o}", "log",
                                        show_hex_json(head->log.bytes, sizeof(head->log.bytes)),
                                        "number", (json_int_t)head->number, "record",
                                        show_hex_json(head->id.bytes, sizeof(head->id.bytes))));
    }
    json_t *record = retiring->written
                         ? show_hex_json(retiring->id.bytes, sizeof(retiring->id.bytes))
                         : json_null();
    json_t *heir =
        retiring->replacement == NULL ? json_null() : show_text_json(retiring->heir.name);
    show_json(&call->out, json_pack("{s:o, s:o, s:s, s:o, s:o, s:s}", "station",
                                    show_text_json(retiring->target.name), "record", record, "how",
                                    retiring->body.how == RETIRE_DEAD ? "dead" : "stolen",
                                    "cutoffs", cutoffs, "replacement", heir, "bibs", numbers));
}

static void tell(struct verb_call *call, const struct retiring *retiring) {
    char numbers[400] = "";
    struct buffer *out = &call->out;
    bool dead = retiring->body.how == RETIRE_DEAD;
    if (retiring->bibs.count > 0) {
        bib_ranges_text(&retiring->bibs, numbers, sizeof(numbers));
    }
    if (call->json) {
        tell_json(call, retiring, numbers);
        return;
    }
    show_plain(out, slice_text(retiring->target.name));
    buffer_print(out, " is out%s, as %s. %s\n", retiring->written ? "" : " already",
                 dead ? "dead" : "stolen",
                 dead ? "What is found on it later counts: take its disk in with merge, or its "
                        "carry file with carry in."
                      : "What is held of it here counts, what it writes beyond that does not. "
                        "Stations that hear of this refuse it; take a stick (carry out) to those "
                        "that are cut off.");
    if (retiring->replacement != NULL) {
        show_plain(out, slice_text(retiring->heir.name));
        buffer_print(out, numbers[0] == '\0' ? " gets no further bibs.\n" : " gets bibs %s.\n",
                     numbers);
    }
}

void verb_retire(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    struct retiring *retiring = parts_room(call, sizeof(*retiring));
    if (retiring == NULL) {
        return;
    }
    enum error_code code = parts_words(call, "retire", 1, 1, "the station's name", &options, &err);
    bool may = code != ERR_OK || verb_may_write(call, &self);
    if (code == ERR_OK && may) {
        code = retire(call, &options, &self, retiring, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    } else if (may) {
        tell(call, retiring);
    }
    free(retiring);
    options_release(&options);
}
