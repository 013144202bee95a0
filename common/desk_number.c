/*
 * desk_number.c: a line that was typed or scanned: a number, a chip, a card; and how a number
 * becomes the bib in turn.
 * Must never take a number silently, nor lose one: what is not taken is said, with a sound.
 */
#include "common/desk_state.h"

#include <stdio.h>
#include <string.h>

/* ---- what the bib has already ---- */

struct gather {
    struct desk_present *present;
    bool doubt;
};

static bool gather_issue(void *context, const struct pairs_issue *issue) {
    struct gather *gather = context;
    struct desk_present *present = gather->present;
    if (!issue->live && !(gather->doubt && !issue->counted)) {
        return true;
    }
    if (present->count == 0) {
        present->first = *issue;
    }
    if (present->count < ISSUE_NAMES_MAX) {
        present->id[present->count] = issue->id;
    }
    present->count++;
    present->tags += issue->tag_count;
    return true;
}

enum error_code desk_present(struct desk *desk, const struct bib *bib, struct desk_present *present,
                             struct error *err) {
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = *bib};
    struct gather gather = {.present = present};
    struct pairs_bib state;
    memset(present, 0, sizeof(*present));
    enum error_code code = pairs_bib(desk->config.ledger, bib, &state, err);
    if (code == ERR_OK) {
        gather.doubt = state.doubt;
        code = pairs_each_issue(desk->config.ledger, &filter, gather_issue, &gather, err);
    }
    return code;
}

static bool named(const struct record_id *ids, size_t count, const struct record_id *id) {
    for (size_t i = 0; i < count; i++) {
        if (ID_EQUAL(ids[i], *id)) {
            return true;
        }
    }
    return false;
}

enum error_code desk_check_late(struct desk *desk, bool *late, struct error *err) {
    const struct desk_job *job = &desk->lasting.job;
    struct desk_present present;
    struct pairs_hold hold;
    char who[120];
    enum role role = ROLE_NONE;
    *late = false;
    enum error_code code = pairs_hold(desk->config.ledger, &job->bib, &hold, err);
    if (code == ERR_OK && hold.how == HOLD_HELD && !job->hold_ok) {
        *late = true;
        code = desk_role(desk, &role, err);
        desk_who(desk, hold.said.table, hold.said.wall, hold.said.helper, who, sizeof(who));
        struct desk_ask *ask = desk_open(desk, ASK_LATE, "Bib %s was put on hold: %s. %s",
                                         job->bib.text, who, "Lay it aside for a lead.");
        desk_choice(ask, "leave", "Leave bib %s", job->bib.text);
        if (role >= ROLE_LEAD) {
            desk_choice(ask, "on", "Go on all the same");
        }
        return code;
    }
    if (code == ERR_OK || code == ERR_NOT_FOUND) {
        code = desk_present(desk, &job->bib, &present, err);
    }
    for (size_t i = 0; code == ERR_OK && i < present.count && i < ISSUE_NAMES_MAX; i++) {
        *late = *late || (!named(job->replaces, job->replaces_count, &present.id[i]) &&
                          !named(job->extra, job->extra_count, &present.id[i]));
    }
    if (code != ERR_OK || !*late) {
        return code;
    }
    desk_who(desk, present.first.table, present.first.wall, present.first.helper, who, sizeof(who));
    struct desk_ask *ask =
        desk_open(desk, ASK_LATE, "Bib %s was chipped meanwhile: %s.", job->bib.text, who);
    desk_choice(ask, "leave", "Leave it");
    desk_choice(ask, "replace", "That chip is gone: this one counts");
    desk_choice(ask, "further", "Both are on the bib");
    return ERR_OK;
}

/* ---- beginning ---- */

static void name_standing(struct desk_job *job, const struct desk_present *present,
                          enum desk_as as) {
    size_t count = present->count;
    if (as == DESK_AS_REPLACE || as == DESK_AS_ONE) {
        memcpy(job->replaces, present->id, count * sizeof(*job->replaces));
        job->replaces_count = count;
    } else if (as != DESK_AS_NEW) {
        memcpy(job->extra, present->id, count * sizeof(*job->extra));
        job->extra_count = count;
        job->beside = present->tags;
    }
}

static size_t chips_wanted(const struct desk_job *job, size_t all, enum desk_as as) {
    switch (as) {
    case DESK_AS_FURTHER:
        return 1;
    case DESK_AS_FINISH:
        return job->beside < all ? all - job->beside : 1;
    case DESK_AS_NEW:
    case DESK_AS_REPLACE:
    case DESK_AS_ONE:
        break;
    }
    return all;
}

enum error_code desk_begin(struct desk *desk, const struct bib *bib, enum issue_how how,
                           enum desk_as as, enum chip_where chip, const struct bib *chip_bib,
                           const char *reason, struct error *err) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    struct desk_job job = {.active = true, .bib = *bib, .how = how, .chip = chip};
    struct desk_present present;
    struct error unfit;
    struct epc epc;
    enum error_code code = desk_present(desk, bib, &present, err);
    if (code != ERR_OK || found == NULL) {
        return code;
    }
    const struct record_category *category = record_found_category(found, bib);
    if (category->scheme.kind != EPC_AS_READ &&
        epc_for_bib(&category->scheme, bib, &epc, &unfit) != ERR_OK) {
        desk_refuse(desk, "%.200s", unfit.say);
        return ERR_OK;
    }
    if (present.count > ISSUE_NAMES_MAX) {
        desk_refuse(desk, "Bib %s has too many chips on the list. Settle it first.", bib->text);
        return ERR_OK;
    }
    name_standing(&job, &present, as);
    job.wanted = chips_wanted(&job, category->tags_per_bib, as);
    job.read_good = as == DESK_AS_ONE;
    job.chip_bib = chip_bib == NULL ? (struct bib){{0}} : *chip_bib;
    desk_print(job.reason, sizeof(job.reason), "%s", reason);
    desk->lasting.job = job;
    desk->tries = 0;
    desk->resting = false;
    desk->field_say[0] = '\0';
    return ERR_OK;
}

/* The verdict that is left when what a person has said already is set aside. */
static enum before_verdict left_over(const struct desk *desk, const struct before *before,
                                     const struct bib *bib, enum issue_how how) {
    bool said = desk_same_bib(&desk->allow_bib, bib);
    bool outside = said && desk->allow_outside;
    bool others = (said && desk->allow_others) || (how == ISSUE_SERIES && desk->allow_series);
    if (before->verdict < BEFORE_OUTSIDE && before->verdict != BEFORE_CLEAR) {
        return before->verdict;
    }
    return before->outside && !outside  ? BEFORE_OUTSIDE
           : before->others && !others  ? BEFORE_OTHERS
           : before->unowned && !others ? BEFORE_UNOWNED
                                        : BEFORE_CLEAR;
}

static bool passes_over(enum before_verdict verdict) {
    return verdict == BEFORE_HELD || verdict == BEFORE_ABSENT || verdict == BEFORE_ISSUED;
}

/* A number of a series that is not done: said aloud, and listed. */
static void pass_over(struct desk *desk, const struct before *before, enum before_verdict verdict,
                      const struct bib *bib) {
    char who[120], say[DESK_SAY_MAX];
    if (verdict == BEFORE_ISSUED) {
        const struct pairs_issue *issue = &before->issue;
        desk_who(desk, issue->table, issue->wall, issue->helper, who, sizeof(who));
        desk_print(say, sizeof(say), "Skipped: chipped at %s", who);
    } else {
        desk_who(desk, before->hold.said.table, before->hold.said.wall, before->hold.said.helper,
                 who, sizeof(who));
        desk_print(say, sizeof(say), "Skipped: %s, %s",
                   verdict == BEFORE_HELD ? "on hold" : "not here or spoiled", who);
    }
    desk_latest(&desk->lasting, bib, desk->wall, 0, false, say);
    desk_mention(desk, "Bib %s. %s", bib->text, say);
    desk_sound(desk, DESK_SOUND_REFUSED);
}

enum error_code desk_take(struct desk *desk, const struct bib *bib, enum issue_how how,
                          bool *skipped, struct error *err) {
    struct before before;
    enum role role = ROLE_NONE;
    *skipped = false;
    enum error_code code = desk_role(desk, &role, err);
    if (code == ERR_OK && role < ROLE_TABLE) {
        desk_refuse(desk,
                    "This station may only read, or was put out: ask the lead. Bib %s was not "
                    "taken.",
                    bib->text);
        if (how == ISSUE_SERIES) {
            desk_line_end(desk);
        }
        return ERR_OK;
    }
    if (code == ERR_OK) {
        code = before_issue(desk->config.ledger, &desk->config.self, bib, &before, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    enum before_verdict verdict = left_over(desk, &before, bib, how);
    if (how == ISSUE_SERIES && passes_over(verdict)) {
        pass_over(desk, &before, verdict, bib);
        *skipped = true;
        return ERR_OK;
    }
    if (verdict != BEFORE_CLEAR) {
        return desk_ask_number(desk, &before, verdict, bib, how, err);
    }
    const char *reason = desk_same_bib(&desk->allow_bib, bib) ? desk->allow_reason : "";
    code = desk_begin(desk, bib, how, DESK_AS_NEW, CHIP_UNSAID, NULL, reason, err);
    if (code == ERR_OK && !desk->lasting.job.active) {
        *skipped = how == ISSUE_SERIES;
    }
    return code;
}

/* ---- lines ---- */

struct card {
    const char *word;
    enum desk_command command;
};

static const struct card CARDS[] = {
    {"stop", DESK_STOP}, {"absent", DESK_ABSENT},     {"undo", DESK_UNDO},
    {"look", DESK_LOOK}, {"empty", DESK_CHECK_EMPTY}, {"one", DESK_ON_DEMAND},
};

/* A card at the table: an answer to the open question, or a command. No bib begins with "+". */
static enum error_code read_card(struct desk *desk, const struct desk_event *event,
                                 struct slice text, struct error *err) {
    char word[16] = "";
    if (text.size < sizeof(word) && text.size > 0) {
        for (size_t i = 0; i < text.size; i++) {
            uint8_t c = text.data[i];
            word[i] = (char)(c >= 'A' && c <= 'Z' ? c - 'A' + 'a' : c);
        }
    }
    for (size_t i = 0; i < desk->ask.choice_count; i++) {
        if (strcmp(desk->ask.choice[i].word, word) == 0) {
            return desk_answer(desk, desk->ask.id, slice_text(word), err);
        }
    }
    for (size_t i = 0; i < sizeof(CARDS) / sizeof(CARDS[0]); i++) {
        if (strcmp(CARDS[i].word, word) == 0) {
            struct desk_event command = *event;
            command.kind = DESK_COMMAND;
            command.command = CARDS[i].command;
            command.text = slice_text("");
            return desk_command_do(desk, &command, err);
        }
    }
    if (strncmp(word, "by:", 3) == 0) { /* a helper's badge */
        struct desk_event command = *event;
        command.kind = DESK_COMMAND;
        command.command = DESK_HELPER;
        command.text = slice_of(text.data + 3, text.size - 3);
        return desk_command_do(desk, &command, err);
    }
    desk_refuse(desk, "That card answers no question that is open now.");
    return ERR_OK;
}

static bool is_control(struct slice text, size_t at) {
    uint8_t c = text.data[at];
    bool lead = c == 0xC2 && at + 1 < text.size && text.data[at + 1] < 0xA0; /* U+0080 to U+009F */
    return c < 0x20 || c == 0x7F || lead || (at > 0 && text.data[at - 1] == 0xC2 && c < 0xA0);
}

/* A number or a chip, as it was typed, for sentences: cut between characters, with nothing in it
 * that a terminal would obey. */
static void quote(struct slice text, char out[40]) {
    bool valid = utf8_valid(text);
    text.size = text.size < 32 ? text.size : 32;
    while (valid && text.size > 0 && !utf8_valid(text)) {
        text.size--;
    }
    for (size_t i = 0; i < text.size; i++) {
        uint8_t c = text.data[i];
        out[i] = (char)(is_control(text, i) || (!valid && c >= 0x80) ? '?' : c);
    }
    out[text.size] = '\0';
}

/* A line that came through in part holds U+FFFD, see keys.h: shown as it is, it would look like a
 * number that somebody scanned. */
static bool is_faulty(struct desk *desk, const struct desk_event *event, struct slice text) {
    static const uint8_t mark[] = {0xEF, 0xBF, 0xBD};
    struct error fault;
    if (keys_fault_error(event->spoilt, &fault) != ERR_OK) {
        desk_refuse(desk, "%s", fault.say);
        return true;
    }
    for (size_t i = 0; i + sizeof(mark) <= text.size; i++) {
        if (memcmp(text.data + i, mark, sizeof(mark)) == 0) {
            desk_refuse(desk, "That did not come through whole, and was not taken. Scan it again, "
                              "or type the number.");
            return true;
        }
    }
    return false;
}

/* Where a number is not taken now; false where it is. */
static bool not_now(struct desk *desk, const char *text) {
    const struct desk_lasting *lasting = &desk->lasting;
    if (desk->deed.kind != DEED_NONE) {
        desk_refuse(desk, "%s was not taken: the last act is not recorded yet.", text);
    } else if (lasting->out.active && !desk->in_doubt) {
        desk_refuse(desk, "%s was not taken: the chip for bib %s is being written.", text,
                    lasting->job.bib.text);
    } else if (desk_blocked(desk)) {
        desk_refuse(desk, "%s was not taken: answer the question first.", text);
    } else {
        return false;
    }
    return true;
}

/* In a series a scanned bib must be the one in turn. */
static enum error_code text_in_series(struct desk *desk, const struct bib *bib) {
    struct desk_line *line = &desk->lasting.line;
    uint64_t wanted = line->ended ? line->made : line->next;
    struct bib turn = desk_label(wanted);
    if (desk->resting && desk_same_bib(bib, &desk->rest_bib)) {
        desk_mention(desk, "Bib %s is chipped: stick its chip on.", bib->text);
    } else if (desk->resting) {
        desk_refuse(desk, "Bib %s was not taken: take the chip of bib %s away first.", bib->text,
                    desk->rest_bib.text);
    } else if (desk_same_bib(bib, &turn)) {
        desk_checked(desk, bib);
    } else {
        struct desk_ask *ask =
            desk_open(desk, ASK_CHECK, "Stop: bib %s is in hand, and it should be bib %s.",
                      bib->text, turn.text);
        line->force_check = true; /* nothing goes on before the right one was scanned */
        desk->keep_due = true;
        desk_choice(ask, "again", "Scan again");
        desk_choice(ask, "stop", "Stop the series");
        uint64_t from = 0;
        if (desk_since_check(line, &from)) {
            desk_choice(ask, "redo", "Take back what was done from bib %llu on",
                        (unsigned long long)from);
        }
        desk_sound(desk, DESK_SOUND_ALARM);
    }
    return ERR_OK;
}

static enum error_code take_number(struct desk *desk, const struct bib *bib, bool scanned,
                                   struct error *err) {
    bool skipped = false;
    const struct desk_job *job = &desk->lasting.job;
    if (desk->lasting.line.active && !desk->lasting.line.paused) {
        return text_in_series(desk, bib);
    }
    if (job->active) {
        if (desk_same_bib(&job->bib, bib)) {
            desk_mention(desk, "Bib %s is in turn already.", bib->text);
        } else {
            desk_refuse(desk, "Bib %s was not taken: bib %s waits for its chip.", bib->text,
                        job->bib.text);
        }
        return ERR_OK;
    }
    if (desk->resting && desk->config.has_encoder && desk_just_there(desk)) {
        desk_refuse(desk, "Bib %s was not taken: take the chip of bib %s away first.", bib->text,
                    desk->rest_bib.text);
        return ERR_OK;
    }
    desk->resting = false;
    desk_close(desk); /* an offer */
    desk->allow_bib = (struct bib){{0}};
    return desk_take(desk, bib, scanned ? ISSUE_SCAN : ISSUE_TYPED, &skipped, err);
}

enum error_code desk_text(struct desk *desk, const struct desk_event *event, struct error *err) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    struct slice text = slice_trimmed(event->text);
    char shown[40];
    struct bib bib;
    struct error unread;
    desk->aside[0] = desk->news[0] = '\0';
    if (text.size == 0) {
        return ERR_OK;
    }
    if (is_faulty(desk, event, text)) {
        return ERR_OK;
    }
    quote(text, shown);
    if (text.size > DESK_TEXT_MAX || found == NULL) {
        desk_refuse(desk, "That is no bib number.");
        return ERR_OK;
    }
    if (text.data[0] == '+') {
        return read_card(desk, event, slice_of(text.data + 1, text.size - 1), err);
    }
    bool is_bib = bib_parse(text, found->zeros_count, &bib, &unread) == ERR_OK;
    if (is_bib && desk->ask.kind == ASK_WHICH) {
        return desk_which(desk, &bib, err);
    }
    if (not_now(desk, shown)) {
        return ERR_OK;
    }
    if (desk->way == DESK_WAY_LOOK || desk->way == DESK_WAY_PROVE) {
        return desk_look_text(desk, text, err);
    }
    if (!is_bib && desk->lasting.job.active) {
        return desk_typed_chip(desk, text, err);
    }
    if (!is_bib) {
        desk_refuse(desk, "%s is no bib number. Scan the bib first.", shown);
        return ERR_OK;
    }
    bool run = false;
    enum error_code code = desk_is_run(desk, &bib, &run, err);
    if (code == ERR_OK && run) {
        desk_refuse(desk, "%s is a run of bibs: use Series for it.", bib.text);
        return ERR_OK;
    }
    return code == ERR_OK ? take_number(desk, &bib, event->scanned, err) : code;
}
