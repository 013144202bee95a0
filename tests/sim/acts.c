/*
 * acts.c: what is done at the tables, with the mistakes that people make: see fleet.h.
 */
#include "tests/sim/fleet_internal.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void number_bytes(uint8_t *out, size_t size, uint64_t number) {
    for (size_t i = 0; i < 8; i++) {
        out[size - 1 - i] = (uint8_t)(number >> (8 * i));
    }
}

/* A tag that was never used, or one that is on some bib already. */
static struct record_tag pick_tag(struct fleet *fleet, bool used) {
    struct record_tag tag = {.seen = true};
    if (used && fleet->issue_count > 0) {
        return fleet->issue[dice_below(&fleet->dice, fleet->issue_count)].tag;
    }
    tag.epc.size = EPC_96_SIZE;
    number_bytes(tag.epc.data, tag.epc.size, ++fleet->tags);
    if (dice_percent(&fleet->dice, 70)) {
        tag.tid.size = 12;
        tag.tid.data[0] = 0xe2;
        number_bytes(tag.tid.data, tag.tid.size, fleet->tags);
    }
    return tag;
}

static void remember(struct fleet *fleet, const struct record_id *id,
                     const struct record_issue *issue) {
    if (fleet->issue_count == fleet->issue_capacity) {
        fleet->issue_capacity = fleet->issue_capacity == 0 ? 256 : fleet->issue_capacity * 2;
        fleet->issue =
            fleet_must(realloc(fleet->issue, fleet->issue_capacity * sizeof(*fleet->issue)));
    }
    fleet->issue[fleet->issue_count++] =
        (struct fleet_issue){.id = *id, .tag = issue->tag[0], .bib = issue->bib};
}

static enum error_code make_issue(struct fleet *fleet, size_t at, int64_t now,
                                  struct record_issue *issue, struct error *err) {
    struct fleet_station *station = &fleet->station[at];
    struct record_id id;
    struct buffer body;
    buffer_init(&body);
    record_issue_write(issue, &body);
    enum error_code code =
        fleet_append(fleet, at, &station->author, RECORD_ISSUE, &body, now, &id, err);
    if (code == ERR_OK) {
        remember(fleet, &id, issue);
    }
    return code;
}

/* An issue that this station holds; NULL when chance finds none. */
static const struct fleet_issue *pick_issue(struct fleet *fleet, size_t at) {
    for (int tries = 0; tries < 8 && fleet->issue_count > 0; tries++) {
        /* Rather a late one: what is fresh is what collides. */
        uint64_t back = dice_below(&fleet->dice, dice_percent(&fleet->dice, 70) ? 30 : 1000);
        size_t index = fleet->issue_count - 1 - (size_t)(back % fleet->issue_count);
        if (ledger_holds(fleet->station[at].ledger, fleet->issue[index].id.bytes)) {
            return &fleet->issue[index];
        }
    }
    return NULL;
}

static enum error_code make_void(struct fleet *fleet, size_t at, int64_t now,
                                 const struct record_id *targets, size_t count, struct error *err) {
    struct fleet_station *station = &fleet->station[at];
    struct record_void body = {
        .target_count = count, .reason = slice_text("wrong bib"), .chip = CHIP_DESTROYED};
    struct record_id id;
    struct buffer bytes;
    memcpy(body.target, targets, count * sizeof(*targets));
    buffer_init(&bytes);
    record_void_write(&body, &bytes);
    return fleet_append(fleet, at, &station->author, RECORD_VOID, &bytes, now, &id, err);
}

static void set_bib(struct bib *bib, uint64_t number) {
    snprintf(bib->text, sizeof(bib->text), "%u", (unsigned)(number % 100000));
}

static uint64_t own_number(size_t at, uint64_t place) {
    return 1000 + FLEET_BIBS_EACH * at + place % FLEET_BIBS_EACH;
}

/* The next bib of the station's own range, as the station works: by scanning, by typing, or down a
 * stack. */
static void next_own(struct fleet *fleet, size_t at, struct record_issue *issue) {
    struct fleet_station *station = &fleet->station[at];
    uint64_t place = station->own_bibs++;
    issue->how = at % 3 == 0 ? ISSUE_SCAN : at % 3 == 1 ? ISSUE_SERIES : ISSUE_TYPED;
    set_bib(&issue->bib, own_number(station->desk, place));
    if (issue->how == ISSUE_SERIES) {
        /* A sheet sticks to the next: from there on every chip is on its neighbour. */
        if (dice_percent(&fleet->dice, 4)) {
            station->shift = station->shift == 0 ? 1 : 0;
        }
        uint64_t down = FLEET_BIBS_EACH - 1 - place % FLEET_BIBS_EACH;
        set_bib(&issue->bib, own_number(station->desk, down + (uint64_t)station->shift));
    } else if (issue->how == ISSUE_TYPED && dice_percent(&fleet->dice, 8)) {
        uint64_t wrong =
            dice_percent(&fleet->dice, 50)
                ? own_number(station->desk == 0 ? 1 : station->desk - 1, dice_roll(&fleet->dice))
                : 90000 + dice_below(&fleet->dice, 10000);
        set_bib(&issue->bib, wrong);
    }
}

enum error_code fleet_issue_own(struct fleet *fleet, size_t at, int64_t now, struct error *err) {
    struct fleet_station *station = &fleet->station[at];
    struct record_issue issue = {.tag_count = 1, .how = ISSUE_SCAN};
    issue.tag[0] = pick_tag(fleet, false);
    snprintf(issue.bib.text, sizeof(issue.bib.text), "%u",
             (unsigned)(100000 * (station->desk + 1) + station->own_bibs++ % 100000));
    return make_issue(fleet, at, now, &issue, err);
}

/* ---- settling ---- */

struct found_bib {
    struct bib bib;
    uint64_t skip;
    bool found;
};

static bool take_bib(void *context, const struct pairs_bib *bib) {
    struct found_bib *out = context;
    out->bib = bib->bib;
    out->found = true;
    return out->skip-- > 0;
}

struct live_issues {
    struct record_id id[RECORD_NAMES_MAX];
    size_t count;
};

static bool take_live(void *context, const struct pairs_issue *issue) {
    struct live_issues *out = context;
    if (issue->live && out->count < RECORD_NAMES_MAX) {
        out->id[out->count++] = issue->id;
    }
    return true;
}

static enum error_code find_double(struct fleet *fleet, size_t at, struct found_bib *out,
                                   struct error *err) {
    *out = (struct found_bib){.skip = dice_below(&fleet->dice, 10)};
    return pairs_each_bib(fleet->station[at].ledger, PAIRS_BIBS_DOUBLED, take_bib, out, err);
}

/* Voids all live issues of the bib that this station knows but one. */
static enum error_code settle(struct fleet *fleet, size_t at, const struct bib *bib, uint64_t keep,
                              int64_t now, bool *did, struct error *err) {
    struct pairs_filter filter = {.which = PAIRS_ISSUES_OF_BIB, .bib = *bib};
    struct live_issues live = {.count = 0};
    *did = false;
    enum error_code code =
        pairs_each_issue(fleet->station[at].ledger, &filter, take_live, &live, err);
    if (code != ERR_OK || live.count < 2) {
        return code;
    }
    live.id[keep % live.count] = live.id[live.count - 1];
    *did = true;
    return make_void(fleet, at, now, live.id, live.count - 1, err);
}

bool fleet_settle_twice(struct fleet *fleet, int64_t now, enum error_code *code,
                        struct error *err) {
    struct found_bib found;
    bool first = false;
    bool second = false;
    *code = find_double(fleet, FLEET_LEAD, &found, err);
    if (*code == ERR_OK && found.found) {
        *code = settle(fleet, FLEET_LEAD, &found.bib, 0, now, &first, err);
    }
    if (*code == ERR_OK && first) {
        *code = settle(fleet, FLEET_SECOND, &found.bib, 1, now, &second, err);
    }
    return first && second;
}

/* ---- any act ---- */

static void note_knew(struct fleet *fleet, const struct record_id *later,
                      const struct record_id *earlier) {
    if (fleet->knew_count == fleet->knew_capacity) {
        fleet->knew_capacity = fleet->knew_capacity == 0 ? 256 : fleet->knew_capacity * 2;
        fleet->knew = fleet_must(realloc(fleet->knew, fleet->knew_capacity * sizeof(*fleet->knew)));
    }
    fleet->knew[fleet->knew_count++] = (struct fleet_knew){*later, *earlier};
}

/* Something about an issue of somebody. */
static enum error_code act_on(struct fleet *fleet, size_t at, int64_t now, uint64_t roll,
                              const struct fleet_issue *other, struct error *err) {
    struct record_issue issue = {.bib = other->bib, .tag_count = 1, .how = ISSUE_SCAN};
    if (roll < 12) {
        return make_void(fleet, at, now, &other->id, 1, err);
    }
    issue.tag[0] = pick_tag(fleet, false);
    if (roll < 22) { /* a replacement, named as such */
        issue.replaces[issue.replaces_count++] = other->id;
        if (dice_percent(&fleet->dice, 30)) {
            issue.tag[0] = other->tag;
        }
    } else if (roll < 28) { /* a second chip, named as such */
        issue.extra[issue.extra_count++] = other->id;
    } else if (dice_percent(&fleet->dice, 50)) { /* a knowing double, of the same chip */
        issue.tag[0] = other->tag;
    }
    enum error_code code = make_issue(fleet, at, now, &issue, err);
    if (code == ERR_OK) {
        note_knew(fleet, &fleet->issue[fleet->issue_count - 1].id, &other->id);
    }
    return code;
}

/* A bib is laid aside, or given free again; few bibs, so that tables meet over them. */
static enum error_code make_hold(struct fleet *fleet, size_t at, int64_t now, struct error *err) {
    struct dice *dice = &fleet->hold_dice;
    struct record_hold hold = {.reason = slice_text("not in the box")};
    struct record_id id;
    struct buffer body;
    set_bib(&hold.bib, 1 + dice_below(dice, FLEET_HELD));
    hold.how = (enum hold_how)(1 + dice_below(dice, HOLD_REPRINT));
    buffer_init(&body);
    record_hold_write(&hold, &body);
    return fleet_append(fleet, at, &fleet->station[at].author, RECORD_HOLD, &body, now, &id, err);
}

enum error_code fleet_act(struct fleet *fleet, size_t at, int64_t now, struct error *err) {
    if (dice_percent(&fleet->hold_dice, 7)) {
        return make_hold(fleet, at, now, err);
    }
    uint64_t roll = dice_below(&fleet->dice, 100);
    const struct fleet_issue *other = roll < 35 ? pick_issue(fleet, at) : NULL;
    if (other != NULL) {
        struct fleet_issue copy = *other;
        return act_on(fleet, at, now, roll, &copy, err);
    }
    if (roll < 50 && (at == FLEET_LEAD || at == FLEET_SECOND)) {
        struct found_bib found;
        bool did = false;
        enum error_code code = find_double(fleet, at, &found, err);
        if (code == ERR_OK && found.found) {
            code = settle(fleet, at, &found.bib, dice_roll(&fleet->dice), now, &did, err);
        }
        if (code != ERR_OK || did) {
            return code;
        }
    }
    struct record_issue issue = {.tag_count = 1, .how = ISSUE_SCAN};
    issue.tag[0] = pick_tag(fleet, roll >= 96);
    if (roll >= 80 && roll < 96) { /* a bib that others issue too */
        set_bib(&issue.bib, 1 + dice_below(&fleet->dice, FLEET_CONTESTED));
    } else {
        next_own(fleet, at, &issue);
    }
    return make_issue(fleet, at, now, &issue, err);
}

/* ---- what nobody may take in ---- */

static void put_record(const struct record *record, const struct event_id *event,
                       const struct station_keys *keys, struct buffer *out) {
    struct error err;
    fleet_check(record_encode(record, NULL, 0, event, &keys->sign_secret, out, &err), &err);
}

void fleet_poison(struct fleet *fleet, size_t at, struct buffer *out) {
    const struct fleet_station *station = &fleet->station[at];
    const struct fleet_station *stranger = &fleet->station[fleet->count + 1];
    struct record_issue issue = {.tag_count = 1, .how = ISSUE_SCAN};
    struct record_open open = {.key = stranger->keys.sign_public};
    struct event_id last_year = fleet->event.event;
    struct buffer body;
    struct buffer opening;
    issue.tag[0] = pick_tag(fleet, false);
    set_bib(&issue.bib, 1 + dice_below(&fleet->dice, FLEET_CONTESTED));
    buffer_init(&body);
    buffer_init(&opening);
    record_issue_write(&issue, &body);
    struct record next = {.log = station->author.log,
                          .number = station->author.number + 1,
                          .has_previous = true,
                          .previous = station->author.head,
                          .wall = {1800000000000},
                          .kind = RECORD_ISSUE,
                          .body = buffer_slice(&body)};
    last_year.bytes[0] ^= 1;
    put_record(&next, &last_year, &station->keys, out);           /* of another event */
    put_record(&next, &fleet->event.event, &stranger->keys, out); /* not by its author */
    open.incarnation.bytes[0] = (uint8_t)dice_roll(&fleet->dice);
    record_open_write(&open, &opening);
    struct record first = {.log = identity_log(&open.key, &open.incarnation),
                           .number = 1,
                           .wall = {1800000000000},
                           .kind = RECORD_OPEN,
                           .body = buffer_slice(&opening)};
    put_record(&first, &fleet->event.event, &stranger->keys, out); /* not admitted */
    put_record(&next, &fleet->event.event, &station->keys, out);
    out->data[out->size - 1] ^= 1; /* the signature's last byte */
    buffer_release(&body);
    buffer_release(&opening);
}
