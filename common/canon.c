/*
 * canon.c: deterministic CBOR over libcbor's streaming decoder and its encoders.
 *
 * Each item is decoded by the library; what is added here is that only one byte form of a value is
 * taken. Must never allocate while reading, nor follow nesting deeper than CANON_DEPTH_MAX.
 */
#include "common/canon.h"

#include <cbor.h>
#include <string.h>

enum { HEAD_SIZE_MAX = 9 };

/* ---- writing ---- */

/* Appends what one of the library's encoders writes for `value`. */
static void put_head(struct buffer *out, uint64_t value,
                     size_t (*encode)(uint64_t, unsigned char *, size_t)) {
    if (buffer_reserve(out, HEAD_SIZE_MAX)) {
        out->size += encode(value, out->data + out->size, HEAD_SIZE_MAX);
    }
}

static void put_count(struct buffer *out, size_t count,
                      size_t (*encode)(size_t, unsigned char *, size_t)) {
    if (buffer_reserve(out, HEAD_SIZE_MAX)) {
        out->size += encode(count, out->data + out->size, HEAD_SIZE_MAX);
    }
}

void canon_put_uint(struct buffer *out, uint64_t value) {
    put_head(out, value, cbor_encode_uint);
}

void canon_put_int(struct buffer *out, int64_t value) {
    if (value >= 0) {
        put_head(out, (uint64_t)value, cbor_encode_uint);
    } else {
        put_head(out, (uint64_t)(-1 - value), cbor_encode_negint);
    }
}

void canon_put_bytes(struct buffer *out, struct slice bytes) {
    if (buffer_reserve(out, HEAD_SIZE_MAX + bytes.size)) {
        put_count(out, bytes.size, cbor_encode_bytestring_start);
        buffer_append_slice(out, bytes);
    }
}

void canon_put_text(struct buffer *out, struct slice text) {
    if (buffer_reserve(out, HEAD_SIZE_MAX + text.size)) {
        put_count(out, text.size, cbor_encode_string_start);
        buffer_append_slice(out, text);
    }
}

void canon_put_array(struct buffer *out, size_t count) {
    put_count(out, count, cbor_encode_array_start);
}

void canon_put_map(struct buffer *out, size_t pairs) {
    put_count(out, pairs, cbor_encode_map_start);
}

void canon_put_tag(struct buffer *out, uint64_t tag) {
    put_head(out, tag, cbor_encode_tag);
}

void canon_put_bool(struct buffer *out, bool value) {
    if (buffer_reserve(out, HEAD_SIZE_MAX)) {
        out->size += cbor_encode_bool(value, out->data + out->size, HEAD_SIZE_MAX);
    }
}

void canon_put_null(struct buffer *out) {
    if (buffer_reserve(out, HEAD_SIZE_MAX)) {
        out->size += cbor_encode_null(out->data + out->size, HEAD_SIZE_MAX);
    }
}

/* ---- reading: one item ---- */

/* What the library's decoder reported about the item at the cursor. */
struct item {
    enum canon_type type;
    uint64_t argument;   /* the value, count, length or tag in the item's head */
    const uint8_t *data; /* of a byte or text string */
    double number;       /* of a float */
};

/* The callbacks of one type differ only in the width of the argument; that the head had the
 * shortest width is checked afterwards, from the number of bytes read. */
#define TAKE(name, width, canon)                                                                   \
    static void name(void *context, width value) {                                                 \
        struct item *item = context;                                                               \
        item->type = canon;                                                                        \
        item->argument = value;                                                                    \
    }
TAKE(take_uint8, uint8_t, CANON_UINT)
TAKE(take_uint16, uint16_t, CANON_UINT)
TAKE(take_uint32, uint32_t, CANON_UINT)
TAKE(take_uint64, uint64_t, CANON_UINT)
TAKE(take_negint8, uint8_t, CANON_NEGATIVE)
TAKE(take_negint16, uint16_t, CANON_NEGATIVE)
TAKE(take_negint32, uint32_t, CANON_NEGATIVE)
TAKE(take_negint64, uint64_t, CANON_NEGATIVE)
TAKE(take_array, size_t, CANON_ARRAY)
TAKE(take_map, size_t, CANON_MAP)
TAKE(take_tag, uint64_t, CANON_TAG)
TAKE(take_bool, bool, CANON_SIMPLE)
#undef TAKE

static void take_bytes(void *context, cbor_data data, size_t size) {
    *(struct item *)context = (struct item){.type = CANON_BYTES, .argument = size, .data = data};
}

static void take_text(void *context, cbor_data data, size_t size) {
    *(struct item *)context = (struct item){.type = CANON_TEXT, .argument = size, .data = data};
}

static void take_simple(void *context) {
    *(struct item *)context = (struct item){.type = CANON_SIMPLE};
}

static void take_float(void *context, float value) {
    *(struct item *)context = (struct item){.type = CANON_FLOAT, .number = (double)value};
}

static void take_double(void *context, double value) {
    *(struct item *)context = (struct item){.type = CANON_FLOAT, .number = value};
}

/* Starts of indefinite lengths and the break are left to callbacks that do nothing, so that such
 * an item keeps the type CANON_BAD. */
static const struct cbor_callbacks callbacks = {
    .uint8 = take_uint8,
    .uint16 = take_uint16,
    .uint32 = take_uint32,
    .uint64 = take_uint64,
    .negint64 = take_negint64,
    .negint32 = take_negint32,
    .negint16 = take_negint16,
    .negint8 = take_negint8,
    .byte_string_start = cbor_null_byte_string_start_callback,
    .byte_string = take_bytes,
    .string = take_text,
    .string_start = cbor_null_string_start_callback,
    .indef_array_start = cbor_null_indef_array_start_callback,
    .array_start = take_array,
    .indef_map_start = cbor_null_indef_map_start_callback,
    .map_start = take_map,
    .tag = take_tag,
    .float2 = take_float,
    .float4 = take_float,
    .float8 = take_double,
    .undefined = take_simple,
    .null = take_simple,
    .boolean = take_bool,
    .indef_break = cbor_null_indef_break_callback,
};

/* The size of the shortest head that carries `argument` (RFC 8949, section 3). */
static size_t head_size(uint64_t argument) {
    if (argument < 24) {
        return 1;
    }
    return argument <= UINT8_MAX ? 2 : argument <= UINT16_MAX ? 3 : argument <= UINT32_MAX ? 5 : 9;
}

/* Whether a half-precision float holds `value` exactly. The library's encoder of halves loses
 * bits of subnormals, so re-encoding would not tell. */
static bool fits_half(float value) {
    uint32_t bits;
    memcpy(&bits, &value, sizeof(bits));
    uint32_t fraction = bits & 0x7FFFFF;
    int exponent = (int)(bits >> 23 & 0xFF) - 127;
    if (exponent == -127 || exponent == 128) {
        return fraction == 0; /* zero and infinity; NaN is told apart before */
    }
    if (exponent < -24 || exponent > 15) {
        return false;
    }
    int lost = exponent >= -14 ? 13 : -1 - exponent;
    return (fraction & ((UINT32_C(1) << lost) - 1)) == 0;
}

/* Floats have no one form by their head: the shortest of three widths that holds the value
 * exactly, and one NaN (RFC 8949, 4.2.1 and 4.2.2). */
static bool float_is_shortest(const uint8_t *at, size_t size, double number) {
    if (number != number) {
        return size == 3 && at[1] == 0x7E && at[2] == 0x00;
    }
    if (size == 3) {
        return true;
    }
    float single = (float)number;
    return size == 5 ? !fits_half(single) : (double)single != number;
}

static bool item_is_canonical(const struct item *item, const uint8_t *at, size_t size,
                              size_t behind) {
    switch (item->type) {
    case CANON_UINT:
    case CANON_NEGATIVE:
    case CANON_TAG:
        return size == head_size(item->argument);
    case CANON_BYTES:
        return size == head_size(item->argument) + item->argument;
    case CANON_TEXT:
        return size == head_size(item->argument) + item->argument &&
               utf8_valid(slice_of(item->data, (size_t)item->argument));
    case CANON_ARRAY:
        return size == head_size(item->argument) && item->argument <= behind;
    case CANON_MAP:
        return size == head_size(item->argument) && item->argument <= behind / 2;
    case CANON_SIMPLE:
        return true;
    case CANON_FLOAT:
        return float_is_shortest(at, size, item->number);
    case CANON_END:
    case CANON_BAD:
        break;
    }
    return false;
}

/* Heads of one and two bytes are read by hand; the library reads all others. Two reasons: these are
 * nearly all the items of a record, and records are decoded at 200,000 a second while a station
 * catches up; and libcbor 0.8 calls the one-byte heads of the tags 6 to 20 errors, of which
 * COSE_Sign1 is 18. Returns the item's size; 0 leaves it to the library. */
static size_t short_item(const uint8_t *at, size_t left, struct item *item) {
    static const enum canon_type types[] = {CANON_UINT,  CANON_NEGATIVE, CANON_BYTES, CANON_TEXT,
                                            CANON_ARRAY, CANON_MAP,      CANON_TAG};
    unsigned major = at[0] >> 5;
    uint64_t argument = at[0] & 31;
    size_t size = 1;
    if (argument == 24 && left >= 2) {
        argument = at[1];
        size = 2;
    } else if (argument >= 24) {
        return 0;
    }
    if (major >= sizeof(types) / sizeof(types[0])) {
        return 0;
    }
    item->type = types[major];
    item->argument = argument;
    item->data = at + size;
    if (item->type == CANON_BYTES || item->type == CANON_TEXT) {
        return argument <= left - size ? size + (size_t)argument : 0;
    }
    return size;
}

/* Decodes the head (and the bytes of a string) at the cursor. Returns its size; 0 with type
 * CANON_END or CANON_BAD. */
static size_t item_at(const struct canon_reader *reader, struct item *item) {
    size_t left = (size_t)(reader->end - reader->at);
    *item = (struct item){.type = CANON_END};
    if (left == 0) {
        return 0;
    }
    size_t size = short_item(reader->at, left, item);
    if (size == 0) {
        item->type = CANON_BAD;
        struct cbor_decoder_result result = cbor_stream_decode(reader->at, left, &callbacks, item);
        size = result.status == CBOR_DECODER_FINISHED ? result.read : 0;
    }
    if (size == 0 || !item_is_canonical(item, reader->at, size, left - size)) {
        item->type = CANON_BAD;
        return 0;
    }
    return size;
}

/* Takes the next item if it is of `type`. */
static bool take_item(struct canon_reader *reader, enum canon_type type, struct item *item) {
    size_t size = item_at(reader, item);
    if (item->type != type) {
        return false;
    }
    reader->at += size;
    return true;
}

/* ---- reading: the getters ---- */

struct canon_reader canon_read(struct slice bytes) {
    /* An empty slice may have no address; the cursor then stands on one byte of its own. */
    static const uint8_t nothing = 0;
    const uint8_t *data = bytes.data == NULL ? &nothing : bytes.data;
    return (struct canon_reader){.at = data, .end = data + bytes.size};
}

enum canon_type canon_peek(const struct canon_reader *reader) {
    struct item item;
    item_at(reader, &item);
    return item.type;
}

bool canon_done(const struct canon_reader *reader) {
    return reader->at == reader->end;
}

bool canon_get_uint(struct canon_reader *reader, uint64_t *value) {
    struct item item;
    if (!take_item(reader, CANON_UINT, &item)) {
        return false;
    }
    *value = item.argument;
    return true;
}

bool canon_get_int(struct canon_reader *reader, int64_t *value) {
    struct item item;
    size_t size = item_at(reader, &item);
    if ((item.type != CANON_UINT && item.type != CANON_NEGATIVE) || item.argument > INT64_MAX) {
        return false;
    }
    *value = item.type == CANON_UINT ? (int64_t)item.argument : -1 - (int64_t)item.argument;
    reader->at += size;
    return true;
}

bool canon_get_bytes(struct canon_reader *reader, struct slice *bytes) {
    struct item item;
    if (!take_item(reader, CANON_BYTES, &item)) {
        return false;
    }
    *bytes = slice_of(item.data, (size_t)item.argument);
    return true;
}

bool canon_get_exact(struct canon_reader *reader, uint8_t *out, size_t size) {
    struct item item;
    size_t taken = item_at(reader, &item);
    if (item.type != CANON_BYTES || item.argument != size) {
        return false;
    }
    memcpy(out, item.data, size);
    reader->at += taken;
    return true;
}

bool canon_get_text(struct canon_reader *reader, struct slice *text) {
    struct item item;
    if (!take_item(reader, CANON_TEXT, &item)) {
        return false;
    }
    *text = slice_of(item.data, (size_t)item.argument);
    return true;
}

bool canon_get_array(struct canon_reader *reader, size_t *count) {
    struct item item;
    if (!take_item(reader, CANON_ARRAY, &item)) {
        return false;
    }
    *count = (size_t)item.argument;
    return true;
}

bool canon_get_map(struct canon_reader *reader, size_t *pairs) {
    struct item item;
    if (!take_item(reader, CANON_MAP, &item)) {
        return false;
    }
    *pairs = (size_t)item.argument;
    return true;
}

bool canon_get_tag(struct canon_reader *reader, uint64_t *tag) {
    struct item item;
    if (!take_item(reader, CANON_TAG, &item)) {
        return false;
    }
    *tag = item.argument;
    return true;
}

/* The four assigned simple values share a type; each is one byte, and the byte tells which. */
enum { BYTE_FALSE = 0xF4, BYTE_TRUE = 0xF5, BYTE_NULL = 0xF6 };

bool canon_get_bool(struct canon_reader *reader, bool *value) {
    if (canon_peek(reader) != CANON_SIMPLE ||
        (*reader->at != BYTE_FALSE && *reader->at != BYTE_TRUE)) {
        return false;
    }
    *value = *reader->at == BYTE_TRUE;
    reader->at++;
    return true;
}

bool canon_get_null(struct canon_reader *reader) {
    if (canon_peek(reader) != CANON_SIMPLE || *reader->at != BYTE_NULL) {
        return false;
    }
    reader->at++;
    return true;
}

/* ---- reading: whole items ---- */

static bool skip_item(struct canon_reader *reader, unsigned depth);

/* Keys must rise strictly in the bytewise order of their encodings (RFC 8949, 4.2.1), which also
 * rules out repeats. */
static bool skip_pairs(struct canon_reader *reader, uint64_t pairs, unsigned depth) {
    struct slice previous = {NULL, 0};
    for (uint64_t i = 0; i < pairs; i++) {
        const uint8_t *start = reader->at;
        if (!skip_item(reader, depth)) {
            return false;
        }
        struct slice key = slice_of(start, (size_t)(reader->at - start));
        if (i > 0 && slice_compare(previous, key) >= 0) {
            return false;
        }
        previous = key;
        if (!skip_item(reader, depth)) {
            return false;
        }
    }
    return true;
}

/* `depth` is the number of arrays, maps and tags around the item; it bounds the recursion. */
static bool skip_item(struct canon_reader *reader, unsigned depth) {
    struct item item;
    size_t size = item_at(reader, &item);
    if (size == 0) {
        return false;
    }
    reader->at += size;
    if (item.type != CANON_ARRAY && item.type != CANON_MAP && item.type != CANON_TAG) {
        return true;
    }
    if (depth >= CANON_DEPTH_MAX) {
        return false;
    }
    if (item.type == CANON_MAP) {
        return skip_pairs(reader, item.argument, depth + 1);
    }
    uint64_t count = item.type == CANON_TAG ? 1 : item.argument;
    for (uint64_t i = 0; i < count; i++) {
        if (!skip_item(reader, depth + 1)) {
            return false;
        }
    }
    return true;
}

bool canon_skip(struct canon_reader *reader, struct slice *item) {
    return canon_skip_within(reader, 0, item);
}

bool canon_skip_within(struct canon_reader *reader, unsigned depth, struct slice *item) {
    struct canon_reader ahead = *reader;
    if (!skip_item(&ahead, depth)) {
        return false;
    }
    if (item != NULL) {
        *item = slice_of(reader->at, (size_t)(ahead.at - reader->at));
    }
    *reader = ahead;
    return true;
}

bool canon_check(struct slice bytes) {
    struct canon_reader reader = canon_read(bytes);
    return canon_skip(&reader, NULL) && canon_done(&reader);
}
