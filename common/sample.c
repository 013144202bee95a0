/*
 * sample.c: the hypergeometric distribution, for proofs of a stack.
 * Must never claim more than is proven: where rounding leaves a doubt, it is counted exactly, or as
 * not proven.
 */
#include "common/sample.h"

#include <float.h>
#include <sodium.h>

/* ---- shares as text ---- */

enum { SHARE_DIGITS_MAX = 9 };

struct reading {
    uint64_t value;
    unsigned behind; /* digits behind the point */
    bool digits, point, blank, percent;
};

/* False for a character that is in no share, or in the wrong place. */
static bool read_character(struct reading *reading, uint8_t c) {
    if (reading->percent) {
        return false;
    }
    if (c >= '0' && c <= '9' && !reading->blank) {
        reading->value = reading->value * 10 + (uint64_t)(c - '0');
        reading->behind += reading->point ? 1 : 0;
        reading->digits = true;
        return reading->behind <= SHARE_DIGITS_MAX && reading->value <= UINT64_C(100000000000);
    }
    if ((c == '.' || c == ',') && !reading->blank) {
        bool first = !reading->point;
        reading->point = true;
        return first;
    }
    reading->blank = c == ' ';
    reading->percent = c == '%';
    return reading->digits && (reading->blank || reading->percent);
}

enum error_code sample_share_parse(struct slice typed, struct sample_share *share,
                                   struct error *err) {
    struct slice text = slice_trimmed(typed);
    struct reading reading = {0};
    bool good = text.size > 0;
    for (size_t i = 0; good && i < text.size; i++) {
        good = read_character(&reading, text.data[i]);
    }
    unsigned behind = reading.behind + (reading.percent ? 2 : 0);
    uint64_t whole = 1;
    for (unsigned i = 0; i < behind && i <= SHARE_DIGITS_MAX; i++) {
        whole *= 10;
    }
    if (!good || !reading.digits || behind > SHARE_DIGITS_MAX || reading.value > whole) {
        error_set(err, ERR_USAGE, "not a share");
        return error_say(err, "Give a share like 1%% or 0.01, from 0%% to 100%%.");
    }
    *share = (struct sample_share){reading.value, whole};
    return ERR_OK;
}

uint64_t sample_share_of(const struct sample_share *share, uint64_t count) {
    return share->part * count / share->whole;
}

/* ---- in long double ---- */

/* A sum of chances with a bound on its relative error. Chances may lie far below the least number
 * that a long double holds: the true value is `sum` times 2^(-4096 * scale). */
struct chance {
    long double sum;
    long double error;
    uint64_t scale;
};
static const long double scale_up = 0x1p4096L, scale_down = 0x1p-4096L;
_Static_assert(LDBL_MAX_EXP > 8192, "long double has a range of 15 bits");

/* What is looked for, with n the smaller of "looked at" and "wrong": they may change places. */
struct question {
    uint64_t count, wrong, n, k;
};
static struct question question_of(uint64_t count, uint64_t wrong, uint64_t n, uint64_t k) {
    bool swap = n > wrong;
    return (struct question){count, swap ? n : wrong, swap ? wrong : n, k};
}

/* The fewest wrong ones that n looks can show. */
static uint64_t fewest(const struct question *q) {
    uint64_t right = q->count - q->wrong;
    return q->n > right ? q->n - right : 0;
}

static void scale_if_tiny(struct chance *chance, long double *term) {
    if (*term < scale_down) {
        *term *= scale_up;
        chance->scale++;
    }
}

/* Terms rise up to the likeliest one. Those behind it may sink to nothing: the sum is large then.
 */
static void scale_back(struct chance *chance, long double *term) {
    if (chance->scale > 0 && *term > 1) {
        *term *= scale_down;
        chance->sum *= scale_down;
        chance->scale--;
    }
}

/* The chance of exactly fewest(q), as a product of quotients of whole numbers below 2^53. */
static long double first_term(const struct question *q, uint64_t low, struct chance *chance) {
    long double term = 1;
    if (low == 0) {
        for (uint64_t i = 0; i < q->n; i++) {
            term *= (long double)(q->count - q->wrong - i) / (long double)(q->count - i);
            scale_if_tiny(chance, &term);
        }
        return term;
    }
    /* C(wrong, low) / C(count, n), with count - n = wrong - low = m: the m factors of wrong! over
     * low! stand against those of count! over n!. */
    uint64_t m = q->wrong - low;
    for (uint64_t i = 1; i <= m; i++) {
        term *= (long double)(low + i) / (long double)(q->n + i);
        scale_if_tiny(chance, &term);
    }
    return term;
}

/* The chance of at most k wrong ones; k is at least fewest(q) and below n. */
static struct chance chance_of(const struct question *q) {
    struct chance chance = {0};
    uint64_t low = fewest(q);
    uint64_t steps = low == 0 ? q->n : q->wrong - low;
    long double term = first_term(q, low, &chance);
    chance.sum = term;
    for (uint64_t j = low; j < q->k; j++) {
        uint64_t above = (q->wrong - j) * (q->n - j);
        uint64_t below = (j + 1) * (q->count - q->wrong - q->n + j + 1);
        term *= (long double)above / (long double)below;
        scale_back(&chance, &term);
        chance.sum += term;
    }
    /* Two roundings for each factor, three for each further term, and a few to spare. */
    chance.error = LDBL_EPSILON * (2 * (long double)steps + 3 * (long double)(q->k - low) + 16);
    return chance;
}

/* ---- in whole numbers ---- */

enum { EXACT_MAX = 6000, FACTOR_BITS = 20, NATURAL_WORDS = EXACT_MAX * FACTOR_BITS / 32 + 8 };

/* A natural number, its lowest word first, without zero words at the end. */
struct natural {
    size_t size;
    uint32_t word[NATURAL_WORDS];
};

static void natural_times(struct natural *number, uint64_t factor) {
    uint64_t carry = 0;
    for (size_t i = 0; i < number->size; i++) {
        carry += (uint64_t)number->word[i] * factor;
        number->word[i] = (uint32_t)carry;
        carry >>= 32;
    }
    if (carry > 0) {
        INVARIANT(number->size < NATURAL_WORDS);
        number->word[number->size++] = (uint32_t)carry;
    }
    while (number->size > 0 && number->word[number->size - 1] == 0) {
        number->size--;
    }
}

/* `divisor` divides the number. */
static void natural_over(struct natural *number, uint64_t divisor) {
    uint64_t rest = 0;
    for (size_t i = number->size; i > 0; i--) {
        rest = rest << 32 | number->word[i - 1];
        number->word[i - 1] = (uint32_t)(rest / divisor);
        rest %= divisor;
    }
    INVARIANT(rest == 0);
    while (number->size > 0 && number->word[number->size - 1] == 0) {
        number->size--;
    }
}

static void natural_plus(struct natural *sum, const struct natural *other) {
    uint64_t carry = 0;
    size_t i = 0;
    for (; i < sum->size || i < other->size || carry > 0; i++) {
        INVARIANT(i < NATURAL_WORDS);
        carry +=
            (i < sum->size ? sum->word[i] : 0) + (uint64_t)(i < other->size ? other->word[i] : 0);
        sum->word[i] = (uint32_t)carry;
        carry >>= 32;
    }
    sum->size = i > sum->size ? i : sum->size;
}

static bool natural_at_most(const struct natural *a, const struct natural *b) {
    if (a->size != b->size) {
        return a->size < b->size;
    }
    for (size_t i = a->size; i > 0; i--) {
        if (a->word[i - 1] != b->word[i - 1]) {
            return a->word[i - 1] < b->word[i - 1];
        }
    }
    return true;
}

/* Times C(from, taken): after each pair of steps it is whole again. */
static void natural_times_ways(struct natural *number, uint64_t from, uint64_t taken) {
    for (uint64_t i = 0; i < taken; i++) {
        natural_times(number, from - i);
        natural_over(number, i + 1);
    }
}

/* Whether ways(at most k wrong) * whole <= all ways * (whole - part). n is at most EXACT_MAX. */
static bool exactly_rules_out(const struct question *q, const struct sample_share *confidence) {
    struct natural term = {1, {1}};
    struct natural ways = {0};
    struct natural all = {1, {1}};
    uint64_t low = fewest(q);
    natural_times_ways(&all, q->count, q->n);
    natural_times_ways(&term, q->count - q->wrong, q->n - low);
    natural_times_ways(&term, q->wrong, low);
    natural_plus(&ways, &term);
    for (uint64_t j = low; j < q->k; j++) {
        natural_times(&term, q->wrong - j);
        natural_times(&term, q->n - j);
        natural_over(&term, j + 1);
        natural_over(&term, q->count - q->wrong - q->n + j + 1);
        natural_plus(&ways, &term);
    }
    natural_times(&ways, confidence->whole);
    natural_times(&all, confidence->whole - confidence->part);
    return natural_at_most(&ways, &all);
}

/* ---- answers ---- */

bool sample_rules_out(uint64_t count, uint64_t wrong, uint64_t n, uint64_t k,
                      const struct sample_share *confidence) {
    struct question q = question_of(count, wrong, n, k);
    if (wrong > count || n > count || k < fewest(&q)) {
        return true; /* so few cannot have been seen */
    }
    if (k >= q.n) {
        return false; /* so few are always seen */
    }
    uint64_t left = confidence->whole - confidence->part;
    if (left == 0) {
        return false;
    }
    struct chance chance = chance_of(&q);
    if (chance.scale > 0) {
        return true; /* below 2^-4095 */
    }
    long double ways = chance.sum * (long double)confidence->whole;
    long double bound = ways * chance.error;
    if (ways + bound <= (long double)left) {
        return true;
    }
    if (ways - bound > (long double)left) {
        return false;
    }
    return q.n <= EXACT_MAX && exactly_rules_out(&q, confidence);
}

uint64_t sample_needed(uint64_t count, uint64_t wrong, const struct sample_share *confidence) {
    uint64_t from = 0;
    uint64_t to = count; /* all of them always do */
    while (from < to) {
        uint64_t middle = from + (to - from) / 2;
        if (sample_rules_out(count, wrong, middle, 0, confidence)) {
            to = middle;
        } else {
            from = middle + 1;
        }
    }
    return from;
}

uint64_t sample_most_wrong(uint64_t count, uint64_t n, uint64_t k,
                           const struct sample_share *confidence) {
    uint64_t from = k;
    uint64_t to = count - n + k; /* more than that cannot be wrong */
    while (from < to) {
        uint64_t middle = from + (to - from) / 2;
        if (sample_rules_out(count, middle + 1, n, k, confidence)) {
            to = middle;
        } else {
            from = middle + 1;
        }
    }
    return from;
}

double sample_confidence(uint64_t count, uint64_t wrong, uint64_t n, uint64_t k) {
    struct question q = question_of(count, wrong, n, k);
    if (wrong > count || n > count || k < fewest(&q)) {
        return 1;
    }
    if (k >= q.n) {
        return 0;
    }
    struct chance chance = chance_of(&q);
    if (chance.scale > 0) {
        return 1 - DBL_EPSILON;
    }
    long double left = 1 - chance.sum * (1 + chance.error);
    double confidence = (double)left - DBL_EPSILON; /* one more than it may have been rounded up */
    return confidence > 0 ? confidence : 0;
}

/* ---- stacks ---- */

/* The looks at all bibs but the last, where that was seen; *wrong is what is left for them. */
static struct sample_looks others_of(const struct sample_looks *looks, uint64_t *wrong) {
    struct sample_looks others = *looks;
    if (looks->last_seen) {
        others.count--;
        others.n--;
        others.k -= looks->last_wrong ? 1 : 0;
        *wrong -= looks->last_wrong && *wrong > 0 ? 1 : 0;
    }
    return others;
}

uint64_t sample_stack_needed(uint64_t count, uint64_t wrong,
                             const struct sample_share *confidence) {
    return count == 0 ? 0 : 1 + sample_needed(count - 1, wrong, confidence);
}

bool sample_stack_rules_out(const struct sample_looks *looks, uint64_t wrong,
                            const struct sample_share *confidence) {
    struct sample_looks others = others_of(looks, &wrong);
    return sample_rules_out(others.count, wrong, others.n, others.k, confidence);
}

uint64_t sample_stack_most_wrong(const struct sample_looks *looks,
                                 const struct sample_share *confidence) {
    uint64_t none = 0;
    struct sample_looks others = others_of(looks, &none);
    uint64_t most = sample_most_wrong(others.count, others.n, others.k, confidence);
    return most + (looks->last_seen && looks->last_wrong ? 1 : 0);
}

double sample_stack_confidence(const struct sample_looks *looks, uint64_t wrong) {
    struct sample_looks others = others_of(looks, &wrong);
    return sample_confidence(others.count, wrong, others.n, others.k);
}

/* ---- drawing ---- */

enum { DRAW_BLOCK = 512 };
struct draw {
    const uint8_t *seed;
    uint64_t block;
    size_t at;
    uint8_t data[DRAW_BLOCK];
};

static uint64_t little_end(const uint8_t *data) {
    uint64_t value = 0;
    for (size_t i = 8; i > 0; i--) {
        value = value << 8 | data[i - 1];
    }
    return value;
}

static uint64_t draw_next(struct draw *draw) {
    if (draw->at == DRAW_BLOCK) {
        uint8_t nonce[crypto_stream_chacha20_NONCEBYTES];
        for (size_t i = 0; i < sizeof(nonce); i++) {
            nonce[i] = (uint8_t)(draw->block >> (8 * i));
        }
        crypto_stream_chacha20(draw->data, DRAW_BLOCK, nonce, draw->seed);
        draw->block++;
        draw->at = 0;
    }
    draw->at += 8;
    return little_end(draw->data + draw->at - 8);
}

/* 0 to bound - 1, each as likely: of the 2^64 values the last, incomplete round is skipped. */
static uint64_t draw_below(struct draw *draw, uint64_t bound) {
    uint64_t skipped = (UINT64_MAX % bound + 1) % bound;
    uint64_t value = 0;
    do {
        value = draw_next(draw);
    } while (value > UINT64_MAX - skipped);
    return value % bound;
}

void sample_draw(uint64_t count, uint64_t n, const uint8_t seed[32], bool *chosen) {
    struct draw draw = {.seed = seed, .at = DRAW_BLOCK};
    uint64_t left = n;
    for (uint64_t i = 0; i < count; i++) {
        chosen[i] = draw_below(&draw, count - i) < left;
        left -= chosen[i] ? 1 : 0;
    }
}
