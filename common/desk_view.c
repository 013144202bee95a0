/*
 * desk_view.c: what people see of the machine: one sentence on what to do now, and the rest.
 * Must never say done of what is not committed.
 */
#include "common/desk_state.h"

#include <string.h>

static void say(struct desk_view *view, enum desk_tone tone, const char *sentence) {
    view->tone = tone;
    desk_print(view->say, sizeof(view->say), "%s", sentence);
}

static bool in_series(const struct desk *desk) {
    return desk->lasting.line.active && !desk->lasting.line.paused;
}

static void show_question(const struct desk *desk, struct desk_view *view) {
    const struct desk_ask *ask = &desk->ask;
    view->question = ask->id;
    view->choice_count = ask->choice_count;
    memcpy(view->choice, ask->choice, sizeof(view->choice));
    if (!desk_blocked(desk)) {
        return;
    }
    bool halt = ask->kind == ASK_DOUBLE || ask->kind == ASK_CHECK || ask->kind == ASK_AGAIN;
    say(view, halt ? DESK_HALT : DESK_ASK, ask->say);
    if (ask->kind == ASK_INDOUBT && desk->field_say[0] != '\0') {
        say(view, DESK_HALT, desk->field_say);
    } else if (ask->kind == ASK_INDOUBT && !desk->up) {
        desk_print(view->say, sizeof(view->say), "%s The encoder is not ready.", ask->say);
    }
    if (ask->bib.text[0] != '\0') {
        view->bib = ask->bib;
    }
}

static void show_job(const struct desk *desk, struct desk_view *view) {
    const struct desk_job *job = &desk->lasting.job;
    const struct record_found *found = pairs_found(desk->config.ledger);
    const char *bib = job->bib.text;
    bool as_read =
        found != NULL && record_found_category(found, &job->bib)->scheme.kind == EPC_AS_READ;
    if (desk->lasting.out.active) {
        view->tone = DESK_WORK;
        desk_print(view->say, sizeof(view->say), "Writing the chip for bib %s: leave it there.",
                   bib);
        return;
    }
    if (job->how == ISSUE_SERIES && job->made_count == 0 && desk_must_check(desk)) {
        view->tone = DESK_WORK;
        desk_print(view->say, sizeof(view->say), "Scan the bib in hand: it must be bib %s.", bib);
        return;
    }
    if (desk->field_say[0] != '\0') {
        say(view, DESK_HALT, desk->field_say);
        return;
    }
    view->tone = DESK_WORK;
    if (!desk->config.has_encoder) {
        desk_print(view->say, sizeof(view->say), "Read a chip for bib %s.", bib);
    } else if (!desk->up) {
        desk_print(view->say, sizeof(view->say), "Bib %s waits: the encoder is not ready%s%s.", bib,
                   desk->down[0] == '\0' ? "" : ": ", desk->down);
    } else if (job->read_good) {
        desk_print(view->say, sizeof(view->say),
                   "Put the good chip of bib %s on the antenna, alone.", bib);
    } else if (job->wanted > 1) {
        desk_print(view->say, sizeof(view->say), "Put %s %zu of %zu for bib %s on the antenna.",
                   as_read ? "chip" : "new chip", job->made_count + 1, job->wanted, bib);
    } else {
        desk_print(view->say, sizeof(view->say), "Put a %s for bib %s on the antenna.",
                   as_read ? "chip" : "new chip", bib);
    }
}

static void show_look(const struct desk *desk, struct desk_view *view) {
    view->tone = desk->look_bad ? DESK_HALT : DESK_READY;
    if (desk->look_bib.text[0] != '\0') {
        view->bib = desk->look_bib;
        view->tone = DESK_WORK;
        desk_print(view->say, sizeof(view->say), "Now hold bib %s on the antenna%s.",
                   desk->look_bib.text,
                   desk_just_there(desk) ? ": what lies there was looked at already" : "");
    } else if (desk->news[0] != '\0') {
        say(view, desk->kept_bad ? DESK_HALT : DESK_READY, desk->news);
    } else if (desk->look_say[0] != '\0') {
        say(view, view->tone, desk->look_say);
    } else if (desk->way == DESK_WAY_PROVE) {
        say(view, view->tone, "Scan a bib of the stack, then hold it on the antenna.");
    } else {
        say(view, view->tone, "Hold a chip on the antenna, or scan its bib first.");
    }
}

static void show_waiting(const struct desk *desk, struct desk_view *view) {
    const struct desk_line *line = &desk->lasting.line;
    if (desk->resting) {
        view->bib = desk->rest_bib;
        bool half = desk->lasting.last_count > 0 && desk->lasting.latest[0].half;
        say(view, half ? DESK_HALT : DESK_DONE, desk->rest_say);
    } else if (in_series(desk) && line->ended) {
        struct bib last = desk_label(line->made);
        view->bib = last;
        view->tone = DESK_WORK;
        desk_print(view->say, sizeof(view->say),
                   "The series is through. Scan the bib you did last: it must be bib %s.",
                   last.text);
    } else if (in_series(desk)) {
        view->tone = DESK_WORK;
        say(view, DESK_WORK, "Looking for the next bib.");
    } else {
        view->tone = DESK_READY;
        desk_print(view->say, sizeof(view->say), "%s%sScan or type the next bib.", desk->news,
                   desk->news[0] == '\0' ? "" : " ");
    }
}

static void show_state(const struct desk *desk, struct desk_view *view) {
    const struct desk_job *job = &desk->lasting.job;
    if (desk_is_out(desk)) { /* no question, nothing in turn */
        say(view, DESK_HALT, desk->out_say);
        return;
    }
    if (job->active) {
        view->bib = job->bib;
        view->chips_made = job->made_count;
        view->chips_wanted = job->wanted;
    }
    if (desk->deed.kind != DEED_NONE) {
        say(view, DESK_WORK, "Recording.");
    } else if (job->active) {
        show_job(desk, view);
    } else if (desk->way == DESK_WAY_LOOK || desk->way == DESK_WAY_PROVE) {
        show_look(desk, view);
    } else {
        show_waiting(desk, view);
    }
    show_question(desk, view);
}

static void show_place(const struct desk *desk, struct desk_view *view) {
    const struct desk_line *line = &desk->lasting.line;
    if (desk->way == DESK_WAY_PROVE) {
        view->first = desk->stack.first;
        view->last = desk->stack.last;
        view->done = desk->proved;
        view->step = 1;
    } else if (line->active) {
        view->first = line->first;
        view->last = line->last;
        view->step = line->step;
        view->next = line->next;
        view->done = line->done;
    }
}

static void show_lone(const struct desk *desk, struct desk_view *view) {
    const struct desk_tag *tag = &desk->field[0];
    if (desk->field_count != 1 || desk->field_total != 1) {
        return;
    }
    hex_encode(tag->epc.data, tag->epc.size, view->lone);
    if (tag->tid.size > 0) {
        size_t length = strlen(view->lone);
        view->lone[length] = '/';
        hex_encode(tag->tid.data, tag->tid.size, view->lone + length + 1);
    }
}

void desk_show(struct desk *desk) {
    const struct desk_lasting *lasting = &desk->lasting;
    struct desk_view view;
    memset(&view, 0, sizeof(view));
    view.way = in_series(desk) && desk->way == DESK_WAY_ON_DEMAND ? DESK_WAY_SERIES : desk->way;
    show_state(desk, &view);
    show_place(desk, &view);
    memcpy(view.aside, desk->aside, sizeof(view.aside));
    if (desk->news[0] != '\0' && view.aside[0] == '\0' && strstr(view.say, desk->news) == NULL) {
        memcpy(view.aside, desk->news, sizeof(view.aside));
    }
    bool looks = desk->way == DESK_WAY_LOOK || desk->way == DESK_WAY_PROVE;
    if (looks && desk->behind && view.aside[0] == '\0') {
        desk_print(view.aside, sizeof(view.aside),
                   "This table may be behind: others may know more.");
    }
    if (view.tone == DESK_HALT && desk->view.tone != DESK_HALT &&
        desk->sounds == desk->view.sound_number) {
        desk_sound(desk, DESK_SOUND_ALARM);
    }
    view.sound = desk->sound;
    view.sound_number = desk->sounds;
    view.encoder = desk->up;
    view.heard = desk->field_total;
    show_lone(desk, &view);
    memcpy(view.helper, lasting->helper, sizeof(view.helper));
    memcpy(view.roll, lasting->roll, sizeof(view.roll));
    view.last_count = lasting->last_count;
    memcpy(view.latest, lasting->latest, sizeof(view.latest));
    view.version = desk->view.version;
    if (memcmp(&view, &desk->view, sizeof(view)) != 0) {
        view.version++;
    }
    desk->view = view;
}
