/*
 * encoder_llrp.c: the encoder process for LLRP readers: its arguments, its two pipes, its loop.
 */
#include "node/encoder_llrp.h"

#include "node/encoder_llrp_link.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { TICK_MS = 100, GONE_MS = 1500, ARGS_MAX = 256 };

static struct mono_ms mono_now(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (struct mono_ms){(int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000};
}

/* ADDR or ADDR:PORT; an IPv6 address stands in brackets. */
static bool read_address(const char *text, struct address *out, struct error *err) {
    char whole[ARGS_MAX + 8];
    const char *bracket = strchr(text, ']');
    bool port = strchr(bracket != NULL ? bracket : text, ':') != NULL;
    snprintf(whole, sizeof whole, port ? "%s" : "%s:%d", text, LLRP_PORT);
    return address_parse(whole, out, err) == ERR_OK && !out->any && out->port != 0;
}

static bool read_number(const char *text, long least, long most, long *out) {
    char *end;
    errno = 0;
    *out = strtol(text, &end, 10);
    return errno == 0 && end != text && *end == '\0' && text[0] >= '0' && text[0] <= '9' &&
           *out >= least && *out <= most;
}

/* Eight hex digits in a file: what stands on a command line, everybody on the machine can read. */
static bool read_password(const char *path, struct encoder_llrp_options *out) {
    char hex[8];
    uint8_t secret[4];
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    bool read_whole = fd >= 0 && read(fd, hex, sizeof hex) == (ssize_t)sizeof hex;
    if (fd >= 0) {
        close(fd);
    }
    if (!read_whole || !hex_decode(hex, sizeof hex, secret, sizeof secret)) {
        encoder_llrp_talk_log("%s does not hold a password: 8 hex digits, and nothing before them.",
                              path);
        return false;
    }
    out->password = (uint32_t)secret[0] << 24 | (uint32_t)secret[1] << 16 |
                    (uint32_t)secret[2] << 8 | secret[3];
    out->has_password = out->password != 0; /* 0 is what a tag without one has */
    return true;
}

static bool read_option(const char *text, struct encoder_llrp_options *out) {
    const char *equals = strchr(text, '=');
    const char *value = equals != NULL ? equals + 1 : "";
    size_t name = equals != NULL ? (size_t)(equals - text) : strlen(text);
    long number;
    struct slice key = slice_of(text, name);
    if (slice_equal(key, slice_text("antenna")) && read_number(value, 1, 65535, &number)) {
        out->antenna = (uint16_t)number;
    } else if (slice_equal(key, slice_text("power")) && read_number(value, 0, 65535, &number)) {
        out->has_power = true;
        out->power = (uint16_t)number;
    } else if (slice_equal(key, slice_text("gone")) && read_number(value, 100, 600000, &number)) {
        out->gone_given = true;
        out->gone_ms = number;
    } else if (slice_equal(key, slice_text("password-file")) && read_password(value, out)) {
        return true;
    } else if (strcmp(text, "lock") == 0) {
        out->lock = true;
    } else {
        return false;
    }
    return true;
}

static bool read_args(const char *args, struct encoder_llrp_options *out) {
    char copy[ARGS_MAX];
    char *rest = NULL;
    struct error err;
    error_clear(&err);
    *out = (struct encoder_llrp_options){.antenna = 1, .gone_ms = GONE_MS};
    if (strlen(args) >= sizeof copy) {
        encoder_llrp_talk_log("the reader's settings are too long");
        return false;
    }
    snprintf(copy, sizeof copy, "%s", args);
    char *word = strtok_r(copy, ",", &rest);
    if (word == NULL || !read_address(word, &out->address, &err)) {
        encoder_llrp_talk_log("Give the reader's address as numbers, like 192.0.2.9 or "
                              "192.0.2.9:5084. %s",
                              err.say);
        return false;
    }
    while ((word = strtok_r(NULL, ",", &rest)) != NULL) {
        if (!read_option(word, out)) {
            encoder_llrp_talk_log("\"%s\" is none of antenna=1, power=INDEX, "
                                  "password-file=FILE, lock and gone=1500.",
                                  word);
            return false;
        }
    }
    if (out->lock && !out->has_password) {
        encoder_llrp_talk_log("Say with which password to lock: password-file=FILE, and not zero.");
        return false;
    }
    return true;
}

struct lines {
    struct buffer bytes;
    bool skipping; /* the rest of a line that was too long */
    bool started;  /* the node has said its first line */
    bool over;
};

static void take_line(struct lines *lines, struct encoder_llrp_link *link,
                      const struct encoder_llrp_options *options, struct slice text) {
    struct encoder_llrp_line line;
    encoder_llrp_talk_read(text, &line);
    lines->started = lines->started || line.what == ENCODER_LLRP_DO_START;
    if (line.what == ENCODER_LLRP_DO_START && line.gone_ms > 0 && !options->gone_given) {
        encoder_llrp_link_gone(link, line.gone_ms);
    }
    encoder_llrp_link_take(link, &line);
}

/* Reads once from stdin and takes the whole lines. */
static void take_lines(struct lines *lines, struct encoder_llrp_link *link,
                       const struct encoder_llrp_options *options) {
    char space[4096];
    ssize_t n = read(STDIN_FILENO, space, sizeof space);
    if (n <= 0) {
        lines->over = n == 0 || (errno != EINTR && errno != EAGAIN);
        return;
    }
    buffer_append(&lines->bytes, space, (size_t)n);
    const uint8_t *end;
    while ((end = memchr(lines->bytes.data, '\n', lines->bytes.size)) != NULL) {
        size_t size = (size_t)(end - lines->bytes.data);
        if (!lines->skipping) {
            take_line(lines, link, options, slice_of(lines->bytes.data, size));
        }
        lines->skipping = false;
        buffer_drop(&lines->bytes, size + 1);
    }
    if (lines->bytes.size > ENCODER_LLRP_LINE_MAX || lines->bytes.failed) {
        encoder_llrp_talk_log("a line that is too long");
        lines->skipping = true;
        buffer_release(&lines->bytes);
        buffer_init(&lines->bytes);
    }
}

int encoder_llrp(const char *args) {
    struct encoder_llrp_options options;
    struct lines lines = {0};
    if (!read_args(args, &options)) {
        return 2;
    }
    struct encoder_llrp_link *link = encoder_llrp_link_new(&options);
    if (link == NULL) {
        encoder_llrp_talk_log("no memory");
        return 3;
    }
    buffer_init(&lines.bytes);
    signal(SIGPIPE,
           SIG_IGN); /* a node that is gone ends stdin too, and the reader is told to stop */
    while (!lines.over) {
        bool writing;
        int fd = encoder_llrp_link_fd(link, &writing);
        struct pollfd ready[2] = {
            {.fd = STDIN_FILENO, .events = POLLIN},
            {.fd = fd, .events = (short)(POLLIN | (writing ? POLLOUT : 0))},
        };
        if (poll(ready, 2, TICK_MS) > 0 && ready[0].revents != 0) {
            take_lines(&lines, link, &options);
        }
        if (lines.started) {
            encoder_llrp_link_drive(link, mono_now());
        }
    }
    encoder_llrp_link_free(link);
    buffer_release(&lines.bytes);
    return 0;
}
