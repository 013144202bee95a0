/*
 * look.h: what a chip that somebody holds is, as far as this station knows, and whether a bib
 * carries what the list says.
 *
 * Decides nothing and writes nothing: whoever asks tells people, and keeps the look. One thread,
 * the ledger's.
 */
#ifndef BIBWEAVE_LOOK_H
#define BIBWEAVE_LOOK_H

#include "common/pairs.h"
#include "common/tag.h"

enum look_is {
    LOOK_IS_UNKNOWN,  /* on nobody's list, and with no number of this event */
    LOOK_IS_NUMBERED, /* it carries a number of this event, and is on nobody's list */
    LOOK_IS_DEAD,     /* it was taken back: `issue` is the latest that had it */
    LOOK_IS_LIVE,     /* it is on the list: `issue` is the first that has it */
};
struct look_tag {
    enum look_is is;
    struct tag_sight sight; /* what its bits say, whatever the list says */
    bool has_number;        /* its EPC carries a number in a scheme of this event */
    uint64_t number;
    struct pairs_issue issue;
    size_t bibs;      /* LIVE: how many bibs have it; 2 or more: one chip on two bibs */
    struct bib other; /* then one of them beside the issue's */
};
/* By its TID where one was read: it is the chip itself. A list that was made without TIDs, and a
 * chip without one, are compared by EPC. */
enum error_code look_tag(struct ledger *ledger, const struct epc *epc, const struct tid *tid,
                         struct look_tag *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* What somebody sees who scanned `bib` and read these tags on it (there may be none): the gravest
 * first: OTHER, VOID, STRANGE, NO_CHIP, HALF, RIGHT. Of a bib that was chipped twice, all chips
 * are its own. */
enum error_code look_judge(struct ledger *ledger, const struct bib *bib,
                           const struct record_tag *tags, size_t count, enum look_verdict *verdict,
                           struct error *err)
    __attribute__((nonnull(1, 2, 5, 6), warn_unused_result));

#endif
