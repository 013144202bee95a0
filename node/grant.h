/*
 * grant.h: the two files by which a station is let in without a network.
 *
 * A request is one item of deterministic CBOR, signed by the key that asks, so that a damaged file
 * lets nobody wrong in:
 *   request = {1: "bibweave request", 2: 1, 3: signing key, 4: CURVE key, 5: name,
 *              6: [* address], 7: signature over the same map without 7}
 * A grant is a sequence: a head, then records as in a carry file:
 *   head = {1: "bibweave grant", 2: 1, 3: event id, 4: root key, 5: signing key let in}
 * Neither is secret. Any thread; no I/O.
 */
#ifndef BIBWEAVE_GRANT_H
#define BIBWEAVE_GRANT_H

#include "common/ledger.h"

/* Signs with `keys` and appends; *admit names them, the name and the addresses (role unused). */
void grant_request_put(const struct record_admit *admit, const struct sign_secret *secret,
                       struct buffer *out) __attribute__((nonnull));
/* Slices of *admit borrow from `bytes`. Errors: ERR_FORM, ERR_SIGNATURE, ERR_TOO_NEW, ERR_USAGE
 * (it is a grant, or a carry file). */
enum error_code grant_request_get(struct slice bytes, struct record_admit *admit, struct error *err)
    __attribute__((nonnull, warn_unused_result));

void grant_head_put(const struct ledger_event *event, const struct sign_public *station,
                    struct buffer *out) __attribute__((nonnull));
/* *records is what stands behind the head. The same errors, but for the signature. */
enum error_code grant_head_get(struct slice bytes, struct ledger_event *event,
                               struct sign_public *station, struct slice *records,
                               struct error *err) __attribute__((nonnull, warn_unused_result));

#endif
