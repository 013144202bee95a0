/*
 * pairs.h: which tag is on which bib: the state derived from the records that count.
 *
 * A pure function of what is held (see ledger.h): who is who (stations, roles, retired), which
 * issues are live, which bibs are doubled and why, which tags are on two bibs. Kept in tables
 * beside the records, updated in the same transaction for the bibs that a record touches and no
 * others, and hashed without anything local. This is the only way to write to a ledger.
 * One thread, the ledger's.
 */
#ifndef BIBWEAVE_PAIRS_H
#define BIBWEAVE_PAIRS_H

#include "common/ledger.h"

/* ---- writing: begin, any number of takes and appends, commit (or roll back) ---- */

/* Errors of all: the disk's (ERR_DISK_FULL, ERR_DISK, ERR_DAMAGED, ERR_BUSY) and ERR_MEMORY.
 * After an error of take, append or commit the transaction is rolled back and nothing of it is
 * left; after ERR_DISK the ledger must be closed and opened again before it is believed. */
enum error_code pairs_begin(struct ledger *ledger, struct error *err)
    __attribute__((nonnull, warn_unused_result));
enum error_code pairs_commit(struct ledger *ledger, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void pairs_rollback(struct ledger *ledger) __attribute__((nonnull));

enum pairs_outcome {
    PAIRS_STORED,    /* all that was new is stored */
    PAIRS_DUPLICATE, /* nothing was new */
    PAIRS_GAP,       /* the record before the first one is not held: ask for more */
    PAIRS_DENIED,    /* the author is not admitted, as far as is known here; or `found`, which
                        comes before all that it bears on, is not held yet */
    PAIRS_PENDING,   /* the tail behind what was stored does not verify yet */
    PAIRS_ENDED,     /* a record that must carry its own proof does not: this branch ends */
    PAIRS_MALFORMED, /* not a run of records of one log of this event */
};
struct pairs_taken {
    enum pairs_outcome outcome;
    size_t stored;           /* new records stored, a prefix of what was new in the run */
    struct log_id log;       /* of the run, when it could be read */
    bool forked;             /* the log branched here */
    struct ledger_head head; /* newest record of the run that is now held; when any is */
    struct error why;        /* for MALFORMED, DENIED, ENDED, PENDING: what to tell people */
};

/* Takes a run: records of one log in order, each following the one before it. Form, chain and
 * signatures are checked here; a run that is refused in part is stored up to there. Duplicates are
 * recognised by hash before any signature is checked. Must be between begin and commit. */
enum error_code pairs_take(struct ledger *ledger, const struct slice *records, size_t count,
                           struct pairs_taken *taken, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* A station (or root) that writes. Filled by pairs_author_open or pairs_author_resume. */
struct pairs_author {
    struct station_keys keys;
    struct log_id log;
    struct record_id head;     /* last own record, on our branch if the log forked */
    uint64_t number;           /* its number */
    uint64_t refreshed_number; /* when the whole clock was last claimed */
    struct mono_ms refreshed_at;
    char helper[RECORD_HELPER_MAX + 1]; /* initials, may be "" */
};

/* Begins a new log (a new incarnation) with its `open` record, following `follows` (may be NULL).
 * Inside a transaction. */
enum error_code pairs_author_open(struct ledger *ledger, const struct station_keys *keys,
                                  const struct incarnation *incarnation,
                                  const struct record_head *follows, struct wall_ms wall,
                                  struct mono_ms now, struct pairs_author *author,
                                  struct error *err)
    __attribute__((nonnull(1, 2, 3, 7, 8), warn_unused_result));
/* Goes on in a log whose last own record is `head`. ERR_NOT_FOUND if it is not held or is not of
 * this key. */
enum error_code pairs_author_resume(struct ledger *ledger, const struct station_keys *keys,
                                    const struct record_id *head, struct pairs_author *author,
                                    struct error *err) __attribute__((nonnull, warn_unused_result));
/* Whether the author's log now has a branch that its author did not write here: time for a new
 * incarnation. */
bool pairs_author_forked(struct ledger *ledger, const struct pairs_author *author)
    __attribute__((nonnull));

/* Appends an own record: makes `seen` (all that bears on its bib, tags and named records; the
 * whole clock every 50 records or 60 s, and with each allot and handover), signs, stores and
 * derives. *id is its record id. It may be shown to others only after the commit. On rollback the
 * author must be resumed, or restored from a copy made before. Inside a transaction. Errors also:
 * ERR_LIMIT. */
enum error_code pairs_append(struct ledger *ledger, struct pairs_author *author,
                             enum record_kind kind, struct slice body, struct wall_ms wall,
                             struct mono_ms now, struct record_id *id, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* ---- reading ---- */

/* BLAKE2b-256 over the event id, the row count (8 bytes big-endian) and the sum mod 2^512 of
 * BLAKE2b-512 of each canonical row. */
struct digest32 pairs_state_hash(struct ledger *ledger) __attribute__((nonnull));

/* What `found` says; slices are borrowed while the ledger is open. NULL until it is held. */
const struct record_found *pairs_found(struct ledger *ledger) __attribute__((nonnull));

enum pairs_state { PAIRS_UNISSUED, PAIRS_ISSUED, PAIRS_DOUBLED, PAIRS_EMPTIED };
enum pairs_cause { PAIRS_CAUSE_NONE, PAIRS_REPEAT, PAIRS_KNOWING, PAIRS_UNAWARE };
struct pairs_bib {
    struct bib bib;
    enum pairs_state state;
    enum pairs_cause cause; /* the gravest of its pairs of live issues; for DOUBLED only */
    bool doubt;             /* a record that is held but does not count bears on it */
    bool crossed;           /* two settlings that together left nothing */
    size_t live;            /* live issues */
};
/* A bib without any record is UNISSUED. */
enum error_code pairs_bib(struct ledger *ledger, const struct bib *bib, struct pairs_bib *out,
                          struct error *err) __attribute__((nonnull, warn_unused_result));

enum pairs_bibs { PAIRS_BIBS_ALL, PAIRS_BIBS_DOUBLED, PAIRS_BIBS_DOUBT, PAIRS_BIBS_CROSSED };
/* Bibs in bib_compare order; `each` returns false to stop and must not write. */
enum error_code pairs_each_bib(struct ledger *ledger, enum pairs_bibs which,
                               bool (*each)(void *context, const struct pairs_bib *), void *context,
                               struct error *err)
    __attribute__((nonnull(1, 3, 5), warn_unused_result));

struct pairs_tag {
    struct epc epc;
    struct tid tid;
    char roll[RECORD_TEXT_MAX + 1];
    bool seen; /* it was read when it was put down; of a supplier's list: since then */
};
/* Why a record that is held does not count: whose it is. */
enum pairs_beyond {
    PAIRS_WITHIN,      /* it counts, as far as its author goes */
    PAIRS_NOT_LET_IN,  /* no admit of its author counts (any more) */
    PAIRS_BEYOND_ROLE, /* its author's role does not permit it */
    PAIRS_AFTER_THEFT, /* written after the cut-off of a station that was put out as stolen */
};
struct pairs_issue {
    struct record_id id;
    struct bib bib;
    struct sign_public station;
    char table[RECORD_TEXT_MAX + 1]; /* the station's name */
    char helper[RECORD_HELPER_MAX + 1];
    struct wall_ms wall; /* by its author's clock */
    uint64_t number;     /* in its log */
    enum issue_how how;
    bool half;
    bool counted;
    enum pairs_beyond beyond; /* why not, when it is not counted */
    bool live;
    size_t tag_count;
    struct pairs_tag tag[RECORD_TAGS_MAX];
    char reason[RECORD_TEXT_MAX + 1];
    /* when not live: a record that ended it (the smallest id of those that count) */
    enum { PAIRS_NOT_ENDED, PAIRS_REPLACED, PAIRS_VOIDED } ended;
    struct record_id ended_by;
    char ended_table[RECORD_TEXT_MAX + 1];
    struct wall_ms ended_wall;
    char ended_reason[RECORD_TEXT_MAX + 1];
    enum chip_where chip; /* where its chip is said to be */
    struct bib chip_bib;  /* with CHIP_ON_BIB; "" otherwise. For replaced: the new bib is new_bib */
    struct bib new_bib;   /* bib of the issue that replaced it, or "" */
};
enum pairs_issues {
    PAIRS_ISSUES_OF_BIB, /* all, by the time that their authors' clocks showed, then record id */
    PAIRS_ISSUES_OF_EPC,
    PAIRS_ISSUES_OF_TID,
    PAIRS_ISSUES_LIVE, /* all live or in doubt, in bib_compare order, then record id */
    PAIRS_ISSUES_DEAD, /* all that are counted and not live, likewise */
};
struct pairs_filter {
    enum pairs_issues which;
    struct bib bib;
    struct epc epc;
    struct tid tid;
};
enum error_code pairs_each_issue(struct ledger *ledger, const struct pairs_filter *filter,
                                 bool (*each)(void *context, const struct pairs_issue *),
                                 void *context, struct error *err)
    __attribute__((nonnull(1, 2, 3, 5), warn_unused_result));

/* Chips in live issues from a supplier's list that nobody has read: no counted look at their bib
 * heard them. By TID where the list and the look have one, else by EPC. */
enum error_code pairs_count_unseen(struct ledger *ledger, uint64_t *chips, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* Bibs whose live issues name fewer chips than the set of their category has. */
enum error_code pairs_count_half(struct ledger *ledger, uint64_t *bibs, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* An issue by a prefix of its record id (at least 4 bytes, `digits` hex digits).
 * Errors: ERR_NOT_FOUND (none, or the record is no issue), ERR_USAGE (several, or not hex). */
enum error_code pairs_find_issue(struct ledger *ledger, struct slice hex_prefix,
                                 struct pairs_issue *issue, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* Tags in live issues of two or more bibs. */
struct pairs_shared {
    bool by_tid;
    struct epc epc; /* when not by_tid */
    struct tid tid;
    size_t bib_count;
    struct bib bib[8]; /* the first of them */
};
enum error_code pairs_each_shared(struct ledger *ledger,
                                  bool (*each)(void *context, const struct pairs_shared *),
                                  void *context, struct error *err)
    __attribute__((nonnull(1, 2, 4), warn_unused_result));

struct pairs_station {
    struct sign_public key;
    struct curve_public curve;
    char name[RECORD_TEXT_MAX + 1];
    enum role role;      /* ROLE_NONE: named in an admit that does not count */
    bool dead, stolen;   /* retired */
    uint64_t issues;     /* issues held */
    bool heard;          /* any record of it is held */
    struct wall_ms last; /* of its newest record, by its clock */
    bool closed;         /* its newest log ends with `close` and nothing before it is missing */
    size_t address_count;
    char address[RECORD_ADDRESSES_MAX][64];
};
enum error_code pairs_each_station(struct ledger *ledger,
                                   bool (*each)(void *context, const struct pairs_station *),
                                   void *context, struct error *err)
    __attribute__((nonnull(1, 2, 4), warn_unused_result));
/* Rises whenever the standing of some station may have changed: who is let in, and who is out. */
uint64_t pairs_standing_epoch(struct ledger *ledger) __attribute__((nonnull));
/* One station by signing key, by CURVE key, or by name (letters folded; of several, one that is not
 * retired); ERR_NOT_FOUND. Quick: they fill key, curve, name, role, dead and stolen only. */
enum error_code pairs_station(struct ledger *ledger, const struct sign_public *key,
                              struct pairs_station *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
enum error_code pairs_station_by_curve(struct ledger *ledger, const struct curve_public *curve,
                                       struct pairs_station *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
enum error_code pairs_station_by_name(struct ledger *ledger, const char *name,
                                      struct pairs_station *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Raw records that prove to a stranger that `key` is admitted: its admit, and before it that of
 * the lead who signed it, each with its author's key; appended as one CBOR array of
 * [author key, raw] pairs. ERR_NOT_FOUND if it is not. */
enum error_code pairs_admit_proof(struct ledger *ledger, const struct sign_public *key,
                                  struct buffer *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Checks such a proof (from outside) against the event's root: on success *admit (borrowed from
 * proof) is the admit that names the key. ERR_FORM, ERR_SIGNATURE, ERR_NOT_ALLOWED. */
enum error_code pairs_admit_proven(const struct ledger_event *event, struct slice proof,
                                   struct record_admit *admit, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* A ticket that a lead (or the root) wrote, and what has become of it. */
struct pairs_ticket {
    struct ticket_id id;
    char name[RECORD_TEXT_MAX + 1]; /* for the station */
    enum role role;
    struct bib_ranges bibs;
    struct sign_public author;
    struct wall_ms made, expires;
    size_t used;                 /* stations that an admit which counts let in with it */
    struct sign_public used_key; /* the first of them, by its admit's time, and the one after */
    char used_name[RECORD_TEXT_MAX + 1];
    struct wall_ms used_at;
    char other_name[RECORD_TEXT_MAX + 1];
    bool cancelled;
    struct wall_ms cancelled_at;
    char cancel_reason[RECORD_TEXT_MAX + 1];
};
/* By the hash of its secret, or by its id. ERR_NOT_FOUND: no lead that counts wrote such a ticket,
 * as far as is known here. */
enum error_code pairs_ticket_by_hash(struct ledger *ledger, const struct digest32 *hash,
                                     struct pairs_ticket *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
enum error_code pairs_ticket(struct ledger *ledger, const struct ticket_id *id,
                             struct pairs_ticket *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* In the order in which they came here; `each` returns false to stop. */
enum error_code pairs_each_ticket(struct ledger *ledger,
                                  bool (*each)(void *context, const struct pairs_ticket *),
                                  void *context, struct error *err)
    __attribute__((nonnull(1, 2, 4), warn_unused_result));

/* The station to whom a bib number is allotted; ERR_NOT_FOUND if to nobody. Of several allotments
 * the one counts that had seen the others; among equals the one with the smallest record id. */
enum error_code pairs_owner(struct ledger *ledger, uint64_t number, struct pairs_station *out,
                            struct error *err) __attribute__((nonnull, warn_unused_result));
enum error_code pairs_allotted(struct ledger *ledger, const struct sign_public *key,
                               struct bib_ranges *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* ---- holds, looks, rolls, notes, handed-over lists ---- */

struct pairs_said { /* who said it, and when by the clock there */
    struct record_id id;
    struct sign_public station;
    char table[RECORD_TEXT_MAX + 1];
    char helper[RECORD_HELPER_MAX + 1];
    struct wall_ms wall;
};
struct pairs_hold {
    struct bib bib;
    enum hold_how how; /* never HOLD_FREE */
    char reason[RECORD_TEXT_MAX + 1];
    struct pairs_said said;
};
/* Of the counted holds of a bib, those that no other one had seen stand; of these the strictest
 * (held, missing, reprint, free), and of equals the smallest record id. A lead's HOLD_HELD is freed
 * by leads only. ERR_NOT_FOUND: the bib may be chipped. */
enum error_code pairs_hold(struct ledger *ledger, const struct bib *bib, struct pairs_hold *out,
                           struct error *err) __attribute__((nonnull, warn_unused_result));
/* In bib_compare order; `each` returns false to stop and must not write. */
enum error_code pairs_each_hold(struct ledger *ledger,
                                bool (*each)(void *context, const struct pairs_hold *),
                                void *context, struct error *err)
    __attribute__((nonnull(1, 2, 4), warn_unused_result));

struct pairs_look {
    struct bib bib;
    size_t tag_count;
    struct pairs_tag tag[RECORD_TAGS_MAX];
    enum look_verdict verdict;
    bool has_stack;
    struct bib_range stack;
    struct pairs_said said;
};
/* The counted looks: of one bib, or all with bib NULL; by wall time, then record id. */
enum error_code pairs_each_look(struct ledger *ledger, const struct bib *bib,
                                bool (*each)(void *context, const struct pairs_look *),
                                void *context, struct error *err)
    __attribute__((nonnull(1, 3, 5), warn_unused_result));

struct pairs_roll {
    char roll[RECORD_TEXT_MAX + 1];
    enum roll_how how;
    bool pair, has_count;
    uint64_t count;
    struct pairs_said said;
};
/* What was counted of rolls at one station, or at all with station NULL; by log and number. */
enum error_code pairs_each_roll(struct ledger *ledger, const struct sign_public *station,
                                bool (*each)(void *context, const struct pairs_roll *),
                                void *context, struct error *err)
    __attribute__((nonnull(1, 3, 5), warn_unused_result));

struct pairs_note {
    char text[RECORD_TEXT_MAX + 1];
    bool has_bib, has_about;
    struct bib bib;
    struct sign_public about; /* a station */
    struct pairs_said said;
};
/* Counted notes: of one bib, or all with bib NULL; by wall time, then record id. */
enum error_code pairs_each_note(struct ledger *ledger, const struct bib *bib,
                                bool (*each)(void *context, const struct pairs_note *),
                                void *context, struct error *err)
    __attribute__((nonnull(1, 3, 5), warn_unused_result));

struct pairs_handover {
    uint64_t number;
    struct digest32 state, list;
    uint64_t bibs;
    struct pairs_said said;
};
/* The counted handover with the highest number (of equals the smallest record id); ERR_NOT_FOUND:
 * no list is out. Only leads hand over. */
enum error_code pairs_last_handover(struct ledger *ledger, struct pairs_handover *out,
                                    struct error *err) __attribute__((nonnull, warn_unused_result));

/* The bibs that an issue, a void or a hold bears on of which the author of the record `since` (a
 * handover, say) had not seen, in bib_compare order; each once; `each` returns false to stop. An
 * author claims its whole clock with a handover, see pairs_append. ERR_NOT_FOUND: it is not held.
 */
enum error_code pairs_each_since(struct ledger *ledger, const struct record_id *since,
                                 bool (*each)(void *context, const struct bib *), void *context,
                                 struct error *err)
    __attribute__((nonnull(1, 2, 3, 5), warn_unused_result));

/* Things that are kept but set apart, and what to do about them: forks, folders that were copied or
 * restored, crossed settlings, records that do not count, bodies this program cannot read, a
 * table's void of another's issue. */
struct pairs_alarm {
    char name[24]; /* "fork", "copied", "crossed", "doubt", "beyond", "unreadable", "foreign_void",
                       "ticket_twice", "ticket_cancelled" */
    char say[320]; /* one sentence for people */
};
enum error_code pairs_each_alarm(struct ledger *ledger,
                                 bool (*each)(void *context, const struct pairs_alarm *),
                                 void *context, struct error *err)
    __attribute__((nonnull(1, 2, 4), warn_unused_result));

/* Rebuilds everything from the raw records in a second ledger in memory and compares each derived
 * table, state hash and heads hash; runs ledger_verify first. ERR_DAMAGED says what differs. */
enum error_code pairs_verify(struct ledger *ledger, bool every, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* The same (with signatures as they are checked when records come, and without ledger_verify) in
 * steps, for a node that must go on meanwhile: records may be taken and written between them. */
struct pairs_check;
enum error_code pairs_check_new(struct ledger *ledger, struct pairs_check **out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Makes what follows from up to `records` more again. Once none is left all is compared, in the
 * same step, and *done is set: what is compared is the state at that moment. */
enum error_code pairs_check_step(struct pairs_check *check, size_t records, bool *done,
                                 struct error *err) __attribute__((nonnull, warn_unused_result));
void pairs_check_free(struct pairs_check *check); /* NULL is fine */

#endif
