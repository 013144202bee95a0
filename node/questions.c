/*
 * questions.c: see questions.h.
 * Must never ask where nobody sits, nor hand a passphrase on.
 */
#include "node/questions.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/files.h"
#include "node/options.h"
#include "node/passphrase.h"
#include "node/rootkey.h"

static void read_answer(const char *question, char *answer, size_t size) {
    fprintf(stderr, "%s", question);
    fflush(stderr);
    if (fgets(answer, (int)size, stdin) == NULL) {
        answer[0] = '\0';
    }
    answer[strcspn(answer, "\r\n")] = '\0';
}

/* ---- where a chip is ---- */

/* The answer as the value of --chip. */
static void ask_chip(char *value, size_t size) {
    char answer[QUESTIONS_ANSWER_MAX] = "";
    read_answer("Where is the old chip now? d: destroyed; l: lost; or the bib that it is on: ",
                answer, sizeof(answer));
    if (strcmp(answer, "d") == 0 || strcmp(answer, "destroyed") == 0) {
        snprintf(value, size, "destroyed");
    } else if (answer[0] == '\0' || strcmp(answer, "l") == 0 || strcmp(answer, "lost") == 0) {
        snprintf(value, size, "lost");
    } else {
        snprintf(value, size, "on:%s", answer);
    }
}

/* ---- dead or stolen ---- */

/* The answer as an option; "" for none, and then the verb says what the two mean. */
static void ask_how(char *value, size_t size) {
    char answer[QUESTIONS_ANSWER_MAX] = "";
    read_answer("Is that laptop dead, or stolen (or lost)?\n"
                "  d: dead: nobody can use it; what is found on it later still counts.\n"
                "  s: stolen, or lost: what was written on it from now on does not count.\n"
                "d or s: ",
                answer, sizeof(answer));
    bool dead = strcmp(answer, "d") == 0 || strcmp(answer, "dead") == 0;
    bool stolen = strcmp(answer, "s") == 0 || strcmp(answer, "stolen") == 0;
    snprintf(value, size, "%s", dead ? "--dead" : stolen ? "--stolen" : "");
}

/* ---- asking ---- */

/* What of `asks` is to be asked for this call. */
static unsigned wanted(const struct verb *verb, const struct verb_call *call) {
    struct options options;
    struct error unused;
    unsigned asks = 0;
    if (verb->asks == 0 || !call->terminal) {
        return 0;
    }
    if (options_read(verb->options, call->arguments, call->argument_count, &options, &unused) ==
        ERR_OK) {
        bool replaces = verb->act != verb_issue || options_has(&options, "--replace");
        asks |= replaces && !options_has(&options, "--chip") ? VERB_ASKS_CHIP : 0U;
        asks |= options.rest_count > 0 && !options_has(&options, "--dead") &&
                        !options_has(&options, "--stolen")
                    ? VERB_ASKS_HOW
                    : 0U;
    }
    options_release(&options);
    return asks & verb->asks;
}

void questions_ask(const struct verb *verb, struct verb_call *call, struct questions *questions) {
    unsigned asks = wanted(verb, call);
    size_t added = 0;
    *questions = (struct questions){.count = call->argument_count};
    const char **words =
        asks == 0 ? NULL : calloc(call->argument_count + 2, sizeof(*questions->words));
    if (words == NULL) {
        return;
    }
    if ((asks & VERB_ASKS_CHIP) != 0) {
        words[added++] = "--chip";
        ask_chip(questions->answer, sizeof(questions->answer));
    } else {
        ask_how(questions->answer, sizeof(questions->answer));
    }
    if (questions->answer[0] != '\0') {
        words[added++] = questions->answer;
    }
    for (size_t i = 0; i < call->argument_count; i++) {
        words[added + i] = call->arguments[i];
    }
    questions->words = words;
    questions->given = call->arguments;
    call->arguments = words;
    call->argument_count += added;
}

void questions_put_back(struct verb_call *call, struct questions *questions) {
    if (questions->words != NULL) {
        call->arguments = questions->given;
        call->argument_count = questions->count;
        free(questions->words);
        questions->words = NULL;
    }
}

/* ---- the sealed key ---- */

static enum error_code get_passphrase(const struct verb *verb, const struct verb_call *call,
                                      struct passphrase *passphrase, struct error *err) {
    struct options options;
    enum error_code code =
        options_read(verb->options, call->arguments, call->argument_count, &options, err);
    const char *file = code == ERR_OK ? options_value(&options, "--passphrase-file") : NULL;
    if (code == ERR_OK && file != NULL) {
        code = passphrase_file(call->cwd, file, passphrase, err);
    } else if (code == ERR_OK && call->terminal) {
        code = passphrase_ask("Passphrase of the event's key", passphrase, err);
    } else if (code == ERR_OK) {
        code = error_set(err, ERR_SEALED, "no terminal and no --passphrase-file");
    }
    options_release(&options);
    return code;
}

/* The key that the verb wants: that of the folder, or the one that is to come into it. */
static enum error_code read_sealed(const struct verb *verb, const struct verb_call *call,
                                   struct rootkey *key, struct error *err) {
    char path[FILES_PATH_MAX];
    struct options options;
    enum error_code code =
        options_read(verb->options, call->arguments, call->argument_count, &options, err);
    const char *from = code == ERR_OK ? options_value(&options, "--from") : NULL;
    if (code == ERR_OK && from != NULL) {
        code = files_path(call->cwd, from, path, err);
    } else if (code == ERR_OK) {
        code = files_inside(call->dir, "root.key", path, err);
    }
    if (code == ERR_OK) {
        code = rootkey_read(path, from != NULL ? ROOTKEY_RECOVERY : ROOTKEY_FOLDER, key, err);
    }
    options_release(&options);
    return code;
}

enum error_code questions_unseal(const struct verb *verb, const struct verb_call *call,
                                 uint8_t seed[32], struct error *err) {
    struct rootkey key;
    struct passphrase passphrase = {0};
    enum error_code code = read_sealed(verb, call, &key, err);
    if (code != ERR_OK) {
        return code;
    }
    code = get_passphrase(verb, call, &passphrase, err);
    if (code == ERR_OK) {
        code = rootkey_unseal(&key, passphrase_slice(&passphrase), seed, err);
    }
    passphrase_wipe(&passphrase);
    rootkey_wipe(&key);
    return code;
}
