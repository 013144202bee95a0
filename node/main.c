/*
 * main.c: the words of the command line, and the folder they are about.
 * Must never act itself: see client.c, and verb.c for what there is.
 */
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "node/client.h"
#include "node/files.h"

#define VERSION "0.1.0"

struct command {
    const struct verb *verb;
    const char *word;   /* first word of the verb as it was typed, or NULL */
    const char **words; /* behind the verb, without the options that every verb has */
    size_t count;
    const char *dir, *copy;
    bool json, help, version, manual;
};

/* The value of option `name` at argv[*at], also written as name=value; NULL if another word is
 * there. A missing value is "". */
static const char *global_value(const char *name, int argc, char **argv, int *at) {
    size_t length = strlen(name);
    const char *word = argv[*at];
    if (word == NULL || strncmp(word, name, length) != 0) {
        return NULL;
    }
    if (word[length] == '=') {
        return word + length + 1;
    }
    if (word[length] != '\0') {
        return NULL;
    }
    if (*at + 1 >= argc || argv[*at + 1] == NULL) {
        return "";
    }
    return argv[++*at];
}

/* Takes an option that every verb has. */
static bool take_global(struct command *command, int argc, char **argv, int *at) {
    const char *dir = global_value("--dir", argc, argv, at);
    const char *copy = dir != NULL ? NULL : global_value("--copy", argc, argv, at);
    if (dir != NULL) {
        command->dir = dir;
    } else if (copy != NULL) {
        command->copy = copy;
    } else if (strcmp(argv[*at], "--json") == 0) {
        command->json = true;
    } else if (strcmp(argv[*at], "--help") == 0 || strcmp(argv[*at], "-h") == 0) {
        command->help = true;
    } else {
        return false;
    }
    return true;
}

/* Whether the word is an option of the verb whose value is the next word. */
static bool takes_next(const struct verb *verb, const char *word) {
    for (const struct verb_option *option = verb->options; option->name != NULL; option++) {
        if (option->value && strcmp(option->name, word) == 0) {
            return true;
        }
    }
    return false;
}

/* Finds the verb at argv[*at], which may be two words; *at is left at its last. */
static void take_verb(struct command *command, int argc, char **argv, int *at) {
    char both[64];
    command->word = argv[*at];
    if (*at + 1 < argc && argv[*at + 1] != NULL && verb_begins(argv[*at])) {
        snprintf(both, sizeof(both), "%.20s %.40s", argv[*at], argv[*at + 1]);
        command->verb = verb_find(both);
        *at += command->verb != NULL ? 1 : 0;
    }
    if (command->verb == NULL) {
        command->verb = verb_find(command->word);
    }
}

static enum error_code unknown_word(struct error *err, const char *word) {
    error_set(err, ERR_USAGE, "the word %.100s", word);
    if (verb_begins(word)) {
        return error_say(err,
                         "Behind %.40s goes another word. `bibweave %.40s --help` shows which.",
                         word, word);
    }
    return error_say(err, "There is no command %.100s. `bibweave help` lists them.", word);
}

static enum error_code read_command(struct command *command, int argc, char **argv,
                                    struct error *err) {
    for (int at = 1; at < argc && argv[at] != NULL; at++) {
        const char *word = argv[at];
        if (take_global(command, argc, argv, &at)) {
            continue;
        }
        if (command->verb != NULL) {
            command->words[command->count++] = word;
            if (strcmp(word, "--") == 0) {
                while (++at < argc) {
                    command->words[command->count++] = argv[at];
                }
            } else if (takes_next(command->verb, word) && at + 1 < argc &&
                       strncmp(argv[at + 1], "--", 2) != 0) {
                command->words[command->count++] = argv[++at];
            }
        } else if (command->word == NULL && strcmp(word, "--version") == 0) {
            command->version = true;
        } else if (command->word == NULL && strcmp(word, "--manual") == 0) {
            command->manual = true;
        } else if (command->word == NULL && strcmp(word, "help") == 0) {
            command->help = true;
        } else if (command->word == NULL && word[0] != '-') {
            take_verb(command, argc, argv, &at);
        } else {
            return unknown_word(err, command->word != NULL ? command->word : word);
        }
    }
    if (command->dir != NULL && command->dir[0] == '\0') {
        error_set(err, ERR_USAGE, "--dir without a folder");
        return error_say(err, "The value of --dir is missing: the station's data folder.");
    }
    return ERR_OK;
}

static enum error_code default_dir(const char *cwd, const char *given, char *dir,
                                   struct error *err) {
    const char *folder = given != NULL ? given : getenv("BIBWEAVE_DIR");
    const char *state = getenv("XDG_STATE_HOME");
    const char *home = getenv("HOME");
    char above[FILES_PATH_MAX];
    if (folder != NULL && folder[0] != '\0') {
        return files_path(cwd, folder, dir, err);
    }
    if (state != NULL && state[0] == '/') {
        return files_inside(state, "bibweave", dir, err);
    }
    if (home == NULL || home[0] != '/') {
        error_set(err, ERR_USAGE, "no --dir, BIBWEAVE_DIR, XDG_STATE_HOME or HOME");
        return error_say(err, "Say which folder is the station's: --dir FOLDER.");
    }
    enum error_code code = files_inside(home, ".local/state", above, err);
    return code == ERR_OK ? files_inside(above, "bibweave", dir, err) : code;
}

static int run_command(const struct command *command, struct verb_call *call, const char *cwd) {
    char dir[FILES_PATH_MAX];
    struct error err;
    enum error_code code = ERR_OK;
    if (command->verb == NULL) {
        unknown_word(&err, command->word);
        verb_fail(call, &err);
        return client_print(call);
    }
    if (command->copy != NULL && command->verb->needs != VERB_COPY) {
        code = error_set(&err, ERR_USAGE, "--copy with %s", command->verb->name);
    } else {
        code = default_dir(cwd, command->dir, dir, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
        return client_print(call);
    }
    call->arguments = command->words;
    call->argument_count = command->count;
    call->terminal = isatty(STDIN_FILENO) != 0 && isatty(STDERR_FILENO) != 0;
    call->cwd = cwd;
    call->dir = dir;
    return client_run(command->verb, call, command->copy);
}

static int run_words(struct command *command, int argc, char **argv, struct verb_call *call) {
    struct error err;
    char cwd[FILES_PATH_MAX];
    enum error_code code = read_command(command, argc, argv, &err);
    call->json = command->json;
    if (code == ERR_OK && getcwd(cwd, sizeof(cwd)) == NULL) {
        snprintf(cwd, sizeof(cwd), "/");
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    } else if (command->manual) {
        verb_manual(&call->out);
    } else if (command->help) {
        verb_help(command->verb != NULL ? command->verb->name : command->word, &call->out);
    } else if (command->version) {
        buffer_print(&call->out, "bibweave %s\n", VERSION);
    } else if (command->word == NULL) {
        verb_help(NULL, &call->err);
        call->status = (int)ERROR_CLASS_INPUT;
    } else {
        return run_command(command, call, cwd);
    }
    return client_print(call);
}

int main(int argc, char **argv) {
    struct command command = {0};
    struct verb_call call = {0};
    buffer_init(&call.out);
    buffer_init(&call.err);
    umask(S_IRWXG | S_IRWXO);
    tzset();
    command.words = calloc((size_t)argc + 1, sizeof(*command.words));
    if (command.words == NULL || sodium_init() < 0) {
        fprintf(stderr, "The machine is out of memory, or gives no random numbers.\n");
        free(command.words);
        return (int)ERROR_CLASS_MACHINE;
    }
    int status = run_words(&command, argc, argv, &call);
    buffer_release(&call.out);
    buffer_release(&call.err);
    free(command.words);
    return status;
}
