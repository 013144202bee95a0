/* fleet_internal.h: what fleet.c and acts.c share. */
#ifndef BIBWEAVE_TESTS_SIM_FLEET_INTERNAL_H
#define BIBWEAVE_TESTS_SIM_FLEET_INTERNAL_H

#include "tests/sim/fleet.h"

void *fleet_must(void *memory);
/* Writes one record of `author` at station `at`, in a transaction of its own; releases the body. */
enum error_code fleet_append(struct fleet *fleet, size_t at, struct pairs_author *author,
                             enum record_kind kind, struct buffer *body, int64_t now,
                             struct record_id *id, struct error *err);

#endif
