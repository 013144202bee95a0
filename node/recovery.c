/*
 * recovery.c: see recovery.h.
 * Must never delete or change a damaged file, nor move it before the new ledger is on disk.
 */
#include "node/recovery.h"

#include <dirent.h>
#include <errno.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "common/carry.h"
#include "common/carry_scan.h"
#include "node/files.h"

enum { STEP_RECORDS = 4096, KEPT_TRIES = 100, EVENT_SIZE_MAX = 1 << 28 };

#define KEPT_PREFIX "damaged-"

/* ---- is it damaged? ---- */

static enum error_code read_key(struct recovery *recovery, struct error *err) {
    char path[FILES_PATH_MAX];
    enum error_code code = files_folder_check(recovery->dir, err);
    if (code == ERR_OK) {
        code = files_inside(recovery->dir, "station.key", path, err);
    }
    if (code == ERR_OK && !files_exists(path)) {
        error_set(err, ERR_NOT_FOUND, "no %.200s", path);
        return error_say(err, "There are no keys of a station in this folder, so it cannot be got "
                              "back. Let this laptop in as a new station.");
    }
    if (code == ERR_OK) {
        code = keyfile_read(path, KEYFILE_STATION, &recovery->key, err);
    }
    if (code == ERR_OK && !recovery->key.has_event) {
        error_set(err, ERR_NOT_FOUND, "no grant has come yet");
        return error_say(err,
                         "This station is not let in yet, so nothing is lost. Take its request "
                         "to the lead, and bring the grant back.");
    }
    if (code == ERR_OK) {
        keyfile_keys(&recovery->key, &recovery->keys);
    }
    return code;
}

/* Whether the last record that was written is gone. */
static enum error_code check_last(const struct recovery *recovery, struct ledger *ledger,
                                  struct error *err) {
    struct last last;
    last_open(&last, recovery->dir, &recovery->keys.sign_public);
    const struct last_row *newest = last_newest(&last);
    bool behind = newest != NULL && newest->number > 0 && !ledger_holds(ledger, newest->id);
    last_close(&last);
    return behind ? error_set(err, ERR_DAMAGED, "the last record is gone") : ERR_OK;
}

/* ERR_OK if all is as it was written. Changes nothing if not. */
static enum error_code look_over(const struct recovery *recovery, struct error *err) {
    char path[FILES_PATH_MAX];
    struct ledger *ledger = NULL;
    enum error_code code = files_inside(recovery->dir, "ledger.db", path, err);
    if (code == ERR_OK) {
        code = ledger_open(path, NULL, NULL, &recovery->key.event, &ledger, err);
    }
    if (code == ERR_OK) {
        code = pairs_verify(ledger, true, err);
    }
    if (code == ERR_OK) {
        code = check_last(recovery, ledger, err);
    }
    if (code != ERR_OK && ledger != NULL) {
        ledger_leave(ledger);
    }
    ledger_close(ledger);
    return code;
}

static bool is_damage(enum error_code code) {
    return code == ERR_DAMAGED || code == ERR_NOT_OURS || code == ERR_NOT_FOUND || code == ERR_DISK;
}

/* ---- getting records out ---- */

static bool is_kept_name(const char *name) {
    return strncmp(name, KEPT_PREFIX, strlen(KEPT_PREFIX)) == 0;
}

static enum error_code gather_event(struct recovery *recovery, struct error *err) {
    char path[FILES_PATH_MAX];
    struct error unused;
    enum error_code code = files_inside(recovery->dir, "event.carry", path, err);
    if (code == ERR_OK && files_exists(path) &&
        files_read(path, EVENT_SIZE_MAX, &recovery->salvage.rows, &unused) != ERR_OK) {
        recovery->salvage.unreadable++;
    }
    return code;
}

/* What was kept aside before: a recovery that was interrupted, or did not find all, is done again
 * from all of it. */
static enum error_code gather_kept(struct recovery *recovery, const char *room, struct error *err) {
    char path[FILES_PATH_MAX];
    const struct sign_public *key = &recovery->keys.sign_public;
    enum error_code code = ERR_OK;
    DIR *folder = opendir(recovery->dir);
    if (folder == NULL) {
        return files_error(err, errno, "opening", recovery->dir);
    }
    const struct dirent *entry;
    while (code == ERR_OK && (entry = readdir(folder)) != NULL) {
        if (is_kept_name(entry->d_name)) {
            code = files_inside(recovery->dir, entry->d_name, path, err);
            code = code == ERR_OK ? salvage_add(&recovery->salvage, path, room, key, err) : code;
        }
    }
    closedir(folder);
    return code;
}

static enum error_code gather(struct recovery *recovery, const char *room, struct error *err) {
    enum error_code code = gather_event(recovery, err);
    if (code == ERR_OK) {
        code =
            salvage_add(&recovery->salvage, recovery->dir, room, &recovery->keys.sign_public, err);
    }
    return code == ERR_OK ? gather_kept(recovery, room, err) : code;
}

static uint64_t held_to(struct ledger *ledger, const struct log_id *log) {
    size_t count = 0;
    uint64_t held = 0;
    const struct ledger_head *heads = ledger_heads_of(ledger, log, &count);
    for (size_t i = 0; i < count; i++) {
        held = heads[i].number > held ? heads[i].number : held;
    }
    return held;
}

/* A transaction that was cut off leaves its record in the files, and another one may have been
 * written under the same number since. Such an own record was never shown to anyone, and would
 * come back as a branch. */
static bool was_dropped(const struct recovery *recovery, struct ledger *ledger,
                        const struct record *record) {
    struct sign_public key;
    struct record_id id = identity_record(record->raw);
    return ledger_log_key(ledger, &record->log, &key) &&
           ID_EQUAL(key, recovery->keys.sign_public) &&
           record->number <= held_to(ledger, &record->log) && !ledger_holds(ledger, id.bytes);
}

static enum error_code take(struct recovery *recovery, struct ledger *ledger, struct slice bytes,
                            struct error *err) {
    struct carry_in *in = NULL;
    bool done = false;
    enum error_code code = carry_in_new(ledger, bytes, &in, err);
    while (code == ERR_OK && !done) {
        code = carry_in_step(in, STEP_RECORDS, &done, err);
    }
    if (code == ERR_OK) {
        recovery->salvaged += carry_in_report(in).stored;
    }
    carry_in_free(in);
    return code;
}

static enum error_code take_loose(struct recovery *recovery, struct ledger *ledger,
                                  struct error *err) {
    struct buffer loose;
    struct carry_scan scan = carry_scan_of(buffer_slice(&recovery->salvage.bytes));
    struct record record;
    buffer_init(&loose);
    for (enum carry_found found; (found = carry_scan_next(&scan, &record)) != CARRY_END;) {
        if (found == CARRY_RECORD && !was_dropped(recovery, ledger, &record)) {
            buffer_append_slice(&loose, record.raw);
        }
    }
    enum error_code code = loose.failed ? error_set(err, ERR_MEMORY, "salvaged records")
                                        : take(recovery, ledger, buffer_slice(&loose), err);
    buffer_release(&loose);
    return code;
}

enum error_code recovery_again(struct recovery *recovery, struct ledger *ledger, uint64_t *again,
                               struct error *err) {
    uint64_t before = recovery->salvaged;
    enum error_code code = take(recovery, ledger, buffer_slice(&recovery->salvage.rows), err);
    if (code == ERR_OK) {
        code = take_loose(recovery, ledger, err);
    }
    *again = recovery->salvaged - before;
    return code;
}

static enum error_code fill(struct recovery *recovery, const char *path, struct error *err) {
    struct ledger *ledger = NULL;
    uint64_t unused = 0;
    enum error_code code = ledger_open(path, NULL, &recovery->key.event, NULL, &ledger, err);
    if (code == ERR_OK) {
        code = recovery_again(recovery, ledger, &unused, err);
    }
    ledger_close(ledger);
    return code;
}

/* ---- changing places ---- */

/* Makes the folder that the damaged files go to. */
static enum error_code make_kept(struct recovery *recovery, char *path, struct error *err) {
    char stamp[24];
    struct tm local;
    time_t now = station_wall().ms / 1000;
    localtime_r(&now, &local);
    strftime(stamp, sizeof(stamp), "%Y%m%d-%H%M%S", &local);
    for (int i = 1; i < KEPT_TRIES; i++) {
        snprintf(recovery->kept, sizeof(recovery->kept), i == 1 ? "%s%s" : "%s%s-%d", KEPT_PREFIX,
                 stamp, i);
        enum error_code code = files_inside(recovery->dir, recovery->kept, path, err);
        if (code != ERR_OK) {
            return code;
        }
        if (mkdir(path, S_IRWXU) == 0) {
            return ERR_OK;
        }
        if (errno != EEXIST) {
            return files_error(err, errno, "making", path);
        }
    }
    return error_set(err, ERR_EXISTS, "%s", recovery->kept);
}

static enum error_code move_one(const char *from, const char *to, const char *name,
                                struct error *err) {
    char old[FILES_PATH_MAX], new[FILES_PATH_MAX];
    enum error_code code = files_inside(from, name, old, err);
    if (code == ERR_OK) {
        code = files_inside(to, name, new, err);
    }
    if (code == ERR_OK && rename(old, new) != 0 && errno != ENOENT) {
        code = files_error(err, errno, "moving aside", old);
    }
    return code;
}

/* The write-ahead log goes first: it must never stand beside a ledger that is not its own. */
static enum error_code move_aside(struct recovery *recovery, struct error *err) {
    static const char *const names[] = {"ledger.db-wal", "ledger.db-shm", "ledger.db-journal",
                                        "ledger.db", "wake"};
    char kept[FILES_PATH_MAX];
    enum error_code code = make_kept(recovery, kept, err);
    for (size_t i = 0; code == ERR_OK && i < sizeof(names) / sizeof(names[0]); i++) {
        code = move_one(recovery->dir, kept, names[i], err);
    }
    return code == ERR_OK ? files_folder_sync(kept, err) : code;
}

static bool has_files(const char *dir) {
    char path[FILES_PATH_MAX];
    struct error unused;
    return (files_inside(dir, "ledger.db", path, &unused) == ERR_OK && files_exists(path)) ||
           (files_inside(dir, "ledger.db-wal", path, &unused) == ERR_OK && files_exists(path));
}

/* The new ledger is filled aside, and gets its name when it is whole. */
static enum error_code rebuild(struct recovery *recovery, struct error *err) {
    char ledger[FILES_PATH_MAX], temp[FILES_PATH_MAX], fresh[FILES_PATH_MAX];
    enum error_code code = files_inside(recovery->dir, "ledger.db", ledger, err);
    if (code == ERR_OK) {
        code = files_folder_begin(ledger, temp, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    code = files_inside(temp, "ledger.db", fresh, err);
    if (code == ERR_OK) {
        code = gather(recovery, temp, err);
    }
    if (code == ERR_OK) {
        code = fill(recovery, fresh, err);
    }
    if (code == ERR_OK && has_files(recovery->dir)) {
        code = move_aside(recovery, err);
    }
    if (code == ERR_OK && rename(fresh, ledger) != 0) {
        code = files_error(err, errno, "renaming to", ledger);
    }
    files_folder_remove(temp);
    recovery->rebuilt = code == ERR_OK;
    return code == ERR_OK ? files_folder_sync(recovery->dir, err) : code;
}

/* The ledger is sound, and may still lack what is in files that were kept aside. */
static enum error_code look_again(struct recovery *recovery, struct error *err) {
    char ledger[FILES_PATH_MAX], temp[FILES_PATH_MAX];
    struct error unused;
    enum error_code code = files_inside(recovery->dir, "ledger.db", ledger, err);
    if (code == ERR_OK && files_folder_begin(ledger, temp, &unused) == ERR_OK) {
        code = gather_kept(recovery, temp, err);
        files_folder_remove(temp);
    }
    return code;
}

/* What a recovery that was cut off was just making. */
static void drop_unfinished(const char *dir) {
    char path[FILES_PATH_MAX];
    struct error unused;
    DIR *folder = opendir(dir);
    const struct dirent *entry;
    while (folder != NULL && (entry = readdir(folder)) != NULL) {
        if (strncmp(entry->d_name, ".bibweave-", 10) == 0 &&
            files_inside(dir, entry->d_name, path, &unused) == ERR_OK) {
            files_folder_remove(path);
        }
    }
    if (folder != NULL) {
        closedir(folder);
    }
}

enum error_code recovery_rebuild(const char *dir, struct recovery *recovery, struct error *err) {
    int lock = -1;
    memset(recovery, 0, sizeof(*recovery));
    salvage_init(&recovery->salvage);
    if (strlen(dir) >= sizeof(recovery->dir)) {
        return error_set(err, ERR_USAGE, "a path of %zu bytes", strlen(dir));
    }
    snprintf(recovery->dir, sizeof(recovery->dir), "%s", dir);
    enum error_code code = read_key(recovery, err);
    if (code == ERR_OK) {
        code = station_lock(dir, &lock, err);
    }
    if (code == ERR_OK) {
        drop_unfinished(dir);
        recovery->has_wake = wake_read(dir, &recovery->wake);
        code = look_over(recovery, err);
        code = code == ERR_OK    ? look_again(recovery, err)
               : is_damage(code) ? rebuild(recovery, err)
                                 : code;
    }
    if (lock >= 0) {
        close(lock);
    }
    return code;
}

void recovery_release(struct recovery *recovery) {
    salvage_release(&recovery->salvage);
    keyfile_wipe(&recovery->key);
    sodium_memzero(&recovery->keys, sizeof(recovery->keys));
}
