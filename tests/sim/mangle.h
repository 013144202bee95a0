/*
 * mangle.h: what a hostile or broken peer makes of a message: garbage, flipped bits, cut ends,
 * valid records in an order that they were never meant to have, and records that nobody may take.
 */
#ifndef BIBWEAVE_TESTS_SIM_MANGLE_H
#define BIBWEAVE_TESTS_SIM_MANGLE_H

#include "common/bytes.h"
#include "tests/sim/dice.h"

/* Spoils *bytes, sometimes; `poison` are whole records one after the other. Whether it did. */
bool mangle(struct dice *dice, const struct buffer *poison, struct buffer *bytes);

#endif
