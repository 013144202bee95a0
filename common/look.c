/*
 * look.c: see look.h.
 */
#include "common/look.h"

#include <string.h>

enum { OWN_TAGS_MAX = 32 }; /* of a bib that was chipped again and again; more are not compared */

static bool same_epc(const struct epc *a, const struct epc *b) {
    return a->size == b->size && memcmp(a->data, b->data, a->size) == 0;
}

/* Whether the tag that was read is the one on the list. */
static bool same_tag(const struct pairs_tag *listed, const struct epc *epc, const struct tid *tid) {
    if (listed->tid.size > 0 && tid->size > 0) {
        return listed->tid.size == tid->size && memcmp(listed->tid.data, tid->data, tid->size) == 0;
    }
    return same_epc(&listed->epc, epc);
}

/* ---- one chip ---- */

struct search {
    const struct epc *epc;
    const struct tid *tid;
    struct look_tag *out;
};

static bool carries(const struct pairs_issue *issue, const struct search *search) {
    for (size_t i = 0; i < issue->tag_count; i++) {
        if (same_tag(&issue->tag[i], search->epc, search->tid)) {
            return true;
        }
    }
    return false;
}

static bool consider(void *context, const struct pairs_issue *issue) {
    struct search *search = context;
    struct look_tag *out = search->out;
    if (!issue->counted || !carries(issue, search)) {
        return true;
    }
    if (!issue->live) {
        if (out->is != LOOK_IS_LIVE) { /* they come by their time */
            out->is = LOOK_IS_DEAD;
            out->issue = *issue;
        }
    } else if (out->is != LOOK_IS_LIVE) {
        out->is = LOOK_IS_LIVE;
        out->issue = *issue;
        out->bibs = 1;
    } else if (strcmp(issue->bib.text, out->issue.bib.text) != 0 &&
               strcmp(issue->bib.text, out->other.text) != 0) {
        out->other = issue->bib;
        out->bibs++;
    }
    return true;
}

/* Its PC word is not known here: readers tell it to the desk alone. */
static void read_number(const struct record_found *found, const struct epc *epc,
                        struct look_tag *out) {
    if (found != NULL) {
        tag_recognise(found, epc, NULL, &out->sight);
        out->has_number = out->sight.kind == TAG_OURS;
        out->number = out->has_number ? out->sight.number : 0;
    }
}

enum error_code look_tag(struct ledger *ledger, const struct epc *epc, const struct tid *tid,
                         struct look_tag *out, struct error *err) {
    struct search search = {epc, tid, out};
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_TID, .epc = *epc, .tid = *tid};
    enum error_code code = ERR_OK;
    memset(out, 0, sizeof *out);
    read_number(pairs_found(ledger), epc, out);
    if (tid->size > 0) {
        code = pairs_each_issue(ledger, &filter, consider, &search, err);
    }
    if (code == ERR_OK && out->is != LOOK_IS_LIVE) {
        filter.which = PAIRS_ISSUES_OF_EPC;
        code = pairs_each_issue(ledger, &filter, consider, &search, err);
    }
    if (code == ERR_OK && out->is == LOOK_IS_UNKNOWN && out->has_number) {
        out->is = LOOK_IS_NUMBERED;
    }
    return code;
}

/* ---- a bib ---- */

struct own {
    size_t count;
    struct pairs_tag tag[OWN_TAGS_MAX];
    bool heard[OWN_TAGS_MAX];
};

static bool add_own(void *context, const struct pairs_issue *issue) {
    struct own *own = context;
    for (size_t i = 0; issue->live && i < issue->tag_count && own->count < OWN_TAGS_MAX; i++) {
        own->tag[own->count++] = issue->tag[i];
    }
    return true;
}

/* Each tag of the list is heard once: two chips of one number are two. */
static bool is_own(struct own *own, const struct record_tag *tag) {
    for (size_t i = 0; i < own->count; i++) {
        if (!own->heard[i] && same_tag(&own->tag[i], &tag->epc, &tag->tid)) {
            own->heard[i] = true;
            return true;
        }
    }
    return false;
}

static int gravity(enum look_verdict verdict) {
    return verdict == LOOK_OTHER ? 3 : verdict == LOOK_VOID ? 2 : verdict == LOOK_STRANGE ? 1 : 0;
}

/* What a chip that is not on the bib's list makes of the look. */
static enum look_verdict judge_foreign(const struct bib *bib, const struct look_tag *tag) {
    uint64_t number = 0;
    bool numeric = bib_number(bib, &number);
    if (tag->is == LOOK_IS_LIVE && strcmp(tag->issue.bib.text, bib->text) != 0) {
        return LOOK_OTHER;
    }
    if (tag->has_number && (!numeric || tag->number != number)) {
        return LOOK_OTHER;
    }
    return tag->is == LOOK_IS_DEAD ? LOOK_VOID : LOOK_STRANGE;
}

enum error_code look_judge(struct ledger *ledger, const struct bib *bib,
                           const struct record_tag *tags, size_t count, enum look_verdict *verdict,
                           struct error *err) {
    struct own own = {.count = 0};
    struct look_tag tag;
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = *bib};
    const struct record_found *found = pairs_found(ledger);
    enum error_code code = pairs_each_issue(ledger, &filter, add_own, &own, err);
    *verdict = LOOK_RIGHT;
    for (size_t i = 0; code == ERR_OK && i < count; i++) {
        if (is_own(&own, &tags[i])) {
            continue;
        }
        code = look_tag(ledger, &tags[i].epc, &tags[i].tid, &tag, err);
        enum look_verdict one = judge_foreign(bib, &tag);
        if (gravity(one) > gravity(*verdict)) {
            *verdict = one;
        }
    }
    size_t wanted = found == NULL ? 1 : record_found_category(found, bib)->tags_per_bib;
    if (*verdict == LOOK_RIGHT && count == 0) {
        *verdict = LOOK_NO_CHIP;
    } else if (*verdict == LOOK_RIGHT && (count < own.count || count < wanted)) {
        *verdict = LOOK_HALF;
    }
    return code;
}
