/*
 * desk_ask.c: questions: what is asked, and what an answer does.
 * Must never offer a harmful answer first, nor take one that was given to another question.
 */
#include "common/desk_state.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* ---- opening and closing ---- */

struct desk_ask *desk_open(struct desk *desk, enum desk_ask_kind kind, const char *format, ...) {
    va_list list;
    int64_t wall = desk->wall.ms;
    struct desk_ask *ask = &desk->ask;
    memset(ask, 0, sizeof(*ask));
    /* Also over a restart an answer must not meet another question: numbers follow the clock. */
    desk->asked = wall > 0 && (uint64_t)wall > desk->asked ? (uint64_t)wall : desk->asked + 1;
    ask->kind = kind;
    ask->id = desk->asked;
    va_start(list, format);
    if (vsnprintf(ask->say, sizeof(ask->say), format, list) < 0) {
        ask->say[0] = '\0';
    }
    va_end(list);
    if (desk_blocked(desk)) {
        desk_sound(desk, DESK_SOUND_REFUSED);
    }
    return ask;
}

void desk_choice(struct desk_ask *ask, const char *word, const char *format, ...) {
    va_list list;
    if (ask->choice_count == DESK_CHOICES_MAX) {
        return;
    }
    struct desk_choice *choice = &ask->choice[ask->choice_count++];
    desk_print(choice->word, sizeof(choice->word), "%s", word);
    va_start(list, format);
    if (vsnprintf(choice->label, sizeof(choice->label), format, list) < 0) {
        choice->label[0] = '\0';
    }
    va_end(list);
}

void desk_close(struct desk *desk) {
    memset(&desk->ask, 0, sizeof(desk->ask));
}

bool desk_blocked(const struct desk *desk) {
    return desk->ask.kind != ASK_NONE && desk->ask.kind != ASK_RESUME &&
           desk->ask.kind != ASK_NO_CHIP;
}

/* ---- about a number ---- */

static void ask_issued(struct desk *desk, const struct before *before, const char *bib,
                       const char *who) {
    const struct pairs_issue *issue = &before->issue;
    struct desk_ask *ask =
        before->live > 1
            ? desk_open(desk, ASK_ISSUED, "Bib %s was chipped %zu times already: first at %s.", bib,
                        before->live, who)
            : desk_open(desk, ASK_ISSUED, "Bib %s is chipped already: %s.", bib, who);
    desk_choice(ask, "leave", "Leave it");
    desk_choice(ask, "replace", "Replace the old chip");
    desk_choice(ask, "further", "Add a further chip");
    if (before->live == 1 && issue->tag_count > 1 && before->category->tags_per_bib > 1) {
        desk_choice(ask, "one", "Replace one chip of the set alone");
    }
}

static void ask_half(struct desk *desk, const struct before *before, const char *bib,
                     const char *who) {
    struct desk_ask *ask =
        desk_open(desk, ASK_HALF, "Bib %s is half done: %zu of %u chips, %s.", bib,
                  before->issue.tag_count, (unsigned)before->category->tags_per_bib, who);
    desk_choice(ask, "leave", "Leave it");
    desk_choice(ask, "finish", "Make what is missing");
    desk_choice(ask, "anew", "Throw the first away and start anew");
}

static void ask_hold(struct desk *desk, const struct before *before, bool lead, const char *bib,
                     const char *who) {
    const char *reason = before->hold.reason;
    if (before->hold.how == HOLD_HELD) {
        struct desk_ask *ask = desk_open(desk, ASK_HELD, "Bib %s is on hold: %s%s%.80s. %s", bib,
                                         who, reason[0] == '\0' ? "" : ", ", reason,
                                         lead ? "May it be chipped?" : "A lead must free it.");
        desk_choice(ask, "leave", "Leave it");
        if (lead) {
            desk_choice(ask, "free", "Free it and go on");
        }
        return;
    }
    struct desk_ask *ask =
        desk_open(desk, ASK_ABSENT, "Bib %s was put down as %s: %s.", bib,
                  before->hold.how == HOLD_MISSING ? "not here" : "to be printed again", who);
    desk_choice(ask, "leave", "Leave it");
    desk_choice(ask, "here", "It is here: go on");
}

static void ask_outside(struct desk *desk, const char *bib) {
    char ranges[100] = "";
    const struct record_found *found = pairs_found(desk->config.ledger);
    bib_ranges_text(&found->bibs, ranges, sizeof(ranges));
    struct desk_ask *ask =
        desk_open(desk, ASK_OUTSIDE, "Bib %s is not a number of this event (%s).", bib, ranges);
    desk_choice(ask, "leave", "Leave it");
    desk_choice(ask, "late", "It is a late entry");
    desk_choice(ask, "number", "It is a replacement number");
}

static enum error_code ask_others(struct desk *desk, const struct before *before,
                                  const struct bib *bib, bool owned, struct error *err) {
    struct bib_ranges theirs = {0};
    uint64_t number = 0;
    char own[100];
    if (!owned) {
        bib_ranges_text(&before->own, own, sizeof(own));
        struct desk_ask *ask =
            desk_open(desk, ASK_OTHERS, "Bib %s is not one of this table's (%s).", bib->text, own);
        desk_choice(ask, "leave", "Leave it");
        desk_choice(ask, "one", "Do just this one here");
        return ERR_OK;
    }
    enum error_code code = pairs_allotted(desk->config.ledger, &before->owner.key, &theirs, err);
    if (code != ERR_OK && code != ERR_NOT_FOUND) {
        return code;
    }
    struct desk_ask *ask =
        desk_open(desk, ASK_OTHERS, "Bib %s belongs to %.100s.", bib->text, before->owner.name);
    desk_choice(ask, "leave", "Hand it over there");
    desk_choice(ask, "one", "Do just this one here");
    for (size_t i = 0; bib_number(bib, &number) && i < theirs.count; i++) {
        if (number >= theirs.range[i].first && number <= theirs.range[i].last) {
            ask->first = theirs.range[i].first;
            ask->last = theirs.range[i].last;
            desk_choice(ask, "take", "Take the stack %llu-%llu over",
                        (unsigned long long)ask->first, (unsigned long long)ask->last);
            break;
        }
    }
    return ERR_OK;
}

static void ask_doubt(struct desk *desk, const char *bib, const char *who) {
    struct desk_ask *ask =
        desk_open(desk, ASK_DOUBT,
                  "Bib %s is in doubt: chipped by %s, and that does not count. Read its "
                  "chip.",
                  bib, who);
    desk_choice(ask, "leave", "Leave it");
    desk_choice(ask, "replace", "Give it a new chip");
}

enum error_code desk_ask_number(struct desk *desk, const struct before *before,
                                enum before_verdict verdict, const struct bib *bib,
                                enum issue_how how, struct error *err) {
    char who[120] = "";
    bool hold = verdict == BEFORE_HELD || verdict == BEFORE_ABSENT;
    const struct pairs_issue *issue = &before->issue;
    enum role role = ROLE_NONE;
    enum error_code code = desk_role(desk, &role, err);
    if (code != ERR_OK) {
        return code;
    }
    if (hold) {
        desk_who(desk, before->hold.said.table, before->hold.said.wall, before->hold.said.helper,
                 who, sizeof(who));
    } else {
        desk_who(desk, issue->table, issue->wall, issue->helper, who, sizeof(who));
    }
    switch (verdict) {
    case BEFORE_HELD:
    case BEFORE_ABSENT:
        ask_hold(desk, before, role >= ROLE_LEAD, bib->text, who);
        break;
    case BEFORE_HALF:
        ask_half(desk, before, bib->text, who);
        break;
    case BEFORE_ISSUED:
        ask_issued(desk, before, bib->text, who);
        break;
    case BEFORE_DOUBT:
        ask_doubt(desk, bib->text, who);
        break;
    case BEFORE_OUTSIDE:
        ask_outside(desk, bib->text);
        break;
    case BEFORE_OTHERS:
    case BEFORE_UNOWNED:
        code = ask_others(desk, before, bib, verdict == BEFORE_OTHERS, err);
        break;
    case BEFORE_CLEAR:
        return ERR_OK;
    }
    desk->ask.bib = *bib;
    desk->ask.how = how;
    if (how == ISSUE_SERIES && desk->ask.kind == ASK_OTHERS) {
        desk_choice(&desk->ask, "series", "Do this whole series here");
    }
    return code;
}

/* ---- answers ---- */

#define SAYS(text) (strcmp(word, (text)) == 0)

/* The bib is laid aside; in a series the next one is in turn. */
static void leave(struct desk *desk, const struct desk_ask *ask) {
    if (ask->how == ISSUE_SERIES && desk->lasting.line.active) {
        desk_latest(&desk->lasting, &ask->bib, desk->wall, 0, false, "Skipped: left for later");
        desk->lasting.line.skipped++;
        desk_line_step(&desk->lasting.line);
        desk->keep_due = true;
    }
    desk_mention(desk, "Bib %s was left as it is.", ask->bib.text);
}

static void ask_where(struct desk *desk, const struct desk_ask *from, bool one) {
    struct desk_ask old = *from;
    struct desk_ask *ask =
        desk_open(desk, ASK_WHERE,
                  one ? "Where is the bad chip of bib %s?" : "Where is the old chip of bib %s?",
                  old.bib.text);
    ask->bib = old.bib;
    ask->how = old.how;
    ask->one = one;
    desk_choice(ask, "leave", "Leave bib %s as it is", old.bib.text);
    desk_choice(ask, "destroyed", "In my hand: it is destroyed");
    desk_choice(ask, "lost", "Lost");
    if (!one) {
        desk_choice(ask, "on-bib", "On another bib");
    }
}

static enum error_code answer_issued(struct desk *desk, const struct desk_ask *ask,
                                     const char *word, struct error *err) {
    if (SAYS("leave")) {
        leave(desk, ask);
        return ERR_OK;
    }
    if (SAYS("finish")) {
        return desk_begin(desk, &ask->bib, ask->how, DESK_AS_FINISH, CHIP_UNSAID, NULL,
                          "the rest of the set", err);
    }
    if (SAYS("further")) {
        return desk_begin(desk, &ask->bib, ask->how, DESK_AS_FURTHER, CHIP_UNSAID, NULL,
                          "a further chip", err);
    }
    ask_where(desk, ask, SAYS("one"));
    return ERR_OK;
}

static enum error_code answer_where(struct desk *desk, const struct desk_ask *ask, const char *word,
                                    struct error *err) {
    if (SAYS("leave")) {
        leave(desk, ask);
        return ERR_OK;
    }
    if (SAYS("on-bib")) {
        struct desk_ask old = *ask;
        struct desk_ask *which =
            desk_open(desk, ASK_WHICH, "Scan or type the bib that carries the old chip of bib %s.",
                      old.bib.text);
        which->bib = old.bib;
        which->how = old.how;
        desk_choice(which, "leave", "Leave bib %s as it is", old.bib.text);
        desk_choice(which, "lost", "It is not known");
        return ERR_OK;
    }
    return desk_begin(desk, &ask->bib, ask->how, ask->one ? DESK_AS_ONE : DESK_AS_REPLACE,
                      SAYS("destroyed") ? CHIP_DESTROYED : CHIP_LOST, NULL,
                      ask->one ? "one chip of the set was bad" : "replaced at the desk", err);
}

enum error_code desk_which(struct desk *desk, const struct bib *bib, struct error *err) {
    struct desk_ask ask = desk->ask;
    if (desk_same_bib(bib, &ask.bib)) {
        desk_refuse(desk, "That is bib %s itself. Scan the other bib.", bib->text);
        return ERR_OK;
    }
    desk_close(desk);
    return desk_begin(desk, &ask.bib, ask.how, DESK_AS_REPLACE, CHIP_ON_BIB, bib,
                      "replaced at the desk", err);
}

static enum error_code answer_hold(struct desk *desk, const struct desk_ask *ask, const char *word,
                                   struct error *err) {
    if (SAYS("leave")) {
        leave(desk, ask);
        return ERR_OK;
    }
    struct desk_deed *deed = desk_deed(desk, DEED_FREE);
    deed->bib = ask->bib;
    deed->how = ask->how;
    desk_act_hold(desk, &ask->bib, HOLD_FREE, SAYS("free") ? "freed at the desk" : "it is here");
    return desk_record(desk, err);
}

static enum error_code answer_allowed(struct desk *desk, const struct desk_ask *ask,
                                      const char *word, struct error *err) {
    bool skipped = false;
    if (SAYS("leave")) {
        leave(desk, ask);
        return ERR_OK;
    }
    if (!desk_same_bib(&desk->allow_bib, &ask->bib)) {
        desk->allow_bib = ask->bib;
        desk->allow_outside = desk->allow_others = false;
        desk->allow_reason[0] = '\0';
    }
    if (ask->kind == ASK_OUTSIDE) {
        desk->allow_outside = true;
        desk_print(desk->allow_reason, sizeof(desk->allow_reason), "%s",
                   SAYS("late") ? "late entry" : "replacement number");
        return desk_take(desk, &ask->bib, ask->how, &skipped, err);
    }
    desk->allow_others = true;
    desk->allow_series = desk->allow_series || SAYS("series");
    if (SAYS("one") || SAYS("series")) {
        if (desk->allow_reason[0] == '\0') {
            desk_print(desk->allow_reason, sizeof(desk->allow_reason), "done at another table");
        }
        return desk_take(desk, &ask->bib, ask->how, &skipped, err);
    }
    struct desk_deed *deed = desk_deed(desk, DEED_ALLOT);
    struct record_allot allot = {.key = desk->config.self, .bibs = {1, {{ask->first, ask->last}}}};
    deed->bib = ask->bib;
    deed->how = ask->how;
    record_allot_write(&allot, &desk->bodies);
    desk_act(desk, RECORD_ALLOT);
    return desk_record(desk, err);
}

static enum error_code answer_tag(struct desk *desk, const struct desk_ask *ask, const char *word,
                                  struct error *err) {
    if (SAYS("another")) {
        desk_spurn(desk, &ask->tag, "Take that chip away, and put another one down.");
        return ERR_OK;
    }
    if (ask->kind == ASK_STRANGE) {
        desk->lasting.strange_ok = true;
        desk->keep_due = true;
    }
    desk->has_granted = true;
    desk->granted = ask->tag;
    if (ask->void_count == 0) {
        return ERR_OK;
    }
    struct desk_deed *deed = desk_deed(desk, DEED_OVER);
    deed->bib = ask->void_bib;
    desk_act_void(desk, ask->voids, ask->void_count, "its chip was used for another bib",
                  CHIP_ON_BIB, &desk->lasting.job.bib);
    return desk_record(desk, err);
}

static enum error_code answer_check(struct desk *desk, const char *word, struct error *err) {
    struct desk_line *line = &desk->lasting.line;
    uint64_t last = line->made;
    if (SAYS("again")) {
        return ERR_OK;
    }
    if (SAYS("stop")) {
        desk_stop(desk);
        return ERR_OK;
    }
    uint64_t first = 0;
    if (!desk_since_check(line, &first)) {
        return ERR_OK;
    }
    return desk_redo(desk, first, last, true, err);
}

static enum error_code answer_late(struct desk *desk, const char *word, struct error *err) {
    struct desk_job *job = &desk->lasting.job;
    struct desk_present present;
    if (SAYS("leave")) {
        struct desk_ask left = {.bib = job->bib, .how = job->how};
        bool made = job->made_count > 0;
        memset(job, 0, sizeof(*job));
        leave(desk, &left);
        if (made) {
            desk_mention(desk, "Bib %s was left. Throw the chip made for it away.", left.bib.text);
        }
        desk->keep_due = true;
        return ERR_OK;
    }
    if (SAYS("on")) {
        job->hold_ok = true;
        return ERR_OK;
    }
    enum error_code code = desk_present(desk, &job->bib, &present, err);
    if (code != ERR_OK || present.count > ISSUE_NAMES_MAX) {
        return code;
    }
    job->chip_bib = (struct bib){{0}};
    if (SAYS("replace")) {
        memcpy(job->replaces, present.id, sizeof(job->replaces));
        job->replaces_count = present.count;
        job->extra_count = 0;
        job->beside = 0;
        job->chip = CHIP_LOST;
    } else {
        memcpy(job->extra, present.id, sizeof(job->extra));
        job->extra_count = present.count;
        job->replaces_count = 0;
        job->chip = CHIP_UNSAID;
        job->beside = present.tags;
    }
    if (job->reason[0] == '\0') {
        desk_print(job->reason, sizeof(job->reason), "chipped elsewhere meanwhile");
    }
    return ERR_OK;
}

/* The chip in doubt is gone for good: nobody may find 42 on it and take it for the one that
 * counts, so it is said to be thrown away. */
static void answer_in_doubt(struct desk *desk, const struct desk_ask *ask, const char *word) {
    if (SAYS("wait")) {
        desk->ask = *ask;
        return;
    }
    desk->lasting.out.active = false;
    desk->in_doubt = false;
    desk->tries = 0;
    desk->keep_due = true;
}

static enum error_code act_on(struct desk *desk, const struct desk_ask *ask, const char *word,
                              struct error *err) {
    switch (ask->kind) {
    case ASK_ISSUED:
    case ASK_HALF:
    case ASK_DOUBT:
        return answer_issued(desk, ask, word, err);
    case ASK_WHERE:
    case ASK_WHICH:
        return answer_where(desk, ask, word, err);
    case ASK_HELD:
    case ASK_ABSENT:
        return answer_hold(desk, ask, word, err);
    case ASK_OUTSIDE:
    case ASK_OTHERS:
        return answer_allowed(desk, ask, word, err);
    case ASK_STRANGE:
    case ASK_OURS:
        return answer_tag(desk, ask, word, err);
    case ASK_CHECK:
        return answer_check(desk, word, err);
    case ASK_REDO:
        return SAYS("redo") ? desk_redo(desk, ask->first, ask->last, false, err) : ERR_OK;
    case ASK_RESTART:
        if (SAYS("half") && desk->lasting.job.made_count > 0) {
            desk->lasting.job.wanted = desk->lasting.job.made_count;
        }
        return ERR_OK;
    case ASK_INDOUBT:
        answer_in_doubt(desk, ask, word);
        return ERR_OK;
    case ASK_LATE:
        return answer_late(desk, word, err);
    case ASK_AGAIN:
        desk->deed_late = desk->deed_failed;
        return ERR_OK;
    case ASK_RESUME:
        desk->way = DESK_WAY_ON_DEMAND;
        desk->lasting.line.paused = false;
        desk->lasting.line.force_check = true;
        desk->resting = false;
        desk->keep_due = true;
        return ERR_OK;
    case ASK_NO_CHIP:
        return desk_look_none(desk, err);
    case ASK_DOUBLE:
    case ASK_NONE:
        break;
    }
    return ERR_OK;
}

enum error_code desk_answer(struct desk *desk, uint64_t question, struct slice choice,
                            struct error *err) {
    struct desk_ask ask = desk->ask;
    if (ask.kind == ASK_NONE || question != ask.id) {
        desk_refuse(desk, "That question is no longer open.");
        return ERR_OK;
    }
    if (desk->deed_out || (desk->deed.kind != DEED_NONE && ask.kind != ASK_AGAIN)) {
        desk_refuse(desk, "Wait: the last act is not recorded yet.");
        return ERR_OK;
    }
    for (size_t i = 0; i < ask.choice_count; i++) {
        if (slice_equal(choice, slice_text(ask.choice[i].word))) {
            desk->aside[0] = desk->news[0] = '\0';
            desk_close(desk);
            return act_on(desk, &ask, ask.choice[i].word, err);
        }
    }
    desk_refuse(desk, "That is no answer to this question.");
    return ERR_OK;
}
