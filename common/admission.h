/*
 * admission.h: the two messages by which a station joins over the network: it asks a lead with the
 * secret of a ticket, and the lead answers. Their form is admission.cddl's.
 *
 * They travel on the same encrypted connections as the messages of sync.h, whose machine steps over
 * them: what they need is a transaction and no gossip. An ask is all that a lead hears of a key
 * that is not admitted, besides a hello. After a grant the records come by sync.
 * Reading borrows from the message. Any thread; no I/O.
 */
#ifndef BIBWEAVE_ADMISSION_H
#define BIBWEAVE_ADMISSION_H

#include "common/ledger.h"
#include "common/ticket.h"

enum { ADMISSION_SIZE_MAX = 4096 }; /* bytes of either message */

struct admission_ask {
    uint8_t secret[TICKET_SECRET_SIZE];
    struct sign_public key; /* the asker's; its CURVE key is the one of the connection */
    struct slice name;      /* "": the one on the ticket */
    size_t address_count;   /* where it will be reached */
    struct slice address[RECORD_ADDRESSES_MAX];
    struct wall_ms wall; /* the asker's clock; never negative */
};
/* Signed by the asker's key for this connection: `lead` and `asker` are its two CURVE keys. */
void admission_ask_put(const struct admission_ask *ask, const struct curve_public *lead,
                       const struct station_keys *asker, struct buffer *out)
    __attribute__((nonnull));
/* Errors: ERR_FORM, ERR_SIGNATURE, ERR_NOT_ALLOWED (keys that no station can have). */
enum error_code admission_ask_get(struct slice bytes, const struct curve_public *lead,
                                  const struct curve_public *asker, struct admission_ask *ask,
                                  struct error *err) __attribute__((nonnull, warn_unused_result));
/* Whether a message is an ask, or an answer, by its first bytes alone. */
bool admission_is_ask(struct slice bytes);
bool admission_is_answer(struct slice bytes);

enum admission_verdict {
    ADMISSION_GRANTED = 0,   /* event, root, last */
    ADMISSION_USED = 1,      /* by the station `name`, at `when` */
    ADMISSION_EXPIRED = 2,   /* at `when` */
    ADMISSION_CANCELLED = 3, /* at `when` */
    ADMISSION_UNKNOWN = 4,   /* no such ticket is known there; nothing else is said */
    ADMISSION_WAIT = 5,      /* too many tickets that were not right came from this address */
    ADMISSION_NAME = 6,      /* another station is called `name` */
    ADMISSION_NO_LEAD = 7,   /* the station that was asked lets nobody in (any more) */
    ADMISSION_RETIRED = 8,   /* the asker's key was put out of the event */
    ADMISSION_TROUBLE = 9,   /* the lead's machine could not do it: ask again */
};
struct admission_answer {
    enum admission_verdict verdict; /* one that is not known reads as TROUBLE */
    struct ledger_event event;
    struct record_id last; /* what is granted is known once this record is held */
    struct slice name;
    struct wall_ms when;
    struct wall_ms wall; /* the lead's clock; 0: not said */
};
void admission_answer_put(const struct admission_answer *answer, struct buffer *out)
    __attribute__((nonnull));
enum error_code admission_answer_get(struct slice bytes, struct admission_answer *answer,
                                     struct error *err)
    __attribute__((nonnull, warn_unused_result));

#endif
