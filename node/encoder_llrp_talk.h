/*
 * encoder_llrp_talk.h: the encoder protocol's JSON lines, as the LLRP encoder reads and writes
 * them.
 *
 * Lines go to stdout at once, whole. A line from the node that is not of the protocol is logged on
 * stderr and dropped. Main thread only.
 */
#ifndef BIBWEAVE_ENCODER_LLRP_TALK_H
#define BIBWEAVE_ENCODER_LLRP_TALK_H

#include "node/encoder_llrp_order.h"

enum { ENCODER_LLRP_LINE_MAX = 65536 };

enum encoder_llrp_do {
    ENCODER_LLRP_DO_NOTHING,
    ENCODER_LLRP_DO_START,
    ENCODER_LLRP_DO_WRITE,
    ENCODER_LLRP_DO_FORGET
};
struct encoder_llrp_line {
    enum encoder_llrp_do what;
    int64_t gone_ms; /* START; 0: not said */
    int64_t order;   /* WRITE, FORGET */
    struct epc old;  /* WRITE: the tag ... */
    struct tid tid;  /* ... size 0: not said */
    struct epc epc;  /* ... and what to write on it */
    uint16_t pc;
};
/* Reads one line, without its end. DO_NOTHING: it was logged, and dropped. */
void encoder_llrp_talk_read(struct slice text, struct encoder_llrp_line *line)
    __attribute__((nonnull));

/* Each says one line. */
void encoder_llrp_talk_ready(const char *name, bool tid, bool lock) __attribute__((nonnull));
void encoder_llrp_talk_field(const struct encoder_llrp_field *field) __attribute__((nonnull));
void encoder_llrp_talk_written(const struct encoder_llrp_order *order) __attribute__((nonnull));
void encoder_llrp_talk_failed(int64_t order, const char *why, bool changed, const char *text)
    __attribute__((nonnull));
void encoder_llrp_talk_trouble(const char *text) __attribute__((nonnull));
/* One printf-style line for the node's log. */
void encoder_llrp_talk_log(const char *format, ...) __attribute__((nonnull, format(printf, 1, 2)));

#endif
