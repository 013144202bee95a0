/*
 * before.c: gathers what this station's ledger says against chipping a bib, and names the gravest.
 * Must never decide, nor write: it is asked again before each chip.
 */
#include "common/before.h"

#include <string.h>

/* ---- the bib's own history ---- */

struct seek {
    struct before *before;
    bool doubt;     /* records that do not count bear on the bib */
    size_t tags;    /* on all live issues */
    bool half;      /* one of them said that it is half */
    bool has_other; /* `other` is the first that does not count */
    struct pairs_issue first_half, other;
};

static bool seek_issue(void *context, const struct pairs_issue *issue) {
    struct seek *seek = context;
    struct before *before = seek->before;
    before->ever = true;
    if (issue->live) {
        if (before->live++ == 0) {
            before->issue = *issue;
        }
        if (issue->half && !seek->half) {
            seek->first_half = *issue;
            seek->half = true;
        }
        seek->tags += issue->tag_count;
    } else if (seek->doubt && !issue->counted && !seek->has_other) {
        seek->other = *issue;
        seek->has_other = true;
    }
    return true;
}

static enum error_code look_back(struct ledger *ledger, const struct bib *bib,
                                 struct before *before, bool *half, struct error *err) {
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = *bib};
    struct seek seek = {.before = before};
    struct pairs_bib state;
    enum error_code code = pairs_bib(ledger, bib, &state, err);
    if (code == ERR_OK) {
        seek.doubt = state.doubt;
        code = pairs_each_issue(ledger, &filter, seek_issue, &seek, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    *half = seek.half && seek.tags < before->category->tags_per_bib;
    before->doubt = seek.has_other;
    if (*half) {
        before->issue = seek.first_half;
    } else if (before->live == 0 && seek.has_other) {
        before->issue = seek.other;
    }
    return ERR_OK;
}

/* ---- whose number it is ---- */

static enum error_code look_owner(struct ledger *ledger, const struct sign_public *self,
                                  uint64_t number, struct before *before, struct error *err) {
    enum error_code code = pairs_owner(ledger, number, &before->owner, err);
    if (code == ERR_OK) {
        before->others = !ID_EQUAL(before->owner.key, *self);
        return ERR_OK;
    }
    if (code == ERR_NOT_FOUND) {
        before->unowned = before->own.count > 0 && !bib_ranges_hold(&before->own, number);
        return ERR_OK;
    }
    return code;
}

static enum error_code look_around(struct ledger *ledger, const struct sign_public *self,
                                   const struct record_found *found, const struct bib *bib,
                                   struct before *before, struct error *err) {
    uint64_t number = 0;
    bool numeric = bib_number(bib, &number);
    bool late = numeric && bib_ranges_hold(&found->late, number);
    before->outside = !late && !(numeric && bib_ranges_hold(&found->bibs, number));
    enum error_code code = pairs_allotted(ledger, self, &before->own, err);
    if (code == ERR_NOT_FOUND) {
        before->own.count = 0;
        code = ERR_OK;
    }
    return code != ERR_OK || late || !numeric ? code
                                              : look_owner(ledger, self, number, before, err);
}

static enum before_verdict gravest(const struct before *before, bool hold, bool half) {
    if (hold) {
        return before->hold.how == HOLD_HELD ? BEFORE_HELD : BEFORE_ABSENT;
    }
    if (before->live > 0) {
        return half ? BEFORE_HALF : BEFORE_ISSUED;
    }
    return before->doubt     ? BEFORE_DOUBT
           : before->outside ? BEFORE_OUTSIDE
           : before->others  ? BEFORE_OTHERS
           : before->unowned ? BEFORE_UNOWNED
                             : BEFORE_CLEAR;
}

enum error_code before_issue(struct ledger *ledger, const struct sign_public *self,
                             const struct bib *bib, struct before *before, struct error *err) {
    const struct record_found *found = pairs_found(ledger);
    bool half = false;
    memset(before, 0, sizeof(*before));
    if (found == NULL) {
        return error_set(err, ERR_DAMAGED, "the record that founds the event is not held");
    }
    before->category = record_found_category(found, bib);
    enum error_code code = pairs_hold(ledger, bib, &before->hold, err);
    bool hold = code == ERR_OK;
    if (code == ERR_OK || code == ERR_NOT_FOUND) {
        code = look_back(ledger, bib, before, &half, err);
    }
    if (code == ERR_OK) {
        code = look_around(ledger, self, found, bib, before, err);
    }
    if (code == ERR_OK) {
        before->verdict = gravest(before, hold, half);
    }
    return code;
}
