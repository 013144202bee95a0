/*
 * ticket_bibs.h: which bib numbers of the event nobody has yet, for tickets that bring numbers
 * along.
 */
#ifndef BIBWEAVE_TICKET_BIBS_H
#define BIBWEAVE_TICKET_BIBS_H

#include "common/pairs.h"

struct ticket_bibs;
/* The event's numbers without those of late entries, those that are allotted, and those of tickets
 * that are still open at `now`. Errors: ERR_DAMAGED (no event), ERR_LIMIT, ERR_MEMORY. */
enum error_code ticket_bibs_new(struct ledger *ledger, struct wall_ms now, struct ticket_bibs **out,
                                struct error *err) __attribute__((nonnull, warn_unused_result));
void ticket_bibs_free(struct ticket_bibs *bibs); /* NULL is fine */
/* Takes the `count` lowest that are left. ERR_BIB when there are not so many. */
enum error_code ticket_bibs_take(struct ticket_bibs *bibs, uint64_t count, struct bib_ranges *out,
                                 struct error *err) __attribute__((nonnull, warn_unused_result));

#endif
