/*
 * verb_parts.c: see verb_parts.h.
 */
#include "node/verb_parts.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/show_day.h"

void *parts_room(struct verb_call *call, size_t size) {
    struct error err;
    void *room = calloc(1, size);
    if (room == NULL) {
        error_set(&err, ERR_MEMORY, "%zu bytes", size);
        verb_fail(call, &err);
    }
    return room;
}

enum error_code parts_words(const struct verb_call *call, const char *name, size_t min, size_t max,
                            const char *what, struct options *options, struct error *err) {
    const struct verb *verb = verb_find(name);
    INVARIANT(verb != NULL);
    enum error_code code =
        options_read(verb->options, call->arguments, call->argument_count, options, err);
    return code == ERR_OK ? options_rest(options, min, max, what, err) : code;
}

enum error_code parts_needed(const struct options *options, const char *name, const char **value,
                             struct error *err) {
    *value = options_value(options, name);
    if (*value != NULL && (*value)[0] != '\0') {
        return ERR_OK;
    }
    error_set(err, ERR_USAGE, "%s is missing", name);
    return error_say(err, "Something is missing: %s. Add --help to see how the command is written.",
                     name);
}

enum error_code parts_text(const struct options *options, const char *name, size_t max,
                           const char **value, struct error *err) {
    *value = options_value(options, name);
    if (*value == NULL) {
        *value = "";
        return ERR_OK;
    }
    return options_text(name, *value, max, err);
}

enum error_code parts_helper(struct verb_call *call, const struct options *options,
                             struct error *err) {
    const char *helper = "";
    struct pairs_author *author = &call->station->author;
    enum error_code code = parts_text(options, "--helper", RECORD_HELPER_MAX, &helper, err);
    if (code == ERR_OK) {
        snprintf(author->helper, sizeof(author->helper), "%s", helper);
    }
    return code;
}

enum error_code parts_addresses(const struct options *options, struct parts_addresses *addresses,
                                struct record_admit *admit, struct error *err) {
    const char *value = NULL;
    admit->address_count = 0;
    for (size_t i = 0; (value = options_value_at(options, "--listen", i)) != NULL; i++) {
        if (admit->address_count == RECORD_ADDRESSES_MAX) {
            error_set(err, ERR_LIMIT, "more than %d --listen", RECORD_ADDRESSES_MAX);
            return error_say(err, "At most %d addresses can be given.", RECORD_ADDRESSES_MAX);
        }
        struct address *address = &addresses->text[admit->address_count];
        enum error_code code = address_parse(value, address, err);
        if (code != ERR_OK) {
            return code;
        }
        if (!address->any && address->port != 0) {
            admit->address[admit->address_count++] = slice_text(address->text);
        }
    }
    return ERR_OK;
}

enum error_code parts_chip(const char *value, bool zeros_count, struct parts_chip *chip,
                           struct error *err) {
    *chip = (struct parts_chip){.where = CHIP_LOST};
    if (value == NULL || strcmp(value, "lost") == 0) {
        return ERR_OK;
    }
    if (strcmp(value, "destroyed") == 0) {
        chip->where = CHIP_DESTROYED;
        return ERR_OK;
    }
    if (strncmp(value, "on:", 3) == 0) {
        chip->where = CHIP_ON_BIB;
        chip->has_bib = true;
        return bib_parse(slice_text(value + 3), zeros_count, &chip->bib, err);
    }
    error_set(err, ERR_USAGE, "--chip %.60s", value);
    return error_say(err, "Say where the old chip is with --chip destroyed, --chip lost or --chip "
                          "on:BIB.");
}

enum error_code parts_tag(const char *value, struct record_tag *tag, struct error *err) {
    const char *slash = strchr(value, '/');
    size_t length = slash == NULL ? strlen(value) : (size_t)(slash - value);
    *tag = (struct record_tag){.seen = true};
    enum error_code code = epc_parse(slice_of(value, length), &tag->epc, err);
    if (code == ERR_OK && slash != NULL) {
        code = tid_parse(slice_text(slash + 1), &tag->tid, err);
    }
    return code;
}

/* ---- issues ---- */

static bool gather(void *context, const struct pairs_issue *issue) {
    struct parts_issues *issues = context;
    if (issues->count == issues->capacity) {
        size_t wanted = issues->capacity == 0 ? 4 : 2 * issues->capacity;
        struct pairs_issue *grown = realloc(issues->issue, wanted * sizeof(*grown));
        if (grown == NULL) {
            issues->failed = true;
            return false;
        }
        issues->issue = grown;
        issues->capacity = wanted;
    }
    issues->issue[issues->count++] = *issue;
    return true;
}

enum error_code parts_issues(struct ledger *ledger, const struct pairs_filter *filter,
                             struct parts_issues *issues, struct error *err) {
    *issues = (struct parts_issues){0};
    enum error_code code = pairs_each_issue(ledger, filter, gather, issues, err);
    if (code == ERR_OK && issues->failed) {
        code = error_set(err, ERR_MEMORY, "issues");
    }
    return code;
}

void parts_issues_release(struct parts_issues *issues) {
    free(issues->issue);
    *issues = (struct parts_issues){0};
}

void parts_issues_keep_live(struct parts_issues *issues, bool doubt) {
    size_t kept = 0;
    for (size_t i = 0; i < issues->count; i++) {
        if (issues->issue[i].live || (doubt && !issues->issue[i].counted)) {
            issues->issue[kept++] = issues->issue[i];
        }
    }
    issues->count = kept;
}

enum error_code parts_present(struct ledger *ledger, const struct bib *bib,
                              struct parts_issues *issues, bool *ever, struct error *err) {
    struct pairs_bib state;
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = *bib};
    *issues = (struct parts_issues){0};
    enum error_code code = pairs_bib(ledger, bib, &state, err);
    if (code == ERR_OK) {
        code = parts_issues(ledger, &filter, issues, err);
    }
    *ever = issues->count > 0;
    if (code == ERR_OK) {
        parts_issues_keep_live(issues, state.doubt);
    }
    return code;
}

json_t *parts_issues_json(const struct parts_issues *issues) {
    json_t *array = json_array();
    for (size_t i = 0; i < issues->count; i++) {
        if (json_array_append_new(array, show_issue_json(&issues->issue[i])) != 0) {
            json_decref(array);
            return NULL;
        }
    }
    return array;
}

/* ---- holds ---- */

static bool add_hold(void *context, const struct pairs_hold *hold) {
    struct parts_holds *holds = context;
    if (holds->count++ < PARTS_HOLDS_SHOWN) {
        buffer_print(&holds->text, "  bib %s ", hold->bib.text);
        show_hold(&holds->text, hold, station_wall());
        buffer_print(&holds->text, "\n");
    }
    json_array_append_new(holds->array, show_hold_json(hold));
    return true;
}

enum error_code parts_holds(struct ledger *ledger, struct parts_holds *holds, struct error *err) {
    *holds = (struct parts_holds){.array = json_array()};
    buffer_init(&holds->text);
    enum error_code code = pairs_each_hold(ledger, add_hold, holds, err);
    if (holds->count > PARTS_HOLDS_SHOWN) {
        buffer_print(&holds->text, "  and further bibs held back: %zu\n",
                     holds->count - PARTS_HOLDS_SHOWN);
    }
    return code;
}

void parts_holds_release(struct parts_holds *holds) {
    buffer_release(&holds->text);
    json_decref(holds->array);
    *holds = (struct parts_holds){.count = 0};
}

bool parts_zeros_count(struct verb_call *call) {
    const struct record_found *found = pairs_found(call->station->ledger);
    return found != NULL && found->zeros_count;
}

enum error_code parts_found(struct verb_call *call, const struct record_found **found,
                            struct error *err) {
    *found = pairs_found(call->station->ledger);
    return *found != NULL
               ? ERR_OK
               : error_set(err, ERR_DAMAGED, "the record that names the event is missing");
}
