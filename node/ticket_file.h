/*
 * ticket_file.h: a ticket as a file: lines of text, for people and for `join`.
 *
 *   bibweave ticket 1
 *   for: Table 3, Kettle Hill Run, good until 2027-05-16 20:00     (for people)
 *   ticket: 8XK2P ...                                              (the text, in groups)
 *   lead: ADDR:PORT KEY                                            (further ways to a lead, KEY in
 * hex) It is a secret until it is used. Any thread; no I/O.
 */
#ifndef BIBWEAVE_TICKET_FILE_H
#define BIBWEAVE_TICKET_FILE_H

#include "common/ticket.h"
#include "node/enter.h"

/* The place that the ticket's own text names; false if it has no usable address. */
bool ticket_place(const struct ticket *ticket, struct enter_place *place) __attribute__((nonnull));
/* Puts an address into a ticket or a lead's code. False if it is none that can be called. */
bool ticket_set_address(struct ticket *ticket, const struct address *address)
    __attribute__((nonnull));

void ticket_file_put(const char *about, const char *text, const struct enter_place *places,
                     size_t count, struct buffer *out) __attribute__((nonnull(1, 2, 5)));
/* Reads a file, or the text alone. Its places are appended to `places` (at most `max` in all), the
 * ticket's own first. Errors: those of ticket_get; ERR_USAGE (a grant, a request). */
enum error_code ticket_file_get(struct slice bytes, struct ticket *ticket,
                                struct enter_place *places, size_t max, size_t *count,
                                struct error *err) __attribute__((nonnull, warn_unused_result));

#endif
