/*
 * desk_look.c: what is on the antenna, said at once; looks that are kept; bibs chipped twice.
 * Must never write a chip, nor call one right that it was not asked about.
 */
#include "common/desk_state.h"

#include <stdio.h>
#include <string.h>

struct seen {
    size_t count;
    struct desk_tag tag[DESK_FIELD_MAX];
};

/* ---- one chip, said to people ---- */

static bool says_number(struct desk *desk, const struct desk_tag *tag, uint64_t *number, char *name,
                        size_t size) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    struct tag_sight sight = {.kind = TAG_UNKNOWN};
    if (found != NULL) {
        tag_recognise(found, &tag->epc, tag->has_pc ? &tag->pc : NULL, &sight);
    }
    *number = sight.number;
    desk_print(name, size, "%s", sight.name);
    return sight.kind == TAG_OURS;
}

struct two {
    struct bib bib;
    bool shared;
};

/* The label of the bib that a chip stands for: by the list, else by what it carries. */
static bool label_of(struct desk *desk, const struct desk_tag *tag,
                     const struct desk_lookup *lookup, struct bib *bib) {
    uint64_t number = 0;
    char name[80];
    if (lookup->live > 0) {
        *bib = lookup->first_live.bib;
        return true;
    }
    if (says_number(desk, tag, &number, name, sizeof(name))) {
        *bib = desk_label(number);
        return true;
    }
    return false;
}

static void say_listed(struct desk *desk, const struct desk_lookup *lookup, const char *mark,
                       char *out, size_t size) {
    const struct pairs_issue *issue = &lookup->first_live;
    char who[120];
    desk_who(desk, issue->table, issue->wall, issue->helper, who, sizeof(who));
    bool unseen = false;
    for (size_t i = 0; issue->how == ISSUE_FILE && i < issue->tag_count; i++) {
        unseen = unseen || !issue->tag[i].seen;
    }
    desk_print(out, size, "Bib %s%s: chipped at %s%s.%s", issue->bib.text, mark, who,
               !issue->counted ? ", which does not count" : "",
               unseen ? " From a supplier's list, not seen yet: scan its bib, and it is." : "");
}

static void say_unlisted(struct desk *desk, const struct desk_tag *tag,
                         const struct desk_lookup *lookup, char *out, size_t size) {
    uint64_t number = 0;
    char name[80], who[120];
    bool ours = says_number(desk, tag, &number, name, sizeof(name));
    if (lookup->dead > 0) {
        const struct pairs_issue *issue = &lookup->first_dead;
        desk_who(desk, issue->ended_table, issue->ended_wall, "", who, sizeof(who));
        desk_print(out, size, "Cancelled: this chip was on bib %s, and no longer counts: %s.",
                   issue->bib.text, who);
    } else if (ours) {
        desk_print(out, size, "Number %llu, but this table knows of nobody who chipped it.",
                   (unsigned long long)number);
    } else {
        desk_print(out, size, "On nobody's list: %s.", name);
    }
}

/* Whether the chip's live issues are of more than one bib. */
static enum error_code shared(struct desk *desk, const struct desk_lookup *lookup, struct two *two,
                              struct error *err) {
    two->shared = false;
    for (size_t i = 1; i < lookup->id_count; i++) {
        struct pairs_issue issue;
        char hex[65];
        struct error gone;
        hex_encode(lookup->id[i].bytes, sizeof(lookup->id[i].bytes), hex);
        enum error_code code =
            pairs_find_issue(desk->config.ledger, slice_text(hex), &issue, &gone);
        if (error_class(code) == ERROR_CLASS_MACHINE) {
            *err = gone;
            return code;
        }
        if (code == ERR_OK && !desk_same_bib(&issue.bib, &lookup->first_live.bib)) {
            two->shared = true;
            two->bib = issue.bib;
            return ERR_OK;
        }
    }
    return ERR_OK;
}

static enum error_code say_one(struct desk *desk, const struct seen *seen,
                               const struct desk_lookup *lookup, struct error *err) {
    struct desk_present present;
    struct bib bib;
    char mark[80] = "", say[DESK_SAY_MAX];
    struct two two;
    const struct record_found *found = pairs_found(desk->config.ledger);
    enum error_code code = shared(desk, lookup, &two, err);
    if (code != ERR_OK) {
        return code;
    }
    if (two.shared) {
        desk->look_bad = true;
        desk_print(desk->look_say, sizeof(desk->look_say),
                   "One chip on two bibs: %s and %s. Take it off one of them.",
                   lookup->first_live.bib.text, two.bib.text);
        return ERR_OK;
    }
    if (lookup->live == 0) {
        say_unlisted(desk, &seen->tag[0], lookup, desk->look_say, sizeof(desk->look_say));
        return ERR_OK;
    }
    bib = lookup->first_live.bib;
    if (!lookup->as_listed) {
        char name[80];
        desk_tag_name(desk, &seen->tag[0], name, sizeof(name));
        desk->look_bad = true;
        desk_print(desk->look_say, sizeof(desk->look_say),
                   "This chip is listed for bib %s and carries something else: %s. Bib %s needs a "
                   "new chip.",
                   bib.text, name, bib.text);
        return ERR_OK;
    }
    size_t all = found == NULL ? 1 : record_found_category(found, &bib)->tags_per_bib;
    if (seen->count > 1) {
        desk_print(mark, sizeof(mark),
                   seen->count > all ? " on %zu chips, and this event has %zu"
                                     : ", %zu of %zu chips",
                   seen->count, all);
    }
    code = desk_present(desk, &bib, &present, err);
    say_listed(desk, lookup, mark, say, sizeof(say));
    struct pairs_bib state;
    if (code == ERR_OK) {
        code = pairs_bib(desk->config.ledger, &bib, &state, err);
    }
    if (code == ERR_OK) {
        desk->look_bad = state.state == PAIRS_DOUBLED;
        desk_print(desk->look_say, sizeof(desk->look_say), "%s%s", say,
                   state.state == PAIRS_DOUBLED ? " It is chipped twice: lay it aside." : "");
    }
    return code;
}

/* ---- all that lies there ---- */

static enum error_code say_seen(struct desk *desk, const struct seen *seen, struct error *err) {
    struct desk_lookup first;
    struct bib one = {{0}};
    bool has_one = false;
    char names[140];
    desk->look_say[0] = '\0';
    desk->look_bad = false;
    for (size_t i = 0; i < seen->count; i++) {
        struct desk_lookup lookup;
        struct bib bib;
        enum error_code code = desk_look_up(desk, &seen->tag[i], &lookup, err);
        if (code != ERR_OK) {
            return code;
        }
        bool labelled = label_of(desk, &seen->tag[i], &lookup, &bib);
        if (i == 0) {
            first = lookup;
            has_one = labelled;
            one = labelled ? bib : one;
        } else if (labelled != has_one || !labelled || !desk_same_bib(&bib, &one)) {
            desk_tag_names(desk, seen->tag, seen->count, names, sizeof(names));
            desk->look_bad = true;
            desk_print(desk->look_say, sizeof(desk->look_say),
                       "Stop: more than one number on the antenna: %s. Leave one.", names);
            return ERR_OK;
        }
    }
    first.tag = &seen->tag[0];
    return say_one(desk, seen, &first, err);
}

/* ---- looks that are kept ---- */

static enum error_code judge_tag(struct desk *desk, const struct desk_tag *tag,
                                 enum look_verdict *verdict, struct error *err) {
    struct desk_lookup lookup;
    uint64_t number = 0;
    char name[80];
    enum error_code code = desk_look_up(desk, tag, &lookup, err);
    if (code != ERR_OK) {
        return code;
    }
    struct bib carried = {{0}};
    bool ours = says_number(desk, tag, &number, name, sizeof(name));
    if (ours) {
        carried = desk_label(number);
    }
    bool other = (lookup.live > 0 && !desk_same_bib(&lookup.first_live.bib, &desk->look_bib)) ||
                 (ours && !desk_same_bib(&carried, &desk->look_bib));
    enum look_verdict is = other              ? LOOK_OTHER
                           : lookup.as_listed ? LOOK_RIGHT
                           : lookup.live > 0  ? LOOK_STRANGE
                           : lookup.dead > 0  ? LOOK_VOID
                                              : LOOK_STRANGE;
    /* The gravest of several: another bib's chip, then one that was taken back. */
    static const int GRAVITY[] = {
        [LOOK_RIGHT] = 0, [LOOK_STRANGE] = 1, [LOOK_VOID] = 2, [LOOK_OTHER] = 3};
    if (GRAVITY[is] > GRAVITY[*verdict]) {
        *verdict = is;
    }
    return ERR_OK;
}

static enum error_code judge(struct desk *desk, const struct seen *seen, enum look_verdict *verdict,
                             struct error *err) {
    struct desk_present present;
    *verdict = seen->count == 0 ? LOOK_NO_CHIP : LOOK_RIGHT;
    enum error_code code = desk_present(desk, &desk->look_bib, &present, err);
    for (size_t i = 0; code == ERR_OK && i < seen->count; i++) {
        code = judge_tag(desk, &seen->tag[i], verdict, err);
    }
    if (code == ERR_OK && *verdict == LOOK_RIGHT && seen->count < present.tags) {
        *verdict = LOOK_HALF;
    }
    return code;
}

static const char *verdict_text(enum look_verdict verdict, bool never) {
    switch (verdict) {
    case LOOK_RIGHT:
        return "right";
    case LOOK_NO_CHIP:
        return never ? "not chipped, and nothing was heard on it"
                     : "needs a chip: nothing was heard on it";
    case LOOK_OTHER:
        return "wrong: it has another bib's chip";
    case LOOK_STRANGE:
        return "wrong: its chip is on nobody's list";
    case LOOK_VOID:
        return "wrong: its chip was cancelled";
    case LOOK_HALF:
        return "half: not all of its chips were heard";
    }
    return "looked at";
}

static enum error_code keep_look(struct desk *desk, const struct seen *seen,
                                 enum look_verdict verdict, struct error *err) {
    struct record_look look = {.bib = desk->look_bib, .verdict = verdict};
    enum role role = ROLE_NONE;
    struct pairs_bib state;
    enum error_code code = desk_role(desk, &role, err);
    if (code == ERR_OK) {
        code = pairs_bib(desk->config.ledger, &desk->look_bib, &state, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    for (size_t i = 0; i < seen->count && i < RECORD_TAGS_MAX; i++) {
        look.tag[look.tag_count++] =
            (struct record_tag){.epc = seen->tag[i].epc, .tid = seen->tag[i].tid, .seen = true};
    }
    look.has_stack = desk->way == DESK_WAY_PROVE;
    look.stack = desk->stack;
    desk->kept_bad = verdict != LOOK_RIGHT;
    desk_print(desk->news, sizeof(desk->news), "Bib %s: %s.", desk->look_bib.text,
               verdict_text(verdict, state.state == PAIRS_UNISSUED && !state.doubt));
    desk_sound(desk, verdict == LOOK_RIGHT ? DESK_SOUND_DONE : DESK_SOUND_ALARM);
    desk_close(desk);
    desk->look_due = desk->look_has_typed = false;
    desk->look_bib = (struct bib){{0}};
    /* What lies there now was looked at: the next bib's chip is another one. */
    desk->just_count = 0;
    for (size_t i = 0; i < desk->field_count && i < RECORD_TAGS_MAX; i++) {
        desk->just[desk->just_count++] = desk->field[i];
    }
    if (role < ROLE_TABLE) {
        return ERR_OK;
    }
    struct desk_deed *deed = desk_deed(desk, DEED_LOOK);
    deed->bib = look.bib;
    deed->verdict = verdict;
    record_look_write(&look, &desk->bodies);
    desk_act(desk, RECORD_LOOK);
    return desk_record(desk, err);
}

static void see(const struct desk *desk, struct seen *seen) {
    seen->count = 0;
    if (desk->look_has_typed) {
        seen->tag[seen->count++] = desk->look_typed;
        return;
    }
    for (size_t i = 0; i < desk->field_count; i++) {
        /* With no bib in hand also what was looked at already is said again. */
        bool old = desk_among(desk->pile, desk->pile_count, &desk->field[i]) ||
                   (desk->look_bib.text[0] != '\0' &&
                    desk_among(desk->just, desk->just_count, &desk->field[i]));
        if (!old) {
            seen->tag[seen->count++] = desk->field[i];
        }
    }
}

enum error_code desk_look(struct desk *desk, struct error *err) {
    struct seen seen;
    enum look_verdict verdict = LOOK_NO_CHIP;
    see(desk, &seen);
    if (desk->look_bib.text[0] == '\0') {
        if (seen.count == 0) {
            desk->look_say[0] = '\0';
            desk->look_bad = false;
            return ERR_OK;
        }
        struct desk_tag others[DESK_FIELD_MAX];
        if (desk->look_has_typed || desk_strangers(desk, others) > 0) {
            desk->news[0] = '\0'; /* what was kept is no longer what lies there */
        }
        return say_seen(desk, &seen, err);
    }
    if (seen.count == 0) {
        desk->look_due = false;
        return ERR_OK;
    }
    enum error_code code = judge(desk, &seen, &verdict, err);
    if (code != ERR_OK) {
        return code;
    }
    bool now = desk->look_has_typed || verdict == LOOK_RIGHT ||
               (desk->look_due && desk->now.ms >= desk->look_at.ms);
    if (!now) {
        /* The second chip of a pair may be heard a moment after the first. */
        if (!desk->look_due) {
            desk->look_due = true;
            desk->look_at.ms = desk->now.ms + DESK_SETTLE_MS;
        }
        return ERR_OK;
    }
    return keep_look(desk, &seen, verdict, err);
}

/* The chip that was looked at is no chip of the next bib while looking goes on, and may well be one
 * afterwards: a blank is taken, and of any other it is asked. */
void desk_look_end(struct desk *desk) {
    if (desk->way != DESK_WAY_ON_DEMAND) {
        desk->just_count = 0;
    }
}

enum error_code desk_look_none(struct desk *desk, struct error *err) {
    struct seen seen = {.count = 0};
    return keep_look(desk, &seen, LOOK_NO_CHIP, err);
}

/* A bib in hand whose chip comes next. What nobody has chipped and is no number of the event was
 * mistyped. */
static enum error_code look_at_bib(struct desk *desk, const struct bib *bib, struct error *err) {
    uint64_t number = 0;
    struct before before;
    char ranges[100] = "";
    const struct bib_range *stack = &desk->stack;
    bool numeric = bib_number(bib, &number);
    if (desk->way == DESK_WAY_PROVE &&
        (!numeric || number < stack->first || number > stack->last)) {
        desk_refuse(desk, "Bib %s is not of this stack (%llu-%llu).", bib->text,
                    (unsigned long long)stack->first, (unsigned long long)stack->last);
        return ERR_OK;
    }
    enum error_code code = before_issue(desk->config.ledger, &desk->config.self, bib, &before, err);
    if (code != ERR_OK) {
        return code;
    }
    if (before.outside && !before.ever) {
        bib_ranges_text(&pairs_found(desk->config.ledger)->bibs, ranges, sizeof(ranges));
        desk_refuse(desk, "Bib %s is no number of this event (%s).", bib->text, ranges);
        return ERR_OK;
    }
    if (desk->look_bib.text[0] != '\0' && !desk_same_bib(bib, &desk->look_bib)) {
        desk_mention(desk, "Bib %s was not looked at.", desk->look_bib.text);
    }
    desk->look_bib = *bib;
    desk->look_due = desk->look_has_typed = desk->look_bad = false;
    struct desk_ask *ask = desk_open(desk, ASK_NO_CHIP, "%s", "");
    desk_choice(ask, "none", "Nothing is heard on bib %s", bib->text);
    return ERR_OK;
}

enum error_code desk_look_text(struct desk *desk, struct slice text, struct error *err) {
    const struct record_found *found = pairs_found(desk->config.ledger);
    struct error unread;
    struct bib bib;
    const uint8_t *slash = memchr(text.data, '/', text.size);
    size_t length = slash == NULL ? text.size : (size_t)(slash - text.data);
    if (found != NULL && bib_parse(text, found->zeros_count, &bib, &unread) == ERR_OK) {
        return look_at_bib(desk, &bib, err);
    }
    struct desk_tag tag = {.has_pc = false};
    enum error_code code = epc_parse(slice_of(text.data, length), &tag.epc, &unread);
    if (code == ERR_OK && slash != NULL) {
        code = tid_parse(slice_of(slash + 1, text.size - length - 1), &tag.tid, &unread);
    }
    if (code != ERR_OK) {
        desk_refuse(desk, "That is neither a bib number nor what a chip carries.");
        return ERR_OK;
    }
    desk->look_typed = tag;
    desk->look_has_typed = true;
    return ERR_OK;
}

/* ---- chipped twice ---- */

struct pair_of {
    size_t count;
    struct pairs_issue issue[2];
};

static bool two_live(void *context, const struct pairs_issue *issue) {
    struct pair_of *two = context;
    if (issue->live) {
        two->issue[two->count++] = *issue;
    }
    return two->count < 2;
}

static bool told(const struct desk *desk, const struct bib *bib) {
    for (size_t i = 0; i < desk->told_count; i++) {
        if (desk_same_bib(&desk->told_double[i], bib)) {
            return true;
        }
    }
    return false;
}

static void tell(struct desk *desk, const struct bib *bib, const struct pair_of *two) {
    char one[120], other[120];
    desk_who(desk, two->issue[0].table, two->issue[0].wall, two->issue[0].helper, one, sizeof(one));
    desk_who(desk, two->issue[1].table, two->issue[1].wall, two->issue[1].helper, other,
             sizeof(other));
    struct desk_ask *ask =
        desk_open(desk, ASK_DOUBLE, "Bib %s is chipped twice: %s; and %s. Lay it aside.", bib->text,
                  one, other);
    desk_choice(ask, "on", "Go on");
    desk_sound(desk, DESK_SOUND_ALARM);
    if (desk->told_count == DESK_LAST_MAX) {
        memmove(desk->told_double, desk->told_double + 1,
                (DESK_LAST_MAX - 1) * sizeof(desk->told_double[0]));
        desk->told_count--;
    }
    desk->told_double[desk->told_count++] = *bib;
}

/* One double of the bibs that this desk did last is said; the others when that is answered. */
enum error_code desk_doubles(struct desk *desk, struct error *err) {
    for (size_t i = 0; i < desk->lasting.last_count; i++) {
        const struct desk_done *done = &desk->lasting.latest[i];
        struct pair_of two = {.count = 0};
        struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = done->bib};
        struct pairs_bib state;
        if (done->chips == 0 || done->undone || told(desk, &done->bib)) {
            continue;
        }
        enum error_code code = pairs_bib(desk->config.ledger, &done->bib, &state, err);
        if (code == ERR_OK && state.state == PAIRS_DOUBLED && state.cause != PAIRS_REPEAT) {
            code = pairs_each_issue(desk->config.ledger, &filter, two_live, &two, err);
        }
        if (code != ERR_OK) {
            return code;
        }
        if (two.count == 2) {
            struct bib bib = done->bib;
            tell(desk, &bib, &two);
            return ERR_OK;
        }
    }
    desk->doubles_due = false;
    return ERR_OK;
}
