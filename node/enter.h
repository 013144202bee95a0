/*
 * enter.h: the station's side of joining over the network: calls the leads, asks with the ticket's
 * secret until one answers, and then fetches the records that it needs to begin.
 *
 * Several leads, and several addresses of one, are called at the same time; one is asked at a time,
 * in the order in which they were given, so that a ticket is not used twice. A lead whose address
 * is not the one on the ticket any more is heard by its beacon. It blocks, for half a minute at
 * most. One thread, for a command.
 */
#ifndef BIBWEAVE_ENTER_H
#define BIBWEAVE_ENTER_H

#include "common/admission.h"
#include "node/address.h"

enum { ENTER_PLACES_MAX = 32 };

struct enter_place {
    struct address address;
    struct curve_public lead;
};
struct enter_config {
    struct station_keys keys;
    struct admission_ask ask; /* without `wall`; borrowed texts */
    size_t place_count;       /* at least 1; those that come first are asked first */
    struct enter_place place[ENTER_PLACES_MAX];
    uint16_t beacon_port; /* UDP; 0: leads are not listened for */
};
struct enter_granted {
    struct ledger_event event;
    struct record_id last;
    char name[RECORD_TEXT_MAX + 1];
    struct enter_place place; /* where it was granted */
};

struct enter;
/* Asks. Errors: ERR_NOT_ALLOWED (used, expired, cancelled, asked too often, put out), ERR_FOREIGN
 * (no ticket of this event; or another event's station is at the address), ERR_EXISTS (the name is
 * taken), ERR_SOCKET (nobody was reached, or nobody answered), ERR_MEMORY. *out is to be released
 * in any case. */
enum error_code enter_ask(const struct enter_config *config, struct enter **out,
                          struct enter_granted *granted, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* After a grant: fetches into `ledger`, which is of that event and may be empty, until it holds the
 * event, this station's admit and the grant's last record. Errors: ERR_SOCKET, and the ledger's. */
enum error_code enter_fetch(struct enter *enter, struct ledger *ledger,
                            const struct record_id *last, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void enter_free(struct enter *enter); /* NULL is fine */

#endif
