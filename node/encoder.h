/*
 * encoder.h: one encoder of this table: a process that writes and reads chips, or types.
 *
 * The process speaks one JSON object a line on its standard input and output (DEVELOPERS.md,
 * "Encoders"). Whatever it does, the loop never waits for it: reading and writing are non-blocking
 * and bounded, and a process that is silent, floods, talks nonsense or does not answer is ended and
 * started again, later each time. It gets no descriptor of the node but its three pipes. Nothing it
 * says is believed to be more than what an encoder says; the desk judges. One thread, the loop's.
 */
#ifndef BIBWEAVE_ENCODER_H
#define BIBWEAVE_ENCODER_H

#include "common/desk.h"

#include <zmq.h>

enum {
    ENCODER_POLL_MAX = 3,
    ENCODER_SPEC_MAX = 1024,     /* bytes of NAME[:ARGS] */
    ENCODER_TAGS_MAX = 256,      /* tags of one field; further ones are not counted */
    ENCODER_LINE_MAX = 65536,    /* bytes of a line */
    ENCODER_OUT_MAX = 65536,     /* bytes that wait because the process does not read */
    ENCODER_SILENCE_MS = 5000,   /* a sign of life is due before this */
    ENCODER_ANSWER_MS = 30000,   /* an order to write is answered before this */
    ENCODER_BAD_LINES_MAX = 10,  /* lines in a minute that are dropped; one more ends it */
    ENCODER_LINES_MAX = 500,     /* lines in a second; more is a flood */
    ENCODER_BYTES_MAX = 1 << 20, /* bytes in a second; more is a flood */
    ENCODER_BACK_OFF_MIN_MS = 500,
    ENCODER_BACK_OFF_MAX_MS = 30000,
    ENCODER_SETTLED_MS =
        10000, /* who was ready for this long is started again at once, after MIN */
};

struct encoder;

/* Makes one that is about to be started. `spec` is NAME[:ARGS]: `program:COMMAND` is given to
 * /bin/sh; any other name must be of one in the box. `gone_ms` is how long a tag may be unheard
 * before it counts as gone.
 * Errors: ERR_USAGE (no such encoder), ERR_LIMIT, ERR_MEMORY; *out NULL. */
enum error_code encoder_new(const char *spec, int64_t gone_ms, struct encoder **out,
                            struct error *err) __attribute__((nonnull, warn_unused_result));
/* Ends the process: by end of file, and half a second later by force. NULL is fine. */
void encoder_free(struct encoder *encoder);

/* What to poll for; returns how many items, at most `max`. */
size_t encoder_poll(const struct encoder *encoder, zmq_pollitem_t *items, size_t max)
    __attribute__((nonnull));
/* Starts, reads, writes, watches, ends and reaps, without blocking. */
void encoder_step(struct encoder *encoder, struct mono_ms now) __attribute__((nonnull));
/* When encoder_step is wanted at the latest, if nothing comes before. */
struct mono_ms encoder_deadline(const struct encoder *encoder) __attribute__((nonnull));

enum encoder_event_kind {
    ENCODER_UP = 1,  /* it is ready: text is its name; can_write */
    ENCODER_DOWN,    /* it is not any more: text is why; what was ordered is in doubt */
    ENCODER_FIELD,   /* tag, tag_count: all that is on the antenna */
    ENCODER_WRITTEN, /* order; tag[0]: what was read back */
    ENCODER_FAILED,  /* order, why, changed, text */
    ENCODER_TYPED,   /* text */
};
struct encoder_event {
    enum encoder_event_kind kind;
    char text[DESK_SAY_MAX];
    bool can_write;
    uint64_t order;
    enum desk_failure why;
    bool changed;
    size_t tag_count;
    struct desk_tag tag[ENCODER_TAGS_MAX];
};
/* The next event; false if there is none now. Borrowed until the next call on the encoder. */
bool encoder_next(struct encoder *encoder, struct mono_ms now, const struct encoder_event **event)
    __attribute__((nonnull));
/* Whether encoder_next has something to look at: do not sleep. */
bool encoder_waiting(const struct encoder *encoder) __attribute__((nonnull));

/* Orders: false if there is nobody to take one, and then nothing was sent. */
bool encoder_write(struct encoder *encoder, uint64_t order, const struct desk_tag *tag,
                   const struct epc *epc, uint16_t pc, struct mono_ms now) __attribute__((nonnull));
/* What lies on the antenna is to be told again with the next sign of life, also if it is the same.
 */
void encoder_tell_anew(struct encoder *encoder) __attribute__((nonnull));
bool encoder_forget(struct encoder *encoder, uint64_t order) __attribute__((nonnull));

/* Whether it only types (`keys`), and never has a chip on an antenna. */
bool encoder_only_types(const char *spec) __attribute__((nonnull));

/* ---- encoders in the box ---- */

/* The main() of each: `args` is what stood behind NAME: (or ""); returns an exit status. They run
 * in a process of their own, `bibweave encoder NAME ARGS`, and know nothing of the node. */
int encoder_rehearse(const char *args) __attribute__((nonnull));
/* Whether there is one of that name, and running it (verb_encoder.c). */
bool encoder_in_the_box(const char *name) __attribute__((nonnull));

#endif
