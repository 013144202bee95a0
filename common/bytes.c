/*
 * bytes.c: slices, the growable buffer, hex, UTF-8, and the text of a wall time.
 * Must never read a clock: times are handed in.
 */
#include "common/bytes.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void buffer_init(struct buffer *buffer) {
    *buffer = (struct buffer){0};
}

void buffer_release(struct buffer *buffer) {
    free(buffer->data);
    buffer_init(buffer);
}

void buffer_clear(struct buffer *buffer) {
    buffer->size = 0;
}

bool buffer_reserve(struct buffer *buffer, size_t extra) {
    if (buffer->failed) {
        return false;
    }
    if (extra <= buffer->capacity - buffer->size) {
        return true;
    }
    if (extra > SIZE_MAX / 2 - buffer->size) {
        buffer->failed = true;
        return false;
    }
    size_t capacity = buffer->capacity < 64 ? 64 : buffer->capacity;
    while (capacity - buffer->size < extra) {
        capacity *= 2;
    }
    uint8_t *data = realloc(buffer->data, capacity);
    if (data == NULL) {
        buffer->failed = true;
        return false;
    }
    buffer->data = data;
    buffer->capacity = capacity;
    return true;
}

void buffer_append(struct buffer *buffer, const void *data, size_t size) {
    if (size > 0 && buffer_reserve(buffer, size)) {
        memcpy(buffer->data + buffer->size, data, size);
        buffer->size += size;
    }
}

void buffer_append_slice(struct buffer *buffer, struct slice slice) {
    buffer_append(buffer, slice.data, slice.size);
}

void buffer_print(struct buffer *buffer, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    int length = vsnprintf(NULL, 0, format, arguments);
    va_end(arguments);
    if (length < 0) {
        buffer->failed = true;
        return;
    }
    /* One byte more, because vsnprintf ends with a NUL that is not kept. */
    if (!buffer_reserve(buffer, (size_t)length + 1)) {
        return;
    }
    va_start(arguments, format);
    vsnprintf((char *)buffer->data + buffer->size, (size_t)length + 1, format, arguments);
    va_end(arguments);
    buffer->size += (size_t)length;
}

void buffer_drop(struct buffer *buffer, size_t count) {
    if (count >= buffer->size) {
        buffer->size = 0;
        return;
    }
    if (count > 0) {
        memmove(buffer->data, buffer->data + count, buffer->size - count);
        buffer->size -= count;
    }
}

struct slice buffer_slice(const struct buffer *buffer) {
    return slice_of(buffer->data, buffer->size);
}

struct slice slice_of(const void *data, size_t size) {
    return (struct slice){.data = data, .size = size};
}

struct slice slice_text(const char *text) {
    return slice_of(text, strlen(text));
}

bool slice_equal(struct slice a, struct slice b) {
    return a.size == b.size && (a.size == 0 || memcmp(a.data, b.data, a.size) == 0);
}

static bool is_blank(uint8_t c) {
    return c == ' ' || c == '\t' || c == '\r' || c == '\n';
}

struct slice slice_trimmed(struct slice text) {
    while (text.size > 0 && is_blank(text.data[0])) {
        text = slice_of(text.data + 1, text.size - 1);
    }
    while (text.size > 0 && is_blank(text.data[text.size - 1])) {
        text.size--;
    }
    return text;
}

int slice_compare(struct slice a, struct slice b) {
    size_t common = a.size < b.size ? a.size : b.size;
    int order = common == 0 ? 0 : memcmp(a.data, b.data, common);
    if (order != 0) {
        return order;
    }
    return (a.size > b.size) - (a.size < b.size);
}

void hex_encode(const uint8_t *data, size_t size, char *out) {
    static const char digits[] = "0123456789abcdef";
    for (size_t i = 0; i < size; i++) {
        out[2 * i] = digits[data[i] >> 4];
        out[2 * i + 1] = digits[data[i] & 15];
    }
    out[2 * size] = '\0';
}

/* The value of a hex digit, or 16. */
static uint8_t hex_digit(char digit) {
    if (digit >= '0' && digit <= '9') {
        return (uint8_t)(digit - '0');
    }
    if (digit >= 'a' && digit <= 'f') {
        return (uint8_t)(digit - 'a' + 10);
    }
    if (digit >= 'A' && digit <= 'F') {
        return (uint8_t)(digit - 'A' + 10);
    }
    return 16;
}

bool hex_decode(const char *text, size_t length, uint8_t *out, size_t size) {
    if (length % 2 != 0 || length / 2 != size) {
        return false;
    }
    for (size_t i = 0; i < size; i++) {
        uint8_t high = hex_digit(text[2 * i]);
        uint8_t low = hex_digit(text[2 * i + 1]);
        if (high > 15 || low > 15) {
            return false;
        }
        out[i] = (uint8_t)(high << 4 | low);
    }
    return true;
}

/* Days are counted in years that begin in March, so that the leap day is a year's last; an era is
 * the 400 years after which the calendar repeats. The C library's calendar needs time.h, which the
 * core does without. */
void wall_text(struct wall_ms when, char out[21]) {
    const int64_t first = -62167219200;
    const int64_t last = 253402300799;
    const int64_t day_seconds = 86400;
    const int64_t epoch_days = 719468; /* 0000-03-01 to 1970-01-01 */
    int64_t seconds = when.ms / 1000 - (when.ms % 1000 < 0 ? 1 : 0);
    seconds = seconds < first ? first : seconds > last ? last : seconds;
    /* One era more keeps all of year 0 positive. */
    int64_t days = (seconds - first) / day_seconds + first / day_seconds + epoch_days + 146097;
    unsigned clock = (unsigned)((seconds - first) % day_seconds);
    int64_t era = days / 146097;
    int64_t day = days % 146097;
    int64_t year = (day - day / 1460 + day / 36524 - day / 146096) / 365;
    int64_t of_year = day - (365 * year + year / 4 - year / 100);
    int64_t month = (5 * of_year + 2) / 153;
    unsigned of_month = (unsigned)(of_year - (153 * month + 2) / 5 + 1);
    year += (era - 1) * 400 + (month >= 10 ? 1 : 0);
    unsigned calendar_month = (unsigned)(month < 10 ? month + 3 : month - 9);
    char text[64];
    snprintf(text, sizeof(text), "%04u-%02u-%02uT%02u:%02u:%02uZ", (unsigned)year, calendar_month,
             of_month, clock / 3600, clock / 60 % 60, clock % 60);
    memcpy(out, text, 20);
    out[20] = '\0';
}

/* How many bytes the sequence takes that begins with `lead`, and the bounds of its second byte,
 * which rule out overlong forms, surrogates and what lies above U+10FFFF (RFC 3629, section 4). */
static size_t utf8_sequence(uint8_t lead, uint8_t *low, uint8_t *high) {
    *low = lead == 0xE0 ? 0xA0 : lead == 0xF0 ? 0x90 : 0x80;
    *high = lead == 0xED ? 0x9F : lead == 0xF4 ? 0x8F : 0xBF;
    if (lead < 0x80) {
        return 1;
    }
    if (lead < 0xC2 || lead > 0xF4) {
        return 0;
    }
    return lead < 0xE0 ? 2 : lead < 0xF0 ? 3 : 4;
}

bool utf8_valid(struct slice text) {
    size_t i = 0;
    while (i < text.size) {
        uint8_t low;
        uint8_t high;
        size_t length = utf8_sequence(text.data[i], &low, &high);
        if (length == 0 || length > text.size - i) {
            return false;
        }
        if (length > 1 && (text.data[i + 1] < low || text.data[i + 1] > high)) {
            return false;
        }
        for (size_t k = 2; k < length; k++) {
            if ((text.data[i + k] & 0xC0) != 0x80) {
                return false;
            }
        }
        i += length;
    }
    return true;
}
