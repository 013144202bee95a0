/*
 * fields.h: walks a CBOR map whose known keys are small unsigned integers, as payloads and bodies
 * are. Any thread; no I/O.
 */
#ifndef BIBWEAVE_FIELDS_H
#define BIBWEAVE_FIELDS_H

#include "common/canon.h"

/* Takes the value of `key`, which is next in *reader, into what the caller handed on; a key that
 * it does not know is stepped over with canon_skip. False when the value is not of its shape. */
typedef bool fields_take(struct canon_reader *reader, uint64_t key, void *into);

/* The bit of a key below 64 in a set of required keys. */
#define FIELDS_BIT(key) (UINT64_C(1) << (key))

/* Reads one map and hands each pair with an unsigned key to `take`; pairs with other keys are
 * stepped over. False (and *reader as it was) when it is no map, keys do not rise in bytewise
 * order, `take` says so, or one of the keys below 64 set in `required` is missing. */
bool fields_read(struct canon_reader *reader, uint64_t required, fields_take *take, void *into)
    __attribute__((nonnull));

/* The same, for a slice that must be one such map and nothing else. */
bool fields_read_all(struct slice map, uint64_t required, fields_take *take, void *into)
    __attribute__((nonnull));

#endif
