/*
 * behind.h: whether others may know more than this station does. One thread, the ledger's.
 */
#ifndef BIBWEAVE_BEHIND_H
#define BIBWEAVE_BEHIND_H

#include "common/sync.h"

/* Whether there are other stations that may issue, and so may know of bibs; changes with
 * pairs_standing_epoch. Errors: the ledger's. */
enum error_code behind_others(struct ledger *ledger, const struct sign_public *self, bool *others,
                              struct error *err) __attribute__((nonnull, warn_unused_result));

/* Whether none of the others is heard, or one that is known holds more. `peers`: all that the sync
 * machine knows, none where nothing runs. */
bool behind_peers(const struct sync_peer *peers, size_t count);

#endif
