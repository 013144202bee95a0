/*
 * from_hex.h: hex text to bytes, for tests that quote published values.
 */
#ifndef BIBWEAVE_TESTS_FROM_HEX_H
#define BIBWEAVE_TESTS_FROM_HEX_H

#include <stdlib.h>
#include <string.h>

#include "common/bytes.h"

/* The bytes of `hex`, borrowed from `space`. A value mistyped in a test ends the test program. */
static inline struct slice from_hex(const char *hex, uint8_t *space, size_t space_size) {
    size_t length = strlen(hex);
    if (length / 2 > space_size || !hex_decode(hex, length, space, length / 2)) {
        abort();
    }
    return slice_of(space, length / 2);
}

#endif
