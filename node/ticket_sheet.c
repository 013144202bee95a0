/*
 * ticket_sheet.c: see ticket_sheet.h.
 * Must never let a name or an event's name become markup.
 */
#include "node/ticket_sheet.h"

#include <stdio.h>
#include <string.h>

#include "node/qr.h"

/* In millimetres. */
enum {
    PAGE_WIDTH = 210,
    PAGE_HEIGHT = 297,
    MARGIN = 10,
    SLIP_WIDTH = 95,
    SLIP_HEIGHT = 65,
    CODE = 38,
    COLUMNS = 2,
    GROUPS_PER_LINE = 5,
};

/* XML 1.0: the five marks escaped, and control characters, which no document may hold, left out. */
static void put_escaped(const char *text, struct buffer *out) {
    for (const unsigned char *at = (const unsigned char *)text; *at != 0; at++) {
        switch (*at) {
        case '<':
            buffer_print(out, "&lt;");
            break;
        case '>':
            buffer_print(out, "&gt;");
            break;
        case '&':
            buffer_print(out, "&amp;");
            break;
        case '"':
            buffer_print(out, "&quot;");
            break;
        default:
            if (*at >= 0x20 && *at != 0x7F) {
                buffer_append(out, at, 1);
            }
            break;
        }
    }
}

static void put_text(double x, double y, double size, const char *style, const char *text,
                     struct buffer *out) {
    buffer_print(out, "<text x=\"%.2f\" y=\"%.2f\" font-size=\"%.2f\" %s>", x, y, size, style);
    put_escaped(text, out);
    buffer_print(out, "</text>\n");
}

static const char plain[] = "font-family=\"sans-serif\"";
static const char bold[] = "font-family=\"sans-serif\" font-weight=\"bold\"";
static const char even[] = "font-family=\"monospace\" xml:space=\"preserve\"";

/* "11  8XK2P ...": the number of the first group, so that "the 13th group" is found. */
static void put_groups(const char *text, double x, double y, struct buffer *out) {
    size_t groups = strlen(text) / TICKET_GROUP;
    for (size_t i = 0; i < groups; i += GROUPS_PER_LINE) {
        size_t line_number = i / GROUPS_PER_LINE;
        double line = y + 5.0 * (double)line_number;
        struct buffer words;
        buffer_init(&words);
        for (size_t j = i; j < groups && j < i + GROUPS_PER_LINE; j++) {
            buffer_print(&words, "%s%.*s", j == i ? "" : " ", TICKET_GROUP,
                         text + j * TICKET_GROUP);
        }
        buffer_append(&words, "", 1);
        char number[24];
        snprintf(number, sizeof(number), "%zu", i + 1);
        put_text(x, line, 2.6, plain, number, out);
        put_text(x + 5, line, 3.8, even, words.failed ? "" : (const char *)words.data, out);
        out->failed = out->failed || words.failed;
        buffer_release(&words);
    }
}

/* The size at which a line of words fits into `width`; letters are about 0.6 of it wide. */
static double fitting(const char *text, double width, double most) {
    size_t letters = 0;
    for (const char *at = text; *at != '\0'; at++) {
        letters += ((unsigned char)*at & 0xC0U) != 0x80U ? 1 : 0;
    }
    double size = width / (0.6 * (double)(letters + 1));
    return size < most ? size : most;
}

static enum error_code put_slip(const struct ticket_slip *slip, double x, double y,
                                struct buffer *out, struct error *err) {
    struct qr qr;
    enum error_code code = qr_make(slip->text, &qr, err);
    if (code != ERR_OK) {
        return code;
    }
    buffer_print(out,
                 "<rect x=\"%.2f\" y=\"%.2f\" width=\"%d\" height=\"%d\" fill=\"#fff\" "
                 "stroke=\"#999\" stroke-width=\"0.2\" stroke-dasharray=\"1 1\"/>\n",
                 x, y, SLIP_WIDTH, SLIP_HEIGHT);
    qr_svg(&qr, x + 1, y + 1, CODE, out);
    put_text(x + CODE + 2, y + 10, fitting(slip->name, SLIP_WIDTH - CODE - 4, 6), bold, slip->name,
             out);
    put_text(x + CODE + 2, y + 16, 2.6, plain, "On the laptop that joins:", out);
    put_text(x + CODE + 2, y + 20, 2.8, even, "bibweave join TICKET", out);
    put_text(x + CODE + 2, y + 25, 2.6, plain, "TICKET is what the code says,", out);
    put_text(x + CODE + 2, y + 28.5, 2.6, plain, "or these groups, in quotes.", out);
    put_text(x + CODE + 2, y + 33, 2.6, plain, "Good once. Keep it to yourself.", out);
    put_groups(slip->text, x + 4, y + CODE + 5, out);
    put_text(x + 4, y + SLIP_HEIGHT - 2, fitting(slip->about, SLIP_WIDTH - 6, 2.4), plain,
             slip->about, out);
    qr_release(&qr);
    return ERR_OK;
}

static void begin_page(double width, double height, struct buffer *out) {
    buffer_print(out,
                 "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n"
                 "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%gmm\" height=\"%gmm\" "
                 "viewBox=\"0 0 %g %g\">\n<rect width=\"%g\" height=\"%g\" fill=\"#fff\"/>\n",
                 width, height, width, height, width, height);
}

static enum error_code end_page(struct buffer *out, struct error *err) {
    buffer_print(out, "</svg>\n");
    return out->failed ? error_set(err, ERR_MEMORY, "a sheet of tickets") : ERR_OK;
}

/* Lines of small print, parted by '\n'. */
static void put_foot(const char *foot, struct buffer *out) {
    double y = PAGE_HEIGHT - MARGIN - 2;
    size_t lines = 1;
    for (const char *at = foot; *at != '\0'; at++) {
        lines += *at == '\n' ? 1 : 0;
    }
    for (size_t i = 0; i < lines; i++) {
        char line[200];
        size_t length = strcspn(foot, "\n");
        snprintf(line, sizeof(line), "%.*s", (int)length, foot);
        put_text(MARGIN, y - 3.4 * (double)(lines - 1 - i), 2.6, even, line, out);
        foot += length + (foot[length] == '\n' ? 1 : 0);
    }
}

enum error_code ticket_sheet_page(const struct ticket_slip *slips, size_t count, const char *foot,
                                  struct buffer *out, struct error *err) {
    enum error_code code = ERR_OK;
    begin_page(PAGE_WIDTH, PAGE_HEIGHT, out);
    for (size_t i = 0; code == ERR_OK && i < count && i < TICKET_SHEET_SIZE; i++) {
        double x = MARGIN + (double)(SLIP_WIDTH * (i % COLUMNS));
        size_t row = i / COLUMNS;
        double y = MARGIN + (double)(SLIP_HEIGHT * row);
        code = put_slip(&slips[i], x, y, out, err);
    }
    put_foot(foot, out);
    return code == ERR_OK ? end_page(out, err) : code;
}

enum error_code ticket_sheet_one(const struct ticket_slip *slip, struct buffer *out,
                                 struct error *err) {
    begin_page(SLIP_WIDTH, SLIP_HEIGHT, out);
    enum error_code code = put_slip(slip, 0, 0, out, err);
    return code == ERR_OK ? end_page(out, err) : code;
}
