/*
 * encoder_line.h: the lines between node and encoder, as JSON. Pure; no I/O.
 */
#ifndef BIBWEAVE_ENCODER_LINE_H
#define BIBWEAVE_ENCODER_LINE_H

#include "node/encoder.h"

enum { ENCODER_PROTOCOL = 1 };

enum encoder_line {
    ENCODER_LINE_BAD = 0, /* not JSON of this shape; `why` says what is wrong */
    ENCODER_LINE_EVENT,   /* *event is filled */
};
/* Reads one line without its end. A `trouble` becomes ENCODER_DOWN. Unknown members are passed
 * over, an unknown "say" is bad. */
enum encoder_line encoder_line_read(struct slice line, struct encoder_event *event, char *why,
                                    size_t why_size) __attribute__((nonnull));

/* Appends a line with its end. */
void encoder_line_start(int64_t gone_ms, struct buffer *out) __attribute__((nonnull));
void encoder_line_write(uint64_t order, const struct desk_tag *tag, const struct epc *epc,
                        uint16_t pc, struct buffer *out) __attribute__((nonnull));
void encoder_line_forget(uint64_t order, struct buffer *out) __attribute__((nonnull));

#endif
