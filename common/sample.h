/*
 * sample.h: how many of a stack must be looked at, and what a number of looks proves.
 *
 * Looks without putting back are hypergeometric: of N bibs with D wrong ones among them, n looked
 * at show k wrong ones with the chance C(D, k) C(N - D, n - k) / C(N, n). "With confidence C at
 * most D are wrong" means: were more than D wrong, so few wrong ones would have been seen with a
 * chance of at most 1 - C. That holds for bibs that were drawn at random, as sample_draw draws
 * them. Any thread; no I/O; no allocation.
 */
#ifndef BIBWEAVE_SAMPLE_H
#define BIBWEAVE_SAMPLE_H

#include "common/bytes.h"
#include "common/error.h"

#define SAMPLE_STACK_MAX UINT64_C(1000000)

/* A share or a confidence, exactly as it was typed: part of whole, 0 <= part <= whole <= 10^9. */
struct sample_share {
    uint64_t part;
    uint64_t whole; /* a power of ten */
};
/* "1%", "0.5 %", "0.01", "0,01", "100%". Errors: ERR_USAGE (not one, over 100 %, more than nine
 * digits behind the point, which a % moves by two), *share unchanged. */
enum error_code sample_share_parse(struct slice typed, struct sample_share *share,
                                   struct error *err) __attribute__((nonnull, warn_unused_result));
/* The most of `count` that are no more than that share. */
uint64_t sample_share_of(const struct sample_share *share, uint64_t count) __attribute__((nonnull));

/* Whether n looks of which k were wrong rule out, with the confidence, that as many as `wrong` of
 * `count` are wrong: the chance of at most k wrong ones among n is at most 1 - confidence.
 * All at most SAMPLE_STACK_MAX, wrong and n at most count, confidence.part above 0.
 *
 * Computed in long double, whose rounding is bounded; where the bound does not decide (as when both
 * are equal), in whole numbers. Exact in every case with k = 0, and wherever n or `wrong` is at
 * most 6000; beyond that a tie within one part in 10^12 counts as not ruled out. */
bool sample_rules_out(uint64_t count, uint64_t wrong, uint64_t n, uint64_t k,
                      const struct sample_share *confidence) __attribute__((nonnull));
/* The smallest n that rules out `wrong` of `count`, when all that are looked at are right. `wrong`
 * is at least 1. */
uint64_t sample_needed(uint64_t count, uint64_t wrong, const struct sample_share *confidence)
    __attribute__((nonnull));
/* The most of `count` that may be wrong, with the confidence, when k of n were. */
uint64_t sample_most_wrong(uint64_t count, uint64_t n, uint64_t k,
                           const struct sample_share *confidence) __attribute__((nonnull));
/* The confidence, from 0 to 1, with which n looks of which k were wrong rule out `wrong` of
 * `count`; never more than it is. */
double sample_confidence(uint64_t count, uint64_t wrong, uint64_t n, uint64_t k);

/* Looks at a stack, the last bib of which is looked at in any case, for a shift shows there. It is
 * not drawn: it counts for itself, and the others are a sample of the others. */
struct sample_looks {
    uint64_t count; /* bibs in the stack */
    uint64_t n, k;  /* looked at, and wrong among them; the last one included */
    bool last_seen, last_wrong;
};
/* How many looks, the last bib among them, rule out that `wrong` (at least 1) of the stack are
 * wrong, when all are right; whichever bibs those would be. */
uint64_t sample_stack_needed(uint64_t count, uint64_t wrong, const struct sample_share *confidence)
    __attribute__((nonnull));
/* As the functions without `stack`. */
bool sample_stack_rules_out(const struct sample_looks *looks, uint64_t wrong,
                            const struct sample_share *confidence) __attribute__((nonnull));
uint64_t sample_stack_most_wrong(const struct sample_looks *looks,
                                 const struct sample_share *confidence) __attribute__((nonnull));
double sample_stack_confidence(const struct sample_looks *looks, uint64_t wrong)
    __attribute__((nonnull));

/* Draws n of count (n <= count), each set of n as likely as any other: chosen[i] says whether i is
 * among them. The same seed draws the same on every machine: going up from i = 0, i is taken when
 * the next number below count - i is smaller than what is left to take; numbers come from ChaCha20
 * under the seed, 8 bytes each, little end first, those that would favour some are skipped. */
void sample_draw(uint64_t count, uint64_t n, const uint8_t seed[32], bool *chosen)
    __attribute__((nonnull));

#endif
