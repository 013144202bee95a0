/*
 * desk_terminal.c: see desk_terminal.h. Must never answer a question for a key that a scanner can
 * type, and never leave the terminal raw.
 */
#include "node/desk_terminal.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "common/desk.h"
#include "common/keys.h"
#include "node/show.h"

enum {
    LOOK_MS = 200, /* how often the node is asked for its view */
    CTRL_D = 4,
    ESC = 27,
};

struct terminal {
    struct control_client *node;
    struct verb_call *call;
    bool draws;       /* both ends are terminals */
    json_t *view;     /* what the node said last */
    json_int_t sound; /* the number of the sound that was made last */
    struct keys keys; /* what is being typed */
    char escape[8];   /* the beginning of a key's sequence */
    size_t escape_length;
    size_t drawn_size; /* of what was typed */
    json_int_t drawn_version;
    bool away; /* the node has ended, and may come back */
    bool over;
};

bool desk_terminal_wanted(const struct verb *verb, const struct verb_call *call) {
    struct options options;
    struct error ignored;
    if (verb->act != verb_desk) {
        return false;
    }
    bool wanted = options_read(verb->options, call->arguments, call->argument_count, &options,
                               &ignored) == ERR_OK &&
                  !options_has(&options, "--view") && !options_has(&options, "--input");
    options_release(&options);
    return wanted;
}

/* ---- the node ---- */

/* Asks for the view, after an input if there is one. False when the node is gone. */
static bool ask(struct terminal *terminal, const char *input) {
    const char *arguments[] = {input == NULL ? "--view" : "--input", input};
    struct verb_call *call = terminal->call;
    struct buffer out;
    struct error err;
    int status = 0;
    buffer_init(&out);
    buffer_clear(&call->err);
    enum error_code code = control_ask(terminal->node, "desk", arguments, input == NULL ? 1 : 2,
                                       true, call->cwd, &status, &out, &call->err, &err);
    json_t *view = json_loadb((const char *)out.data, out.size, 0, NULL);
    if (code == ERR_SOCKET && terminal->draws) {
        control_disconnect(terminal->node);
        terminal->away = true;
        terminal->drawn_version = -1;
    } else if (code != ERR_OK) {
        verb_fail(call, &err);
        terminal->over = true;
    } else if (status != 0) {
        call->status = status;
    } else if (view != NULL) {
        json_decref(terminal->view);
        terminal->view = json_incref(view);
    }
    json_decref(view);
    buffer_release(&out);
    return code == ERR_OK;
}

/* Sends an object, which is released here. */
static void tell(struct terminal *terminal, json_t *input) {
    char *text = input == NULL ? NULL : json_dumps(input, JSON_COMPACT);
    if (text != NULL) {
        terminal->call->status = 0;
        ask(terminal, text);
        terminal->drawn_version = -1;
    }
    free(text);
    json_decref(input);
}

static const char *text_in(const json_t *object, const char *name) {
    const char *text = json_string_value(json_object_get(object, name));
    return text == NULL ? "" : text;
}

static json_int_t number_in(const json_t *object, const char *name) {
    return json_integer_value(json_object_get(object, name));
}

/* ---- drawing ---- */

static void put(struct buffer *out, const char *before, const char *text) {
    if (text[0] != '\0') {
        buffer_print(out, "%s", before);
        show_plain(out, slice_text(text));
        buffer_print(out, "\n");
    }
}

/* An empty buffer has no bytes to point at, which fwrite(3) must not be given. */
static void print_all(const struct buffer *text, FILE *to) {
    if (text->size > 0) {
        fwrite(text->data, 1, text->size, to);
        fflush(to);
    }
}

static void put_state(struct buffer *out, const json_t *view) {
    const char *way = text_in(view, "way");
    buffer_print(out, "%s", strcmp(way, "on-demand") == 0 ? "One bib at a time" : "");
    if (strcmp(way, "series") == 0 || strcmp(way, "prove") == 0) {
        buffer_print(out, "%s %lld to %lld, %lld done",
                     strcmp(way, "series") == 0 ? "Stack" : "Proof of stack",
                     (long long)number_in(view, "first"), (long long)number_in(view, "last"),
                     (long long)number_in(view, "done"));
    }
    buffer_print(out, "%s", strcmp(way, "look") == 0 ? "Looking only" : "");
    buffer_print(out, "; %s",
                 json_is_true(json_object_get(view, "encoder")) ? "the encoder is ready"
                                                                : "no encoder is ready");
    buffer_print(out, "; %lld on the antenna", (long long)number_in(view, "heard"));
    put(out, "; ",
        text_in(view, "helper")[0] == '\0' ? "nobody's initials" : text_in(view, "helper"));
}

static void put_view(struct buffer *out, const json_t *view) {
    size_t at;
    const json_t *item;
    put_state(out, view);
    buffer_print(out, "\n");
    put(out, "  ", text_in(view, "say"));
    put(out, "  ", text_in(view, "aside"));
    json_array_foreach(json_object_get(view, "choices"), at, item) {
        char key[32];
        snprintf(key, sizeof key, "    F%zu  ", at + 1);
        put(out, key, text_in(item, "label"));
    }
    buffer_print(out, "\n");
    json_array_foreach(json_object_get(view, "latest"), at, item) {
        buffer_print(out, "  %-12s %s", text_in(item, "bib"),
                     json_is_true(json_object_get(item, "undone")) ? "taken back: " : "");
        put(out, "", text_in(item, "say"));
    }
}

static void draw(struct terminal *terminal) {
    struct buffer out;
    json_int_t version = number_in(terminal->view, "version");
    json_int_t sound = number_in(terminal->view, "sound_number");
    const char *which = text_in(terminal->view, "sound");
    struct slice typed = keys_typed(&terminal->keys);
    buffer_init(&out);
    if (version != terminal->drawn_version || typed.size != terminal->drawn_size) {
        buffer_print(&out, "\033[H\033[2J");
        put_view(&out, terminal->view);
        buffer_print(&out, "\nF7 stop  F8 not here or spoiled  F9 take back  F10 look  F11 one bib "
                           "at a time  Ctrl-D leave\n");
        buffer_append_slice(&out, buffer_slice(&terminal->call->err));
        buffer_print(&out, "> ");
        show_plain(&out, typed);
    }
    if (sound != terminal->sound && strcmp(which, "silent") != 0 && strcmp(which, "done") != 0) {
        buffer_print(&out, "\a");
    }
    terminal->sound = sound;
    terminal->drawn_version = version;
    terminal->drawn_size = typed.size;
    print_all(&out, stdout);
    buffer_release(&out);
}

/* ---- keys ---- */

/* F1 to F6 answer what is asked, and mean nothing else; the others are commands. */
static void function_key(struct terminal *terminal, int key) {
    static const char *const commands[] = {"stop", "absent", "undo", "look", "on-demand"};
    const json_t *choices = json_object_get(terminal->view, "choices");
    const json_t *choice = json_array_get(choices, (size_t)key - 1);
    if (key >= 1 && key <= DESK_CHOICES_MAX && choice != NULL) {
        tell(terminal, json_pack("{s:I, s:s}", "question", number_in(terminal->view, "question"),
                                 "answer", text_in(choice, "word")));
    } else if (key > DESK_CHOICES_MAX && key <= DESK_CHOICES_MAX + 5) {
        tell(terminal, json_pack("{s:s}", "command", commands[key - DESK_CHOICES_MAX - 1]));
    }
}

/* The number of the function key that a whole sequence behind ESC means, 0: none, -1: not whole
 * yet. ESC O P and ESC [ 1 1 ~ as terminals after the VT220 and xterm send them, ESC [ [ A as the
 * Linux console does (console_codes(4)). */
static int function_of(const char *sequence, size_t length) {
    static const struct {
        const char *sequence;
        int key;
    } keys[] = {
        {"OP", 1},   {"OQ", 2},    {"OR", 3},    {"OS", 4},    {"[11~", 1}, {"[12~", 2},
        {"[13~", 3}, {"[14~", 4},  {"[15~", 5},  {"[17~", 6},  {"[18~", 7}, {"[19~", 8},
        {"[20~", 9}, {"[21~", 10}, {"[23~", 11}, {"[24~", 12}, {"[[A", 1},  {"[[B", 2},
        {"[[C", 3},  {"[[D", 4},   {"[[E", 5},
    };
    int key = 0;
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        if (strncmp(keys[i].sequence, sequence, length) == 0) {
            if (strlen(keys[i].sequence) == length) {
                return keys[i].key;
            }
            key = -1;
        }
    }
    return key;
}

/* A sequence of ESC [ that is no function key is passed over to its end, which is the first byte
 * that is neither parameter nor intermediate (ECMA-48, 5.4): else its rest would be typed. */
static void take_escape(struct terminal *terminal, char c) {
    if (terminal->escape_length < sizeof terminal->escape) {
        terminal->escape[terminal->escape_length++] = c;
    }
    int key = function_of(terminal->escape + 1, terminal->escape_length - 1);
    if (key < 0 || (key == 0 && terminal->escape[1] == '[' && c >= ' ' && c <= '?')) {
        return;
    }
    terminal->escape_length = 0;
    if (key > 0) {
        function_key(terminal, key);
    }
}

static void take_key(struct terminal *terminal, char c) {
    struct keys_line line;
    if (c == ESC) { /* also where another sequence was not whole: the Esc key sends no more */
        terminal->escape[0] = c;
        terminal->escape_length = 1;
    } else if (terminal->escape_length > 0) {
        take_escape(terminal, c);
    } else if (c == CTRL_D) {
        terminal->over = true;
    } else if (keys_take(&terminal->keys, (uint8_t)c, station_now(), &line)) {
        tell(terminal, json_pack("{s:s, s:b}", "text", line.text, "scanned", line.scanned ? 1 : 0));
    }
}

/* ---- the terminal ---- */

static volatile sig_atomic_t interrupted;
static volatile sig_atomic_t is_raw;
static struct termios as_it_was;

/* The first is obeyed when the node has answered. With a second one nobody waits for it any more:
 * tcsetattr, signal and raise may be called here (POSIX.1-2017, XSH 2.4.3). */
static void note_interrupt(int number) {
    if (interrupted != 0 && is_raw != 0) {
        tcsetattr(STDIN_FILENO, TCSANOW, &as_it_was);
        signal(number, SIG_DFL);
        raise(number);
    }
    interrupted = 1;
}

/* Keys come one by one and unseen; Ctrl-C still ends it, but not before the terminal is as it
 * was. */
static bool make_raw(void) {
    struct sigaction action = {.sa_handler = note_interrupt};
    struct termios raw;
    if (tcgetattr(STDIN_FILENO, &as_it_was) != 0) {
        return false;
    }
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGHUP, &action, NULL);
    raw = as_it_was;
    raw.c_lflag &= ~(tcflag_t)(ICANON | ECHO);
    raw.c_cc[VMIN] = 1;
    raw.c_cc[VTIME] = 0;
    is_raw = tcsetattr(STDIN_FILENO, TCSANOW, &raw) == 0;
    return is_raw != 0;
}

static void begin_typing(struct terminal *terminal) {
    struct keys_config plain = keys_config_plain();
    plain.bunched = true; /* while the node is asked, keys wait */
    keys_init(&terminal->keys, &plain);
    terminal->escape_length = 0;
}

/* Without its node the desk stays, for what a scanner types next would go to a shell. Its keys do
 * nothing until the node is back. */
static void wait_for_node(struct terminal *terminal, const char *keys, ssize_t count) {
    struct error err;
    if (terminal->drawn_version != -2) {
        printf("\033[H\033[2JThe node is away: start `run` again. The desk goes on by itself "
               "then.\n\nWhat was done is kept. What was typed last may not have been taken: "
               "look when it is back.\nUntil then nothing is taken; Ctrl-D leaves.\n");
        terminal->drawn_version = -2;
    }
    for (ssize_t i = 0; i < count; i++) {
        terminal->over = terminal->over || keys[i] == CTRL_D;
        printf("%s", keys[i] == '\r' || keys[i] == '\n' ? "\a" : "");
    }
    fflush(stdout);
    if (control_connect(terminal->call->dir, terminal->node, &err) == ERR_OK &&
        terminal->node->fd >= 0) {
        terminal->away = false;
        terminal->drawn_version = -1;
        begin_typing(terminal);
        ask(terminal, NULL);
    }
}

static void work_at_keys(struct terminal *terminal) {
    char keys[64];
    while (!terminal->over && interrupted == 0) {
        struct pollfd input = {.fd = STDIN_FILENO, .events = POLLIN};
        if (!terminal->away) {
            draw(terminal);
        }
        bool typed = poll(&input, 1, LOOK_MS) > 0;
        ssize_t n = typed ? read(STDIN_FILENO, keys, sizeof keys) : 0;
        terminal->over =
            terminal->over || (typed && n == 0) || (n < 0 && errno != EINTR && errno != EAGAIN);
        if (terminal->away) {
            wait_for_node(terminal, keys, n);
            continue;
        }
        if (!typed) {
            ask(terminal, NULL);
        }
        for (ssize_t i = 0; i < n && !terminal->over; i++) {
            take_key(terminal, keys[i]);
        }
    }
}

/* Lines from a file or another program: each is typed, and answered with what the desk says. */
static void work_at_lines(struct terminal *terminal) {
    struct keys_config plain = keys_config_plain();
    char *line = NULL;
    size_t room = 0;
    ssize_t size = 0;
    while (!terminal->over && (size = getline(&line, &room, stdin)) >= 0) {
        struct buffer out;
        struct keys_line read;
        /* Bytes that are no text cannot be sent as they are, and must not be left out silently. */
        if (!keys_read(&plain, slice_trimmed(slice_of(line, (size_t)size)), false, &read)) {
            continue;
        }
        tell(terminal, json_pack("{s:s, s:b}", "text", read.text, "scanned", 0));
        buffer_init(&out);
        put(&out, "", text_in(terminal->view, "say"));
        put(&out, "", text_in(terminal->view, "aside"));
        print_all(&out, stdout);
        print_all(&terminal->call->err, stderr);
        buffer_release(&out);
    }
    free(line);
}

/* ---- what the command line says first ---- */

/* A whole number up to the character `until`; *rest is what stands behind that. */
static bool read_number(const char *text, char until, json_int_t *value, const char **rest) {
    char *end = NULL;
    errno = 0;
    unsigned long long number = strtoull(text, &end, 10);
    if (text[0] < '0' || text[0] > '9' || errno != 0 || number > INT64_MAX || *end != until) {
        return false;
    }
    *value = (json_int_t)number;
    *rest = until == '\0' ? end : end + 1;
    return true;
}

static enum error_code read_series(const struct options *options, json_t **out, struct error *err) {
    json_int_t first = 0, last = 0, step = 1, every = 0;
    const char *rest = options_value(options, "--series");
    const char *typed = rest;
    const char *step_text = options_value(options, "--step");
    const char *every_text = options_value(options, "--check-every");
    if (!read_number(typed, '-', &first, &rest) || !read_number(rest, '\0', &last, &rest) ||
        (step_text != NULL && !read_number(step_text, '\0', &step, &rest)) ||
        (every_text != NULL && !read_number(every_text, '\0', &every, &rest))) {
        error_set(err, ERR_USAGE, "--series %.60s", typed);
        return error_say(err, "A series is written --series FIRST-LAST, like 200-1, with whole "
                              "numbers behind --step and --check-every.");
    }
    *out = json_pack("{s:s, s:I, s:I, s:I, s:I}", "command", "series", "first", first, "last", last,
                     "step", step, "check_every", every);
    return ERR_OK;
}

static enum error_code tell_first(struct terminal *terminal, struct error *err) {
    struct options options;
    json_t *series = NULL;
    const struct verb_call *call = terminal->call;
    enum error_code code = options_read(verb_find("desk")->options, call->arguments,
                                        call->argument_count, &options, err);
    if (code == ERR_OK) {
        code = options_rest(&options, 0, 0, "nothing", err);
    }
    if (code == ERR_OK && options_value(&options, "--series") != NULL) {
        code = read_series(&options, &series, err);
    }
    if (code == ERR_OK && options_value(&options, "--helper") != NULL) {
        tell(terminal, json_pack("{s:s, s:s}", "command", "helper", "text",
                                 options_value(&options, "--helper")));
    }
    if (code == ERR_OK && options_value(&options, "--roll") != NULL) {
        tell(terminal,
             json_pack("{s:s, s:s, s:b}", "command", "roll", "text",
                       options_value(&options, "--roll"), "pair", options_has(&options, "--pair")));
    }
    if (series != NULL) {
        tell(terminal, series);
    }
    options_release(&options);
    return code;
}

int desk_terminal(struct control_client *node, struct verb_call *call) {
    struct terminal terminal = {.node = node, .call = call, .drawn_version = -1};
    struct error err;
    begin_typing(&terminal);
    if (tell_first(&terminal, &err) != ERR_OK) {
        verb_fail(call, &err);
    } else if (ask(&terminal, NULL) && call->status == 0) {
        terminal.draws = isatty(STDIN_FILENO) != 0 && isatty(STDOUT_FILENO) != 0;
        terminal.sound = number_in(terminal.view, "sound_number");
        if (terminal.draws && make_raw()) {
            work_at_keys(&terminal);
            tcsetattr(STDIN_FILENO, TCSANOW, &as_it_was);
            is_raw = 0;
            printf("\n");
            fflush(stdout);
        } else {
            work_at_lines(&terminal);
        }
    }
    json_decref(terminal.view);
    return call->status;
}
