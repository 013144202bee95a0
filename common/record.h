/*
 * record.h: one signed record: COSE_Sign1 (RFC 9052) over deterministic CBOR, as record.cddl says.
 *
 * Decoding checks form only and borrows from the bytes it is given; whether a signature verifies,
 * and whether the record fits its log, are separate questions. Any thread; no I/O.
 */
#ifndef BIBWEAVE_RECORD_H
#define BIBWEAVE_RECORD_H

#include "common/bib.h"
#include "common/epc.h"
#include "common/error.h"
#include "common/identity.h"

enum {
    RECORD_SIZE_MAX = 16384,
    RECORD_SEEN_MAX = 64,
    RECORD_TAGS_MAX = 4,
    RECORD_NAMES_MAX = 64,    /* record ids in one void; 16 in an issue's replaces or extra */
    RECORD_CUTOFFS_MAX = 200, /* a station begins a log at each start of its machine */
    RECORD_ADDRESSES_MAX = 8,
    RECORD_CATEGORIES_MAX = 16,
    RECORD_TICKETS_MAX = 32, /* in one ticket or cancel record */
    RECORD_TEXT_MAX = 200,   /* bytes of a short text */
    RECORD_HELPER_MAX = 8,
    RECORD_VERIFY_EVERY = 128, /* each number divisible by this carries its own proof */
};
#define RECORD_NUMBER_MAX ((uint64_t)281474976710655)

enum record_kind {
    RECORD_OPEN = 1,
    RECORD_FOUND = 2,
    RECORD_ADMIT = 3,
    RECORD_RETIRE = 4,
    RECORD_ALLOT = 5,
    RECORD_ISSUE = 6,
    RECORD_VOID = 7,
    RECORD_CLOSE = 8,
    RECORD_TICKET = 9,
    RECORD_CANCEL = 10,
    RECORD_HOLD = 11,
    RECORD_LOOK = 12,
    RECORD_ROLL = 13,
    RECORD_NOTE = 14,
    RECORD_HANDOVER = 15,
};

/* An entry of `seen`: a head by its number and the first 16 bytes of its record id. */
struct record_seen {
    uint64_t number;
    uint8_t id[16];
};

/* A decoded record. Slices borrow from the raw bytes. */
struct record {
    struct log_id log;
    uint64_t number;
    bool has_previous; /* false exactly for number 1 */
    struct record_id previous;
    struct slice seen; /* the CBOR array, or empty; read with record_seen_read */
    struct wall_ms wall;
    uint64_t kind;       /* may be a kind that this program does not know */
    struct slice body;   /* one CBOR map */
    struct slice helper; /* text, may be empty */
    struct slice raw;    /* the whole record */
    struct slice payload;
    const uint8_t *signature; /* 64 bytes */
};

/* COSE_Sign1 with EdDSA and attached payload, in general form: tag 18, protected header A10127,
 * any unprotected map. Records further demand an empty unprotected map.
 * Errors: ERR_FORM. The slices borrow from raw. */
enum error_code cose_sign1_parse(struct slice raw, struct slice *unprotected, struct slice *payload,
                                 const uint8_t **signature, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Whether the signature holds over (protected, external_aad, payload). */
bool cose_sign1_verify(struct slice external_aad, struct slice payload, const uint8_t signature[64],
                       const struct sign_public *key) __attribute__((nonnull));

/* Decodes and checks the form of envelope and payload, not of the body (see below).
 * Errors: ERR_FORM (what and where in the cause), ERR_LIMIT (over RECORD_SIZE_MAX). */
enum error_code record_decode(struct slice raw, struct record *record, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* The size of the record that begins at `bytes`, for cutting a sequence (RFC 8742): reads only the
 * envelope. 0 if the bytes do not begin with a record's envelope, or it is not whole; *whole says
 * which (true: not a record; false: may become one with more bytes). */
size_t record_size_at(struct slice bytes, bool *whole) __attribute__((nonnull));

/* Whether the signature verifies under `key` in `event`. */
bool record_verify(const struct record *record, const struct event_id *event,
                   const struct sign_public *key) __attribute__((nonnull));

/* Encodes and signs. Takes log, number, has_previous, previous, wall, kind, body, helper from
 * `record`, and the entries of `seen`; appends to *out. Errors: ERR_MEMORY, ERR_LIMIT (too
 * large); out unchanged then. */
enum error_code record_encode(const struct record *record, const struct record_seen *seen,
                              size_t seen_count, const struct event_id *event,
                              const struct sign_secret *secret, struct buffer *out,
                              struct error *err)
    __attribute__((nonnull(1, 4, 5, 6, 7), warn_unused_result));

/* The entries of record->seen into entries[RECORD_SEEN_MAX]; returns how many. */
size_t record_seen_read(const struct record *record, struct record_seen *entries)
    __attribute__((nonnull));

/* "open", "issue", ...; "kind 77" for one that this program does not know, into out. */
void record_kind_text(uint64_t kind, char *out, size_t size) __attribute__((nonnull));

/* ---- bodies: each `_read` checks the shape in record.cddl (unknown keys are stepped over) and
 * borrows slices from the body; false means the body is not of that shape. Each `_write` appends
 * one deterministic CBOR map to *out. ---- */

struct record_head {
    struct log_id log;
    uint64_t number;
    struct record_id id;
};

struct record_open {
    struct sign_public key;
    struct incarnation incarnation;
    bool has_follows;
    struct record_head follows;
};
bool record_open_read(struct slice body, struct record_open *open) __attribute__((nonnull));
void record_open_write(const struct record_open *open, struct buffer *out) __attribute__((nonnull));

struct record_category {
    struct slice name;
    struct epc_scheme scheme;
    uint8_t tags_per_bib;
    struct bib_ranges bibs; /* count 0: all that no other category names */
};
struct record_found {
    struct slice name;
    struct slice start;
    struct bib_ranges bibs;
    struct bib_ranges late;
    size_t category_count;
    struct record_category category[RECORD_CATEGORIES_MAX];
    bool zeros_count;
    bool epc_unique;
};
bool record_found_read(struct slice body, struct record_found *found) __attribute__((nonnull));
void record_found_write(const struct record_found *found, struct buffer *out)
    __attribute__((nonnull));
/* The category of a bib: the first whose ranges hold it, else the first with no ranges, else the
 * first. Borrowed from *found. */
const struct record_category *record_found_category(const struct record_found *found,
                                                    const struct bib *bib) __attribute__((nonnull));

enum role { ROLE_NONE = 0, ROLE_READER = 1, ROLE_TABLE = 2, ROLE_LEAD = 3, ROLE_ROOT = 4 };
struct ticket_id {
    uint8_t bytes[8];
};
struct record_admit {
    struct sign_public key;
    struct curve_public curve;
    struct slice name;
    enum role role; /* reader, table or lead */
    size_t address_count;
    struct slice address[RECORD_ADDRESSES_MAX];
    bool has_ticket; /* it came with this ticket */
    struct ticket_id ticket;
};
bool record_admit_read(struct slice body, struct record_admit *admit) __attribute__((nonnull));
void record_admit_write(const struct record_admit *admit, struct buffer *out)
    __attribute__((nonnull));

enum retire_how { RETIRE_DEAD = 1, RETIRE_STOLEN = 2 };
struct record_retire {
    struct sign_public key;
    enum retire_how how;
    size_t cutoff_count;
    struct record_head cutoff[RECORD_CUTOFFS_MAX];
    struct slice reason;
};
bool record_retire_read(struct slice body, struct record_retire *retire) __attribute__((nonnull));
void record_retire_write(const struct record_retire *retire, struct buffer *out)
    __attribute__((nonnull));

struct record_allot {
    struct sign_public key;
    struct bib_ranges bibs;
};
bool record_allot_read(struct slice body, struct record_allot *allot) __attribute__((nonnull));
void record_allot_write(const struct record_allot *allot, struct buffer *out)
    __attribute__((nonnull));

enum issue_how { ISSUE_SCAN = 1, ISSUE_TYPED = 2, ISSUE_SERIES = 3, ISSUE_FILE = 4 };
enum chip_where { CHIP_UNSAID = 0, CHIP_DESTROYED = 1, CHIP_LOST = 2, CHIP_ON_BIB = 3 };
enum { ISSUE_NAMES_MAX = 16 };

struct record_tag {
    struct epc epc;
    struct tid tid; /* size 0: not read */
    struct slice roll;
    bool seen;
};
struct record_issue {
    struct bib bib;
    size_t tag_count;
    struct record_tag tag[RECORD_TAGS_MAX];
    enum issue_how how;
    size_t replaces_count;
    struct record_id replaces[ISSUE_NAMES_MAX];
    size_t extra_count;
    struct record_id extra[ISSUE_NAMES_MAX];
    bool half;
    struct slice reason;
    enum chip_where chip;
    bool has_chip_bib;
    struct bib chip_bib;
};
bool record_issue_read(struct slice body, struct record_issue *issue) __attribute__((nonnull));
void record_issue_write(const struct record_issue *issue, struct buffer *out)
    __attribute__((nonnull));

struct record_void {
    size_t target_count;
    struct record_id target[RECORD_NAMES_MAX];
    struct slice reason;
    enum chip_where chip;
    bool has_chip_bib;
    struct bib chip_bib;
    bool unseen;
};
bool record_void_read(struct slice body, struct record_void *v) __attribute__((nonnull));
void record_void_write(const struct record_void *v, struct buffer *out) __attribute__((nonnull));

struct record_close {
    uint64_t number;
};
bool record_close_read(struct slice body, struct record_close *close) __attribute__((nonnull));
void record_close_write(const struct record_close *close, struct buffer *out)
    __attribute__((nonnull));

/* Leave for a station to join: who shows the secret behind `hash` is let in, once. */
struct record_ticket_entry {
    struct ticket_id id;
    struct digest32 hash;   /* of the secret, see ticket_hash */
    struct slice name;      /* of the station */
    enum role role;         /* reader or table */
    struct bib_ranges bibs; /* count 0: none are allotted */
};
struct record_ticket {
    size_t entry_count; /* at least 1 */
    struct record_ticket_entry entry[RECORD_TICKETS_MAX];
    struct wall_ms expires; /* by the clock of the lead who is asked; never negative */
};
bool record_ticket_read(struct slice body, struct record_ticket *ticket) __attribute__((nonnull));
void record_ticket_write(const struct record_ticket *ticket, struct buffer *out)
    __attribute__((nonnull));

struct record_cancel {
    size_t ticket_count; /* at least 1 */
    struct ticket_id ticket[RECORD_TICKETS_MAX];
    struct slice reason;
};
bool record_cancel_read(struct slice body, struct record_cancel *cancel) __attribute__((nonnull));
void record_cancel_write(const struct record_cancel *cancel, struct buffer *out)
    __attribute__((nonnull));

/* ---- what happens all day beside issuing ---- */

/* A bib that is not to be chipped for now. A later hold that had seen an earlier one takes its
 * place; HOLD_FREE gives the bib free again. */
enum hold_how { HOLD_FREE = 1, HOLD_HELD = 2, HOLD_MISSING = 3, HOLD_REPRINT = 4 };
struct record_hold {
    struct bib bib;
    enum hold_how how;
    struct slice reason;
};
bool record_hold_read(struct slice body, struct record_hold *hold) __attribute__((nonnull));
void record_hold_write(const struct record_hold *hold, struct buffer *out) __attribute__((nonnull));

/* Somebody scanned a bib, read what was on it, and this was seen. */
enum look_verdict {
    LOOK_RIGHT = 1,   /* its chips and no others */
    LOOK_NO_CHIP = 2, /* nothing was heard on it */
    LOOK_OTHER = 3,   /* a chip that is on another bib's list, or carries another number */
    LOOK_STRANGE = 4, /* a chip that is on nobody's list */
    LOOK_VOID = 5,    /* a chip that was taken back */
    LOOK_HALF = 6,    /* fewer of its chips than the list has */
};
struct record_look {
    struct bib bib;
    size_t tag_count; /* may be 0 */
    struct record_tag tag[RECORD_TAGS_MAX];
    enum look_verdict verdict;
    bool has_stack; /* it was one of those that prove a stack right */
    struct bib_range stack;
};
bool record_look_read(struct slice body, struct record_look *look) __attribute__((nonnull));
void record_look_write(const struct record_look *look, struct buffer *out) __attribute__((nonnull));

enum roll_how { ROLL_LOADED = 1, ROLL_REMOVED = 2, ROLL_SCRAPPED = 3 };
struct record_roll {
    struct slice roll; /* the maker's or the organiser's name for it, not empty */
    enum roll_how how;
    bool pair; /* its tags come in pairs */
    bool has_count;
    uint64_t count; /* tags on it, as people say; with ROLL_SCRAPPED: how many were spoiled */
};
bool record_roll_read(struct slice body, struct record_roll *roll) __attribute__((nonnull));
void record_roll_write(const struct record_roll *roll, struct buffer *out) __attribute__((nonnull));

/* Said by a person, about a bib, a station, or the whole. */
struct record_note {
    struct slice text;
    bool has_bib;
    struct bib bib;
    bool has_station;
    struct sign_public station;
};
bool record_note_read(struct slice body, struct record_note *note) __attribute__((nonnull));
void record_note_write(const struct record_note *note, struct buffer *out) __attribute__((nonnull));

/* Which chip list the timing crew has: of `number` (1, 2, ...), made at this state, with this
 * BLAKE2b-256 over the file's bytes. */
struct record_handover {
    uint64_t number;
    struct digest32 state;
    struct digest32 list;
    uint64_t bibs; /* lines in it */
};
bool record_handover_read(struct slice body, struct record_handover *handover)
    __attribute__((nonnull));
void record_handover_write(const struct record_handover *handover, struct buffer *out)
    __attribute__((nonnull));

#endif
