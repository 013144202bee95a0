/*
 * verb_desk.c: `desk --view` and `desk --input` in the running node. The terminal is
 * desk_terminal.c's, in the command's own process.
 */
#include <stdio.h>
#include <string.h>

#include "node/options.h"
#include "node/show.h"
#include "node/table.h"
#include "node/verb.h"

static void print_line(struct buffer *out, const char *text) {
    if (text[0] != '\0') {
        show_plain(out, slice_text(text));
        buffer_print(out, "\n");
    }
}

/* What a person reads: what to do, what was refused, what can be answered, the latest acts. */
static void print_view(const struct desk_view *view, struct buffer *out) {
    print_line(out, view->say);
    print_line(out, view->aside);
    for (size_t i = 0; i < view->choice_count; i++) {
        buffer_print(out, "  F%zu  %s\n", i + 1, view->choice[i].label);
    }
    for (size_t i = 0; i < view->last_count; i++) {
        buffer_print(out, "  %s%s  ", view->latest[i].bib.text,
                     view->latest[i].undone ? " (taken back)" : "");
        print_line(out, view->latest[i].say);
    }
}

static enum error_code take_input(struct verb_call *call, const char *text, struct error *err) {
    struct desk_event event;
    json_error_t error;
    json_t *input = json_loads(text, JSON_REJECT_DUPLICATES, &error);
    enum error_code code = input == NULL ? error_set(err, ERR_USAGE, "--input: %.160s", error.text)
                                         : table_input_read(input, &event, err);
    if (code == ERR_OK) {
        code = table_input(call->table, &event, err);
    }
    json_decref(input);
    return code;
}

static enum error_code act(struct verb_call *call, const struct options *options,
                           struct error *err) {
    const char *input = options_value(options, "--input");
    if (call->table == NULL) {
        error_set(err, ERR_SOCKET, "no node runs on this folder");
        return error_say(err, "The desk needs this station's node: start it with `bibweave run`, "
                              "with --encoder if chips are written here.");
    }
    if (input == NULL && !options_has(options, "--view")) {
        error_set(err, ERR_USAGE, "desk without --view or --input");
        return error_say(err, "The desk works at a terminal, or with --view or --input.");
    }
    return input == NULL ? ERR_OK : take_input(call, input, err);
}

void verb_desk(struct verb_call *call) {
    struct options options;
    struct error err;
    enum error_code code = options_read(verb_find("desk")->options, call->arguments,
                                        call->argument_count, &options, &err);
    if (code == ERR_OK) {
        code = options_rest(&options, 0, 0, "nothing", &err);
    }
    if (code == ERR_OK) {
        code = act(call, &options, &err);
    }
    options_release(&options);
    if (code != ERR_OK) {
        verb_fail(call, &err);
    } else if (call->json) {
        show_json(&call->out, table_view_json(table_view(call->table)));
    } else {
        print_view(table_view(call->table), &call->out);
    }
}
