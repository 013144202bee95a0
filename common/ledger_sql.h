/*
 * ledger_sql.h: the inside of a ledger, for ledger*.c and pairs*.c alone.
 *
 * Nothing outside these files may include it: SQLite stays behind ledger.h and pairs.h.
 */
#ifndef BIBWEAVE_LEDGER_SQL_H
#define BIBWEAVE_LEDGER_SQL_H

#include "common/ledger.h"
#include "common/pairs.h"

#include <sqlite3.h>

enum { LEDGER_APPLICATION_ID = 0x62697776 /* "bibw" */, LEDGER_SCHEMA_VERSION = 3 };

/* What is kept in memory of a chain beside its place in the tree. */
struct ledger_chain {
    struct log_id log;
    struct sign_public key;
    uint64_t head_number;
    struct record_id head_id;
    bool dirty; /* its row must be written before the commit */
};

/* A record that ledger_take has stored in this call. */
struct ledger_stored {
    int64_t rid;
    struct clock_position at;
    struct record_id id;
    struct sign_public key; /* its author */
    struct record record;   /* borrows from the caller's raw bytes */
};

/* A receipt that waits to be written. */
struct ledger_receipt_row {
    struct sign_public station;
    struct log_id log;
    uint64_t number;
    bool dirty;
};

struct pairs;

struct ledger {
    sqlite3 *db;
    struct ledger_event event;
    bool in_transaction;
    bool broken;   /* an I/O error happened: nothing more is written through this connection */
    bool unsynced; /* what the WAL held at the opening may not be on the disk for good */
    bool unloaded; /* after a rollback there was no memory to read what is kept in memory again */
    struct error fault;    /* SQLite's last error, also one that a yes-or-no answer hid */
    uint64_t faults;       /* how many there were */
    uint64_t faults_begun; /* when the transaction began */
    uint64_t count;
    uint64_t admit_epoch;

    struct clock_tree tree;
    struct ledger_chain *chain; /* parallel to tree.chain */
    size_t chain_capacity;
    struct ledger_head *head; /* sorted; made again when stale */
    size_t head_capacity;
    bool heads_stale;

    uint64_t waiting; /* `seen` rows whose head is not held yet */
    bool *touched;    /* chains whose clocks gained since pairs last looked; parallel to chain */
    bool any_touched;

    struct clock claimed; /* what the chain `claimed_chain` has claimed so far */
    uint32_t claimed_chain;
    uint64_t claimed_number;

    struct ledger_receipt_row *receipt;
    size_t receipt_count, receipt_capacity;

    struct ledger_stored *stored; /* of the last ledger_take */
    size_t stored_capacity;

    sqlite3_stmt **statement; /* by enum ledger_statement, prepared when first used */
    struct pairs *pairs;      /* made and freed by pairs.c */
    void (*pairs_free)(struct pairs *);
};

/* ---- statements: all SQL that runs often, by name (ledger_statements.c) ---- */
enum ledger_statement {
    SQL_BEGIN,
    SQL_COMMIT,
    SQL_ROLLBACK,
    SQL_RECORD_BY_ID,
    SQL_RECORD_BY_PREFIX,
    SQL_RECORD_AT,
    SQL_RECORD_RID_AT,
    SQL_RECORD_RAW,
    SQL_RECORD_INSERT,
    SQL_RECORD_RANGE,
    SQL_RECORDS_AFTER,
    SQL_CHAIN_INSERT,
    SQL_CHAIN_UPDATE,
    SQL_SEEN_INSERT,
    SQL_SEEN_RESOLVE_FIND,
    SQL_SEEN_RESOLVE,
    SQL_SEEN_LOOKUP,
    SQL_SEEN_LOOKUP_FORKED,
    SQL_SEEN_FOLLOWS_MISSING,
    SQL_SEEN_CLAIMED,
    SQL_ADMIT_ELIGIBLE,
    SQL_ADMIT_IS_LEAD,
    SQL_ADMIT_INSERT,
    SQL_ADMITS_OF_TICKET,
    SQL_TICKET_INSERT,
    SQL_TICKETS_OF_HASH,
    SQL_TICKETS_OF_ID,
    SQL_TICKETS_ALL,
    SQL_TICKETS_USED,
    SQL_CANCEL_INSERT,
    SQL_CANCELS_OF_TICKET,
    SQL_RETIRE_INSERT,
    SQL_CUTOFF_INSERT,
    SQL_CUTOFF_KEYS,
    SQL_RECEIPT_SET,
    SQL_KEPT_GET,
    SQL_KEPT_SET,
    SQL_ALLOT_INSERT,
    SQL_ALLOT_FIND,
    SQL_ALLOT_OF_KEY,
    SQL_ALLOT_COUNTED,
    SQL_ALLOTS_OF_KEY,
    SQL_ISSUE_INSERT,
    SQL_ISSUE_UPDATE,
    SQL_ISSUE_COUNTED,
    SQL_ISSUES_OF_BIB,
    SQL_ISSUES_OF_KEY,
    SQL_ISSUE_COUNT_OF_KEY,
    SQL_ISSUE_BY_ID,
    SQL_ISSUE_BY_RID,
    SQL_TAG_INSERT,
    SQL_TAGS_OF_RID,
    SQL_TAG_LIVE_BIBS_EPC,
    SQL_TAG_LIVE_BIBS_TID,
    SQL_TAG_POSITIONS_EPC,
    SQL_TAG_POSITIONS_TID,
    SQL_VOID_INSERT,
    SQL_VOID_COUNTED,
    SQL_VOID_BY_RID,
    SQL_VOIDS_OF_KEY,
    SQL_NAMING_INSERT,
    SQL_NAMINGS_OF_TARGET,
    SQL_NAMING_POSITIONS,
    SQL_NAMINGS_OF_RID,
    SQL_BIB_GET,
    SQL_BIB_SET,
    SQL_BIBS_ALL,
    SQL_BIBS_DOUBLED,
    SQL_BIBS_DOUBT,
    SQL_BIBS_CROSSED,
    SQL_LIST_OF_BIB,
    SQL_LIST_OF_EPC,
    SQL_LIST_OF_TID,
    SQL_LIST_LIVE,
    SQL_LIST_DEAD,
    SQL_ENDED_BY,
    SQL_CONTEST_INSERT,
    SQL_CONTEST_CLEAR,
    SQL_CONTEST_OF_CHAIN,
    SQL_SHARED_GET,
    SQL_SHARED_SET,
    SQL_SHARED_CLEAR,
    SQL_SHARED_ALL,
    SQL_HOLD_INSERT,
    SQL_HOLD_COUNTED,
    SQL_HOLDS_OF_KEY,
    SQL_HOLDS_OF_BIB,
    SQL_HOLDS_OF_CHAIN,
    SQL_HOLD_POSITIONS,
    SQL_HELD_GET,
    SQL_HELD_SET,
    SQL_HELD_CLEAR,
    SQL_HELD_ALL,
    SQL_BORNE_ON_BIBS,
    SQL_SAID_INSERT,
    SQL_SAID_OF_KIND,
    SQL_SAID_OF_BIB,
    SQL_HEARD_INSERT,
    SQL_HEARD_OF,
    SQL_UNSEEN_INSERT,
    SQL_UNSEEN_ALL,
    SQL_HALF_ALL,
    SQL_STATION_SET,
    SQL_STATION_ALL,
    SQL_BEYOND_SET,
    SQL_BEYOND_CLEAR,
    SQL_BEYOND_GET,
    SQL_RECORDS_OF_KEY,
    SQL_RETIRE_AUTHORS,
    SQL_ADMIT_NAME,
    SQL_UNREADABLE_INSERT,
    SQL_ALARM_BEYOND,
    SQL_ALARM_FOREIGN_VOID,
    SQL_ALARM_UNREADABLE,
    SQL_TOTAL_SET,
    SQL_COUNT
};

/* A prepared statement, reset and with nothing bound; NULL (err filled) when preparing fails, and
 * when anything has failed in this transaction before: SQLite may have rolled it back by itself.
 * Never finalised by the caller. One user at a time: no statement is used again inside a loop over
 * its own rows. */
sqlite3_stmt *ledger_statement(struct ledger *ledger, enum ledger_statement which,
                               struct error *err);
/* Steps a statement that gives no row, and resets it. */
enum error_code ledger_run(struct ledger *ledger, sqlite3_stmt *statement, struct error *err);
/* Steps to the next row: *row false at the end, where the statement is reset. */
enum error_code ledger_row(struct ledger *ledger, sqlite3_stmt *statement, bool *row,
                           struct error *err);
/* The last SQLite error as ours; marks the ledger broken after an I/O error. */
enum error_code ledger_sql_error(struct ledger *ledger, const char *doing, struct error *err);
enum error_code ledger_sql_code(int rc);
/* What a function returns that asked yes-or-no questions (ledger_position, ledger_covers) on its
 * way: the error that one of them hid since `before`, a copy of ledger->faults; else `code`. */
enum error_code ledger_since(const struct ledger *ledger, uint64_t before, enum error_code code,
                             struct error *err);

/* Binding and reading fixed-size ids. Bound bytes must stay until the statement has run. */
void sql_bind_bytes(sqlite3_stmt *statement, int at, const void *bytes, size_t size);
void sql_bind_u64(sqlite3_stmt *statement, int at, uint64_t value);
/* False when the column is not a blob of exactly this size. */
bool sql_column_bytes(sqlite3_stmt *statement, int column, void *out, size_t size);
uint64_t sql_column_u64(sqlite3_stmt *statement, int column);

/* ---- transactions (ledger.c) ---- */
enum error_code ledger_begin(struct ledger *ledger, struct error *err);
enum error_code ledger_commit(struct ledger *ledger, struct error *err);
void ledger_rollback(struct ledger *ledger); /* and reads the state in memory again */
/* Reads it now, if the rollback could not. */
enum error_code ledger_reload(struct ledger *ledger, struct error *err);
/* Fills chains, heads, counts and receipts from the file. */
enum error_code ledger_load(struct ledger *ledger, struct error *err);
/* The receipts of the file, into ledger->receipt. */
enum error_code ledger_load_receipts(struct ledger *ledger, struct error *err);
/* Those that are new, into the file, inside the transaction. */
enum error_code ledger_write_receipts(struct ledger *ledger, struct error *err);
/* Room for one more chain; false when memory runs out. */
bool ledger_reserve_chain(struct ledger *ledger);
/* Whether a step may write: in a transaction, and not broken. */
enum error_code ledger_writable(struct ledger *ledger, struct error *err);

/* ---- taking (ledger_take.c) ---- */
/* See pairs_take; new records stand in ledger->stored[0 .. taken->stored - 1]. */
enum error_code ledger_take(struct ledger *ledger, const struct slice *records, size_t count,
                            struct pairs_taken *taken, struct error *err);
/* Stores one record that was just made and signed here; it stands in ledger->stored[0]. */
enum error_code ledger_take_own(struct ledger *ledger, struct slice raw, struct error *err);

/* ---- records by id ---- */
/* rid and position of a held record; false in *found if it is not held. */
enum error_code ledger_find(struct ledger *ledger, const struct record_id *id, int64_t *rid,
                            struct clock_position *at, bool *found, struct error *err);
/* The held record whose id begins so, if its number is `number` (0 for any). */
enum error_code ledger_find_head(struct ledger *ledger, const uint8_t id[16], uint64_t number,
                                 struct clock_position *at, bool *found, struct error *err);
/* The decoded record of a rid; its slices borrow from *raw, which is cleared first. */
enum error_code ledger_record(struct ledger *ledger, int64_t rid, struct buffer *raw,
                              struct record *record, struct error *err);

/* ---- clocks (ledger_clock.c) ---- */
enum error_code ledger_seen_store(struct ledger *ledger, const struct ledger_stored *stored,
                                  struct error *err);
/* Adds to entries the heads that the author of `own` must name so that each position of needed[]
 * is covered, and with `refresh` all other heads that it has not claimed; at most RECORD_SEEN_MAX
 * in all. own.chain is CLOCK_NO_CHAIN for a log that is just being opened. */
enum error_code ledger_seen_for(struct ledger *ledger, struct clock_position own,
                                const struct clock_position *needed, size_t needed_count,
                                bool refresh, struct record_seen *entries, size_t *entry_count,
                                struct error *err);
/* Whether `chain` is `of` or goes on from it (fork or follow), directly or by others. */
bool ledger_goes_on_from(const struct ledger *ledger, uint32_t chain, uint32_t of);

#endif
