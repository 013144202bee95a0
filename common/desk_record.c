/*
 * desk_record.c: deeds: what is recorded, and what it changes here once it is committed.
 * Must never show a deed as done before that, nor forget what one was about when it failed.
 */
#include "common/desk_state.h"

#include <stdio.h>
#include <string.h>

/* ---- acts ---- */

struct desk_deed *desk_deed(struct desk *desk, enum desk_deed_kind kind) {
    struct desk_deed *deed = &desk->deed;
    memset(deed, 0, sizeof(*deed));
    deed->kind = kind;
    deed->wall = desk->wall;
    buffer_clear(&desk->bodies);
    desk->act_count = 0;
    desk->deed_out = desk->deed_failed = desk->deed_late = false;
    return deed;
}

/* The body was appended to `bodies`. */
void desk_act(struct desk *desk, enum record_kind kind) {
    INVARIANT(desk->act_count < DESK_ACTS_MAX);
    desk->act[desk->act_count++].kind = kind;
    desk->body_at[desk->act_count] = desk->bodies.size;
}

void desk_act_hold(struct desk *desk, const struct bib *bib, enum hold_how how,
                   const char *reason) {
    struct record_hold hold = {.bib = *bib, .how = how, .reason = slice_text(reason)};
    record_hold_write(&hold, &desk->bodies);
    desk_act(desk, RECORD_HOLD);
}

void desk_act_void(struct desk *desk, const struct record_id *ids, size_t count, const char *reason,
                   enum chip_where chip, const struct bib *chip_bib) {
    struct record_void taken = {.target_count = count, .reason = slice_text(reason), .chip = chip};
    memcpy(taken.target, ids, count * sizeof(*ids));
    if (chip_bib != NULL) {
        taken.has_chip_bib = true;
        taken.chip_bib = *chip_bib;
    }
    record_void_write(&taken, &desk->bodies);
    desk_act(desk, RECORD_VOID);
}

enum error_code desk_record_issue(struct desk *desk, struct error *err) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    const struct desk_job *job = &desk->lasting.job;
    struct record_issue issue = {.bib = job->bib,
                                 .tag_count = job->made_count,
                                 .how = job->how,
                                 .replaces_count = job->replaces_count,
                                 .extra_count = job->extra_count,
                                 .reason = slice_text(job->reason),
                                 .chip = job->chip,
                                 .has_chip_bib = job->chip == CHIP_ON_BIB,
                                 .chip_bib = job->chip_bib};
    for (size_t i = 0; i < job->made_count; i++) {
        issue.tag[i].epc = job->made[i].epc;
        issue.tag[i].tid = job->made[i].tid;
        issue.tag[i].seen = job->made[i].seen;
        /* The chip that stayed on the bib came from whatever roll was loaded then. */
        if (job->made[i].seen && !(job->good && i == 0)) {
            issue.tag[i].roll = slice_text(desk->lasting.roll);
        }
    }
    memcpy(issue.replaces, job->replaces, sizeof(issue.replaces));
    memcpy(issue.extra, job->extra, sizeof(issue.extra));
    size_t all = found == NULL ? 0 : record_found_category(found, &job->bib)->tags_per_bib;
    issue.half = job->made_count + job->beside < all;
    struct desk_deed *deed = desk_deed(desk, DEED_ISSUE);
    deed->bib = job->bib;
    deed->how = job->how;
    deed->half = issue.half;
    deed->chips = job->made_count - (job->good ? 1 : 0);
    record_issue_write(&issue, &desk->bodies);
    desk_act(desk, RECORD_ISSUE);
    return desk_record(desk, err);
}

/* ---- what a deed changes ---- */

void desk_latest(struct desk_lasting *lasting, const struct bib *bib, struct wall_ms wall,
                 size_t chips, bool half, const char *say) {
    size_t kept = lasting->last_count < DESK_LAST_MAX ? lasting->last_count : DESK_LAST_MAX - 1;
    memmove(lasting->latest + 1, lasting->latest, kept * sizeof(lasting->latest[0]));
    memmove(lasting->latest_id + 1, lasting->latest_id, kept * sizeof(lasting->latest_id[0]));
    lasting->last_count = kept + 1;
    struct desk_done *done = &lasting->latest[0];
    memset(done, 0, sizeof(*done));
    lasting->latest_id[0] = false;
    done->bib = *bib;
    done->wall = wall;
    done->chips = chips;
    done->half = half;
    desk_print(done->say, sizeof(done->say), "%s", say);
}

static void apply_issue(struct desk_lasting *lasting, const struct desk_deed *deed) {
    struct desk_line *line = &lasting->line;
    desk_latest(lasting, &deed->bib, deed->wall, deed->chips, deed->half,
                deed->half ? "Half done" : "Chipped");
    if (deed->how == ISSUE_SERIES && line->active) {
        line->done++;
        line->has_made = true;
        line->made = line->next;
        desk_line_step(line);
    }
    memset(&lasting->job, 0, sizeof(lasting->job));
}

static void apply_absent(struct desk_lasting *lasting, const struct desk_deed *deed) {
    struct desk_line *line = &lasting->line;
    if (deed->taken_back) {
        lasting->latest[0].undone = true;
        line->done -= line->active && line->done > 0 ? 1 : 0;
    } else {
        memset(&lasting->job, 0, sizeof(lasting->job));
        if (deed->how == ISSUE_SERIES && line->active) {
            line->skipped++;
            desk_line_step(line);
        }
    }
    desk_latest(lasting, &deed->bib, deed->wall, 0, false, "Not here or spoiled");
}

static void apply_undo(struct desk_lasting *lasting, const struct desk_deed *deed) {
    struct desk_line *line = &lasting->line;
    uint64_t number = 0;
    for (size_t i = 0; i < lasting->last_count; i++) {
        if (lasting->latest[i].chips > 0) {
            lasting->latest[i].undone = true;
            break;
        }
    }
    if (line->active && line->has_made && bib_number(&deed->bib, &number) && number == line->made) {
        line->next = line->made;
        line->ended = false;
        line->done -= line->done > 0 ? 1 : 0;
        line->has_made = line->done > 0 && line->made != line->first;
        if (line->has_made) {
            line->made =
                line->first <= line->last ? line->made - line->step : line->made + line->step;
        }
        memset(&lasting->job, 0, sizeof(lasting->job));
    }
}

static void apply_redo(struct desk_lasting *lasting, const struct desk_deed *deed) {
    uint64_t number = 0;
    if (!deed->line_back && lasting->line.active && !lasting->aside_line.active) {
        lasting->aside_line = lasting->line;
    }
    lasting->line = deed->line;
    memset(&lasting->job, 0, sizeof(lasting->job));
    for (size_t i = 0; i < lasting->last_count; i++) {
        struct desk_done *done = &lasting->latest[i];
        if (done->chips > 0 && bib_number(&done->bib, &number) && number >= deed->voided.first &&
            number <= deed->voided.last) {
            done->undone = true;
        }
    }
}

static void apply_roll(struct desk_lasting *lasting, const struct desk_deed *deed) {
    memcpy(lasting->roll, deed->roll, sizeof(lasting->roll));
    lasting->roll_pair = deed->roll_pair;
    lasting->strange_ok = false;
}

static void apply(struct desk_lasting *lasting, const struct desk_deed *deed) {
    switch (deed->kind) {
    case DEED_ISSUE:
        apply_issue(lasting, deed);
        break;
    case DEED_ABSENT:
        apply_absent(lasting, deed);
        break;
    case DEED_UNDO:
        apply_undo(lasting, deed);
        break;
    case DEED_REDO:
        apply_redo(lasting, deed);
        break;
    case DEED_ROLL:
        apply_roll(lasting, deed);
        break;
    case DEED_NONE:
    case DEED_FREE:
    case DEED_ALLOT:
    case DEED_OVER:
    case DEED_LOOK:
        break;
    }
}

/* ---- ordering it ---- */

static enum error_code nothing_to_record(struct desk *desk, struct error *err) {
    struct desk_event event = {.kind = DESK_RECORDED, .now = desk->now, .wall = desk->wall};
    desk->deed_out = true;
    desk->keep_due = true;
    return desk_recorded(desk, &event, err);
}

enum error_code desk_record(struct desk *desk, struct error *err) {
    struct buffer *kept = &desk->kept[desk->order_count];
    struct desk_lasting after = desk->lasting;
    if (desk->bodies.failed) {
        buffer_release(&desk->bodies);
        desk->deed.kind = DEED_NONE;
        return error_set(err, ERR_MEMORY, "what the desk records");
    }
    if (desk->act_count == 0) {
        return nothing_to_record(desk, err);
    }
    apply(&after, &desk->deed);
    buffer_clear(kept);
    desk_kept_write(&after, kept);
    if (kept->failed) {
        buffer_release(kept);
        return error_set(err, ERR_MEMORY, "what the desk keeps");
    }
    for (size_t i = 0; i < desk->act_count; i++) {
        size_t from = i == 0 ? 0 : desk->body_at[i];
        desk->act[i].body = slice_of(desk->bodies.data + from, desk->body_at[i + 1] - from);
    }
    struct desk_order *order = desk_order_add(desk, DESK_RECORD);
    order->kept = buffer_slice(kept);
    order->acts = desk->act;
    order->act_count = desk->act_count;
    desk->deed_out = true;
    desk->deed_failed = desk->deed_late = false;
    desk->keep_due = false;
    return ERR_OK;
}

/* ---- and what came of it ---- */

static void rest(struct desk *desk, const struct desk_job *job) {
    desk->just_count = 0;
    for (size_t i = 0; i < job->made_count; i++) {
        struct desk_tag made = {.epc = job->made[i].epc, .tid = job->made[i].tid};
        for (size_t j = 0; job->made[i].seen && j < desk->field_count; j++) {
            if (desk_tag_same(&made, &desk->field[j])) {
                desk->just[desk->just_count++] = desk->field[j];
                break;
            }
        }
    }
    desk->resting = true;
    desk->rest_bib = job->bib;
}

static void issued(struct desk *desk, const struct desk_job *job, const struct desk_deed *deed,
                   const struct record_id *id) {
    struct desk_lasting *lasting = &desk->lasting;
    lasting->latest[0].id = *id;
    lasting->latest_id[0] = true;
    rest(desk, job);
    desk->aside_old = true;
    if (deed->half) {
        desk_print(desk->rest_say, sizeof(desk->rest_say),
                   "Bib %s is half done: %zu chip%s made. Put it aside until the rest is made.",
                   deed->bib.text, deed->chips, deed->chips == 1 ? "" : "s");
        desk_sound(desk, DESK_SOUND_REFUSED);
    } else {
        bool set = deed->chips > 1;
        desk_print(desk->rest_say, sizeof(desk->rest_say), "Bib %s is chipped. Stick %s on.",
                   deed->bib.text, set ? "them" : "it");
        desk_sound(desk, DESK_SOUND_DONE);
    }
    if (lasting->line.active || desk->stopping) {
        desk_print(desk->news, sizeof(desk->news), "%s", desk->rest_say);
    }
    desk->doubles_due = true;
}

static void say_absent(struct desk *desk, const struct desk_deed *deed) {
    desk->absenting = false;
    if (deed->taken_back) {
        desk->resting = false;
        desk->just_count = 0; /* its chip lies there still, and is nobody's now */
    }
    desk_mention(desk, "Bib %s is put down as not here or spoiled.%s", deed->bib.text,
                 deed->taken_back || deed->chips > 0 ? " Throw its chip away." : "");
}

static enum error_code after_deed(struct desk *desk, const struct desk_deed *deed,
                                  const struct desk_job *job, const struct record_id *id,
                                  struct error *err) {
    bool skipped = false;
    switch (deed->kind) {
    case DEED_ISSUE:
        issued(desk, job, deed, id);
        break;
    case DEED_FREE:
    case DEED_ALLOT:
        /* A series looks at its next number by itself. */
        return deed->how == ISSUE_SERIES ? ERR_OK
                                         : desk_take(desk, &deed->bib, deed->how, &skipped, err);
    case DEED_ABSENT:
        say_absent(desk, deed);
        break;
    case DEED_UNDO:
        desk->resting = false;
        desk->just_count = 0;
        desk_mention(desk, "Bib %s is taken back. Throw its chip away.", deed->bib.text);
        break;
    case DEED_REDO:
        desk->resting = false;
        desk->way = DESK_WAY_ON_DEMAND;
        desk_mention(desk, "%zu bibs are taken back. Throw their chips away.", deed->chips);
        break;
    case DEED_ROLL:
        desk_mention(desk, deed->roll[0] == '\0' ? "No roll is loaded." : "Roll %s is loaded.",
                     deed->roll);
        break;
    case DEED_LOOK:
        if (desk->way == DESK_WAY_PROVE) {
            desk->proved++;
        }
        break;
    case DEED_OVER:
        desk_mention(desk, "Bib %s needs a new chip now.", deed->bib.text);
        break;
    case DEED_NONE:
        break;
    }
    return ERR_OK;
}

enum error_code desk_recorded(struct desk *desk, const struct desk_event *event,
                              struct error *err) {
    if (!desk->deed_out) {
        return ERR_OK;
    }
    struct desk_deed deed = desk->deed;
    struct desk_job job = desk->lasting.job;
    apply(&desk->lasting, &deed);
    desk->deed.kind = DEED_NONE;
    desk->deed_out = desk->deed_failed = desk->deed_late = false;
    if (desk->ask.kind == ASK_AGAIN) {
        desk_close(desk);
    }
    return after_deed(desk, &deed, &job, &event->id, err);
}

void desk_not_recorded(struct desk *desk, const struct desk_event *event) {
    if (!desk->deed_out) {
        return;
    }
    desk->deed_out = false;
    desk->deed_failed = true;
    desk->deed_again.ms = desk->now.ms + DESK_RETRY_MS;
    desk_print(desk->deed_fault, sizeof(desk->deed_fault), "%.150s",
               event->fault == NULL ? "" : event->fault->say);
    if (desk->ask.kind != ASK_AGAIN) {
        struct desk_ask *ask = desk_open(desk, ASK_AGAIN,
                                         "Not recorded yet. %s It is tried again; "
                                         "keep the chip here.",
                                         desk->deed_fault);
        desk_choice(ask, "again", "Try again now");
        desk_sound(desk, DESK_SOUND_ALARM);
    }
}

/* ---- rolls ---- */

/* Whether the roll's tags are such as this event uses: single ones, or pairs. */
static bool roll_fits(struct desk *desk, bool pair) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    bool single = false, sets = false;
    for (size_t i = 0; found != NULL && i < found->category_count; i++) {
        single = single || found->category[i].tags_per_bib == 1;
        sets = sets || found->category[i].tags_per_bib > 1;
    }
    if (pair && !sets) {
        desk_refuse(desk, "That roll has its chips in pairs, and a bib of this event has one. "
                          "Load another roll.");
        return false;
    }
    if (!pair && !single) {
        desk_refuse(desk, "That roll has single chips, and a bib of this event has a pair. Load "
                          "another roll.");
        return false;
    }
    return true;
}

static void act_roll(struct desk *desk, const char *roll, enum roll_how how, bool pair) {
    struct record_roll body = {.roll = slice_text(roll), .how = how, .pair = pair};
    record_roll_write(&body, &desk->bodies);
    desk_act(desk, RECORD_ROLL);
}

enum error_code desk_roll(struct desk *desk, const struct desk_event *event, struct error *err) {
    struct desk_lasting *lasting = &desk->lasting;
    struct slice text = slice_trimmed(event->text);
    if (desk_blocked(desk)) {
        desk_refuse(desk, "Answer the question first, then change the roll.");
        return ERR_OK;
    }
    if (text.size > RECORD_TEXT_MAX || !utf8_valid(text) ||
        (text.size > 0 && memchr(text.data, 0, text.size) != NULL)) {
        desk_refuse(desk, "A roll's name has at most %d bytes.", RECORD_TEXT_MAX);
        return ERR_OK;
    }
    bool same = slice_equal(text, slice_text(lasting->roll)) && event->pair == lasting->roll_pair;
    if (same || (text.size > 0 && !roll_fits(desk, event->pair))) {
        return ERR_OK;
    }
    struct desk_deed *deed = desk_deed(desk, DEED_ROLL);
    if (text.size > 0) {
        memcpy(deed->roll, text.data, text.size);
    }
    deed->roll_pair = text.size > 0 && event->pair;
    if (lasting->roll[0] != '\0') {
        act_roll(desk, lasting->roll, ROLL_REMOVED, lasting->roll_pair);
    }
    if (deed->roll[0] != '\0') {
        act_roll(desk, deed->roll, ROLL_LOADED, deed->roll_pair);
    }
    return desk_record(desk, err);
}
