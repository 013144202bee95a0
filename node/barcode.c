/*
 * barcode.c: see barcode.h.
 * Must never let the library change the text: what is read back is what was given.
 */
#include "node/barcode.h"

#include <string.h>
#include <zint.h>

static const struct {
    const char *word;
    int symbology, quiet;
} kinds[] = {
    [BARCODE_KIND_128] = {"128", BARCODE_CODE128, 10},
    [BARCODE_KIND_39] = {"39", BARCODE_CODE39, 10},
    [BARCODE_KIND_QR] = {"qr", BARCODE_QRCODE, 4},
};
enum { QR_CORRECTION_M = 2 };

enum error_code barcode_kind_parse(const char *word, enum barcode_kind *kind, struct error *err) {
    for (size_t i = BARCODE_KIND_128; i <= BARCODE_KIND_QR; i++) {
        if (strcmp(kinds[i].word, word) == 0) {
            *kind = (enum barcode_kind)i;
            return ERR_OK;
        }
    }
    error_set(err, ERR_USAGE, "--code %.40s", word);
    return error_say(err, "The kind of barcode is 128, 39 or qr.");
}

static enum error_code refused(int answer, const char *text, const char *why, struct error *err) {
    enum error_code code = answer == ZINT_ERROR_TOO_LONG       ? ERR_LIMIT
                           : answer == ZINT_ERROR_INVALID_DATA ? ERR_FORM
                                                               : ERR_MEMORY;
    error_set(err, code, "libzint, for \"%.40s\": %.120s", text, why);
    return code == ERR_MEMORY
               ? code
               : error_say(err,
                           "\"%.40s\" cannot be made a barcode of this kind. Choose another "
                           "--code.",
                           text);
}

enum error_code barcode_make(enum barcode_kind kind, const char *text, struct barcode *barcode,
                             struct error *err) {
    enum error_code code = ERR_OK;
    struct zint_symbol *symbol = ZBarcode_Create();
    memset(barcode, 0, sizeof(*barcode));
    if (symbol == NULL) {
        return error_set(err, ERR_MEMORY, "a barcode");
    }
    symbol->symbology = kinds[kind].symbology;
    symbol->option_1 = kind == BARCODE_KIND_QR ? QR_CORRECTION_M : symbol->option_1;
    int answer = ZBarcode_Encode(symbol, (const unsigned char *)text, (int)strlen(text));
    if (answer != 0) { /* warnings too: they are about text that was changed */
        code = refused(answer, text, symbol->errtxt, err);
    } else if (symbol->rows > BARCODE_ROWS_MAX || symbol->width > BARCODE_WIDTH_MAX ||
               symbol->rows < 1 || symbol->width < 1) {
        code = error_set(err, ERR_LIMIT, "%d rows of %d modules", symbol->rows, symbol->width);
    } else {
        barcode->rows = symbol->rows;
        barcode->width = symbol->width;
        barcode->quiet = kinds[kind].quiet;
        for (int row = 0; row < symbol->rows; row++) {
            for (int at = 0; at < symbol->width; at++) {
                barcode->dark[row][at] =
                    ((symbol->encoded_data[row][at / 8] >> (at % 8)) & 1U) != 0;
            }
        }
    }
    ZBarcode_Delete(symbol);
    return code;
}
