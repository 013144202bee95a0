/*
 * verb_issue.c: `issue`: records that a bib has got its chips.
 *
 * Looks in the own ledger first, and stops where a person would want to know something: the bib
 * has a chip, the chip is on another bib, the number is another table's or no number of the event.
 * Must never say done before the commit, nor replace what the person did not ask to replace.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/before.h"
#include "node/issue_file.h"
#include "node/show.h"
#include "node/verb_parts.h"

struct order {
    struct record_issue issue;
    const struct record_category *category;
    const char *replace, *extra, *reason; /* NULL where not given */
    struct parts_issues present;          /* live or doubtful issues of the bib */
    struct before before;                 /* what speaks against it */
    struct pairs_bib state;
};

/* ---- reading the command ---- */

/* One tag in the antenna's field, read twice, is one tag. */
static enum error_code check_twice(const struct record_issue *issue, struct error *err) {
    for (size_t i = 0; i < issue->tag_count; i++) {
        for (size_t j = i + 1; j < issue->tag_count; j++) {
            const struct tid *a = &issue->tag[i].tid;
            const struct tid *b = &issue->tag[j].tid;
            if (a->size > 0 &&
                slice_equal(slice_of(a->data, a->size), slice_of(b->data, b->size))) {
                error_set(err, ERR_TAG, "one TID twice");
                return error_say(err, "The same chip was read twice. Read the other one too.");
            }
        }
    }
    return ERR_OK;
}

static enum error_code read_tags(const struct options *options, struct order *order,
                                 struct error *err) {
    struct record_issue *issue = &order->issue;
    const char *value = NULL;
    for (size_t i = 0; (value = options_value_at(options, "--tag", i)) != NULL; i++) {
        if (issue->tag_count == RECORD_TAGS_MAX) {
            error_set(err, ERR_TAG, "more than %d tags", RECORD_TAGS_MAX);
            return error_say(err, "A bib has at most %d chips.", RECORD_TAGS_MAX);
        }
        enum error_code code = parts_tag(value, &issue->tag[issue->tag_count], err);
        if (code != ERR_OK) {
            return code;
        }
        issue->tag_count++;
    }
    return check_twice(issue, err);
}

static enum error_code read_how(const char *value, bool has_tags, enum issue_how *how,
                                struct error *err) {
    if (value == NULL) {
        *how = has_tags ? ISSUE_SCAN : ISSUE_TYPED;
    } else if (strcmp(value, "scan") == 0) {
        *how = ISSUE_SCAN;
    } else if (strcmp(value, "typed") == 0) {
        *how = ISSUE_TYPED;
    } else if (strcmp(value, "series") == 0) {
        *how = ISSUE_SERIES;
    } else {
        error_set(err, ERR_USAGE, "--how %.60s", value);
        return error_say(err, "Say how the bib was given: --how scan, typed or series.");
    }
    return ERR_OK;
}

static enum error_code read_reason(const struct options *options, const char *name,
                                   const char **value, struct error *err) {
    *value = options_value(options, name);
    return *value == NULL ? ERR_OK : options_text(name, *value, RECORD_TEXT_MAX, err);
}

static enum error_code read_chip(const struct options *options, struct order *order,
                                 bool zeros_count, struct error *err) {
    struct parts_chip chip;
    const char *value = options_value(options, "--chip");
    if (order->replace == NULL) {
        if (value == NULL) {
            return ERR_OK;
        }
        error_set(err, ERR_USAGE, "--chip without --replace");
        return error_say(err, "Say --chip only with --replace: it tells where the old chip is.");
    }
    enum error_code code = parts_chip(value, zeros_count, &chip, err);
    order->issue.chip = chip.where;
    order->issue.has_chip_bib = chip.has_bib;
    order->issue.chip_bib = chip.bib;
    return code;
}

static enum error_code read_order(const struct options *options, const struct record_found *found,
                                  struct order *order, struct error *err) {
    enum error_code code =
        bib_parse(slice_text(options->rest[0]), found->zeros_count, &order->issue.bib, err);
    if (code == ERR_OK) {
        code = read_tags(options, order, err);
    }
    if (code == ERR_OK) {
        code = read_how(options_value(options, "--how"), order->issue.tag_count > 0,
                        &order->issue.how, err);
    }
    if (code == ERR_OK) {
        code = read_reason(options, "--replace", &order->replace, err);
    }
    if (code == ERR_OK) {
        code = read_reason(options, "--extra", &order->extra, err);
    }
    if (code == ERR_OK) {
        code = read_reason(options, "--reason", &order->reason, err);
    }
    if (code == ERR_OK) {
        code = read_chip(options, order, found->zeros_count, err);
    }
    if (code == ERR_OK && order->replace != NULL && order->extra != NULL) {
        error_set(err, ERR_USAGE, "--replace with --extra");
        code = error_say(err, "The new chip either replaces the old one or goes beside it. Give "
                              "--replace or --extra.");
    }
    order->issue.half = options_has(options, "--half");
    return code;
}

/* ---- does the number fit ---- */

/* "Table 2, 09:12, AB" */
static void who_text(const char *table, struct wall_ms wall, const char *helper, char *out,
                     size_t size) {
    struct buffer who;
    buffer_init(&who);
    show_who(&who, table, wall, helper, station_wall());
    snprintf(out, size, "%.*s", (int)who.size, who.data == NULL ? "" : (const char *)who.data);
    buffer_release(&who);
}

static enum error_code check_bib(const struct record_found *found, const struct order *order,
                                 struct error *err) {
    char ranges[160];
    if (order->reason != NULL || !order->before.outside) {
        return ERR_OK;
    }
    bib_ranges_text(&found->bibs, ranges, sizeof(ranges));
    error_set(err, ERR_BIB, "bib %s is not in %s", order->issue.bib.text, ranges);
    return error_say(err,
                     "Bib %s is not a number of this event (%s). If it is meant all the same, "
                     "run again with --reason TEXT.",
                     order->issue.bib.text, ranges);
}

/* A bib that was laid aside. A lead's station may go on with a reason where it is held; where it
 * was only missing, whoever has it in hand may. */
static enum error_code check_hold(struct verb_call *call, const struct order *order,
                                  struct error *err) {
    const struct before *before = &order->before;
    struct pairs_station self = {.role = ROLE_NONE};
    char who[160];
    bool held = before->verdict == BEFORE_HELD;
    if (!held && before->verdict != BEFORE_ABSENT) {
        return ERR_OK;
    }
    enum error_code code =
        pairs_station(call->station->ledger, &call->station->keys.sign_public, &self, err);
    if (code != ERR_OK && code != ERR_NOT_FOUND) {
        return code;
    }
    if (order->reason != NULL && (!held || self.role >= ROLE_LEAD)) {
        return ERR_OK;
    }
    const struct pairs_said *said = &before->hold.said;
    who_text(said->table, said->wall, said->helper, who, sizeof(who));
    error_set(err, ERR_NOT_ALLOWED, "hold %d on bib %s", (int)before->hold.how,
              order->issue.bib.text);
    if (held) {
        return error_say(err,
                         "Bib %s is on hold: %s%s%.80s. Lay it aside until it is free again "
                         "(unhold), or run again with --reason TEXT at a lead's station.",
                         order->issue.bib.text, who, before->hold.reason[0] == '\0' ? "" : ", ",
                         before->hold.reason);
    }
    return error_say(err,
                     "Bib %s was put down as not here or spoiled: %s. If it is in your hand, run "
                     "again with --reason TEXT.",
                     order->issue.bib.text, who);
}

/* Late entries are done wherever the runner stands, so nobody is asked about them. Where this table
 * has numbers of its own, one that nobody has is most likely that of a table let in later. */
static enum error_code check_owner(const struct order *order, struct error *err) {
    const struct before *before = &order->before;
    char own[160];
    if (order->reason != NULL || (!before->others && !before->unowned)) {
        return ERR_OK;
    }
    if (before->others) {
        error_set(err, ERR_NOT_YOURS, "allotted to %.100s", before->owner.name);
        return error_say(err,
                         "Bib %s belongs to %.100s. Hand it over there, or run again with "
                         "--reason TEXT; to take the whole stack over, use allot.",
                         order->issue.bib.text, before->owner.name);
    }
    bib_ranges_text(&before->own, own, sizeof(own));
    error_set(err, ERR_NOT_YOURS, "this table has %s", own);
    return error_say(err,
                     "Bib %s is not one of this table's (%s). Hand it over to its table, or run "
                     "again with --reason TEXT; to take the whole stack over, use allot.",
                     order->issue.bib.text, own);
}

/* ---- do the chips fit ---- */

/* How many tags stand beside the new ones. */
static size_t tags_beside(const struct order *order) {
    size_t count = 0;
    for (size_t i = 0; order->extra != NULL && i < order->present.count; i++) {
        count += order->present.issue[i].tag_count;
    }
    return count;
}

static enum error_code default_tags(struct order *order, struct error *err) {
    struct record_issue *issue = &order->issue;
    struct epc epc;
    enum error_code code = epc_for_bib(&order->category->scheme, &issue->bib, &epc, err);
    if (code != ERR_OK) {
        return code;
    }
    size_t beside = tags_beside(order);
    size_t all = order->category->tags_per_bib;
    size_t wanted = issue->half ? 1 : beside > 0 && beside < all ? all - beside : all;
    for (size_t i = 0; i < wanted; i++) {
        issue->tag[i] = (struct record_tag){.epc = epc};
    }
    issue->tag_count = wanted;
    return ERR_OK;
}

/* Fewer chips than a bib has are a half set, and said so; more need a reason. */
static enum error_code check_count(struct order *order, struct error *err) {
    struct record_issue *issue = &order->issue;
    size_t wanted = order->category->tags_per_bib;
    size_t all = issue->tag_count + tags_beside(order);
    if (issue->tag_count > wanted && order->reason == NULL && order->extra == NULL) {
        error_set(err, ERR_TAG, "%zu tags, and %zu a bib", issue->tag_count, wanted);
        return error_say(err,
                         "A bib of this event has %zu chip%s, and %zu were read. Take the "
                         "others away, or run again with --reason TEXT.",
                         wanted, wanted == 1 ? "" : "s", issue->tag_count);
    }
    if (issue->half && all >= wanted) {
        error_set(err, ERR_USAGE, "--half with %zu of %zu tags", all, wanted);
        return error_say(err,
                         "That is no half set: bib %s then has all of its chips. Leave out "
                         "--half.",
                         issue->bib.text);
    }
    issue->half = all < wanted;
    return ERR_OK;
}

static enum error_code check_scheme(const struct order *order, struct error *err) {
    for (size_t i = 0; i < order->issue.tag_count; i++) {
        enum error_code code =
            epc_fits(&order->category->scheme, &order->issue.bib, &order->issue.tag[i].epc, err);
        if (code != ERR_OK) {
            return code;
        }
    }
    return ERR_OK;
}

/* ---- is there one already ---- */

/* A chip that is on another bib: both would be timed as one. Fills *elsewhere with what there is.
 */
static enum error_code check_elsewhere(struct verb_call *call, const struct order *order,
                                       const struct pairs_filter *filter,
                                       struct parts_issues *elsewhere, struct error *err) {
    char who[160];
    enum error_code code = parts_issues(call->station->ledger, filter, elsewhere, err);
    parts_issues_keep_live(elsewhere, false);
    for (size_t i = 0; code == ERR_OK && i < elsewhere->count; i++) {
        const struct pairs_issue *other = &elsewhere->issue[i];
        if (strcmp(other->bib.text, order->issue.bib.text) != 0) {
            who_text(other->table, other->wall, other->helper, who, sizeof(who));
            error_set(err, ERR_ALREADY_ISSUED, "that chip is on bib %s", other->bib.text);
            return error_say(err,
                             "This chip is on bib %s: %s. Take another chip for bib %s; if "
                             "the list is wrong, take that one back first (void), or run again "
                             "with --reason TEXT.",
                             other->bib.text, who, order->issue.bib.text);
        }
    }
    return code;
}

static enum error_code check_tags_free(struct verb_call *call, const struct record_found *found,
                                       const struct order *order, struct parts_issues *elsewhere,
                                       struct error *err) {
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < order->issue.tag_count; i++) {
        const struct record_tag *tag = &order->issue.tag[i];
        struct pairs_filter filter = {.epc = tag->epc, .tid = tag->tid};
        if (order->reason != NULL || (tag->tid.size == 0 && !found->epc_unique)) {
            continue;
        }
        filter.which = tag->tid.size > 0 ? PAIRS_ISSUES_OF_TID : PAIRS_ISSUES_OF_EPC;
        parts_issues_release(elsewhere);
        code = check_elsewhere(call, order, &filter, elsewhere, err);
        if (code == ERR_OK && tag->tid.size > 0 && found->epc_unique) {
            filter.which = PAIRS_ISSUES_OF_EPC;
            parts_issues_release(elsewhere);
            code = check_elsewhere(call, order, &filter, elsewhere, err);
        }
    }
    return code;
}

static enum error_code check_present(const struct order *order, struct error *err) {
    char who[160];
    const char *bib = order->issue.bib.text;
    bool said = order->replace != NULL || order->extra != NULL;
    if (order->present.count == 0) {
        if (!said || order->before.ever) {
            return ERR_OK;
        }
        error_set(err, ERR_NOT_FOUND, "bib %s was never chipped", bib);
        return error_say(err,
                         "Bib %s has no chip yet, so there is nothing to replace or to add "
                         "to. Run again without --replace and --extra.",
                         bib);
    }
    if (said) {
        return ERR_OK;
    }
    const struct pairs_issue *first = &order->present.issue[0];
    who_text(first->table, first->wall, first->helper, who, sizeof(who));
    if (!first->counted) {
        error_set(err, ERR_ALREADY_ISSUED, "a record that does not count bears on bib %s", bib);
        return error_say(err,
                         "Bib %s is in doubt: it was chipped by %s, and that does not count. Read "
                         "its chip, then run again with --replace REASON.",
                         bib, who);
    }
    error_set(err, ERR_ALREADY_ISSUED, "%zu live issues of bib %s", order->present.count, bib);
    if (order->before.verdict == BEFORE_HALF) {
        return error_say(err,
                         "Bib %s is half done: %s. To add the chip that is missing, run again with "
                         "--extra REASON; to start it anew, with --replace REASON.",
                         bib, who);
    }
    if (order->state.state == PAIRS_DOUBLED) {
        return error_say(err,
                         "Bib %s is chipped twice: first by %s. Lay it aside and settle it; to "
                         "give it a new chip instead of both, run again with --replace REASON.",
                         bib, who);
    }
    return error_say(err,
                     "Bib %s already has a chip: %s. To give it a new chip, run again with "
                     "--replace REASON; to add a further chip, with --extra REASON; else "
                     "leave it.",
                     bib, who);
}

/* ---- doing it ---- */

static enum error_code name_present(struct order *order, struct error *err) {
    struct record_issue *issue = &order->issue;
    size_t count = order->present.count;
    if (count > ISSUE_NAMES_MAX) {
        error_set(err, ERR_LIMIT, "%zu live issues of one bib", count);
        return error_say(err, "Bib %s has too many chips on the list. Settle it first.",
                         issue->bib.text);
    }
    for (size_t i = 0; i < count; i++) {
        struct record_id *names = order->replace != NULL ? issue->replaces : issue->extra;
        names[i] = order->present.issue[i].id;
    }
    if (order->replace != NULL) {
        issue->replaces_count = count;
        issue->reason = slice_text(order->replace);
    } else if (order->extra != NULL) {
        issue->extra_count = count;
        issue->reason = slice_text(order->extra);
    } else if (order->reason != NULL) {
        issue->reason = slice_text(order->reason);
    }
    return ERR_OK;
}

static enum error_code append(struct verb_call *call, const struct order *order,
                              struct record_id *id, struct error *err) {
    struct buffer body;
    buffer_init(&body);
    record_issue_write(&order->issue, &body);
    enum error_code code =
        body.failed ? error_set(err, ERR_MEMORY, "issue")
                    : station_append(call->station, RECORD_ISSUE, buffer_slice(&body), id, err);
    buffer_release(&body);
    return code;
}

static void tell(struct verb_call *call, const struct order *order, const struct record_id *id) {
    const struct record_issue *issue = &order->issue;
    char hex[2 * sizeof(id->bytes) + 1];
    hex_encode(id->bytes, sizeof(id->bytes), hex);
    if (call->json) {
        json_t *tags = json_array();
        for (size_t i = 0; i < issue->tag_count; i++) {
            json_array_append_new(tags, show_tag_json(&issue->tag[i].epc, &issue->tag[i].tid));
        }
        show_json(&call->out, json_pack("{s:s, s:s, s:o, s:b}", "record", hex, "bib",
                                        issue->bib.text, "tags", tags, "half", issue->half));
        return;
    }
    buffer_print(&call->out, "Bib %s is chipped, record %.8s%s%s\n", issue->bib.text, hex,
                 order->replace == NULL ? "" : ", in place of the old chip",
                 issue->half ? ". One chip is still missing: add it with --extra REASON." : ".");
}

/* The error as verb_fail writes it, with the issues that are in the way. */
static void refuse(struct verb_call *call, const struct error *err,
                   const struct parts_issues *issues) {
    if (!call->json || err->code != ERR_ALREADY_ISSUED) {
        verb_fail(call, err);
        return;
    }
    verb_complain(call, err);
    show_json(&call->out, json_pack("{s:s, s:o, s:o, s:o}", "error", error_name(err->code), "say",
                                    show_text_json(err->say), "cause", show_text_json(err->cause),
                                    "issues", parts_issues_json(issues)));
}

static enum error_code look(struct verb_call *call, const struct record_found *found,
                            struct order *order, struct parts_issues *elsewhere,
                            struct error *err) {
    bool ever = false;
    enum error_code code = before_issue(call->station->ledger, &call->station->keys.sign_public,
                                        &order->issue.bib, &order->before, err);
    if (code == ERR_OK) {
        code = check_bib(found, order, err);
    }
    order->category = record_found_category(found, &order->issue.bib);
    if (code == ERR_OK) {
        code = check_scheme(order, err);
    }
    if (code == ERR_OK) {
        code = check_hold(call, order, err);
    }
    if (code == ERR_OK) {
        code = parts_present(call->station->ledger, &order->issue.bib, &order->present, &ever, err);
    }
    if (code == ERR_OK) {
        code = pairs_bib(call->station->ledger, &order->issue.bib, &order->state, err);
    }
    if (code == ERR_OK) {
        code = check_present(order, err);
    }
    if (code == ERR_OK) {
        code = check_owner(order, err);
    }
    if (code == ERR_OK && order->issue.tag_count == 0) {
        code = default_tags(order, err);
    }
    if (code == ERR_OK) {
        code = check_count(order, err);
    }
    if (code == ERR_OK) {
        code = check_tags_free(call, found, order, elsewhere, err);
    }
    return code == ERR_OK ? name_present(order, err) : code;
}

static void issue_one(struct verb_call *call, const struct options *options, struct order *order) {
    struct error err;
    struct record_id id;
    struct pairs_station self;
    struct parts_issues elsewhere = {0};
    const struct record_found *found = NULL;
    enum error_code code = parts_found(call, &found, &err);
    if (code == ERR_OK) {
        code = read_order(options, found, order, &err);
    }
    if (code == ERR_OK) {
        code = parts_helper(call, options, &err);
    }
    if (code == ERR_OK && !verb_may_write(call, &self)) {
        return;
    }
    if (code == ERR_OK) {
        code = look(call, found, order, &elsewhere, &err);
    }
    if (code == ERR_OK) {
        code = append(call, order, &id, &err);
    }
    if (code == ERR_OK) {
        tell(call, order, &id);
    } else {
        refuse(call, &err, elsewhere.count > 0 ? &elsewhere : &order->present);
    }
    parts_issues_release(&elsewhere);
}

/* `issue --from FILE`, which has no bib of its own. True if the call was that. */
static bool issue_from(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    const struct verb_option *known = verb_find("issue")->options;
    enum error_code code =
        options_read(known, call->arguments, call->argument_count, &options, &err);
    bool from = code == ERR_OK && options_has(&options, "--from");
    if (from) {
        code = options_rest(&options, 0, 0, "", &err);
    }
    if (from && code == ERR_OK && verb_may_write(call, &self)) {
        code = issue_file_begin(call, &options, &err);
    }
    if (from && code != ERR_OK) {
        verb_fail(call, &err);
    }
    options_release(&options);
    return from;
}

void verb_issue(struct verb_call *call) {
    struct options options;
    struct error err;
    if (issue_from(call)) {
        return;
    }
    struct order *order = parts_room(call, sizeof(*order));
    if (order == NULL) {
        return;
    }
    enum error_code code = parts_words(call, "issue", 1, 1, "a bib number", &options, &err);
    if (code == ERR_OK) {
        issue_one(call, &options, order);
    } else {
        verb_fail(call, &err);
    }
    parts_issues_release(&order->present);
    free(order);
    options_release(&options);
}
