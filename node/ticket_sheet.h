/*
 * ticket_sheet.h: tickets on paper: SVG pages in A4, eight tickets on each, with name, QR code, and
 * the text in groups with their numbers. Any thread; no I/O.
 */
#ifndef BIBWEAVE_TICKET_SHEET_H
#define BIBWEAVE_TICKET_SHEET_H

#include "common/ticket.h"

enum { TICKET_SHEET_SIZE = 8 }; /* tickets on one page */

struct ticket_slip {
    const char *name;  /* of the station; big */
    const char *about; /* one line: event, bibs, until when */
    const char *text;  /* without blanks */
};

/* One page of at most TICKET_SHEET_SIZE slips. `foot` are lines at its bottom, or "".
 * Errors: ERR_MEMORY, ERR_LIMIT. */
enum error_code ticket_sheet_page(const struct ticket_slip *slips, size_t count, const char *foot,
                                  struct buffer *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* One slip alone, on a page of its own size. */
enum error_code ticket_sheet_one(const struct ticket_slip *slip, struct buffer *out,
                                 struct error *err) __attribute__((nonnull, warn_unused_result));

#endif
