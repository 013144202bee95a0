/*
 * ledger.h: the store of records of one event in one SQLite file, and what is *held*.
 *
 * Raw records are the truth; all else in the file can be rebuilt from them (the tables of
 * schema_state.sql) or is a local hint (receipts). The ledger decides which logs are held (the
 * key is the root's, or named in a held admit by the root or by a key that the root ever named
 * lead), checks chains and signatures, knows forks, and answers who had seen what. What the
 * records mean for bibs is pairs.h's business; only pairs.c calls the functions that write.
 * One thread, the one that opened it. SQLite alone touches the disk.
 */
#ifndef BIBWEAVE_LEDGER_H
#define BIBWEAVE_LEDGER_H

#include "common/clock.h"
#include "common/error.h"
#include "common/record.h"

enum {
    LEDGER_HEADS_PER_LOG_MAX = 64, /* branches of one log that are named to peers */
    LEDGER_SPACED_MAX = 48,        /* ancestors named when asking for a branch */
    LEDGER_RUN_MAX = 4096,         /* records in one run handed to pairs_take */
};

struct ledger;

struct ledger_event {
    struct event_id event;
    struct sign_public root;
};

/* Opens the ledger file `path` (":memory:" for tests), or makes it for `create` when it is not
 * NULL and the file is new or empty. `vfs` names an SQLite VFS or is NULL. An existing file must
 * be of `expect` where that is not NULL. An unclean stop is noticed by a leftover WAL and answered
 * with quick_check. The file is locked until ledger_close or the end of the process. Opening alone
 * changes nothing in an existing file of this version.
 * Errors: ERR_NOT_OURS, ERR_TOO_NEW, ERR_DAMAGED, ERR_FOREIGN, ERR_BUSY, ERR_DISK_FULL, ERR_DISK,
 * ERR_PERMISSION, ERR_NOT_FOUND (no file and nothing to create), ERR_MEMORY; *out NULL then. */
enum error_code ledger_open(const char *path, const char *vfs, const struct ledger_event *create,
                            const struct ledger_event *expect, struct ledger **out,
                            struct error *err)
    __attribute__((nonnull(1, 5, 6), warn_unused_result));
void ledger_close(struct ledger *ledger); /* rolls back an open transaction; NULL is fine */
/* For a ledger that is not to be believed: nothing more is written through it, and closing leaves
 * its files as they are, so that what is in them can still be got out. An I/O error, damage that is
 * come upon, and a failed open do the same by themselves. */
void ledger_leave(struct ledger *ledger) __attribute__((nonnull));

/* Makes sure that all that is held is on the disk for good. After an unclean stop SQLite shows what
 * the WAL holds, though its last commit may never have been synced, and a power cut could still
 * take it: so this comes before anything of it is shown to others. Nothing to do otherwise.
 * Errors: ERR_DISK, ERR_DAMAGED, ERR_MEMORY. */
enum error_code ledger_make_durable(struct ledger *ledger, struct error *err)
    __attribute__((nonnull, warn_unused_result));

struct ledger_event ledger_event(const struct ledger *ledger) __attribute__((nonnull));

/* The SQLite connection, for pairs.c (same transactions), for backup, and for tests. */
struct sqlite3;
struct sqlite3 *ledger_db(struct ledger *ledger) __attribute__((nonnull));

/* ---- heads ---- */

struct ledger_head {
    struct log_id log;
    uint64_t number;
    struct record_id id;
    uint32_t chain;
};
/* All heads, sorted by log, then id. Borrowed until the next write to the ledger. */
const struct ledger_head *ledger_heads(struct ledger *ledger, size_t *count)
    __attribute__((nonnull));
/* The heads of one log, a stretch of the array above; count 0 if the log is not held. */
const struct ledger_head *ledger_heads_of(struct ledger *ledger, const struct log_id *log,
                                          size_t *count) __attribute__((nonnull));
/* BLAKE2b-256 over the event id and every head (log, number as 8 bytes big-endian, id), sorted. */
struct digest32 ledger_heads_hash(struct ledger *ledger) __attribute__((nonnull));
/* Number of records held. */
uint64_t ledger_count(struct ledger *ledger) __attribute__((nonnull));
/* The signing key of a held log; false if the log is not held. */
bool ledger_log_key(struct ledger *ledger, const struct log_id *log, struct sign_public *key)
    __attribute__((nonnull));
/* Whether a record is held, by the first 16 bytes of its id. */
bool ledger_holds(struct ledger *ledger, const uint8_t id[16]) __attribute__((nonnull));
/* Whether records of `key` are taken (see *held* above). */
bool ledger_eligible(struct ledger *ledger, const struct sign_public *key) __attribute__((nonnull));
/* Rises whenever further keys may have become eligible: logs that were denied may be asked for
 * again. */
uint64_t ledger_admit_epoch(const struct ledger *ledger) __attribute__((nonnull));

/* ---- reading records ---- */

/* The raw bytes of a record, appended to *out. ERR_NOT_FOUND if it is not held. */
enum error_code ledger_read(struct ledger *ledger, const struct record_id *id, struct buffer *out,
                            struct error *err) __attribute__((nonnull, warn_unused_result));

/* Points of our branches of a log, newest first and then at exponentially growing distances, for
 * asking a peer: returns how many were put into points[LEDGER_SPACED_MAX]; 0 if none is held. */
size_t ledger_spaced(struct ledger *ledger, const struct log_id *log, struct record_seen *points)
    __attribute__((nonnull));

/* Reads the run of one log that leads to the held record `target` (first 16 bytes of its id) from
 * just after the newest of `points` that is one of its ancestors (from number 1 if none is).
 * Appends raw records to *out, oldest first, until the next would pass `bytes_max` (but at least
 * one), and says how many and whether more remain.
 * Errors: ERR_NOT_FOUND (target not held, or of another log), ERR_MEMORY, ERR_DISK. */
enum error_code ledger_read_run(struct ledger *ledger, const struct log_id *log,
                                const uint8_t target[16], const struct record_seen *points,
                                size_t point_count, size_t bytes_max, struct buffer *out,
                                size_t *count, bool *more, struct error *err)
    __attribute__((nonnull(1, 2, 3, 7, 8, 9, 10), warn_unused_result));

/* Every held record, logs of the root first, then of leads, then the rest, each chain in order;
 * `each` returns false to stop. raw is borrowed for the call. For carry files and exports. */
enum error_code ledger_each(struct ledger *ledger, bool (*each)(void *context, struct slice raw),
                            void *context, struct error *err)
    __attribute__((nonnull(1, 2, 4), warn_unused_result));

/* ---- causality ---- */

/* Where a held record stands; false if it is not held. */
bool ledger_position(struct ledger *ledger, const struct record_id *id,
                     struct clock_position *position) __attribute__((nonnull));
/* Whether the clock of the record at `later` covers the record at `earlier`: its own chain before
 * it, what its `seen` entries up to it name (as far as those heads are held), and what the log
 * that it follows covered. A record does not cover itself. */
bool ledger_covers(struct ledger *ledger, struct clock_position later,
                   struct clock_position earlier) __attribute__((nonnull));

/* ---- receipts: local knowledge of who holds how much of which log ---- */

/* Another station said durably that it holds `log` up to `number` on our chain. Kept in memory
 * and written with the next transaction. */
void ledger_receipt(struct ledger *ledger, const struct sign_public *station,
                    const struct log_id *log, uint64_t number) __attribute__((nonnull));
/* Own records (of logs of `key`) that no other station has receipted. */
uint64_t ledger_unsafe(struct ledger *ledger, const struct sign_public *key)
    __attribute__((nonnull));
/* On how many other stations the record `number` of `log` is known to be. */
size_t ledger_copies(struct ledger *ledger, const struct log_id *log, uint64_t number)
    __attribute__((nonnull));

/* ---- what the desk of this table keeps: local, in no hash, told to nobody ---- */

/* Appends what was saved last to *out; nothing if nothing was. Errors: ERR_DISK, ERR_DAMAGED,
 * ERR_MEMORY. */
enum error_code ledger_kept_load(struct ledger *ledger, struct buffer *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Saves it in the place of what was saved before, inside the transaction of pairs_begin. The
 * ledger's errors. */
enum error_code ledger_kept_save(struct ledger *ledger, struct slice kept, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* ---- trouble that is kept and shown ---- */

struct ledger_fork {
    struct log_id log;
    uint64_t number; /* the first number that exists twice */
};
/* Calls `each` for every fork that is held. */
void ledger_each_fork(struct ledger *ledger,
                      void (*each)(void *context, const struct ledger_fork *), void *context)
    __attribute__((nonnull(1, 2)));

/* Deep check of what the ledger itself promises: ids, chains, held logs, and signatures (all of
 * them with `every`, else the last of each chain and every RECORD_VERIFY_EVERY-th). pairs_verify
 * calls it, and makes all tables again.
 * Errors: ERR_DAMAGED with what and where. */
enum error_code ledger_verify(struct ledger *ledger, bool every, struct error *err)
    __attribute__((nonnull, warn_unused_result));

#endif
