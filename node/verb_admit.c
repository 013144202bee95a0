/*
 * verb_admit.c: `admit` and `allot`: the lead lets stations in, and says whose numbers are whose.
 * Must never write a grant before the admit in it is on disk.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/files.h"
#include "node/grant.h"
#include "node/show.h"
#include "node/verb_parts.h"

enum { REQUEST_SIZE_MAX = 65536, WRITE_SIZE = 65536 };

struct letting {
    struct buffer request;
    struct record_admit admit; /* borrows from request */
    char name[RECORD_TEXT_MAX + 1];
    char out[FILES_PATH_MAX];
    bool force;
    bool has_bibs;
    struct bib_ranges bibs;
};

/* ---- reading the command ---- */

static enum error_code read_role(const char *value, enum role *role, struct error *err) {
    if (value == NULL || strcmp(value, "table") == 0) {
        *role = ROLE_TABLE;
    } else if (strcmp(value, "lead") == 0) {
        *role = ROLE_LEAD;
    } else if (strcmp(value, "reader") == 0) {
        *role = ROLE_READER;
    } else {
        error_set(err, ERR_USAGE, "--role %.60s", value);
        return error_say(err, "A station's role is table, lead or reader.");
    }
    return ERR_OK;
}

/* A name comes from another machine, and will be read aloud and put on screens. */
static enum error_code read_name(struct letting *let, struct error *err) {
    const struct slice name = let->admit.name;
    if (name.size >= sizeof(let->name) || (name.size > 0 && memchr(name.data, 0, name.size))) {
        return error_set(err, ERR_FORM, "the name in the request");
    }
    memcpy(let->name, name.data, name.size);
    let->name[name.size] = '\0';
    return options_text("name in the request", let->name, RECORD_TEXT_MAX, err);
}

static enum error_code read_letting(struct verb_call *call, const struct options *options,
                                    struct letting *let, struct error *err) {
    char path[FILES_PATH_MAX];
    const char *out = NULL;
    enum error_code code = files_path(call->cwd, options->rest[0], path, err);
    if (code == ERR_OK) {
        code = parts_needed(options, "--out", &out, err);
    }
    if (code == ERR_OK) {
        code = files_path(call->cwd, out, let->out, err);
    }
    if (code == ERR_OK) {
        code = files_read(path, REQUEST_SIZE_MAX, &let->request, err);
    }
    if (code == ERR_OK) {
        code = grant_request_get(buffer_slice(&let->request), &let->admit, err);
    }
    if (code == ERR_OK) {
        code = read_name(let, err);
    }
    if (code == ERR_OK) {
        code = read_role(options_value(options, "--role"), &let->admit.role, err);
    }
    const char *bibs = options_value(options, "--bibs");
    if (code == ERR_OK && bibs != NULL) {
        let->has_bibs = true;
        code = bib_ranges_parse(slice_text(bibs), &let->bibs, err);
    }
    let->force = options_has(options, "--force");
    if (code == ERR_OK && !let->force && files_exists(let->out)) {
        error_set(err, ERR_EXISTS, "%.200s", let->out);
        code = error_say(err, "The file %.200s is there already. Give another name, or --force.",
                         let->out);
    }
    return code;
}

/* ---- letting in ---- */

static enum error_code check_lead(const struct pairs_station *self, struct error *err) {
    if (self->role != ROLE_LEAD) {
        error_set(err, ERR_NOT_ALLOWED, "this station is no lead");
        return error_say(err, "Only the lead's station lets others in. Take the request there.");
    }
    return ERR_OK;
}

/* Two tables of one name could not be told apart by people. */
static enum error_code check_name(struct verb_call *call, const struct letting *let,
                                  struct error *err) {
    struct pairs_station other;
    enum error_code code = pairs_station_by_name(call->station->ledger, let->name, &other, err);
    if (code == ERR_NOT_FOUND) {
        return ERR_OK;
    }
    if (code != ERR_OK || ID_EQUAL(other.key, let->admit.key) || other.dead || other.stolen) {
        return code;
    }
    error_set(err, ERR_EXISTS, "another key has that name");
    return error_say(err,
                     "There is another station called %.100s. Give the new one another name "
                     "(join --name).",
                     let->name);
}

static enum error_code append_admit(struct verb_call *call, const struct letting *let,
                                    struct error *err) {
    struct record_id unused;
    struct buffer body;
    buffer_init(&body);
    record_admit_write(&let->admit, &body);
    enum error_code code = ERR_OK;
    if (body.failed) {
        code = error_set(err, ERR_MEMORY, "admit");
    } else if (let->admit.role == ROLE_LEAD) {
        code = station_append_root(call->station, RECORD_ADMIT, buffer_slice(&body), &unused, err);
    } else {
        code = station_append(call->station, RECORD_ADMIT, buffer_slice(&body), &unused, err);
    }
    buffer_release(&body);
    return code;
}

/* Doing it again only writes the grant again. */
static enum error_code let_in(struct verb_call *call, const struct letting *let,
                              struct error *err) {
    struct pairs_station held;
    enum error_code code = pairs_station(call->station->ledger, &let->admit.key, &held, err);
    if (code == ERR_OK && (held.dead || held.stolen)) {
        error_set(err, ERR_NOT_ALLOWED, "the key was retired");
        return error_say(err, "That station was put out of the event. It needs new keys: join with "
                              "another folder.");
    }
    if (code == ERR_OK && held.role == let->admit.role && strcmp(held.name, let->name) == 0) {
        return ERR_OK;
    }
    if (code == ERR_OK && held.role > let->admit.role) {
        error_set(err, ERR_NOT_ALLOWED, "the key has a higher role");
        return error_say(err, "That station may do more already, and that cannot be taken back. "
                              "Put it out (retire), and let it join with another folder.");
    }
    if (code != ERR_OK && code != ERR_NOT_FOUND) {
        return code;
    }
    code = check_name(call, let, err);
    if (code == ERR_OK && let->admit.role == ROLE_LEAD) {
        code = station_root_open(call->station, call->seed, err);
    }
    return code == ERR_OK ? append_admit(call, let, err) : code;
}

static bool same_ranges(const struct bib_ranges *a, const struct bib_ranges *b) {
    bool same = a->count == b->count;
    for (size_t i = 0; same && i < a->count; i++) {
        same = a->range[i].first == b->range[i].first && a->range[i].last == b->range[i].last;
    }
    return same;
}

static enum error_code give_bibs(struct verb_call *call, const struct sign_public *key,
                                 const struct bib_ranges *bibs, struct error *err) {
    struct record_id unused;
    struct bib_ranges has = {0};
    struct record_allot allot = {.key = *key, .bibs = *bibs};
    enum error_code code = pairs_allotted(call->station->ledger, key, &has, err);
    if (code == ERR_OK && same_ranges(&has, bibs)) {
        return ERR_OK;
    }
    if (code != ERR_OK && code != ERR_NOT_FOUND) {
        return code;
    }
    struct buffer body;
    buffer_init(&body);
    record_allot_write(&allot, &body);
    code = body.failed
               ? error_set(err, ERR_MEMORY, "allot")
               : station_append(call->station, RECORD_ALLOT, buffer_slice(&body), &unused, err);
    buffer_release(&body);
    return code;
}

/* ---- the grant ---- */

struct granting {
    struct files_writer writer;
    struct ledger *ledger;
    struct error *err;
    struct buffer out;
    uint64_t records;
    struct log_id log; /* the last one looked at, and whether it goes into grants */
    enum error_code code;
    bool wanted;
};

static bool is_of_lead(struct granting *grant, const struct log_id *log) {
    struct sign_public key;
    struct pairs_station station;
    struct error unused;
    struct ledger_event event = ledger_event(grant->ledger);
    return ledger_log_key(grant->ledger, log, &key) &&
           (ID_EQUAL(key, event.root) ||
            (pairs_station(grant->ledger, &key, &station, &unused) == ERR_OK &&
             station.role == ROLE_LEAD));
}

static void flush(struct granting *grant) {
    if (grant->out.failed) {
        grant->code = error_set(grant->err, ERR_MEMORY, "grant");
    }
    if (grant->code == ERR_OK) {
        grant->code = files_writer_put(&grant->writer, buffer_slice(&grant->out), grant->err);
    }
    buffer_clear(&grant->out);
}

static bool put_record(void *context, struct slice raw) {
    struct granting *grant = context;
    struct record record;
    grant->code = record_decode(raw, &record, grant->err);
    if (grant->code != ERR_OK) {
        return false;
    }
    if (grant->records == 0 || !ID_EQUAL(record.log, grant->log)) {
        grant->log = record.log;
        grant->wanted = is_of_lead(grant, &record.log);
    }
    grant->records++;
    if (grant->wanted) {
        buffer_append_slice(&grant->out, raw);
    }
    if (grant->out.size >= WRITE_SIZE || grant->out.failed) {
        flush(grant);
    }
    return grant->code == ERR_OK;
}

static enum error_code write_grant(struct verb_call *call, const struct letting *let,
                                   struct error *err) {
    struct granting *grant = calloc(1, sizeof(*grant));
    struct error reading;
    if (grant == NULL) {
        return error_set(err, ERR_MEMORY, "grant");
    }
    grant->ledger = call->station->ledger;
    grant->err = err;
    buffer_init(&grant->out);
    struct ledger_event event = ledger_event(grant->ledger);
    grant->code = files_writer_open(let->out, 0644, let->force ? FILES_REPLACE : FILES_NEW,
                                    &grant->writer, err);
    if (grant->code == ERR_OK) {
        grant_head_put(&event, &let->admit.key, &grant->out);
        enum error_code read = ledger_each(grant->ledger, put_record, grant, &reading);
        if (read != ERR_OK && grant->code == ERR_OK) {
            *err = reading;
            grant->code = read;
        }
        flush(grant);
    }
    if (grant->code == ERR_OK) {
        grant->code = files_writer_finish(&grant->writer, err);
    } else {
        files_writer_abandon(&grant->writer);
    }
    enum error_code code = grant->code;
    buffer_release(&grant->out);
    free(grant);
    return code;
}

static void tell(struct verb_call *call, const struct letting *let) {
    static const char *const roles[] = {
        [ROLE_READER] = "reader", [ROLE_TABLE] = "table", [ROLE_LEAD] = "lead"};
    char numbers[400] = "";
    if (let->has_bibs) {
        bib_ranges_text(&let->bibs, numbers, sizeof(numbers));
    }
    if (call->json) {
        show_json(&call->out, json_pack("{s:o, s:s, s:s, s:o}", "station",
                                        show_text_json(let->name), "role", roles[let->admit.role],
                                        "bibs", numbers, "grant", show_text_json(let->out)));
        return;
    }
    show_plain(&call->out, slice_text(let->name));
    buffer_print(&call->out,
                 " is let in as %s%s%s. Take this grant to it (bibweave join --grant "
                 "FILE): ",
                 roles[let->admit.role], numbers[0] == '\0' ? "" : ", with bibs ", numbers);
    show_plain(&call->out, slice_text(let->out));
    buffer_print(&call->out, "\n");
}

void verb_admit(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    struct letting *let = parts_room(call, sizeof(*let));
    if (let == NULL) {
        return;
    }
    enum error_code code =
        parts_words(call, "admit", 1, 1, "the request's file name", &options, &err);
    bool may = code != ERR_OK || verb_may_write(call, &self);
    if (code == ERR_OK && may) {
        code = check_lead(&self, &err);
        if (code == ERR_OK) {
            code = read_letting(call, &options, let, &err);
        }
        if (code == ERR_OK) {
            code = let_in(call, let, &err);
            station_root_close(call->station);
        }
        if (code == ERR_OK && let->has_bibs) {
            code = give_bibs(call, &let->admit.key, &let->bibs, &err);
        }
        if (code == ERR_OK) {
            code = write_grant(call, let, &err);
        }
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    } else if (may) {
        tell(call, let);
    }
    buffer_release(&let->request);
    free(let);
    options_release(&options);
}

/* ---- allot ---- */

/* The range that holds a number; NULL for none. */
static const struct bib_range *range_of(const struct bib_ranges *ranges, uint64_t number) {
    for (size_t i = 0; i < ranges->count; i++) {
        if (number >= ranges->range[i].first && number <= ranges->range[i].last) {
            return &ranges->range[i];
        }
    }
    return NULL;
}

static enum error_code check_within(const struct record_found *found, const struct bib_ranges *bibs,
                                    struct error *err) {
    char ranges[160];
    for (size_t i = 0; i < bibs->count; i++) {
        for (uint64_t number = bibs->range[i].first; number <= bibs->range[i].last;) {
            const struct bib_range *within = range_of(&found->bibs, number);
            within = within == NULL ? range_of(&found->late, number) : within;
            if (within == NULL) {
                bib_ranges_text(&found->bibs, ranges, sizeof(ranges));
                error_set(err, ERR_BIB, "%llu is not in %s", (unsigned long long)number, ranges);
                return error_say(err,
                                 "%llu is not a number of this event (%s). Nothing was given: say "
                                 "the numbers again.",
                                 (unsigned long long)number, ranges);
            }
            number = within->last + 1;
        }
    }
    return ERR_OK;
}

/* Who else had, or is promised, what is given away. */
struct claims {
    struct verb_call *call;
    const struct bib_ranges *bibs;
    const struct sign_public *to;
    struct wall_ms now;
    struct buffer text;
    json_t *notes;
};

static bool in_both(const struct bib_range *a, const struct bib_range *b, struct bib_range *both) {
    both->first = a->first > b->first ? a->first : b->first;
    both->last = a->last < b->last ? a->last : b->last;
    return both->first <= both->last;
}

static void note_claim(struct claims *claims, const struct bib_range *range, const char *before,
                       const char *name, const char *after) {
    struct buffer say;
    buffer_init(&say);
    buffer_print(&say, "Bibs %llu-%llu %s ", (unsigned long long)range->first,
                 (unsigned long long)range->last, before);
    show_plain(&say, slice_text(name));
    buffer_print(&say, "%s", after);
    json_array_append_new(claims->notes,
                          json_stringn(say.data == NULL ? "" : (const char *)say.data, say.size));
    buffer_append_slice(&claims->text, buffer_slice(&say));
    buffer_print(&claims->text, "\n");
    buffer_release(&say);
}

/* A number that was taken over since is no longer its first owner's. */
static bool still_has(struct ledger *ledger, const struct pairs_station *station, uint64_t number) {
    struct pairs_station owner;
    struct error ignored;
    return pairs_owner(ledger, number, &owner, &ignored) == ERR_OK &&
           ID_EQUAL(owner.key, station->key);
}

static bool add_owner(void *context, const struct pairs_station *station) {
    struct claims *claims = context;
    struct ledger *ledger = claims->call->station->ledger;
    struct bib_ranges has = {0};
    struct bib_range both;
    struct error ignored;
    if (ID_EQUAL(station->key, *claims->to) || station->dead || station->stolen ||
        pairs_allotted(ledger, &station->key, &has, &ignored) != ERR_OK) {
        return true;
    }
    for (size_t i = 0; i < has.count * claims->bibs->count; i++) {
        if (in_both(&has.range[i / claims->bibs->count],
                    &claims->bibs->range[i % claims->bibs->count], &both) &&
            (still_has(ledger, station, both.first) || still_has(ledger, station, both.last))) {
            note_claim(claims, &both, "were with", station->name,
                       " until now: tell the people there.");
        }
    }
    return true;
}

static bool add_promise(void *context, const struct pairs_ticket *ticket) {
    struct claims *claims = context;
    struct bib_range both;
    if (ticket->used > 0 || ticket->cancelled || claims->now.ms >= ticket->expires.ms) {
        return true;
    }
    for (size_t i = 0; i < ticket->bibs.count * claims->bibs->count; i++) {
        if (in_both(&ticket->bibs.range[i / claims->bibs->count],
                    &claims->bibs->range[i % claims->bibs->count], &both)) {
            note_claim(claims, &both, "are also in the ticket for", ticket->name,
                       ", which is still open: whoever comes with it takes them over.");
        }
    }
    return true;
}

static enum error_code find_claims(struct claims *claims, struct error *err) {
    struct ledger *ledger = claims->call->station->ledger;
    enum error_code code = pairs_each_station(ledger, add_owner, claims, err);
    return code == ERR_OK ? pairs_each_ticket(ledger, add_promise, claims, err) : code;
}

static void tell_allotted(struct claims *claims, const char *name) {
    struct verb_call *call = claims->call;
    char numbers[400];
    bib_ranges_text(claims->bibs, numbers, sizeof(numbers));
    if (call->json) {
        show_json(&call->out, json_pack("{s:o, s:s, s:O}", "station", show_text_json(name), "bibs",
                                        numbers, "notes", claims->notes));
    } else {
        show_plain(&call->out, slice_text(name));
        buffer_print(&call->out, " has bibs %s.\n", numbers);
        buffer_append_slice(&call->out, buffer_slice(&claims->text));
    }
}

static enum error_code allot(struct verb_call *call, const struct options *options,
                             const struct pairs_station *self, struct error *err) {
    struct pairs_station station;
    const struct record_found *found = NULL;
    struct bib_ranges bibs;
    struct claims claims = {.call = call, .bibs = &bibs, .to = &station.key, .now = station_wall()};
    enum error_code code = bib_ranges_parse(slice_text(options->rest[1]), &bibs, err);
    if (code == ERR_OK) {
        code = parts_found(call, &found, err);
    }
    if (code == ERR_OK) {
        code = check_within(found, &bibs, err);
    }
    if (code == ERR_OK) {
        code = pairs_station_by_name(call->station->ledger, options->rest[0], &station, err);
        if (code == ERR_NOT_FOUND) {
            error_say(err, "There is no station called %.100s.", options->rest[0]);
        }
    }
    /* A table takes a stack over by giving it to itself. */
    if (code == ERR_OK && self->role != ROLE_LEAD && !ID_EQUAL(station.key, self->key)) {
        error_set(err, ERR_NOT_ALLOWED, "this station is no lead");
        code = error_say(err, "Only the lead gives numbers to other tables.");
    }
    buffer_init(&claims.text);
    claims.notes = json_array();
    if (code == ERR_OK) {
        code = find_claims(&claims, err); /* before they change hands */
    }
    if (code == ERR_OK) {
        code = give_bibs(call, &station.key, &bibs, err);
    }
    if (code == ERR_OK) {
        tell_allotted(&claims, station.name);
    }
    json_decref(claims.notes);
    buffer_release(&claims.text);
    return code;
}

void verb_allot(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    enum error_code code =
        parts_words(call, "allot", 2, 2, "the station's name and its numbers", &options, &err);
    if (code == ERR_OK && verb_may_write(call, &self)) {
        code = allot(call, &options, &self, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    options_release(&options);
}
