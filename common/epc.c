/*
 * epc.c: the EPC that a scheme gives to a bib, and back.
 * Must never guess: a tag that is not exactly of the scheme carries no number.
 */
#include "common/epc.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

enum { GID96_HEADER = 0x35, DECIMAL_DIGITS_MAX = 11 };
#define GID96_MANAGER_MAX UINT32_C(268435455)
#define GID96_CLASS_MAX   UINT32_C(16777215)
#define GID96_SERIAL_MAX  UINT64_C(68719476735)
#define OWN_NUMBER_MAX    UINT64_C(281474976710655)

/* ---- schemes as text ---- */

/* Takes `prefix` from the front of *text. */
static bool take_prefix(struct slice *text, const char *prefix) {
    size_t length = strlen(prefix);
    if (text->size < length || memcmp(text->data, prefix, length) != 0) {
        return false;
    }
    *text = slice_of(text->data + length, text->size - length);
    return true;
}

/* Takes a decimal number of at most `max` from the front of *text. */
static bool take_decimal(struct slice *text, uint32_t max, uint32_t *value) {
    uint64_t number = 0;
    size_t digits = 0;
    while (digits < text->size && digits < DECIMAL_DIGITS_MAX && text->data[digits] >= '0' &&
           text->data[digits] <= '9') {
        number = number * 10 + (uint64_t)(text->data[digits] - '0');
        digits++;
    }
    if (digits == 0 || number > max) {
        return false;
    }
    *value = (uint32_t)number;
    *text = slice_of(text->data + digits, text->size - digits);
    return true;
}

/* Takes two hex digits from the front of *text. */
static bool take_hex_byte(struct slice *text, uint8_t *value) {
    if (text->size < 2 || !hex_decode((const char *)text->data, 2, value, 1)) {
        return false;
    }
    *text = slice_of(text->data + 2, text->size - 2);
    return true;
}

bool epc_afi_fits(uint8_t afi) {
    return afi != 0 && afi != EPC_OWN_AFI && afi != EPC_LIBRARY_LOAN_AFI &&
           afi != EPC_LIBRARY_STOCK_AFI;
}

/* What stands behind an event's code: nothing, or an AFI. The usual one is kept as none. */
static bool read_afi(struct slice text, struct epc_scheme *scheme) {
    if (text.size == 0) {
        return true;
    }
    uint8_t afi = 0;
    if (!take_prefix(&text, ":") || !take_hex_byte(&text, &afi) || text.size > 0) {
        return false;
    }
    scheme->afi = afi == EPC_OWN_AFI ? 0 : afi;
    return afi == EPC_OWN_AFI || epc_afi_fits(afi);
}

static bool read_scheme(struct slice text, struct epc_scheme *scheme) {
    if (slice_equal(text, slice_text("as-read"))) {
        scheme->kind = EPC_AS_READ;
        return true;
    }
    if (take_prefix(&text, "gid96:")) {
        scheme->kind = EPC_GID96;
        return take_decimal(&text, GID96_MANAGER_MAX, &scheme->manager) &&
               take_prefix(&text, ":") && take_decimal(&text, GID96_CLASS_MAX, &scheme->class_) &&
               text.size == 0;
    }
    if (take_prefix(&text, "own:")) {
        scheme->kind = EPC_OWN;
        return take_decimal(&text, UINT32_MAX, &scheme->code) && scheme->code > 0 &&
               read_afi(text, scheme);
    }
    return false;
}

enum error_code epc_scheme_parse(struct slice typed, struct epc_scheme *scheme, struct error *err) {
    struct epc_scheme made = {0};
    if (!read_scheme(slice_trimmed(typed), &made)) {
        error_set(err, ERR_USAGE, "not a scheme, or a number in it is too large");
        return error_say(err,
                         "Give the chip scheme as gid96:MANAGER:CLASS (at most %" PRIu32
                         " and %" PRIu32 "), own:CODE (1 to %" PRIu32
                         ", and behind it :AFI, two hex "
                         "digits and not a library's) or as-read.",
                         GID96_MANAGER_MAX, GID96_CLASS_MAX, UINT32_MAX);
    }
    *scheme = made;
    return ERR_OK;
}

void epc_scheme_text(const struct epc_scheme *scheme, char *out, size_t size) {
    switch (scheme->kind) {
    case EPC_GID96:
        snprintf(out, size, "gid96:%" PRIu32 ":%" PRIu32, scheme->manager, scheme->class_);
        return;
    case EPC_OWN:
        snprintf(out, size, scheme->afi == 0 ? "own:%" PRIu32 : "own:%" PRIu32 ":%02X",
                 scheme->code, scheme->afi);
        return;
    case EPC_AS_READ:
        break;
    }
    snprintf(out, size, "as-read");
}

/* ---- EPCs of bibs ---- */

/* Writes the low `size` bytes of `value`, big-endian. */
static void put_big_endian(uint8_t *out, size_t size, uint64_t value) {
    for (size_t i = size; i > 0; i--) {
        out[i - 1] = (uint8_t)(value & 0xFF);
        value >>= 8;
    }
}

static uint64_t get_big_endian(const uint8_t *data, size_t size) {
    uint64_t value = 0;
    for (size_t i = 0; i < size; i++) {
        value = value << 8 | data[i];
    }
    return value;
}

/* GID-96 over 12 bytes: header 8, manager 28, class 24, serial 36 bits. The first 64 bits end
 * with the serial's upper four. */
static void put_gid96(const struct epc_scheme *scheme, uint64_t serial, uint8_t out[EPC_96_SIZE]) {
    uint64_t top = (uint64_t)GID96_HEADER << 56 | (uint64_t)scheme->manager << 28 |
                   (uint64_t)scheme->class_ << 4 | serial >> 32;
    put_big_endian(out, 8, top);
    put_big_endian(out + 8, 4, serial & UINT32_MAX);
}

static void put_own(const struct epc_scheme *scheme, uint64_t number, uint8_t out[EPC_96_SIZE]) {
    put_big_endian(out, 4, scheme->code);
    put_big_endian(out + 4, 2, 0);
    put_big_endian(out + 6, 6, number);
}

enum error_code epc_for_bib(const struct epc_scheme *scheme, const struct bib *bib, struct epc *epc,
                            struct error *err) {
    uint64_t number = 0;
    if (scheme->kind == EPC_AS_READ) {
        error_set(err, ERR_TAG, "the scheme is as-read");
        return error_say(err, "Chips of this event come written. Read the chip for bib %s.",
                         bib->text);
    }
    if (!bib_number(bib, &number)) {
        error_set(err, ERR_TAG, "the scheme holds numbers only");
        return error_say(err, "Bib %s has letters, and chips of this event hold numbers only.",
                         bib->text);
    }
    if (number > (scheme->kind == EPC_GID96 ? GID96_SERIAL_MAX : OWN_NUMBER_MAX)) {
        error_set(err, ERR_TAG, "the number is over the scheme's maximum");
        return error_say(err, "Bib %s is too large a number for chips of this event.", bib->text);
    }
    struct epc made = {.size = EPC_96_SIZE};
    if (scheme->kind == EPC_GID96) {
        put_gid96(scheme, number, made.data);
    } else {
        put_own(scheme, number, made.data);
    }
    *epc = made;
    return ERR_OK;
}

bool epc_number(const struct epc_scheme *scheme, const struct epc *epc, uint64_t *number) {
    if (scheme->kind == EPC_AS_READ || epc->size != EPC_96_SIZE) {
        return false;
    }
    uint64_t serial = get_big_endian(epc->data + 6, 6);
    uint8_t expected[EPC_96_SIZE];
    if (scheme->kind == EPC_GID96) {
        serial &= GID96_SERIAL_MAX;
        put_gid96(scheme, serial, expected);
    } else {
        put_own(scheme, serial, expected);
    }
    if (memcmp(expected, epc->data, EPC_96_SIZE) != 0) {
        return false;
    }
    *number = serial;
    return true;
}

enum error_code epc_fits(const struct epc_scheme *scheme, const struct bib *bib,
                         const struct epc *epc, struct error *err) {
    if (scheme->kind == EPC_AS_READ) {
        return ERR_OK;
    }
    struct epc expected = {0};
    enum error_code code = epc_for_bib(scheme, bib, &expected, err);
    if (code != ERR_OK) {
        return code;
    }
    if (expected.size == epc->size && memcmp(expected.data, epc->data, epc->size) == 0) {
        return ERR_OK;
    }
    uint64_t number = 0;
    error_set(err, ERR_TAG, "not the EPC that the scheme gives to the bib");
    if (epc_number(scheme, epc, &number)) {
        return error_say(err, "This chip carries number %" PRIu64 ", not %s.", number, bib->text);
    }
    return error_say(err, "This chip is not one of this event. Take another for bib %s.",
                     bib->text);
}

/* ---- tags as text ---- */

/* Whole 16-bit words of hex, at most `size_max` bytes. Returns the size in bytes, or 0. */
static uint8_t read_words(struct slice typed, uint8_t *out, size_t size_max) {
    struct slice text = slice_trimmed(typed);
    size_t size = text.size / 2;
    if (text.size == 0 || text.size % 4 != 0 || size > size_max ||
        !hex_decode((const char *)text.data, text.size, out, size)) {
        return 0;
    }
    return (uint8_t)size;
}

enum error_code epc_parse(struct slice typed, struct epc *epc, struct error *err) {
    struct epc made = {0};
    made.size = read_words(typed, made.data, sizeof(made.data));
    if (made.size == 0) {
        error_set(err, ERR_TAG, "an EPC of %zu characters", typed.size);
        return error_say(err,
                         "An EPC is 4 to %d hex digits, in groups of four. Read the chip "
                         "again.",
                         2 * EPC_SIZE_MAX);
    }
    *epc = made;
    return ERR_OK;
}

enum error_code tid_parse(struct slice typed, struct tid *tid, struct error *err) {
    struct tid made = {0};
    made.size = read_words(typed, made.data, sizeof(made.data));
    if (made.size == 0) {
        error_set(err, ERR_TAG, "a TID of %zu characters", typed.size);
        return error_say(err,
                         "A TID is 4 to %d hex digits, in groups of four. Read the chip "
                         "again.",
                         2 * TID_SIZE_MAX);
    }
    if (made.data[0] != 0xE0 && made.data[0] != 0xE2) {
        error_set(err, ERR_TAG, "a TID that begins with %02x", made.data[0]);
        return error_say(err, "A TID begins with E0 or E2. Read the chip again.");
    }
    *tid = made;
    return ERR_OK;
}
