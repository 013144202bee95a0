/* oracle.c: see oracle.h. */
#include "tests/sim/oracle.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NOBODY SIZE_MAX

struct item {
    struct record record;
    struct record_id id;
    size_t previous; /* NOBODY for the first of a log */
    size_t follows;  /* for an open: the head that its log goes on from */
    struct sign_public key;
    bool counts;
    size_t seen_count;
    size_t seen[RECORD_SEEN_MAX]; /* NOBODY where that head is not held */
    struct record_issue issue;    /* of kind issue */
    struct record_void voided;    /* of kind void */
    struct record_hold hold;      /* of kind hold */
    bool live;
};

struct world {
    struct item *item;
    size_t count;
    struct sign_public root;
    bool epc_unique;
};

static void *must(void *memory) {
    if (memory == NULL) {
        fprintf(stderr, "oracle: no memory\n");
        exit(3);
    }
    return memory;
}

static void insist(bool good, const char *what) {
    if (!good) {
        fprintf(stderr, "oracle: %s\n", what);
        exit(3);
    }
}

/* ---- reading ---- */

static size_t find(const struct world *world, const uint8_t *id, size_t size) {
    for (size_t i = 0; i < world->count; i++) {
        if (memcmp(world->item[i].id.bytes, id, size) == 0) {
            return i;
        }
    }
    return NOBODY;
}

static void read_item(struct world *world, struct item *item) {
    struct record_seen seen[RECORD_SEEN_MAX];
    struct record_open open;
    item->previous = NOBODY;
    item->follows = NOBODY;
    if (item->record.has_previous) {
        item->previous = find(world, item->record.previous.bytes, 32);
        insist(item->previous != NOBODY, "a record's predecessor is not held");
    }
    item->seen_count = record_seen_read(&item->record, seen);
    for (size_t i = 0; i < item->seen_count; i++) {
        item->seen[i] = find(world, seen[i].id, 16);
    }
    if (item->record.kind == RECORD_OPEN) {
        insist(record_open_read(item->record.body, &open), "an open does not read");
        item->key = open.key;
        if (open.has_follows) {
            item->follows = find(world, open.follows.id.bytes, 32);
        }
    } else if (item->record.kind == RECORD_ISSUE) {
        insist(record_issue_read(item->record.body, &item->issue), "an issue does not read");
    } else if (item->record.kind == RECORD_VOID) {
        insist(record_void_read(item->record.body, &item->voided), "a void does not read");
    } else if (item->record.kind == RECORD_HOLD) {
        insist(record_hold_read(item->record.body, &item->hold), "a hold does not read");
    } else if (item->record.kind == RECORD_FOUND) {
        struct record_found found;
        insist(record_found_read(item->record.body, &found), "found does not read");
        world->epc_unique = found.epc_unique;
    }
}

/* The key of a log is in its first record. */
static void spread_keys(struct world *world) {
    for (size_t i = 0; i < world->count; i++) {
        size_t at = i;
        while (world->item[at].previous != NOBODY) {
            at = world->item[at].previous;
        }
        insist(world->item[at].record.kind == RECORD_OPEN, "a log does not begin with open");
        world->item[i].key = world->item[at].key;
    }
}

/* ---- who had seen what ---- */

static bool is_same_or_before(const struct world *world, size_t earlier, size_t later) {
    for (size_t at = later; at != NOBODY; at = world->item[at].previous) {
        if (at == earlier) {
            return true;
        }
    }
    return false;
}

/* The clock of a record: its chain, what that chain's records say they had seen, and the clock of
 * the head from which its log goes on. */
static bool covers(const struct world *world, size_t later, size_t earlier) {
    if (later == earlier) {
        return false;
    }
    size_t at = later;
    while (at != NOBODY) {
        const struct item *item = &world->item[at];
        if (at == earlier) {
            return true;
        }
        for (size_t i = 0; i < item->seen_count; i++) {
            if (item->seen[i] != NOBODY && is_same_or_before(world, earlier, item->seen[i])) {
                return true;
            }
        }
        at = item->previous != NOBODY ? item->previous : item->follows;
    }
    return false;
}

/* ---- what counts ---- */

static bool is_root(const struct world *world, const struct sign_public *key) {
    return ID_EQUAL(*key, world->root);
}

/* Whether the record lies within what the retires of its author leave: each stolen retire that
 * counts must name a head on whose chain it lies. `by_root` looks at the root's retires only. */
static bool is_within(const struct world *world, size_t at, bool by_root);

/* The role that the admits which count give to a key. The root's count; a lead's count for tables
 * and readers, and only what the root's own retires leave of that lead. */
static enum role role_of(const struct world *world, const struct sign_public *key, bool by_root) {
    enum role best = ROLE_NONE;
    if (is_root(world, key)) {
        return ROLE_ROOT;
    }
    for (size_t i = 0; i < world->count; i++) {
        struct record_admit admit;
        const struct item *item = &world->item[i];
        if (item->record.kind != RECORD_ADMIT || !record_admit_read(item->record.body, &admit) ||
            !ID_EQUAL(admit.key, *key) || admit.role <= best) {
            continue;
        }
        if (is_root(world, &item->key) ||
            (!by_root && admit.role <= ROLE_TABLE &&
             role_of(world, &item->key, true) == ROLE_LEAD && is_within(world, i, true))) {
            best = admit.role;
        }
    }
    return best;
}

static bool retire_counts(const struct world *world, size_t at, const struct record_retire *retire,
                          bool by_root) {
    const struct item *item = &world->item[at];
    if (is_root(world, &retire->key)) {
        return false;
    }
    if (is_root(world, &item->key)) {
        return true;
    }
    return !by_root && role_of(world, &retire->key, true) != ROLE_LEAD &&
           role_of(world, &item->key, true) == ROLE_LEAD && is_within(world, at, true);
}

static bool is_within(const struct world *world, size_t at, bool by_root) {
    for (size_t i = 0; i < world->count; i++) {
        struct record_retire retire;
        if (world->item[i].record.kind != RECORD_RETIRE ||
            !record_retire_read(world->item[i].record.body, &retire) ||
            retire.how != RETIRE_STOLEN || !ID_EQUAL(retire.key, world->item[at].key) ||
            !retire_counts(world, i, &retire, by_root)) {
            continue;
        }
        bool inside = false;
        for (size_t j = 0; j < retire.cutoff_count; j++) {
            size_t head = find(world, retire.cutoff[j].id.bytes, 32);
            inside = inside || (head != NOBODY && is_same_or_before(world, at, head));
        }
        if (!inside) {
            return false;
        }
    }
    return true;
}

/* Roles are asked once for each key, not for each record. */
static void look_counted(struct world *world) {
    bool *done = must(calloc(world->count + 1, sizeof(*done)));
    for (size_t i = 0; i < world->count; i++) {
        if (done[i]) {
            continue;
        }
        bool may = role_of(world, &world->item[i].key, false) >= ROLE_TABLE;
        for (size_t j = i; j < world->count; j++) {
            if (ID_EQUAL(world->item[j].key, world->item[i].key)) {
                world->item[j].counts = may && is_within(world, j, false);
                done[j] = true;
            }
        }
    }
    free(done);
}

/* ---- issues ---- */

static bool names(const struct record_id *list, size_t count, const struct record_id *id) {
    for (size_t i = 0; i < count; i++) {
        if (ID_EQUAL(list[i], *id)) {
            return true;
        }
    }
    return false;
}

static bool is_issue(const struct item *item) {
    return item->record.kind == RECORD_ISSUE;
}

static bool voids(const struct item *item, const struct record_id *id) {
    return item->record.kind == RECORD_VOID &&
           names(item->voided.target, item->voided.target_count, id);
}

static bool replaces(const struct item *item, const struct record_id *id) {
    return is_issue(item) && names(item->issue.replaces, item->issue.replaces_count, id);
}

/* Whether any record that counts, other than `without`, ends the issue. */
static bool is_ended(const struct world *world, size_t issue, size_t without) {
    const struct record_id *id = &world->item[issue].id;
    for (size_t i = 0; i < world->count; i++) {
        const struct item *item = &world->item[i];
        if (i != without && item->counts && (voids(item, id) || replaces(item, id))) {
            return true;
        }
    }
    return false;
}

static bool same_tag(const struct record_tag *a, const struct record_tag *b) {
    return a->epc.size == b->epc.size && memcmp(a->epc.data, b->epc.data, a->epc.size) == 0 &&
           a->tid.size == b->tid.size && memcmp(a->tid.data, b->tid.data, a->tid.size) == 0;
}

/* Whether `taker` carries every tag of `from`, as recorded. */
static bool takes_tags_over(const struct record_issue *taker, const struct record_issue *from) {
    for (size_t i = 0; i < from->tag_count; i++) {
        bool found = false;
        for (size_t j = 0; j < taker->tag_count; j++) {
            found = found || same_tag(&from->tag[i], &taker->tag[j]);
        }
        if (!found) {
            return false;
        }
    }
    return true;
}

/* An issue that is held and does not count leaves its bib in doubt until it is dealt with. */
static bool is_dealt_with(const struct world *world, size_t issue) {
    const struct item *doubtful = &world->item[issue];
    for (size_t i = 0; i < world->count; i++) {
        const struct item *item = &world->item[i];
        if (!item->counts) {
            continue;
        }
        if ((voids(item, &doubtful->id) && role_of(world, &item->key, false) >= ROLE_LEAD) ||
            (replaces(item, &doubtful->id) && takes_tags_over(&item->issue, &doubtful->issue))) {
            return true;
        }
    }
    return false;
}

/* ---- doubles ---- */

static bool agrees(const struct world *world, const struct record_tag *a,
                   const struct record_tag *b) {
    bool by_tid = a->tid.size > 0 && b->tid.size > 0 && a->tid.size == b->tid.size &&
                  memcmp(a->tid.data, b->tid.data, a->tid.size) == 0;
    bool by_epc = world->epc_unique && a->epc.size == b->epc.size &&
                  memcmp(a->epc.data, b->epc.data, a->epc.size) == 0;
    return by_tid || by_epc;
}

static bool all_agree(const struct world *world, const struct record_issue *a,
                      const struct record_issue *b) {
    for (size_t i = 0; i < a->tag_count; i++) {
        bool found = false;
        for (size_t j = 0; j < b->tag_count; j++) {
            found = found || agrees(world, &a->tag[i], &b->tag[j]);
        }
        if (!found) {
            return false;
        }
    }
    return true;
}

static enum oracle_cause cause_of(const struct world *world, size_t a, size_t b) {
    const struct record_issue *left = &world->item[a].issue;
    const struct record_issue *right = &world->item[b].issue;
    if (names(left->extra, left->extra_count, &world->item[b].id) ||
        names(right->extra, right->extra_count, &world->item[a].id)) {
        return ORACLE_NONE;
    }
    if (all_agree(world, left, right) && all_agree(world, right, left)) {
        return ORACLE_REPEAT;
    }
    return covers(world, a, b) || covers(world, b, a) ? ORACLE_KNOWING : ORACLE_UNAWARE;
}

/* Whether some issue of the bib would live if this void did not exist. */
static bool is_decisive(const struct world *world, const struct bib *bib, size_t at) {
    for (size_t i = 0; i < world->count; i++) {
        const struct item *item = &world->item[i];
        if (is_issue(item) && item->counts && strcmp(item->issue.bib.text, bib->text) == 0 &&
            voids(&world->item[at], &item->id) && !is_ended(world, i, at)) {
            return true;
        }
    }
    return false;
}

/* Two voids of different stations, neither of which had seen the other, that together leave
 * nothing: without either of them something would be live. */
static bool is_crossed(const struct world *world, const struct bib *bib) {
    for (size_t i = 0; i < world->count; i++) {
        if (world->item[i].record.kind != RECORD_VOID || !world->item[i].counts ||
            !is_decisive(world, bib, i)) {
            continue;
        }
        for (size_t j = 0; j < i; j++) {
            if (world->item[j].record.kind == RECORD_VOID && world->item[j].counts &&
                !ID_EQUAL(world->item[i].key, world->item[j].key) && is_decisive(world, bib, j) &&
                !covers(world, i, j) && !covers(world, j, i)) {
                return true;
            }
        }
    }
    return false;
}

static void judge_bib(const struct world *world, struct oracle_bib *out) {
    bool any_counted = false;
    for (size_t i = 0; i < world->count; i++) {
        const struct item *a = &world->item[i];
        if (!is_issue(a) || strcmp(a->issue.bib.text, out->bib.text) != 0) {
            continue;
        }
        any_counted = any_counted || a->counts;
        out->live += a->live;
        out->doubt = out->doubt || (!a->counts && !is_dealt_with(world, i));
        for (size_t j = 0; a->live && j < i; j++) {
            const struct item *b = &world->item[j];
            if (is_issue(b) && b->live && strcmp(b->issue.bib.text, out->bib.text) == 0) {
                enum oracle_cause cause = cause_of(world, i, j);
                out->cause = cause > out->cause ? cause : out->cause;
            }
        }
    }
    out->state = out->cause != ORACLE_NONE ? ORACLE_DOUBLED
                 : out->live > 0           ? ORACLE_ISSUED
                 : any_counted             ? ORACLE_EMPTIED
                                           : ORACLE_UNISSUED;
    out->crossed = out->state == ORACLE_EMPTIED && is_crossed(world, &out->bib);
}

/* ---- tags on two bibs ---- */

struct live_tag {
    size_t size;
    const uint8_t *bytes;
    const char *bib;
};

static struct live_tag *list_tags(const struct world *world, bool by_tid, size_t *count) {
    struct live_tag *list = must(calloc(world->count * RECORD_TAGS_MAX + 1, sizeof(*list)));
    *count = 0;
    for (size_t i = 0; i < world->count; i++) {
        const struct item *item = &world->item[i];
        for (size_t t = 0; is_issue(item) && item->live && t < item->issue.tag_count; t++) {
            const struct record_tag *tag = &item->issue.tag[t];
            struct live_tag *next = &list[*count];
            next->size = by_tid ? tag->tid.size : tag->epc.size;
            next->bytes = by_tid ? tag->tid.data : tag->epc.data;
            next->bib = item->issue.bib.text;
            *count += next->size > 0;
        }
    }
    return list;
}

static bool equal_tags(const struct live_tag *a, const struct live_tag *b) {
    return a->size == b->size && memcmp(a->bytes, b->bytes, a->size) == 0;
}

/* Tags that are on two bibs or more; each is counted at its first place in the list. */
static size_t count_shared(const struct world *world, bool by_tid) {
    size_t count = 0;
    size_t shared = 0;
    struct live_tag *list = list_tags(world, by_tid, &count);
    for (size_t i = 0; i < count; i++) {
        bool is_first = true;
        bool elsewhere = false;
        for (size_t j = 0; j < count; j++) {
            bool equal = j != i && equal_tags(&list[i], &list[j]);
            is_first = is_first && !(equal && j < i);
            elsewhere = elsewhere || (equal && strcmp(list[i].bib, list[j].bib) != 0);
        }
        shared += is_first && elsewhere;
    }
    free(list);
    return shared;
}

/* ---- holds ---- */

static bool is_hold(const struct item *item) {
    return item->record.kind == RECORD_HOLD && item->counts;
}

static bool holds_same(const struct item *a, const struct item *b) {
    return is_hold(a) && is_hold(b) && strcmp(a->hold.bib.text, b->hold.bib.text) == 0;
}

/* Whether some other hold of the bib had seen this one and may take its place: what a lead holds,
 * only leads let go. */
static bool is_let_go(const struct world *world, size_t at) {
    const struct item *item = &world->item[at];
    bool by_lead = item->hold.how == HOLD_HELD && role_of(world, &item->key, false) >= ROLE_LEAD;
    for (size_t i = 0; i < world->count; i++) {
        if (i != at && holds_same(&world->item[i], item) && covers(world, i, at) &&
            (!by_lead || role_of(world, &world->item[i].key, false) >= ROLE_LEAD)) {
            return true;
        }
    }
    return false;
}

static bool is_stricter(const struct oracle_hold *a, const struct oracle_hold *b) {
    static const int rank[] = {
        [HOLD_FREE] = 0, [HOLD_REPRINT] = 1, [HOLD_MISSING] = 2, [HOLD_HELD] = 3};
    return rank[a->how] != rank[b->how] ? rank[a->how] > rank[b->how]
                                        : memcmp(&a->id, &b->id, sizeof(a->id)) < 0;
}

static void list_holds(const struct world *world, struct oracle *oracle) {
    oracle->hold = must(calloc(world->count + 1, sizeof(*oracle->hold)));
    for (size_t i = 0; i < world->count; i++) {
        const struct item *item = &world->item[i];
        if (!is_hold(item) || is_let_go(world, i)) {
            continue;
        }
        struct oracle_hold hold = {item->hold.bib, item->hold.how, item->id};
        size_t at = 0;
        while (at < oracle->hold_count && strcmp(oracle->hold[at].bib.text, hold.bib.text) != 0) {
            at++;
        }
        if (at == oracle->hold_count || is_stricter(&hold, &oracle->hold[at])) {
            oracle->hold[at] = hold;
        }
        oracle->hold_count += at == oracle->hold_count;
    }
}

/* ---- all ---- */

static int compare_bibs(const void *a, const void *b) {
    const struct oracle_bib *left = a;
    const struct oracle_bib *right = b;
    return strcmp(left->bib.text, right->bib.text);
}

static void list_bibs(const struct world *world, struct oracle *oracle) {
    oracle->bib = must(calloc(world->count + 1, sizeof(*oracle->bib)));
    for (size_t i = 0; i < world->count; i++) {
        bool known = !is_issue(&world->item[i]);
        for (size_t j = 0; !known && j < oracle->bib_count; j++) {
            known = strcmp(oracle->bib[j].bib.text, world->item[i].issue.bib.text) == 0;
        }
        if (!known) {
            oracle->bib[oracle->bib_count++].bib = world->item[i].issue.bib;
        }
    }
    qsort(oracle->bib, oracle->bib_count, sizeof(*oracle->bib), compare_bibs);
}

static void count_oddities(const struct world *world, struct oracle *oracle) {
    for (size_t i = 0; i < world->count; i++) {
        const struct item *item = &world->item[i];
        oracle->uncounted += (is_issue(item) || item->record.kind == RECORD_VOID) && !item->counts;
        for (size_t j = 0; j < i && item->previous != NOBODY; j++) {
            oracle->forks += world->item[j].previous == item->previous;
        }
    }
}

struct oracle oracle_of(const struct slice *raw, size_t count, const struct sign_public *root) {
    struct world world = {.count = count, .root = *root};
    struct oracle oracle = {0};
    struct error err;
    world.item = must(calloc(count + 1, sizeof(*world.item)));
    for (size_t i = 0; i < count; i++) {
        insist(record_decode(raw[i], &world.item[i].record, &err) == ERR_OK, "a bad record");
        world.item[i].id = identity_record(raw[i]);
    }
    for (size_t i = 0; i < count; i++) {
        read_item(&world, &world.item[i]);
    }
    spread_keys(&world);
    look_counted(&world);
    for (size_t i = 0; i < count; i++) {
        struct item *item = &world.item[i];
        item->live = is_issue(item) && item->counts && !is_ended(&world, i, NOBODY);
    }
    list_bibs(&world, &oracle);
    list_holds(&world, &oracle);
    for (size_t i = 0; i < oracle.bib_count; i++) {
        judge_bib(&world, &oracle.bib[i]);
    }
    oracle.shared = count_shared(&world, true);
    oracle.shared += world.epc_unique ? count_shared(&world, false) : 0;
    count_oddities(&world, &oracle);
    free(world.item);
    return oracle;
}

void oracle_release(struct oracle *oracle) {
    free(oracle->bib);
    free(oracle->hold);
}
