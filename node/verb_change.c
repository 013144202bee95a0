/*
 * verb_change.c: `change` (a runner gets another bib, in one act) and `redo` (a run of bibs is
 * taken back in one go).
 *
 * Must never take back what another table chipped in a run that this one does again, nor leave a
 * change half done.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/before.h"
#include "node/show_day.h"
#include "node/verb_parts.h"

/* ---- change ---- */

struct changing {
    struct verb_call *call;
    const struct record_found *found;
    bool same_chip;
    struct bib old;
    struct parts_issues had; /* of the old bib */
    struct before before;    /* what speaks against the new one */
    struct record_issue issue;
    const char *reason;
    struct record_id id;
};

static enum error_code read_bibs(struct changing *changing, const struct options *options,
                                 struct error *err) {
    bool zeros_count = changing->found->zeros_count;
    enum error_code code =
        bib_parse(slice_text(options->rest[0]), zeros_count, &changing->old, err);
    if (code == ERR_OK) {
        code = bib_parse(slice_text(options->rest[1]), zeros_count, &changing->issue.bib, err);
    }
    if (code == ERR_OK && strcmp(changing->old.text, changing->issue.bib.text) == 0) {
        error_set(err, ERR_USAGE, "the same bib twice");
        return error_say(err, "Old and new number are the same. For a new chip on the same bib, "
                              "use issue BIB --replace REASON.");
    }
    return code;
}

/* The old bib has its chips, and not too many. */
static enum error_code check_old(struct changing *changing, struct error *err) {
    const char *old = changing->old.text, *bib = changing->issue.bib.text;
    bool ever = false;
    enum error_code code =
        parts_present(changing->call->station->ledger, &changing->old, &changing->had, &ever, err);
    if (code == ERR_OK && changing->had.count == 0) {
        error_set(err, ERR_NOT_FOUND, "no live issue of bib %s", old);
        return error_say(err, "Bib %s has no chip. Just give the runner bib %s: issue %s.", old,
                         bib, bib);
    }
    if (code == ERR_OK && changing->had.count > ISSUE_NAMES_MAX) {
        error_set(err, ERR_LIMIT, "%zu live issues", changing->had.count);
        return error_say(err, "Bib %s has too many chips on the list. Settle it first.", old);
    }
    return code;
}

/* The new bib is held back. A lead may go on with a reason, as with `issue`: and nobody else. */
static enum error_code check_hold(const struct changing *changing, enum role role,
                                  struct error *err) {
    const struct pairs_hold *hold = &changing->before.hold;
    if (changing->before.verdict != BEFORE_HELD ||
        (changing->reason[0] != '\0' && role >= ROLE_LEAD)) {
        return ERR_OK; /* a bib that was missing is in hand now */
    }
    error_set(err, ERR_NOT_ALLOWED, "on hold");
    return error_say(err,
                     "Bib %s is held back by %.60s: \"%.100s\". Have it given free first "
                     "(unhold), or take another number. At a lead's station --reason TEXT goes "
                     "on all the same.",
                     hold->bib.text, hold->said.table, hold->reason);
}

static enum error_code check_number(const struct changing *changing, struct error *err) {
    const struct before *before = &changing->before;
    const char *bib = changing->issue.bib.text;
    if (changing->reason[0] != '\0') {
        return ERR_OK;
    }
    if (before->outside) {
        error_set(err, ERR_BIB, "bib %s is not of this event", bib);
        return error_say(err,
                         "Bib %s is not a number of this event. If it is meant all the same, "
                         "run again with --reason TEXT.",
                         bib);
    }
    if (before->others) {
        error_set(err, ERR_NOT_YOURS, "allotted to %.100s", before->owner.name);
        return error_say(err,
                         "Bib %s belongs to %.100s. Take a number of this table, or run again "
                         "with --reason TEXT.",
                         bib, before->owner.name);
    }
    if (before->unowned) {
        error_set(err, ERR_NOT_YOURS, "allotted to nobody");
        return error_say(err,
                         "Bib %s is not one of this table's. Take a number of this table, or run "
                         "again with --reason TEXT.",
                         bib);
    }
    return ERR_OK;
}

/* What speaks against the new bib: as for `issue`, but that it must have no chip at all. */
static enum error_code check_new(struct changing *changing, enum role role, struct error *err) {
    const struct before *before = &changing->before;
    const char *bib = changing->issue.bib.text;
    enum error_code code =
        before_issue(changing->call->station->ledger, &changing->call->station->keys.sign_public,
                     &changing->issue.bib, &changing->before, err);
    if (code == ERR_OK && before->live > 0) {
        error_set(err, ERR_ALREADY_ISSUED, "%zu live issues of bib %s", before->live, bib);
        return error_say(err, "Bib %s already has a chip, from %.100s. Take another number.", bib,
                         before->issue.table);
    }
    if (code == ERR_OK && before->doubt) {
        error_set(err, ERR_ALREADY_ISSUED, "a record that does not count bears on bib %s", bib);
        return error_say(err,
                         "Bib %s is in doubt: a chip was recorded for it, and that does not "
                         "count. Take another number.",
                         bib);
    }
    if (code == ERR_OK) {
        code = check_number(changing, err);
    }
    return code == ERR_OK ? check_hold(changing, role, err) : code;
}

/* All chips that are on the old bib, to go on with the new number. */
static enum error_code take_over(struct changing *changing, struct error *err) {
    struct record_issue *issue = &changing->issue;
    for (size_t i = 0; i < changing->had.count; i++) {
        const struct pairs_issue *had = &changing->had.issue[i];
        /* A supplier's chip that nobody has read is none the more seen. */
        issue->how = had->how == ISSUE_FILE ? ISSUE_FILE : issue->how;
        for (size_t j = 0; j < had->tag_count; j++) {
            if (issue->tag_count == RECORD_TAGS_MAX) {
                error_set(err, ERR_LIMIT, "more than %d tags", RECORD_TAGS_MAX);
                return error_say(err, "Bib %s has too many chips on the list. Settle it first.",
                                 changing->old.text);
            }
            issue->tag[issue->tag_count++] =
                (struct record_tag){.epc = had->tag[j].epc,
                                    .tid = had->tag[j].tid,
                                    .roll = slice_text(had->tag[j].roll),
                                    .seen = had->tag[j].seen};
        }
    }
    changing->same_chip = true;
    return ERR_OK;
}

/* A chip that carries its bib's number cannot go on under another; one that comes as it is can. */
static enum error_code read_tags(struct changing *changing, const struct options *options,
                                 struct error *err) {
    struct record_issue *issue = &changing->issue;
    const struct record_category *category = record_found_category(changing->found, &issue->bib);
    enum error_code code = ERR_OK;
    const char *value = NULL;
    for (size_t i = 0; code == ERR_OK && (value = options_value_at(options, "--tag", i)) != NULL;
         i++) {
        if (issue->tag_count == RECORD_TAGS_MAX) {
            return error_set(err, ERR_TAG, "more than %d tags", RECORD_TAGS_MAX);
        }
        struct record_tag *tag = &issue->tag[issue->tag_count++];
        code = parts_tag(value, tag, err);
        if (code == ERR_OK) {
            code = epc_fits(&category->scheme, &issue->bib, &tag->epc, err);
        }
    }
    if (code != ERR_OK || issue->tag_count > 0) {
        issue->how = ISSUE_SCAN;
        return code;
    }
    issue->how = ISSUE_TYPED;
    if (category->scheme.kind == EPC_AS_READ) {
        return take_over(changing, err);
    }
    for (; code == ERR_OK && issue->tag_count < category->tags_per_bib; issue->tag_count++) {
        struct record_tag *tag = &issue->tag[issue->tag_count];
        *tag = (struct record_tag){.seen = false};
        code = epc_for_bib(&category->scheme, &issue->bib, &tag->epc, err);
    }
    return code;
}

/* A chip that goes on a bib must not be on a third one. */
static enum error_code check_tags(const struct changing *changing, struct error *err) {
    struct ledger *ledger = changing->call->station->ledger;
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < changing->issue.tag_count; i++) {
        const struct record_tag *tag = &changing->issue.tag[i];
        struct parts_issues issues = {0};
        struct pairs_filter filter = {.which = tag->tid.size > 0 ? PAIRS_ISSUES_OF_TID
                                                                 : PAIRS_ISSUES_OF_EPC,
                                      .epc = tag->epc,
                                      .tid = tag->tid};
        if (changing->reason[0] != '\0' || (tag->tid.size == 0 && !changing->found->epc_unique)) {
            continue;
        }
        code = parts_issues(ledger, &filter, &issues, err);
        parts_issues_keep_live(&issues, false);
        for (size_t j = 0; code == ERR_OK && j < issues.count; j++) {
            const char *bib = issues.issue[j].bib.text;
            if (strcmp(bib, changing->old.text) != 0) {
                error_set(err, ERR_ALREADY_ISSUED, "that chip is on bib %s", bib);
                code = error_say(err, "This chip is on bib %s. Take another chip for bib %s.", bib,
                                 changing->issue.bib.text);
            }
        }
        parts_issues_release(&issues);
    }
    return code;
}

static enum error_code read_rest(struct changing *changing, const struct options *options,
                                 struct error *err) {
    struct record_issue *issue = &changing->issue;
    struct parts_chip chip;
    const char *where = options_value(options, "--chip");
    size_t wanted = record_found_category(changing->found, &issue->bib)->tags_per_bib;
    enum error_code code = parts_chip(where, changing->found->zeros_count, &chip, err);
    for (size_t i = 0; i < changing->had.count; i++) {
        issue->replaces[issue->replaces_count++] = changing->had.issue[i].id;
    }
    issue->half = issue->tag_count < wanted;
    issue->reason = slice_text(changing->reason[0] != '\0' ? changing->reason : "changed number");
    issue->chip = changing->same_chip ? CHIP_ON_BIB : chip.where;
    issue->has_chip_bib = changing->same_chip || chip.has_bib;
    issue->chip_bib = changing->same_chip ? issue->bib : chip.bib;
    return code;
}

static enum error_code append_issue(struct changing *changing, struct error *err) {
    struct buffer body;
    buffer_init(&body);
    record_issue_write(&changing->issue, &body);
    enum error_code code = body.failed ? error_set(err, ERR_MEMORY, "issue")
                                       : station_append(changing->call->station, RECORD_ISSUE,
                                                        buffer_slice(&body), &changing->id, err);
    buffer_release(&body);
    return code;
}

static void tell_changed(struct changing *changing) {
    struct verb_call *call = changing->call;
    const struct record_issue *issue = &changing->issue;
    if (!call->json) {
        buffer_print(&call->out, "Bib %s in place of bib %s, %s.%s Bib %s has no chip now.\n",
                     issue->bib.text, changing->old.text,
                     changing->same_chip ? "with the same chip" : "with a new chip",
                     issue->half ? " One chip is still missing: add it with issue --extra." : "",
                     changing->old.text);
        return;
    }
    json_t *tags = json_array();
    for (size_t i = 0; i < issue->tag_count; i++) {
        json_array_append_new(tags, show_tag_json(&issue->tag[i].epc, &issue->tag[i].tid));
    }
    show_json(&call->out, json_pack("{s:o, s:s, s:s, s:o, s:b, s:b}", "record",
                                    show_hex_json(changing->id.bytes, sizeof(changing->id.bytes)),
                                    "bib", issue->bib.text, "old", changing->old.text, "tags", tags,
                                    "same_chip", changing->same_chip, "half", issue->half));
}

static enum error_code change(struct changing *changing, const struct options *options,
                              enum role role, struct error *err) {
    enum error_code code = parts_found(changing->call, &changing->found, err);
    if (code == ERR_OK) {
        code = parts_text(options, "--reason", RECORD_TEXT_MAX, &changing->reason, err);
    }
    if (code == ERR_OK) {
        code = parts_helper(changing->call, options, err);
    }
    if (code == ERR_OK) {
        code = read_bibs(changing, options, err);
    }
    if (code == ERR_OK) {
        code = check_old(changing, err);
    }
    if (code == ERR_OK) {
        code = check_new(changing, role, err);
    }
    if (code == ERR_OK) {
        code = read_tags(changing, options, err);
    }
    if (code == ERR_OK) {
        code = check_tags(changing, err);
    }
    if (code == ERR_OK) {
        code = read_rest(changing, options, err);
    }
    if (code == ERR_OK) {
        code = append_issue(changing, err);
    }
    return code;
}

void verb_change(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    struct changing *changing = parts_room(call, sizeof(*changing));
    if (changing == NULL) {
        return;
    }
    changing->call = call;
    enum error_code code =
        parts_words(call, "change", 2, 2, "the old bib number and the new one", &options, &err);
    if (code == ERR_OK && verb_may_write(call, &self)) {
        code = change(changing, &options, self.role, &err);
        if (code == ERR_OK) {
            tell_changed(changing);
        }
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    parts_issues_release(&changing->had);
    free(changing);
    options_release(&options);
}

/* ---- redo ---- */

enum { REDO_VOIDS_MAX = 32, REDO_BIBS_MAX = REDO_VOIDS_MAX * RECORD_NAMES_MAX / 2 };

struct redoing {
    struct verb_call *call;
    struct bib_range range;
    size_t bib_count, done_count; /* bibs in the run, and those with issues that are taken back */
    struct bib bib[REDO_BIBS_MAX];
    struct bib done[REDO_BIBS_MAX];
    size_t void_count;
    struct record_void voided[REDO_VOIDS_MAX];
    size_t others; /* issues of other stations in the run, which stay */
    bool full;
};

static enum error_code read_range(const struct options *options, struct redoing *redoing,
                                  struct error *err) {
    struct bib_ranges ranges;
    enum error_code code = bib_ranges_parse(slice_text(options->rest[0]), &ranges, err);
    if (code == ERR_OK && ranges.count != 1) {
        error_set(err, ERR_BIB, "%zu ranges", ranges.count);
        return error_say(err, "Give one run of numbers, like 1201-1260.");
    }
    if (code == ERR_OK) {
        redoing->range = ranges.range[0];
    }
    return code;
}

static bool add_bib(void *context, const struct pairs_bib *bib) {
    struct redoing *redoing = context;
    uint64_t number = 0;
    if (bib->live == 0 || !bib_number(&bib->bib, &number) || number < redoing->range.first ||
        number > redoing->range.last) {
        return true;
    }
    redoing->full = redoing->bib_count == REDO_BIBS_MAX;
    if (!redoing->full) {
        redoing->bib[redoing->bib_count++] = bib->bib;
    }
    return !redoing->full;
}

/* Room for one more target; NULL when there is none. */
static struct record_id *next_target(struct redoing *redoing) {
    struct record_void *v =
        redoing->void_count == 0 ? NULL : &redoing->voided[redoing->void_count - 1];
    if (v == NULL || v->target_count == RECORD_NAMES_MAX) {
        if (redoing->void_count == REDO_VOIDS_MAX) {
            return NULL;
        }
        v = &redoing->voided[redoing->void_count++];
    }
    return &v->target[v->target_count++];
}

static bool add_target(void *context, const struct pairs_issue *issue) {
    struct redoing *redoing = context;
    bool own = ID_EQUAL(issue->station, redoing->call->station->keys.sign_public);
    if (!issue->live) {
        return true;
    }
    if (!own) {
        redoing->others++;
        return true;
    }
    struct record_id *target = next_target(redoing);
    redoing->full = redoing->full || target == NULL;
    if (target == NULL) {
        return false;
    }
    *target = issue->id;
    const char *last = redoing->done_count == 0 ? "" : redoing->done[redoing->done_count - 1].text;
    if (strcmp(last, issue->bib.text) != 0) {
        redoing->done[redoing->done_count++] = issue->bib;
    }
    return true;
}

/* Number by number where the run is short and a number has one label; else all bibs are looked at.
 */
static enum error_code gather_bibs(struct redoing *redoing, struct error *err) {
    struct ledger *ledger = redoing->call->station->ledger;
    const struct bib_range *range = &redoing->range;
    enum error_code code = ERR_OK;
    if (parts_zeros_count(redoing->call) || range->last - range->first >= REDO_BIBS_MAX) {
        return pairs_each_bib(ledger, PAIRS_BIBS_ALL, add_bib, redoing, err);
    }
    for (uint64_t number = range->first; code == ERR_OK && number <= range->last; number++) {
        struct bib label = {{0}};
        struct pairs_bib bib;
        snprintf(label.text, sizeof(label.text), "%llu", (unsigned long long)number);
        code = pairs_bib(ledger, &label, &bib, err);
        if (code == ERR_OK) {
            add_bib(redoing, &bib);
        }
    }
    return code;
}

static enum error_code gather(struct redoing *redoing, struct error *err) {
    struct ledger *ledger = redoing->call->station->ledger;
    enum error_code code = gather_bibs(redoing, err);
    for (size_t i = 0; code == ERR_OK && !redoing->full && i < redoing->bib_count; i++) {
        struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = redoing->bib[i]};
        code = pairs_each_issue(ledger, &filter, add_target, redoing, err);
    }
    if (code == ERR_OK && redoing->full) {
        error_set(err, ERR_LIMIT, "more than %d bibs or %d chips", REDO_BIBS_MAX,
                  REDO_VOIDS_MAX * RECORD_NAMES_MAX);
        return error_say(err,
                         "That run is too long to be taken back at once. Take it in parts of "
                         "at most %d bibs.",
                         REDO_BIBS_MAX);
    }
    if (code == ERR_OK && redoing->void_count == 0) {
        error_set(err, ERR_NOT_FOUND, "no own live issue from %llu to %llu",
                  (unsigned long long)redoing->range.first,
                  (unsigned long long)redoing->range.last);
        return error_say(err,
                         "This table has no chips on bibs %llu to %llu, so there is nothing "
                         "to take back.",
                         (unsigned long long)redoing->range.first,
                         (unsigned long long)redoing->range.last);
    }
    return code;
}

static enum error_code append_voids(struct redoing *redoing, const char *reason,
                                    const struct parts_chip *chip, struct error *err) {
    struct station_act acts[REDO_VOIDS_MAX];
    struct buffer body[REDO_VOIDS_MAX] = {{0}};
    struct record_id last;
    bool failed = false;
    for (size_t i = 0; i < redoing->void_count; i++) {
        struct record_void *v = &redoing->voided[i];
        v->reason = slice_text(reason);
        v->chip = chip->where;
        v->has_chip_bib = chip->has_bib;
        v->chip_bib = chip->bib;
        record_void_write(v, &body[i]);
        failed = failed || body[i].failed;
        acts[i] = (struct station_act){RECORD_VOID, buffer_slice(&body[i])};
    }
    enum error_code code =
        failed ? error_set(err, ERR_MEMORY, "voids")
               : station_append_all(redoing->call->station, acts, redoing->void_count, &last, err);
    for (size_t i = 0; i < redoing->void_count; i++) {
        buffer_release(&body[i]);
    }
    return code;
}

/* "1201-1204, 1206": the bibs that are to be chipped again. */
static void put_runs(struct buffer *out, const struct redoing *redoing) {
    uint64_t first = 0, last = 0, number = 0;
    bool begun = false;
    for (size_t i = 0; i <= redoing->done_count; i++) {
        bool more = i < redoing->done_count && bib_number(&redoing->done[i], &number);
        if (more && begun && number == last + 1) {
            last = number;
            continue;
        }
        if (begun) {
            buffer_print(out, last == first ? "%llu" : "%llu-%llu", (unsigned long long)first,
                         (unsigned long long)last);
            buffer_print(out, "%s", i < redoing->done_count ? ", " : "");
        }
        first = last = number;
        begun = more;
    }
}

static void tell_redone(struct redoing *redoing) {
    struct verb_call *call = redoing->call;
    if (call->json) {
        json_t *bibs = json_array();
        for (size_t i = 0; i < redoing->done_count; i++) {
            json_array_append_new(bibs, json_string(redoing->done[i].text));
        }
        show_json(&call->out,
                  json_pack("{s:o, s:I}", "bibs", bibs, "others", (json_int_t)redoing->others));
        return;
    }
    buffer_print(&call->out, "Taken back: %zu bib%s. To be chipped again: ", redoing->done_count,
                 redoing->done_count == 1 ? "" : "s");
    put_runs(&call->out, redoing);
    buffer_print(&call->out, ".\n");
    if (redoing->others > 0) {
        buffer_print(&call->out, "Chips of other tables in that run, which stay: %zu.\n",
                     redoing->others);
    }
}

static enum error_code redo(struct redoing *redoing, const struct options *options,
                            struct error *err) {
    struct parts_chip chip;
    const char *reason = NULL;
    enum error_code code = parts_needed(options, "--reason", &reason, err);
    if (code == ERR_OK) {
        code = options_text("--reason", reason, RECORD_TEXT_MAX, err);
    }
    if (code == ERR_OK) {
        code = parts_chip(options_value(options, "--chip"), parts_zeros_count(redoing->call), &chip,
                          err);
    }
    if (code == ERR_OK) {
        code = parts_helper(redoing->call, options, err);
    }
    if (code == ERR_OK) {
        code = read_range(options, redoing, err);
    }
    if (code == ERR_OK) {
        code = gather(redoing, err);
    }
    if (code == ERR_OK) {
        code = append_voids(redoing, reason, &chip, err);
    }
    if (code == ERR_OK) {
        tell_redone(redoing);
    }
    return code;
}

void verb_redo(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    struct redoing *redoing = parts_room(call, sizeof(*redoing));
    if (redoing == NULL) {
        return;
    }
    redoing->call = call;
    enum error_code code =
        parts_words(call, "redo", 1, 1, "a run of numbers, like 1201-1260", &options, &err);
    if (code == ERR_OK && verb_may_write(call, &self)) {
        code = redo(redoing, &options, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    free(redoing);
    options_release(&options);
}
