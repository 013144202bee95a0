/*
 * encoder_llrp_field.h: which tags are on the antenna, out of what an LLRP reader reports.
 *
 * A tag is known by its TID where that was read, else by its EPC: chips fresh from the roll may all
 * carry the same EPC. A tag stays until it was not heard for a while, because readers miss rounds.
 * Never does I/O. Any thread.
 */
#ifndef BIBWEAVE_ENCODER_LLRP_FIELD_H
#define BIBWEAVE_ENCODER_LLRP_FIELD_H

#include "node/llrp_message.h"

enum { ENCODER_LLRP_FIELD_MAX = 64 };

struct encoder_llrp_tag {
    struct epc epc;
    struct tid tid; /* size 0: not read */
    bool has_pc, has_rssi;
    uint16_t pc;
    int8_t rssi;
    struct mono_ms heard;
};
struct encoder_llrp_field {
    size_t count;
    struct encoder_llrp_tag tags[ENCODER_LLRP_FIELD_MAX];
    bool changed; /* a tag came, left, or got another EPC or TID; for the caller to clear */
};

/* A tag was heard. With `known_only`, one whose EPC and TID say nothing is not added: TIDs are not
 * being read just now, and it may be one of the field that has another EPC since. One more than
 * ENCODER_LLRP_FIELD_MAX is not taken. */
void encoder_llrp_field_hear(struct encoder_llrp_field *field, const struct encoder_llrp_tag *heard,
                             bool known_only) __attribute__((nonnull));
/* The tag that had the EPC `old` was written, and is now what `tag` says. */
void encoder_llrp_field_written(struct encoder_llrp_field *field, const struct epc *old,
                                const struct encoder_llrp_tag *tag) __attribute__((nonnull));
/* Tags that were not heard for `gone_ms` have left. */
void encoder_llrp_field_age(struct encoder_llrp_field *field, struct mono_ms now, int64_t gone_ms)
    __attribute__((nonnull));
/* The only tag with this EPC; NULL where there is none, or *several is set. */
const struct encoder_llrp_tag *encoder_llrp_field_only(const struct encoder_llrp_field *field,
                                                       const struct epc *epc, bool *several)
    __attribute__((nonnull));

bool encoder_llrp_epc_equal(const struct epc *a, const struct epc *b) __attribute__((nonnull));
bool encoder_llrp_tid_equal(const struct tid *a, const struct tid *b) __attribute__((nonnull));

#endif
