/*
 * encoder_llrp_link.c: the connection to an LLRP reader; see the header.
 */
#include "node/encoder_llrp_link.h"

#include "node/encoder_llrp_step.h"

#include <errno.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum {
    DIAL_MS = 3000,
    SILENCE_MS = 3500, /* three keep-alives and a half */
    SIGN_OF_LIFE_MS = 800,
    BETWEEN_FIELDS_MS =
        30, /* a reader that hears something else each time does not flood the node */
    BACK_OFF_FIRST_MS = 500,
    BACK_OFF_LAST_MS = 15000,
    CLOSE_MS = 500,
    OUT_MAX = 65536,
    READ_SIZE = 16384,
};

struct encoder_llrp_link *encoder_llrp_link_new(const struct encoder_llrp_options *options) {
    struct encoder_llrp_link *link = calloc(1, sizeof *link);
    if (link == NULL) {
        return NULL;
    }
    link->options = options;
    link->fd = -1;
    link->gone_ms = options->gone_ms;
    link->version = LLRP_1_0_1;
    link->back_off_ms = BACK_OFF_FIRST_MS;
    snprintf(link->trouble, sizeof link->trouble, "no connection to the reader yet");
    buffer_init(&link->in);
    buffer_init(&link->out);
    return link;
}

int encoder_llrp_link_fd(const struct encoder_llrp_link *link, bool *writing) {
    *writing = link->state == LINK_DIALLING || link->out.size > 0;
    return link->fd;
}

void encoder_llrp_link_down(struct encoder_llrp_link *link, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(link->trouble, sizeof link->trouble, format, arguments);
    va_end(arguments);
    encoder_llrp_talk_log("%s", link->trouble);
    if (link->fd >= 0) {
        close(link->fd);
    }
    link->fd = -1;
    link->state = LINK_DOWN;
    link->retry_at.ms = link->now.ms + link->back_off_ms;
    link->back_off_ms *= 2;
    if (link->back_off_ms > BACK_OFF_LAST_MS) {
        link->back_off_ms = BACK_OFF_LAST_MS;
    }
    buffer_clear(&link->in);
    buffer_clear(&link->out);
    memset(&link->field, 0, sizeof link->field);
    link->said.ms = INT64_MIN / 2;
    encoder_llrp_step_lost(link);
}

static void dial(struct encoder_llrp_link *link) {
    char host[ADDRESS_TEXT_MAX], port[8];
    const char *text = link->options->address.text;
    const char *colon = strrchr(text, ':');
    bool bracket = text[0] == '[';
    struct addrinfo hints = {.ai_socktype = SOCK_STREAM,
                             .ai_flags = AI_NUMERICHOST | AI_NUMERICSERV};
    struct addrinfo *found = NULL;
    int length = (int)(colon - text) - (bracket ? 2 : 0);
    snprintf(host, sizeof host, "%.*s", length, text + (bracket ? 1 : 0));
    snprintf(port, sizeof port, "%u", link->options->address.port);
    if (getaddrinfo(host, port, &hints, &found) != 0) {
        encoder_llrp_link_down(link, "%s is not an address", text);
        return;
    }
    link->fd = socket(found->ai_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (link->fd >= 0) {
        int yes = 1;
        setsockopt(link->fd, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
    }
    int rc = link->fd < 0 ? -1 : connect(link->fd, found->ai_addr, found->ai_addrlen);
    int why = errno;
    freeaddrinfo(found);
    if (rc != 0 && why != EINPROGRESS) {
        encoder_llrp_link_down(link, "no connection to the reader at %s: %s", text, strerror(why));
        return;
    }
    link->state = LINK_DIALLING;
    link->deadline.ms = link->now.ms + DIAL_MS;
}

static void dialled(struct encoder_llrp_link *link) {
    struct pollfd ready = {.fd = link->fd, .events = POLLOUT};
    int why = 0;
    socklen_t size = sizeof why;
    if (poll(&ready, 1, 0) != 1) {
        return;
    }
    if (getsockopt(link->fd, SOL_SOCKET, SO_ERROR, &why, &size) != 0 || why != 0) {
        encoder_llrp_link_down(link, "no connection to the reader at %s: %s",
                               link->options->address.text, strerror(why));
        return;
    }
    link->state = LINK_GREETING;
    link->deadline.ms = link->now.ms + DIAL_MS;
    link->heard = link->now;
}

void encoder_llrp_link_flush(struct encoder_llrp_link *link) {
    while (link->state > LINK_DIALLING && link->out.size > 0) {
        ssize_t n = send(link->fd, link->out.data, link->out.size, MSG_NOSIGNAL | MSG_DONTWAIT);
        if (n < 0 && errno == EINTR) {
            continue;
        }
        if (n < 0 && (errno == EAGAIN || errno == EWOULDBLOCK)) {
            break;
        }
        if (n < 0) {
            encoder_llrp_link_down(link, "the connection broke: %s", strerror(errno));
            return;
        }
        buffer_drop(&link->out, (size_t)n);
    }
    if (link->out.failed || link->out.size > OUT_MAX) {
        encoder_llrp_link_down(link, "the reader does not take what is sent to it");
    }
}

/* Takes the messages that are whole out of link->in. A message may end the connection. */
static void take_messages(struct encoder_llrp_link *link) {
    size_t used = 0;
    while (link->state >= LINK_GREETING) {
        struct llrp_message message;
        struct error err;
        size_t size;
        struct slice rest = slice_of(link->in.data + used, link->in.size - used);
        enum llrp_frame frame = llrp_message_next(rest, &message, &size, &err);
        if (frame == LLRP_FRAME_BROKEN) {
            encoder_llrp_link_down(link, "%s (%s)", err.say, err.cause);
            return;
        }
        if (frame == LLRP_FRAME_PART) {
            buffer_drop(&link->in, used);
            return;
        }
        encoder_llrp_step_message(link, &message);
        used += size;
    }
}

/* One reading a round, so that a reader which never stops sending delays nothing else. */
static void receive(struct encoder_llrp_link *link) {
    if (!buffer_reserve(&link->in, READ_SIZE)) {
        encoder_llrp_link_down(link, "no memory for what the reader sends");
        return;
    }
    ssize_t n = recv(link->fd, link->in.data + link->in.size, READ_SIZE, MSG_DONTWAIT);
    if (n < 0 && (errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR)) {
        return;
    }
    if (n <= 0) {
        encoder_llrp_step_hung_up(link);
        encoder_llrp_link_down(link, "the reader closed the connection%s%s", n < 0 ? ": " : "",
                               n < 0 ? strerror(errno) : "");
        return;
    }
    link->in.size += (size_t)n;
    link->heard = link->now;
    take_messages(link);
}

static void check_times(struct encoder_llrp_link *link) {
    if (link->state == LINK_DOWN) {
        return;
    }
    if (link->now.ms - link->deadline.ms >= 0 && !encoder_llrp_step_late(link)) {
        encoder_llrp_link_down(link, "the reader at %s does not answer",
                               link->options->address.text);
    } else if (link->state >= LINK_GREETING && link->now.ms - link->heard.ms > SILENCE_MS) {
        encoder_llrp_link_down(link, "the reader at %s has fallen silent",
                               link->options->address.text);
    }
}

static void say(struct encoder_llrp_link *link) {
    bool due = link->now.ms - link->said.ms >= SIGN_OF_LIFE_MS;
    if (link->state == LINK_READY) {
        encoder_llrp_field_age(&link->field, link->now, link->gone_ms);
        bool pause = link->now.ms - link->said.ms < BETWEEN_FIELDS_MS;
        if (due || (link->field.changed && !pause)) {
            encoder_llrp_talk_field(&link->field);
            link->field.changed = false;
            link->said = link->now;
        }
    } else if (due) {
        encoder_llrp_talk_trouble(link->trouble);
        link->said = link->now;
    }
}

void encoder_llrp_link_drive(struct encoder_llrp_link *link, struct mono_ms now) {
    link->now = now;
    if (link->state == LINK_DOWN && now.ms >= link->retry_at.ms) {
        dial(link);
    }
    if (link->state == LINK_DIALLING) {
        dialled(link);
    }
    if (link->state >= LINK_GREETING) {
        receive(link);
    }
    check_times(link);
    encoder_llrp_step_orders(link);
    encoder_llrp_link_flush(link);
    say(link);
}

void encoder_llrp_link_ready(struct encoder_llrp_link *link) {
    char name[ADDRESS_TEXT_MAX + 24];
    link->state = LINK_READY;
    link->back_off_ms = BACK_OFF_FIRST_MS;
    snprintf(name, sizeof name, "LLRP reader at %s", link->options->address.text);
    encoder_llrp_talk_ready(name, link->tid_spec, link->options->lock);
    link->said.ms = INT64_MIN / 2;
}

void encoder_llrp_link_gone(struct encoder_llrp_link *link, int64_t gone_ms) {
    link->gone_ms = gone_ms;
}

void encoder_llrp_link_take(struct encoder_llrp_link *link, const struct encoder_llrp_line *line) {
    if (line->what == ENCODER_LLRP_DO_WRITE) {
        encoder_llrp_step_order(link, line);
    } else if (line->what == ENCODER_LLRP_DO_FORGET) {
        encoder_llrp_step_forget(link, line->order);
    }
}

/* A reader left running would go on sending on the air. */
static void part(struct encoder_llrp_link *link) {
    struct pollfd ready = {.fd = link->fd, .events = POLLIN};
    uint8_t dropped[4096];
    struct timespec start, now;
    encoder_llrp_step_close(link);
    encoder_llrp_link_flush(link);
    clock_gettime(CLOCK_MONOTONIC, &start);
    do { /* until it hangs up, which it does after its answer */
        if (link->fd < 0 || poll(&ready, 1, CLOSE_MS) != 1 ||
            recv(link->fd, dropped, sizeof dropped, MSG_DONTWAIT) <= 0) {
            return;
        }
        clock_gettime(CLOCK_MONOTONIC, &now);
    } while (now.tv_sec - start.tv_sec < 2);
}

void encoder_llrp_link_free(struct encoder_llrp_link *link) {
    if (link == NULL) {
        return;
    }
    if (link->state > LINK_GREETING) {
        part(link);
    }
    if (link->fd >= 0) {
        close(link->fd);
    }
    buffer_release(&link->in);
    buffer_release(&link->out);
    free(link);
}
