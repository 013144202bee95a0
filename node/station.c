/*
 * station.c: see station.h.
 * Must never write a record before the doubt whether this folder wrote last is gone, nor show one
 * as done before its commit.
 */
#include "node/station.h"

#include <errno.h>
#include <fcntl.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "node/files.h"
#include "node/keyfile.h"

/* ---- clocks ---- */

static int64_t read_ms(clockid_t clock) {
    struct timespec now;
    int failed = clock_gettime(clock, &now);
    INVARIANT(failed == 0);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

struct mono_ms station_now(void) {
    return (struct mono_ms){.ms = read_ms(CLOCK_MONOTONIC)};
}

/* A clock that stands before 1970 would make times that no record can carry. */
struct wall_ms station_wall(void) {
    int64_t ms = read_ms(CLOCK_REALTIME);
    return (struct wall_ms){.ms = ms < 0 ? 0 : ms};
}

/* ---- the lock ---- */

/* An open-file-description lock: it ends with the process, and no child keeps it, as the
 * descriptor is closed on exec. */
static struct flock whole_file(void) {
    return (struct flock){.l_type = F_WRLCK, .l_whence = SEEK_SET};
}

enum error_code station_busy(const char *dir, bool *busy, struct error *err) {
    char path[FILES_PATH_MAX];
    struct flock lock = whole_file();
    *busy = false;
    enum error_code code = files_inside(dir, "lock", path, err);
    if (code != ERR_OK) {
        return code;
    }
    int fd = open(path, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0) {
        return errno == ENOENT || errno == ENOTDIR ? ERR_OK
                                                   : files_error(err, errno, "opening", path);
    }
    if (fcntl(fd, F_OFD_GETLK, &lock) != 0) {
        code = files_error(err, errno, "asking for the lock of", path);
    } else {
        *busy = lock.l_type != F_UNLCK;
    }
    close(fd);
    return code;
}

static enum error_code take_lock(struct station *station, struct error *err) {
    char path[FILES_PATH_MAX];
    struct flock lock = whole_file();
    enum error_code code = files_inside(station->dir, "lock", path, err);
    if (code != ERR_OK) {
        return code;
    }
    station->lock = open(path, O_RDWR | O_CREAT | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC, 0600);
    if (station->lock < 0) {
        return files_error(err, errno, "opening", path);
    }
    if (fcntl(station->lock, F_OFD_SETLK, &lock) == 0) {
        return ERR_OK;
    }
    return errno == EAGAIN || errno == EACCES ? error_set(err, ERR_BUSY, "%.200s is locked", path)
                                              : files_error(err, errno, "locking", path);
}

/* ---- which log to go on with ---- */

/* The `open` of the log whose newest record is `head`. */
static bool read_open(struct ledger *ledger, const struct ledger_head *head,
                      struct record_open *open) {
    struct buffer raw;
    struct record record;
    struct error unused;
    size_t count = 0;
    bool more = false;
    buffer_init(&raw);
    bool read = ledger_read_run(ledger, &head->log, head->id.bytes, NULL, 0, 1, &raw, &count, &more,
                                &unused) == ERR_OK &&
                count == 1 && record_decode(buffer_slice(&raw), &record, &unused) == ERR_OK &&
                record_open_read(record.body, open);
    buffer_release(&raw);
    return read;
}

static int64_t head_wall(struct ledger *ledger, const struct ledger_head *head) {
    struct buffer raw;
    struct record record;
    struct error unused;
    buffer_init(&raw);
    int64_t wall = ledger_read(ledger, &head->id, &raw, &unused) == ERR_OK &&
                           record_decode(buffer_slice(&raw), &record, &unused) == ERR_OK
                       ? record.wall.ms
                       : -1;
    buffer_release(&raw);
    return wall;
}

/* The heads of all logs of `key`, copied, because reading may come between; free() it. */
static struct ledger_head *own_heads(struct ledger *ledger, const struct sign_public *key,
                                     size_t *count) {
    size_t all = 0;
    const struct ledger_head *heads = ledger_heads(ledger, &all);
    struct ledger_head *own = calloc(all + 1, sizeof(*own));
    *count = 0;
    for (size_t i = 0; own != NULL && i < all; i++) {
        struct sign_public author;
        if (ledger_log_key(ledger, &heads[i].log, &author) && ID_EQUAL(author, *key)) {
            own[(*count)++] = heads[i];
        }
    }
    return own;
}

static size_t count_logs(const struct ledger_head *heads, size_t count) {
    size_t logs = 0;
    for (size_t i = 0; i < count; i++) {
        logs += i == 0 || !ID_EQUAL(heads[i].log, heads[i - 1].log) ? 1 : 0;
    }
    return logs;
}

/* The head that a new log of this key goes on from: of the logs that no other one follows, the one
 * that was written last by its own clock. False when no log is held. */
static bool newest_head(struct ledger *ledger, const struct ledger_head *heads, size_t count,
                        struct record_head *out) {
    int64_t best_wall = INT64_MIN;
    bool best_followed = true;
    bool found = false;
    struct record_open *opens = calloc(count + 1, sizeof(*opens));
    for (size_t i = 0; opens != NULL && i < count; i++) {
        if (!read_open(ledger, &heads[i], &opens[i])) {
            opens[i].has_follows = false;
        }
    }
    for (size_t i = 0; i < count; i++) {
        bool followed = false;
        for (size_t j = 0; opens != NULL && j < count; j++) {
            followed =
                followed || (opens[j].has_follows && ID_EQUAL(opens[j].follows.log, heads[i].log));
        }
        int64_t wall = head_wall(ledger, &heads[i]);
        if (!found || (best_followed && !followed) ||
            (best_followed == followed && wall > best_wall)) {
            *out = (struct record_head){
                .log = heads[i].log, .number = heads[i].number, .id = heads[i].id};
            best_wall = wall;
            best_followed = followed;
            found = true;
        }
    }
    free(opens);
    return found;
}

/* ---- beginning a log ---- */

/* Appends `open` in the transaction that is open. */
static enum error_code open_log(struct ledger *ledger, const struct station_keys *keys,
                                struct pairs_author *author, struct error *err) {
    struct incarnation incarnation;
    struct record_head follows;
    size_t count = 0;
    struct ledger_head *heads = own_heads(ledger, &keys->sign_public, &count);
    if (heads == NULL) {
        return error_set(err, ERR_MEMORY, "own logs");
    }
    bool has = newest_head(ledger, heads, count, &follows);
    free(heads);
    randombytes_buf(incarnation.bytes, sizeof(incarnation.bytes));
    return pairs_author_open(ledger, keys, &incarnation, has ? &follows : NULL, station_wall(),
                             station_now(), author, err);
}

/* What the folder's file must say from now on. */
static void remember(struct station *station) {
    size_t count = 0;
    struct wake here;
    struct ledger_head *heads = own_heads(station->ledger, &station->keys.sign_public, &count);
    if (heads != NULL && wake_here(station->dir, &here)) {
        here.log = station->author.log;
        here.number = station->author.number;
        here.logs = count_logs(heads, count);
        station->wake = here;
        wake_write(station->dir, &here);
    }
    free(heads);
}

enum error_code station_reincarnate(struct station *station, const char *cause, struct error *err) {
    struct pairs_author before = station->author;
    enum error_code code = pairs_begin(station->ledger, err);
    if (code != ERR_OK) {
        return code;
    }
    code = open_log(station->ledger, &station->keys, &station->author, err);
    if (code == ERR_OK) {
        code = pairs_commit(station->ledger, err);
    } else {
        pairs_rollback(station->ledger);
    }
    if (code != ERR_OK) {
        station->author = before;
        return error_while(err, "beginning a new log");
    }
    station->appended++;
    station->new_incarnation = true;
    station->must_open = false;
    snprintf(station->incarnation_cause, sizeof(station->incarnation_cause), "%s", cause);
    remember(station);
    return ERR_OK;
}

/* Why the folder may not be the one that wrote last; NULL with *resume filled when it is. */
static const char *doubt(struct station *station, const struct ledger_head *heads, size_t count,
                         struct record_id *resume) {
    struct wake was;
    struct wake here;
    size_t branches = 0;
    if (count == 0) {
        return "the first start";
    }
    if (!wake_here(station->dir, &here) || !wake_read(station->dir, &was)) {
        return "it is not known what this folder wrote last";
    }
    const char *differs = wake_differs(&was, &here);
    const struct ledger_head *head = ledger_heads_of(station->ledger, &was.log, &branches);
    if (differs != NULL) {
        return differs;
    }
    if (branches != 1) {
        return branches == 0 ? "the folder was copied, moved or restored"
                             : "the log was written at two places";
    }
    if (head->number < was.number) {
        return "the folder was restored from an older copy";
    }
    if (count_logs(heads, count) != was.logs) {
        return "this station also wrote somewhere else";
    }
    *resume = head->id;
    station->wake = was;
    return NULL;
}

static enum error_code wake_up(struct station *station, struct error *err) {
    size_t count = 0;
    struct record_id resume;
    struct ledger_head *heads = own_heads(station->ledger, &station->keys.sign_public, &count);
    if (heads == NULL) {
        return error_set(err, ERR_MEMORY, "own logs");
    }
    const char *cause = doubt(station, heads, count, &resume);
    free(heads);
    enum error_code code = ERR_OK;
    if (cause == NULL) {
        code = pairs_author_resume(station->ledger, &station->keys, &resume, &station->author, err);
        cause = code == ERR_NOT_FOUND ? "the last record is not this station's" : NULL;
    }
    if (cause != NULL) {
        code = station_reincarnate(station, cause, err);
        if (code == ERR_DISK_FULL) {
            station->must_open = true;
            code = ERR_OK;
        }
    }
    return code;
}

/* ---- opening and closing ---- */

static enum error_code read_keys(struct station *station, bool secrets, bool *has_key,
                                 struct error *err) {
    char path[FILES_PATH_MAX];
    struct keyfile key;
    enum error_code code = files_inside(station->dir, "station.key", path, err);
    *has_key = code == ERR_OK && files_exists(path);
    if (!*has_key) {
        return code;
    }
    code = keyfile_read(path, KEYFILE_STATION, &key, err);
    if (code != ERR_OK) {
        return code;
    }
    keyfile_keys(&key, &station->keys);
    snprintf(station->name, sizeof(station->name), "%s", key.name);
    station->event = key.event;
    if (!key.has_event) {
        error_set(err, ERR_NOT_FOUND, "no grant has come yet");
        code = error_say(err, "This station is not let in yet. Take its request to the lead, and "
                              "bring the grant back: bibweave join --grant FILE.");
    }
    keyfile_wipe(&key);
    if (!secrets) {
        sodium_memzero(&station->keys.sign_secret, sizeof(station->keys.sign_secret));
        sodium_memzero(&station->keys.curve_secret, sizeof(station->keys.curve_secret));
    }
    return code;
}

static enum error_code read_root(struct station *station, struct error *err) {
    char path[FILES_PATH_MAX];
    struct keyfile key;
    enum error_code code = files_inside(station->dir, "root.key", path, err);
    if (code != ERR_OK || !files_exists(path)) {
        return code;
    }
    code = keyfile_read(path, KEYFILE_ROOT, &key, err);
    if (code != ERR_OK) {
        return code;
    }
    keyfile_keys(&key, &station->root);
    keyfile_wipe(&key);
    station->has_root = true;
    if (!ID_EQUAL(station->root.sign_public, station->event.root)) {
        return error_set(err, ERR_DAMAGED, "root.key is not the key of this event");
    }
    return ERR_OK;
}

static void read_name(struct station *station) {
    struct pairs_station self;
    struct error unused;
    if (pairs_station(station->ledger, &station->keys.sign_public, &self, &unused) == ERR_OK &&
        self.name[0] != '\0') {
        snprintf(station->name, sizeof(station->name), "%s", self.name);
    }
}

static enum error_code nothing_here(const char *dir, struct error *err) {
    error_set(err, ERR_USAGE, "no station.key and no ledger.db in %.200s", dir);
    return error_say(err,
                     "There is no station in %.200s. Check the folder's name, or make one "
                     "with `event new` or `join`.",
                     dir);
}

static enum error_code begin(const char *dir, struct station *station, struct error *err) {
    char key[FILES_PATH_MAX];
    char ledger[FILES_PATH_MAX];
    memset(station, 0, sizeof(*station));
    station->lock = -1;
    station->opened_at = station_now();
    if (strlen(dir) >= sizeof(station->dir)) {
        return error_set(err, ERR_USAGE, "a path of %zu bytes", strlen(dir));
    }
    snprintf(station->dir, sizeof(station->dir), "%s", dir);
    enum error_code code = files_folder_check(dir, err);
    if (code == ERR_OK) {
        code = files_inside(dir, "station.key", key, err);
    }
    if (code == ERR_OK) {
        code = files_inside(dir, "ledger.db", ledger, err);
    }
    if (code == ERR_OK && !files_exists(key) && !files_exists(ledger)) {
        code = nothing_here(dir, err);
    }
    return code;
}

/* Opens the ledger in `path` and sees that it is of the event that the key file names. */
static enum error_code open_ledger(struct station *station, const char *path, bool has_key,
                                   struct error *err) {
    enum error_code code =
        ledger_open(path, NULL, NULL, has_key ? &station->event : NULL, &station->ledger, err);
    if (code == ERR_NOT_FOUND) {
        code = error_set(err, ERR_DAMAGED, "%.200s is missing", path);
    }
    if (code == ERR_OK) {
        station->event = ledger_event(station->ledger);
    }
    return code;
}

enum error_code station_open(const char *dir, struct station *station, struct error *err) {
    char path[FILES_PATH_MAX];
    bool has_key = false;
    enum error_code code = begin(dir, station, err);
    if (code == ERR_OK) {
        code = take_lock(station, err);
    }
    if (code == ERR_OK) {
        code = read_keys(station, true, &has_key, err);
    }
    if (code == ERR_OK && has_key) {
        code = read_root(station, err);
    }
    if (code == ERR_OK) {
        code = files_inside(dir, "ledger.db", path, err);
    }
    if (code == ERR_OK) {
        code = open_ledger(station, path, has_key, err);
    }
    if (code == ERR_OK && has_key) {
        read_name(station);
        code = wake_up(station, err);
    }
    if (code != ERR_OK) {
        station_close(station);
    }
    return code;
}

enum error_code station_open_copy(const char *dir, const char *ledger_path, struct station *station,
                                  struct error *err) {
    bool has_key = false;
    enum error_code code = begin(dir, station, err);
    if (code == ERR_OK) {
        code = read_keys(station, false, &has_key, err);
    }
    if (code == ERR_OK) {
        code = open_ledger(station, ledger_path, has_key, err);
    }
    if (code == ERR_OK && has_key) {
        read_name(station);
    }
    if (code != ERR_OK) {
        station_close(station);
    }
    return code;
}

void station_close(struct station *station) {
    if (station->ledger != NULL && station->author.number > station->wake.number &&
        ID_EQUAL(station->author.log, station->wake.log)) {
        station->wake.number = station->author.number;
        wake_write(station->dir, &station->wake);
    }
    ledger_close(station->ledger);
    if (station->lock > 0) {
        close(station->lock);
    }
    sodium_memzero(&station->keys, sizeof(station->keys));
    sodium_memzero(&station->root, sizeof(station->root));
    sodium_memzero(&station->author, sizeof(station->author));
    station->ledger = NULL;
    station->lock = -1;
}

/* ---- writing ---- */

enum error_code station_append(struct station *station, enum record_kind kind, struct slice body,
                               struct record_id *id, struct error *err) {
    struct pairs_author before = station->author;
    bool opens = station->must_open;
    if (station->author.number == 0 && !opens) {
        return error_set(err, ERR_NOT_ALLOWED, "a folder without a station's keys");
    }
    enum error_code code = pairs_begin(station->ledger, err);
    if (code != ERR_OK) {
        return code;
    }
    if (opens) {
        code = open_log(station->ledger, &station->keys, &station->author, err);
        memcpy(station->author.helper, before.helper, sizeof(before.helper));
    }
    if (code == ERR_OK) {
        code = pairs_append(station->ledger, &station->author, kind, body, station_wall(),
                            station_now(), id, err);
    }
    if (code == ERR_OK) {
        code = pairs_commit(station->ledger, err);
    } else {
        pairs_rollback(station->ledger);
    }
    if (code != ERR_OK) {
        station->author = before;
        return code;
    }
    station->appended++;
    if (opens) {
        station->must_open = false;
        station->new_incarnation = true;
        remember(station);
    }
    return ERR_OK;
}

enum error_code station_append_root(struct station *station, enum record_kind kind,
                                    struct slice body, struct record_id *id, struct error *err) {
    struct pairs_author root;
    if (!station->has_root) {
        error_set(err, ERR_NOT_ALLOWED, "no root.key in this folder");
        return error_say(err, "Only the lead's station that made the event can do that.");
    }
    enum error_code code = pairs_begin(station->ledger, err);
    if (code != ERR_OK) {
        return code;
    }
    code = open_log(station->ledger, &station->root, &root, err);
    if (code == ERR_OK) {
        code = pairs_append(station->ledger, &root, kind, body, station_wall(), station_now(), id,
                            err);
    }
    if (code == ERR_OK) {
        code = pairs_commit(station->ledger, err);
    } else {
        pairs_rollback(station->ledger);
    }
    sodium_memzero(&root, sizeof(root));
    if (code == ERR_OK) {
        station->imported++;
    }
    return code;
}
