/*
 * shift.c: see shift.h. All bibs from one that is seen right to the next such are either right or
 * one run of wrong ones, but for single wrong bibs, which are known by their neighbours.
 * Must never call a bib wrong that was seen right.
 */
#include "common/shift.h"

struct shift {
    struct shift_look *looks;
    size_t count;
    uint64_t size;
    struct shift_finding *finding;
};

/* Index of the first look at `place` or behind it. */
static size_t at_or_behind(const struct shift *shift, uint64_t place) {
    size_t from = 0;
    size_t to = shift->count;
    while (from < to) {
        size_t middle = from + (to - from) / 2;
        if (shift->looks[middle].place < place) {
            from = middle + 1;
        } else {
            to = middle;
        }
    }
    return from;
}

static const struct shift_look *look_at(const struct shift *shift, uint64_t place) {
    size_t i = at_or_behind(shift, place);
    return i < shift->count && shift->looks[i].place == place ? &shift->looks[i] : NULL;
}

static void ask(const struct shift *shift, uint64_t place, enum shift_why why) {
    shift->finding->has_next = true;
    shift->finding->next = place;
    shift->finding->why = why;
}

/* ---- single wrong bibs ---- */

struct neighbour {
    bool exists;
    uint64_t place;
    const struct shift_look *look; /* NULL: not looked at */
};
/* The nearest place that is not known to be odd: odd ones say nothing. */
static struct neighbour neighbour_of(const struct shift *shift, uint64_t place, bool right) {
    struct neighbour found = {.place = place};
    do {
        if (right ? found.place + 1 >= shift->size : found.place == 0) {
            return (struct neighbour){0};
        }
        found.place = right ? found.place + 1 : found.place - 1;
        found.look = look_at(shift, found.place);
    } while (found.look != NULL && found.look->seen == SHIFT_ODD);
    found.exists = true;
    return found;
}

static bool shares(const struct neighbour *neighbour, const struct shift_look *look) {
    return neighbour->look != NULL && neighbour->look->seen == SHIFT_OTHER &&
           neighbour->look->offset == look->offset;
}

static bool is_alone(const struct shift *shift, const struct shift_look *look) {
    struct neighbour left = neighbour_of(shift, look->place, false);
    struct neighbour right = neighbour_of(shift, look->place, true);
    bool known = (!left.exists || left.look != NULL) && (!right.exists || right.look != NULL);
    return known && !shares(&left, look) && !shares(&right, look);
}

static bool in_shift(const struct shift_look *look) {
    return look->seen == SHIFT_OTHER && !look->alone;
}

/* Whether another look speaks for a shift: a neighbour, or the next wrong one behind it, moved by
 * the same number. Else a neighbour is asked for, for one look there spares many. */
static bool is_confirmed(const struct shift *shift, size_t index) {
    const struct shift_look *look = &shift->looks[index];
    struct neighbour left = neighbour_of(shift, look->place, false);
    struct neighbour right = neighbour_of(shift, look->place, true);
    if (shares(&left, look) || shares(&right, look)) {
        return true;
    }
    for (size_t i = index + 1; i < shift->count && shift->looks[i].seen != SHIFT_RIGHT; i++) {
        if (in_shift(&shift->looks[i])) {
            if (shift->looks[i].offset == look->offset) {
                return true;
            }
            break;
        }
    }
    ask(shift, right.exists && right.look == NULL ? right.place : left.place, SHIFT_NEIGHBOUR);
    return false;
}

/* ---- by halves ---- */

/* The place between `from` and `to`, both left out, that was not looked at and is nearest to their
 * middle; false if all were. */
static bool unseen_between(const struct shift *shift, uint64_t from_next, uint64_t to,
                           uint64_t *place) {
    if (from_next >= to) {
        return false;
    }
    uint64_t middle = from_next + (to - from_next) / 2;
    for (uint64_t away = 0; middle + away < to || middle >= from_next + away; away++) {
        if (middle >= from_next + away && look_at(shift, middle - away) == NULL) {
            *place = middle - away;
            return true;
        }
        if (middle + away < to && look_at(shift, middle + away) == NULL) {
            *place = middle + away;
            return true;
        }
    }
    return false;
}

/* Where the run around `index` begins; false: *finding asks for a look. `from` is the first place
 * that may belong to it. */
static bool find_beginning(const struct shift *shift, size_t index, uint64_t from,
                           uint64_t *first) {
    uint64_t place = 0;
    for (size_t i = index; i > 0 && shift->looks[i - 1].place >= from; i--) {
        if (shift->looks[i - 1].seen == SHIFT_RIGHT) {
            from = shift->looks[i - 1].place + 1;
            break;
        }
    }
    if (unseen_between(shift, from, shift->looks[index].place, &place)) {
        ask(shift, place, SHIFT_BEGINNING);
        return false;
    }
    *first = from;
    return true;
}

/* Likewise its end; *behind is the index of the last look of the run that is moved. */
static bool find_end(const struct shift *shift, size_t index, uint64_t *last, size_t *behind) {
    uint64_t place = 0;
    uint64_t to = shift->size;
    *behind = index;
    for (size_t i = index; i < shift->count; i++) {
        if (shift->looks[i].seen == SHIFT_RIGHT) {
            to = shift->looks[i].place;
            break;
        }
        if (in_shift(&shift->looks[i])) {
            *behind = i;
        }
    }
    if (to == shift->size && look_at(shift, to - 1) == NULL) {
        ask(shift, to - 1, SHIFT_END); /* most shifts go on to the end */
        return false;
    }
    if (unseen_between(shift, shift->looks[*behind].place + 1, to, &place)) {
        ask(shift, place, SHIFT_END);
        return false;
    }
    *last = to - 1;
    return true;
}

/* A single wrong bib at an end of a run looks like a part of it until its other neighbour was
 * looked at. */
static bool end_is_known(const struct shift *shift, size_t index, bool right) {
    struct neighbour inner = neighbour_of(shift, shift->looks[index].place, right);
    if (inner.exists && inner.look == NULL) {
        ask(shift, inner.place, SHIFT_NEIGHBOUR);
        return false;
    }
    return true;
}

/* ---- the whole stack ---- */

/* The run around looks[index], which is the first that is moved at `from` or behind it. False:
 * *finding asks for a look. */
static bool find_run(const struct shift *shift, size_t index, uint64_t from,
                     struct shift_run *run) {
    size_t behind = index;
    if (!is_confirmed(shift, index) || !find_beginning(shift, index, from, &run->first) ||
        !end_is_known(shift, index, true) || !find_end(shift, index, &run->last, &behind) ||
        !end_is_known(shift, behind, false)) {
        return false;
    }
    run->offset = shift->looks[index].offset;
    run->mixed = false;
    for (size_t i = index; i <= behind; i++) {
        run->mixed =
            run->mixed || (in_shift(&shift->looks[i]) && shift->looks[i].offset != run->offset);
    }
    return true;
}

static bool in_a_run(const struct shift_finding *finding, uint64_t place) {
    for (size_t i = 0; i < finding->run_count; i++) {
        if (place >= finding->run[i].first && place <= finding->run[i].last) {
            return true;
        }
    }
    return false;
}

void shift_find(struct shift_look *looks, size_t count, uint64_t size,
                struct shift_finding *finding) {
    struct shift shift = {looks, count, size, finding};
    uint64_t from = 0;
    *finding = (struct shift_finding){0};
    for (size_t i = 0; i < count; i++) {
        looks[i].alone = looks[i].seen == SHIFT_OTHER && is_alone(&shift, &looks[i]);
    }
    for (size_t i = 0; i < count && !finding->has_next; i++) {
        if (!in_shift(&looks[i]) || looks[i].place < from) {
            continue;
        }
        if (finding->run_count == SHIFT_RUNS_MAX) {
            finding->more = true;
            break;
        }
        struct shift_run *run = &finding->run[finding->run_count];
        if (find_run(&shift, i, from, run)) {
            finding->run_count++;
            from = run->last + 1;
        }
    }
    for (size_t i = 0; i < count; i++) {
        bool single = looks[i].alone || looks[i].seen == SHIFT_ODD;
        looks[i].alone = single && !in_a_run(finding, looks[i].place);
    }
}
