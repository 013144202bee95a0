/*
 * barcode_sheet.h: barcodes on paper: A4 pages of bib labels, and the card of answers, as PDF (many
 * pages) or SVG (one). By libcairo, with the fonts that the system has. One thread; no I/O but
 * that the font library reads its fonts.
 */
#ifndef BIBWEAVE_BARCODE_SHEET_H
#define BIBWEAVE_BARCODE_SHEET_H

#include "node/barcode.h"

enum barcode_paper { BARCODE_PDF = 1, BARCODE_SVG };
enum barcode_grid {
    BARCODE_LABELS = 0, /* 3 by 8 labels of 70 by 37 mm, as label paper is sold */
    BARCODE_CARD,       /* 2 by 7 fields, far apart, so that a scanner meets the one meant */
};
enum { BARCODE_LABELS_COUNT = 24, BARCODE_CARD_COUNT = 14 };

struct barcode_label {
    const char *code;  /* what a scanner reads; printed below it as it is */
    const char *words; /* one small line below that, or "" */
};

struct barcode_sheet;

/* A document that grows into *out, which must last as long. Errors: ERR_MEMORY. */
enum error_code barcode_sheet_new(enum barcode_paper paper, struct buffer *out,
                                  struct barcode_sheet **sheet, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* One page of at most as many labels as its grid has fields. Errors: barcode_make's, and ERR_LIMIT
 * for a barcode too wide for its field. */
enum error_code barcode_sheet_page(struct barcode_sheet *sheet, enum barcode_grid grid,
                                   enum barcode_kind kind, const struct barcode_label *labels,
                                   size_t count, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Ends the document and frees it, also on error. Errors: ERR_MEMORY. */
enum error_code barcode_sheet_finish(struct barcode_sheet *sheet, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Frees one that is not wanted; NULL is fine. */
void barcode_sheet_free(struct barcode_sheet *sheet);

#endif
