/*
 * canon.h: deterministically encoded CBOR (RFC 8949, section 4.2.1), written and read.
 *
 * Writing goes through libcbor's encoders into a buffer. Reading uses libcbor's streaming decoder
 * one item at a time and accepts one byte form only: shortest heads, definite lengths, map keys in
 * bytewise order without repeats, shortest floats, valid UTF-8, nesting of at most
 * CANON_DEPTH_MAX. Unassigned simple values are refused.
 * Any thread; no I/O.
 */
#ifndef BIBWEAVE_CANON_H
#define BIBWEAVE_CANON_H

#include "common/bytes.h"

enum { CANON_DEPTH_MAX = 16 };

/* Writers append one item, or the head of one. Map keys must be put in bytewise order of their
 * encodings by the caller; the record and message writers are tested against canon_check. */
void canon_put_uint(struct buffer *out, uint64_t value) __attribute__((nonnull));
void canon_put_int(struct buffer *out, int64_t value) __attribute__((nonnull));
void canon_put_bytes(struct buffer *out, struct slice bytes) __attribute__((nonnull));
void canon_put_text(struct buffer *out, struct slice text) __attribute__((nonnull));
void canon_put_array(struct buffer *out, size_t count) __attribute__((nonnull));
void canon_put_map(struct buffer *out, size_t pairs) __attribute__((nonnull));
void canon_put_tag(struct buffer *out, uint64_t tag) __attribute__((nonnull));
void canon_put_bool(struct buffer *out, bool value) __attribute__((nonnull));
void canon_put_null(struct buffer *out) __attribute__((nonnull));

enum canon_type {
    CANON_END, /* nothing left */
    CANON_UINT,
    CANON_NEGATIVE,
    CANON_BYTES,
    CANON_TEXT,
    CANON_ARRAY,
    CANON_MAP,
    CANON_TAG,
    CANON_SIMPLE, /* false, true, null, undefined */
    CANON_FLOAT,
    CANON_BAD, /* not CBOR, or not in its one form */
};

/* A cursor over a slice. The getters return false and leave *reader where it was when the next
 * item is of another type, malformed, or not in its one form. */
struct canon_reader {
    const uint8_t *at;
    const uint8_t *end;
};

struct canon_reader canon_read(struct slice bytes);
enum canon_type canon_peek(const struct canon_reader *reader) __attribute__((nonnull));
bool canon_done(const struct canon_reader *reader) __attribute__((nonnull)); /* nothing left */
bool canon_get_uint(struct canon_reader *reader, uint64_t *value) __attribute__((nonnull));
/* Either sign; false when it does not fit int64. */
bool canon_get_int(struct canon_reader *reader, int64_t *value) __attribute__((nonnull));
/* Bytes and text are borrowed from the slice that is read. */
bool canon_get_bytes(struct canon_reader *reader, struct slice *bytes) __attribute__((nonnull));
/* A byte string of exactly `size` bytes, copied to `out`. */
bool canon_get_exact(struct canon_reader *reader, uint8_t *out, size_t size)
    __attribute__((nonnull));
bool canon_get_text(struct canon_reader *reader, struct slice *text) __attribute__((nonnull));
/* `count` items (or pairs) follow; counts beyond what the slice could hold are refused. */
bool canon_get_array(struct canon_reader *reader, size_t *count) __attribute__((nonnull));
bool canon_get_map(struct canon_reader *reader, size_t *pairs) __attribute__((nonnull));
bool canon_get_tag(struct canon_reader *reader, uint64_t *tag) __attribute__((nonnull));
bool canon_get_bool(struct canon_reader *reader, bool *value) __attribute__((nonnull));
bool canon_get_null(struct canon_reader *reader) __attribute__((nonnull));
/* Steps over one whole item, whatever it is; *item (may be NULL) is its bytes. The item is
 * checked for the one form. */
bool canon_skip(struct canon_reader *reader, struct slice *item) __attribute__((nonnull(1)));
/* The same for an item that stands inside `depth` arrays, maps and tags of a larger one, so that
 * whoever walks the larger one checks its nesting as canon_check would. */
bool canon_skip_within(struct canon_reader *reader, unsigned depth, struct slice *item)
    __attribute__((nonnull(1)));

/* True if `bytes` is exactly one well-formed item in its deterministic form. */
bool canon_check(struct slice bytes);

#endif
