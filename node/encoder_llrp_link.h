/*
 * encoder_llrp_link.h: the connection to an LLRP reader, from dialling to writing tags.
 *
 * One request is out at a time, and each step follows on the answer to the one before: version,
 * capabilities, old specs deleted, configuration, inventory, an AccessSpec that reads the TID of
 * every tag. For an order that AccessSpec is disabled, because a reader carries out only the first
 * one that fits a tag. What goes wrong ends the connection, and it is dialled again, each time a
 * little later. Says what happens with encoder_llrp_talk. Main thread only.
 */
#ifndef BIBWEAVE_ENCODER_LLRP_LINK_H
#define BIBWEAVE_ENCODER_LLRP_LINK_H

#include "node/address.h"
#include "node/encoder_llrp_talk.h"

struct encoder_llrp_options {
    struct address address;
    uint16_t antenna;
    bool has_power;
    uint16_t power;
    bool has_password;
    uint32_t password;
    bool lock;
    int64_t gone_ms;
    bool gone_given; /* on the command line, which then is what counts */
};

struct encoder_llrp_link;

/* A link that dials when it is first driven; NULL when there is no memory. It borrows *options. */
struct encoder_llrp_link *encoder_llrp_link_new(const struct encoder_llrp_options *options)
    __attribute__((nonnull));
/* Tells the reader to stop, if there is one, waits a moment for that, hangs up and frees. */
void encoder_llrp_link_free(struct encoder_llrp_link *link);

/* What to poll for: the descriptor, or -1, and whether it is to be written to. */
int encoder_llrp_link_fd(const struct encoder_llrp_link *link, bool *writing)
    __attribute__((nonnull));
/* Does all that can be done now. Call it at least every 100 ms, and when the descriptor is ready.
 */
void encoder_llrp_link_drive(struct encoder_llrp_link *link, struct mono_ms now)
    __attribute__((nonnull));
/* After how many milliseconds a tag that is not heard has left. */
void encoder_llrp_link_gone(struct encoder_llrp_link *link, int64_t gone_ms)
    __attribute__((nonnull));
/* A WRITE or FORGET from the node. */
void encoder_llrp_link_take(struct encoder_llrp_link *link, const struct encoder_llrp_line *line)
    __attribute__((nonnull));

#endif
