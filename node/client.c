/*
 * client.c: see client.h.
 * Must never print an answer before the act behind it is on disk: verbs fill buffers when it is.
 */
#include "node/client.h"

#include <errno.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "node/control.h"
#include "node/desk_terminal.h"
#include "node/options.h"
#include "node/questions.h"

/* A folder that is held without anybody answering is held by another command, or by a node that
 * starts or ends: worth this long a wait. */
enum { WAIT_MS = 5000, WAIT_STEP_MS = 10, LINE_WORDS_MAX = 64 };

struct session {
    const struct verb *verb;
    struct verb_call *call;
    struct station station;
    bool open; /* the folder is open in this process */
    struct control_client node;
};

int client_print(struct verb_call *call) {
    struct buffer *parts[] = {&call->out, &call->err};
    FILE *files[] = {stdout, stderr};
    bool failed = false;
    for (size_t i = 0; i < 2; i++) {
        failed = failed || parts[i]->failed;
        failed = (parts[i]->size > 0 &&
                  fwrite(parts[i]->data, 1, parts[i]->size, files[i]) != parts[i]->size) ||
                 failed;
        failed = fflush(files[i]) != 0 || failed;
        buffer_clear(parts[i]);
    }
    return failed ? (int)ERROR_CLASS_MACHINE : call->status;
}

static void pause_ms(long ms) {
    struct timespec rest = {.tv_sec = ms / 1000, .tv_nsec = ms % 1000 * 1000000};
    nanosleep(&rest, NULL);
}

/* ---- a folder or its node ---- */

static enum error_code try_session(struct session *session, struct error *err) {
    const char *dir = session->call->dir;
    bool busy = false;
    enum error_code code = station_busy(dir, &busy, err);
    if (code != ERR_OK) {
        return code;
    }
    if (busy) {
        code = control_connect(dir, &session->node, err);
        return code == ERR_NOT_FOUND ? error_set(err, ERR_BUSY, "nobody answers in %.200s", dir)
                                     : code;
    }
    code = station_open(dir, &session->station, err);
    session->open = code == ERR_OK;
    return code;
}

static enum error_code open_session(struct session *session, struct error *err) {
    int64_t until = station_now().ms + WAIT_MS;
    enum error_code code;
    while ((code = try_session(session, err)) == ERR_BUSY && station_now().ms < until) {
        pause_ms(WAIT_STEP_MS);
    }
    return code;
}

static void close_session(struct session *session) {
    if (session->open) {
        station_close(&session->station);
    }
    if (session->node.fd >= 0) {
        control_disconnect(&session->node);
    }
}

static void act(struct session *session) {
    struct verb_call *call = session->call;
    call->status = 0;
    call->station = session->open ? &session->station : NULL;
    session->verb->act(call);
    if (call->job != NULL) {
        while (call->job->step(call->job)) {
        }
        call->job->free(call->job);
        call->job = NULL;
    }
}

/* False if nobody can be asked any more. */
static bool act_or_forward(struct session *session) {
    struct verb_call *call = session->call;
    struct error err;
    if (session->node.fd < 0) {
        act(session);
        return true;
    }
    enum error_code code =
        control_ask(&session->node, session->verb->name, call->arguments, call->argument_count,
                    call->json, call->cwd, &call->status, &call->out, &call->err, &err);
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    return code == ERR_OK || code == ERR_LIMIT || code == ERR_USAGE;
}

/* ---- many bibs from standard input ---- */

/* Cuts a line into a bib and its tags, behind the options that stand for all. */
static size_t line_words(char *line, const char **words, size_t count) {
    size_t used = count;
    char *rest = NULL;
    for (char *word = strtok_r(line, " \t\r\n", &rest); word != NULL;
         word = strtok_r(NULL, " \t\r\n", &rest)) {
        if (used + 2 > count + LINE_WORDS_MAX) {
            break; /* more words than any bib has chips: the verb refuses what is there */
        }
        if (used > count) {
            words[used++] = "--tag";
        }
        words[used++] = word;
    }
    return used;
}

/* The words that are options, which stand for every line. */
static size_t common_words(const struct verb_call *call, const char **words) {
    size_t used = 0;
    for (size_t i = 0; i < call->argument_count; i++) {
        if (strcmp(call->arguments[i], "-") != 0 && strcmp(call->arguments[i], "--") != 0) {
            words[used++] = call->arguments[i];
        }
    }
    return used;
}

static int run_lines(struct session *session) {
    struct verb_call *call = session->call;
    const char *const *arguments = call->arguments;
    size_t argument_count = call->argument_count;
    const char **words = calloc(argument_count + LINE_WORDS_MAX + 2, sizeof(*words));
    char *line = NULL;
    size_t room = 0, number = 0;
    int worst = 0;
    bool goes_on = words != NULL;
    if (words == NULL) {
        struct error err;
        error_set(&err, ERR_MEMORY, "words");
        verb_fail(call, &err);
        worst = client_print(call);
    }
    size_t common = goes_on ? common_words(call, words) : 0;
    while (goes_on && getline(&line, &room, stdin) >= 0) {
        size_t count = line_words(line, words, common);
        number++;
        if (count == common) {
            continue;
        }
        call->arguments = words;
        call->argument_count = count;
        goes_on = act_or_forward(session);
        if (call->status != 0 && !call->json) { /* which of them, where the sentence names no bib */
            buffer_print(&call->err, "  line: %zu\n", number);
        }
        int status = client_print(call);
        worst = status > worst ? status : worst;
        /* On a machine that fails, the lines that follow would only be lost as well. */
        goes_on = goes_on && status < (int)ERROR_CLASS_MACHINE;
    }
    free(line);
    free(words);
    call->arguments = arguments;
    call->argument_count = argument_count;
    return worst;
}

/* ---- with a person at the terminal ---- */

/* The call changed nothing, because the root's key is sealed: once more with what the seal holds,
 * or told why not. */
static void act_unsealed(struct session *session) {
    struct verb_call *call = session->call;
    struct error err;
    uint8_t seed[CONTROL_SECRET];
    buffer_clear(&call->out);
    buffer_clear(&call->err);
    if (questions_unseal(session->verb, call, seed, &err) != ERR_OK) {
        verb_fail(call, &err);
        call->status = (int)error_class(err.code);
        return;
    }
    call->seed = seed;
    session->node.secret = seed;
    act_or_forward(session);
    call->seed = NULL;
    session->node.secret = NULL;
    sodium_memzero(seed, sizeof(seed));
}

static int run_asking(struct session *session) {
    struct verb_call *call = session->call;
    struct questions questions;
    questions_ask(session->verb, call, &questions);
    act_or_forward(session);
    if (call->status == (int)VERB_STATUS_SEALED) {
        act_unsealed(session);
    }
    if (call->status == (int)VERB_STATUS_SEALED) { /* never the program's own status */
        call->status = (int)ERROR_CLASS_STATE;
    }
    questions_put_back(call, &questions);
    return client_print(call);
}

/* ---- one command ---- */

static bool is_lines(const struct verb *verb, const struct verb_call *call) {
    struct options options;
    struct error unused;
    if (verb->act != verb_issue) {
        return false;
    }
    bool lines = options_read(verb->options, call->arguments, call->argument_count, &options,
                              &unused) == ERR_OK &&
                 options.rest_count == 1 && strcmp(options.rest[0], "-") == 0;
    options_release(&options);
    return lines;
}

int client_run(const struct verb *verb, struct verb_call *call, const char *copy) {
    struct session session = {.verb = verb, .call = call, .node = {.fd = -1}};
    struct error err;
    if (verb->needs == VERB_MAKES_FOLDER || verb->needs == VERB_NODE) {
        act(&session);
        return client_print(call);
    }
    enum error_code code = copy == NULL
                               ? open_session(&session, &err)
                               : station_open_copy(call->dir, copy, &session.station, &err);
    if (code != ERR_OK) {
        verb_fail(call, &err);
        return client_print(call);
    }
    session.open = session.open || copy != NULL;
    int status;
    if (session.node.fd >= 0 && desk_terminal_wanted(verb, call)) {
        desk_terminal(&session.node, call);
        status = client_print(call);
    } else {
        status = is_lines(verb, call) ? run_lines(&session) : run_asking(&session);
    }
    close_session(&session);
    return status;
}
