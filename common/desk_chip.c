/*
 * desk_chip.c: what lies on the antenna while a bib waits for its chip, and what the encoder did.
 * Must never have a chip written that carries a number unless a person said so, nor count one whose
 * read-back is not what was ordered.
 */
#include "common/desk_state.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* ---- what is heard ---- */

void desk_spurn(struct desk *desk, const struct desk_tag *tag, const char *format, ...) {
    va_list list;
    desk->has_spurned = true;
    desk->spurned = *tag;
    desk->has_granted = false;
    desk->tries = 0;
    desk->aside[0] = '\0'; /* one sentence, not what was said of the tries before it */
    va_start(list, format);
    if (vsnprintf(desk->spurn_say, sizeof(desk->spurn_say), format, list) < 0) {
        desk->spurn_say[0] = '\0';
    }
    va_end(list);
}

static size_t keep_heard(const struct desk *desk, struct desk_tag *tags, size_t count) {
    size_t kept = 0;
    for (size_t i = 0; i < count; i++) {
        if (desk_among(desk->field, desk->field_count, &tags[i])) {
            tags[kept++] = tags[i];
        }
    }
    return kept;
}

void desk_field(struct desk *desk, const struct desk_event *event) {
    desk->field_count = 0;
    desk->field_total = event->tag_count;
    for (size_t i = 0; i < event->tag_count && desk->field_count < DESK_FIELD_MAX; i++) {
        const struct desk_tag *tag = &event->tag[i];
        if (tag->epc.size > EPC_SIZE_MAX || tag->tid.size > TID_SIZE_MAX) {
            continue;
        }
        bool twice = false;
        for (size_t j = 0; j < desk->field_count; j++) {
            twice = twice || (desk_tid_same(&desk->field[j].tid, &tag->tid) &&
                              desk_epc_same(&desk->field[j].epc, &tag->epc));
        }
        if (!twice) {
            desk->field[desk->field_count++] = *tag;
        } else {
            desk->field_total--;
        }
    }
    desk->fresh = true;
    desk->look_has_typed = false;
    size_t before = desk->just_count;
    desk->just_count = keep_heard(desk, desk->just, desk->just_count);
    if (before > 0 && desk->just_count == 0) {
        desk->resting = false;
    }
    if (desk->has_spurned && keep_heard(desk, &desk->spurned, 1) == 0) {
        desk->has_spurned = false;
    }
    if (desk->has_granted && keep_heard(desk, &desk->granted, 1) == 0) {
        desk->has_granted = false;
    }
    bool about_tag = desk->ask.kind == ASK_STRANGE || desk->ask.kind == ASK_OURS;
    if (about_tag && keep_heard(desk, &desk->ask.tag, 1) == 0) {
        desk_close(desk);
    }
}

void desk_check_empty(struct desk *desk) {
    char names[120];
    if (desk->lasting.out.active || desk->lasting.job.made_count > 0 || desk_blocked(desk)) {
        desk_refuse(desk, "Finish the bib in turn first, then check the empty antenna.");
        return;
    }
    desk->pile_count = 0;
    desk->just_count = 0;
    desk->resting = false;
    if (!desk->up) {
        desk_refuse(desk, "The encoder is not ready, so nothing can be heard.");
        return;
    }
    if (desk->field_count == 0) {
        desk_mention(desk, "The empty antenna hears nothing: good.");
        return;
    }
    for (size_t i = 0; i < desk->field_count && desk->pile_count < DESK_PILE_MAX; i++) {
        struct tag_sight sight = {.kind = TAG_UNKNOWN};
        const struct desk_tag *tag = &desk->field[i];
        if (pairs_found(desk->config.ledger) != NULL) {
            tag_recognise(pairs_found(desk->config.ledger), &tag->epc,
                          tag->has_pc ? &tag->pc : NULL, &sight);
        }
        /* Blanks without a TID are all alike: to know one would be to overlook the whole roll. */
        if (tag->tid.size > 0 || sight.kind != TAG_BLANK) {
            desk->pile[desk->pile_count++] = *tag;
        }
    }
    desk_tag_names(desk, desk->field, desk->field_count, names, sizeof(names));
    desk_mention(desk,
                 "The empty antenna hears %zu: %s. Move the finished pile away, or lower the "
                 "power. They are not written.",
                 desk->field_total, names);
    desk_sound(desk, DESK_SOUND_REFUSED);
}

/* ---- one chip alone ---- */

static bool names_id(const struct record_id *ids, size_t count, const struct record_id *id) {
    for (size_t i = 0; i < count; i++) {
        if (ID_EQUAL(ids[i], *id)) {
            return true;
        }
    }
    return false;
}

/* The chip carries, or is, one of this event's: what using it would do is said before. */
static void ask_ours(struct desk *desk, const struct desk_tag *tag,
                     const struct desk_lookup *lookup, bool written) {
    const struct desk_job *job = &desk->lasting.job;
    char who[120], name[80];
    desk_tag_name(desk, tag, name, sizeof(name));
    const struct pairs_issue *issue = lookup->live > 0   ? &lookup->first_live
                                      : lookup->dead > 0 ? &lookup->first_dead
                                                         : NULL;
    struct desk_ask *ask = NULL;
    if (issue == NULL) {
        ask = desk_open(desk, ASK_OURS,
                        "This chip carries number %s, and this table does not know who made it.",
                        name);
    } else {
        desk_who(desk, issue->table, issue->wall, issue->helper, who, sizeof(who));
        ask = desk_open(desk, ASK_OURS,
                        lookup->live > 0 ? "This chip is on bib %s: %s."
                                         : "This chip was on bib %s, and was taken back: %s.",
                        issue->bib.text, who);
    }
    ask->tag = *tag;
    desk_choice(ask, "another", "Take another chip");
    bool standing = false; /* it is one of those that stay on this very bib */
    for (size_t i = 0; i < lookup->id_count; i++) {
        standing = standing || names_id(job->extra, job->extra_count, &lookup->id[i]);
        if (!names_id(job->replaces, job->replaces_count, &lookup->id[i])) {
            ask->voids[ask->void_count++] = lookup->id[i];
        }
    }
    if (issue == NULL || standing || job->read_good) {
        return;
    }
    ask->void_bib = issue->bib;
    if (ask->void_count > 0 && lookup->live > 0 && !desk_same_bib(&issue->bib, &job->bib)) {
        desk_choice(ask, "over", "%s it: bib %s then needs a new chip",
                    written ? "Write over" : "Use", issue->bib.text);
    } else {
        desk_choice(ask, "over", written ? "Write over it" : "Use it again");
    }
}

static enum error_code add_made(struct desk *desk, const struct desk_tag *tag) {
    struct desk_job *job = &desk->lasting.job;
    if (job->made_count < RECORD_TAGS_MAX) {
        job->made[job->made_count++] =
            (struct desk_chip){.epc = tag->epc, .tid = tag->tid, .seen = true};
    }
    desk->tries = 0;
    desk->has_granted = false;
    desk->field_say[0] = '\0';
    desk->keep_due = true;
    return ERR_OK;
}

/* The chip that stays on the bib is read first, so that the new issue can name it. */
static void read_good(struct desk *desk, const struct desk_tag *tag,
                      const struct desk_lookup *lookup) {
    struct desk_job *job = &desk->lasting.job;
    for (size_t i = 0; lookup->as_listed && i < lookup->id_count; i++) {
        if (names_id(job->replaces, job->replaces_count, &lookup->id[i])) {
            job->read_good = false;
            job->good = true;
            add_made(desk, tag);
            return;
        }
    }
    desk_print(desk->field_say, sizeof(desk->field_say),
               "That is no good chip of bib %s. Put its good one on the antenna.", job->bib.text);
}

static enum error_code write_it(struct desk *desk, const struct desk_tag *tag, struct error *err) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    const struct desk_job *job = &desk->lasting.job;
    struct epc epc;
    bool late = false;
    const struct epc_scheme *scheme = &record_found_category(found, &job->bib)->scheme;
    enum error_code code = desk_check_late(desk, &late, err);
    if (code != ERR_OK || late) {
        return code;
    }
    struct error unfit;
    if (epc_for_bib(scheme, &job->bib, &epc, &unfit) != ERR_OK) {
        desk_print(desk->field_say, sizeof(desk->field_say), "%.200s", unfit.say);
        return ERR_OK;
    }
    if (desk->tries > 0 && !desk_tag_same(&desk->tried, tag)) {
        desk->tries = 0;
    }
    return desk_write(desk, tag, &epc, tag_pc(scheme, &epc), err);
}

static enum error_code one_tag(struct desk *desk, const struct record_found *found,
                               const struct desk_tag *tag, bool as_read, struct error *err) {
    struct desk_job *job = &desk->lasting.job;
    struct tag_sight sight;
    struct desk_lookup lookup;
    enum error_code code = desk_look_up(desk, tag, &lookup, err);
    if (code != ERR_OK) {
        return code;
    }
    if (job->read_good) {
        read_good(desk, tag, &lookup);
        return ERR_OK;
    }
    bool granted = desk->has_granted && desk_tag_same(&desk->granted, tag);
    tag_recognise(found, &tag->epc, tag->has_pc ? &tag->pc : NULL, &sight);
    bool taken = lookup.live > 0 || (!as_read && lookup.dead > 0);
    if (!granted && (taken || sight.kind == TAG_OURS)) {
        ask_ours(desk, tag, &lookup, !as_read);
        return ERR_OK;
    }
    if (as_read) {
        return add_made(desk, tag);
    }
    if (granted || sight.kind == TAG_BLANK || desk->lasting.strange_ok) {
        return write_it(desk, tag, err);
    }
    struct desk_ask *ask = desk_open(desk, ASK_STRANGE, "This is no blank chip: %s.", sight.name);
    ask->tag = *tag;
    desk_choice(ask, "another", "Take another chip");
    desk_choice(ask, "take", "Write it: this roll's chips are all like that");
    return ERR_OK;
}

/* Without an encoder the number alone is put down; its chips were not seen. */
static enum error_code unseen(struct desk *desk, const struct epc_scheme *scheme) {
    struct desk_job *job = &desk->lasting.job;
    struct desk_chip chip = {.seen = false};
    struct error unfit;
    if (epc_for_bib(scheme, &job->bib, &chip.epc, &unfit) != ERR_OK) {
        desk_print(desk->field_say, sizeof(desk->field_say), "%.200s", unfit.say);
        return ERR_OK;
    }
    job->read_good = false;
    while (job->made_count < job->wanted) {
        job->made[job->made_count++] = chip;
    }
    return ERR_OK;
}

enum error_code desk_chip(struct desk *desk, struct error *err) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    struct desk_tag tag[DESK_FIELD_MAX];
    char names[140];
    if (found == NULL) {
        return ERR_OK;
    }
    const struct epc_scheme *scheme = &record_found_category(found, &desk->lasting.job.bib)->scheme;
    bool as_read = scheme->kind == EPC_AS_READ;
    if (!desk->config.has_encoder) {
        return as_read ? ERR_OK : unseen(desk, scheme);
    }
    desk->field_say[0] = '\0';
    size_t count = desk->up ? desk_strangers(desk, tag) : 0;
    if (desk->has_spurned) {
        desk_print(desk->field_say, sizeof(desk->field_say), "%s", desk->spurn_say);
        return ERR_OK;
    }
    if (count == 0 && desk->field_total <= DESK_FIELD_MAX) {
        return ERR_OK;
    }
    if (count > 1 || desk->field_total > DESK_FIELD_MAX) {
        desk_tag_names(desk, tag, count, names, sizeof(names));
        desk_print(desk->field_say, sizeof(desk->field_say),
                   "Stop: more than one chip on the antenna: %s. Leave one.", names);
        return ERR_OK;
    }
    if (desk->tries > 0 && !desk->fresh) {
        return ERR_OK;
    }
    return one_tag(desk, found, &tag[0], as_read, err);
}

/* "EPC" or "EPC/TID" in hex, typed by hand or by a reader that types. */
enum error_code desk_typed_chip(struct desk *desk, struct slice text, struct error *err) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    const struct desk_job *job = &desk->lasting.job;
    const uint8_t *slash = memchr(text.data, '/', text.size);
    size_t length = slash == NULL ? text.size : (size_t)(slash - text.data);
    struct desk_tag tag = {.has_pc = false};
    struct error unread;
    enum error_code code = epc_parse(slice_of(text.data, length), &tag.epc, &unread);
    if (code == ERR_OK && slash != NULL) {
        code = tid_parse(slice_of(slash + 1, text.size - length - 1), &tag.tid, &unread);
    }
    if (found == NULL || code != ERR_OK) {
        desk_refuse(desk, "That is neither a bib number nor what a chip carries.");
        return ERR_OK;
    }
    if (record_found_category(found, &job->bib)->scheme.kind != EPC_AS_READ) {
        desk_refuse(desk, "Chips of this event are written here, not typed.");
        return ERR_OK;
    }
    if (job->how == ISSUE_SERIES && job->made_count == 0 && desk_must_check(desk)) {
        desk_refuse(desk, "Scan bib %s first, then its chip.", job->bib.text);
        return ERR_OK;
    }
    if (desk_is_made(desk, &tag)) {
        desk_refuse(desk, "The same chip was read twice. Read the other one too.");
        return ERR_OK;
    }
    return one_tag(desk, found, &tag, true, err);
}

/* ---- what the encoder did ---- */

/* The field as it must be now: a tag without TID is another one by its EPC once it is written. */
static void rename_in_field(struct desk *desk, const struct desk_tag *old,
                            const struct desk_tag *now) {
    for (size_t i = 0; i < desk->field_count; i++) {
        if (desk_tag_same(&desk->field[i], old)) {
            desk->field[i] = *now;
            return;
        }
    }
}

static void made_it(struct desk *desk, const struct desk_tag *read) {
    struct desk_out *out = &desk->lasting.out;
    struct desk_tag tag = *read;
    if (tag.tid.size == 0) {
        tag.tid = out->tag.tid;
    }
    rename_in_field(desk, &out->tag, &tag);
    out->active = false;
    desk->in_doubt = false;
    if (desk->ask.kind == ASK_INDOUBT) {
        desk_close(desk);
    }
    add_made(desk, &tag);
}

enum error_code desk_written(struct desk *desk, const struct desk_event *event, struct error *err) {
    struct desk_out *out = &desk->lasting.out;
    (void)err;
    if (!out->active || event->order != out->number || event->tag == NULL ||
        event->tag_count == 0) {
        return ERR_OK;
    }
    const struct desk_tag *read = &event->tag[0];
    bool other =
        read->tid.size > 0 && out->tag.tid.size > 0 && !desk_tid_same(&read->tid, &out->tag.tid);
    if (!other && desk_epc_same(&read->epc, &out->epc)) {
        bool twice = read->tid.size > 0 && desk_is_made(desk, read);
        for (size_t i = 0; twice && i < desk->lasting.job.made_count; i++) {
            struct desk_tag made = desk_chip_tag(&desk->lasting.job.made[i]);
            if (made.tid.size > 0 && desk_tid_same(&made.tid, &read->tid)) {
                out->active = false;
                desk->keep_due = true;
                desk_spurn(desk, read, "That is the same chip again. Put another one down.");
                return ERR_OK;
            }
        }
        made_it(desk, read);
        return ERR_OK;
    }
    desk->in_doubt = true;
    desk->fresh = false;
    desk->tries++;
    desk->tried = out->tag;
    return ERR_OK;
}

static const char *failure_text(enum desk_failure why) {
    switch (why) {
    case DESK_FAILED_GONE:
        return "The chip was taken away before it was written.";
    case DESK_FAILED_TWO:
        return "More than one chip answered. Leave one on the antenna.";
    case DESK_FAILED_LOCKED:
        return "This chip is locked. Take another one.";
    case DESK_FAILED_PASSWORD:
        return "This chip has a password that is not known here. Take another one.";
    case DESK_FAILED_WEAK:
        return "The chip hears the antenna too weakly. Put it in the middle, flat.";
    case DESK_FAILED_READER:
        return "The encoder had a fault. It is tried again.";
    case DESK_FAILED_STOPPED:
        return "The chip was not written.";
    }
    return "The chip was not written.";
}

/* Where two answer the chip is not the one to blame. */
static void spurn_failed(struct desk *desk, const struct desk_tag *tag, enum desk_failure why) {
    if (why == DESK_FAILED_TWO) {
        desk_spurn(desk, tag,
                   "More than one chip answered, %d times. Take all chips away, then put one down.",
                   DESK_TRIES_MAX);
    } else {
        desk_spurn(desk, tag, "This chip could not be written %d times. Take another one.",
                   DESK_TRIES_MAX);
    }
}

void desk_failed(struct desk *desk, const struct desk_event *event) {
    struct desk_out *out = &desk->lasting.out;
    if (!out->active || event->order != out->number) {
        return;
    }
    bool counts = event->why != DESK_FAILED_STOPPED && event->why != DESK_FAILED_READER;
    desk->tries = (desk_tag_same(&desk->tried, &out->tag) ? desk->tries : 0) + (counts ? 1 : 0);
    desk->tries = desk->tries == 0 ? 1 : desk->tries; /* so that the field is told anew first */
    desk->tried = out->tag;
    desk->fresh = false;
    if (event->changed) {
        desk->in_doubt = true;
        return;
    }
    struct desk_tag tag = out->tag;
    out->active = false;
    desk->in_doubt = false;
    desk->keep_due = true;
    if (desk->ask.kind == ASK_INDOUBT) {
        desk_close(desk);
    }
    if (!desk->stopping && !desk->absenting) {
        desk_mention(desk, "%s",
                     event->fault != NULL ? event->fault->say : failure_text(event->why));
        desk_sound(desk, DESK_SOUND_REFUSED);
    }
    if (event->why == DESK_FAILED_LOCKED || event->why == DESK_FAILED_PASSWORD) {
        desk_spurn(desk, &tag, "%s", failure_text(event->why));
    } else if (desk->tries >= DESK_TRIES_MAX && counts) {
        spurn_failed(desk, &tag, event->why);
    } else if (!counts) {
        /* Nothing is wrong with the chip: a person's leave to write it still stands. */
        desk->has_granted = true;
        desk->granted = tag;
    }
}

void desk_down(struct desk *desk, const struct desk_event *event) {
    size_t size = event->text.size < 100 ? event->text.size : 100;
    desk->up = false;
    desk->field_count = desk->field_total = 0;
    desk_print(desk->down, sizeof(desk->down), "%.*s", (int)size,
               size == 0 ? "" : (const char *)event->text.data);
    for (char *c = desk->down; *c != '\0'; c++) {
        *c = (unsigned char)*c < 0x20 || *c == 0x7F ? ' ' : *c;
    }
    if (!utf8_valid(slice_text(desk->down))) {
        desk->down[0] = '\0';
    }
    if (desk->lasting.out.active) {
        desk->in_doubt = true;
        desk->fresh = false;
    }
    desk->has_granted = false;
    desk->field_say[0] = '\0';
}

/* ---- in doubt ---- */

static void ask_in_doubt(struct desk *desk) {
    if (desk->ask.kind == ASK_INDOUBT) {
        return;
    }
    struct desk_ask *ask =
        desk_open(desk, ASK_INDOUBT,
                  "Put the chip for bib %s back on the antenna, alone: it may be "
                  "written or not.",
                  desk->lasting.job.bib.text);
    desk_choice(ask, "wait", "Keep looking for it");
    desk_choice(ask, "thrown", "It is thrown away");
    desk_sound(desk, DESK_SOUND_ALARM);
}

/* Whether a tag is the one that was ordered to be written. */
static bool is_ordered(const struct desk_out *out, const struct desk_tag *tag) {
    if (out->tag.tid.size > 0) {
        return tag->tid.size > 0 ? desk_tid_same(&out->tag.tid, &tag->tid)
                                 : desk_epc_same(&tag->epc, &out->epc);
    }
    return desk_epc_same(&tag->epc, &out->epc) || desk_epc_same(&tag->epc, &out->tag.epc);
}

/* Whether it is surely another one: without a TID a chip that was written in part may carry
 * anything. */
static bool is_another(const struct desk_out *out, const struct desk_tag *tag) {
    return out->tag.tid.size > 0 && tag->tid.size > 0 && !desk_tid_same(&out->tag.tid, &tag->tid);
}

enum error_code desk_settle(struct desk *desk, struct error *err) {
    struct desk_out *out = &desk->lasting.out;
    struct desk_tag tag[DESK_FIELD_MAX];
    (void)err;
    desk->field_say[0] = '\0';
    size_t count = desk->up && desk->fresh ? desk_strangers(desk, tag) : 0;
    if (count > 1 || desk->field_total > DESK_FIELD_MAX) {
        desk_print(desk->field_say, sizeof(desk->field_say),
                   "More than one chip on the antenna. Leave only the chip for bib %s.",
                   desk->lasting.job.bib.text);
        count = 0;
    }
    if (count == 0 || !is_ordered(out, &tag[0])) {
        if (count == 1 && is_another(out, &tag[0])) {
            desk_print(desk->field_say, sizeof(desk->field_say),
                       "That is a different chip. Take it away, and put the chip for bib %s back.",
                       desk->lasting.job.bib.text);
        }
        ask_in_doubt(desk);
        return ERR_OK;
    }
    if (desk_epc_same(&tag[0].epc, &out->epc)) {
        made_it(desk, &tag[0]);
        return ERR_OK;
    }
    if (desk->ask.kind == ASK_INDOUBT) {
        desk_close(desk);
    }
    out->active = false;
    desk->in_doubt = false;
    desk->keep_due = true;
    if (desk->tries >= DESK_TRIES_MAX) {
        desk_spurn(desk, &tag[0],
                   "This chip could not be written %d times. Throw it away and take "
                   "another one.",
                   DESK_TRIES_MAX);
        return ERR_OK;
    }
    desk->has_granted = true;
    desk->granted = tag[0];
    return ERR_OK;
}
