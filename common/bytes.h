/*
 * bytes.h: borrowed slices, one growable buffer, hexadecimal text, and the two kinds of time.
 * Any thread; no I/O.
 */
#ifndef BIBWEAVE_BYTES_H
#define BIBWEAVE_BYTES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Bytes that somebody else owns. A function that takes a slice copies what it keeps. */
struct slice {
    const uint8_t *data; /* may be NULL when size is 0 */
    size_t size;
};

/* Monotonic milliseconds drive timers; wall milliseconds since 1970-01-01T00:00:00Z are shown to
 * people. Two types, so that the compiler refuses a mix-up. Neither orders records. */
struct mono_ms {
    int64_t ms;
};
struct wall_ms {
    int64_t ms;
};

/* A buffer that grows. When memory runs out `failed` is set and stays set, further appends do
 * nothing, and `size` stops at the last whole append: check once, at the end. */
struct buffer {
    uint8_t *data;
    size_t size;
    size_t capacity;
    bool failed;
};

void buffer_init(struct buffer *buffer) __attribute__((nonnull));    /* empty, owns nothing */
void buffer_release(struct buffer *buffer) __attribute__((nonnull)); /* frees; as after init */
void buffer_clear(struct buffer *buffer) __attribute__((nonnull));   /* size 0, keeps memory */
void buffer_append(struct buffer *buffer, const void *data, size_t size)
    __attribute__((nonnull(1)));
void buffer_append_slice(struct buffer *buffer, struct slice slice) __attribute__((nonnull));
/* printf into the buffer, without a terminating NUL. */
void buffer_print(struct buffer *buffer, const char *format, ...)
    __attribute__((nonnull, format(printf, 2, 3)));
/* Removes `count` bytes from the front; count is at most size. */
void buffer_drop(struct buffer *buffer, size_t count) __attribute__((nonnull));
/* Room for `extra` more bytes behind size; false (and failed set) when there is no memory. */
bool buffer_reserve(struct buffer *buffer, size_t extra) __attribute__((nonnull));
/* The contents, borrowed until the next change of the buffer. */
struct slice buffer_slice(const struct buffer *buffer) __attribute__((nonnull));

struct slice slice_of(const void *data, size_t size);
struct slice slice_text(const char *text) __attribute__((nonnull)); /* without the NUL */
bool slice_equal(struct slice a, struct slice b);
/* Without the blanks (space, tab, CR, LF) around it, as people and scanners leave them. */
struct slice slice_trimmed(struct slice text);
/* Bytewise order, shorter first among equals: <0, 0, >0. */
int slice_compare(struct slice a, struct slice b);

/* Lower-case hex of `size` bytes and a NUL; `out` has room for 2 * size + 1. */
void hex_encode(const uint8_t *data, size_t size, char *out) __attribute__((nonnull));
/* Reads exactly 2 * size hex digits (either case) from `text` of `length` characters.
 * False, and `out` undefined, on anything else. */
bool hex_decode(const char *text, size_t length, uint8_t *out, size_t size)
    __attribute__((nonnull));

/* "2026-05-16T09:12:03Z" (RFC 3339, UTC, whole seconds) and a NUL into out[21]; a time outside
 * the years 0000-9999 becomes the nearest of its ends. */
void wall_text(struct wall_ms when, char out[21]) __attribute__((nonnull));

/* True if the bytes are well-formed UTF-8 (RFC 3629: no surrogates, no overlong forms). */
bool utf8_valid(struct slice text);

#endif
