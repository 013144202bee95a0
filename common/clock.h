/*
 * clock.h: version vectors over logs that may fork.
 *
 * A log is a tree of chains: each chain is an unbranched stretch of records, and a fork begins a
 * new chain at a position of its parent. A version vector is a set of heads (positions); a head
 * stands for itself and all its ancestors in its log. With unforked logs this is the usual vector
 * of numbers (Fidge 1988, Mattern 1989), in differential form on the wire (Singhal and
 * Kshemkalyani, 1992). Numbers alone are never compared across chains.
 * Any thread; no I/O; knows nothing of records.
 */
#ifndef BIBWEAVE_CLOCK_H
#define BIBWEAVE_CLOCK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CLOCK_NO_CHAIN UINT32_MAX

/* A record by where it stands: chain (index into the tree) and its number in the log. */
struct clock_position {
    uint32_t chain;
    uint64_t number; /* from 1 */
};

struct clock_chain {
    uint32_t log;                  /* which log; chains of one log share it */
    struct clock_position parent;  /* the fork point; chain CLOCK_NO_CHAIN for a log's first */
    struct clock_position follows; /* head of an earlier log whose clock this log goes on from;
                                      chain CLOCK_NO_CHAIN for none, or not held yet */
};

/* The known chains; index = chain. Grown by the ledger. */
struct clock_tree {
    size_t count;
    size_t capacity;
    struct clock_chain *chain;
};

/* Adds a chain and returns its index; CLOCK_NO_CHAIN when memory runs out. */
uint32_t clock_tree_add(struct clock_tree *tree, const struct clock_chain *chain)
    __attribute__((nonnull));
void clock_tree_release(struct clock_tree *tree) __attribute__((nonnull));

/* Whether `earlier` is `later` itself or one of its ancestors in the same log. */
bool clock_descends(const struct clock_tree *tree, struct clock_position later,
                    struct clock_position earlier) __attribute__((nonnull));

/* A set of heads, none an ancestor of another. Small: one head a log, plus forks. */
struct clock {
    size_t count;
    size_t capacity;
    struct clock_position *head;
};
void clock_init(struct clock *clock) __attribute__((nonnull));
void clock_release(struct clock *clock) __attribute__((nonnull));
/* Adds a head: it displaces its own ancestors and nothing else; no change if it is covered.
 * False when memory runs out (unchanged). */
bool clock_add(struct clock *clock, const struct clock_tree *tree, struct clock_position head)
    __attribute__((nonnull, warn_unused_result));
/* Whether some head of the clock is `position` or descends from it. */
bool clock_covers(const struct clock *clock, const struct clock_tree *tree,
                  struct clock_position position) __attribute__((nonnull));

enum clock_order { CLOCK_EQUAL, CLOCK_BEFORE, CLOCK_AFTER, CLOCK_CONCURRENT };
/* How two clocks stand to each other: BEFORE if all of a is covered by b and not the reverse. */
enum clock_order clock_compare(const struct clock *a, const struct clock *b,
                               const struct clock_tree *tree) __attribute__((nonnull));

#endif
