/*
 * carrying.h: what a carry report means for people and for programs. For the verbs that take
 * records from files.
 */
#ifndef BIBWEAVE_CARRYING_H
#define BIBWEAVE_CARRYING_H

#include <jansson.h>

#include "common/carry.h"

enum { CARRYING_SIZE_MAX = 1 << 30 }; /* bytes of a file of records */

/* Fills *err with the gravest thing that is wrong with a file: empty, no carry file, cut, damaged,
 * of another event (all class 2), of stations not let in, with gaps (class 1). ERR_OK if all of it
 * was taken or was here. */
enum error_code carrying_judge(const struct carry_report *report, uint64_t bytes, struct error *err)
    __attribute__((nonnull));
/* Puts the report's numbers into an object. */
void carrying_json(const struct carry_report *report, json_t *object) __attribute__((nonnull));

#endif
