/*
 * csv.h: RFC 4180 rows, written so that a spreadsheet reads them as text.
 * Any thread; no I/O.
 */
#ifndef BIBWEAVE_CSV_H
#define BIBWEAVE_CSV_H

#include "common/bytes.h"

/* Appends one row of `count` NUL-terminated fields, ended by CRLF. A field with a comma, quote or
 * line break is quoted; one that begins with = + - @, tab or CR gets an apostrophe in front, so
 * that no spreadsheet runs it as a formula (a hyphen that begins a bib label counts). */
void csv_row(struct buffer *out, const char *const *fields, size_t count) __attribute__((nonnull));

#endif
