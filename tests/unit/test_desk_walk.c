/*
 * The desk under thousands of events in no sensible order: people who scan and answer anything,
 * chips that come and go, encoders that fail, full disks, power cuts at any moment. Whatever comes,
 * no issue names a chip that does not carry its number, no bib is chipped twice unasked, no order
 * is lost, and the work can go on in the end.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "common/desk_state.h"
#include "tests/unit/desk_rig.h"

enum { STEPS = 1200, BIBS = 24 };

static const struct epc_scheme OWN = {.kind = EPC_OWN, .code = 4711};

struct walk {
    struct rig rig; /* first: the hooks get this one */
    uint64_t random;
    bool as_read;
    unsigned per_bib;
    size_t other;
    size_t issues, voids;
};

/* xorshift64 (Marsaglia, Xorshift RNGs, 2003) */
static unsigned draw(struct walk *walk, unsigned below) {
    walk->random ^= walk->random << 13;
    walk->random ^= walk->random >> 7;
    walk->random ^= walk->random << 17;
    return (unsigned)((walk->random >> 11) % below);
}

/* ---- what must hold ---- */

static bool epc_equal(const struct epc *a, const struct epc *b) {
    return a->size == b->size && memcmp(a->data, b->data, a->size) == 0;
}

static bool tid_equal(const struct tid *a, const struct tid *b) {
    return a->size == b->size && memcmp(a->data, b->data, a->size) == 0;
}

/* Each chip that the issue says was seen exists, and carries what the issue says. */
static void check_chips(struct walk *walk, const struct record_issue *issue) {
    struct rig *rig = &walk->rig;
    bool used[RIG_TAGS_MAX] = {false};
    struct error err;
    for (size_t i = 0; i < issue->tag_count; i++) {
        const struct record_tag *tag = &issue->tag[i];
        /* A chip that was typed in is nowhere on the antenna. */
        bool found = !tag->seen || (walk->as_read && tag->epc.data[1] == 0x80);
        for (size_t j = 0; !found && j < rig->tag_count; j++) {
            const struct desk_tag *real = &rig->tag[j].tag;
            if (!used[j] && epc_equal(&tag->epc, &real->epc) &&
                (tag->tid.size == 0 || tid_equal(&tag->tid, &real->tid))) {
                used[j] = found = true;
            }
        }
        if (!found) {
            fail_msg("bib %s: chip %zu does not carry what is recorded", issue->bib.text, i);
        }
        if (!walk->as_read) {
            struct epc right;
            assert_int_equal(epc_for_bib(&OWN, &issue->bib, &right, &err), ERR_OK);
            assert_true(epc_equal(&right, &tag->epc));
        }
    }
}

struct named {
    const struct record_issue *issue;
    size_t unnamed;
};

static bool check_named(void *context, const struct pairs_issue *old) {
    struct named *named = context;
    bool found = !old->live;
    for (size_t i = 0; i < named->issue->replaces_count; i++) {
        found = found || ID_EQUAL(named->issue->replaces[i], old->id);
    }
    for (size_t i = 0; i < named->issue->extra_count; i++) {
        found = found || ID_EQUAL(named->issue->extra[i], old->id);
    }
    named->unnamed += found ? 0 : 1;
    return true;
}

struct elsewhere {
    const struct bib *bib;
    bool live;
};

static bool check_elsewhere(void *context, const struct pairs_issue *issue) {
    struct elsewhere *elsewhere = context;
    elsewhere->live =
        elsewhere->live || (issue->live && strcmp(issue->bib.text, elsewhere->bib->text) != 0);
    return true;
}

static bool live_elsewhere(struct rig *rig, const struct tid *tid, const struct bib *bib) {
    struct elsewhere elsewhere = {.bib = bib};
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_TID, .tid = *tid};
    struct error err;
    if (tid->size > 0) {
        assert_int_equal(pairs_each_issue(rig->world.station[rig->at].ledger, &filter,
                                          check_elsewhere, &elsewhere, &err),
                         ERR_OK);
    }
    return elsewhere.live;
}

static void check_issue(struct walk *walk, const struct record_issue *issue) {
    struct rig *rig = &walk->rig;
    struct named named = {.issue = issue};
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = issue->bib};
    struct error err;
    check_chips(walk, issue);
    assert_int_equal(
        pairs_each_issue(rig->world.station[rig->at].ledger, &filter, check_named, &named, &err),
        ERR_OK);
    if (named.unnamed > 0) {
        fail_msg("bib %s is chipped twice unasked", issue->bib.text);
    }
    for (size_t i = 0; i < issue->tag_count; i++) {
        if (live_elsewhere(rig, &issue->tag[i].tid, &issue->bib)) {
            fail_msg("the chip of bib %s is on another bib's list", issue->bib.text);
        }
    }
}

static void at_record(struct rig *rig, const struct desk_order *order) {
    struct walk *walk = (struct walk *)rig;
    for (size_t i = 0; i < order->act_count; i++) {
        struct record_issue issue;
        struct record_void taken;
        if (order->acts[i].kind == RECORD_ISSUE) {
            assert_true(record_issue_read(order->acts[i].body, &issue));
            check_issue(walk, &issue);
            walk->issues++;
        } else if (order->acts[i].kind == RECORD_VOID) {
            assert_true(record_void_read(order->acts[i].body, &taken));
            walk->voids++;
        }
    }
}

/* The order is on the disk, and the chip is on nobody's list. */
static void at_write(struct rig *rig, const struct desk_order *order) {
    static struct desk_lasting kept;
    assert_true(desk_kept_read(slice_of(rig->kept, rig->kept_size), &kept));
    assert_true(kept.out.active);
    assert_int_equal(kept.out.number, order->order);
    assert_true(epc_equal(&kept.out.epc, &order->epc));
    assert_false(live_elsewhere(rig, &order->tag.tid, &kept.job.bib));
}

/* ---- what happens ---- */

static void scan_any(struct walk *walk) {
    static const char *const odd[] = {"",        "A1",    "3000",     "+STOP",
                                      "+ABSENT", "+UNDO", "+nothing", "E28011602000AABBCCDDEEFF",
                                      "1 2",     "00000"};
    char text[64];
    unsigned what = draw(walk, 12);
    if (what == 0) {
        rig_scan(&walk->rig, odd[draw(walk, sizeof odd / sizeof odd[0])]);
        return;
    }
    snprintf(text, sizeof text, "%u", 1 + draw(walk, BIBS));
    const struct desk_view *view = rig_view(&walk->rig);
    if (what < 6 && view->bib.text[0] != '\0') {
        snprintf(text, sizeof text, "%s", view->bib.text);
    }
    if (draw(walk, 2) == 0) {
        rig_scan(&walk->rig, text);
    } else {
        rig_type(&walk->rig, text);
    }
}

static void answer_any(struct walk *walk) {
    const struct desk_view *view = rig_view(&walk->rig);
    if (view->question != 0) {
        char word[16];
        snprintf(word, sizeof word, "%s",
                 view->choice[draw(walk, (unsigned)view->choice_count)].word);
        rig_answer(&walk->rig, word);
    } else {
        rig_step(&walk->rig, (struct desk_event){.kind = DESK_ANSWER,
                                                 .question = draw(walk, 3),
                                                 .text = slice_text("replace")});
    }
}

static void command_any(struct walk *walk) {
    static const enum desk_command any[] = {
        DESK_STOP,      DESK_ABSENT, DESK_UNDO,   DESK_CHECK_EMPTY,
        DESK_ON_DEMAND, DESK_LOOK,   DESK_SERIES, DESK_SERIES,
        DESK_REDO,      DESK_ROLL,   DESK_PROVE,  (enum desk_command)99,
    };
    uint64_t first = 1 + draw(walk, BIBS), last = 1 + draw(walk, BIBS);
    enum desk_command command = any[draw(walk, sizeof any / sizeof any[0])];
    rig_step(&walk->rig, (struct desk_event){.kind = DESK_COMMAND,
                                             .command = command,
                                             .text = slice_text(draw(walk, 2) ? "R1" : "R2"),
                                             .first = first,
                                             .last = last,
                                             .step = draw(walk, 3),
                                             .pair = walk->per_bib > 1,
                                             .check_every = draw(walk, 6)});
}

static void antenna_any(struct walk *walk) {
    struct rig *rig = &walk->rig;
    unsigned what = draw(walk, 8);
    if (what == 0 || rig->tag_count == 0) {
        rig_clear(rig);
    }
    if (what < 4 && rig->tag_count < RIG_TAGS_MAX) {
        size_t tag = rig_blank(rig);
        if (walk->as_read) {
            rig->tag[tag].tag.epc.data[0] = 0xE2;
            rig->tag[tag].tag.epc.data[11] = (uint8_t)(tag + 1);
        }
        if (draw(walk, 3) > 0) {
            rig_clear(rig);
        }
        rig_put(rig, tag);
    } else if (rig->tag_count > 0) {
        size_t tag = draw(walk, (unsigned)rig->tag_count);
        if (what < 6) {
            rig_put(rig, tag);
        } else {
            rig_clear(rig);
        }
    }
}

static struct rig_tag *ordered_tag(struct rig *rig) {
    for (size_t i = 0; i < rig->tag_count; i++) {
        const struct desk_tag *wanted = &rig->order.tag;
        const struct desk_tag *tag = &rig->tag[i].tag;
        if (wanted->tid.size > 0 ? tid_equal(&wanted->tid, &tag->tid)
                                 : rig->tag[i].there && epc_equal(&wanted->epc, &tag->epc)) {
            return &rig->tag[i];
        }
    }
    return NULL;
}

/* The encoder answers: rightly, or with any of the faults that there are. */
static void encoder_any(struct walk *walk) {
    struct rig *rig = &walk->rig;
    if (!rig->has_order) {
        rig_field(rig);
        return;
    }
    struct rig_tag *tag = ordered_tag(rig);
    unsigned what = draw(walk, 10);
    if (what < 5 || tag == NULL) {
        rig_written(rig);
    } else if (what < 7) {
        rig_failed(rig, (enum desk_failure)(1 + draw(walk, 7)), false);
    } else if (what == 7) {
        if (draw(walk, 2) == 0) {
            tag->tag.epc = rig->order.epc; /* written, and the answer is lost */
        } else {
            tag->tag.epc.data[5] ^= 0x5A; /* torn */
        }
        rig_failed(rig, DESK_FAILED_READER, true);
    } else if (what == 8) {
        tag->tag.epc.data[3] ^= 0x11;
        rig->has_order = false;
        rig_step(rig, (struct desk_event){.kind = DESK_WRITTEN,
                                          .order = rig->order.order,
                                          .tag = &tag->tag,
                                          .tag_count = 1});
    } else { /* an answer to an order that was never given */
        rig_step(rig, (struct desk_event){.kind = DESK_WRITTEN,
                                          .order = rig->order.order + 1 + draw(walk, 3),
                                          .tag = &tag->tag,
                                          .tag_count = 1});
    }
}

static bool offers(const struct rig *rig, const char *word) {
    const struct desk_view *view = rig_view(rig);
    for (size_t i = 0; i < view->choice_count; i++) {
        if (strcmp(view->choice[i].word, word) == 0) {
            return true;
        }
    }
    return false;
}

/* The power goes, also in the middle of a write; what was ordered is asked about. */
static void power_cut(struct walk *walk) {
    struct rig *rig = &walk->rig;
    bool outstanding = rig->has_order;
    if (outstanding && draw(walk, 2) == 0) {
        struct rig_tag *tag = ordered_tag(rig);
        if (tag != NULL) {
            tag->tag.epc = rig->order.epc;
        }
    }
    size_t made = rig_view(rig)->chips_made, records = rig->records;
    bool kept = !rig->disk_full && !rig->kept_failed && !rig->record_failed;
    rig->disk_full = false;
    for (size_t i = 0; outstanding && i < rig->tag_count; i++) {
        rig->tag[i].there = false; /* or it would settle itself */
    }
    rig_restart(rig);
    if (outstanding && !offers(rig, "thrown")) {
        fail_msg("an order was lost over a power cut: %s", rig_view(rig)->say);
    }
    if (kept && rig->records == records && rig_view(rig)->chips_made < made) {
        fail_msg("chips that were made are lost: %zu of %zu", rig_view(rig)->chips_made, made);
    }
}

static void trouble_any(struct walk *walk) {
    struct rig *rig = &walk->rig;
    char bib[8];
    switch (draw(walk, 6)) {
    case 0:
        rig->has_order = false;
        rig_step(rig, (struct desk_event){.kind = DESK_ENCODER_DOWN, .text = slice_text("gone")});
        return;
    case 1:
        rig->disk_full = !rig->disk_full;
        return;
    case 2:
        power_cut(walk);
        return;
    case 3: /* the other table does what it likes */
        if (rig->disk_full || draw(walk, 3) > 0) {
            return;
        }
        snprintf(bib, sizeof bib, "%u", 1 + draw(walk, BIBS));
        world_issue(&rig->world, walk->other, bib, 5000 + (unsigned)rig->records,
                    5000 + draw(walk, 1000), NULL, NULL);
        world_give(&rig->world, walk->other, rig->at);
        rig_news(rig);
        return;
    default:
        rig->disk_full = false;
        rig_tick(rig, draw(walk, 4000));
        return;
    }
}

static void step_any(struct walk *walk) {
    unsigned what = draw(walk, 100);
    struct rig *rig = &walk->rig;
    if (!rig_view(rig)->encoder && rig->encoder && what < 20) {
        rig_step(rig, (struct desk_event){.kind = DESK_ENCODER_UP});
        rig_field(rig);
    } else if (what < 30) {
        scan_any(walk);
    } else if (what < 45) {
        answer_any(walk);
    } else if (what < 50) {
        command_any(walk);
    } else if (what < 70) {
        antenna_any(walk);
    } else if (what < 94) {
        encoder_any(walk);
    } else {
        trouble_any(walk);
    }
}

/* With all trouble gone, sensible people come to an end. */
static void come_to_rest(struct walk *walk) {
    struct rig *rig = &walk->rig;
    rig->disk_full = false;
    for (int i = 0; i < 60; i++) {
        const struct desk_view *view = rig_view(rig);
        if (rig->encoder && !view->encoder) {
            rig_step(rig, (struct desk_event){.kind = DESK_ENCODER_UP});
            rig_field(rig);
        }
        view = rig_view(rig);
        if (rig->has_order) {
            rig_written(rig);
        } else if (view->question != 0 && offers(rig, "thrown")) {
            rig_answer(rig, "thrown");
        } else if (view->question != 0 && (view->tone == DESK_ASK || view->tone == DESK_HALT)) {
            rig_answer(rig, view->choice[0].word);
        } else {
            rig_command(rig, DESK_STOP);
            rig_clear(rig);
            rig_tick(rig, 5000);
        }
        if (rig_view(rig)->tone == DESK_READY && !offers(rig, "resume")) {
            return;
        }
        if (offers(rig, "resume")) {
            rig_answer(rig, "resume");
        }
    }
    fail_msg("no end: %s", rig_view(rig)->say);
}

static size_t one_walk(uint64_t seed, bool encoder, unsigned per_bib, bool as_read, bool no_tids) {
    static struct walk walk;
    memset(&walk, 0, sizeof walk);
    walk.random = seed * UINT64_C(0x9E3779B97F4A7C15) + 1;
    walk.as_read = as_read;
    walk.per_bib = per_bib;
    rig_new(&walk.rig, encoder, per_bib, as_read);
    walk.other = world_join(&walk.rig.world, "Table 2", ROLE_TABLE);
    walk.rig.by_hand = true;
    walk.rig.no_tids = no_tids;
    walk.rig.at_record = at_record;
    walk.rig.at_write = at_write;
    for (int i = 0; i < STEPS; i++) {
        step_any(&walk);
        if (walk.rig.tag_count == RIG_TAGS_MAX && !walk.rig.has_order) {
            /* Another box of chips: what lies about is swept away. */
            come_to_rest(&walk);
            walk.rig.tag_count = 0;
            rig_clear(&walk.rig);
        }
    }
    come_to_rest(&walk);
    if (getenv("WALK_SAY") != NULL) {
        print_message("seed %u: %zu issues, %zu voids, %zu writes, %zu keeps\n", (unsigned)seed,
                      walk.issues, walk.voids, walk.rig.writes, walk.rig.keeps);
    }
    size_t issues = walk.issues;
    struct error err;
    assert_int_equal(pairs_verify(walk.rig.world.station[walk.rig.at].ledger, false, &err), ERR_OK);
    rig_free(&walk.rig);
    return issues;
}

/* WALK_SEED=N plays one seed, WALK_SEEDS=N so many. */
static void walks(void **state) {
    const char *one = getenv("WALK_SEED"), *many = getenv("WALK_SEEDS");
    uint64_t from = one == NULL ? 1 : strtoull(one, NULL, 10);
    uint64_t count = one != NULL ? 1 : many == NULL ? 24 : strtoull(many, NULL, 10);
    size_t issues = 0;
    (void)state;
    for (uint64_t seed = from; seed < from + count; seed++) {
        print_message("seed %u\n", (unsigned)seed);
        issues += one_walk(seed, seed % 8 != 0, 1 + (unsigned)(seed % 3 != 0), seed % 5 == 0,
                           seed % 4 == 1);
    }
    assert_true(issues > 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(walks)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
