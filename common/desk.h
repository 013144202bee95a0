/*
 * desk.h: the work at one table, as a machine: numbers, chips and answers in, what to do now out.
 *
 * It decides what is written on which chip and what is recorded, and says it in one sentence at a
 * time. It never waits and touches no encoder, page or clock: events go in, orders and a view come
 * out. The same machine stands behind a terminal, a page and the tests. Before a chip may be
 * written, the order to write it is on disk (DESK_KEEP); a chip is done only after its issue is
 * committed (DESK_RECORD). One thread, the ledger's; it reads the ledger and never writes to it.
 */
#ifndef BIBWEAVE_DESK_H
#define BIBWEAVE_DESK_H

#include "common/keys.h"
#include "common/pairs.h"

enum {
    DESK_FIELD_MAX = 32,  /* tags on the antenna that are told apart; more are "and others" */
    DESK_CHOICES_MAX = 6, /* answers to one question, on the keys F1 to F6 */
    DESK_LAST_MAX = 8,    /* latest acts that are shown */
    DESK_SAY_MAX = 240,   /* bytes of a sentence, NUL included */
    DESK_KEPT_MAX = 8192, /* bytes of what a desk keeps over a restart */
};

struct desk;

/* ---- making one ---- */

struct desk_config {
    struct ledger *ledger;   /* borrowed */
    struct sign_public self; /* this station's key */
    bool has_encoder;        /* chips are written or read by an encoder; else they are typed */
    int64_t zone_ms;         /* local time less UTC, for the times that are said */
};
/* `kept` is what the last DESK_KEEP or DESK_RECORD gave, or empty. What cannot be read is a new
 * desk that says so. Errors: ERR_MEMORY. */
enum error_code desk_new(const struct desk_config *config, struct slice kept, struct desk **out,
                         struct error *err) __attribute__((nonnull, warn_unused_result));
void desk_free(struct desk *desk); /* NULL is fine */

/* ---- events ---- */

/* One tag as the encoder hears it. */
struct desk_tag {
    struct epc epc;
    struct tid tid; /* size 0: not read */
    bool has_pc;
    uint16_t pc;
};

enum desk_command {
    DESK_STOP = 1,    /* end the series now; what is made counts */
    DESK_ABSENT,      /* the bib in turn is not here, or spoiled: hold it and go on */
    DESK_UNDO,        /* take the last issue of this desk back, its chip is in hand */
    DESK_CHECK_EMPTY, /* nothing lies on the antenna: say what it hears all the same */
    DESK_ON_DEMAND,   /* one bib, one chip: the way it begins */
    DESK_LOOK,        /* say what is on the antenna; with a bib scanned first, keep it as a look */
    DESK_SERIES,      /* work through a stack: first, last, step */
    DESK_REDO,        /* take first to last back, after one question, and do them again */
    DESK_HELPER,      /* text: initials of who is here now; "" for nobody */
    DESK_ROLL,        /* text: name of the roll that is loaded; `pair`: its tags come in pairs */
    DESK_PROVE,       /* look at bibs of the stack first to last, to prove it right */
};

enum desk_event_kind {
    DESK_TEXT,         /* text: a line that was typed or scanned */
    DESK_FIELD,        /* tags: all that is on the antenna now; told whenever that changes */
    DESK_WRITTEN,      /* order, tags[0]: what was read back after the write */
    DESK_FAILED,       /* order, why, changed, text; fault, where it is said better than by `why` */
    DESK_ENCODER_UP,   /* it is there and ready */
    DESK_ENCODER_DOWN, /* text: why; what was ordered and not answered is in doubt */
    DESK_ANSWER,       /* question, choice: the word of one of its choices */
    DESK_COMMAND,      /* command and its words */
    DESK_RECORDED,     /* the last DESK_RECORD is committed; id of its last record */
    DESK_NOT_RECORDED, /* it is not: fault says why (a full disk, say); nothing was lost */
    DESK_NEWS,         /* records of other stations have come: look again */
    DESK_BEHIND,       /* behind: whether other stations may know more than this one */
    DESK_TICK,
};
enum desk_failure {
    DESK_FAILED_GONE = 1, /* the tag left */
    DESK_FAILED_TWO,      /* more than one tag answered */
    DESK_FAILED_LOCKED,
    DESK_FAILED_PASSWORD,
    DESK_FAILED_WEAK,    /* not enough power reached it */
    DESK_FAILED_READER,  /* the reader's fault */
    DESK_FAILED_STOPPED, /* it was called back in time */
};
struct desk_event {
    enum desk_event_kind kind;
    struct mono_ms now;
    struct wall_ms wall;
    struct slice text;
    bool scanned;           /* TEXT: by a barcode scanner, else by hand */
    enum keys_fault spoilt; /* TEXT: what is known to be wrong with it */
    const struct desk_tag *tag;
    size_t tag_count; /* FIELD: may be more than DESK_FIELD_MAX */
    uint64_t order;
    enum desk_failure why;
    bool changed; /* FAILED: the tag may have been written in part */
    uint64_t question;
    enum desk_command command;
    uint64_t first, last; /* SERIES: in the order of work; last may lie below first */
    uint64_t step;        /* SERIES: 1 for every number */
    uint64_t check_every; /* SERIES: a bib in hand is scanned at the first, each of these, and the
                             last; 0: 25 */
    bool pair;
    bool behind;
    struct record_id id;
    const struct error *fault; /* NOT_RECORDED; FAILED: why the order was not kept, else NULL */
};
/* Errors: the ledger's, for which the node must stop; and ERR_MEMORY. Whatever comes from people or
 * from an encoder is answered in the view, never with an error. */
enum error_code desk_step(struct desk *desk, const struct desk_event *event, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* ---- orders ---- */

enum desk_order_kind {
    DESK_KEEP,   /* commit `kept` */
    DESK_RECORD, /* commit `acts` (own records, in one transaction) and `kept` with them; then feed
                    DESK_RECORDED or DESK_NOT_RECORDED before any other event */
    DESK_WRITE,  /* have the encoder write `epc` (with `pc`) on `tag`; always after a DESK_KEEP: if
                    that failed, feed DESK_FAILED with DESK_FAILED_STOPPED instead */
    DESK_FORGET, /* call order number `order` back if it was not begun */
};
struct desk_act {
    enum record_kind kind;
    struct slice body;
};
struct desk_order {
    enum desk_order_kind kind;
    uint64_t order;      /* WRITE, FORGET: rises, never used again, also over restarts */
    struct desk_tag tag; /* WRITE: singulate this one: by TID where it has one, else by EPC */
    struct epc epc;
    uint16_t pc;
    struct slice kept;
    const struct desk_act *acts;
    size_t act_count;
    const char *helper; /* initials that the records carry */
};
/* The next order, oldest first; NULL for none. Borrowed until the next desk_step. To be drained
 * after each desk_step. */
const struct desk_order *desk_next(struct desk *desk) __attribute__((nonnull));
/* When a DESK_TICK is due; INT64_MAX for never. */
struct mono_ms desk_deadline(const struct desk *desk) __attribute__((nonnull));

/* ---- what people see ---- */

enum desk_tone {
    DESK_READY, /* waiting for a number */
    DESK_WORK,  /* waiting for a chip, or writing */
    DESK_DONE,  /* chipped: stick it on */
    DESK_ASK,   /* a question is open: nothing else is taken */
    DESK_HALT,  /* stop: something is wrong, and the sentence says what to do */
};
enum desk_sound { DESK_SILENT, DESK_SOUND_DONE, DESK_SOUND_REFUSED, DESK_SOUND_ALARM };
enum desk_way { DESK_WAY_ON_DEMAND, DESK_WAY_SERIES, DESK_WAY_LOOK, DESK_WAY_PROVE };

struct desk_choice {
    char word[16];  /* "replace": what DESK_ANSWER carries; "+REPLACE" on a card's barcode */
    char label[80]; /* "Replace the old chip" */
};
struct desk_done {
    struct bib bib;
    struct record_id id;
    struct wall_ms wall;
    size_t chips;
    bool half, undone;
    char say[DESK_SAY_MAX]; /* "Chipped", "Skipped: chipped at Table 2, 09:12", ... */
};
struct desk_view {
    uint64_t version; /* rises whenever anything below changes */
    enum desk_way way;
    enum desk_tone tone;
    char say[DESK_SAY_MAX];   /* what to do now, one sentence */
    char aside[DESK_SAY_MAX]; /* what was refused or skipped just now, and why; "" for nothing */
    struct bib bib;           /* the one in turn, "" for none */
    uint64_t question;        /* 0: none is open */
    size_t choice_count;
    struct desk_choice choice[DESK_CHOICES_MAX];
    enum desk_sound sound; /* with sound_number: to be played once for each number */
    uint64_t sound_number;
    size_t chips_made, chips_wanted;                  /* of the bib in turn */
    uint64_t first, last, step, next, done;           /* SERIES and PROVE */
    bool encoder;                                     /* up */
    size_t heard;                                     /* tags on the antenna */
    char lone[2 * (EPC_SIZE_MAX + TID_SIZE_MAX) + 2]; /* the only one there: its EPC in hex, and
                                                         behind a slash its TID if it was read; ""
                                                         for none, and for several */
    char helper[RECORD_HELPER_MAX + 1];
    char roll[RECORD_TEXT_MAX + 1];
    size_t last_count;
    struct desk_done latest[DESK_LAST_MAX]; /* newest first */
};
/* Borrowed until the next desk_step. */
const struct desk_view *desk_view(const struct desk *desk) __attribute__((nonnull));

#endif
