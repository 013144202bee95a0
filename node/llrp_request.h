/*
 * llrp_request.h: the messages that the program sends to an LLRP reader.
 *
 * Layouts after EPCglobal LLRP 1.0.1 and 1.1; see llrp_message.h. The order of the parameters is
 * the standard's, which demands it. Each function appends one whole message to `out`; memory that
 * runs out shows in out->failed. Never does I/O. Any thread.
 */
#ifndef BIBWEAVE_LLRP_REQUEST_H
#define BIBWEAVE_LLRP_REQUEST_H

#include "node/llrp_message.h"

/* What all requests begin with. The two version requests are of LLRP 1.1 whatever is spoken. */
struct llrp_head {
    enum llrp_version version;
    uint32_t id;
};

/* A message that is its header alone: GET_VERSION, CLOSE, KEEPALIVE_ACK. */
void llrp_request_plain(struct buffer *out, struct llrp_head head, enum llrp_type type)
    __attribute__((nonnull));
void llrp_request_set_version(struct buffer *out, struct llrp_head head, enum llrp_version version)
    __attribute__((nonnull));
/* All capabilities. */
void llrp_request_capabilities(struct buffer *out, struct llrp_head head) __attribute__((nonnull));
/* The configuration of one antenna. */
void llrp_request_antenna(struct buffer *out, struct llrp_head head, uint16_t antenna)
    __attribute__((nonnull));
/* Events of ROSpecs, exceptions yes, AISpecs no; a report for each tag seen with what is known of
 * it and its PC and CRC, and at the end of each AccessSpec; a keep-alive each so many
 * milliseconds; reports are not held back. Nothing of power, region or antennas. */
void llrp_request_configure(struct buffer *out, struct llrp_head head, uint32_t keepalive_ms)
    __attribute__((nonnull));
/* DELETE, ENABLE, START, DISABLE of the ROSpec or AccessSpec `spec`; 0: of all. */
void llrp_request_spec(struct buffer *out, struct llrp_head head, enum llrp_type type,
                       uint32_t spec) __attribute__((nonnull));

struct llrp_inventory {
    uint32_t spec; /* id of the ROSpec, not 0 */
    uint16_t antenna;
    const struct llrp_transmitter *transmitter; /* NULL: as the reader is set */
    bool singulation; /* session 0 and a population of a few, so that a tag that stays is heard
                         again and again; else as the reader is set */
};
/* ADD_ROSPEC: inventory without end, begun by START. */
void llrp_request_inventory(struct buffer *out, struct llrp_head head,
                            const struct llrp_inventory *inventory) __attribute__((nonnull));

/* Banks of a Gen2 tag. */
enum llrp_bank { LLRP_BANK_RESERVED, LLRP_BANK_EPC, LLRP_BANK_TID, LLRP_BANK_USER };

struct llrp_access_op {
    enum llrp_op op; /* not LLRP_OP_OTHER */
    uint16_t id;     /* from 1 */
    uint32_t password;
    enum llrp_bank bank; /* READ, WRITE */
    uint16_t word;       /* READ, WRITE: the first */
    uint16_t words;      /* READ: how many */
    struct slice data;   /* WRITE: whole words */
};
enum { LLRP_ACCESS_OPS_MAX = 6 };
struct llrp_access {
    uint32_t spec; /* id of the AccessSpec, not 0 */
    uint16_t antenna;
    uint32_t rospec;     /* 0: any */
    bool once;           /* is deleted by the reader when it was carried out once */
    enum llrp_bank bank; /* what the tag must hold ... */
    uint16_t bit;        /* ... from this bit on ... */
    struct slice match;  /* ... for it to be done on it; empty: on every tag */
    size_t op_count;
    struct llrp_access_op ops[LLRP_ACCESS_OPS_MAX];
};
/* ADD_ACCESSSPEC, disabled. LLRP_OP_LOCK locks the EPC bank and the access password, both of them
 * against those who do not know the password. */
void llrp_request_access(struct buffer *out, struct llrp_head head,
                         const struct llrp_access *access) __attribute__((nonnull));

#endif
