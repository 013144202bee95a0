/*
 * heads.h: the logs of one station, as the ledger holds them.
 */
#ifndef BIBWEAVE_HEADS_H
#define BIBWEAVE_HEADS_H

#include "common/ledger.h"

/* The heads of all logs of `key`, in the order of ledger_heads, copied, because reading may come
 * between; free() it. NULL when memory runs out. */
struct ledger_head *heads_of(struct ledger *ledger, const struct sign_public *key, size_t *count)
    __attribute__((nonnull));
/* When a record was written by its author's clock, in ms; -1 if it cannot be read. */
int64_t heads_wall(struct ledger *ledger, const struct record_id *id) __attribute__((nonnull));

#endif
