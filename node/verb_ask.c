/*
 * verb_ask.c: `ask` and `doubles`: what is known of a bib or a chip, and what is wrong.
 * Must never write.
 */
#include <stdlib.h>
#include <string.h>

#include "common/tag.h"
#include "node/show_day.h"
#include "node/verb_parts.h"

enum { PEERS_MAX = SYNC_PEERS_MAX, TAG_BIBS_MAX = 64 };

/* Whether some station is known to hold records that are not here. */
static bool is_behind(const struct verb_call *call) {
    bool behind = false;
    struct sync_peer *peers = call->sync == NULL ? NULL : calloc(PEERS_MAX, sizeof(*peers));
    size_t count = peers == NULL ? 0 : sync_peers(call->sync, peers, PEERS_MAX);
    for (size_t i = 0; i < count; i++) {
        behind = behind || peers[i].behind > 0;
    }
    free(peers);
    return behind;
}

/* ---- one bib ---- */

static enum error_code load_bib(struct verb_call *call, const struct bib *bib,
                                struct pairs_bib *state, struct parts_issues *issues,
                                struct error *err) {
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = *bib};
    *issues = (struct parts_issues){0};
    enum error_code code = pairs_bib(call->station->ledger, bib, state, err);
    return code == ERR_OK ? parts_issues(call->station->ledger, &filter, issues, err) : code;
}

/* What else was said of a bib: why it is held back, who looked at it, notes. */
struct said {
    json_t *hold, *looks, *notes;
    struct buffer text;
};

static bool add_look(void *context, const struct pairs_look *look) {
    struct said *said = context;
    json_array_append_new(said->looks, show_look_json(look));
    show_look(&said->text, "  ", look, station_wall());
    return true;
}

static bool add_note(void *context, const struct pairs_note *note) {
    struct said *said = context;
    json_array_append_new(said->notes, show_note_json(note));
    show_note(&said->text, "  ", note, station_wall());
    return true;
}

static enum error_code load_said(struct verb_call *call, const struct bib *bib, struct said *said,
                                 struct error *err) {
    struct pairs_hold hold;
    struct ledger *ledger = call->station->ledger;
    *said = (struct said){NULL, json_array(), json_array(), {0}};
    buffer_init(&said->text);
    enum error_code code = pairs_hold(ledger, bib, &hold, err);
    if (code == ERR_OK) {
        said->hold = show_hold_json(&hold);
        buffer_print(&said->text, "  ");
        show_hold(&said->text, &hold, station_wall());
        buffer_print(&said->text, "\n");
    } else if (code == ERR_NOT_FOUND) {
        said->hold = json_null();
        code = ERR_OK;
    }
    if (code == ERR_OK) {
        code = pairs_each_look(ledger, bib, add_look, said, err);
    }
    return code == ERR_OK ? pairs_each_note(ledger, bib, add_note, said, err) : code;
}

static void release_said(struct said *said) {
    json_decref(said->hold);
    json_decref(said->looks);
    json_decref(said->notes);
    buffer_release(&said->text);
}

/* Whether chips of the bib's set are missing. */
static bool is_half(const struct record_found *found, const struct pairs_bib *bib,
                    const struct parts_issues *issues) {
    size_t tags = 0;
    for (size_t i = 0; i < issues->count; i++) {
        tags += issues->issue[i].live ? issues->issue[i].tag_count : 0;
    }
    return bib->state == PAIRS_ISSUED && found != NULL &&
           tags < record_found_category(found, &bib->bib)->tags_per_bib;
}

/* Whether it is no number of the event, and nobody has chipped it all the same. */
static bool is_outside(const struct record_found *found, const struct pairs_bib *bib,
                       const struct parts_issues *issues) {
    uint64_t number = 0;
    bool within = found != NULL && bib_number(&bib->bib, &number) &&
                  (bib_ranges_hold(&found->bibs, number) || bib_ranges_hold(&found->late, number));
    return !within && bib->state == PAIRS_UNISSUED && issues->count == 0;
}

static json_t *bib_json(const struct record_found *found, const struct pairs_bib *bib,
                        const struct parts_issues *issues, const struct said *said, bool behind) {
    return json_pack("{s:s, s:s, s:s, s:b, s:b, s:b, s:b, s:o, s:O, s:O, s:O, s:b}", "bib",
                     bib->bib.text, "state", show_state_name(bib->state), "cause",
                     show_cause_name(bib->cause), "half", is_half(found, bib, issues), "outside",
                     is_outside(found, bib, issues), "doubt", bib->doubt, "crossed", bib->crossed,
                     "issues", parts_issues_json(issues), "hold", said->hold, "looks", said->looks,
                     "notes", said->notes, "behind", behind);
}

/* What begins like a chip's number, which people read off its label in part. */
static bool begins_a_chip(const struct bib *bib) {
    bool letter = false;
    for (const char *c = bib->text; *c != '\0'; c++) {
        if (*c == '-' || *c > 'F') {
            return false;
        }
        letter = letter || *c >= 'A';
    }
    return letter;
}

static void bib_text(struct buffer *out, const struct record_found *found,
                     const struct pairs_bib *bib, const struct parts_issues *issues) {
    if (is_outside(found, bib, issues)) {
        buffer_print(out, "Bib %s is no number of this event.%s\n", bib->bib.text,
                     begins_a_chip(&bib->bib)
                         ? " If you mean a chip, type the whole number of the chip."
                         : "");
        return;
    }
    buffer_print(out, "Bib %s: %s", bib->bib.text,
                 is_half(found, bib, issues) ? "half, a chip of its set is missing"
                                             : show_state(bib->state));
    if (bib->state == PAIRS_DOUBLED) {
        buffer_print(out, " (%s)", show_cause(bib->cause));
    }
    buffer_print(out, "%s%s.\n", bib->doubt ? "; in doubt: fetch it and read its chip" : "",
                 bib->crossed ? "; settled at two places at once: fetch it and read its chip" : "");
    for (size_t i = 0; i < issues->count; i++) {
        show_issue(out, "  ", &issues->issue[i], station_wall());
    }
}

static void tell_behind(struct verb_call *call, bool behind) {
    if (behind) {
        buffer_print(&call->out, "Other tables have more that is not here yet.\n");
    }
}

static enum error_code ask_bib(struct verb_call *call, const struct bib *bib, struct error *err) {
    struct pairs_bib state;
    struct parts_issues issues;
    bool behind = is_behind(call);
    struct said said = {NULL, NULL, NULL, {0}};
    enum error_code code = load_bib(call, bib, &state, &issues, err);
    if (code == ERR_OK) {
        code = load_said(call, bib, &said, err);
    }
    if (code == ERR_OK && call->json) {
        show_json(&call->out,
                  bib_json(pairs_found(call->station->ledger), &state, &issues, &said, behind));
    } else if (code == ERR_OK) {
        bib_text(&call->out, pairs_found(call->station->ledger), &state, &issues);
        buffer_append_slice(&call->out, buffer_slice(&said.text));
        tell_behind(call, behind);
    }
    release_said(&said);
    parts_issues_release(&issues);
    return code;
}

/* ---- one chip ---- */

/* What was typed as a tag, and the bibs that it is or was on. */
struct tag_asked {
    char text[SHOW_EPC_SIZE];
    struct epc epc;
    struct tid tid;
    bool is_epc, is_tid;
    struct tag_sight sight; /* of an EPC: what its bits say */
    bool has_number;        /* it carries a number of this event */
    uint64_t number;
    size_t bib_count;
    struct bib bib[TAG_BIBS_MAX];
};

static void add_bib(struct tag_asked *asked, const struct bib *bib) {
    for (size_t i = 0; i < asked->bib_count; i++) {
        if (strcmp(asked->bib[i].text, bib->text) == 0) {
            return;
        }
    }
    if (asked->bib_count < TAG_BIBS_MAX) {
        asked->bib[asked->bib_count++] = *bib;
    }
}

static bool add_issue(void *context, const struct pairs_issue *issue) {
    add_bib(context, &issue->bib);
    return true;
}

static void read_tag(const struct record_found *found, struct slice typed,
                     struct tag_asked *asked) {
    struct error unused;
    memset(asked, 0, sizeof(*asked));
    asked->is_epc = epc_parse(typed, &asked->epc, &unused) == ERR_OK;
    asked->is_tid = tid_parse(typed, &asked->tid, &unused) == ERR_OK;
    if (asked->is_epc) {
        show_epc(&asked->epc, asked->text);
        tag_recognise(found, &asked->epc, NULL, &asked->sight);
        asked->has_number = asked->sight.kind == TAG_OURS;
        asked->number = asked->sight.number;
    } else if (asked->is_tid) {
        show_tid(&asked->tid, asked->text);
    }
}

static enum error_code find_tag(struct verb_call *call, struct tag_asked *asked,
                                struct error *err) {
    struct ledger *ledger = call->station->ledger;
    struct pairs_filter by_tid = {.which = PAIRS_ISSUES_OF_TID, .tid = asked->tid};
    struct pairs_filter by_epc = {.which = PAIRS_ISSUES_OF_EPC, .epc = asked->epc};
    enum error_code code = ERR_OK;
    if (asked->is_tid) {
        code = pairs_each_issue(ledger, &by_tid, add_issue, asked, err);
    }
    if (code == ERR_OK && asked->is_epc) {
        code = pairs_each_issue(ledger, &by_epc, add_issue, asked, err);
    }
    return code;
}

static void tag_heading(struct verb_call *call, const struct tag_asked *asked) {
    bool named = asked->is_epc && !asked->is_tid; /* a TID's bits say nothing of a number */
    buffer_print(&call->out, "Chip %s: ", asked->text);
    if (asked->bib_count > 0) {
        buffer_print(&call->out, "on the list of %zu bib%s.\n", asked->bib_count,
                     asked->bib_count == 1 ? "" : "s");
    } else if (asked->has_number) {
        buffer_print(&call->out, "carries number %llu of this event, and is on no list here.\n",
                     (unsigned long long)asked->number);
    } else {
        buffer_print(&call->out, "on nobody's list here%s%s.\n", named ? ": " : "",
                     named ? asked->sight.name : "");
    }
}

static enum error_code ask_tag(struct verb_call *call, const struct tag_asked *asked,
                               struct error *err) {
    json_t *bibs = json_array();
    bool behind = is_behind(call);
    enum error_code code = ERR_OK;
    if (!call->json) {
        tag_heading(call, asked);
    }
    for (size_t i = 0; code == ERR_OK && i < asked->bib_count; i++) {
        struct pairs_bib state;
        struct parts_issues issues;
        struct said said = {NULL, NULL, NULL, {0}};
        code = load_bib(call, &asked->bib[i], &state, &issues, err);
        if (code == ERR_OK) {
            code = load_said(call, &asked->bib[i], &said, err);
        }
        if (code == ERR_OK && call->json) {
            json_array_append_new(
                bibs, bib_json(pairs_found(call->station->ledger), &state, &issues, &said, behind));
        } else if (code == ERR_OK) {
            bib_text(&call->out, pairs_found(call->station->ledger), &state, &issues);
            buffer_append_slice(&call->out, buffer_slice(&said.text));
        }
        release_said(&said);
        parts_issues_release(&issues);
    }
    if (code != ERR_OK) {
        json_decref(bibs);
        return code;
    }
    if (call->json) {
        json_t *number = asked->has_number ? json_integer((json_int_t)asked->number) : json_null();
        show_json(&call->out, json_pack("{s:s, s:o, s:o, s:b}", "tag", asked->text, "number",
                                        number, "bibs", bibs, "behind", behind));
    } else {
        json_decref(bibs);
        tell_behind(call, behind);
    }
    return ERR_OK;
}

/* Short hex is a bib label too: it is a bib unless only a chip of that name is known. */
static enum error_code ask(struct verb_call *call, const char *typed, struct error *err) {
    const struct record_found *found = NULL;
    struct bib bib;
    struct pairs_bib state;
    struct tag_asked asked;
    enum error_code code = parts_found(call, &found, err);
    if (code != ERR_OK) {
        return code;
    }
    read_tag(found, slice_text(typed), &asked);
    bool is_tag = asked.is_epc || asked.is_tid;
    code = find_tag(call, &asked, err);
    if (code != ERR_OK) {
        return code;
    }
    if (bib_parse(slice_text(typed), found->zeros_count, &bib, err) != ERR_OK) {
        if (is_tag) {
            return ask_tag(call, &asked, err);
        }
        error_set(err, ERR_BIB, "%.80s", typed);
        return error_say(err, "That is no bib number and no chip. Scan it, or type it again.");
    }
    code = pairs_bib(call->station->ledger, &bib, &state, err);
    if (code != ERR_OK) {
        return code;
    }
    bool has_issue = state.state != PAIRS_UNISSUED || state.doubt;
    return !has_issue && asked.bib_count > 0 ? ask_tag(call, &asked, err)
                                             : ask_bib(call, &bib, err);
}

void verb_ask(struct verb_call *call) {
    struct options options;
    struct error err;
    enum error_code code =
        parts_words(call, "ask", 1, 1, "a bib number, or what a chip says", &options, &err);
    if (code == ERR_OK) {
        code = ask(call, options.rest[0], &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    options_release(&options);
}

/* ---- doubles ---- */

/* Gathered first: reading issues while a list is being read is left out. */
struct doubles {
    struct bib *bib;
    size_t bib_count, bib_capacity;
    struct pairs_shared *shared;
    size_t shared_count, shared_capacity;
    bool failed;
};

static bool grow(void **items, size_t count, size_t *capacity, size_t size) {
    if (count < *capacity) {
        return true;
    }
    size_t wanted = *capacity == 0 ? 16 : 2 * *capacity;
    void *grown = realloc(*items, wanted * size);
    if (grown == NULL) {
        return false;
    }
    *items = grown;
    *capacity = wanted;
    return true;
}

static bool add_double(void *context, const struct pairs_bib *bib) {
    struct doubles *doubles = context;
    if (!grow((void **)&doubles->bib, doubles->bib_count, &doubles->bib_capacity,
              sizeof(*doubles->bib))) {
        doubles->failed = true;
        return false;
    }
    doubles->bib[doubles->bib_count++] = bib->bib;
    return true;
}

static bool add_shared(void *context, const struct pairs_shared *shared) {
    struct doubles *doubles = context;
    if (!grow((void **)&doubles->shared, doubles->shared_count, &doubles->shared_capacity,
              sizeof(*doubles->shared))) {
        doubles->failed = true;
        return false;
    }
    doubles->shared[doubles->shared_count++] = *shared;
    return true;
}

static enum error_code tell_double(struct verb_call *call, const struct bib *bib, json_t *array,
                                   struct error *err) {
    struct pairs_bib state;
    struct parts_issues issues;
    enum error_code code = load_bib(call, bib, &state, &issues, err);
    parts_issues_keep_live(&issues, state.doubt);
    if (code == ERR_OK && call->json) {
        json_array_append_new(array, json_pack("{s:s, s:s, s:o}", "bib", bib->text, "cause",
                                               show_cause_name(state.cause), "issues",
                                               parts_issues_json(&issues)));
    } else if (code == ERR_OK) {
        bib_text(&call->out, pairs_found(call->station->ledger), &state, &issues);
    }
    parts_issues_release(&issues);
    return code;
}

static enum error_code tell_shared(struct verb_call *call, const struct pairs_shared *shared,
                                   json_t *array, struct error *err) {
    char tag[SHOW_EPC_SIZE];
    struct parts_issues issues;
    struct pairs_filter filter = {.which =
                                      shared->by_tid ? PAIRS_ISSUES_OF_TID : PAIRS_ISSUES_OF_EPC,
                                  .epc = shared->epc,
                                  .tid = shared->tid};
    enum error_code code = parts_issues(call->station->ledger, &filter, &issues, err);
    parts_issues_keep_live(&issues, false);
    if (shared->by_tid) {
        show_tid(&shared->tid, tag);
    } else {
        show_epc(&shared->epc, tag);
    }
    json_t *bibs = json_array();
    for (size_t i = 0; i < shared->bib_count; i++) {
        json_array_append_new(bibs, json_string(shared->bib[i].text));
    }
    if (code == ERR_OK && call->json) {
        json_array_append_new(array, json_pack("{s:s, s:O, s:o}", "tag", tag, "bibs", bibs,
                                               "issues", parts_issues_json(&issues)));
    } else if (code == ERR_OK) {
        buffer_print(&call->out, "One chip on two bibs: %s.\n", tag);
        for (size_t i = 0; i < issues.count; i++) {
            buffer_print(&call->out, "  bib %s:\n", issues.issue[i].bib.text);
            show_issue(&call->out, "    ", &issues.issue[i], station_wall());
        }
    }
    json_decref(bibs);
    parts_issues_release(&issues);
    return code;
}

static enum error_code tell_doubles(struct verb_call *call, const struct doubles *doubles,
                                    struct error *err) {
    json_t *array = json_array();
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < doubles->bib_count; i++) {
        code = tell_double(call, &doubles->bib[i], array, err);
    }
    for (size_t i = 0; code == ERR_OK && i < doubles->shared_count; i++) {
        code = tell_shared(call, &doubles->shared[i], array, err);
    }
    if (code == ERR_OK && call->json) {
        show_json(&call->out, array);
        return ERR_OK;
    }
    if (code == ERR_OK && doubles->bib_count + doubles->shared_count == 0) {
        buffer_print(&call->out, "No bib is chipped twice, and no chip is on two bibs.\n");
    }
    json_decref(array);
    return code;
}

void verb_doubles(struct verb_call *call) {
    struct options options;
    struct error err;
    struct doubles doubles = {0};
    enum error_code code = parts_words(call, "doubles", 0, 0, "", &options, &err);
    if (code == ERR_OK) {
        code =
            pairs_each_bib(call->station->ledger, PAIRS_BIBS_DOUBLED, add_double, &doubles, &err);
    }
    if (code == ERR_OK) {
        code = pairs_each_shared(call->station->ledger, add_shared, &doubles, &err);
    }
    if (code == ERR_OK && doubles.failed) {
        code = error_set(&err, ERR_MEMORY, "doubles");
    }
    if (code == ERR_OK) {
        code = tell_doubles(call, &doubles, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    } else if (doubles.bib_count + doubles.shared_count > 0) {
        call->status = (int)ERROR_CLASS_STATE;
    }
    free(doubles.bib);
    free(doubles.shared);
    options_release(&options);
}
