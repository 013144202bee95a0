/*
 * tag.c: names a tag in the field for what its bits say, and the words that go around an EPC.
 * Must never guess a number: only a tag that is exactly of a scheme carries one.
 */
#include "common/tag.h"

#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* The PC word, bits 10h-1Fh of the EPC bank (GS1 TDS 9.1): 10h is the highest. */
enum {
    PC_LENGTH_SHIFT = 11, /* 10h-14h: words of EPC */
    PC_TOGGLE = 0x0100,   /* 17h: 1 for ISO, when 18h-1Fh is the AFI */
    PC_AFI_MASK = 0x00FF,
};

enum { GID96_HEADER = 0x35, RESERVED_HEADER = 0xE2 };
/* Bibs have at most 12 digits. */
#define OWN_NUMBER_MAX UINT64_C(999999999999)

/* ---- GS1 codes ---- */

/* What may carry a code of that header, where it is not a scheme of ours. */
struct gs1_header {
    uint8_t header;
    bool partition; /* bits 11-13 divide the company's number from the rest, and are 0 to 6 */
    uint16_t bits;  /* the shortest code of that header */
    const char *scheme;
    const char *of;
};
/* GS1 TDS 2.3 (2025), table 14-1; the partition from the coding tables of 14.6. Where the standard
 * says "variable", the bits are those of the fields that are always there. */
static const struct gs1_header gs1_headers[] = {
    {0x2C, true, 96, "GDTI-96", "a document's tag"},
    {0x2D, true, 96, "GSRN-96", "a customer's or patient's tag"},
    {0x2E, true, 96, "GSRNP-96", "a carer's or helper's tag"},
    {0x2F, false, 96, "USDoD-96", "a military supplier's tag"},
    {0x30, true, 96, "SGTIN-96", "a shop's tag"},
    {0x31, true, 96, "SSCC-96", "a parcel's or pallet's tag"},
    {0x32, true, 96, "SGLN-96", "a place's tag"},
    {0x33, true, 96, "GRAI-96", "a returnable crate's tag"},
    {0x34, true, 96, "GIAI-96", "a thing's inventory tag"},
    {0x36, true, 198, "SGTIN-198", "a shop's tag"},
    {0x37, true, 170, "GRAI-170", "a returnable crate's tag"},
    {0x38, true, 202, "GIAI-202", "a thing's inventory tag"},
    {0x39, true, 195, "SGLN-195", "a place's tag"},
    {0x3A, true, 113, "GDTI-113", "a document's tag"},
    {0x3B, false, 64, "ADI-var", "an aircraft part's tag"},
    {0x3C, true, 96, "CPI-96", "a machine part's tag"},
    {0x3D, true, 80, "CPI-var", "a machine part's tag"},
    {0x3E, true, 174, "GDTI-174", "a document's tag"},
    {0x3F, true, 96, "SGCN-96", "a coupon's tag"},
    {0x40, true, 110, "ITIP-110", "a shop's tag"},
    {0x41, true, 212, "ITIP-212", "a shop's tag"},
    {0xE6, false, 64, "CPI++", "a machine part's tag"},
    {0xE7, false, 84, "GSRN++", "a customer's or patient's tag"},
    {0xE8, false, 84, "GSRNP++", "a carer's or helper's tag"},
    {0xE9, false, 64, "SGLN++", "a place's tag"},
    {0xEA, false, 64, "GDTI++", "a document's tag"},
    {0xEB, false, 64, "GRAI++", "a returnable crate's tag"},
    {0xEC, false, 64, "SGCN++", "a coupon's tag"},
    {0xED, false, 64, "ITIP++", "a shop's tag"},
    {0xEE, false, 32, "GIAI++", "a thing's inventory tag"},
    {0xEF, false, 84, "SSCC++", "a parcel's or pallet's tag"},
    {0xF0, false, 64, "CPI+", "a machine part's tag"},
    {0xF1, false, 64, "GRAI+", "a returnable crate's tag"},
    {0xF2, false, 64, "SGLN+", "a place's tag"},
    {0xF3, false, 64, "ITIP+", "a shop's tag"},
    {0xF4, false, 84, "GSRN+", "a customer's or patient's tag"},
    {0xF5, false, 84, "GSRNP+", "a carer's or helper's tag"},
    {0xF6, false, 64, "GDTI+", "a document's tag"},
    {0xF7, false, 64, "SGTIN+", "a shop's tag"},
    {0xF8, false, 64, "SGCN+", "a coupon's tag"},
    {0xF9, false, 84, "SSCC+", "a parcel's or pallet's tag"},
    {0xFA, false, 32, "GIAI+", "a thing's inventory tag"},
    {0xFB, false, 64, "DSGTIN+", "a shop's tag"},
    {0xFC, false, 64, "DSGTIN++", "a shop's tag"},
    {0xFD, false, 64, "SGTIN++", "a shop's tag"},
};

static const struct gs1_header *gs1_find(const struct epc *epc) {
    for (size_t i = 0; i < sizeof(gs1_headers) / sizeof(gs1_headers[0]); i++) {
        const struct gs1_header *row = &gs1_headers[i];
        if (row->header != epc->data[0]) {
            continue;
        }
        bool whole = (size_t)epc->size * 8 >= row->bits;
        bool divided = !row->partition || (epc->data[1] >> 2 & 7) != 7;
        return whole && divided ? row : NULL;
    }
    return NULL;
}

/* ---- the schemes of ours ---- */

static uint64_t big_endian(const uint8_t *data, size_t size) {
    uint64_t value = 0;
    for (size_t i = 0; i < size; i++) {
        value = value << 8 | data[i];
    }
    return value;
}

/* GID-96: its last 36 bits are the serial. */
static bool gid96_number(const struct epc *epc, uint64_t *number) {
    if (epc->size != EPC_96_SIZE || epc->data[0] != GID96_HEADER) {
        return false;
    }
    *number = big_endian(epc->data + 4, 8) & UINT64_C(0xFFFFFFFFF);
    return true;
}

/* The layout of `own` under whatever code. Two dozen zero bits stand in it, or more; what has them
 * by chance mostly has a header of GS1, or the zeros of a plain number, and is left out. */
static bool own_number(const struct epc *epc, uint64_t *number) {
    if (epc->size != EPC_96_SIZE || big_endian(epc->data, 4) == 0 || epc->data[4] != 0 ||
        epc->data[5] != 0) {
        return false;
    }
    *number = big_endian(epc->data + 6, 6);
    return *number > 0 && *number <= OWN_NUMBER_MAX;
}

static bool event_uses(const struct record_found *found, enum epc_scheme_kind kind) {
    for (size_t i = 0; i < found->category_count; i++) {
        if (found->category[i].scheme.kind == kind) {
            return true;
        }
    }
    return false;
}

/* ---- what it is ---- */

static void __attribute__((format(printf, 3, 4)))
see(struct tag_sight *sight, enum tag_kind kind, const char *format, ...) {
    va_list arguments;
    sight->kind = kind;
    va_start(arguments, format);
    vsnprintf(sight->name, sizeof(sight->name), format, arguments);
    va_end(arguments);
}

static bool is_blank(const struct epc *epc, const uint16_t *pc) {
    if (pc != NULL && *pc >> PC_LENGTH_SHIFT == 0) {
        return true;
    }
    for (size_t i = 0; i < epc->size; i++) {
        if (epc->data[i] != 0) {
            return false;
        }
    }
    return true;
}

static bool is_ours(const struct record_found *found, const struct epc *epc, uint64_t *number) {
    for (size_t i = 0; i < found->category_count; i++) {
        if (epc_number(&found->category[i].scheme, epc, number)) {
            return true;
        }
    }
    return false;
}

/* One of our schemes, but not with a number of this event. */
static void see_kin(const struct record_found *found, enum epc_scheme_kind scheme, uint64_t number,
                    struct tag_sight *sight) {
    const char *name = scheme == EPC_OWN ? "own" : "GID-96";
    if (event_uses(found, scheme)) {
        see(sight, TAG_OTHER_EVENT, "a chip of another event (%s), number %" PRIu64, name, number);
        sight->number = number;
    } else {
        see(sight, TAG_OTHER_SCHEME, "a chip of another event, of a scheme not used here (%s)",
            name);
    }
}

static void see_iso(uint8_t afi, struct tag_sight *sight) {
    bool library = afi == EPC_LIBRARY_LOAN_AFI || afi == EPC_LIBRARY_STOCK_AFI;
    see(sight, TAG_UNKNOWN, "%s (ISO, AFI %02X)", library ? "a library's tag" : "a stranger's tag",
        afi);
}

/* Of an event that has another AFI than the usual one, other events of that organiser do too. */
static bool is_own_afi(const struct record_found *found, uint8_t afi) {
    bool own = afi == EPC_OWN_AFI;
    for (size_t i = 0; i < found->category_count; i++) {
        const struct epc_scheme *scheme = &found->category[i].scheme;
        own = own || (scheme->kind == EPC_OWN && scheme->afi != 0 && scheme->afi == afi);
    }
    return own;
}

static void see_other(const struct record_found *found, const struct epc *epc, const uint16_t *pc,
                      struct tag_sight *sight) {
    uint64_t number = 0;
    bool iso = pc != NULL && (*pc & PC_TOGGLE) != 0;
    uint8_t afi = iso ? (uint8_t)(*pc & PC_AFI_MASK) : 0;
    const struct gs1_header *gs1 = iso ? NULL : gs1_find(epc);
    if (!iso && gid96_number(epc, &number)) {
        see_kin(found, EPC_GID96, number, sight);
    } else if (gs1 != NULL) {
        see(sight, TAG_GS1, "%s (GS1 %s)", gs1->of, gs1->scheme);
    } else if (!iso && epc->data[0] == RESERVED_HEADER) {
        /* No code may begin so (TDS, table 14-1): makers fill new chips with a TID's bits. */
        see(sight, TAG_BLANK, "blank, as its maker delivers it");
    } else if ((!iso || is_own_afi(found, afi)) && own_number(epc, &number)) {
        see_kin(found, EPC_OWN, number, sight);
    } else if (iso) {
        see_iso(afi, sight);
    } else {
        see(sight, TAG_UNKNOWN, "a chip with a code that is not known here");
    }
}

void tag_recognise(const struct record_found *found, const struct epc *epc, const uint16_t *pc,
                   struct tag_sight *sight) {
    memset(sight, 0, sizeof(*sight));
    if (is_blank(epc, pc)) {
        see(sight, TAG_BLANK, "blank");
        return;
    }
    if (is_ours(found, epc, &sight->number)) {
        see(sight, TAG_OURS, "a chip of this event, number %" PRIu64, sight->number);
        return;
    }
    see_other(found, epc, pc, sight);
    if (event_uses(found, EPC_AS_READ)) {
        /* Chips that come written may carry anything at all: the name still tells what. */
        sight->kind = TAG_UNKNOWN;
        sight->number = 0;
    }
}

/* ---- the words around an EPC ---- */

uint16_t tag_pc(const struct epc_scheme *scheme, const struct epc *epc) {
    unsigned pc = (unsigned)(epc->size / 2) << PC_LENGTH_SHIFT;
    if (scheme->kind == EPC_OWN) {
        pc |= PC_TOGGLE | (unsigned)(scheme->afi == 0 ? EPC_OWN_AFI : scheme->afi);
    }
    return (uint16_t)pc;
}

/* CRC-16/GENIBUS of the CRC catalogue: polynomial 1021h, from FFFFh, highest bit first, inverted at
 * the end. */
static unsigned crc_add(unsigned crc, const uint8_t *data, size_t size) {
    for (size_t i = 0; i < size; i++) {
        crc ^= (unsigned)data[i] << 8;
        for (int bit = 0; bit < 8; bit++) {
            crc = (crc & 0x8000) != 0 ? crc << 1 ^ 0x1021 : crc << 1;
        }
        crc &= 0xFFFF;
    }
    return crc;
}

uint16_t tag_crc(uint16_t pc, const struct epc *epc) {
    const uint8_t head[2] = {(uint8_t)(pc >> 8), (uint8_t)(pc & 0xFF)};
    unsigned crc = crc_add(crc_add(0xFFFF, head, sizeof(head)), epc->data, epc->size);
    return (uint16_t)(crc ^ 0xFFFF);
}

/* ---- TID ---- */

/* E0h: 8 bits of manufacturer, then 48 bits of serial (ISO/IEC 15963). */
static bool maker_e0(const struct tid *tid, struct tag_maker *maker) {
    enum { SERIAL_AT = 2, SERIAL_SIZE = 6 };
    if (tid->size < 2) {
        return false;
    }
    maker->designer = tid->data[1];
    if (tid->size >= SERIAL_AT + SERIAL_SIZE) {
        maker->has_serial = true;
        maker->serial_size = SERIAL_SIZE;
        memcpy(maker->serial, tid->data + SERIAL_AT, SERIAL_SIZE);
    }
    return true;
}

/* E2h (TDS 16): bit 08h says that an XTID follows, 0Bh-13h the mask designer, 14h-1Fh the model;
 * then the XTID's header, whose upper three bits give the size of the serial behind it. */
static bool maker_e2(const struct tid *tid, struct tag_maker *maker) {
    enum { HEADER_AT = 4, SERIAL_AT = 6, SERIAL_LEAST = 6 };
    if (tid->size < HEADER_AT) {
        return false;
    }
    maker->extended = (tid->data[1] & 0x80) != 0;
    maker->designer = (uint16_t)((tid->data[1] & 0x1F) << 4 | tid->data[2] >> 4);
    maker->model = (uint16_t)((tid->data[2] & 0x0F) << 8 | tid->data[3]);
    if (!maker->extended || tid->size < SERIAL_AT || tid->data[HEADER_AT] >> 5 == 0) {
        return true;
    }
    size_t size = SERIAL_LEAST + 2 * ((size_t)(tid->data[HEADER_AT] >> 5) - 1);
    if (tid->size >= SERIAL_AT + size) {
        maker->has_serial = true;
        maker->serial_size = size;
        memcpy(maker->serial, tid->data + SERIAL_AT, size);
    }
    return true;
}

bool tag_maker(const struct tid *tid, struct tag_maker *maker) {
    struct tag_maker made = {0};
    bool told = false;
    if (tid->size > 0) {
        made.class_id = tid->data[0];
        told = made.class_id == 0xE2   ? maker_e2(tid, &made)
               : made.class_id == 0xE0 ? maker_e0(tid, &made)
                                       : false;
    }
    if (told) {
        *maker = made;
    }
    return told;
}
