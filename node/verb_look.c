/*
 * verb_look.c: `look`: what is on the antenna, and whether a bib carries what the list says.
 *
 * With a bib the look is kept, whatever it shows. Without, it only tells. Must never change who is
 * chipped, nor say that all is well where this station may not know.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/look.h"
#include "node/behind.h"
#include "node/proof.h"
#include "node/show_day.h"
#include "node/verb_parts.h"

enum { PEERS_MAX = SYNC_PEERS_MAX };

struct looking {
    struct verb_call *call;
    struct record_look body;
    struct look_tag tag[RECORD_TAGS_MAX];
    bool has_bib, unsure, trouble;
    bool two_numbers; /* chips of two bibs lie there together */
    size_t of_number; /* chips that have a number, */
    size_t too_many;  /* and where they are more than a bib has: how many it has */
    struct pairs_bib state;
    struct record_id id;
};

/* ---- reading ---- */

static enum error_code read_tags(const struct options *options, struct record_look *look,
                                 struct error *err) {
    const char *value = NULL;
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && (value = options_value_at(options, "--tag", i)) != NULL;
         i++) {
        if (look->tag_count == RECORD_TAGS_MAX) {
            error_set(err, ERR_TAG, "more than %d tags", RECORD_TAGS_MAX);
            return error_say(err, "At most %d chips can be looked at together.", RECORD_TAGS_MAX);
        }
        code = parts_tag(value, &look->tag[look->tag_count++], err);
    }
    return code;
}

/* ---- does this station know all ---- */

static enum error_code look_unsure(struct looking *looking, struct error *err) {
    struct verb_call *call = looking->call;
    struct sync_peer *peers = call->sync == NULL ? NULL : calloc(PEERS_MAX, sizeof(*peers));
    size_t count = peers == NULL ? 0 : sync_peers(call->sync, peers, PEERS_MAX);
    enum error_code code = behind_others(call->station->ledger, &call->station->keys.sign_public,
                                         &looking->unsure, err);
    looking->unsure = looking->unsure && behind_peers(peers, count);
    free(peers);
    return code;
}

/* ---- looking ---- */

static bool is_trouble(const struct look_tag *tag) {
    return tag->is != LOOK_IS_LIVE || tag->bibs > 1;
}

/* Two chips that are of two bibs; `first` is the number of those before this one. */
static void look_two(struct looking *looking, const struct look_tag *tag, char first[24]) {
    char its[24] = "";
    if (tag->is == LOOK_IS_LIVE) {
        snprintf(its, sizeof(its), "%s", tag->issue.bib.text);
    } else if (tag->has_number) {
        snprintf(its, sizeof(its), "%llu", (unsigned long long)tag->number);
    }
    looking->two_numbers =
        looking->two_numbers || (first[0] != '\0' && its[0] != '\0' && strcmp(first, its) != 0);
    if (its[0] != '\0') {
        memcpy(first, its, sizeof(its));
        looking->of_number++;
    }
}

/* One number on more chips than a bib has: right in an event of pairs, and a wrong stack else. */
static void look_count(struct looking *looking, const char first[24]) {
    const struct record_found *found = pairs_found(looking->call->station->ledger);
    struct bib bib = {{0}};
    if (found == NULL || looking->two_numbers || first[0] == '\0') {
        return;
    }
    memcpy(bib.text, first, strnlen(first, BIB_LENGTH_MAX));
    size_t all = record_found_category(found, &bib)->tags_per_bib;
    looking->too_many = looking->of_number > all ? all : 0;
}

static enum error_code look_tags(struct looking *looking, struct error *err) {
    enum error_code code = ERR_OK;
    char first[24] = "";
    for (size_t i = 0; code == ERR_OK && i < looking->body.tag_count; i++) {
        const struct record_tag *read = &looking->body.tag[i];
        struct look_tag *tag = &looking->tag[i];
        struct pairs_bib state = {0};
        code = look_tag(looking->call->station->ledger, &read->epc, &read->tid, tag, err);
        if (code == ERR_OK && tag->is == LOOK_IS_LIVE) {
            code = pairs_bib(looking->call->station->ledger, &tag->issue.bib, &state, err);
        }
        look_two(looking, tag, first);
        looking->trouble = looking->trouble || is_trouble(tag) || state.state == PAIRS_DOUBLED ||
                           state.doubt || state.crossed;
    }
    look_count(looking, first);
    looking->trouble = looking->trouble || looking->two_numbers || looking->too_many > 0;
    return code;
}

static enum error_code keep(struct looking *looking, struct error *err) {
    struct buffer body;
    buffer_init(&body);
    record_look_write(&looking->body, &body);
    enum error_code code = body.failed ? error_set(err, ERR_MEMORY, "a look")
                                       : station_append(looking->call->station, RECORD_LOOK,
                                                        buffer_slice(&body), &looking->id, err);
    buffer_release(&body);
    return code;
}

static enum error_code look_bib(struct looking *looking, struct error *err) {
    struct ledger *ledger = looking->call->station->ledger;
    struct record_look *body = &looking->body;
    enum error_code code =
        look_judge(ledger, &body->bib, body->tag, body->tag_count, &body->verdict, err);
    if (code == ERR_OK) {
        code = pairs_bib(ledger, &body->bib, &looking->state, err);
    }
    looking->trouble = looking->trouble || body->verdict != LOOK_RIGHT ||
                       looking->state.state == PAIRS_DOUBLED || looking->state.doubt ||
                       looking->state.crossed;
    return code == ERR_OK ? keep(looking, err) : code;
}

/* ---- telling ---- */

static const char *is_name(enum look_is is) {
    static const char *const names[] = {[LOOK_IS_UNKNOWN] = "unknown",
                                        [LOOK_IS_NUMBERED] = "numbered",
                                        [LOOK_IS_DEAD] = "dead",
                                        [LOOK_IS_LIVE] = "live"};
    return names[is];
}

static void tell_number(struct looking *looking, const struct look_tag *tag) {
    struct buffer *out = &looking->call->out;
    struct station *station = looking->call->station;
    struct pairs_station owner;
    struct error unused;
    buffer_print(out, "carries number %llu of this event, and is on nobody's list here",
                 (unsigned long long)tag->number);
    if (pairs_owner(station->ledger, tag->number, &owner, &unused) == ERR_OK &&
        !ID_EQUAL(owner.key, station->keys.sign_public)) {
        buffer_print(out, "; that number is one of ");
        show_plain(out, slice_text(owner.name));
        buffer_print(out, "'s");
    }
    buffer_print(out, ".\n");
}

/* Until now: a look with a bib is kept after this is asked. */
static bool is_unseen(const struct look_tag *tag) {
    bool unseen = false;
    for (size_t i = 0; tag->issue.how == ISSUE_FILE && i < tag->issue.tag_count; i++) {
        unseen = unseen || !tag->issue.tag[i].seen;
    }
    return unseen;
}

static void tell_tag(struct looking *looking, size_t at) {
    const struct look_tag *tag = &looking->tag[at];
    struct buffer *out = &looking->call->out;
    char epc[SHOW_EPC_SIZE];
    show_epc(&looking->body.tag[at].epc, epc);
    buffer_print(out, "Chip %s: ", epc);
    switch (tag->is) {
    case LOOK_IS_LIVE:
        buffer_print(out, "bib %s: ", tag->issue.bib.text);
        show_who(out, tag->issue.table, tag->issue.wall, tag->issue.helper, station_wall());
        buffer_print(out, ".\n");
        if (is_unseen(tag)) {
            buffer_print(out, "  It is from a supplier's list, and nobody has read it yet%s.\n",
                         looking->has_bib ? "" : ": look at its bib with it");
        }
        if (tag->bibs > 1) {
            buffer_print(out, "  One chip on two bibs: also on bib %s.\n", tag->other.text);
        }
        break;
    case LOOK_IS_DEAD:
        buffer_print(out, "was on bib %s, and was taken back.\n", tag->issue.bib.text);
        show_issue(out, "  ", &tag->issue, station_wall());
        break;
    case LOOK_IS_NUMBERED:
        tell_number(looking, tag);
        break;
    case LOOK_IS_UNKNOWN:
        buffer_print(out, "on nobody's list here: %s.\n", tag->sight.name);
        break;
    }
}

static void tell_text(struct looking *looking) {
    struct buffer *out = &looking->call->out;
    if (looking->has_bib) {
        buffer_print(out, "Bib %s: %s.\n", looking->body.bib.text,
                     show_verdict(looking->body.verdict));
        if (looking->state.state != PAIRS_ISSUED) {
            buffer_print(out, "  On the list: %s.\n", show_state(looking->state.state));
        }
    }
    for (size_t i = 0; i < looking->body.tag_count; i++) {
        tell_tag(looking, i);
    }
    if (looking->two_numbers) {
        buffer_print(out, "Two numbers. Take the other one away, and look again.\n");
    }
    if (looking->too_many > 0) {
        buffer_print(out, "One number on %zu chips, and a bib of this event has %zu.\n",
                     looking->of_number, looking->too_many);
    }
    if (looking->unsure) {
        buffer_print(out, "This station may be behind: others may know more.\n");
    }
}

static const char *kind_name(enum tag_kind kind) {
    static const char *const names[] = {[TAG_BLANK] = "blank",
                                        [TAG_OURS] = "ours",
                                        [TAG_OTHER_EVENT] = "other_event",
                                        [TAG_OTHER_SCHEME] = "other_scheme",
                                        [TAG_GS1] = "gs1",
                                        [TAG_UNKNOWN] = "unknown"};
    return kind >= TAG_BLANK && kind <= TAG_UNKNOWN ? names[kind] : "";
}

static json_t *tag_json(const struct looking *looking, size_t at) {
    const struct look_tag *tag = &looking->tag[at];
    bool listed = tag->is == LOOK_IS_LIVE || tag->is == LOOK_IS_DEAD;
    json_t *object = show_tag_json(&looking->body.tag[at].epc, &looking->body.tag[at].tid);
    json_object_set_new(object, "is", json_string(is_name(tag->is)));
    json_object_set_new(object, "kind", json_string(kind_name(tag->sight.kind)));
    json_object_set_new(object, "name", show_text_json(tag->sight.name));
    json_object_set_new(object, "number",
                        tag->has_number ? json_integer((json_int_t)tag->number) : json_null());
    json_object_set_new(object, "shared", json_boolean(tag->bibs > 1));
    json_object_set_new(object, "issue", listed ? show_issue_json(&tag->issue) : json_null());
    return object;
}

static void tell_json(struct looking *looking) {
    json_t *object = json_object();
    json_t *tags = json_array();
    for (size_t i = 0; i < looking->body.tag_count; i++) {
        json_array_append_new(tags, tag_json(looking, i));
    }
    if (looking->has_bib) {
        json_object_set_new(object, "record",
                            show_hex_json(looking->id.bytes, sizeof(looking->id.bytes)));
        json_object_set_new(object, "bib", json_string(looking->body.bib.text));
        json_object_set_new(object, "verdict",
                            json_string(show_verdict_name(looking->body.verdict)));
        json_object_set_new(object, "state", json_string(show_state_name(looking->state.state)));
    }
    json_object_set_new(object, "tags", tags);
    json_object_set_new(object, "two_numbers", json_boolean(looking->two_numbers));
    json_object_set_new(object, "too_many", json_boolean(looking->too_many > 0));
    json_object_set_new(object, "behind", json_boolean(looking->unsure));
    show_json(&looking->call->out, object);
}

/* --stack FIRST-LAST: the look is one of those that prove that stack. */
static enum error_code read_stack(const struct options *options, struct record_look *look,
                                  struct error *err) {
    const char *typed = options_value(options, "--stack");
    struct proof_stack stack = {0};
    if (typed == NULL) {
        return ERR_OK;
    }
    if (options->rest_count == 0) {
        error_set(err, ERR_USAGE, "--stack without a bib");
        return error_say(err, "Say which bib of the stack was looked at.");
    }
    enum error_code code = proof_range(typed, &stack, err);
    look->has_stack = true;
    look->stack.first = stack.first < stack.last ? stack.first : stack.last;
    look->stack.last = stack.first < stack.last ? stack.last : stack.first;
    return code;
}

static enum error_code look(struct looking *looking, const struct options *options,
                            struct error *err) {
    struct verb_call *call = looking->call;
    struct pairs_station self;
    enum error_code code = read_tags(options, &looking->body, err);
    if (code == ERR_OK) {
        code = read_stack(options, &looking->body, err);
    }
    looking->has_bib = options->rest_count > 0;
    if (code == ERR_OK && looking->has_bib) {
        code = bib_parse(slice_text(options->rest[0]), parts_zeros_count(call), &looking->body.bib,
                         err);
    } else if (code == ERR_OK && looking->body.tag_count == 0) {
        error_set(err, ERR_USAGE, "neither a bib nor --tag");
        code = error_say(err, "Say what was looked at: a bib number, or --tag with what the chip "
                              "says.");
    }
    if (code == ERR_OK) {
        code = parts_helper(call, options, err);
    }
    if (code == ERR_OK && looking->has_bib && !verb_may_write(call, &self)) {
        return ERR_OK;
    }
    if (code == ERR_OK) {
        code = look_unsure(looking, err);
    }
    if (code == ERR_OK) {
        code = look_tags(looking, err);
    }
    if (code == ERR_OK && looking->has_bib) {
        code = look_bib(looking, err);
    }
    if (code == ERR_OK) {
        (call->json ? tell_json : tell_text)(looking);
        call->status = looking->trouble ? (int)ERROR_CLASS_STATE : 0;
    }
    return code;
}

void verb_look(struct verb_call *call) {
    struct options options;
    struct error err;
    struct looking *looking = parts_room(call, sizeof(*looking));
    if (looking == NULL) {
        return;
    }
    looking->call = call;
    enum error_code code = parts_words(call, "look", 0, 1, "a bib number", &options, &err);
    if (code == ERR_OK) {
        code = look(looking, &options, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    free(looking);
    options_release(&options);
}
