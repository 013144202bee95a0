/*
 * fuzz.h: what the fuzz targets share: the two faces that libFuzzer knows, a reader over the input,
 * checks that end the process, and mutators that know CBOR.
 *
 * Each target is one file with LLVMFuzzerTestOneInput. Linked with libFuzzer it fuzzes; linked with
 * replay.c it runs the files that it is given, with any compiler. A target must give the same
 * verdict for the same bytes every time, and must never open a file or a socket that it did not
 * make.
 */
#ifndef BIBWEAVE_TESTS_FUZZ_H
#define BIBWEAVE_TESTS_FUZZ_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "common/bytes.h"

/* libFuzzer's names; see its documentation. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t size_max, unsigned seed);
size_t LLVMFuzzerMutate(uint8_t *data, size_t size, size_t size_max);

/* Ends the process with what was expected: a finding. */
#define FUZZ_CHECK(condition, ...)                                                                 \
    do {                                                                                           \
        if (!(condition)) {                                                                        \
            fuzz_fail(__FILE__, __LINE__, #condition, __VA_ARGS__);                                \
        }                                                                                          \
    } while (0)
void fuzz_fail(const char *file, int line, const char *condition, const char *format, ...)
    __attribute__((noreturn, format(printf, 4, 5)));

/* A cursor over the input; behind its end everything is zero or empty. */
struct fuzz_input {
    const uint8_t *at;
    size_t left;
};
uint8_t fuzz_u8(struct fuzz_input *input);
uint16_t fuzz_u16(struct fuzz_input *input); /* little-endian */
struct slice fuzz_take(struct fuzz_input *input, size_t size);
struct slice fuzz_rest(struct fuzz_input *input);

/* A stream of numbers from a seed, for mutators: never zero state, no global one. */
struct fuzz_chance {
    uint64_t state;
};
struct fuzz_chance fuzz_chance_of(unsigned seed);
uint32_t fuzz_below(struct fuzz_chance *chance, uint32_t bound); /* bound at least 1 */

/* Exchanges `size` bytes at `at` for `with`; at + size is at most the buffer's size. */
void fuzz_splice(struct buffer *buffer, size_t at, size_t size, struct slice with);
/* Copies to a mutator's space; returns the size, cut at size_max. */
size_t fuzz_hand_back(const struct buffer *from, uint8_t *data, size_t size_max);

/* Changes one item of the CBOR sequence in *buffer so that it mostly stays well-formed: another
 * value, another length, an element more or less, a copy of another item. Byte strings that hold
 * CBOR are changed inside. What is no CBOR is changed bytewise. */
void fuzz_mutate_cbor(struct buffer *buffer, struct fuzz_chance *chance);

/* Whether the bytes are one item in its one form (RFC 8949, 4.2.1), looked at without
 * common/canon.c: definite lengths, shortest heads, keys that rise. True also where there are more
 * items than are looked at; floats and UTF-8 are not. */
bool fuzz_cbor_is_canonical(struct slice bytes);

#endif
