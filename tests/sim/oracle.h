/*
 * oracle.h: what the records of one station mean, worked out the slow and plain way.
 *
 * Written from section 4 of the design alone: it decodes records and then compares everything with
 * everything. It must share no code with ledger*.c and pairs*.c, which it checks.
 */
#ifndef BIBWEAVE_TESTS_SIM_ORACLE_H
#define BIBWEAVE_TESTS_SIM_ORACLE_H

#include "common/record.h"

enum oracle_state { ORACLE_UNISSUED, ORACLE_ISSUED, ORACLE_DOUBLED, ORACLE_EMPTIED };
enum oracle_cause { ORACLE_NONE, ORACLE_REPEAT, ORACLE_KNOWING, ORACLE_UNAWARE };

struct oracle_bib {
    struct bib bib;
    enum oracle_state state;
    enum oracle_cause cause; /* the gravest */
    bool doubt, crossed;
    size_t live;
};

/* A bib that a counted hold names, and the one that stands. */
struct oracle_hold {
    struct bib bib;
    enum hold_how how; /* HOLD_FREE: it may be chipped */
    struct record_id id;
};

struct oracle {
    struct oracle_bib *bib; /* every bib that an issue names, in the order of the labels' bytes */
    size_t bib_count;
    struct oracle_hold *hold; /* one for each bib, in no order */
    size_t hold_count;
    size_t shared;    /* tags that are live on two bibs or more */
    size_t forks;     /* records that follow the same record as another */
    size_t uncounted; /* issues and voids that are held and do not count */
};

/* `raw` are all records that a station holds, in any order; borrowed for the call. Ends the
 * program when one cannot be read or memory runs out. */
struct oracle oracle_of(const struct slice *raw, size_t count, const struct sign_public *root);
void oracle_release(struct oracle *oracle);

#endif
