/*
 * barcode_sheet.c: see barcode_sheet.h.
 * Must never scale a barcode to fit: a module is a whole number of a printer's dots, or its bars
 * come out uneven.
 */
#include "node/barcode_sheet.h"

#include <cairo-pdf.h>
#include <cairo-svg.h>
#include <math.h>
#include <stdlib.h>

/* Lengths are in millimetres. */
static const double page_width = 210, page_height = 297;
static const double points_per_mm = 72 / 25.4;
/* A dot of 300 dpi; at 600 and 1200 dpi it is a whole number of dots too. Three make 0.25 mm, about
 * the least that office printers and scanners both manage (common practice, no source). */
static const double dot = 25.4 / 300;
/* A QR code brings its own white above and below, into which bars would reach. */
static const double square_more = 5;
enum { DOTS_MIN = 3, DOTS_MAX = 6, QR_DOTS_MIN = 4, QR_DOTS_MAX = 8 };

/* Fields are as far from the page's edge as left and top say; `width` and `height` are of one
 * field, the others of what lies in it. */
static const struct grid {
    size_t columns, rows;
    double left, top, width, height;
    double code_width;  /* at most, with the quiet zones */
    double code_top;    /* from the field's upper edge */
    double code_height; /* of bars */
    double text_top;    /* base line of what the code says */
    double text_size;   /* at most */
    double words_top;
    double words_size;
} grids[] = {
    [BARCODE_LABELS] = {3, 8, 0, 0.5, 70, 37, 66, 5, 15, 28.5, 7.5, 32.5, 2.4},
    [BARCODE_CARD] = {2, 7, 10, 8.5, 95, 40, 78, 5.5, 15, 28, 5.5, 34, 4},
};

struct barcode_sheet {
    cairo_surface_t *surface;
    cairo_t *pen;
    struct buffer *out;
};

static cairo_status_t keep(void *context, const unsigned char *data, unsigned int size) {
    struct buffer *out = context;
    buffer_append(out, data, size);
    return out->failed ? CAIRO_STATUS_WRITE_ERROR : CAIRO_STATUS_SUCCESS;
}

enum error_code barcode_sheet_new(enum barcode_paper paper, struct buffer *out,
                                  struct barcode_sheet **sheet, struct error *err) {
    struct barcode_sheet *made = calloc(1, sizeof(*made));
    *sheet = NULL;
    if (made == NULL) {
        return error_set(err, ERR_MEMORY, "a sheet of barcodes");
    }
    made->out = out;
    if (paper == BARCODE_PDF) {
        made->surface = cairo_pdf_surface_create_for_stream(keep, out, page_width * points_per_mm,
                                                            page_height * points_per_mm);
    } else {
        made->surface = cairo_svg_surface_create_for_stream(keep, out, page_width, page_height);
        cairo_svg_surface_set_document_unit(made->surface, CAIRO_SVG_UNIT_MM);
    }
    made->pen = cairo_create(made->surface);
    if (paper == BARCODE_PDF) {
        cairo_scale(made->pen, points_per_mm, points_per_mm);
    }
    cairo_font_options_t *options = cairo_font_options_create();
    cairo_font_options_set_hint_style(options, CAIRO_HINT_STYLE_NONE);
    cairo_font_options_set_hint_metrics(options, CAIRO_HINT_METRICS_OFF);
    cairo_set_font_options(made->pen, options);
    cairo_font_options_destroy(options);
    *sheet = made;
    return ERR_OK;
}

void barcode_sheet_free(struct barcode_sheet *sheet) {
    if (sheet != NULL) {
        cairo_destroy(sheet->pen);
        cairo_surface_destroy(sheet->surface);
        free(sheet);
    }
}

enum error_code barcode_sheet_finish(struct barcode_sheet *sheet, struct error *err) {
    cairo_status_t status = cairo_status(sheet->pen);
    cairo_surface_finish(sheet->surface);
    status = status == CAIRO_STATUS_SUCCESS ? cairo_surface_status(sheet->surface) : status;
    barcode_sheet_free(sheet);
    return status == CAIRO_STATUS_SUCCESS
               ? ERR_OK
               : error_set(err, ERR_MEMORY, "libcairo: %s", cairo_status_to_string(status));
}

/* A line of words around `middle`, smaller where it would be wider than `width`. */
static void put_words(cairo_t *pen, const char *words, bool bold, double middle, double base,
                      double size, double width) {
    cairo_text_extents_t extents;
    cairo_select_font_face(pen, "sans-serif", CAIRO_FONT_SLANT_NORMAL,
                           bold ? CAIRO_FONT_WEIGHT_BOLD : CAIRO_FONT_WEIGHT_NORMAL);
    cairo_set_font_size(pen, size);
    cairo_text_extents(pen, words, &extents);
    if (extents.x_advance > width) {
        cairo_set_font_size(pen, size * width / extents.x_advance);
        cairo_text_extents(pen, words, &extents);
    }
    cairo_move_to(pen, middle - extents.x_advance / 2, base);
    cairo_show_text(pen, words);
}

/* Dots of a module: as many as fit, in bounds; 0 if the least do not. */
static int dots_for(const struct barcode *barcode, const struct grid *grid) {
    bool square = barcode->rows > 1;
    double room = square ? grid->code_height + square_more : grid->code_width;
    int most = square ? QR_DOTS_MAX : DOTS_MAX;
    int least = square ? QR_DOTS_MIN : DOTS_MIN;
    int fit = (int)floor(room / (dot * (barcode->width + 2 * barcode->quiet)));
    return fit < least ? 0 : fit > most ? most : fit;
}

/* Each run of dark modules is one rectangle: side by side they would show seams. */
static void put_modules(cairo_t *pen, const struct barcode *barcode, double x, double y,
                        double module, double height) {
    for (int row = 0; row < barcode->rows; row++) {
        for (int at = 0; at < barcode->width; at++) {
            int from = at;
            while (at < barcode->width && barcode->dark[row][at]) {
                at++;
            }
            if (at > from) {
                cairo_rectangle(pen, x + from * module, y + row * height, (at - from) * module,
                                height);
            }
        }
    }
    cairo_fill(pen);
}

static enum error_code put_code(cairo_t *pen, const struct grid *grid, enum barcode_kind kind,
                                const char *text, double x, double y, struct error *err) {
    struct barcode barcode;
    enum error_code code = barcode_make(kind, text, &barcode, err);
    if (code != ERR_OK) {
        return code;
    }
    int dots = dots_for(&barcode, grid);
    if (dots == 0) {
        error_set(err, ERR_LIMIT, "%d modules for \"%.40s\"", barcode.width, text);
        return error_say(err,
                         "\"%.40s\" is too long for a label in this kind of barcode. Choose "
                         "--code 128 or qr.",
                         text);
    }
    double module = dots * dot;
    bool square = barcode.rows > 1;
    double left = x + (grid->width - barcode.width * module) / 2;
    double top = square ? y + grid->code_top + (grid->code_height - barcode.rows * module) / 2
                        : y + grid->code_top;
    left = round(left / dot) * dot;
    top = round(top / dot) * dot;
    put_modules(pen, &barcode, left, top, module, square ? module : grid->code_height);
    return ERR_OK;
}

/* Thin grey lines between fields, for scissors; they keep out of every quiet zone. */
static void put_lines(cairo_t *pen, const struct grid *grid) {
    double right = grid->left + (double)grid->columns * grid->width;
    double bottom = grid->top + (double)grid->rows * grid->height;
    for (size_t i = 0; i <= grid->rows; i++) {
        double y = grid->top + (double)i * grid->height;
        cairo_move_to(pen, grid->left, y);
        cairo_line_to(pen, right, y);
    }
    for (size_t i = 0; i <= grid->columns; i++) {
        double x = grid->left + (double)i * grid->width;
        cairo_move_to(pen, x, grid->top);
        cairo_line_to(pen, x, bottom);
    }
    cairo_set_source_rgb(pen, 0.8, 0.8, 0.8);
    cairo_set_line_width(pen, 0.1);
    cairo_stroke(pen);
}

enum error_code barcode_sheet_page(struct barcode_sheet *sheet, enum barcode_grid which,
                                   enum barcode_kind kind, const struct barcode_label *labels,
                                   size_t count, struct error *err) {
    const struct grid *grid = &grids[which];
    cairo_t *pen = sheet->pen;
    INVARIANT(count <= grid->columns * grid->rows);
    cairo_set_source_rgb(pen, 1, 1, 1);
    cairo_paint(pen);
    put_lines(pen, grid);
    cairo_set_source_rgb(pen, 0, 0, 0);
    for (size_t i = 0; i < count; i++) {
        double x = grid->left + (double)(i % grid->columns) * grid->width;
        double y = grid->top + (double)(i / grid->columns) * grid->height;
        double middle = x + grid->width / 2, width = grid->width - 10;
        enum error_code code = put_code(pen, grid, kind, labels[i].code, x, y, err);
        if (code != ERR_OK) {
            return code;
        }
        put_words(pen, labels[i].code, true, middle, y + grid->text_top, grid->text_size, width);
        put_words(pen, labels[i].words, false, middle, y + grid->words_top, grid->words_size,
                  width);
    }
    cairo_show_page(pen);
    return sheet->out->failed || cairo_status(pen) != CAIRO_STATUS_SUCCESS
               ? error_set(err, ERR_MEMORY, "libcairo: %s",
                           cairo_status_to_string(cairo_status(pen)))
               : ERR_OK;
}
