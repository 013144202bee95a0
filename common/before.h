/*
 * before.h: what this station knows that speaks against chipping a bib, before it is done.
 *
 * One answer for `issue`, for the desk and for its pages: the gravest reason first. It decides
 * nothing: whoever asks puts the question to a person, or refuses. One thread, the ledger's.
 */
#ifndef BIBWEAVE_BEFORE_H
#define BIBWEAVE_BEFORE_H

#include "common/pairs.h"

enum before_verdict {
    BEFORE_CLEAR,
    BEFORE_HELD,    /* on hold: a lead must free it; `hold` says by whom and why */
    BEFORE_ABSENT,  /* put down as missing or to be reprinted; whoever has it in hand may go on */
    BEFORE_HALF,    /* this table or another made one chip of its set: `issue` */
    BEFORE_ISSUED,  /* it has its chips: `issue` is the first, `live` how many */
    BEFORE_DOUBT,   /* an issue that does not count bears on it: `issue` */
    BEFORE_OUTSIDE, /* no number of this event */
    BEFORE_OTHERS,  /* allotted to another station: `owner` */
    BEFORE_UNOWNED, /* allotted to nobody, while this station has numbers of its own */
};
struct before {
    enum before_verdict verdict;
    const struct record_category *category; /* borrowed from pairs_found */
    struct pairs_hold hold;
    struct pairs_issue issue;
    size_t live; /* live issues of the bib */
    bool ever;   /* it had an issue at some time */
    /* Whatever the verdict is: what the graver reasons would hide. */
    bool outside, others, unowned, doubt;
    struct pairs_station owner;
    struct bib_ranges own; /* this station's numbers */
};
/* Late-entry numbers are nobody's, so OTHERS and UNOWNED are never said of them; labels with
 * letters have no owner. Errors: the ledger's; ERR_DAMAGED if `found` is not held. */
enum error_code before_issue(struct ledger *ledger, const struct sign_public *self,
                             const struct bib *bib, struct before *before, struct error *err)
    __attribute__((nonnull, warn_unused_result));

#endif
