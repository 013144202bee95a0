/*
 * shift.h: where a stack went wrong by one, from looks at some of its bibs.
 *
 * When a bib or a chip slips past, each bib from there on carries its neighbour's chip, until the
 * end of the stack or until it is put right. This tells such a shift from single wrong bibs, and
 * says which bib to look at next until it is known where the shift begins and ends: by halves, so
 * that a thousand bibs take about a dozen looks. Any thread; no I/O; no allocation.
 */
#ifndef BIBWEAVE_SHIFT_H
#define BIBWEAVE_SHIFT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { SHIFT_RUNS_MAX = 16 };

enum shift_seen {
    SHIFT_RIGHT = 1,
    SHIFT_OTHER, /* it carries the chip of the bib at place + offset */
    SHIFT_ODD,   /* wrong in a way that says nothing of its neighbours: no chip, a stranger's */
};
struct shift_look {
    uint64_t place; /* in the stack, from 0 in the order of work */
    enum shift_seen seen;
    int64_t offset; /* SHIFT_OTHER: not 0; may lead out of the stack */
    bool alone;     /* filled in: it is wrong, and in no shift */
};

/* Bibs in a row that carry others' chips. */
struct shift_run {
    uint64_t first, last; /* places; what lies between is to be done again */
    int64_t offset;       /* at its beginning */
    bool mixed;           /* it changes on the way */
};
enum shift_why {
    SHIFT_NEIGHBOUR, /* is it one wrong bib, or are its neighbours wrong too? */
    SHIFT_BEGINNING, /* where does the shift begin? */
    SHIFT_END,       /* where does it end? */
};
struct shift_finding {
    bool has_next;
    uint64_t next; /* the place to look at now; nobody has yet */
    enum shift_why why;
    size_t run_count; /* shifts of which both ends are known */
    struct shift_run run[SHIFT_RUNS_MAX];
    bool more; /* there are more than SHIFT_RUNS_MAX */
};

/* `looks` in rising order of place, one for each place, all below `size`. Fills *finding and each
 * look's `alone`. */
void shift_find(struct shift_look *looks, size_t count, uint64_t size,
                struct shift_finding *finding) __attribute__((nonnull(4)));

#endif
