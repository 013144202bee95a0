/*
 * desk_state.h: what the parts of the desk machine share. Private to desk*.c.
 *
 * `lasting` is what must outlive the power: the chips that are made and not yet recorded, the one
 * order that may be outstanding, the place in a series. All else can be seen again or asked again.
 * A record changes `lasting` only through its deed (desk_record.c), which is applied once to a copy
 * for what is kept with the record, and once to the desk itself when the record is committed.
 */
#ifndef BIBWEAVE_DESK_STATE_H
#define BIBWEAVE_DESK_STATE_H

#include "common/before.h"
#include "common/desk.h"
#include "common/tag.h"

enum {
    DESK_TRIES_MAX = 3,            /* on one chip, before another one is asked for */
    DESK_ORDERS_MAX = 4,           /* in one step: a KEEP, and a RECORD, WRITE or FORGET */
    DESK_ACTS_MAX = 32,            /* records in one DESK_RECORD */
    DESK_REDO_MAX = 500,           /* bibs in one redo */
    DESK_REDO_NUMBERS_MAX = 20000, /* of a series, since its last scan: most may be skipped ones */
    DESK_SKIPS_MAX = 300,          /* numbers of a series that are looked at in one step */
    DESK_CHECK_EVERY = 25,         /* bibs between two scans of the bib in hand */
    DESK_RETRY_MS = 2000,          /* between two tries to record */
    DESK_SETTLE_MS = 600,          /* all chips of a bib are heard after so long, where any is */
    DESK_PILE_MAX = 32,            /* tags of the finished pile that are known */
    DESK_TEXT_MAX = 512,           /* bytes of a line that are looked at */
};

#define DESK_NUMBER_MAX UINT64_C(999999999999) /* that a label holds */

struct desk_chip {
    struct epc epc;
    struct tid tid;
    bool seen;
};

/* The bib in turn, from the moment nothing speaks against it. */
struct desk_job {
    bool active;
    bool read_good; /* the chip of the set that stays is to be read before the new one is made */
    bool good;      /* made[0] is that chip */
    bool hold_ok;   /* it is on hold, and a lead said to go on */
    struct bib bib;
    enum issue_how how;
    size_t wanted, beside; /* chips to make, and those that stand already */
    size_t made_count;
    struct desk_chip made[RECORD_TAGS_MAX];
    size_t replaces_count, extra_count;
    struct record_id replaces[ISSUE_NAMES_MAX], extra[ISSUE_NAMES_MAX];
    enum chip_where chip;
    struct bib chip_bib; /* with CHIP_ON_BIB */
    char reason[RECORD_TEXT_MAX + 1];
};

/* A stack that is worked through. */
struct desk_line {
    bool active, paused;
    bool ended;       /* no number is left; the last bib may still have to be scanned */
    bool force_check; /* the place is not sure: scan the bib in hand first */
    bool has_checked, has_made;
    uint64_t first, last, step, next;
    uint64_t done, skipped, check_every;
    uint64_t checked, made; /* the number last scanned right, and last made */
};

struct desk_out { /* the one order that the encoder may have */
    bool active;
    uint64_t number;
    struct desk_tag tag;
    struct epc epc;
    uint16_t pc;
};

struct desk_lasting {
    uint64_t orders; /* the highest order number that was given */
    char helper[RECORD_HELPER_MAX + 1];
    char roll[RECORD_TEXT_MAX + 1];
    bool roll_pair;
    bool strange_ok; /* this roll's tags carry something of somebody else's, and may be used */
    struct desk_job job;
    struct desk_out out;
    struct desk_line line, aside_line; /* aside_line: the series that a redo stands in for */
    size_t last_count;
    struct desk_done latest[DESK_LAST_MAX];
    bool latest_id[DESK_LAST_MAX]; /* whether latest[i].id is known */
};

enum desk_deed_kind {
    DEED_NONE,
    DEED_ISSUE,
    DEED_FREE,   /* a hold is lifted; then the bib is looked at again */
    DEED_ABSENT, /* the bib in turn is put down as missing */
    DEED_UNDO,
    DEED_REDO,
    DEED_ALLOT, /* the stack is this table's now; then the bib goes on */
    DEED_OVER,  /* the issue of a chip that will be written over is taken back */
    DEED_LOOK,
    DEED_ROLL,
};
struct desk_deed {
    enum desk_deed_kind kind;
    struct bib bib;
    enum issue_how how;
    struct desk_line line; /* REDO: what is worked through next */
    bool line_back;        /* REDO: out of the running series itself */
    char roll[RECORD_TEXT_MAX + 1];
    bool roll_pair;
    bool half;
    size_t chips;
    struct wall_ms wall;
    struct bib_range voided; /* REDO: of these bibs the latest acts are undone */
    bool taken_back;         /* ABSENT: of a bib that was done already */
    enum look_verdict verdict;
};

enum desk_ask_kind {
    ASK_NONE,
    ASK_ISSUED,
    ASK_WHERE, /* where the old chip is */
    ASK_WHICH, /* on which bib it is: the one question that a number answers */
    ASK_HALF,
    ASK_DOUBT,
    ASK_HELD,
    ASK_ABSENT,
    ASK_OUTSIDE,
    ASK_OTHERS,
    ASK_STRANGE, /* the chip carries something of somebody else's */
    ASK_OURS,    /* the chip carries, or is, one of this event's */
    ASK_CHECK,   /* another bib is in hand than should be */
    ASK_REDO,
    ASK_RESTART, /* a set was half made when the power went */
    ASK_INDOUBT, /* not known what is on the chip: put it back */
    ASK_LATE,    /* the bib got a chip elsewhere while one is made here */
    ASK_DOUBLE,  /* a bib of this table was chipped at another one too */
    ASK_AGAIN,   /* it could not be recorded */
    ASK_RESUME,  /* offered, not asked: on with the series */
    ASK_NO_CHIP, /* offered: nothing is heard on the bib that is looked at */
};
struct desk_ask {
    enum desk_ask_kind kind;
    uint64_t id;
    char say[DESK_SAY_MAX];
    size_t choice_count;
    struct desk_choice choice[DESK_CHOICES_MAX];
    /* what the answer is about */
    struct bib bib;
    enum issue_how how;
    bool one;             /* WHERE: one chip of the set alone is replaced */
    struct desk_tag tag;  /* STRANGE, OURS */
    uint64_t first, last; /* REDO, OTHERS */
    size_t void_count;    /* OURS: issues that end when the chip is used */
    struct record_id voids[ISSUE_NAMES_MAX];
    struct bib void_bib;
    bool line_back;
};

struct desk {
    struct desk_config config;
    struct desk_lasting lasting;

    /* orders of this step */
    struct desk_order order[DESK_ORDERS_MAX];
    struct buffer kept[DESK_ORDERS_MAX];
    size_t order_count, order_next;
    bool keep_due;

    /* the record that is being made */
    struct desk_deed deed;
    bool deed_out, deed_failed; /* ordered and not answered; answered with no */
    bool deed_late;             /* try again now */
    struct mono_ms deed_again;
    char deed_fault[DESK_SAY_MAX];
    struct desk_act act[DESK_ACTS_MAX];
    size_t act_count;
    struct buffer bodies;
    size_t body_at[DESK_ACTS_MAX + 1];

    /* what the encoder says */
    bool up;
    char down[DESK_SAY_MAX];
    struct desk_tag field[DESK_FIELD_MAX];
    size_t field_count, field_total;
    bool in_doubt; /* the outstanding order was not answered, or with a doubtful answer */
    bool fresh;    /* the field was told anew since the last failure */
    struct desk_tag pile[DESK_PILE_MAX];
    size_t pile_count;
    struct desk_tag just[RECORD_TAGS_MAX]; /* of the bib just done, while they lie there */
    size_t just_count;
    bool has_spurned; /* a chip that must be taken away */
    struct desk_tag spurned;
    char spurn_say[DESK_SAY_MAX];
    size_t tries;
    struct desk_tag tried;
    bool has_granted; /* a chip that may be written whatever it carries: a person said so */
    struct desk_tag granted;
    bool doubles_due; /* look whether a bib of this desk was chipped twice */

    char out_say[DESK_SAY_MAX]; /* this station was put out: what to do now; "" while it is in */

    /* what people said */
    enum desk_way way;
    bool stopping, absenting; /* once the encoder has answered */
    bool forgot;              /* the outstanding order is being called back */
    bool resting;             /* done: until the chip is taken away */
    bool restart;             /* a half-made set was found at the start */
    bool behind;              /* other stations may know more */
    bool aside_old;           /* a bib was done since `aside` was said */
    struct bib rest_bib;
    char rest_say[DESK_SAY_MAX];
    struct desk_ask ask;
    uint64_t asked; /* the highest question number */
    bool allow_outside, allow_others;
    bool allow_series; /* all numbers of the series are done here, whosever they are */
    char allow_reason[RECORD_TEXT_MAX + 1];
    struct bib allow_bib;                  /* for which the two were said */
    struct bib told_double[DESK_LAST_MAX]; /* doubles that were said */
    size_t told_count;
    char field_say[DESK_SAY_MAX]; /* what is wrong with what lies there; "" for nothing */
    char aside[DESK_SAY_MAX];
    char news[DESK_SAY_MAX]; /* said until the next input */

    /* looking */
    struct bib look_bib;
    bool look_due;
    struct mono_ms look_at;
    char look_say[DESK_SAY_MAX];
    bool look_bad, kept_bad; /* of what lies there; of the look that was kept last */
    struct desk_tag look_typed;
    bool look_has_typed;
    struct bib_range stack;
    uint64_t proved; /* looks of the stack that were kept */

    enum desk_sound sound;
    uint64_t sounds;
    bool tick_now; /* more is to be done than one step does */
    struct mono_ms now;
    struct wall_ms wall;
    struct desk_view view;
};

/* ---- desk.c ---- */

/* Goes on from what is the case, as far as it can without an event. */
enum error_code desk_proceed(struct desk *desk, struct error *err) __attribute__((nonnull));
void desk_sound(struct desk *desk, enum desk_sound sound) __attribute__((nonnull));
/* What was not taken, and why; with the sound for it. */
void desk_refuse(struct desk *desk, const char *format, ...)
    __attribute__((nonnull, format(printf, 2, 3)));
void desk_mention(struct desk *desk, const char *format, ...)
    __attribute__((nonnull, format(printf, 2, 3)));
/* printf into a sentence, cut between characters. */
void desk_print(char *out, size_t size, const char *format, ...)
    __attribute__((nonnull, format(printf, 3, 4)));
/* "Table 2, 09:12, AB" */
void desk_who(const struct desk *desk, const char *table, struct wall_ms wall, const char *helper,
              char *out, size_t size) __attribute__((nonnull));
struct bib desk_label(uint64_t number);
bool desk_same_bib(const struct bib *a, const struct bib *b) __attribute__((nonnull));
enum error_code desk_command_do(struct desk *desk, const struct desk_event *event,
                                struct error *err) __attribute__((nonnull));
enum error_code desk_role(struct desk *desk, enum role *role, struct error *err)
    __attribute__((nonnull));

/* ---- desk_out.c ---- */

/* Looks whether this station was put out of the event, or is in again. */
enum error_code desk_out_check(struct desk *desk, struct error *err) __attribute__((nonnull));
bool desk_is_out(const struct desk *desk) __attribute__((nonnull));
/* Whether the event is a person's at a table that is out: then it was refused. */
bool desk_out_refuses(struct desk *desk, const struct desk_event *event) __attribute__((nonnull));

/* ---- desk_number.c ---- */

enum error_code desk_text(struct desk *desk, const struct desk_event *event, struct error *err)
    __attribute__((nonnull));
/* Looks at a number: it becomes the bib in turn, or a question, or (in a series) is stepped over:
 * *skipped. */
enum error_code desk_take(struct desk *desk, const struct bib *bib, enum issue_how how,
                          bool *skipped, struct error *err) __attribute__((nonnull));
/* The issues of a bib that a new one has to name: live, or in doubt. */
struct desk_present {
    size_t count, tags;
    struct record_id id[ISSUE_NAMES_MAX]; /* the first of them */
    struct pairs_issue first;
};
enum error_code desk_present(struct desk *desk, const struct bib *bib, struct desk_present *present,
                             struct error *err) __attribute__((nonnull));
/* Makes a bib the one in turn. `as`: what becomes of the chips that it has. */
enum desk_as { DESK_AS_NEW, DESK_AS_REPLACE, DESK_AS_FURTHER, DESK_AS_ONE, DESK_AS_FINISH };
enum error_code desk_begin(struct desk *desk, const struct bib *bib, enum issue_how how,
                           enum desk_as as, enum chip_where chip, const struct bib *chip_bib,
                           const char *reason, struct error *err) __attribute__((nonnull(1, 2, 8)));
/* Whether the bib in turn has got a chip that the job does not name: *late, and a question. */
enum error_code desk_check_late(struct desk *desk, bool *late, struct error *err)
    __attribute__((nonnull));

/* ---- desk_tag.c ---- */

struct desk_lookup {
    const struct desk_tag *tag;
    bool by_epc;
    bool as_listed; /* it carries what a live issue says that it carries */
    size_t live, dead, id_count;
    struct record_id id[ISSUE_NAMES_MAX]; /* live ones, and such as do not count */
    struct pairs_issue first_live, first_dead;
};
/* What the list says of a chip: by its TID, and by what it carries. */
enum error_code desk_look_up(struct desk *desk, const struct desk_tag *tag,
                             struct desk_lookup *lookup, struct error *err)
    __attribute__((nonnull));
bool desk_tag_same(const struct desk_tag *a, const struct desk_tag *b) __attribute__((nonnull));
bool desk_epc_same(const struct epc *a, const struct epc *b) __attribute__((nonnull));
bool desk_tid_same(const struct tid *a, const struct tid *b) __attribute__((nonnull));
bool desk_among(const struct desk_tag *tags, size_t count, const struct desk_tag *tag)
    __attribute__((nonnull));
struct desk_tag desk_chip_tag(const struct desk_chip *chip) __attribute__((nonnull));
bool desk_is_made(const struct desk *desk, const struct desk_tag *tag) __attribute__((nonnull));
bool desk_is_known(const struct desk *desk, const struct desk_tag *tag) __attribute__((nonnull));
bool desk_just_there(const struct desk *desk) __attribute__((nonnull));
/* The tags on the antenna that are not accounted for, into out[DESK_FIELD_MAX]; how many. */
size_t desk_strangers(const struct desk *desk, struct desk_tag *out) __attribute__((nonnull));
void desk_tag_name(struct desk *desk, const struct desk_tag *tag, char *out, size_t size)
    __attribute__((nonnull));
/* "42, 43 and a blank chip" */
void desk_tag_names(struct desk *desk, const struct desk_tag *tags, size_t count, char *out,
                    size_t size) __attribute__((nonnull));

/* ---- desk_chip.c ---- */

void desk_field(struct desk *desk, const struct desk_event *event) __attribute__((nonnull));
enum error_code desk_chip(struct desk *desk, struct error *err) __attribute__((nonnull));
enum error_code desk_settle(struct desk *desk, struct error *err) __attribute__((nonnull));
enum error_code desk_written(struct desk *desk, const struct desk_event *event, struct error *err)
    __attribute__((nonnull));
void desk_failed(struct desk *desk, const struct desk_event *event) __attribute__((nonnull));
void desk_down(struct desk *desk, const struct desk_event *event) __attribute__((nonnull));
enum error_code desk_typed_chip(struct desk *desk, struct slice text, struct error *err)
    __attribute__((nonnull));
void desk_spurn(struct desk *desk, const struct desk_tag *tag, const char *format, ...)
    __attribute__((nonnull, format(printf, 3, 4)));
void desk_check_empty(struct desk *desk) __attribute__((nonnull));

/* ---- desk_ask.c ---- */

struct desk_ask *desk_open(struct desk *desk, enum desk_ask_kind kind, const char *format, ...)
    __attribute__((nonnull, format(printf, 3, 4)));
void desk_choice(struct desk_ask *ask, const char *word, const char *format, ...)
    __attribute__((nonnull, format(printf, 3, 4)));
void desk_close(struct desk *desk) __attribute__((nonnull));
/* A question that must be answered before anything else is taken. */
bool desk_blocked(const struct desk *desk) __attribute__((nonnull));
enum error_code desk_answer(struct desk *desk, uint64_t question, struct slice choice,
                            struct error *err) __attribute__((nonnull));
enum error_code desk_ask_number(struct desk *desk, const struct before *before,
                                enum before_verdict verdict, const struct bib *bib,
                                enum issue_how how, struct error *err) __attribute__((nonnull));
enum error_code desk_which(struct desk *desk, const struct bib *bib, struct error *err)
    __attribute__((nonnull));

/* ---- desk_series.c ---- */

/* Whether a label reads as a run of numbers of this event. */
enum error_code desk_is_run(struct desk *desk, const struct bib *bib, bool *run, struct error *err)
    __attribute__((nonnull));
void desk_series(struct desk *desk, const struct desk_event *event) __attribute__((nonnull));
enum error_code desk_turn(struct desk *desk, bool *again, struct error *err)
    __attribute__((nonnull));
/* Whether bibs were done since the last right scan, and from which one on. */
bool desk_since_check(const struct desk_line *line, uint64_t *from) __attribute__((nonnull));
bool desk_must_check(const struct desk *desk) __attribute__((nonnull));
void desk_checked(struct desk *desk, const struct bib *bib) __attribute__((nonnull));
void desk_line_step(struct desk_line *line) __attribute__((nonnull));
void desk_line_end(struct desk *desk) __attribute__((nonnull));
void desk_stop(struct desk *desk) __attribute__((nonnull));
enum error_code desk_absent(struct desk *desk, struct error *err) __attribute__((nonnull));
enum error_code desk_undo(struct desk *desk, struct error *err) __attribute__((nonnull));
void desk_redo_ask(struct desk *desk, uint64_t first, uint64_t last) __attribute__((nonnull));
/* Takes back what this station did from first to last (in working order) and does it again. */
enum error_code desk_redo(struct desk *desk, uint64_t first, uint64_t last, bool line_back,
                          struct error *err) __attribute__((nonnull));

/* ---- desk_record.c ---- */

/* Begins a deed: its acts follow with desk_act_*, then desk_record. */
struct desk_deed *desk_deed(struct desk *desk, enum desk_deed_kind kind) __attribute__((nonnull));
void desk_act(struct desk *desk, enum record_kind kind) __attribute__((nonnull));
enum error_code desk_record(struct desk *desk, struct error *err) __attribute__((nonnull));
enum error_code desk_record_issue(struct desk *desk, struct error *err) __attribute__((nonnull));
void desk_act_hold(struct desk *desk, const struct bib *bib, enum hold_how how, const char *reason)
    __attribute__((nonnull));
void desk_act_void(struct desk *desk, const struct record_id *ids, size_t count, const char *reason,
                   enum chip_where chip, const struct bib *chip_bib)
    __attribute__((nonnull(1, 2, 4)));
enum error_code desk_recorded(struct desk *desk, const struct desk_event *event, struct error *err)
    __attribute__((nonnull));
void desk_not_recorded(struct desk *desk, const struct desk_event *event) __attribute__((nonnull));
enum error_code desk_roll(struct desk *desk, const struct desk_event *event, struct error *err)
    __attribute__((nonnull));
void desk_latest(struct desk_lasting *lasting, const struct bib *bib, struct wall_ms wall,
                 size_t chips, bool half, const char *say) __attribute__((nonnull));

/* ---- orders, desk_order.c ---- */

enum error_code desk_keep(struct desk *desk, struct error *err) __attribute__((nonnull));
enum error_code desk_write(struct desk *desk, const struct desk_tag *tag, const struct epc *epc,
                           uint16_t pc, struct error *err) __attribute__((nonnull));
void desk_forget(struct desk *desk) __attribute__((nonnull));
struct desk_order *desk_order_add(struct desk *desk, enum desk_order_kind kind)
    __attribute__((nonnull));

/* ---- desk_look.c ---- */

enum error_code desk_look_text(struct desk *desk, struct slice text, struct error *err)
    __attribute__((nonnull));
/* Says what lies on the antenna, and keeps the look when it is time. */
enum error_code desk_look(struct desk *desk, struct error *err) __attribute__((nonnull));
/* Looking is over: what lies there is told apart anew, as any chip that somebody puts down. */
void desk_look_end(struct desk *desk) __attribute__((nonnull));
enum error_code desk_look_none(struct desk *desk, struct error *err) __attribute__((nonnull));
enum error_code desk_doubles(struct desk *desk, struct error *err) __attribute__((nonnull));

/* ---- desk_kept.c ---- */

/* Appends the one byte form of what lasts. */
void desk_kept_write(const struct desk_lasting *lasting, struct buffer *out)
    __attribute__((nonnull));
bool desk_kept_read(struct slice kept, struct desk_lasting *lasting) __attribute__((nonnull));

/* ---- desk_view.c ---- */

void desk_show(struct desk *desk) __attribute__((nonnull));

#endif
