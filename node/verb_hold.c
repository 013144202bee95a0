/*
 * verb_hold.c: `hold` and `unhold`: bibs that are not to be chipped for now.
 *
 * All bibs of one call are recorded together or none. Must never say that a bib is free which a
 * lead still holds back.
 */
#include <stdlib.h>
#include <string.h>

#include "common/before.h"
#include "node/show_day.h"
#include "node/verb_parts.h"

enum { BIBS_MAX = 500 };

struct holding {
    struct verb_call *call;
    bool is_lead;
    enum hold_how how;
    const char *reason;
    size_t count;
    struct bib bib[BIBS_MAX];
    struct station_act act[BIBS_MAX];
    struct buffer body[BIBS_MAX];
};

/* ---- reading ---- */

static enum error_code read_how(const struct options *options, enum hold_how *how,
                                struct error *err) {
    bool missing = options_has(options, "--missing"), reprint = options_has(options, "--reprint");
    if (missing && reprint) {
        error_set(err, ERR_USAGE, "--missing with --reprint");
        return error_say(err, "A bib is either missing or to be reprinted. Give one of the two.");
    }
    *how = missing ? HOLD_MISSING : reprint ? HOLD_REPRINT : HOLD_HELD;
    return ERR_OK;
}

static enum error_code read_bibs(struct holding *holding, const struct options *options,
                                 struct error *err) {
    bool zeros_count = parts_zeros_count(holding->call);
    enum error_code code = ERR_OK;
    if (options->rest_count > BIBS_MAX) {
        error_set(err, ERR_LIMIT, "%zu bibs", options->rest_count);
        return error_say(err, "At most %d bibs can be given at once.", BIBS_MAX);
    }
    for (size_t i = 0; code == ERR_OK && i < options->rest_count; i++) {
        struct bib *bib = &holding->bib[holding->count];
        bool twice = false;
        code = bib_parse(slice_text(options->rest[i]), zeros_count, bib, err);
        for (size_t j = 0; code == ERR_OK && j < holding->count; j++) {
            twice = twice || strcmp(holding->bib[j].text, bib->text) == 0;
        }
        holding->count += code == ERR_OK && !twice;
    }
    return code;
}

/* ---- does it make sense ---- */

/* What a lead holds back stays so whatever a table says. */
static enum error_code check_lead(const struct holding *holding, const struct pairs_hold *hold,
                                  struct error *err) {
    struct pairs_station author;
    if (holding->is_lead || hold->how != HOLD_HELD) {
        return ERR_OK;
    }
    enum error_code code =
        pairs_station(holding->call->station->ledger, &hold->said.station, &author, err);
    bool by_root = code == ERR_NOT_FOUND; /* whose key is no station's */
    if (code != ERR_OK && !by_root) {
        return code;
    }
    if (!by_root && author.role < ROLE_LEAD) {
        return ERR_OK;
    }
    error_set(err, ERR_NOT_ALLOWED, "held by a lead");
    return error_say(err, "Bib %s is held back by %.100s: \"%.100s\". Only a lead changes that.",
                     hold->bib.text, hold->said.table, hold->reason);
}

static enum error_code check_bib(const struct holding *holding, const struct bib *bib,
                                 struct error *err) {
    struct pairs_hold hold;
    enum error_code code = pairs_hold(holding->call->station->ledger, bib, &hold, err);
    if (code == ERR_OK) {
        return check_lead(holding, &hold, err);
    }
    if (code != ERR_NOT_FOUND || holding->how != HOLD_FREE) {
        return code == ERR_NOT_FOUND ? ERR_OK : code;
    }
    return error_say(err, "Bib %s is not held back, so there is nothing to give free.", bib->text);
}

/* ---- doing it ---- */

static enum error_code append(struct holding *holding, struct error *err) {
    struct record_id last;
    bool failed = false;
    for (size_t i = 0; i < holding->count; i++) {
        struct record_hold hold = {
            .bib = holding->bib[i], .how = holding->how, .reason = slice_text(holding->reason)};
        record_hold_write(&hold, &holding->body[i]);
        failed = failed || holding->body[i].failed;
        holding->act[i] = (struct station_act){RECORD_HOLD, buffer_slice(&holding->body[i])};
    }
    return failed ? error_set(err, ERR_MEMORY, "holds")
                  : station_append_all(holding->call->station, holding->act, holding->count, &last,
                                       err);
}

/* A slip of the finger is kept like any other hold, so it is told at once. */
static void tell_outside(const struct holding *holding, const struct bib *bib) {
    struct before before;
    struct error err;
    struct verb_call *call = holding->call;
    if (holding->how != HOLD_FREE &&
        before_issue(call->station->ledger, &call->station->keys.sign_public, bib, &before, &err) ==
            ERR_OK &&
        before.outside) {
        buffer_print(&call->out,
                     "  Bib %s is not a number of this event: if it was mistyped, "
                     "unhold it.\n",
                     bib->text);
    }
}

static enum error_code tell_one(const struct holding *holding, const struct bib *bib, json_t *array,
                                struct error *err) {
    struct pairs_bib state;
    struct verb_call *call = holding->call;
    enum error_code code = pairs_bib(call->station->ledger, bib, &state, err);
    if (code == ERR_OK && call->json) {
        json_array_append_new(array, json_pack("{s:s, s:s, s:s}", "bib", bib->text, "how",
                                               show_hold_name(holding->how), "state",
                                               show_state_name(state.state)));
    } else if (code == ERR_OK) {
        buffer_print(&call->out, "Bib %s is %s%s.\n", bib->text,
                     holding->how == HOLD_FREE ? "free again" : show_hold_word(holding->how),
                     holding->how != HOLD_FREE && state.live > 0
                         ? ". It has a chip already, which stays on the list"
                         : "");
        tell_outside(holding, bib);
    }
    return code;
}

static enum error_code tell(const struct holding *holding, struct error *err) {
    json_t *array = json_array();
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < holding->count; i++) {
        code = tell_one(holding, &holding->bib[i], array, err);
    }
    if (code == ERR_OK && holding->call->json) {
        show_json(&holding->call->out, json_pack("{s:O}", "bibs", array));
    }
    json_decref(array);
    return code;
}

static enum error_code hold(struct holding *holding, const struct options *options,
                            struct error *err) {
    enum error_code code = read_bibs(holding, options, err);
    if (code == ERR_OK) {
        code = parts_text(options, "--reason", RECORD_TEXT_MAX, &holding->reason, err);
    }
    if (code == ERR_OK) {
        code = parts_helper(holding->call, options, err);
    }
    for (size_t i = 0; code == ERR_OK && i < holding->count; i++) {
        code = check_bib(holding, &holding->bib[i], err);
    }
    if (code == ERR_OK) {
        code = append(holding, err);
    }
    return code == ERR_OK ? tell(holding, err) : code;
}

static void run(struct verb_call *call, const char *name, bool free_again) {
    struct options options;
    struct error err;
    struct pairs_station self;
    const char *reason = NULL;
    struct holding *holding = parts_room(call, sizeof(*holding));
    if (holding == NULL) {
        return;
    }
    holding->call = call;
    holding->how = HOLD_FREE;
    enum error_code code =
        parts_words(call, name, 1, OPTIONS_MAX, "one or more bib numbers", &options, &err);
    if (code == ERR_OK && !free_again) {
        code = read_how(&options, &holding->how, &err);
    }
    if (code == ERR_OK && !free_again) {
        code = parts_needed(&options, "--reason", &reason, &err);
    }
    if (code == ERR_OK && verb_may_write(call, &self)) {
        holding->is_lead = self.role >= ROLE_LEAD;
        code = hold(holding, &options, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    for (size_t i = 0; i < BIBS_MAX; i++) {
        buffer_release(&holding->body[i]);
    }
    free(holding);
    options_release(&options);
}

void verb_hold(struct verb_call *call) {
    run(call, "hold", false);
}

void verb_unhold(struct verb_call *call) {
    run(call, "unhold", true);
}
