/*
 * encoder_llrp_step.h: what is asked of an LLRP reader, in which order, and what its answers mean.
 *
 * The inner side of encoder_llrp_link, which moves the bytes and keeps the times. Main thread only.
 */
#ifndef BIBWEAVE_ENCODER_LLRP_STEP_H
#define BIBWEAVE_ENCODER_LLRP_STEP_H

#include "node/encoder_llrp_link.h"

enum encoder_llrp_link_state {
    LINK_DOWN,
    LINK_DIALLING,
    LINK_GREETING,   /* the reader speaks first */
    LINK_SETTING_UP, /* steps up to STEP_READ_TIDS */
    LINK_READY,
};
enum encoder_llrp_step {
    STEP_VERSION,
    STEP_SET_VERSION,
    STEP_CAPABILITIES,
    STEP_ANTENNA,
    STEP_DROP_ACCESS,
    STEP_DROP_INVENTORY,
    STEP_CONFIGURE,
    STEP_ADD_INVENTORY,
    STEP_ENABLE_INVENTORY,
    STEP_ADD_TIDS,
    STEP_READ_TIDS,
    STEP_START_INVENTORY,
    STEP_REST, /* nothing is asked; all that follows is for an order */
    STEP_PAUSE_TIDS,
    STEP_ADD,
    STEP_ENABLE,
    STEP_WAIT, /* for the report; nothing is asked */
    STEP_DROP, /* the AccessSpec, whether or not it was carried out */
    STEP_RESUME_TIDS,
    STEP_COUNT,
};
enum { ENCODER_LLRP_QUEUE = 4 };

struct encoder_llrp_link {
    const struct encoder_llrp_options *options;
    struct mono_ms now;
    int64_t gone_ms;
    /* The connection. */
    enum encoder_llrp_link_state state;
    int fd; /* -1: none */
    struct buffer in, out;
    struct mono_ms deadline, heard, retry_at, said;
    int64_t back_off_ms;
    char trouble[512];
    bool old; /* the reader hung up when it was asked for its version: do not ask again */
    /* The steps. */
    enum encoder_llrp_step step;
    enum llrp_version version;
    unsigned strange; /* messages that nobody asked for, on this connection */
    uint32_t id;      /* of the last request */
    uint32_t spec;    /* of the last order's AccessSpec */
    bool tid_spec;    /* there is an AccessSpec that reads all TIDs */
    uint32_t ops_max;
    uint32_t specs_max;
    struct llrp_transmitter transmitter;
    struct llrp_capabilities capabilities;
    /* Tags and orders. */
    struct encoder_llrp_field field;
    bool busy;     /* `order` is being done */
    bool answered; /* and the node knows how it ended */
    bool reported; /* its AccessSpec was carried out */
    struct encoder_llrp_order order;
    size_t waiting_count;
    struct encoder_llrp_line waiting[ENCODER_LLRP_QUEUE];
};

/* Of encoder_llrp_link.c. Ends the connection for a printf-style reason; it is dialled again. */
void encoder_llrp_link_down(struct encoder_llrp_link *link, const char *format, ...)
    __attribute__((nonnull(1, 2), format(printf, 2, 3)));
void encoder_llrp_link_flush(struct encoder_llrp_link *link) __attribute__((nonnull));
void encoder_llrp_link_ready(struct encoder_llrp_link *link) __attribute__((nonnull));

/* A message has come. */
void encoder_llrp_step_message(struct encoder_llrp_link *link, const struct llrp_message *message)
    __attribute__((nonnull));
/* The deadline is over; false if that means that the connection is of no more use. */
bool encoder_llrp_step_late(struct encoder_llrp_link *link) __attribute__((nonnull));
/* The reader hung up; and, after that or for another reason, the connection is gone. */
void encoder_llrp_step_hung_up(struct encoder_llrp_link *link) __attribute__((nonnull));
void encoder_llrp_step_lost(struct encoder_llrp_link *link) __attribute__((nonnull));
/* Asks the reader to forget everything and hang up. */
void encoder_llrp_step_close(struct encoder_llrp_link *link) __attribute__((nonnull));

/* An order is taken up or refused, is taken back, and is begun if none is being done. */
void encoder_llrp_step_order(struct encoder_llrp_link *link, const struct encoder_llrp_line *line)
    __attribute__((nonnull));
void encoder_llrp_step_forget(struct encoder_llrp_link *link, int64_t order)
    __attribute__((nonnull));
void encoder_llrp_step_orders(struct encoder_llrp_link *link) __attribute__((nonnull));

#endif
