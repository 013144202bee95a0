/*
 * station.h: a station's data folder: lock, keys, ledger, and the log that it writes.
 *
 * Folder (0700): `ledger.db`, `station.key` and, on the lead's, `root.key` (0600; refused if
 * wider), `lock`, and `control` while a node runs. Before a grant has come there is `station.key`
 * alone. One process at a time holds the folder by a lock on `lock` that dies with it.
 */
#ifndef BIBWEAVE_STATION_H
#define BIBWEAVE_STATION_H

#include "common/pairs.h"
#include "node/wake.h"

struct station {
    char dir[4096];
    int lock; /* file descriptor that holds the lock */
    struct ledger *ledger;
    struct ledger_event event;
    char name[RECORD_TEXT_MAX + 1];
    struct station_keys keys;
    bool has_root;
    struct station_keys root;   /* only the signing pair is used */
    struct pairs_author author; /* this station's log; number 0 in a folder without a station */
    /* Both rise with commits since the station was opened, for the loop to watch: records written
     * to `author`'s log; and records of any other log (carried in, or written with the root's
     * key), after which the heads are to be compared. */
    uint64_t appended;
    uint64_t imported;
    struct mono_ms opened_at;
    bool new_incarnation; /* a new log was begun, and why is in `incarnation_cause` */
    char incarnation_cause[160];
    bool must_open;   /* no log could be begun yet (full disk): the next append begins one */
    struct wake wake; /* what the folder's file `wake` says, or will at the latest on closing */
};

/* Whether another process holds the folder (then verbs go through its control socket). */
enum error_code station_busy(const char *dir, bool *busy, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* Opens an existing folder: lock, permissions, keys, ledger, and the log. Where the folder may not
 * be the one that last wrote (boot id, machine id, device, inode or birth time of the files differ,
 * or the ledger lacks own records) a new incarnation is begun; on a full disk the folder opens all
 * the same, to be read, and to be carried out. A merged folder has a ledger and no keys: it can be
 * read only.
 * Errors: ERR_USAGE (no such folder, or nothing of ours in it), ERR_NOT_FOUND (a station that waits
 * for its grant), ERR_NOT_OURS, ERR_PERMISSION (too open), ERR_BUSY, ERR_FOREIGN, and the
 * ledger's. */
enum error_code station_open(const char *dir, struct station *station, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Opens a copy of the ledger of the folder `dir` (made by the backup API) for a child that only
 * reads: no lock, no secrets, no log; `author` is not usable, but `keys.sign_public` and `name`
 * say whose folder it is. The same errors. */
enum error_code station_open_copy(const char *dir, const char *ledger_path, struct station *station,
                                  struct error *err) __attribute__((nonnull, warn_unused_result));
/* Wipes the secrets. Fine on a zeroed struct and after a failed open. */
void station_close(struct station *station) __attribute__((nonnull));

/* Appends one own record in a transaction of its own: begin, append, commit. What was
 * acknowledged is on disk when this returns ERR_OK; on error nothing changed. */
enum error_code station_append(struct station *station, enum record_kind kind, struct slice body,
                               struct record_id *id, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* The same with the root's key, in a fresh incarnation of the root's log each time, so that two
 * copies of a root key can never write under one number. */
enum error_code station_append_root(struct station *station, enum record_kind kind,
                                    struct slice body, struct record_id *id, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Begins a new incarnation of this station's log (after a fork was seen, say). */
enum error_code station_reincarnate(struct station *station, const char *cause, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* The clocks, read here and nowhere else in the program. */
struct mono_ms station_now(void);
struct wall_ms station_wall(void);

#endif
