/*
 * proof.c: see proof.h.
 * Must never count a look by somebody who did not know of the chip that is on the bib now.
 */
#include "node/proof.h"

#include <stdlib.h>
#include <string.h>

#include "common/look.h"

/* ---- the range ---- */

static bool read_number(const char **text, uint64_t *number) {
    size_t digits = 0;
    *number = 0;
    for (; **text >= '0' && **text <= '9' && digits < BIB_LENGTH_MAX; (*text)++, digits++) {
        *number = *number * 10 + (uint64_t)(**text - '0');
    }
    return digits > 0;
}

enum error_code proof_range(const char *typed, struct proof_stack *stack, struct error *err) {
    const char *text = typed;
    bool good = read_number(&text, &stack->first) && *text++ == '-' &&
                read_number(&text, &stack->last) && *text == '\0';
    if (!good) {
        error_set(err, ERR_USAGE, "--stack %.60s", typed);
        return error_say(err, "Give the first and the last bib of the stack, like --stack 1-700.");
    }
    uint64_t between =
        stack->first > stack->last ? stack->first - stack->last : stack->last - stack->first;
    if (between >= SAMPLE_STACK_MAX) {
        error_set(err, ERR_LIMIT, "--stack %.60s", typed);
        return error_say(err, "A stack has at most 1000000 bibs.");
    }
    return ERR_OK;
}

static uint64_t lowest(const struct proof_stack *stack) {
    return stack->first < stack->last ? stack->first : stack->last;
}

static uint64_t highest(const struct proof_stack *stack) {
    return stack->first < stack->last ? stack->last : stack->first;
}

static bool holds(const struct proof_stack *stack, const struct bib *bib, uint64_t *number) {
    return bib_number(bib, number) && *number >= lowest(stack) && *number <= highest(stack);
}

/* ---- the bibs ---- */

struct loading {
    struct proof_stack *stack;
    size_t capacity;
    bool failed;
};

static bool add_bib(void *context, const struct pairs_bib *bib) {
    struct loading *loading = context;
    struct proof_stack *stack = loading->stack;
    uint64_t number = 0;
    if (bib->live == 0 || !holds(stack, &bib->bib, &number)) {
        return true;
    }
    if (stack->count == loading->capacity) {
        size_t wanted = loading->capacity == 0 ? 64 : 2 * loading->capacity;
        struct proof_bib *grown = realloc(stack->bib, wanted * sizeof(*grown));
        if (grown == NULL) {
            loading->failed = true;
            return false;
        }
        stack->bib = grown;
        loading->capacity = wanted;
    }
    stack->bib[stack->count++] = (struct proof_bib){.bib = bib->bib, .number = number};
    return true;
}

static int compare_up(const void *a, const void *b) {
    return bib_compare(&((const struct proof_bib *)a)->bib, &((const struct proof_bib *)b)->bib);
}

static int compare_down(const void *a, const void *b) {
    return compare_up(b, a);
}

static struct proof_bib *find_bib(const struct proof_stack *stack, const struct bib *bib) {
    struct proof_bib key = {.bib = *bib};
    return stack->count == 0 ? NULL
                             : bsearch(&key, stack->bib, stack->count, sizeof(key),
                                       stack->turned ? compare_down : compare_up);
}

static bool add_hold(void *context, const struct pairs_hold *hold) {
    struct loading *loading = context;
    uint64_t number = 0;
    struct proof_bib *bib = find_bib(loading->stack, &hold->bib);
    if (holds(loading->stack, &hold->bib, &number)) {
        loading->stack->held++;
    }
    if (bib != NULL) {
        bib->held = true;
    }
    return true;
}

static void drop_held(struct proof_stack *stack) {
    size_t kept = 0;
    for (size_t i = 0; i < stack->count; i++) {
        if (!stack->bib[i].held) {
            stack->bib[kept++] = stack->bib[i];
        }
    }
    stack->count = kept;
}

static void turn_round(struct proof_stack *stack) {
    stack->turned = true;
    for (size_t i = 0; i < stack->count / 2; i++) {
        struct proof_bib kept = stack->bib[i];
        stack->bib[i] = stack->bib[stack->count - 1 - i];
        stack->bib[stack->count - 1 - i] = kept;
    }
}

enum error_code proof_load(struct ledger *ledger, struct proof_stack *stack, struct error *err) {
    struct loading loading = {.stack = stack};
    enum error_code code = pairs_each_bib(ledger, PAIRS_BIBS_ALL, add_bib, &loading, err);
    if (code == ERR_OK && loading.failed) {
        code = error_set(err, ERR_MEMORY, "a stack of more than %zu bibs", loading.capacity);
    }
    if (code == ERR_OK) {
        code = pairs_each_hold(ledger, add_hold, &loading, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    drop_held(stack);
    /* Where zeros count, a number may stand for two bibs. */
    uint64_t numbers = highest(stack) - lowest(stack) + 1;
    uint64_t there = stack->count + stack->held;
    stack->not_chipped = numbers > there ? (size_t)(numbers - there) : 0;
    if (stack->first > stack->last) {
        turn_round(stack);
    }
    if (stack->count == 0) {
        error_set(err, ERR_NOT_FOUND, "no chipped bib in the stack");
        return error_say(err, "None of the bibs of that stack is chipped. Give the first and the "
                              "last bib as they were chipped.");
    }
    return ERR_OK;
}

void proof_release(struct proof_stack *stack) {
    free(stack->bib);
    *stack = (struct proof_stack){0};
}

/* ---- the looks ---- */

/* What a look means is asked after all of them were read. */
struct kept_look {
    size_t at;
    struct pairs_look look;
};
struct looking {
    struct proof_stack *stack;
    struct kept_look *kept;
    size_t count, capacity;
    bool failed;
};

static bool add_look(void *context, const struct pairs_look *look) {
    struct looking *looking = context;
    struct proof_stack *stack = looking->stack;
    bool ours =
        look->has_stack && look->stack.first == lowest(stack) && look->stack.last == highest(stack);
    struct proof_bib *bib = ours ? find_bib(stack, &look->bib) : NULL;
    if (bib == NULL) {
        return true;
    }
    if (looking->count == looking->capacity) {
        size_t wanted = looking->capacity == 0 ? 16 : 2 * looking->capacity;
        struct kept_look *grown = realloc(looking->kept, wanted * sizeof(*grown));
        if (grown == NULL) {
            looking->failed = true;
            return false;
        }
        looking->kept = grown;
        looking->capacity = wanted;
    }
    looking->kept[looking->count++] = (struct kept_look){(size_t)(bib - stack->bib), *look};
    return true;
}

/* Whether whoever wrote `later` held `earlier` then. */
static bool knew(struct ledger *ledger, const struct record_id *later,
                 const struct record_id *earlier) {
    struct clock_position at;
    struct clock_position before;
    return ledger_position(ledger, later, &at) && ledger_position(ledger, earlier, &before) &&
           ledger_covers(ledger, at, before);
}

enum { CHIPPINGS_MAX = 16 };
struct chippings {
    size_t count;
    struct record_id id[CHIPPINGS_MAX];
};

static bool add_chipping(void *context, const struct pairs_issue *issue) {
    struct chippings *chippings = context;
    if (issue->live && chippings->count < CHIPPINGS_MAX) {
        chippings->id[chippings->count++] = issue->id;
    }
    return true;
}

static enum error_code knew_all(struct ledger *ledger, const struct pairs_look *look, bool *all,
                                struct error *err) {
    struct chippings chippings = {0};
    struct pairs_filter of_bib = {.which = PAIRS_ISSUES_OF_BIB, .bib = look->bib};
    enum error_code code = pairs_each_issue(ledger, &of_bib, add_chipping, &chippings, err);
    *all = code == ERR_OK;
    for (size_t i = 0; *all && i < chippings.count; i++) {
        *all = knew(ledger, &look->said.id, &chippings.id[i]);
    }
    return code;
}

/* The number that a chip stands for: of the bib on whose list it is, else the one in its EPC. */
static bool number_of(const struct look_tag *tag, uint64_t *number) {
    if (tag->is == LOOK_IS_LIVE) {
        return bib_number(&tag->issue.bib, number);
    }
    *number = tag->number;
    return tag->has_number;
}

static enum error_code name_carried(struct ledger *ledger, struct proof_bib *bib,
                                    const struct pairs_look *look, struct error *err) {
    enum error_code code = ERR_OK;
    bib->carries = false;
    for (size_t i = 0; code == ERR_OK && i < look->tag_count && !bib->carries; i++) {
        struct look_tag tag;
        code = look_tag(ledger, &look->tag[i].epc, &look->tag[i].tid, &tag, err);
        bib->carries =
            code == ERR_OK && number_of(&tag, &bib->carried) && bib->carried != bib->number;
    }
    return code;
}

static enum error_code take_look(struct ledger *ledger, struct proof_bib *bib,
                                 const struct pairs_look *look, struct error *err) {
    bool counts = false;
    enum error_code code = knew_all(ledger, look, &counts, err);
    if (!counts || (bib->seen && knew(ledger, &bib->look, &look->said.id))) {
        return code;
    }
    bib->seen = true;
    bib->verdict = look->verdict;
    bib->look = look->said.id;
    return look->verdict == LOOK_OTHER ? name_carried(ledger, bib, look, err) : code;
}

/* The looks come by the times of their clocks. */
enum error_code proof_looks(struct ledger *ledger, struct proof_stack *stack, struct error *err) {
    struct looking looking = {.stack = stack};
    enum error_code code = pairs_each_look(ledger, NULL, add_look, &looking, err);
    if (code == ERR_OK && looking.failed) {
        code = error_set(err, ERR_MEMORY, "%zu looks", looking.count);
    }
    for (size_t i = 0; code == ERR_OK && i < looking.count; i++) {
        const struct kept_look *kept = &looking.kept[i];
        code = take_look(ledger, &stack->bib[kept->at], &kept->look, err);
    }
    free(looking.kept);
    return code;
}

struct sample_looks proof_sample(const struct proof_stack *stack) {
    struct sample_looks looks = {.count = stack->count};
    for (size_t i = 0; i < stack->count; i++) {
        looks.n += stack->bib[i].seen ? 1 : 0;
        looks.k += stack->bib[i].seen && stack->bib[i].verdict != LOOK_RIGHT ? 1 : 0;
    }
    if (stack->count > 0) {
        const struct proof_bib *last = &stack->bib[stack->count - 1];
        looks.last_seen = last->seen;
        looks.last_wrong = last->seen && last->verdict != LOOK_RIGHT;
    }
    return looks;
}

/* ---- places ---- */

/* Where the bib that has `number` stands, also just outside the stack; false for a number inside
 * that cannot be looked at. */
static bool place_of(const struct proof_stack *stack, uint64_t number, int64_t *place) {
    bool down = stack->first > stack->last;
    int64_t behind = 0;
    if (number > highest(stack)) {
        behind = (int64_t)(number - highest(stack));
        *place = down ? -behind : (int64_t)stack->count - 1 + behind;
        return true;
    }
    if (number < lowest(stack)) {
        behind = (int64_t)(lowest(stack) - number);
        *place = down ? (int64_t)stack->count - 1 + behind : -behind;
        return true;
    }
    size_t from = 0;
    size_t to = stack->count;
    while (from < to) {
        size_t middle = from + (to - from) / 2;
        bool before =
            down ? stack->bib[middle].number > number : stack->bib[middle].number < number;
        if (before) {
            from = middle + 1;
        } else {
            to = middle;
        }
    }
    *place = (int64_t)from;
    return from < stack->count && stack->bib[from].number == number;
}

static struct shift_look shift_look_of(const struct proof_stack *stack, size_t at) {
    const struct proof_bib *bib = &stack->bib[at];
    struct shift_look look = {.place = at, .seen = SHIFT_ODD};
    int64_t place = 0;
    if (bib->verdict == LOOK_RIGHT) {
        look.seen = SHIFT_RIGHT;
    } else if (bib->verdict == LOOK_OTHER && bib->carries &&
               place_of(stack, bib->carried, &place) && place != (int64_t)at) {
        look.seen = SHIFT_OTHER;
        look.offset = place - (int64_t)at;
    }
    return look;
}

struct shift_look *proof_shift_looks(const struct proof_stack *stack, size_t *count, bool *failed) {
    size_t seen = (size_t)proof_sample(stack).n;
    struct shift_look *looks = seen == 0 ? NULL : calloc(seen, sizeof(*looks));
    *failed = seen > 0 && looks == NULL;
    *count = 0;
    for (size_t i = 0; looks != NULL && i < stack->count; i++) {
        if (stack->bib[i].seen) {
            looks[(*count)++] = shift_look_of(stack, i);
        }
    }
    return looks;
}
