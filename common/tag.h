/*
 * tag.h: what a tag in the field is: blank, of this event, of another one, a shop's.
 * Any thread; no I/O.
 */
#ifndef BIBWEAVE_TAG_H
#define BIBWEAVE_TAG_H

#include "common/record.h"

enum tag_kind {
    TAG_BLANK = 1,    /* no EPC was written on it by anybody, as far as its bits say */
    TAG_OURS,         /* carries a number of this event */
    TAG_OTHER_EVENT,  /* the event's scheme, with another event's code or class */
    TAG_OTHER_SCHEME, /* a scheme of ours that this event does not use */
    TAG_GS1,          /* a GS1 code: of a shop, a library, a returnable crate */
    TAG_UNKNOWN,      /* anything else: as-read tags are all of this kind */
};
struct tag_sight {
    enum tag_kind kind;
    uint64_t number; /* OURS, OTHER_EVENT: the number it carries */
    char name[80]; /* for people: "a shop's tag (GS1 SGTIN-96)", "blank", "chip of another event" */
};
/* `pc` is the tag's protocol-control word, or NULL where it was not read. Looks at all schemes of
 * the event's categories. */
void tag_recognise(const struct record_found *found, const struct epc *epc, const uint16_t *pc,
                   struct tag_sight *sight) __attribute__((nonnull(1, 2, 4)));

/* The PC word that goes with an EPC of the scheme: length in words in bits 10h-14h; GS1 codes with
 * the toggle bit 17h at 0; `own` with 1 and its AFI in 18h-1Fh. */
uint16_t tag_pc(const struct epc_scheme *scheme, const struct epc *epc) __attribute__((nonnull));

/* CRC-16 of Gen2 (StoredCRC) over PC then EPC. */
uint16_t tag_crc(uint16_t pc, const struct epc *epc) __attribute__((nonnull));

/* What a TID says of the chip (ISO/IEC 15963, GS1 TDS 16). */
struct tag_maker {
    uint8_t class_id;  /* E2h or E0h */
    uint16_t designer; /* mask designer, 9 bits with E2h; manufacturer code, 8 bits, with E0h */
    uint16_t model;    /* E2h: 12 bits */
    bool extended;     /* E2h: an XTID follows */
    bool has_serial;
    size_t serial_size; /* bytes */
    uint8_t serial[18];
};
/* False if the TID is too short to say. */
bool tag_maker(const struct tid *tid, struct tag_maker *maker) __attribute__((nonnull));

#endif
