/*
 * desk.c: the machine's frame: which event goes where, and what comes next when one is dealt with.
 * Must never do two things at once: while an order is outstanding, a record is not committed or a
 * question is open, nothing new is begun.
 */
#include "common/desk_state.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- sentences ---- */

static void print_list(char *out, size_t size, const char *format, va_list list)
    __attribute__((format(printf, 3, 0)));

static void print_list(char *out, size_t size, const char *format, va_list list) {
    int wrote = vsnprintf(out, size, format, list);
    if (wrote < 0) {
        out[0] = '\0';
    } else if ((size_t)wrote >= size) {
        /* Cut at a whole character: a page must not be handed half of one. */
        size_t end = size - 1;
        while (end > 0 && !utf8_valid(slice_of(out, end))) {
            end--;
        }
        out[end] = '\0';
    }
}

void desk_print(char *out, size_t size, const char *format, ...) {
    va_list list;
    va_start(list, format);
    print_list(out, size, format, list);
    va_end(list);
}

void desk_sound(struct desk *desk, enum desk_sound sound) {
    desk->sound = sound;
    desk->sounds++;
}

void desk_refuse(struct desk *desk, const char *format, ...) {
    va_list list;
    va_start(list, format);
    print_list(desk->aside, sizeof(desk->aside), format, list);
    va_end(list);
    desk->aside_old = false;
    desk_sound(desk, DESK_SOUND_REFUSED);
}

void desk_mention(struct desk *desk, const char *format, ...) {
    va_list list;
    va_start(list, format);
    print_list(desk->aside, sizeof(desk->aside), format, list);
    va_end(list);
    desk->aside_old = false;
}

/* A stranger's name must not reach a terminal with control characters in it. */
static void plain(const char *text, char *out, size_t size) {
    size_t at = 0;
    for (; text[at] != '\0' && at + 1 < size; at++) {
        bool steers = (unsigned char)text[at] < 0x20 || text[at] == 0x7F;
        out[at] = (char)(steers ? '?' : text[at]);
    }
    out[at] = '\0';
}

void desk_who(const struct desk *desk, const char *table, struct wall_ms wall, const char *helper,
              char *out, size_t size) {
    char there[21], here[21], name[64];
    int64_t zone = desk->config.zone_ms;
    wall_text((struct wall_ms){wall.ms + zone}, there);
    wall_text((struct wall_ms){desk->wall.ms + zone}, here);
    plain(table[0] == '\0' ? "unknown table" : table, name, sizeof(name));
    char initials[RECORD_HELPER_MAX + 1];
    plain(helper, initials, sizeof(initials));
    if (memcmp(there, here, 10) == 0) {
        desk_print(out, size, "%s, %.5s%s%s", name, there + 11, initials[0] == '\0' ? "" : ", ",
                   initials);
    } else {
        desk_print(out, size, "%s, %.10s %.5s%s%s", name, there, there + 11,
                   initials[0] == '\0' ? "" : ", ", initials);
    }
}

struct bib desk_label(uint64_t number) {
    struct bib bib = {{0}};
    char text[32];
    snprintf(text, sizeof(text), "%llu", (unsigned long long)number);
    memcpy(bib.text, text, strnlen(text, BIB_LENGTH_MAX));
    return bib;
}

bool desk_same_bib(const struct bib *a, const struct bib *b) {
    return strcmp(a->text, b->text) == 0;
}

enum error_code desk_role(struct desk *desk, enum role *role, struct error *err) {
    struct pairs_station self;
    enum error_code code = pairs_station(desk->config.ledger, &desk->config.self, &self, err);
    *role = ROLE_NONE;
    if (code == ERR_NOT_FOUND) {
        return ERR_OK;
    }
    if (code == ERR_OK && !self.dead && !self.stolen) {
        *role = self.role;
    }
    return code;
}

/* ---- making one ---- */

struct own {
    const struct sign_public *self;
    bool found;
    struct record_id id;
};

static bool newest_own(void *context, const struct pairs_issue *issue) {
    struct own *own = context;
    if (issue->live && ID_EQUAL(issue->station, *own->self)) {
        own->found = true;
        own->id = issue->id;
    }
    return true;
}

/* What is kept with a record cannot hold the record's own id: it is looked up again. A ledger that
 * cannot be read is met soon enough, when the first number comes. */
static void find_ids(struct desk *desk) {
    struct desk_lasting *lasting = &desk->lasting;
    for (size_t i = 0; i < lasting->last_count; i++) {
        struct desk_done *done = &lasting->latest[i];
        struct own own = {.self = &desk->config.self};
        struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = done->bib};
        struct error unread;
        if (done->chips == 0 || done->undone || lasting->latest_id[i]) {
            continue;
        }
        if (pairs_each_issue(desk->config.ledger, &filter, newest_own, &own, &unread) == ERR_OK &&
            own.found) {
            done->id = own.id;
            lasting->latest_id[i] = true;
        }
    }
}

/* What was in the making when the power went is said first, before anything is begun. */
static void wake(struct desk *desk) {
    struct desk_lasting *lasting = &desk->lasting;
    desk->in_doubt = lasting->out.active;
    desk->restart = lasting->job.active &&
                    lasting->job.made_count > (lasting->job.good ? 1U : 0U) &&
                    lasting->job.made_count < lasting->job.wanted;
    if (lasting->job.active && lasting->job.made_count == 0 && !lasting->out.active) {
        /* Nothing was made: the number is asked for again rather than guessed. */
        memset(&lasting->job, 0, sizeof(lasting->job));
    }
    lasting->line.force_check = lasting->line.active;
    desk->way = DESK_WAY_ON_DEMAND;
}

enum error_code desk_new(const struct desk_config *config, struct slice kept, struct desk **out,
                         struct error *err) {
    struct desk *desk = calloc(1, sizeof(*desk));
    *out = NULL;
    if (desk == NULL) {
        return error_set(err, ERR_MEMORY, "desk");
    }
    desk->config = *config;
    for (size_t i = 0; i < DESK_ORDERS_MAX; i++) {
        buffer_init(&desk->kept[i]);
    }
    buffer_init(&desk->bodies);
    if (kept.size > 0 && !desk_kept_read(kept, &desk->lasting)) {
        memset(&desk->lasting, 0, sizeof(desk->lasting));
        desk_mention(desk, "What this desk was doing before could not be read. Read the last chip "
                           "before you stick it on.");
    }
    find_ids(desk);
    wake(desk);
    struct error unread; /* it is looked at again with the first news */
    if (desk_out_check(desk, &unread) != ERR_OK) {
        desk->out_say[0] = '\0';
    }
    desk_show(desk);
    *out = desk;
    return ERR_OK;
}

void desk_free(struct desk *desk) {
    if (desk == NULL) {
        return;
    }
    for (size_t i = 0; i < DESK_ORDERS_MAX; i++) {
        buffer_release(&desk->kept[i]);
    }
    buffer_release(&desk->bodies);
    free(desk);
}

/* ---- commands ---- */

/* Where nothing may be begun: a chip is in the making, or a question is open. */
static bool busy(struct desk *desk, const char *what) {
    struct desk_lasting *lasting = &desk->lasting;
    if (desk_blocked(desk)) {
        desk_refuse(desk, "Answer the question first, then %s.", what);
        return true;
    }
    if (lasting->out.active || lasting->job.made_count > 0) {
        desk_refuse(desk, "Bib %s is in the making. Finish or stop it first, then %s.",
                    lasting->job.bib.text, what);
        return true;
    }
    if (lasting->job.active) {
        /* A series comes back to it by itself. */
        if (lasting->job.how != ISSUE_SERIES) {
            desk_mention(desk, "Bib %s was not done.", lasting->job.bib.text);
        }
        memset(&lasting->job, 0, sizeof(lasting->job));
        desk->field_say[0] = '\0';
    }
    return false;
}

static void change_way(struct desk *desk, enum desk_way way) {
    if (busy(desk, "change over")) {
        return;
    }
    if (desk->lasting.line.active && !desk->lasting.line.paused) {
        desk->lasting.line.paused = true;
        desk->keep_due = true;
    }
    desk_close(desk);
    if (way == DESK_WAY_ON_DEMAND) {
        desk_look_end(desk);
    }
    desk->way = way;
    desk->look_bib = (struct bib){{0}};
    desk->look_say[0] = '\0';
    desk->look_due = desk->look_bad = false;
    desk->resting = false;
}

static void set_helper(struct desk *desk, struct slice text) {
    text = slice_trimmed(text);
    if (text.size > RECORD_HELPER_MAX || !utf8_valid(text) ||
        (text.size > 0 && memchr(text.data, 0, text.size) != NULL)) {
        desk_refuse(desk, "Initials have at most %d letters.", RECORD_HELPER_MAX);
        return;
    }
    memset(desk->lasting.helper, 0, sizeof(desk->lasting.helper));
    if (text.size > 0) {
        memcpy(desk->lasting.helper, text.data, text.size);
    }
    desk->keep_due = true;
}

static void begin_proof(struct desk *desk, const struct desk_event *event) {
    uint64_t low = event->first < event->last ? event->first : event->last;
    uint64_t high = event->first < event->last ? event->last : event->first;
    if (low == 0 || high > DESK_NUMBER_MAX) {
        desk_refuse(desk, "Say from which number to which the stack goes.");
        return;
    }
    change_way(desk, DESK_WAY_PROVE);
    if (desk->way == DESK_WAY_PROVE) {
        desk->stack = (struct bib_range){low, high};
        desk->proved = 0;
    }
}

enum error_code desk_command_do(struct desk *desk, const struct desk_event *event,
                                struct error *err) {
    desk->aside[0] = desk->news[0] = '\0';
    if (desk->deed.kind != DEED_NONE && event->command != DESK_STOP) {
        desk_refuse(desk, "Wait: the last act is not recorded yet.");
        return ERR_OK;
    }
    switch (event->command) {
    case DESK_STOP:
        desk_stop(desk);
        return ERR_OK;
    case DESK_ABSENT:
        return desk_absent(desk, err);
    case DESK_UNDO:
        return desk_undo(desk, err);
    case DESK_CHECK_EMPTY:
        desk_check_empty(desk);
        return ERR_OK;
    case DESK_ON_DEMAND:
        change_way(desk, DESK_WAY_ON_DEMAND);
        return ERR_OK;
    case DESK_LOOK:
        change_way(desk, DESK_WAY_LOOK);
        return ERR_OK;
    case DESK_SERIES:
        if (!busy(desk, "begin the series")) {
            desk_series(desk, event);
        }
        return ERR_OK;
    case DESK_REDO:
        if (!busy(desk, "take chips back")) {
            desk_redo_ask(desk, event->first, event->last);
        }
        return ERR_OK;
    case DESK_HELPER:
        set_helper(desk, event->text);
        return ERR_OK;
    case DESK_ROLL:
        return desk_roll(desk, event, err);
    case DESK_PROVE:
        begin_proof(desk, event);
        return ERR_OK;
    }
    desk_refuse(desk, "This desk does not know that command.");
    return ERR_OK;
}

/* ---- what comes next ---- */

static void drop_job(struct desk *desk) {
    struct desk_lasting *lasting = &desk->lasting;
    if (lasting->job.made_count > (lasting->job.good ? 1U : 0U)) {
        desk_mention(desk, "The chip made for bib %s does not count: throw it away.",
                     lasting->job.bib.text);
    }
    memset(&lasting->job, 0, sizeof(lasting->job));
    desk->field_say[0] = '\0';
    desk->keep_due = true;
}

static enum error_code go_on_with_job(struct desk *desk, bool *again, struct error *err) {
    struct desk_job *job = &desk->lasting.job;
    size_t standing = job->good ? 1 : 0;
    if (desk->absenting) {
        return desk_absent(desk, err);
    }
    if (job->made_count == job->wanted || (desk->stopping && job->made_count > standing)) {
        bool late = false;
        enum error_code code = desk_check_late(desk, &late, err);
        return code != ERR_OK || late ? code : desk_record_issue(desk, err);
    }
    if (desk->stopping) {
        drop_job(desk);
        *again = true;
        return ERR_OK;
    }
    bool asks = desk->restart && job->made_count > standing;
    desk->restart = false;
    if (asks) {
        struct desk_ask *ask =
            desk_open(desk, ASK_RESTART, "Bib %s had %zu of its %zu chips when the desk stopped.",
                      job->bib.text, job->made_count, job->wanted);
        desk_choice(ask, "half", "Put it down as half");
        desk_choice(ask, "finish", "Make the rest now");
        return ERR_OK;
    }
    if (job->how == ISSUE_SERIES && job->made_count == 0 && desk_must_check(desk)) {
        return ERR_OK;
    }
    size_t before = job->made_count;
    enum error_code code = desk_chip(desk, err);
    *again = code == ERR_OK && job->made_count != before;
    return code;
}

/* The chip that was just done lies there still, or was taken away. */
static bool at_rest(struct desk *desk) {
    bool line = desk->lasting.line.active && !desk->lasting.line.paused;
    if (desk->config.has_encoder && desk_just_there(desk)) {
        return true;
    }
    if (desk->just_count > 0 || line) {
        desk->resting = false;
        desk->just_count = 0;
    }
    return desk->resting;
}

static void end_stop(struct desk *desk) {
    desk->stopping = desk->absenting = desk->resting = false;
    if (desk->lasting.line.active && !desk->lasting.line.paused) {
        desk_line_end(desk);
    }
}

static void offer_resume(struct desk *desk) {
    const struct desk_line *line = &desk->lasting.line;
    if (line->active && line->paused && desk->ask.kind == ASK_NONE) {
        struct desk_ask *ask = desk_open(desk, ASK_RESUME, "%s", "");
        desk_choice(ask, "resume", "On with the series at %llu", (unsigned long long)line->next);
    }
}

/* What could not be recorded is tried again. Meanwhile the bib may have been chipped elsewhere:
 * then the chips that are made wait for an answer. */
static enum error_code record_again(struct desk *desk, struct error *err) {
    bool late = false;
    if (desk->deed.kind == DEED_ISSUE) {
        enum error_code code = desk_check_late(desk, &late, err);
        if (code != ERR_OK || late) {
            desk->deed.kind = DEED_NONE;
            desk->deed_failed = desk->deed_late = false;
            return code;
        }
    }
    return desk_record(desk, err);
}

/* One thing that can be done without an event; *again: there may be more. */
static enum error_code one_thing(struct desk *desk, bool *again, struct error *err) {
    struct desk_lasting *lasting = &desk->lasting;
    if (desk_is_out(desk)) {
        return ERR_OK;
    }
    if (desk->deed.kind != DEED_NONE) {
        return desk->deed_late && !desk->deed_out ? record_again(desk, err) : ERR_OK;
    }
    if (lasting->out.active) {
        if (!desk->in_doubt) {
            return ERR_OK;
        }
        enum error_code code = desk_settle(desk, err);
        *again = code == ERR_OK && !lasting->out.active;
        return code;
    }
    if (desk_blocked(desk)) {
        return ERR_OK;
    }
    if (desk->doubles_due) {
        *again = true;
        return desk_doubles(desk, err);
    }
    if (lasting->job.active) {
        return go_on_with_job(desk, again, err);
    }
    if (desk->stopping) {
        end_stop(desk);
        return ERR_OK;
    }
    desk->absenting = false;
    if (desk->way == DESK_WAY_LOOK || desk->way == DESK_WAY_PROVE) {
        return desk_look(desk, err);
    }
    if (desk->resting && at_rest(desk)) {
        offer_resume(desk);
        return ERR_OK;
    }
    if (lasting->line.active && !lasting->line.paused) {
        if (desk->aside_old) { /* the next bib begins without anybody's saying so */
            desk->aside[0] = '\0';
            desk->aside_old = false;
        }
        return desk_turn(desk, again, err);
    }
    offer_resume(desk);
    return ERR_OK;
}

enum error_code desk_proceed(struct desk *desk, struct error *err) {
    bool again = true;
    for (size_t i = 0; again && i < DESK_SKIPS_MAX; i++) {
        again = false;
        enum error_code code = one_thing(desk, &again, err);
        if (code != ERR_OK) {
            return code;
        }
    }
    desk->tick_now = again;
    return ERR_OK;
}

/* ---- events ---- */

static enum error_code news(struct desk *desk, struct error *err) {
    bool late = false;
    enum error_code code = desk_out_check(desk, err);
    desk->doubles_due = true;
    if (code != ERR_OK || desk_is_out(desk)) {
        return code;
    }
    if (!desk->lasting.job.active || desk->lasting.out.active || desk_blocked(desk) ||
        desk->deed.kind != DEED_NONE) {
        return ERR_OK;
    }
    return desk_check_late(desk, &late, err);
}

static enum error_code take_event(struct desk *desk, const struct desk_event *event,
                                  struct error *err) {
    if (desk_out_refuses(desk, event)) {
        return ERR_OK;
    }
    switch (event->kind) {
    case DESK_TEXT:
        return desk_text(desk, event, err);
    case DESK_FIELD:
        desk_field(desk, event);
        return ERR_OK;
    case DESK_WRITTEN:
        return desk_written(desk, event, err);
    case DESK_FAILED:
        desk_failed(desk, event);
        return ERR_OK;
    case DESK_ENCODER_UP:
        desk->up = desk->config.has_encoder;
        desk->down[0] = '\0';
        return ERR_OK;
    case DESK_ENCODER_DOWN:
        desk_down(desk, event);
        return ERR_OK;
    case DESK_ANSWER:
        return desk_answer(desk, event->question, event->text, err);
    case DESK_COMMAND:
        return desk_command_do(desk, event, err);
    case DESK_RECORDED:
        return desk_recorded(desk, event, err);
    case DESK_NOT_RECORDED:
        desk_not_recorded(desk, event);
        return ERR_OK;
    case DESK_BEHIND:
        desk->behind = event->behind;
        return ERR_OK;
    case DESK_NEWS:
        return news(desk, err);
    case DESK_TICK:
        desk->deed_late = desk->deed_failed && event->now.ms >= desk->deed_again.ms;
        return ERR_OK;
    }
    return ERR_OK;
}

enum error_code desk_step(struct desk *desk, const struct desk_event *event, struct error *err) {
    desk->order_count = desk->order_next = 0;
    desk->now = event->now;
    desk->wall = event->wall;
    desk->tick_now = false;
    enum error_code code = take_event(desk, event, err);
    if (code == ERR_OK) {
        code = desk_proceed(desk, err);
    }
    if (code == ERR_OK && desk->keep_due) {
        code = desk_keep(desk, err);
    }
    desk_show(desk);
    return code;
}

struct mono_ms desk_deadline(const struct desk *desk) {
    int64_t due = INT64_MAX;
    if (desk->tick_now) {
        return desk->now;
    }
    if (desk_is_out(desk)) {
        return (struct mono_ms){due};
    }
    if (desk->deed_failed) {
        due = desk->deed_again.ms;
    }
    bool looking = desk->look_due && desk->deed.kind == DEED_NONE && !desk_blocked(desk);
    if (looking && desk->look_at.ms < due) {
        due = desk->look_at.ms;
    }
    return (struct mono_ms){due};
}

const struct desk_view *desk_view(const struct desk *desk) {
    return &desk->view;
}
