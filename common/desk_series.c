/*
 * desk_series.c: a stack that is worked through, and what takes work back: stop, absent, undo,
 * redo. Must never lose the place, nor go on past a bib that was not settled.
 */
#include "common/desk_state.h"

#include <string.h>

/* ---- the place ---- */

static bool rising(const struct desk_line *line) {
    return line->first <= line->last;
}

static bool is_final(const struct desk_line *line) {
    return (rising(line) ? line->last - line->next : line->next - line->last) < line->step;
}

void desk_line_step(struct desk_line *line) {
    if (is_final(line)) {
        line->ended = true;
    } else {
        line->next = rising(line) ? line->next + line->step : line->next - line->step;
    }
}

bool desk_since_check(const struct desk_line *line, uint64_t *from) {
    if (!line->has_made) {
        return false;
    }
    if (!line->has_checked) {
        *from = line->first;
        return true;
    }
    /* The bib that was scanned right got a chip of its own; what came after it may be shifted. */
    bool ahead = rising(line) ? line->checked >= line->made : line->checked <= line->made;
    if (!ahead) {
        *from = rising(line) ? line->checked + line->step : line->checked - line->step;
    }
    return !ahead;
}

bool desk_must_check(const struct desk *desk) {
    const struct desk_line *line = &desk->lasting.line;
    if (line->force_check) {
        return true;
    }
    if (line->has_checked && line->checked == line->next) {
        return false;
    }
    /* Without an encoder nothing tells that the hand has gone on to the next bib. */
    return !desk->config.has_encoder || line->done % line->check_every == 0 || is_final(line);
}

void desk_checked(struct desk *desk, const struct bib *bib) {
    struct desk_line *line = &desk->lasting.line;
    line->has_checked = true;
    line->checked = line->ended ? line->made : line->next;
    line->force_check = false;
    desk_mention(desk, "Bib %s is the right one.", bib->text);
    desk->keep_due = true;
}

void desk_line_end(struct desk *desk) {
    struct desk_lasting *lasting = &desk->lasting;
    const struct desk_line *line = &lasting->line;
    desk_print(desk->news, sizeof(desk->news), "The series %s: %llu chipped, %llu skipped.",
               line->ended ? "is done" : "is stopped", (unsigned long long)line->done,
               (unsigned long long)line->skipped);
    lasting->line = lasting->aside_line;
    memset(&lasting->aside_line, 0, sizeof(lasting->aside_line));
    lasting->line.paused = lasting->line.active;
    desk->allow_series = false;
    desk->keep_due = true;
}

static bool of_event(const struct record_found *found, uint64_t number) {
    return bib_ranges_hold(&found->bibs, number) || bib_ranges_hold(&found->late, number);
}

/* "120-116" is what somebody types who means a series, as long as no bib of that name is known. */
enum error_code desk_is_run(struct desk *desk, const struct bib *bib, bool *run,
                            struct error *err) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    const char *hyphen = strchr(bib->text, '-');
    struct bib from = {{0}}, to = {{0}};
    struct pairs_bib state;
    uint64_t first = 0, last = 0;
    *run = false;
    if (found == NULL || hyphen == NULL) {
        return ERR_OK;
    }
    memcpy(from.text, bib->text, (size_t)(hyphen - bib->text));
    memcpy(to.text, hyphen + 1, strlen(hyphen + 1));
    if (!bib_number(&from, &first) || !bib_number(&to, &last) || !of_event(found, first) ||
        !of_event(found, last)) {
        return ERR_OK;
    }
    enum error_code code = pairs_bib(desk->config.ledger, bib, &state, err);
    *run = code == ERR_OK && state.state == PAIRS_UNISSUED && !state.doubt;
    return code;
}

void desk_series(struct desk *desk, const struct desk_event *event) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    struct desk_lasting *lasting = &desk->lasting;
    if (found == NULL || event->first == 0 || event->last == 0 || !of_event(found, event->first) ||
        !of_event(found, event->last)) {
        desk_refuse(desk, "A series goes from one number of this event to another.");
        return;
    }
    desk_close(desk);
    desk->resting = desk->allow_series = false;
    desk_look_end(desk);
    desk->way = DESK_WAY_ON_DEMAND;
    lasting->line = (struct desk_line){.active = true,
                                       .first = event->first,
                                       .last = event->last,
                                       .next = event->first,
                                       .step = event->step == 0 ? 1 : event->step,
                                       .check_every = event->check_every == 0 ? DESK_CHECK_EVERY
                                                                              : event->check_every};
    desk->keep_due = true;
}

enum error_code desk_turn(struct desk *desk, bool *again, struct error *err) {
    struct desk_line *line = &desk->lasting.line;
    bool skipped = false;
    if (line->ended) {
        if (!line->has_made || (line->has_checked && line->checked == line->made)) {
            desk_line_end(desk);
        }
        return ERR_OK; /* else the last bib is still to be scanned */
    }
    struct bib bib = desk_label(line->next);
    enum error_code code = desk_take(desk, &bib, ISSUE_SERIES, &skipped, err);
    if (code == ERR_OK && skipped) {
        line->skipped++;
        desk_line_step(line);
        desk->keep_due = true;
    }
    *again = code == ERR_OK && (skipped || desk->lasting.job.active);
    return code;
}

/* ---- stop ---- */

static void stop_question(struct desk *desk) {
    struct desk_job *job = &desk->lasting.job;
    if (desk->ask.kind == ASK_INDOUBT || desk->ask.kind == ASK_AGAIN) {
        return; /* must be settled all the same */
    }
    if (desk->ask.kind == ASK_LATE) {
        if (job->made_count > (job->good ? 1U : 0U)) {
            desk_mention(desk, "Throw the chip made for bib %s away.", job->bib.text);
        }
        memset(job, 0, sizeof(*job));
        desk->keep_due = true;
    }
    desk_close(desk);
}

void desk_stop(struct desk *desk) {
    stop_question(desk);
    desk->absenting = false;
    if (desk->way != DESK_WAY_ON_DEMAND && !desk->lasting.job.active) {
        desk_look_end(desk);
        desk->way = DESK_WAY_ON_DEMAND;
        desk->look_due = false;
        return;
    }
    desk->stopping = true;
    desk->restart = false;
    desk_forget(desk);
}

/* ---- this bib is not here, or spoiled ---- */

static enum error_code absent_done(struct desk *desk, struct error *err) {
    struct desk_lasting *lasting = &desk->lasting;
    if (lasting->last_count == 0 || !lasting->latest_id[0] || lasting->latest[0].undone ||
        !desk_same_bib(&lasting->latest[0].bib, &desk->rest_bib)) {
        desk_refuse(desk, "No bib is in turn.");
        return ERR_OK;
    }
    struct desk_deed *deed = desk_deed(desk, DEED_ABSENT);
    deed->bib = desk->rest_bib;
    deed->taken_back = true;
    desk_act_void(desk, &lasting->latest[0].id, 1, "the bib is not here or spoiled", CHIP_DESTROYED,
                  NULL);
    desk_act_hold(desk, &deed->bib, HOLD_MISSING, "not here or spoiled");
    return desk_record(desk, err);
}

enum error_code desk_absent(struct desk *desk, struct error *err) {
    struct desk_job *job = &desk->lasting.job;
    if (desk_blocked(desk)) {
        desk_refuse(desk, "Answer the question first.");
        return ERR_OK;
    }
    if (desk->lasting.out.active) {
        desk->absenting = true;
        desk_forget(desk);
        return ERR_OK;
    }
    if (!job->active && desk->resting) {
        return absent_done(desk, err);
    }
    if (!job->active) {
        desk_refuse(desk, "No bib is in turn.");
        return ERR_OK;
    }
    struct desk_deed *deed = desk_deed(desk, DEED_ABSENT);
    deed->bib = job->bib;
    deed->how = job->how;
    deed->chips = job->made_count;
    desk_act_hold(desk, &job->bib, HOLD_MISSING, "not here or spoiled");
    return desk_record(desk, err);
}

/* ---- undo ---- */

enum error_code desk_undo(struct desk *desk, struct error *err) {
    struct desk_lasting *lasting = &desk->lasting;
    struct pairs_issue issue;
    char hex[65];
    size_t at = 0;
    if (desk_blocked(desk) || lasting->out.active || lasting->job.made_count > 0) {
        desk_refuse(desk, "Finish or stop the bib in turn first, then take the last one back.");
        return ERR_OK;
    }
    while (at < lasting->last_count && lasting->latest[at].chips == 0) {
        at++;
    }
    if (at == lasting->last_count || lasting->latest[at].undone || !lasting->latest_id[at]) {
        desk_refuse(desk, "There is nothing to take back here. Ask for the bib, and take its chip "
                          "back there.");
        return ERR_OK;
    }
    struct desk_done *done = &lasting->latest[at];
    hex_encode(done->id.bytes, sizeof(done->id.bytes), hex);
    struct error gone;
    enum error_code code = pairs_find_issue(desk->config.ledger, slice_text(hex), &issue, &gone);
    if (error_class(code) == ERROR_CLASS_MACHINE) {
        *err = gone;
        return code;
    }
    if (code != ERR_OK || !issue.live) {
        done->undone = true;
        desk_refuse(desk, "Bib %s was taken back already.", done->bib.text);
        return ERR_OK;
    }
    struct desk_deed *deed = desk_deed(desk, DEED_UNDO);
    deed->bib = done->bib;
    desk_act_void(desk, &done->id, 1, "taken back at the desk", CHIP_DESTROYED, NULL);
    return desk_record(desk, err);
}

/* ---- redo ---- */

void desk_redo_ask(struct desk *desk, uint64_t first, uint64_t last) {
    uint64_t low = first < last ? first : last, high = first < last ? last : first;
    if (low == 0 || high > DESK_NUMBER_MAX || high - low >= DESK_REDO_MAX) {
        desk_refuse(desk, "Say from which number to which: at most %d bibs at a time.",
                    DESK_REDO_MAX);
        return;
    }
    struct desk_ask *ask = desk_open(
        desk, ASK_REDO, "Take back what this table did from bib %llu to %llu, and do it again?",
        (unsigned long long)first, (unsigned long long)last);
    ask->first = first;
    ask->last = last;
    desk_choice(ask, "leave", "No, leave them");
    desk_choice(ask, "redo", "Yes, take them back");
}

struct taken {
    const struct sign_public *self;
    size_t count;
    struct record_id id[RECORD_NAMES_MAX];
};

static bool take_back(void *context, const struct pairs_issue *issue) {
    struct taken *taken = context;
    if (issue->live && ID_EQUAL(issue->station, *taken->self)) {
        taken->id[taken->count++] = issue->id;
    }
    return taken->count < RECORD_NAMES_MAX;
}

static void void_taken(struct desk *desk, struct taken *taken) {
    if (taken->count > 0) {
        desk_act_void(desk, taken->id, taken->count, "done again: the stack was out of step",
                      CHIP_DESTROYED, NULL);
        taken->count = 0;
    }
}

/* All live issues of this station for the numbers of a stretch, as voids of the deed. *whole: they
 * fit; where they do not, what was gathered is not to be used. */
static enum error_code gather(struct desk *desk, uint64_t first, uint64_t last, uint64_t step,
                              size_t *bibs, bool *whole, struct error *err) {
    struct taken taken = {.self = &desk->config.self};
    uint64_t number = first;
    enum error_code code = ERR_OK;
    *bibs = 0;
    *whole = true;
    for (size_t i = 0; code == ERR_OK; i++) {
        struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = desk_label(number)};
        /* This bib, and what is left at the end, may need an act each. */
        if (i == DESK_REDO_NUMBERS_MAX || desk->act_count + 2 > DESK_ACTS_MAX) {
            *whole = false;
            return ERR_OK;
        }
        size_t before = taken.count;
        if (before + ISSUE_NAMES_MAX > RECORD_NAMES_MAX) {
            void_taken(desk, &taken);
            before = 0;
        }
        code = pairs_each_issue(desk->config.ledger, &filter, take_back, &taken, err);
        *bibs += taken.count > before ? 1 : 0;
        if ((first <= last ? last - number : number - last) < step) {
            break;
        }
        number = first <= last ? number + step : number - step;
    }
    void_taken(desk, &taken);
    return code;
}

static struct desk_line redo_line(const struct desk *desk, uint64_t first, uint64_t last,
                                  bool line_back, size_t bibs) {
    struct desk_line line = desk->lasting.line;
    if (!line_back) {
        return (struct desk_line){.active = true,
                                  .first = first,
                                  .last = last,
                                  .next = first,
                                  .step = 1,
                                  .check_every = DESK_CHECK_EVERY};
    }
    line.next = first;
    line.ended = line.has_made = line.has_checked = false;
    line.force_check = true;
    line.done = line.done > bibs ? line.done - bibs : 0;
    return line;
}

enum error_code desk_redo(struct desk *desk, uint64_t first, uint64_t last, bool line_back,
                          struct error *err) {
    size_t bibs = 0;
    bool whole = false;
    uint64_t step = line_back ? desk->lasting.line.step : 1;
    struct desk_deed *deed = desk_deed(desk, DEED_REDO);
    enum error_code code = gather(desk, first, last, step, &bibs, &whole, err);
    if (code != ERR_OK || !whole) {
        deed->kind = DEED_NONE;
    }
    if (code == ERR_OK && !whole) {
        desk_refuse(desk, "That is more than can be taken back at once. Take them back in parts.");
    }
    if (code != ERR_OK || !whole) {
        return code;
    }
    deed->line = redo_line(desk, first, last, line_back, bibs);
    deed->line_back = line_back;
    deed->chips = bibs;
    deed->voided.first = first < last ? first : last;
    deed->voided.last = first < last ? last : first;
    return desk_record(desk, err);
}
