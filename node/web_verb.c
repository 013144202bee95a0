/*
 * web_verb.c: acts of the pages: the same verbs as behind the control socket, from a short list,
 * and inputs for the desk. Must never run a verb that is not on the list, nor let a page name a
 * file.
 */
#include "node/web_internal.h"

#include <string.h>

#include "node/show.h"

enum { WEB_WORDS_MAX = 64 };

/* What a person at a page may do. Making an event and joining one are not among it; a ticket is,
 * for it lets one station in, once, and only a lead's station makes it. */
static bool is_for_pages(const char *verb) {
    static const char *const verbs[] = {
        "ask",  "doubles", "status", "settle", "void",  "hold",        "note",         "roll",
        "look", "retire",  "ticket", "close",  "allot", "ticket list", "ticket cancel"};
    for (size_t i = 0; i < sizeof verbs / sizeof verbs[0]; i++) {
        if (strcmp(verb, verbs[i]) == 0) {
            return true;
        }
    }
    return false;
}

static bool names_a_file(const char *word) {
    static const char *const options[] = {"--passphrase-file", "--out", "--sheet", "--svg",
                                          "--from"};
    for (size_t i = 0; i < sizeof options / sizeof options[0]; i++) {
        if (strncmp(word, options[i], strlen(options[i])) == 0) {
            return true;
        }
    }
    return false;
}

/* {"status", "out", "err"}; `out` is the JSON that the verb gave, or null. */
static void tell(const struct verb_call *call, struct buffer *out) {
    json_t *value = json_loadb((const char *)call->out.data, call->out.size, JSON_DECODE_ANY, NULL);
    json_t *err = json_stringn((const char *)call->err.data, call->err.size);
    show_json(out, json_pack("{s:i, s:o, s:o}", "status", call->status, "out",
                             value == NULL ? json_null() : value, "err",
                             err == NULL ? json_string("") : err));
}

static void refuse(struct buffer *out, const char *why) {
    show_json(out,
              json_pack("{s:i, s:n, s:s}", "status", (int)ERROR_CLASS_INPUT, "out", "err", why));
}

static void run(struct web *web, const struct verb *verb, const char *const *words, size_t count,
                struct verb_call *call) {
    *call = (struct verb_call){.arguments = words,
                               .argument_count = count,
                               .json = true,
                               .cwd = web->config.dir,
                               .dir = web->config.dir,
                               .station = web->config.station,
                               .sync = web->config.sync,
                               .table = web->config.table};
    buffer_init(&call->out);
    buffer_init(&call->err);
    verb->act(call);
    INVARIANT(call->job == NULL); /* no verb on the list goes on in steps */
}

static void release(struct verb_call *call) {
    buffer_release(&call->out);
    buffer_release(&call->err);
}

json_t *web_read_verb(struct web *web, const char *name) {
    struct verb_call call;
    run(web, verb_find(name), NULL, 0, &call);
    json_t *value =
        call.out.failed ? NULL : json_loadb((const char *)call.out.data, call.out.size, 0, NULL);
    release(&call);
    return value;
}

/* The words out of {"arguments": [...]}; false if they are not all texts that a verb may get. */
static bool read_words(const json_t *request, const char **words, size_t *count) {
    json_t *given = json_object_get(request, "arguments");
    *count = json_array_size(given);
    if ((given != NULL && !json_is_array(given)) || *count > WEB_WORDS_MAX) {
        return false;
    }
    for (size_t i = 0; i < *count; i++) {
        words[i] = json_string_value(json_array_get(given, i));
        if (words[i] == NULL || names_a_file(words[i])) {
            return false;
        }
    }
    return true;
}

unsigned web_verb(struct web *web, struct slice body, struct buffer *out) {
    const char *words[WEB_WORDS_MAX];
    size_t count = 0;
    unsigned status = MHD_HTTP_OK;
    json_t *request = json_loadb((const char *)body.data, body.size, JSON_REJECT_DUPLICATES, NULL);
    const char *name = json_string_value(json_object_get(request, "verb"));
    const struct verb *verb = name == NULL || !is_for_pages(name) ? NULL : verb_find(name);
    if (verb == NULL || verb->needs != VERB_STATION || !read_words(request, words, &count)) {
        status = MHD_HTTP_BAD_REQUEST;
        refuse(out, "A page cannot ask for that.");
    } else {
        struct verb_call call;
        run(web, verb, words, count, &call);
        web->done = call.status >= (int)ERROR_CLASS_MACHINE && call.status != VERB_STATUS_SEALED
                        ? WEB_TROUBLE
                        : WEB_DONE;
        tell(&call, out);
        release(&call);
    }
    json_decref(request);
    return status;
}

/* A fault of this machine is the loop's to judge; what a person sent wrong is answered. */
static unsigned refuse_input(struct web *web, const struct error *err, struct buffer *out) {
    bool ours = error_class(err->code) == ERROR_CLASS_MACHINE;
    web->done = ours ? WEB_TROUBLE : WEB_NOTHING;
    refuse(out, err->say);
    return ours ? MHD_HTTP_INTERNAL_SERVER_ERROR : MHD_HTTP_BAD_REQUEST;
}

unsigned web_desk_input(struct web *web, struct slice body, struct buffer *out) {
    struct table *table = web->config.table;
    struct desk_event event;
    struct error err;
    if (table == NULL) {
        refuse(out, "No desk is worked at this station.");
        return MHD_HTTP_SERVICE_UNAVAILABLE;
    }
    json_t *input = json_loadb((const char *)body.data, body.size, JSON_REJECT_DUPLICATES, NULL);
    enum error_code code = table_input_read(input == NULL ? json_null() : input, &event, &err);
    if (code == ERR_OK) {
        code = table_input(table, &event, &err);
    }
    json_decref(input);
    if (code != ERR_OK) {
        return refuse_input(web, &err, out);
    }
    web->done = WEB_DONE;
    show_json(out, table_view_json(table_view(table)));
    return MHD_HTTP_OK;
}
