/*
 * station.h: a station's data folder: lock, keys, ledger, and the log that it writes.
 *
 * Folder (0700): `ledger.db`, `station.key` and, on the lead's, `root.key` (0600; refused if
 * wider), `wake`, `lock`, `event.carry`
 * (a second copy of the records that name the event and let this station in), and `control` while a
 * node runs; beside it `.NAME.last` (see last.h). Before a grant has come there is `station.key`
 * alone. One process at a time holds the folder by a lock on `lock` that dies with it.
 */
#ifndef BIBWEAVE_STATION_H
#define BIBWEAVE_STATION_H

#include "common/pairs.h"
#include "node/last.h"
#include "node/wake.h"

struct station {
    char dir[4096];
    int lock; /* file descriptor that holds the lock */
    struct ledger *ledger;
    struct ledger_event event;
    char name[RECORD_TEXT_MAX + 1];
    struct station_keys keys;
    bool has_root;    /* root.key is in the folder */
    bool root_sealed; /* with a passphrase: `root` is there between station_root_open and _close */
    bool root_open;
    struct station_keys root;   /* when root_open; only the signing pair is used */
    struct pairs_author author; /* this station's log; number 0 in a folder without a station */
    /* Both rise with commits since the station was opened, for the loop to watch: records written
     * to `author`'s log; and records of any other log (carried in, or written with the root's
     * key), after which the heads are to be compared. */
    uint64_t appended;
    uint64_t imported;
    struct mono_ms opened_at;
    bool new_incarnation; /* a new log was begun, and why is in `incarnation_cause` */
    char incarnation_cause[160];
    bool must_open;   /* no log could be begun yet (full disk, or the admit of this station is not
                         held): the next append begins one */
    struct wake wake; /* what the folder's file `wake` says, or will at the latest on closing */
    struct last last; /* what this station wrote last, as the file beside the folder says */
};

/* Whether another process holds the folder (then verbs go through its control socket). */
enum error_code station_busy(const char *dir, bool *busy, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* Takes the folder's lock, for who works on a folder that cannot be opened; close(*fd) gives it
 * back. Errors: ERR_BUSY, ERR_PERMISSION. */
enum error_code station_lock(const char *dir, int *fd, struct error *err)
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
/* The same, and all that is in the ledger is made again from its records and compared first (about
 * a second for 60,000 records), which station_open does only after an unclean stop. For a node,
 * which would hand on what it holds. ERR_DAMAGED, also where the last records that were written
 * are gone after an unclean stop; nothing is changed in the folder then. */
enum error_code station_open_checked(const char *dir, struct station *station, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Opens a copy of the ledger of the folder `dir` (made by the backup API) for a child that only
 * reads: no lock, no secrets, no log; `author` is not usable, but `keys.sign_public` and `name`
 * say whose folder it is. The same errors. */
enum error_code station_open_copy(const char *dir, const char *ledger_path, struct station *station,
                                  struct error *err) __attribute__((nonnull, warn_unused_result));

/* Numbers of a log of this station that were written and are not held here: the folder was put back
 * from an older copy, or was damaged. Into out[max]; returns how many such stretches. */
struct station_missing {
    struct log_id log;
    uint64_t from, to;
};
size_t station_missing(const struct station *station, struct station_missing *out, size_t max)
    __attribute__((nonnull));
/* Wipes the secrets. Fine on a zeroed struct and after a failed open. */
void station_close(struct station *station) __attribute__((nonnull));

/* Appends one own record in a transaction of its own: begin, append, commit. What was
 * acknowledged is on disk when this returns ERR_OK; on error nothing changed. */
enum error_code station_append(struct station *station, enum record_kind kind, struct slice body,
                               struct record_id *id, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Several in one transaction, all of them or none; *last is the id of the last. */
struct station_act {
    enum record_kind kind;
    struct slice body;
};
enum error_code station_append_all(struct station *station, const struct station_act *acts,
                                   size_t count, struct record_id *last, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* The same, with what the desk keeps in the same transaction (NULL: it stays), and with these
 * initials in these records (NULL: as they were). With no acts only `kept` is saved. */
enum error_code station_append_kept(struct station *station, const struct station_act *acts,
                                    size_t count, const struct slice *kept, const char *helper,
                                    struct record_id *last, struct error *err)
    __attribute__((nonnull(1, 6, 7), warn_unused_result));
/* The same with the root's key, in a fresh incarnation of the root's log each time, so that two
 * copies of a root key can never write under one number. */
enum error_code station_append_root(struct station *station, enum record_kind kind,
                                    struct slice body, struct record_id *id, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Makes the root's key usable: where it is sealed, `seed` (32 bytes, or NULL) is what the seal
 * holds. Errors: ERR_NOT_ALLOWED (no root.key here), ERR_SEALED (and no seed), ERR_FOREIGN (not
 * this root's seed). */
enum error_code station_root_open(struct station *station, const uint8_t *seed, struct error *err)
    __attribute__((nonnull(1, 3), warn_unused_result));
/* Wipes it again where it is sealed. */
void station_root_close(struct station *station) __attribute__((nonnull));
/* Begins a new incarnation of this station's log (after a fork was seen, say). */
enum error_code station_reincarnate(struct station *station, const char *cause, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* The clocks, read here and nowhere else in the program. */
struct mono_ms station_now(void);
struct wall_ms station_wall(void);

#endif
