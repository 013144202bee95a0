/*
 * encoder.c: see encoder.h. Must never block, never keep more of a process's words than one line
 * and one reading, and never start a process before the one before it is reaped.
 */
#include "node/encoder.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "node/encoder_line.h"
#include "node/encoder_process.h"
#include "node/log.h"

enum {
    CHUNK = 65536,      /* read in one step at most */
    LOG_LINES_MAX = 20, /* of its standard error, in a second */
    LOG_LINE_MAX = 300, /* bytes of such a line */
    WINDOW_MS = 1000,   /* of the flood limits */
    BAD_WINDOW_MS = 60000,
    END_MS = 500,   /* for a process that ends by itself, to be reaped and read to its end */
    ORDERS_MAX = 4, /* orders to write that are open at once */
    SHOWN_MAX = 80, /* bytes of its name in a log or an alarm */
};

struct open_order {
    uint64_t order; /* 0: none */
    struct mono_ms until;
};

struct encoder {
    char spec[ENCODER_SPEC_MAX];
    int64_t gone_ms;
    struct encoder_process process;
    bool running;            /* there is a process, or one whose end is not dealt with yet */
    bool dying;              /* it was killed and is to be reaped; what it said is dropped */
    bool reaped, ended;      /* its process is gone; its output has come to an end */
    bool deaf;               /* it has closed its input */
    int status;              /* of the process, as from waitpid */
    struct mono_ms end_at;   /* when one of the two was noticed, the other is waited for until */
    struct mono_ms start_at; /* when nothing runs: when the next is started */
    int64_t back_off_ms;     /* how long after the next end */
    bool ready, told_up;     /* as it says; as the events say */
    struct mono_ms ready_since, heard_at;
    struct open_order open[ORDERS_MAX];
    struct buffer in, out, log; /* from it, to it, its standard error */
    size_t read_at;             /* of `in`: lines before this are done with */
    struct mono_ms window_at, bad_at;
    size_t window_lines, window_bytes, window_log, bad_lines;
    char shown[SHOWN_MAX + 1];   /* of spec, for people; alarms are found again by it */
    char end_why[DESK_SAY_MAX];  /* why it was killed */
    char down_why[DESK_SAY_MAX]; /* why it is not ready, as last told */
    bool down_due;
    struct encoder_event event;
    bool field_known; /* the field that was told last */
    size_t field_count;
    struct desk_tag field[ENCODER_TAGS_MAX];
};

bool encoder_only_types(const char *spec) {
    return strcmp(spec, "keys") == 0 || strncmp(spec, "keys:", 5) == 0;
}

static enum error_code check_spec(const char *spec, struct error *err) {
    char name[32];
    const char *colon = strchr(spec, ':');
    size_t length = colon == NULL ? strlen(spec) : (size_t)(colon - spec);
    if (strlen(spec) >= ENCODER_SPEC_MAX) {
        return error_set(err, ERR_LIMIT, "--encoder of %zu bytes", strlen(spec));
    }
    snprintf(name, sizeof name, "%.*s", length < sizeof name ? (int)length : 0, spec);
    if (strcmp(name, "program") == 0 ? colon != NULL && colon[1] != '\0'
                                     : encoder_in_the_box(name)) {
        return ERR_OK;
    }
    error_set(err, ERR_USAGE, "--encoder %.100s", spec);
    return error_say(err,
                     "There is no encoder %.60s. `bibweave run --help` lists them; any other "
                     "program is given as --encoder program:COMMAND.",
                     spec);
}

/* What opens a chip's lock is nothing for a log, an alarm or a page. */
static void show_spec(const char *spec, char shown[SHOWN_MAX + 1]) {
    static const char name[] = "password=";
    snprintf(shown, SHOWN_MAX + 1, "%s", spec);
    char *at = strncmp(spec, "program:", 8) == 0 ? NULL : strstr(shown, name);
    for (at = at == NULL ? NULL : at + sizeof name - 1; at != NULL && *at != '\0' && *at != ',';) {
        *at++ = '*';
    }
}

enum error_code encoder_new(const char *spec, int64_t gone_ms, struct encoder **out,
                            struct error *err) {
    *out = NULL;
    if (check_spec(spec, err) != ERR_OK) {
        return err->code;
    }
    struct encoder *encoder = calloc(1, sizeof *encoder);
    if (encoder == NULL) {
        return error_set(err, ERR_MEMORY, "encoder");
    }
    snprintf(encoder->spec, sizeof encoder->spec, "%s", spec);
    show_spec(spec, encoder->shown);
    encoder->gone_ms = gone_ms;
    encoder->back_off_ms = ENCODER_BACK_OFF_MIN_MS;
    encoder_process_init(&encoder->process);
    buffer_init(&encoder->in);
    buffer_init(&encoder->out);
    buffer_init(&encoder->log);
    *out = encoder;
    return ERR_OK;
}

void encoder_free(struct encoder *encoder) {
    if (encoder == NULL) {
        return;
    }
    encoder_process_finish(&encoder->process, END_MS);
    buffer_release(&encoder->in);
    buffer_release(&encoder->out);
    buffer_release(&encoder->log);
    free(encoder);
}

/* ---- its life ---- */

static void begin_anew(struct encoder *encoder, struct mono_ms now) {
    encoder->dying = false;
    encoder->reaped = false;
    encoder->ended = false;
    encoder->deaf = false;
    encoder->end_at.ms = INT64_MAX;
    encoder->ready = false;
    encoder->ready_since.ms = 0;
    encoder->read_at = 0;
    encoder->heard_at = now;
    encoder->window_at = now;
    encoder->bad_at = now;
    encoder->window_lines = 0;
    encoder->window_bytes = 0;
    encoder->window_log = 0;
    encoder->bad_lines = 0;
    encoder->end_why[0] = '\0';
    memset(encoder->open, 0, sizeof encoder->open);
    buffer_release(&encoder->in);
    buffer_release(&encoder->out);
    buffer_release(&encoder->log);
}

/* It is not ready, for whatever reason: told when it was, and when the reason is a new one. */
static void not_ready(struct encoder *encoder, const char *why) {
    encoder->down_due =
        encoder->down_due || encoder->told_up || strcmp(encoder->down_why, why) != 0;
    encoder->ready = false;
    encoder->field_known = false;
    snprintf(encoder->down_why, sizeof encoder->down_why, "%s", why);
}

__attribute__((format(printf, 2, 3))) static void end_it(struct encoder *encoder,
                                                         const char *format, ...) {
    va_list arguments;
    if (encoder->dying) {
        return;
    }
    va_start(arguments, format);
    vsnprintf(encoder->end_why, sizeof encoder->end_why, format, arguments);
    va_end(arguments);
    encoder_process_kill(&encoder->process);
    encoder->dying = true;
}

static void start(struct encoder *encoder, struct mono_ms now) {
    static char shell[] = "sh", dash_c[] = "-c", program[] = "bibweave", verb[] = "encoder";
    static const char prefix[] = "program:";
    char spec[ENCODER_SPEC_MAX];
    char empty[] = "";
    struct error err;
    begin_anew(encoder, now);
    snprintf(spec, sizeof spec, "%s", encoder->spec);
    bool is_program = strncmp(spec, prefix, sizeof prefix - 1) == 0;
    char *colon = strchr(spec, ':');
    char *arguments = colon == NULL ? empty : colon + 1;
    if (colon != NULL) {
        *colon = '\0';
    }
    char *shell_words[] = {shell, dash_c, arguments, NULL};
    char *own_words[] = {program, verb, spec, arguments, NULL};
    if (encoder_process_start(&encoder->process, is_program ? "/bin/sh" : "/proc/self/exe",
                              is_program ? shell_words : own_words, &err) != ERR_OK) {
        encoder->start_at.ms = now.ms + encoder->back_off_ms;
        log_alarm_say("encoder",
                      "The encoder %s cannot be started. It is tried again and "
                      "again.",
                      encoder->shown);
        return;
    }
    encoder->running = true;
    encoder_line_start(encoder->gone_ms, &encoder->out);
}

static void describe_end(const struct encoder *encoder, char *out, size_t size) {
    if (encoder->dying) {
        snprintf(out, size, "%s", encoder->end_why);
    } else if (WIFSIGNALED(encoder->status)) {
        snprintf(out, size, "it was ended by signal %d", WTERMSIG(encoder->status));
    } else {
        snprintf(out, size, "it ended with status %d", WEXITSTATUS(encoder->status));
    }
}

/* Reaped, and all that it said is dealt with: the next one is due after the back-off, which begins
 * small again after one that was at work for a while. */
static void after_end(struct encoder *encoder, struct mono_ms now) {
    char why[DESK_SAY_MAX];
    describe_end(encoder, why, sizeof why);
    encoder_process_kill(&encoder->process); /* it is gone: this closes the pipes */
    not_ready(encoder, why);
    if (encoder->ready_since.ms != 0 && now.ms - encoder->ready_since.ms >= ENCODER_SETTLED_MS) {
        encoder->back_off_ms = ENCODER_BACK_OFF_MIN_MS;
    }
    log_alarm_say("encoder", "The encoder %s does not work: %.120s. It is started again.",
                  encoder->shown, why);
    encoder->start_at.ms = now.ms + encoder->back_off_ms;
    encoder->back_off_ms = encoder->back_off_ms * 2 < ENCODER_BACK_OFF_MAX_MS
                               ? encoder->back_off_ms * 2
                               : ENCODER_BACK_OFF_MAX_MS;
    encoder->running = false;
    encoder->dying = false;
}

/* ---- reading and writing ---- */

static void count_bytes(struct encoder *encoder, size_t bytes, struct mono_ms now) {
    if (now.ms - encoder->window_at.ms >= WINDOW_MS) {
        encoder->window_at = now;
        encoder->window_lines = 0;
        encoder->window_bytes = 0;
        encoder->window_log = 0;
    }
    encoder->window_bytes += bytes;
    if (encoder->window_bytes > ENCODER_BYTES_MAX) {
        end_it(encoder, "it says more than can be read");
    }
}

/* One reading at most; true if the pipe has come to its end. */
static bool read_some(int fd, struct buffer *into, size_t *got) {
    *got = 0;
    if (fd < 0 || !buffer_reserve(into, CHUNK)) {
        return false;
    }
    ssize_t n = read(fd, into->data + into->size, CHUNK);
    if (n > 0) {
        into->size += (size_t)n;
        *got = (size_t)n;
    }
    return n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR);
}

static const uint8_t *line_end(const struct buffer *buffer, size_t from) {
    return buffer->size > from ? memchr(buffer->data + from, '\n', buffer->size - from) : NULL;
}

static void read_words(struct encoder *encoder, struct mono_ms now) {
    size_t got = 0;
    if (encoder->process.out < 0 || encoder->ended || line_end(&encoder->in, encoder->read_at)) {
        return; /* what is here is dealt with first: so a flood waits in the pipe, not in memory */
    }
    buffer_drop(&encoder->in, encoder->read_at);
    encoder->read_at = 0;
    encoder->ended = read_some(encoder->process.out, &encoder->in, &got);
    if (got > 0) {
        count_bytes(encoder, got, now);
    }
    if (line_end(&encoder->in, 0) == NULL && encoder->in.size > ENCODER_LINE_MAX) {
        end_it(encoder, "it says a line that is too long");
    }
    if (encoder->in.failed) {
        end_it(encoder, "this machine is out of memory");
    }
}

static void log_its_line(struct encoder *encoder, const uint8_t *text, size_t size) {
    encoder->window_log++;
    if (encoder->window_log <= LOG_LINES_MAX) {
        log_line("encoder %.40s: %.*s", encoder->shown,
                 (int)(size < LOG_LINE_MAX ? size : LOG_LINE_MAX), (const char *)text);
    }
}

/* Its standard error goes to the node's log, as far as that is bearable. */
static void read_log(struct encoder *encoder, struct mono_ms now) {
    size_t got = 0, at = 0;
    const uint8_t *end = NULL;
    if (read_some(encoder->process.err, &encoder->log, &got)) {
        close(encoder->process.err);
        encoder->process.err = -1;
    }
    if (got > 0) {
        count_bytes(encoder, got, now);
    }
    while ((end = line_end(&encoder->log, at)) != NULL) {
        size_t size = (size_t)(end - encoder->log.data) - at;
        log_its_line(encoder, encoder->log.data + at, size);
        at += size + 1;
    }
    if (encoder->log.size - at > LOG_LINE_MAX ||
        (encoder->process.err < 0 && encoder->log.size > at)) {
        log_its_line(encoder, encoder->log.data + at, encoder->log.size - at);
        at = encoder->log.size;
    }
    buffer_drop(&encoder->log, at);
}

static void write_out(struct encoder *encoder) {
    while (encoder->process.in >= 0 && encoder->out.size > 0) {
        ssize_t n = write(encoder->process.in, encoder->out.data, encoder->out.size);
        if (n < 0 && errno == EINTR) {
            continue;
        }
        if (n < 0 && errno != EAGAIN) { /* what it has said before is still to be heard */
            encoder_process_hang_up(&encoder->process);
            encoder->deaf = true;
        }
        if (n <= 0) {
            break;
        }
        buffer_drop(&encoder->out, (size_t)n);
    }
    if (encoder->out.failed || encoder->out.size > ENCODER_OUT_MAX) {
        end_it(encoder, "it does not read what it is told");
    }
}

static void watch(struct encoder *encoder, struct mono_ms now) {
    if (encoder_waiting(encoder)) {
        return; /* signs of life lie here unread */
    }
    if (now.ms - encoder->heard_at.ms >= ENCODER_SILENCE_MS) {
        end_it(encoder, "it has said nothing for %d seconds", ENCODER_SILENCE_MS / 1000);
    }
    for (size_t i = 0; i < ORDERS_MAX; i++) {
        if (encoder->open[i].order != 0 && now.ms >= encoder->open[i].until.ms) {
            end_it(encoder, "it was told to write a chip and has not answered for %d seconds",
                   ENCODER_ANSWER_MS / 1000);
        }
    }
}

/* The end of its process and that of its pipes are waited for a moment: what it said last is still
 * to be heard, and its status says what happened. */
static void watch_end(struct encoder *encoder, struct mono_ms now) {
    if (encoder->end_at.ms == INT64_MAX) {
        encoder->end_at.ms = now.ms + END_MS;
    }
    bool late = now.ms >= encoder->end_at.ms;
    if (encoder->reaped && (encoder->ended || late) && !encoder_waiting(encoder)) {
        after_end(encoder, now);
    } else if (!encoder->reaped && late) {
        end_it(encoder, "it has closed its %s", encoder->ended ? "output" : "input");
    }
}

void encoder_step(struct encoder *encoder, struct mono_ms now) {
    if (!encoder->running) {
        if (now.ms >= encoder->start_at.ms) {
            start(encoder, now);
            write_out(encoder);
        }
        return;
    }
    if (encoder_process_ended(&encoder->process, &encoder->status)) {
        encoder->reaped = true;
    }
    if (encoder->dying) {
        if (encoder->reaped) {
            after_end(encoder, now);
        }
        return;
    }
    read_words(encoder, now);
    read_log(encoder, now);
    if (!encoder->reaped) {
        write_out(encoder);
    }
    if (encoder->dying) {
        return;
    }
    if (!encoder->reaped && !encoder->ended && !encoder->deaf) {
        watch(encoder, now);
    } else {
        watch_end(encoder, now);
    }
}

size_t encoder_poll(const struct encoder *encoder, zmq_pollitem_t *items, size_t max) {
    const struct encoder_process *process = &encoder->process;
    size_t count = 0;
    if (max < ENCODER_POLL_MAX) {
        return 0;
    }
    if (process->out >= 0 && !encoder->ended) {
        items[count++] = (zmq_pollitem_t){.fd = process->out, .events = ZMQ_POLLIN};
    }
    if (process->err >= 0) {
        items[count++] = (zmq_pollitem_t){.fd = process->err, .events = ZMQ_POLLIN};
    }
    if (process->in >= 0 && encoder->out.size > 0 && !encoder->reaped) {
        items[count++] = (zmq_pollitem_t){.fd = process->in, .events = ZMQ_POLLOUT};
    }
    return count;
}

struct mono_ms encoder_deadline(const struct encoder *encoder) {
    if (!encoder->running) {
        return encoder->start_at;
    }
    if (encoder->dying) {
        return (struct mono_ms){INT64_MAX}; /* SIGCHLD wakes the loop */
    }
    if (encoder->reaped || encoder->ended || encoder->deaf) {
        return encoder->end_at;
    }
    struct mono_ms deadline = {encoder->heard_at.ms + ENCODER_SILENCE_MS};
    for (size_t i = 0; i < ORDERS_MAX; i++) {
        if (encoder->open[i].order != 0 && encoder->open[i].until.ms < deadline.ms) {
            deadline = encoder->open[i].until;
        }
    }
    return deadline;
}

/* ---- what it says ---- */

static void take_bad(struct encoder *encoder, const char *why, struct mono_ms now) {
    if (now.ms - encoder->bad_at.ms >= BAD_WINDOW_MS) {
        encoder->bad_at = now;
        encoder->bad_lines = 0;
    }
    encoder->bad_lines++;
    log_line("A line of the encoder %s was dropped: %.160s.", encoder->shown, why);
    if (encoder->bad_lines > ENCODER_BAD_LINES_MAX) {
        end_it(encoder, "it says lines that are not of the protocol");
    }
}

static bool take_ready(struct encoder *encoder, struct mono_ms now) {
    bool news = !encoder->ready || !encoder->told_up;
    if (encoder->ready_since.ms == 0) {
        encoder->ready_since = now;
    }
    encoder->ready = true;
    encoder->told_up = true;
    encoder->down_why[0] = '\0';
    if (news) {
        encoder->field_known = false;
        log_alarm_over("encoder", encoder->shown);
        log_line("The encoder %s is ready: %.160s.", encoder->shown, encoder->event.text);
    }
    return news;
}

static bool same_tag(const struct desk_tag *a, const struct desk_tag *b) {
    return a->has_pc == b->has_pc && a->pc == b->pc &&
           slice_equal(slice_of(a->epc.data, a->epc.size), slice_of(b->epc.data, b->epc.size)) &&
           slice_equal(slice_of(a->tid.data, a->tid.size), slice_of(b->tid.data, b->tid.size));
}

/* The field is said again and again as a sign of life: only what changes is an event. */
static bool take_field(struct encoder *encoder) {
    const struct encoder_event *event = &encoder->event;
    bool same = encoder->field_known && encoder->field_count == event->tag_count;
    for (size_t i = 0; same && i < event->tag_count; i++) {
        same = same_tag(&encoder->field[i], &event->tag[i]);
    }
    if (same || !encoder->ready) {
        return false;
    }
    encoder->field_known = true;
    encoder->field_count = event->tag_count;
    memcpy(encoder->field, event->tag, event->tag_count * sizeof event->tag[0]);
    return true;
}

static bool take_answer(struct encoder *encoder, struct mono_ms now) {
    for (size_t i = 0; i < ORDERS_MAX; i++) {
        if (encoder->open[i].order == encoder->event.order) {
            encoder->open[i].order = 0;
            encoder_tell_anew(encoder); /* what lies there after it is news */
            return true;
        }
    }
    take_bad(encoder, "it answers an order that is not open", now);
    return false;
}

static bool take_trouble(struct encoder *encoder) {
    char why[DESK_SAY_MAX];
    snprintf(why, sizeof why, "%s", encoder->event.text);
    if (encoder->told_up || strcmp(why, encoder->down_why) != 0) {
        log_line("The encoder %s is not ready: %.160s.", encoder->shown, why);
    }
    not_ready(encoder, why);
    return false; /* encoder_next tells what is due */
}

static bool take_line(struct encoder *encoder, struct slice line, struct mono_ms now) {
    char why[200];
    if (++encoder->window_lines > ENCODER_LINES_MAX) {
        end_it(encoder, "it says more lines than can be read");
        return false;
    }
    if (encoder_line_read(line, &encoder->event, why, sizeof why) == ENCODER_LINE_BAD) {
        take_bad(encoder, why, now);
        return false;
    }
    encoder->heard_at = now;
    switch (encoder->event.kind) {
    case ENCODER_UP:
        return take_ready(encoder, now);
    case ENCODER_DOWN:
        return take_trouble(encoder);
    case ENCODER_FIELD:
        return take_field(encoder);
    case ENCODER_WRITTEN:
    case ENCODER_FAILED:
        return take_answer(encoder, now);
    case ENCODER_TYPED:
        return encoder->event.text[0] != '\0';
    }
    return false;
}

static bool has_line(const struct encoder *encoder) {
    return encoder->running && !encoder->dying && line_end(&encoder->in, encoder->read_at) != NULL;
}

bool encoder_waiting(const struct encoder *encoder) {
    return encoder->down_due || has_line(encoder);
}

static bool tell_down(struct encoder *encoder) {
    encoder->down_due = false;
    encoder->told_up = false;
    encoder->event.kind = ENCODER_DOWN;
    snprintf(encoder->event.text, sizeof encoder->event.text, "%s", encoder->down_why);
    return true;
}

bool encoder_next(struct encoder *encoder, struct mono_ms now, const struct encoder_event **event) {
    *event = &encoder->event;
    while (!encoder->down_due && has_line(encoder)) {
        const uint8_t *begin = encoder->in.data + encoder->read_at;
        size_t size = (size_t)(line_end(&encoder->in, encoder->read_at) - begin);
        encoder->read_at += size + 1;
        if (take_line(encoder, slice_of(begin, size), now)) {
            return true;
        }
    }
    return encoder->down_due && tell_down(encoder);
}

/* ---- what it is told ---- */

bool encoder_write(struct encoder *encoder, uint64_t order, const struct desk_tag *tag,
                   const struct epc *epc, uint16_t pc, struct mono_ms now) {
    for (size_t i = 0; encoder->ready && !encoder->dying && !encoder->deaf && i < ORDERS_MAX; i++) {
        if (encoder->open[i].order == 0) {
            encoder->open[i].order = order;
            encoder->open[i].until.ms = now.ms + ENCODER_ANSWER_MS;
            encoder_line_write(order, tag, epc, pc, &encoder->out);
            write_out(encoder);
            return true;
        }
    }
    return false;
}

void encoder_tell_anew(struct encoder *encoder) {
    encoder->field_known = false;
}

bool encoder_forget(struct encoder *encoder, uint64_t order) {
    if (!encoder->running || encoder->dying || encoder->deaf) {
        return false;
    }
    encoder_line_forget(order, &encoder->out);
    write_out(encoder);
    return true;
}
