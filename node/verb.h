/*
 * verb.h: what every command of the program does, the same on a folder that is opened for it and
 * inside a running node. A verb never prints: it fills two buffers and returns an exit status.
 */
#ifndef BIBWEAVE_VERB_H
#define BIBWEAVE_VERB_H

#include "common/sync.h"
#include "node/station.h"

struct table;

/* Work that takes long, cut into steps of at most about 10 ms. */
struct verb_job {
    /* Does one step. True while there is more to do; when it returns false the job has filled the
     * call's buffers and set call->status. */
    bool (*step)(struct verb_job *job);
    void (*free)(struct verb_job *job);
};

struct verb_call {
    const char *const *arguments; /* words after the verb, without --json and --dir */
    size_t argument_count;
    bool json;
    bool terminal;           /* a person sits at a terminal and can be asked (never in a node) */
    const char *cwd;         /* relative file names begin here */
    const char *dir;         /* the data folder */
    struct station *station; /* open station; NULL for verbs that make a folder */
    const uint8_t *seed;     /* 32 bytes: the root key's, unsealed by whoever asks; or NULL */
    struct sync *sync;       /* the running node's machine, or NULL */
    struct table *table;     /* the running node's desk, or NULL */
    struct buffer out, err;  /* what goes to standard output and standard error */
    int status;              /* exit status */
    struct verb_job *job;    /* set by a verb that goes on in steps; owned by the caller then */
};

enum verb_needs {
    VERB_MAKES_FOLDER, /* event new, join, merge: no open station */
    VERB_STATION,      /* runs on an open station, in a node or alone */
    VERB_COPY,         /* reads much: in a node it runs in a child, on a copy of the ledger */
    VERB_NODE,         /* run */
};
/* What a person at a terminal may be asked in the command's process before the verb runs. */
enum verb_asks {
    VERB_ASKS_CHIP = 1, /* a missing --chip */
    VERB_ASKS_HOW = 2,  /* dead or stolen */
    VERB_ASKS_ROOT = 4, /* the passphrase, when the verb ends with VERB_STATUS_SEALED */
};
/* The status of a call that changed nothing because the root's key is sealed; never an exit status
 * of the program, which asks for the passphrase and calls again, or ends with 1. */
enum { VERB_STATUS_SEALED = 100 };

/* An option that a verb knows, for options.h. Lists end with one whose name is NULL. */
struct verb_option {
    const char *name; /* "--tag" */
    bool value;       /* the next word (or what follows `=`) is its value */
};
struct verb {
    const char *name;    /* "issue", "event new", "carry out": one or two words */
    const char *usage;   /* one line per form, what stands behind `bibweave` */
    const char *summary; /* one sentence */
    const char *more;    /* further lines for --help, or "" */
    const struct verb_option *options;
    void (*act)(struct verb_call *call);
    enum verb_needs needs;
    unsigned asks; /* of enum verb_asks */
};

/* All verbs, ended by one whose name is NULL. */
extern const struct verb verb_table[];
/* By its whole name, "carry out" as one text; NULL if there is none. */
const struct verb *verb_find(const char *name) __attribute__((nonnull));
/* Whether some verb of two words begins with `word`. */
bool verb_begins(const char *word) __attribute__((nonnull));
/* Appends what --help prints: of one verb, of all verbs that begin with `word`, or of all. */
void verb_help(const char *word, struct buffer *out) __attribute__((nonnull(2)));

/* Appends the man page, in troff's man macros (manual.c). */
void verb_manual(struct buffer *out) __attribute__((nonnull));

/* Ends a call with an error: its sentence and cause to err, with json also one object to out, and
 * its class as the status. */
void verb_fail(struct verb_call *call, const struct error *err) __attribute__((nonnull));
/* For a call that was done in part: sentence and cause to err, and the status; the verb itself
 * writes what it did to out. */
void verb_complain(struct verb_call *call, const struct error *err) __attribute__((nonnull));
/* Whether the station may write (it has keys and a role that counts); else the call is ended with
 * ERR_NOT_ALLOWED. *self is this station's row. */
bool verb_may_write(struct verb_call *call, struct pairs_station *self) __attribute__((nonnull));

void verb_event_new(struct verb_call *call) __attribute__((nonnull));
void verb_event_recovery(struct verb_call *call) __attribute__((nonnull));
void verb_event_restore_root(struct verb_call *call) __attribute__((nonnull));
void verb_retire(struct verb_call *call) __attribute__((nonnull));
void verb_join(struct verb_call *call) __attribute__((nonnull));
void verb_admit(struct verb_call *call) __attribute__((nonnull));
void verb_ticket(struct verb_call *call) __attribute__((nonnull));
void verb_ticket_list(struct verb_call *call) __attribute__((nonnull));
void verb_ticket_cancel(struct verb_call *call) __attribute__((nonnull));
void verb_ticket_lead(struct verb_call *call) __attribute__((nonnull));
void verb_allot(struct verb_call *call) __attribute__((nonnull));
void verb_issue(struct verb_call *call) __attribute__((nonnull));
void verb_void(struct verb_call *call) __attribute__((nonnull));
void verb_settle(struct verb_call *call) __attribute__((nonnull));
void verb_change(struct verb_call *call) __attribute__((nonnull));
void verb_redo(struct verb_call *call) __attribute__((nonnull));
void verb_hold(struct verb_call *call) __attribute__((nonnull));
void verb_unhold(struct verb_call *call) __attribute__((nonnull));
void verb_look(struct verb_call *call) __attribute__((nonnull));
void verb_roll(struct verb_call *call) __attribute__((nonnull));
void verb_note(struct verb_call *call) __attribute__((nonnull));
void verb_ask(struct verb_call *call) __attribute__((nonnull));
void verb_doubles(struct verb_call *call) __attribute__((nonnull));
void verb_status(struct verb_call *call) __attribute__((nonnull));
void verb_close(struct verb_call *call) __attribute__((nonnull));
void verb_verify(struct verb_call *call) __attribute__((nonnull));
void verb_carry_out(struct verb_call *call) __attribute__((nonnull));
void verb_carry_in(struct verb_call *call) __attribute__((nonnull));
void verb_merge(struct verb_call *call) __attribute__((nonnull));
void verb_export(struct verb_call *call) __attribute__((nonnull));
void verb_handover(struct verb_call *call) __attribute__((nonnull));

void verb_desk(struct verb_call *call) __attribute__((nonnull));
void verb_encoder(struct verb_call *call) __attribute__((nonnull));
void verb_recover(struct verb_call *call) __attribute__((nonnull));

/* `bibweave run`: the node (run.c). Returns the exit status. `call` has dir and arguments. */
void run_node(struct verb_call *call) __attribute__((nonnull));
/* For `recover`, with its --listen and --peer: runs the node until every station that is heard
 * holds the same records, at the longest for wait_ms. */
struct run_heard {
    size_t stations; /* in session at the end */
    bool in_step;
};
enum error_code run_until_in_step(struct verb_call *call, int64_t wait_ms, struct run_heard *heard,
                                  struct error *err) __attribute__((nonnull, warn_unused_result));

#endif
