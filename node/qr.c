/*
 * qr.c: see qr.h.
 */
#include "node/qr.h"

#include <errno.h>
#include <qrencode.h>
#include <stdlib.h>
#include <string.h>

enum error_code qr_make(const char *text, struct qr *qr, struct error *err) {
    *qr = (struct qr){0};
    QRcode *code = QRcode_encodeString(text, 0, QR_ECLEVEL_M, QR_MODE_8, 1);
    if (code == NULL) {
        return errno == ERANGE
                   ? error_set(err, ERR_LIMIT, "a QR code of %zu characters", strlen(text))
                   : error_set(err, ERR_MEMORY, "QR code");
    }
    size_t count = (size_t)code->width * (size_t)code->width;
    qr->modules = malloc(count);
    if (qr->modules != NULL) {
        qr->width = code->width;
        for (size_t i = 0; i < count; i++) {
            qr->modules[i] = code->data[i] & 1U;
        }
    }
    QRcode_free(code);
    return qr->modules != NULL ? ERR_OK : error_set(err, ERR_MEMORY, "QR code");
}

void qr_release(struct qr *qr) {
    free(qr->modules);
    *qr = (struct qr){0};
}

static bool is_dark(const struct qr *qr, int row, int column) {
    return row >= 0 && column >= 0 && row < qr->width && column < qr->width &&
           qr->modules[row * qr->width + column] != 0;
}

void qr_terminal(const struct qr *qr, struct buffer *out) {
    /* Colours of the fixed cube (16 black, 231 white), which no theme of a terminal changes. */
    static const char colours[] = "\x1b[38;5;16;48;5;231m";
    static const char *const block[] = {" ", "\xE2\x96\x80", "\xE2\x96\x84", "\xE2\x96\x88"};
    for (int row = -QR_QUIET; row < qr->width + QR_QUIET; row += 2) {
        buffer_print(out, "%s", colours);
        for (int column = -QR_QUIET; column < qr->width + QR_QUIET; column++) {
            buffer_print(
                out, "%s",
                block[(is_dark(qr, row, column) ? 1 : 0) + (is_dark(qr, row + 1, column) ? 2 : 0)]);
        }
        buffer_print(out, "\x1b[0m\n");
    }
}

void qr_svg(const struct qr *qr, double x, double y, double size, struct buffer *out) {
    double module = size / (qr->width + 2 * QR_QUIET);
    buffer_print(out,
                 "<g transform=\"translate(%.3f %.3f) scale(%.5f)\" shape-rendering=\"crispEdges\">"
                 "<path fill=\"#000\" d=\"",
                 x + module * QR_QUIET, y + module * QR_QUIET, module);
    for (int row = 0; row < qr->width; row++) {
        for (int column = 0; column < qr->width;) {
            int run = 0;
            while (is_dark(qr, row, column + run)) {
                run++;
            }
            if (run > 0) {
                buffer_print(out, "M%d %dh%dv1h-%dz", column, row, run, run);
            }
            column += run + 1;
        }
    }
    buffer_print(out, "\"/></g>\n");
}
