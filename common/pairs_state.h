/*
 * pairs_state.h: the inside of the derived state, for pairs*.c alone.
 */
#ifndef BIBWEAVE_PAIRS_STATE_H
#define BIBWEAVE_PAIRS_STATE_H

#include "common/ledger_sql.h"

enum { NAMING_REPLACED = 1, NAMING_BESIDE = 2, NAMING_VOIDED = 3 };
enum { RETIRED_NOT = 0, RETIRED_DEAD = 1, RETIRED_STOLEN = 2 };

/* What the counted admits and retires make of one key. */
struct standing {
    struct sign_public key;
    struct curve_public curve;
    char name[RECORD_TEXT_MAX + 1];
    enum role role;
    int retired;
    int64_t admit_rid;         /* of the admit that gives name, role and keys */
    struct record_id admit_id; /* its id, to choose the same one everywhere */
    struct digest64 hash;      /* of the row in table station; all zero: no row yet */
};

/* One head up to which a stolen station's records still count. */
struct standing_cutoff {
    struct sign_public key;
    int64_t retire; /* cut-offs of one retire are alternatives; all retires must agree */
    bool none;      /* the retire names no head: nothing counts */
    struct record_id head;
};

/* A tag as it is looked up: 01 and the EPC, or 02 and the TID. */
struct tag_key {
    uint8_t size;
    uint8_t data[1 + EPC_SIZE_MAX];
};

struct dirty_set {
    size_t count, capacity, item_size;
    uint8_t *items;
};

struct pairs {
    uint64_t rows;       /* canonical rows in the state hash */
    struct digest64 sum; /* of their hashes, little-endian, mod 2^512 */
    bool total_dirty;
    bool has_found;
    struct buffer found_raw; /* the record that `found` borrows from; empty until it is held */
    struct record_found found;

    struct standing *standing; /* sorted by key */
    size_t standing_count;
    struct standing_cutoff *cutoff;
    size_t cutoff_count;
    bool standing_dirty;
    uint64_t standing_epoch;

    struct dirty_set bibs, tags, keys; /* struct bib, struct tag_key, struct sign_public */
    struct dirty_set holds;            /* struct bib, whose hold is derived again */
};

/* The derived state of a ledger, loaded when first asked for; NULL (err filled) when that fails. */
struct pairs *pairs_of(struct ledger *ledger, struct error *err);

/* Adds an item once it is settled; false when memory runs out. */
bool dirty_add(struct dirty_set *set, const void *item);
void dirty_sort_unique(struct dirty_set *set);

/* Canonical rows: replaces the old hash (all zero: there was none) by the one of `row` (empty: the
 * row goes), and hands back the new one. */
void pairs_row(struct pairs *pairs, struct slice row, struct digest64 *hash);

/* ---- pairs_standing.c ---- */
/* Reads standings from the tables; keys whose standing changed are put into pairs->keys. */
enum error_code standing_update(struct ledger *ledger, struct pairs *pairs, struct error *err);
const struct standing *standing_of(const struct pairs *pairs, const struct sign_public *key);
/* Whether a record of `key` at `at` counts, where its kind needs at least `role`. */
bool standing_counts(struct ledger *ledger, const struct pairs *pairs,
                     const struct sign_public *key, struct clock_position at, enum role role);
enum role standing_role(const struct ledger *ledger, const struct pairs *pairs,
                        const struct sign_public *key);

/* ---- pairs_record.c: one stored record into the tables ---- */
enum error_code pairs_note(struct ledger *ledger, struct pairs *pairs,
                           const struct ledger_stored *stored, struct error *err);
/* Looks again at all records of a key whose standing changed. */
enum error_code pairs_recount(struct ledger *ledger, struct pairs *pairs,
                              const struct sign_public *key, struct error *err);
/* Whether this is the record that the event's id is made of; who signed it is not asked. */
bool pairs_is_found(const struct ledger *ledger, const struct record *record);
/* The found record of this event, if it is held. */
enum error_code pairs_load_found(struct ledger *ledger, struct pairs *pairs, struct error *err);

/* Whether a label is written as this event writes it. */
bool pairs_bib_fits(const struct pairs *pairs, const struct bib *bib);

/* ---- pairs_hold.c: bibs that are not to be chipped for now ---- */
enum error_code hold_note(struct ledger *ledger, struct pairs *pairs,
                          const struct ledger_stored *stored, bool *readable, struct error *err);
/* Looks again at all holds of a key whose standing changed. */
enum error_code hold_recount(struct ledger *ledger, struct pairs *pairs,
                             const struct sign_public *key, struct error *err);
/* Touches the bibs with several holds of which one stands on a chain whose clock gained. */
enum error_code hold_touch_chain(struct ledger *ledger, struct pairs *pairs, uint32_t chain,
                                 struct error *err);
enum error_code derive_hold(struct ledger *ledger, struct pairs *pairs, const struct bib *bib,
                            struct error *err);

/* ---- pairs_said.c: looks, rolls, notes and handovers, which are in no hash ---- */
enum error_code said_note(struct ledger *ledger, const struct pairs *pairs,
                          const struct ledger_stored *stored, bool *readable, struct error *err);

/* ---- pairs_heard.c: chips that came written, and whether one was read since ---- */
enum error_code heard_note_look(struct ledger *ledger, int64_t rid, const struct record_look *look,
                                struct error *err);
enum error_code heard_note_issue(struct ledger *ledger, int64_t rid,
                                 const struct record_issue *issue, struct error *err);
/* Sets `seen` of the tags that a counted look at the issue's bib heard since. */
enum error_code heard_mark(struct ledger *ledger, struct pairs_issue *issue, struct error *err);

/* ---- pairs_day.c ---- */
/* Fills those tables once, in a ledger that an older program kept; also rolls back. */
enum error_code day_fill(struct ledger *ledger, struct pairs *pairs, struct error *err);

/* ---- pairs_query.c ---- */
void query_copy_text(struct slice text, char *out, size_t size);
/* "root", or the station's name; "" for one that nobody let in. */
void query_name_station(struct ledger *ledger, const struct sign_public *key,
                        char out[RECORD_TEXT_MAX + 1]);

/* ---- pairs_beyond.c: records that do not count because of who wrote them ---- */
/* Puts a stored record into table `beyond` if it belongs there. */
enum error_code beyond_note(struct ledger *ledger, const struct pairs *pairs,
                            const struct ledger_stored *stored, struct error *err);
/* Looks again at all records of a key whose standing changed. */
enum error_code beyond_recount(struct ledger *ledger, const struct pairs *pairs,
                               const struct sign_public *key, struct error *err);
/* The root named a lead: whoever retired that key without being the root is looked at again. */
enum error_code beyond_lead_named(struct ledger *ledger, struct pairs *pairs,
                                  const struct sign_public *lead, struct error *err);
enum error_code beyond_of(struct ledger *ledger, int64_t rid, enum pairs_beyond *why,
                          struct error *err);
/* A table takes numbers over by giving them to itself; only a lead gives them to others. */
enum role beyond_allot_role(const struct sign_public *author, const struct sign_public *to);

/* ---- pairs_ticket.c: tickets for joining, which are in no hash ---- */
enum error_code ticket_note(struct ledger *ledger, const struct ledger_stored *stored,
                            bool *readable, struct error *err);
enum error_code ticket_note_cancel(struct ledger *ledger, const struct ledger_stored *stored,
                                   bool *readable, struct error *err);
/* Calls `each` for every ticket that let in two stations, or that was cancelled elsewhere at the
 * same time. */
enum error_code ticket_each_trouble(struct ledger *ledger,
                                    void (*each)(void *context, const struct pairs_ticket *),
                                    void *context, struct error *err);

/* ---- pairs_derive.c: a bib ---- */
enum error_code derive_bib(struct ledger *ledger, struct pairs *pairs, const struct bib *bib,
                           struct error *err);

/* ---- pairs_tag.c ---- */
struct tag_row {
    struct epc epc;
    struct tid tid; /* size 0: not read */
};
/* The tags of an issue, in their order, into tags[RECORD_TAGS_MAX]. */
enum error_code tags_load(struct ledger *ledger, int64_t rid, struct tag_row *tags, size_t *count,
                          struct error *err);
/* Whether each tag of a is among those of b, by TID, or by EPC where those are unique to a chip;
 * with `exactly_as_said`, by all that was recorded (for an issue that takes over tags). */
bool tags_within(const struct tag_row *a, size_t a_count, const struct tag_row *b, size_t b_count,
                 bool epc_unique, bool exactly_as_said);
enum error_code derive_tag(struct ledger *ledger, struct pairs *pairs, const struct tag_key *tag,
                           struct error *err);
bool bib_column(sqlite3_stmt *statement, int column, struct bib *bib);
void tag_key_epc(const struct epc *epc, struct tag_key *key);
void tag_key_tid(const struct tid *tid, struct tag_key *key);
bool epc_column(sqlite3_stmt *statement, int column, struct epc *epc);
bool tid_column(sqlite3_stmt *statement, int column, struct tid *tid);

#endif
