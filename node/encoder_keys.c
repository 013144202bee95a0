/*
 * encoder_keys.c: the encoder `keys`, for a table whose scanner or desktop reader types.
 * Must never write a chip, and never block on a scanner: the node listens for its sign of life.
 */
#include <errno.h>
#include <jansson.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "node/encoder.h"
#include "node/keys_source.h"

enum {
    LINE_MAX_IN = 65536,
    BEAT_MS = 1000,       /* between two signs of life */
    AGAIN_MS = 500,       /* between two looks for a scanner that is not there */
    LINES_A_SECOND = 100, /* no hand scans so fast; what is over waits in the device */
};

struct typing {
    struct keys_place place;
    struct keys_source source;
    struct error trouble; /* ERR_OK while the scanner is there */
    bool bad_words;       /* the trouble is in `args` and stays */
    bool started, ended;
    bool skipping; /* a line of the node's that is too long */
    struct buffer in;
    int64_t beat, again, second; /* when the next is due, ms */
    unsigned lines;              /* in this second */
};

static struct mono_ms now_ms(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (struct mono_ms){(int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000};
}

/* ---- what is said to the node ---- */

/* Writes the object as one line and takes it. A node that is gone is met at the end of our input.
 */
static void say(json_t *object) {
    char *text = object == NULL ? NULL : json_dumps(object, JSON_COMPACT);
    if (text != NULL) {
        printf("%s\n", text);
        fflush(stdout);
    }
    free(text);
    json_decref(object);
}

static void say_ready(const struct typing *typing) {
    char name[200];
    snprintf(name, sizeof(name), "Scanner %.160s", typing->source.name);
    if (!utf8_valid(slice_text(name))) {
        snprintf(name, sizeof(name), "Scanner");
    }
    say(json_pack("{s:s, s:i, s:s, s:[]}", "say", "ready", "protocol", 1, "name", name, "can"));
}

static void say_trouble(const struct typing *typing) {
    const char *text = typing->trouble.say;
    say(json_pack("{s:s, s:s}", "say", "trouble", "text",
                  utf8_valid(slice_text(text)) ? text : "The scanner does not work."));
}

static void say_alive(struct typing *typing, int64_t now) {
    if (typing->trouble.code == ERR_OK) {
        say(json_pack("{s:s, s:[]}", "say", "field", "tags"));
    } else {
        say_trouble(typing);
    }
    typing->beat = now + BEAT_MS;
}

static void say_typed(void *context, const struct keys_line *line) {
    struct typing *typing = context;
    struct error err;
    if (keys_fault_error(line->fault, &err) != ERR_OK) {
        fprintf(stderr, "%s (%s)\n", err.say, err.cause);
    }
    typing->lines++;
    say(json_pack("{s:s, s:s, s:b}", "say", "typed", "text", line->text, "scanned",
                  line->scanned ? 1 : 0));
}

/* ---- the scanner ---- */

static void lose(struct typing *typing, const struct error *why, int64_t now) {
    bool new = strcmp(typing->trouble.say, why->say) != 0;
    keys_source_close(&typing->source);
    typing->trouble = *why;
    typing->again = now + AGAIN_MS;
    if (new) {
        fprintf(stderr, "%s (%s)\n", why->say, why->cause);
        say_alive(typing, now);
    }
}

static void look(struct typing *typing, int64_t now) {
    struct error err;
    if (keys_source_open(&typing->place, &typing->source, &err) != ERR_OK) {
        lose(typing, &err, now);
        return;
    }
    error_clear(&typing->trouble);
    if (typing->source.events && !typing->source.grabbed) {
        fprintf(stderr, "%s is a recording: it cannot be grabbed, and is read as it comes\n",
                typing->source.name);
    }
    say_ready(typing);
    say_alive(typing, now);
}

static void hear(struct typing *typing, struct mono_ms now) {
    struct error err;
    bool sparing = typing->lines >= LINES_A_SECOND;
    if (keys_source_read(&typing->source, sparing, now, say_typed, typing, &err) != ERR_OK) {
        lose(typing, &err, now.ms);
    }
}

/* ---- the node ---- */

static void obey(struct typing *typing, const char *line, size_t size) {
    json_error_t wrong;
    json_t *order = json_loadb(line, size, 0, &wrong);
    const char *what = json_string_value(json_object_get(order, "do"));
    if (what == NULL) {
        fprintf(stderr, "a line that is no order: %s\n", order == NULL ? wrong.text : "no \"do\"");
    } else if (strcmp(what, "start") == 0) {
        typing->started = true;
    } else if (strcmp(what, "write") == 0) {
        say(json_pack("{s:s, s:I, s:s, s:b, s:s}", "say", "failed", "order",
                      json_integer_value(json_object_get(order, "order")), "why", "reader",
                      "changed", 0, "text", "a scanner writes no chips"));
    }
    json_decref(order);
}

static void listen_to_node(struct typing *typing) {
    char bytes[4096];
    ssize_t size = read(STDIN_FILENO, bytes, sizeof(bytes));
    if (size < 0 && (errno == EINTR || errno == EAGAIN)) {
        return;
    }
    typing->ended = size <= 0;
    for (ssize_t i = 0; i < size; i++) {
        if (bytes[i] != '\n') {
            typing->skipping = typing->skipping || typing->in.size >= LINE_MAX_IN;
            if (!typing->skipping) {
                buffer_append(&typing->in, &bytes[i], 1);
            }
            continue;
        }
        if (!typing->skipping && !typing->in.failed && typing->in.size > 0) {
            obey(typing, (const char *)typing->in.data, typing->in.size);
        }
        typing->skipping = false;
        buffer_clear(&typing->in);
    }
}

/* ---- the loop ---- */

/* Enough in this second. A line that has begun is read to its end: a pause of our own in its middle
 * would look like one of whoever types. */
static bool is_full(const struct typing *typing) {
    return typing->lines >= LINES_A_SECOND && !keys_pending(&typing->source.keys);
}

static int64_t earliest(const struct typing *typing) {
    int64_t due = typing->beat;
    if (typing->source.fd < 0 && !typing->bad_words && typing->again < due) {
        due = typing->again;
    }
    return is_full(typing) && typing->second < due ? typing->second : due;
}

static void turn(struct typing *typing) {
    int scanner = is_full(typing) ? -1 : typing->source.fd;
    struct pollfd wait[] = {{STDIN_FILENO, POLLIN, 0}, {scanner, POLLIN, 0}};
    int64_t left = typing->started ? earliest(typing) - now_ms().ms : -1;
    int timeout = !typing->started ? -1 : left < 0 ? 0 : (int)left;
    if (poll(wait, 2, timeout) < 0 && errno != EINTR) {
        typing->ended = true;
        return;
    }
    struct mono_ms now = now_ms();
    if (now.ms >= typing->second) {
        typing->second = now.ms + 1000;
        typing->lines = 0;
    }
    if (wait[0].revents != 0) {
        listen_to_node(typing);
    }
    if (wait[1].revents != 0 && typing->source.fd >= 0) {
        hear(typing, now);
    }
    if (!typing->started) {
        return;
    }
    if (typing->source.fd < 0 && !typing->bad_words && now.ms >= typing->again) {
        look(typing, now.ms);
    }
    if (now.ms >= typing->beat) {
        say_alive(typing, now.ms);
    }
}

int encoder_keys(const char *args) {
    struct typing typing = {.source = {.fd = -1}};
    struct error err;
    buffer_init(&typing.in);
    if (keys_place_parse(args, &typing.place, &err) != ERR_OK) {
        typing.bad_words = true;
        typing.trouble = err;
        fprintf(stderr, "%s (%s)\n", err.say, err.cause);
    }
    while (!typing.ended && !ferror(stdout)) {
        turn(&typing);
    }
    keys_source_close(&typing.source);
    buffer_release(&typing.in);
    return 0;
}
