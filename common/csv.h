/*
 * csv.h: RFC 4180 rows, written so that a spreadsheet reads them as text, and read as programs of
 * many kinds write them.
 * Any thread; no I/O.
 */
#ifndef BIBWEAVE_CSV_H
#define BIBWEAVE_CSV_H

#include "common/bytes.h"

/* Appends one row of `count` NUL-terminated fields, ended by CRLF. A field with a comma, quote or
 * line break is quoted; one that begins with = + - @, tab or CR gets an apostrophe in front, so
 * that no spreadsheet runs it as a formula (a hyphen that begins a bib label counts). */
void csv_row(struct buffer *out, const char *const *fields, size_t count) __attribute__((nonnull));

/* A text that is read row by row. A byte-order mark is stepped over; the separator is that of the
 * first line: comma, or semicolon or tab, as spreadsheets write in some countries. Lines end with
 * LF, CRLF or CR. */
struct csv_reader {
    struct slice rest; /* borrowed */
    char separator;
    uint64_t line; /* on which the next row begins, from 1 */
};
void csv_open(struct csv_reader *reader, struct slice file) __attribute__((nonnull));

enum csv_got {
    CSV_END,
    CSV_ROW,
    CSV_BROKEN, /* a quote where none may be, or one without its end; the row is stepped over */
    CSV_NO_MEMORY,
};
/* The next row: its fields without their quotes into fields[max], which borrow from *text (cleared
 * first); *count says how many there were, also beyond max; *line on which it began. An empty line
 * is a row of one empty field. */
enum csv_got csv_read(struct csv_reader *reader, struct buffer *text, struct slice *fields,
                      size_t max, size_t *count, uint64_t *line)
    __attribute__((nonnull, warn_unused_result));

#endif
