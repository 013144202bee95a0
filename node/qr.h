/*
 * qr.h: a QR code (ISO/IEC 18004, by libqrencode) for a terminal and for SVG. Any thread; no I/O.
 */
#ifndef BIBWEAVE_QR_H
#define BIBWEAVE_QR_H

#include "common/bytes.h"
#include "common/error.h"

enum { QR_QUIET = 4 }; /* modules of white around the code, as the standard wants */

struct qr {
    int width;        /* modules, without the quiet zone */
    uint8_t *modules; /* width * width, row by row; 1: dark */
};

/* With error correction M. To be released. Errors: ERR_MEMORY, ERR_LIMIT (text too long). */
enum error_code qr_make(const char *text, struct qr *qr, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void qr_release(struct qr *qr) __attribute__((nonnull));
/* Two rows of modules in a line of half blocks, black on white whatever colours the terminal has.
 */
void qr_terminal(const struct qr *qr, struct buffer *out) __attribute__((nonnull));
/* An SVG path of the dark modules, `size` wide with the quiet zone, its corner at (x, y). */
void qr_svg(const struct qr *qr, double x, double y, double size, struct buffer *out)
    __attribute__((nonnull));

#endif
