/*
 * dice.h: the simulator's chance: SplitMix64 (Steele, Lea, Flood, OOPSLA 2014). One seed, one
 * history.
 */
#ifndef BIBWEAVE_TESTS_SIM_DICE_H
#define BIBWEAVE_TESTS_SIM_DICE_H

#include <stdbool.h>
#include <stdint.h>

struct dice {
    uint64_t state;
};

static inline uint64_t dice_roll(struct dice *dice) {
    uint64_t z = dice->state += 0x9e3779b97f4a7c15U;
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9U;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebU;
    return z ^ (z >> 31);
}

/* A number below `below`, which is at least 1. */
static inline uint64_t dice_below(struct dice *dice, uint64_t below) {
    return dice_roll(dice) % below;
}

/* True `percent` times in a hundred. */
static inline bool dice_percent(struct dice *dice, uint64_t percent) {
    return dice_below(dice, 100) < percent;
}

#endif
