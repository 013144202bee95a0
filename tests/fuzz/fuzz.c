/* fuzz.c: see fuzz.h. */
#include "tests/fuzz/fuzz.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void fuzz_fail(const char *file, int line, const char *condition, const char *format, ...) {
    va_list arguments;
    fprintf(stderr, "finding at %s:%d: not (%s): ", file, line, condition);
    va_start(arguments, format);
    vfprintf(stderr, format, arguments);
    va_end(arguments);
    fputc('\n', stderr);
    abort();
}

/* ---- input ---- */

struct slice fuzz_take(struct fuzz_input *input, size_t size) {
    size_t taken = size < input->left ? size : input->left;
    struct slice slice = slice_of(input->at, taken);
    if (taken > 0) {
        input->at += taken;
        input->left -= taken;
    }
    return slice;
}

struct slice fuzz_rest(struct fuzz_input *input) {
    return fuzz_take(input, input->left);
}

uint8_t fuzz_u8(struct fuzz_input *input) {
    struct slice byte = fuzz_take(input, 1);
    return byte.size == 1 ? byte.data[0] : 0;
}

uint16_t fuzz_u16(struct fuzz_input *input) {
    uint8_t low = fuzz_u8(input);
    return (uint16_t)(low | fuzz_u8(input) << 8);
}

/* ---- chance: xorshift64* (Vigna 2016, from memory); any stream would do ---- */

struct fuzz_chance fuzz_chance_of(unsigned seed) {
    return (struct fuzz_chance){.state = ((uint64_t)seed << 17) ^ 0x9E3779B97F4A7C15};
}

uint32_t fuzz_below(struct fuzz_chance *chance, uint32_t bound) {
    uint64_t x = chance->state;
    x ^= x >> 12;
    x ^= x << 25;
    x ^= x >> 27;
    chance->state = x;
    return (uint32_t)((x * 0x2545F4914F6CDD1D) >> 32) % bound;
}

/* ---- buffers ---- */

void fuzz_splice(struct buffer *buffer, size_t at, size_t size, struct slice with) {
    struct buffer tail;
    buffer_init(&tail);
    buffer_append(&tail, buffer->data + at + size, buffer->size - at - size);
    buffer->size = at;
    buffer_append_slice(buffer, with);
    buffer_append_slice(buffer, buffer_slice(&tail));
    FUZZ_CHECK(!buffer->failed && !tail.failed, "out of memory in a mutator");
    buffer_release(&tail);
}

size_t fuzz_hand_back(const struct buffer *from, uint8_t *data, size_t size_max) {
    size_t size = from->size < size_max ? from->size : size_max;
    if (size > 0) {
        memcpy(data, from->data, size);
    }
    return size;
}
