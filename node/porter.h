/*
 * porter.h: on a lead's station: lets in who asks with a ticket.
 *
 * An ask is the message of a stranger: it is bounded in size and rate, a wrong one is answered with
 * one word at most, and who goes on trying waits. A right one is an admit (and an allot, where the
 * ticket has bibs) in one transaction; the same keys asking again get the same grant. One thread,
 * the ledger's; it waits for nothing but the disk.
 */
#ifndef BIBWEAVE_PORTER_H
#define BIBWEAVE_PORTER_H

#include "common/admission.h"
#include "node/station.h"

struct porter;
/* Errors: ERR_MEMORY. */
enum error_code porter_new(struct station *station, struct porter **out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void porter_free(struct porter *porter); /* NULL is fine */

/* Takes the ask of `asker` (its CURVE key), who called from `ip` (NULL: not known). True if *answer
 * (cleared first) is to be sent; false: nothing is said. What was admitted is on disk then, and
 * `station->appended` has risen. Never fails: what goes wrong here is logged, and answered. */
bool porter_take(struct porter *porter, const struct curve_public *asker, const char *ip,
                 struct slice ask, struct buffer *answer) __attribute__((nonnull(1, 2, 5)));

#endif
