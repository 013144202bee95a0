/*
 * ticket_make.h: what the verbs about tickets do alike: who may, where a lead is reached, and how a
 * ticket's end is written. For verb_ticket*.c alone.
 */
#ifndef BIBWEAVE_TICKET_MAKE_H
#define BIBWEAVE_TICKET_MAKE_H

#include "node/ticket_file.h"
#include "node/verb_parts.h"

enum { TICKET_WHEN_SIZE = 24 };

/* Whether this station is a lead's that may write; else the call has ended. */
bool ticket_may_make(struct verb_call *call) __attribute__((nonnull));
/* Where this lead is reached: --address, else what its admit says, else this machine's own
 * addresses; then the other leads. *own is how many are its own: at least 1.
 * Errors: ERR_USAGE (--address is none; or there is no address at all). */
enum error_code ticket_places(struct verb_call *call, const struct options *options,
                              struct enter_place places[ENTER_PLACES_MAX], size_t *count,
                              size_t *own, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* This lead's code, or another's: key and address as text. */
void ticket_code(const struct enter_place *place, char out[TICKET_TEXT_MAX + 1])
    __attribute__((nonnull));
/* "2027-05-16 20:00", local. */
void ticket_when(struct wall_ms when, char out[TICKET_WHEN_SIZE]) __attribute__((nonnull));

#endif
