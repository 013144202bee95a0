/*
 * barcode.h: one barcode as dark and light modules, by libzint. Any thread; no I/O.
 *
 * Code 128 is ISO/IEC 15417, Code 39 ISO/IEC 16388 (without its optional check character, which
 * scanners would hand on as data), QR ISO/IEC 18004 with error correction M.
 */
#ifndef BIBWEAVE_BARCODE_H
#define BIBWEAVE_BARCODE_H

#include "common/bytes.h"
#include "common/error.h"

enum barcode_kind { BARCODE_KIND_128 = 1, BARCODE_KIND_39, BARCODE_KIND_QR };
enum { BARCODE_WIDTH_MAX = 400, BARCODE_ROWS_MAX = 64 };

struct barcode {
    int rows, width; /* modules, without quiet zones; one row for 128 and 39 */
    int quiet;       /* modules of white on the left and right, and for QR all round */
    bool dark[BARCODE_ROWS_MAX][BARCODE_WIDTH_MAX];
};

/* "128", "39" or "qr". Errors: ERR_USAGE. */
enum error_code barcode_kind_parse(const char *word, enum barcode_kind *kind, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Errors: ERR_FORM (a character that it cannot hold), ERR_LIMIT (too long), ERR_MEMORY. */
enum error_code barcode_make(enum barcode_kind kind, const char *text, struct barcode *barcode,
                             struct error *err) __attribute__((nonnull, warn_unused_result));

#endif
