/*
 * proof.h: a stack as the records have it: which of its bibs can be looked at, and what the looks
 * at it have shown. One thread, the ledger's; reads only.
 */
#ifndef BIBWEAVE_PROOF_H
#define BIBWEAVE_PROOF_H

#include "common/pairs.h"
#include "common/sample.h"
#include "common/shift.h"

struct proof_bib {
    struct bib bib;
    uint64_t number;
    bool held;
    bool seen; /* looked at for this stack by somebody who knew of the chips that it has now */
    enum look_verdict verdict;
    struct record_id look;
    bool carries; /* OTHER: it carries another number, */
    uint64_t carried;
};
struct proof_stack {
    uint64_t first, last; /* in the order of work: last may lie below first */
    size_t count;
    struct proof_bib *bib; /* chipped and not on hold, in the order of work */
    size_t not_chipped, held;
    bool turned; /* `bib` is in falling order */
};

/* "1-700", or "700-1" for a stack that was worked downwards. Errors: ERR_USAGE, ERR_LIMIT (over
 * SAMPLE_STACK_MAX numbers). */
enum error_code proof_range(const char *typed, struct proof_stack *stack, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Fills a stack whose first and last are set; to be released in any case. Errors: ERR_NOT_FOUND
 * (none of its bibs is chipped), ERR_MEMORY, and the ledger's. */
enum error_code proof_load(struct ledger *ledger, struct proof_stack *stack, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void proof_release(struct proof_stack *stack) __attribute__((nonnull));

/* Fills in the looks at exactly this stack. One counts if its station held the records of all chips
 * that the bib has now: what was seen before a new chip was put on, or without knowing of it, says
 * nothing of it. Of several on one bib that counts which had seen the others, else the latest by
 * the clocks of those who looked. ERR_MEMORY, and the ledger's. */
enum error_code proof_looks(struct ledger *ledger, struct proof_stack *stack, struct error *err)
    __attribute__((nonnull, warn_unused_result));
struct sample_looks proof_sample(const struct proof_stack *stack) __attribute__((nonnull));
/* All bibs that were looked at, for shift_find: to be freed. NULL and 0 if none were, or (with
 * *failed) when there is no memory. */
struct shift_look *proof_shift_looks(const struct proof_stack *stack, size_t *count, bool *failed)
    __attribute__((nonnull));

#endif
