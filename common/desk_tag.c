/*
 * desk_tag.c: telling tags apart, naming them, and what the list says of one.
 * Must never take two chips for one because they carry the same number.
 */
#include "common/desk_state.h"

#include <string.h>

enum { NAMES_MAX = 5 }; /* numbers in one sentence */

/* ---- telling tags apart ---- */

bool desk_epc_same(const struct epc *a, const struct epc *b) {
    return slice_equal(slice_of(a->data, a->size), slice_of(b->data, b->size));
}

bool desk_tid_same(const struct tid *a, const struct tid *b) {
    return slice_equal(slice_of(a->data, a->size), slice_of(b->data, b->size));
}

bool desk_tag_same(const struct desk_tag *a, const struct desk_tag *b) {
    return a->tid.size > 0 && b->tid.size > 0 ? desk_tid_same(&a->tid, &b->tid)
                                              : desk_epc_same(&a->epc, &b->epc);
}

bool desk_among(const struct desk_tag *tags, size_t count, const struct desk_tag *tag) {
    for (size_t i = 0; i < count; i++) {
        if (desk_tag_same(&tags[i], tag)) {
            return true;
        }
    }
    return false;
}

struct desk_tag desk_chip_tag(const struct desk_chip *chip) {
    return (struct desk_tag){.epc = chip->epc, .tid = chip->tid};
}

bool desk_is_made(const struct desk *desk, const struct desk_tag *tag) {
    const struct desk_job *job = &desk->lasting.job;
    for (size_t i = 0; job->active && i < job->made_count; i++) {
        struct desk_tag made = desk_chip_tag(&job->made[i]);
        if (job->made[i].seen && desk_tag_same(&made, tag)) {
            return true;
        }
    }
    return false;
}

bool desk_is_known(const struct desk *desk, const struct desk_tag *tag) {
    return desk_among(desk->just, desk->just_count, tag) || desk_is_made(desk, tag) ||
           desk_among(desk->pile, desk->pile_count, tag);
}

bool desk_just_there(const struct desk *desk) {
    for (size_t i = 0; i < desk->field_count; i++) {
        if (desk_among(desk->just, desk->just_count, &desk->field[i])) {
            return true;
        }
    }
    return false;
}

/* The tags that are not accounted for. */
size_t desk_strangers(const struct desk *desk, struct desk_tag *out) {
    size_t count = 0;
    for (size_t i = 0; i < desk->field_count; i++) {
        if (!desk_is_known(desk, &desk->field[i])) {
            out[count++] = desk->field[i];
        }
    }
    return count;
}

void desk_tag_name(struct desk *desk, const struct desk_tag *tag, char *out, size_t size) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    struct tag_sight sight;
    if (found == NULL) {
        desk_print(out, size, "a chip");
        return;
    }
    tag_recognise(found, &tag->epc, tag->has_pc ? &tag->pc : NULL, &sight);
    if (sight.kind == TAG_OURS) {
        desk_print(out, size, "%llu", (unsigned long long)sight.number);
    } else {
        desk_print(out, size, "%s", sight.name);
    }
}

/* The number that a tag carries, if it is one of this event. */
static bool carries(struct desk *desk, const struct desk_tag *tag, uint64_t *number) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    struct tag_sight sight;
    if (found == NULL) {
        return false;
    }
    tag_recognise(found, &tag->epc, tag->has_pc ? &tag->pc : NULL, &sight);
    *number = sight.number;
    return sight.kind == TAG_OURS;
}

void desk_tag_names(struct desk *desk, const struct desk_tag *tags, size_t count, char *out,
                    size_t size) {
    size_t used = 0, numbers = 0, rest = 0;
    uint64_t number = 0;
    out[0] = '\0';
    for (size_t i = 0; i < count; i++) {
        if (!carries(desk, &tags[i], &number)) {
            rest++;
        } else if (numbers++ < NAMES_MAX) {
            desk_print(out + used, size - used, "%s%llu", used == 0 ? "" : ", ",
                       (unsigned long long)number);
            used = strlen(out);
        }
    }
    const char *and = used == 0 ? "" : " and ";
    if (numbers > NAMES_MAX || desk->field_total > DESK_FIELD_MAX) {
        desk_print(out + used, size - used, "%smany others", and);
    } else if (rest > 0) {
        desk_print(out + used, size - used, "%s%zu without a number", and, rest);
    }
}

/* ---- what the list says of a chip ---- */

/* By EPC an issue fits only if it does not say that the chip was another one. */
static bool fits(const struct desk_lookup *lookup, const struct pairs_issue *issue) {
    for (size_t i = 0; i < issue->tag_count; i++) {
        const struct pairs_tag *tag = &issue->tag[i];
        if (desk_epc_same(&tag->epc, &lookup->tag->epc) &&
            (tag->tid.size == 0 || lookup->tag->tid.size == 0 ||
             desk_tid_same(&tag->tid, &lookup->tag->tid))) {
            return true;
        }
    }
    return false;
}

static bool look_up_one(void *context, const struct pairs_issue *issue) {
    struct desk_lookup *lookup = context;
    if (lookup->by_epc && !fits(lookup, issue)) {
        return true;
    }
    for (size_t i = 0; i < lookup->id_count; i++) {
        if (ID_EQUAL(lookup->id[i], issue->id)) {
            return true;
        }
    }
    if (!issue->live && issue->counted) {
        if (lookup->dead++ == 0) {
            lookup->first_dead = *issue;
        }
        return true;
    }
    lookup->as_listed = lookup->as_listed || fits(lookup, issue);
    if (lookup->live++ == 0) {
        lookup->first_live = *issue;
    }
    if (lookup->id_count < ISSUE_NAMES_MAX) {
        lookup->id[lookup->id_count++] = issue->id;
    }
    return true;
}

enum error_code desk_look_up(struct desk *desk, const struct desk_tag *tag,
                             struct desk_lookup *lookup, struct error *err) {
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_TID, .epc = tag->epc, .tid = tag->tid};
    enum error_code code = ERR_OK;
    memset(lookup, 0, sizeof(*lookup));
    lookup->tag = tag;
    if (tag->tid.size > 0) {
        code = pairs_each_issue(desk->config.ledger, &filter, look_up_one, lookup, err);
    }
    if (code == ERR_OK) {
        filter.which = PAIRS_ISSUES_OF_EPC;
        lookup->by_epc = true;
        code = pairs_each_issue(desk->config.ledger, &filter, look_up_one, lookup, err);
    }
    return code;
}
