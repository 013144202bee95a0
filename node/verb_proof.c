/*
 * verb_proof.c: `proof plan` and `proof`: how many bibs of a stack are to be looked at and which,
 * and what the looks so far prove.
 * Must never call a stack proven of which a bib is known to be wrong.
 */
#include <inttypes.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/proof.h"
#include "node/show.h"
#include "node/show_day.h"
#include "node/verb_parts.h"

/* Common practice, no source: the last bib and about sixty others find what matters on the day. */
static const char default_share[] = "5%", default_confidence[] = "95%";
enum { SEED_BYTES = 8, SINGLES_TOLD_MAX = 20 };

/* What is to be proven. */
struct aim {
    const char *share_text, *confidence_text; /* as typed */
    struct sample_share share, confidence;
};

static enum error_code read_aim(const struct options *options, struct aim *aim, struct error *err) {
    const char *share = options_value(options, "--wrong-at-most");
    const char *confidence = options_value(options, "--confidence");
    aim->share_text = share == NULL ? default_share : share;
    aim->confidence_text = confidence == NULL ? default_confidence : confidence;
    enum error_code code = sample_share_parse(slice_text(aim->share_text), &aim->share, err);
    if (code == ERR_OK) {
        code = sample_share_parse(slice_text(aim->confidence_text), &aim->confidence, err);
    }
    if (code == ERR_OK && aim->share.part == aim->share.whole) {
        error_set(err, ERR_USAGE, "--wrong-at-most %.40s", aim->share_text);
        return error_say(err, "Give --wrong-at-most a share below 100%%, like 1%%.");
    }
    if (code == ERR_OK && aim->confidence.part == 0) {
        error_set(err, ERR_USAGE, "--confidence %.40s", aim->confidence_text);
        return error_say(err, "Give --confidence a share above 0%%, like 95%%.");
    }
    return code;
}

static uint64_t needed_of(const struct aim *aim, uint64_t count) {
    return sample_stack_needed(count, sample_share_of(&aim->share, count) + 1, &aim->confidence);
}

/* ---- plan ---- */

struct plan {
    struct aim aim;
    bool has_range;
    struct proof_stack stack; /* count alone without a range */
    char seed[RECORD_TEXT_MAX + 1];
    uint64_t needed;
    bool *chosen; /* with a range: which of the stack's bibs */
};

/* "700" or "1-700". */
static enum error_code read_stack(struct verb_call *call, const char *typed, struct plan *plan,
                                  struct error *err) {
    char *end = NULL;
    if (strchr(typed, '-') != NULL) {
        plan->has_range = true;
        enum error_code code = proof_range(typed, &plan->stack, err);
        return code == ERR_OK ? proof_load(call->station->ledger, &plan->stack, err) : code;
    }
    plan->stack.count = typed[0] < '0' || typed[0] > '9' ? 0 : strtoull(typed, &end, 10);
    if (plan->stack.count < 1 || plan->stack.count > SAMPLE_STACK_MAX || *end != '\0') {
        error_set(err, ERR_USAGE, "--stack %.60s", typed);
        return error_say(err, "Give the stack as its first and last bib, like --stack 1-700, or "
                              "how many bibs it has, at most 1000000.");
    }
    return ERR_OK;
}

/* The seed is a text, so that it can be written down and typed again. */
static enum error_code read_seed(const struct options *options, struct plan *plan,
                                 struct error *err) {
    const char *typed = options_value(options, "--seed");
    uint8_t drawn[SEED_BYTES];
    if (typed == NULL) {
        randombytes_buf(drawn, sizeof(drawn));
        hex_encode(drawn, sizeof(drawn), plan->seed);
        return ERR_OK;
    }
    snprintf(plan->seed, sizeof(plan->seed), "%s", typed);
    return options_text("--seed", typed, RECORD_TEXT_MAX, err);
}

/* The last bib, and the others drawn with BLAKE2b-256 of the seed's text. */
static enum error_code draw(struct plan *plan, struct error *err) {
    uint8_t seed[32];
    size_t count = plan->stack.count;
    INVARIANT(count > 0);
    plan->chosen = calloc(count, sizeof(*plan->chosen));
    if (plan->chosen == NULL) {
        return error_set(err, ERR_MEMORY, "%zu bibs", count);
    }
    crypto_generichash(seed, sizeof(seed), (const uint8_t *)plan->seed, strlen(plan->seed), NULL,
                       0);
    sample_draw(count - 1, plan->needed - 1, seed, plan->chosen);
    plan->chosen[count - 1] = true;
    return ERR_OK;
}

static void tell_left_out(struct buffer *out, const struct proof_stack *stack) {
    if (stack->not_chipped > 0) {
        buffer_print(out, "%zu are not chipped and left out.\n", stack->not_chipped);
    }
    if (stack->held > 0) {
        buffer_print(out, "%zu are on hold and left out.\n", stack->held);
    }
}

static void plan_text(struct buffer *out, const struct plan *plan) {
    size_t on_line = 0;
    buffer_print(out,
                 "Look at %" PRIu64 " of %zu bibs, the last one among them. If all are right, then "
                 "with %s confidence at most %s are wrong (%" PRIu64 " bibs).\n",
                 plan->needed, plan->stack.count, plan->aim.confidence_text, plan->aim.share_text,
                 sample_share_of(&plan->aim.share, plan->stack.count));
    if (!plan->has_range) {
        return;
    }
    tell_left_out(out, &plan->stack);
    for (size_t i = 0; i < plan->stack.count; i++) {
        if (plan->chosen[i]) {
            buffer_print(out, "%s%s", on_line == 0 ? "  " : " ", plan->stack.bib[i].bib.text);
            on_line = (on_line + 1) % 12;
            buffer_print(out, "%s", on_line == 0 ? "\n" : "");
        }
    }
    buffer_print(out, "%sDrawn with --seed %s.\n", on_line == 0 ? "" : "\n", plan->seed);
}

static json_t *plan_json(const struct plan *plan) {
    json_t *bibs = json_array();
    for (size_t i = 0; plan->has_range && i < plan->stack.count; i++) {
        if (plan->chosen[i]) {
            json_array_append_new(bibs, json_string(plan->stack.bib[i].bib.text));
        }
    }
    return json_pack("{s:I, s:I, s:I, s:s, s:I, s:s, s:I, s:o, s:o}", "bibs",
                     (json_int_t)plan->stack.count, "not_chipped",
                     (json_int_t)plan->stack.not_chipped, "held", (json_int_t)plan->stack.held,
                     "wrong_at_most", plan->aim.share_text, "wrong_at_most_bibs",
                     (json_int_t)sample_share_of(&plan->aim.share, plan->stack.count), "confidence",
                     plan->aim.confidence_text, "needed", (json_int_t)plan->needed, "seed",
                     plan->has_range ? show_text_json(plan->seed) : json_null(), "look_at", bibs);
}

static enum error_code make_plan(struct verb_call *call, const struct options *options,
                                 struct plan *plan, struct error *err) {
    const char *typed = NULL;
    enum error_code code = parts_needed(options, "--stack", &typed, err);
    if (code == ERR_OK) {
        code = read_aim(options, &plan->aim, err);
    }
    if (code == ERR_OK) {
        code = read_seed(options, plan, err);
    }
    if (code == ERR_OK) {
        code = read_stack(call, typed, plan, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    plan->needed = needed_of(&plan->aim, plan->stack.count);
    if (plan->has_range) {
        code = draw(plan, err);
    }
    if (code == ERR_OK && call->json) {
        show_json(&call->out, plan_json(plan));
    } else if (code == ERR_OK) {
        plan_text(&call->out, plan);
    }
    return code;
}

void verb_proof_plan(struct verb_call *call) {
    struct options options;
    struct error err;
    struct plan plan = {0};
    enum error_code code = parts_words(call, "proof plan", 0, 0, "", &options, &err);
    if (code == ERR_OK) {
        code = make_plan(call, &options, &plan, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    free(plan.chosen);
    proof_release(&plan.stack);
    options_release(&options);
}

/* ---- what the looks prove ---- */

struct proof {
    struct aim aim;
    struct proof_stack stack;
    struct sample_looks sample;
    uint64_t needed;
    bool proven;
    struct shift_look *look; /* of the bibs that were looked at, in order */
    size_t look_count;
    struct shift_finding finding;
};

static const char *bib_at(const struct proof *proof, uint64_t place) {
    return proof->stack.bib[place].bib.text;
}

static enum error_code find_out(struct proof *proof, struct error *err) {
    bool failed = false;
    uint64_t limit = sample_share_of(&proof->aim.share, proof->stack.count);
    proof->sample = proof_sample(&proof->stack);
    proof->needed = needed_of(&proof->aim, proof->stack.count);
    proof->proven = proof->sample.k == 0 && proof->sample.last_seen &&
                    sample_stack_rules_out(&proof->sample, limit + 1, &proof->aim.confidence);
    proof->look = proof_shift_looks(&proof->stack, &proof->look_count, &failed);
    if (failed) {
        return error_set(err, ERR_MEMORY, "%" PRIu64 " looks", proof->sample.n);
    }
    shift_find(proof->look, proof->look_count, proof->stack.count, &proof->finding);
    return ERR_OK;
}

/* The one sentence of what is proven. */
static void say_proof(const struct proof *proof, struct buffer *out) {
    const struct sample_looks *sample = &proof->sample;
    uint64_t limit = sample_share_of(&proof->aim.share, sample->count);
    buffer_print(out, "%" PRIu64 " of %" PRIu64 " bibs were looked at", sample->n, sample->count);
    if (sample->k > 0) {
        uint64_t most = sample_stack_most_wrong(sample, &proof->aim.confidence);
        buffer_print(out, ", and %" PRIu64 " %s wrong: this stack is not right.", sample->k,
                     sample->k == 1 ? "is" : "are");
        buffer_print(out, " With %s confidence at most %" PRIu64 " are wrong.",
                     proof->aim.confidence_text, most);
    } else if (proof->proven) {
        buffer_print(out,
                     ", the last one among them, and all are right: with %s confidence at most %s "
                     "are wrong (%" PRIu64 " bibs).",
                     proof->aim.confidence_text, proof->aim.share_text, limit);
    } else {
        uint64_t more = proof->needed > sample->n ? proof->needed - sample->n : 1;
        buffer_print(out, "%s. That is not enough yet: look at %" PRIu64 " more%s.",
                     sample->n == 0 ? "" : ", and all are right", more,
                     sample->last_seen ? "" : ", the last one among them");
    }
}

static void say_next(const struct proof *proof, struct buffer *out) {
    const struct shift_finding *finding = &proof->finding;
    const char *next = finding->has_next ? bib_at(proof, finding->next) : "";
    if (!finding->has_next) {
        return;
    }
    switch (finding->why) {
    case SHIFT_NEIGHBOUR:
        buffer_print(out, "Look at bib %s next: is one bib wrong, or its neighbours too?\n", next);
        break;
    case SHIFT_BEGINNING:
        buffer_print(out, "Look at bib %s next, to find where the shift begins.\n", next);
        break;
    case SHIFT_END:
        buffer_print(out, "Look at bib %s next, to find where the shift ends.\n", next);
        break;
    }
}

/* `redo` takes the lower number first, also for a stack that was worked downwards. */
static void say_run(const struct proof *proof, const struct shift_run *run, struct buffer *out) {
    bool after = run->offset > 0;
    bool down = proof->stack.turned;
    uint64_t by = (uint64_t)(after ? run->offset : -run->offset);
    buffer_print(out, "The shift begins at bib %s: redo %s-%s. Each carries the chip of the bib ",
                 bib_at(proof, run->first), bib_at(proof, down ? run->last : run->first),
                 bib_at(proof, down ? run->first : run->last));
    if (by == 1) {
        buffer_print(out, "%s it", after ? "after" : "before");
    } else {
        buffer_print(out, "%" PRIu64 " places %s it", by, after ? "after" : "before");
    }
    buffer_print(out, "%s.\n", run->mixed ? ", and that changes on the way" : "");
}

static void say_singles(const struct proof *proof, struct buffer *out) {
    size_t told = 0;
    for (size_t i = 0; i < proof->look_count; i++) {
        if (!proof->look[i].alone) {
            continue;
        }
        if (told++ == SINGLES_TOLD_MAX) {
            buffer_print(out, "More are wrong by themselves: --json has all.\n");
            return;
        }
        const struct proof_bib *bib = &proof->stack.bib[proof->look[i].place];
        buffer_print(out, "Bib %s is wrong by itself: %s", bib->bib.text,
                     show_verdict(bib->verdict));
        if (bib->carries) {
            buffer_print(out, ", number %" PRIu64, bib->carried);
        }
        buffer_print(out, ". Redo it.\n");
    }
}

static void proof_text(const struct proof *proof, struct buffer *out) {
    say_proof(proof, out);
    buffer_print(out, "\n");
    tell_left_out(out, &proof->stack);
    for (size_t i = 0; i < proof->finding.run_count; i++) {
        say_run(proof, &proof->finding.run[i], out);
    }
    say_singles(proof, out);
    say_next(proof, out);
}

/* ---- for programs ---- */

static json_t *next_json(const struct proof *proof) {
    static const char *const whys[] = {
        [SHIFT_NEIGHBOUR] = "neighbour", [SHIFT_BEGINNING] = "beginning", [SHIFT_END] = "end"};
    const struct shift_finding *finding = &proof->finding;
    return finding->has_next ? json_pack("{s:s, s:s}", "bib", bib_at(proof, finding->next), "why",
                                         whys[finding->why])
                             : json_null();
}

static json_t *shifts_json(const struct proof *proof) {
    json_t *shifts = json_array();
    for (size_t i = 0; i < proof->finding.run_count; i++) {
        const struct shift_run *run = &proof->finding.run[i];
        json_array_append_new(shifts,
                              json_pack("{s:s, s:s, s:I, s:b}", "first", bib_at(proof, run->first),
                                        "last", bib_at(proof, run->last), "offset",
                                        (json_int_t)run->offset, "mixed", run->mixed));
    }
    return shifts;
}

static json_t *wrong_json(const struct proof *proof) {
    json_t *wrong = json_array();
    for (size_t i = 0; i < proof->look_count; i++) {
        const struct proof_bib *bib = &proof->stack.bib[proof->look[i].place];
        if (bib->verdict != LOOK_RIGHT) {
            json_array_append_new(
                wrong,
                json_pack("{s:s, s:s, s:o, s:b}", "bib", bib->bib.text, "verdict",
                          show_verdict_name(bib->verdict), "carries",
                          bib->carries ? json_integer((json_int_t)bib->carried) : json_null(),
                          "alone", proof->look[i].alone));
        }
    }
    return wrong;
}

static json_t *proof_json(const struct proof *proof) {
    struct buffer say;
    const struct sample_looks *sample = &proof->sample;
    uint64_t limit = sample_share_of(&proof->aim.share, sample->count);
    buffer_init(&say);
    say_proof(proof, &say);
    buffer_append(&say, "", 1);
    json_t *object =
        json_pack("{s:I, s:I, s:I, s:I, s:I, s:b, s:I, s:s, s:I, s:s, s:f, s:I, s:b}", "bibs",
                  (json_int_t)sample->count, "not_chipped", (json_int_t)proof->stack.not_chipped,
                  "held", (json_int_t)proof->stack.held, "looked_at", (json_int_t)sample->n,
                  "right", (json_int_t)(sample->n - sample->k), "last_looked_at", sample->last_seen,
                  "needed", (json_int_t)proof->needed, "wrong_at_most", proof->aim.share_text,
                  "wrong_at_most_bibs", (json_int_t)limit, "confidence", proof->aim.confidence_text,
                  "confidence_reached", sample_stack_confidence(sample, limit + 1), "most_wrong",
                  (json_int_t)sample_stack_most_wrong(sample, &proof->aim.confidence), "proven",
                  proof->proven);
    json_object_set_new(object, "wrong", wrong_json(proof));
    json_object_set_new(object, "shifts", shifts_json(proof));
    json_object_set_new(object, "next", next_json(proof));
    json_object_set_new(object, "say", say.failed ? NULL : show_text_json((const char *)say.data));
    buffer_release(&say);
    return object;
}

static enum error_code prove(struct verb_call *call, const struct options *options,
                             struct proof *proof, struct error *err) {
    const char *typed = NULL;
    struct ledger *ledger = call->station->ledger;
    enum error_code code = parts_needed(options, "--stack", &typed, err);
    if (code == ERR_OK) {
        code = read_aim(options, &proof->aim, err);
    }
    if (code == ERR_OK) {
        code = proof_range(typed, &proof->stack, err);
    }
    if (code == ERR_OK) {
        code = proof_load(ledger, &proof->stack, err);
    }
    if (code == ERR_OK) {
        code = proof_looks(ledger, &proof->stack, err);
    }
    if (code == ERR_OK) {
        code = find_out(proof, err);
    }
    if (code == ERR_OK && call->json) {
        show_json(&call->out, proof_json(proof));
    } else if (code == ERR_OK) {
        proof_text(proof, &call->out);
    }
    if (code == ERR_OK && !proof->proven) {
        call->status = (int)ERROR_CLASS_STATE;
    }
    return code;
}

void verb_proof(struct verb_call *call) {
    struct options options;
    struct error err;
    struct proof *proof = parts_room(call, sizeof(*proof));
    if (proof == NULL) {
        return;
    }
    enum error_code code = parts_words(call, "proof", 0, 0, "", &options, &err);
    if (code == ERR_OK) {
        code = prove(call, &options, proof, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    free(proof->look);
    proof_release(&proof->stack);
    free(proof);
    options_release(&options);
}
