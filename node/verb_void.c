/*
 * verb_void.c: `void` and `settle`: chips that no longer count, by naming their records.
 * Must never take back what was not named: a chip that was made meanwhile elsewhere stays.
 */
#include <stdio.h>
#include <string.h>

#include "node/show.h"
#include "node/verb_parts.h"

enum { PREFIX_DIGITS_MIN = 8 };

static enum error_code append_void(struct verb_call *call, const struct record_void *v,
                                   struct record_id *id, struct error *err) {
    struct buffer body;
    buffer_init(&body);
    record_void_write(v, &body);
    enum error_code code =
        body.failed ? error_set(err, ERR_MEMORY, "void")
                    : station_append(call->station, RECORD_VOID, buffer_slice(&body), id, err);
    buffer_release(&body);
    return code;
}

static enum error_code read_chip(struct verb_call *call, const struct options *options,
                                 struct record_void *v, struct error *err) {
    struct parts_chip chip;
    enum error_code code =
        parts_chip(options_value(options, "--chip"), parts_zeros_count(call), &chip, err);
    v->chip = chip.where;
    v->has_chip_bib = chip.has_bib;
    v->chip_bib = chip.bib;
    return code;
}

static enum error_code find(struct verb_call *call, const char *hex, struct pairs_issue *issue,
                            struct error *err) {
    if (strlen(hex) < PREFIX_DIGITS_MIN) {
        error_set(err, ERR_USAGE, "%zu digits", strlen(hex));
        return error_say(err, "Give at least %d digits of the record, as `ask BIB` shows it.",
                         PREFIX_DIGITS_MIN);
    }
    enum error_code code = pairs_find_issue(call->station->ledger, slice_text(hex), issue, err);
    if (code == ERR_USAGE) {
        error_say(err, "A record is named by 8 to 64 of the digits that `ask BIB` shows of it.");
    }
    if (code == ERR_NOT_FOUND) {
        error_say(err,
                  "There is no record %.70s of a chip here. `ask BIB` shows the records of a "
                  "bib.",
                  hex);
    }
    return code;
}

/* ---- void ---- */

static enum error_code check_counts(struct verb_call *call, const struct pairs_issue *issue,
                                    struct error *err) {
    struct pairs_bib bib = {0};
    enum error_code code = pairs_bib(call->station->ledger, &issue->bib, &bib, err);
    if (code != ERR_OK || issue->live || (!issue->counted && bib.doubt)) {
        return code;
    }
    error_set(err, ERR_NOT_FOUND, "the record does not count any more");
    return error_say(err, "That chip of bib %s was taken back already. `ask %s` shows by whom.",
                     issue->bib.text, issue->bib.text);
}

static enum error_code void_one(struct verb_call *call, const struct options *options,
                                struct error *err) {
    struct pairs_issue issue = {0};
    struct record_id id;
    const char *reason = NULL;
    struct record_void v = {.target_count = 1};
    enum error_code code = parts_needed(options, "--reason", &reason, err);
    if (code == ERR_OK) {
        code = options_text("--reason", reason, RECORD_TEXT_MAX, err);
    }
    if (code == ERR_OK) {
        code = read_chip(call, options, &v, err);
    }
    if (code == ERR_OK) {
        code = find(call, options->rest[0], &issue, err);
    }
    if (code == ERR_OK) {
        code = check_counts(call, &issue, err);
    }
    if (code == ERR_OK) {
        code = parts_helper(call, options, err);
    }
    if (code == ERR_OK) {
        v.target[0] = issue.id;
        v.reason = slice_text(reason);
        code = append_void(call, &v, &id, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    if (call->json) {
        show_json(&call->out,
                  json_pack("{s:o, s:s, s:[o]}", "record",
                            show_hex_json(id.bytes, sizeof(id.bytes)), "bib", issue.bib.text,
                            "voided", show_hex_json(issue.id.bytes, sizeof(issue.id.bytes))));
    } else {
        buffer_print(&call->out, "That chip of bib %s no longer counts.\n", issue.bib.text);
    }
    return ERR_OK;
}

void verb_void(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    enum error_code code = parts_words(call, "void", 1, 1, "a record", &options, &err);
    if (code == ERR_OK && verb_may_write(call, &self)) {
        code = void_one(call, &options, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    options_release(&options);
}

/* ---- settle ---- */

/* All in the way on the bib but the one that is kept. */
static enum error_code name_losers(const struct parts_issues *issues,
                                   const struct pairs_issue *keep, struct record_void *v,
                                   struct error *err) {
    bool kept = false;
    for (size_t i = 0; i < issues->count; i++) {
        if (ID_EQUAL(issues->issue[i].id, keep->id)) {
            kept = issues->issue[i].live;
        } else if (v->target_count == RECORD_NAMES_MAX) {
            return error_set(err, ERR_LIMIT, "more than %d records", RECORD_NAMES_MAX);
        } else {
            v->target[v->target_count++] = issues->issue[i].id;
        }
    }
    if (!kept) {
        error_set(err, ERR_NOT_FOUND, "the record to keep does not count");
        return error_say(err,
                         "The record to keep does not count any more. `ask %s` shows those "
                         "that do.",
                         keep->bib.text);
    }
    if (v->target_count == 0) {
        error_set(err, ERR_NOT_FOUND, "one live issue");
        return error_say(err, "Bib %s has that one chip only, so there is nothing to settle.",
                         keep->bib.text);
    }
    return ERR_OK;
}

static enum error_code read_settling(struct verb_call *call, const struct options *options,
                                     struct bib *bib, struct pairs_issue *keep,
                                     struct record_void *v, struct error *err) {
    const char *hex = NULL;
    const char *reason = "";
    enum error_code code =
        bib_parse(slice_text(options->rest[0]), parts_zeros_count(call), bib, err);
    if (code == ERR_OK) {
        code = parts_needed(options, "--keep", &hex, err);
    }
    if (code == ERR_OK) {
        code = parts_text(options, "--reason", RECORD_TEXT_MAX, &reason, err);
    }
    if (code == ERR_OK) {
        code = read_chip(call, options, v, err);
    }
    if (code == ERR_OK) {
        code = find(call, hex, keep, err);
    }
    if (code == ERR_OK && strcmp(keep->bib.text, bib->text) != 0) {
        error_set(err, ERR_USAGE, "the record is of bib %s", keep->bib.text);
        code =
            error_say(err, "That record is of bib %s, not of bib %s.", keep->bib.text, bib->text);
    }
    v->reason = slice_text(reason[0] == '\0' ? "settled" : reason);
    v->unseen = options_has(options, "--unseen");
    return code;
}

static void tell_settled(struct verb_call *call, const struct bib *bib,
                         const struct pairs_issue *keep, const struct record_void *v,
                         const struct record_id *id) {
    if (!call->json) {
        buffer_print(&call->out, "Bib %s is settled: one chip counts, %zu no longer do%s.%s\n",
                     bib->text, v->target_count, v->target_count == 1 ? "es" : "",
                     v->unseen ? " It stays listed as settled without looking." : "");
        return;
    }
    json_t *voided = json_array();
    for (size_t i = 0; i < v->target_count; i++) {
        json_array_append_new(voided,
                              show_hex_json(v->target[i].bytes, sizeof(v->target[i].bytes)));
    }
    show_json(&call->out,
              json_pack("{s:o, s:s, s:o, s:o}", "record",
                        show_hex_json(id->bytes, sizeof(id->bytes)), "bib", bib->text, "kept",
                        show_hex_json(keep->id.bytes, sizeof(keep->id.bytes)), "voided", voided));
}

static enum error_code settle(struct verb_call *call, const struct options *options,
                              struct error *err) {
    struct bib bib;
    struct pairs_issue keep;
    struct record_void v = {0};
    struct record_id id;
    struct parts_issues issues = {0};
    bool ever = false;
    enum error_code code = read_settling(call, options, &bib, &keep, &v, err);
    if (code == ERR_OK) {
        code = parts_present(call->station->ledger, &bib, &issues, &ever, err);
    }
    if (code == ERR_OK) {
        code = name_losers(&issues, &keep, &v, err);
    }
    parts_issues_release(&issues);
    if (code == ERR_OK) {
        code = parts_helper(call, options, err);
    }
    if (code == ERR_OK) {
        code = append_void(call, &v, &id, err);
    }
    if (code == ERR_OK) {
        tell_settled(call, &bib, &keep, &v, &id);
    }
    return code;
}

void verb_settle(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    enum error_code code = parts_words(call, "settle", 1, 1, "a bib number", &options, &err);
    if (code == ERR_OK && verb_may_write(call, &self)) {
        code = settle(call, &options, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    options_release(&options);
}
