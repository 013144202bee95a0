/*
 * ticket_bibs.c: see ticket_bibs.h.
 */
#include "node/ticket_bibs.h"

#include <stdlib.h>
#include <string.h>

enum { FREE_MAX = 4096 };

struct ticket_bibs {
    struct ledger *ledger;
    struct wall_ms now;
    bool full;
    size_t count;
    struct bib_range range[FREE_MAX]; /* rising, apart */
};

static void add(struct ticket_bibs *bibs, uint64_t first, uint64_t last) {
    if (bibs->count == FREE_MAX) {
        bibs->full = true;
    } else {
        bibs->range[bibs->count++] = (struct bib_range){first, last};
    }
}

static void without(struct ticket_bibs *bibs, const struct bib_range *gone) {
    size_t before = bibs->count;
    for (size_t i = 0; i < before; i++) {
        struct bib_range *range = &bibs->range[i];
        if (gone->last < range->first || gone->first > range->last) {
            continue;
        }
        struct bib_range old = *range;
        bool left = gone->first > old.first;
        bool right = gone->last < old.last;
        if (left) {
            range->last = gone->first - 1;
        }
        if (right && left) {
            add(bibs, gone->last + 1, old.last);
        } else if (right) {
            range->first = gone->last + 1;
        } else if (!left) { /* nothing is left: an empty range, dropped when sorted */
            *range = (struct bib_range){1, 0};
        }
    }
}

static void without_all(struct ticket_bibs *bibs, const struct bib_ranges *gone) {
    for (size_t i = 0; i < gone->count; i++) {
        without(bibs, &gone->range[i]);
    }
}

static int by_first(const void *a, const void *b) {
    const struct bib_range *left = a, *right = b;
    return left->first < right->first ? -1 : left->first > right->first;
}

static bool without_allotted(void *context, const struct pairs_station *station) {
    struct ticket_bibs *bibs = context;
    struct bib_ranges has = {0};
    struct error ignored;
    if (pairs_allotted(bibs->ledger, &station->key, &has, &ignored) == ERR_OK) {
        without_all(bibs, &has);
    }
    return true;
}

static bool without_promised(void *context, const struct pairs_ticket *ticket) {
    struct ticket_bibs *bibs = context;
    if (ticket->used == 0 && !ticket->cancelled && bibs->now.ms < ticket->expires.ms) {
        without_all(bibs, &ticket->bibs);
    }
    return true;
}

static void tidy(struct ticket_bibs *bibs) {
    size_t kept = 0;
    for (size_t i = 0; i < bibs->count; i++) {
        if (bibs->range[i].first <= bibs->range[i].last) {
            bibs->range[kept++] = bibs->range[i];
        }
    }
    bibs->count = kept;
    qsort(bibs->range, kept, sizeof(bibs->range[0]), by_first);
}

enum error_code ticket_bibs_new(struct ledger *ledger, struct wall_ms now, struct ticket_bibs **out,
                                struct error *err) {
    const struct record_found *found = pairs_found(ledger);
    struct ticket_bibs *bibs = calloc(1, sizeof(*bibs));
    *out = bibs;
    if (bibs == NULL || found == NULL) {
        return bibs == NULL ? error_set(err, ERR_MEMORY, "numbers")
                            : error_set(err, ERR_DAMAGED, "the event is not held");
    }
    bibs->ledger = ledger;
    bibs->now = now;
    for (size_t i = 0; i < found->bibs.count; i++) {
        without(bibs, &found->bibs.range[i]); /* ranges of the event may overlap */
        add(bibs, found->bibs.range[i].first, found->bibs.range[i].last);
    }
    without_all(bibs, &found->late);
    enum error_code code = pairs_each_station(ledger, without_allotted, bibs, err);
    if (code == ERR_OK) {
        code = pairs_each_ticket(ledger, without_promised, bibs, err);
    }
    if (code == ERR_OK && bibs->full) {
        code = error_set(err, ERR_LIMIT, "more than %d free stretches of numbers", FREE_MAX);
    }
    tidy(bibs);
    return code;
}

void ticket_bibs_free(struct ticket_bibs *bibs) {
    free(bibs);
}

enum error_code ticket_bibs_take(struct ticket_bibs *bibs, uint64_t count, struct bib_ranges *out,
                                 struct error *err) {
    *out = (struct bib_ranges){0};
    while (count > 0 && bibs->count > 0 && out->count < BIB_RANGES_MAX) {
        struct bib_range *range = &bibs->range[0];
        uint64_t has = range->last - range->first + 1;
        uint64_t takes = has < count ? has : count;
        out->range[out->count++] = (struct bib_range){range->first, range->first + takes - 1};
        count -= takes;
        range->first += takes;
        if (takes == has) {
            bibs->count--;
            memmove(bibs->range, bibs->range + 1, bibs->count * sizeof(bibs->range[0]));
        }
    }
    if (count == 0) {
        return ERR_OK;
    }
    error_set(err, ERR_BIB, "%llu numbers too few", (unsigned long long)count);
    return error_say(err, "The event has not enough numbers left for that. Give fewer to each "
                          "table (--bibs-each), or none.");
}
