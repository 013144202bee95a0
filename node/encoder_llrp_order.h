/*
 * encoder_llrp_order.h: one order to write a tag: which AccessSpecs it takes, and what the results
 * of each mean.
 *
 * First one AccessSpec writes PC and EPC and reads them and the TID back. If the outcome is not
 * certain (the tag fell silent, words were written and then one was not) a second one looks for the
 * tag and reads it again, by TID where that is known, because its EPC may be half of each. Where
 * tags are to be locked, another one does it, after the read-back was right and not before.
 * Never does I/O. Any thread.
 */
#ifndef BIBWEAVE_ENCODER_LLRP_ORDER_H
#define BIBWEAVE_ENCODER_LLRP_ORDER_H

#include "node/encoder_llrp_field.h"
#include "node/llrp_request.h"

enum encoder_llrp_phase { ENCODER_LLRP_WRITE, ENCODER_LLRP_LOOK, ENCODER_LLRP_LOCK };
enum encoder_llrp_verdict { ENCODER_LLRP_GO_ON, ENCODER_LLRP_WRITTEN, ENCODER_LLRP_FAILED };

enum { ENCODER_LLRP_IMAGE = 2 + EPC_SIZE_MAX };
struct encoder_llrp_order {
    /* What is asked for, filled by the caller. */
    int64_t order;
    struct epc old; /* of the tag, as it was read */
    struct tid tid; /* size 0: not read */
    bool has_old_pc;
    uint16_t old_pc;
    struct epc epc; /* to be written, with ... */
    uint16_t pc;    /* ... this */
    bool has_password;
    uint32_t password;
    bool lock;
    uint32_t ops_max; /* OpSpecs that the reader takes in an AccessSpec; 0: no limit */
    /* Where it is. */
    enum encoder_llrp_phase phase;
    bool open;    /* try without the password: tags that are to be locked come without one */
    bool changed; /* the tag may hold something else than before */
    /* The outcome. WRITTEN: what was read back. FAILED: why, in the encoder protocol's words. */
    uint16_t read_pc;
    struct epc read;
    const char *why;
    char text[200];
    /* Bytes that the AccessSpec of the phase borrows. */
    uint8_t image[ENCODER_LLRP_IMAGE];
    uint8_t secret[4];
};

/* Makes ready what was filled in. False if it cannot be done at all; why and text say so. */
bool encoder_llrp_order_begin(struct encoder_llrp_order *order) __attribute__((nonnull));
/* The AccessSpec of the phase; `spec`, antenna and ROSpec are for the caller to fill in. Borrows
 * from *order. */
void encoder_llrp_order_access(struct encoder_llrp_order *order, struct llrp_access *access)
    __attribute__((nonnull));
/* The AccessSpec was carried out. GO_ON: order->phase says with what. */
enum encoder_llrp_verdict encoder_llrp_order_report(struct encoder_llrp_order *order,
                                                    const struct llrp_report *report)
    __attribute__((nonnull));
/* No tag was met that it is for; `vanished`: the reader knows the AccessSpec no more, so that it
 * was carried out and nobody has heard with what result. */
enum encoder_llrp_verdict encoder_llrp_order_unmet(struct encoder_llrp_order *order, bool vanished)
    __attribute__((nonnull));
/* The TID in the results of two OpSpecs `first` (words 0 to 3) and `first` + 1 (words 4 and 5);
 * size 0 where it is not certain. */
void encoder_llrp_order_tid(const struct llrp_report *report, uint16_t first, struct tid *tid)
    __attribute__((nonnull));
/* Adds these two OpSpecs. */
void encoder_llrp_order_read_tid(struct llrp_access *access, uint16_t first)
    __attribute__((nonnull));

#endif
