/* desk_rig.c: see desk_rig.h. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/desk_rig.h"

static const struct epc_scheme OWN = {.kind = EPC_OWN, .code = 4711};

/* ---- the world ---- */

static struct ledger *ledger_of(const struct rig *rig) {
    return rig->world.station[rig->at].ledger;
}

static void begin(struct rig *rig) {
    struct desk_config config = {.ledger = ledger_of(rig),
                                 .self = rig->world.station[rig->at].keys.sign_public,
                                 .has_encoder = rig->encoder,
                                 .zone_ms = rig->zone_ms};
    struct error err;
    assert_int_equal(desk_new(&config, slice_of(rig->kept, rig->kept_size), &rig->desk, &err),
                     ERR_OK);
    if (rig->encoder) {
        rig_step(rig, (struct desk_event){.kind = DESK_ENCODER_UP});
        rig_field(rig);
    }
}

void rig_new(struct rig *rig, bool encoder, unsigned per_bib, bool as_read) {
    memset(rig, 0, sizeof *rig);
    world_new_with(&rig->world, as_read, per_bib);
    rig->at = world_join(&rig->world, "Table 1", ROLE_TABLE);
    rig->encoder = encoder;
    rig->now = 1000;
    begin(rig);
}

void rig_free(struct rig *rig) {
    desk_free(rig->desk);
    world_free(&rig->world);
}

void rig_restart(struct rig *rig) {
    desk_free(rig->desk);
    rig->has_order = rig->kept_failed = rig->record_failed = rig->stopped = false;
    begin(rig);
}

/* ---- orders ---- */

static void record(struct rig *rig, const struct desk_order *order) {
    struct desk_event event = {.kind = DESK_RECORDED};
    struct error full;
    uint8_t kept[DESK_KEPT_MAX];
    size_t size = order->kept.size;
    assert_true(size <= sizeof kept);
    memcpy(kept, order->kept.data, size);
    rig->record_failed = rig->disk_full;
    if (rig->disk_full) {
        error_set(&full, ERR_DISK_FULL, "no room");
        rig_step(rig, (struct desk_event){.kind = DESK_NOT_RECORDED, .fault = &full});
        return;
    }
    assert_true(order->act_count > 0);
    if (rig->at_record != NULL) {
        rig->at_record(rig, order);
    }
    for (size_t i = 0; i < order->act_count; i++) {
        assert_true(canon_check(order->acts[i].body));
        event.id = world_write(&rig->world, rig->at, order->acts[i].kind, order->acts[i].body);
        rig->records++;
    }
    rig->last = event.id;
    memcpy(rig->kept, kept, size);
    rig->kept_size = size;
    rig_step(rig, event);
}

static void carry_out(struct rig *rig, const struct desk_order *order) {
    switch (order->kind) {
    case DESK_KEEP:
        assert_true(order->kept.size <= sizeof rig->kept && canon_check(order->kept));
        rig->kept_failed = rig->disk_full;
        if (rig->disk_full) {
            return;
        }
        memcpy(rig->kept, order->kept.data, order->kept.size);
        rig->kept_size = order->kept.size;
        rig->keeps++;
        return;
    case DESK_WRITE:
        assert_false(rig->has_order);
        if (rig->kept_failed) { /* the encoder never gets it */
            rig_step(rig, (struct desk_event){.kind = DESK_FAILED,
                                              .order = order->order,
                                              .why = DESK_FAILED_STOPPED});
            return;
        }
        assert_true(order->order > rig->order.order);
        rig->order = *order;
        rig->has_order = true;
        rig->forgotten = false;
        rig->writes++;
        if (rig->at_write != NULL) {
            rig->at_write(rig, order);
        }
        return;
    case DESK_FORGET:
        assert_int_equal(order->order, rig->order.order);
        rig->forgotten = true;
        return;
    case DESK_RECORD:
        record(rig, order);
        return;
    }
}

static void check_view(const struct desk_view *view) {
    assert_true(utf8_valid(slice_text(view->say)) && utf8_valid(slice_text(view->aside)));
    assert_true(view->tone <= DESK_HALT);
    assert_true(view->tone != DESK_ASK || view->question != 0);
    assert_true(view->question == 0 || view->choice_count > 0);
    assert_true(view->say[0] != '\0');
}

void rig_step(struct rig *rig, struct desk_event event) {
    struct error err;
    const struct desk_order *order = NULL;
    struct desk_order orders[8];
    size_t count = 0;
    event.now.ms = rig->now++;
    event.wall.ms = rig->world.wall;
    if (rig->stopped) {
        return;
    }
    if (rig->step == NULL) {
        assert_int_equal(desk_step(rig->desk, &event, &err), ERR_OK);
    } else if (rig->step(rig->desk, &event, &err) != ERR_OK) {
        rig->stopped = true;
        return;
    }
    check_view(desk_view(rig->desk));
    while ((order = desk_next(rig->desk)) != NULL) {
        assert_true(count < 8);
        orders[count++] = *order;
    }
    for (size_t i = 0; i < count; i++) {
        /* What a record sets off comes after it: it is the last of its step. */
        assert_true(orders[i].kind != DESK_RECORD || i + 1 == count);
        carry_out(rig, &orders[i]);
    }
    if (rig->has_order && !rig->by_hand) {
        rig_written(rig);
    }
}

/* ---- people ---- */

static void say(struct rig *rig, const char *text, bool scanned) {
    rig_step(rig,
             (struct desk_event){.kind = DESK_TEXT, .text = slice_text(text), .scanned = scanned});
}

void rig_scan(struct rig *rig, const char *text) {
    say(rig, text, true);
}

void rig_type(struct rig *rig, const char *text) {
    say(rig, text, false);
}

void rig_answer(struct rig *rig, const char *word) {
    const struct desk_view *view = desk_view(rig->desk);
    bool offered = false;
    for (size_t i = 0; i < view->choice_count; i++) {
        offered = offered || strcmp(view->choice[i].word, word) == 0;
    }
    if (!offered) {
        fail_msg("no answer \"%s\" to: %s", word, view->say);
    }
    rig_step(rig, (struct desk_event){
                      .kind = DESK_ANSWER, .question = view->question, .text = slice_text(word)});
}

void rig_range(struct rig *rig, enum desk_command command, uint64_t first, uint64_t last,
               uint64_t step, uint64_t check_every) {
    rig_step(rig, (struct desk_event){.kind = DESK_COMMAND,
                                      .command = command,
                                      .text = slice_text(""),
                                      .first = first,
                                      .last = last,
                                      .step = step,
                                      .check_every = check_every});
}

void rig_command(struct rig *rig, enum desk_command command) {
    rig_range(rig, command, 0, 0, 0, 0);
}

void rig_tick(struct rig *rig, int64_t ms) {
    rig->now += ms;
    rig_step(rig, (struct desk_event){.kind = DESK_TICK});
}

void rig_news(struct rig *rig) {
    rig_step(rig, (struct desk_event){.kind = DESK_NEWS});
}

/* ---- the antenna ---- */

size_t rig_blank(struct rig *rig) {
    assert_true(rig->tag_count < RIG_TAGS_MAX);
    struct rig_tag *tag = &rig->tag[rig->tag_count];
    memset(tag, 0, sizeof *tag);
    tag->tag.epc.size = 12;
    if (!rig->no_tids) {
        tag->tag.tid.size = 12;
        memcpy(tag->tag.tid.data, "\xE2\x80\x11\x60\x20\x00", 6);
        tag->tag.tid.data[10] = (uint8_t)(rig->tag_count >> 8);
        tag->tag.tid.data[11] = (uint8_t)(rig->tag_count + 1);
    }
    return rig->tag_count++;
}

void rig_field(struct rig *rig) {
    struct desk_tag heard[RIG_TAGS_MAX];
    size_t count = 0;
    for (size_t i = 0; i < rig->tag_count; i++) {
        if (rig->tag[i].there) {
            heard[count++] = rig->tag[i].tag;
        }
    }
    rig_step(rig, (struct desk_event){.kind = DESK_FIELD, .tag = heard, .tag_count = count});
}

void rig_put(struct rig *rig, size_t tag) {
    rig->tag[tag].there = true;
    rig_field(rig);
}

void rig_away(struct rig *rig, size_t tag) {
    rig->tag[tag].there = false;
    rig_field(rig);
}

void rig_clear(struct rig *rig) {
    for (size_t i = 0; i < rig->tag_count; i++) {
        rig->tag[i].there = false;
    }
    rig_field(rig);
}

static struct rig_tag *ordered(struct rig *rig) {
    for (size_t i = 0; i < rig->tag_count; i++) {
        struct desk_tag *tag = &rig->tag[i].tag;
        const struct desk_tag *wanted = &rig->order.tag;
        bool same = wanted->tid.size > 0 ? memcmp(&tag->tid, &wanted->tid, sizeof tag->tid) == 0
                                         : memcmp(&tag->epc, &wanted->epc, sizeof tag->epc) == 0;
        if (rig->tag[i].there && same) {
            return &rig->tag[i];
        }
    }
    return NULL;
}

void rig_written(struct rig *rig) {
    struct rig_tag *tag = ordered(rig);
    assert_true(rig->has_order);
    if (tag == NULL) {
        rig_failed(rig, DESK_FAILED_GONE, false);
        return;
    }
    rig->has_order = false;
    tag->tag.epc = rig->order.epc;
    tag->tag.pc = rig->order.pc;
    rig_step(rig, (struct desk_event){.kind = DESK_WRITTEN,
                                      .order = rig->order.order,
                                      .tag = &tag->tag,
                                      .tag_count = 1});
}

void rig_failed(struct rig *rig, enum desk_failure why, bool changed) {
    assert_true(rig->has_order);
    rig->has_order = false;
    rig_step(rig, (struct desk_event){.kind = DESK_FAILED,
                                      .order = rig->order.order,
                                      .why = why,
                                      .changed = changed,
                                      .text = slice_text("as the test wants it")});
}

/* ---- what came of it ---- */

const struct desk_view *rig_view(const struct rig *rig) {
    return desk_view(rig->desk);
}

void rig_says(const struct rig *rig, enum desk_tone tone, const char *words) {
    const struct desk_view *view = desk_view(rig->desk);
    if (view->tone != tone || strstr(view->say, words) == NULL) {
        fail_msg("wanted tone %d with \"%s\", got tone %d: \"%s\" (aside \"%s\")", (int)tone, words,
                 (int)view->tone, view->say, view->aside);
    }
}

void rig_aside(const struct rig *rig, const char *words) {
    const struct desk_view *view = desk_view(rig->desk);
    if (strstr(view->aside, words) == NULL) {
        fail_msg("wanted aside \"%s\", got \"%s\" (say \"%s\")", words, view->aside, view->say);
    }
}

static bool keep_issue(void *context, const struct pairs_issue *issue) {
    memcpy(context, issue, sizeof *issue);
    return true;
}

struct pairs_issue rig_issue(const struct rig *rig, const char *bib) {
    struct pairs_issue issue;
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = world_label(bib)};
    struct error err;
    memset(&issue, 0, sizeof issue);
    assert_int_equal(pairs_each_issue(ledger_of(rig), &filter, keep_issue, &issue, &err), ERR_OK);
    assert_string_equal(issue.bib.text, bib);
    return issue;
}

size_t rig_live(const struct rig *rig, const char *bib) {
    return world_bib(ledger_of(rig), bib).live;
}

uint64_t rig_number(const struct rig *rig, size_t tag) {
    uint64_t number = 0;
    return epc_number(&OWN, &rig->tag[tag].tag.epc, &number) ? number : 0;
}
