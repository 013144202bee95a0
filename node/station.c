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
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "node/files.h"
#include "node/keyfile.h"
#include "node/rootkey.h"

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

enum error_code station_lock(const char *dir, int *fd, struct error *err) {
    char path[FILES_PATH_MAX];
    struct flock lock = whole_file();
    *fd = -1;
    enum error_code code = files_inside(dir, "lock", path, err);
    if (code != ERR_OK) {
        return code;
    }
    *fd = open(path, O_RDWR | O_CREAT | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC, 0600);
    if (*fd < 0) {
        return files_error(err, errno, "opening", path);
    }
    if (fcntl(*fd, F_OFD_SETLK, &lock) == 0) {
        return ERR_OK;
    }
    code = errno == EAGAIN || errno == EACCES ? error_set(err, ERR_BUSY, "%.200s is locked", path)
                                              : files_error(err, errno, "locking", path);
    close(*fd);
    *fd = -1;
    return code;
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
    struct wake here;
    if (wake_here(station->dir, &here)) {
        here.log = station->author.log;
        here.number = station->author.number;
        station->wake = here;
        wake_write(station->dir, &here);
    }
    last_note(&station->last, &station->author.log, station->author.number, &station->author.head);
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

/* ---- what was written, and is not here ---- */

static bool lacks(const struct station *station, const struct last_row *row) {
    return row->number > 0 && !ledger_holds(station->ledger, row->id);
}

/* Whether the record that this station wrote last is not held. What older logs lack was known
 * before. */
static bool is_behind(const struct station *station) {
    const struct last_row *newest = last_newest(&station->last);
    return newest != NULL && lacks(station, newest);
}

size_t station_missing(const struct station *station, struct station_missing *out, size_t max) {
    size_t found = 0;
    for (size_t i = 0; i < station->last.count && found < max; i++) {
        const struct last_row *row = &station->last.row[i];
        size_t count = 0;
        const struct ledger_head *heads = ledger_heads_of(station->ledger, &row->log, &count);
        uint64_t held = 0;
        for (size_t j = 0; j < count; j++) {
            held = heads[j].number > held ? heads[j].number : held;
        }
        if (lacks(station, row)) {
            /* On a branch that is not held, only the number of its end is known. */
            uint64_t from = held < row->number ? held + 1 : row->number;
            out[found++] = (struct station_missing){row->log, from, row->number};
        }
    }
    return found;
}

/* ---- which log it is ---- */

/* Why the folder may not be the one that wrote last; NULL with *resume filled when it is. */
static const char *doubt(struct station *station, size_t own_heads_held, struct record_id *resume) {
    struct wake was;
    struct wake here;
    size_t branches = 0;
    if (is_behind(station)) {
        return "the folder was restored from an older copy";
    }
    if (own_heads_held == 0) {
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
    *resume = head->id;
    station->wake = was;
    return NULL;
}

static enum error_code wake_up(struct station *station, struct error *err) {
    size_t count = 0;
    struct record_id resume;
    if (!ledger_eligible(station->ledger, &station->keys.sign_public)) {
        station->must_open = true; /* an own record would stand in a log that is not held */
        return ERR_OK;
    }
    struct ledger_head *heads = own_heads(station->ledger, &station->keys.sign_public, &count);
    if (heads == NULL) {
        return error_set(err, ERR_MEMORY, "own logs");
    }
    const char *cause = doubt(station, count, &resume);
    free(heads);
    enum error_code code = ERR_OK;
    if (cause == NULL) {
        code = pairs_author_resume(station->ledger, &station->keys, &resume, &station->author, err);
        cause = code == ERR_NOT_FOUND ? "the last record is not this station's" : NULL;
    }
    if (code == ERR_OK && cause == NULL) {
        last_note(&station->last, &station->author.log, station->author.number,
                  &station->author.head);
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
    struct rootkey key;
    enum error_code code = files_inside(station->dir, "root.key", path, err);
    if (code != ERR_OK || !files_exists(path)) {
        return code;
    }
    code = rootkey_read(path, ROOTKEY_FOLDER, &key, err);
    if (code != ERR_OK) {
        return code;
    }
    station->has_root = true;
    station->root_sealed = key.sealed;
    if (!ID_EQUAL(key.event.event, station->event.event)) {
        error_set(err, ERR_DAMAGED, "root.key is not the key of this event");
        code = error_say(err,
                         "The file root.key in this folder is of another event. Put the right one "
                         "there, or take it out of the folder.");
    } else if (!key.sealed) {
        station->root_open = rootkey_keys(&key.event, key.seed, &station->root);
    }
    rootkey_wipe(&key);
    return code;
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

/* The folder is closed to others, but a file in it may have come from somewhere with its own mode,
 * or be a link to somewhere else. */
static enum error_code check_files(const char *dir, struct error *err) {
    static const char *const names[] = {"ledger.db",   "ledger.db-wal", "ledger.db-shm",
                                        "station.key", "root.key",      "wake",
                                        "peers",       "lock"};
    char path[FILES_PATH_MAX];
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < sizeof(names) / sizeof(names[0]); i++) {
        code = files_inside(dir, names[i], path, err);
        if (code == ERR_OK) {
            code = files_private_check(path, err);
        }
    }
    return code;
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
    return code == ERR_OK ? check_files(dir, err) : code;
}

/* Opens the ledger in `path` and sees that it is of the event that the key file names. */
static enum error_code open_ledger(struct station *station, const char *path, bool has_key,
                                   struct error *err) {
    enum error_code code =
        ledger_open(path, NULL, NULL, has_key ? &station->event : NULL, &station->ledger, err);
    if (code == ERR_NOT_FOUND) {
        error_set(err, ERR_DAMAGED, "%.200s is missing", path);
        code =
            error_say(err, "The records of this station are missing. If it was just joining, run "
                           "join --grant again; else `bibweave recover` gets them back from the "
                           "other tables.");
    }
    if (code == ERR_FOREIGN) {
        error_say(err, "The records in this folder are of another event than its keys. Look for "
                       "the right folder.");
    }
    if (code == ERR_OK) {
        station->event = ledger_event(station->ledger);
    }
    return code;
}

/* Whether whoever wrote last did not close the ledger. */
static bool stopped_uncleanly(const char *ledger_path) {
    char wal[FILES_PATH_MAX + 8];
    struct stat st;
    snprintf(wal, sizeof(wal), "%s-wal", ledger_path);
    return stat(wal, &st) == 0 && st.st_size > 0;
}

/* Everything made again and compared. Where memory does not suffice for that, the records at least
 * have been looked at. */
static enum error_code look_over(struct station *station, struct error *err) {
    enum error_code code = pairs_verify(station->ledger, false, err);
    return code == ERR_MEMORY ? ERR_OK : code;
}

/* A clean copy that lacks the last records was restored, and goes on in a new log. After an unclean
 * stop they may only be unreadable, and going on would write over them. */
static enum error_code check_last(const struct station *station, bool unclean, struct error *err) {
    const struct last_row *newest = last_newest(&station->last);
    return unclean && is_behind(station)
               ? error_set(err, ERR_DAMAGED, "record %llu was written and is gone",
                           (unsigned long long)newest->number)
               : ERR_OK;
}

/* Nothing is written before all that can be checked was checked. */
static enum error_code open_records(struct station *station, const char *path, bool has_key,
                                    bool checked, struct error *err) {
    bool unclean = stopped_uncleanly(path);
    enum error_code code = open_ledger(station, path, has_key, err);
    if (code == ERR_OK && (unclean || checked)) {
        code = look_over(station, err);
    }
    if (code == ERR_OK && has_key) {
        last_open(&station->last, station->dir, &station->keys.sign_public);
        code = check_last(station, unclean, err);
    }
    if (code != ERR_OK && station->ledger != NULL) {
        ledger_leave(station->ledger);
    }
    return code;
}

/* ---- the second copy of what all else hangs on ---- */

enum { EVENT_RECORDS_MAX = 4096 };

static bool keep_record(void *context, struct slice raw) {
    struct buffer *records = context;
    buffer_append_slice(records, raw);
    return !records->failed;
}

/* The event's first records and the admits lie on one page of the ledger or two, and without them
 * no other record can be believed. So what is held at the first start is also kept beside it. */
static void keep_event(const struct station *station) {
    char path[FILES_PATH_MAX];
    struct buffer records;
    struct error unused;
    uint64_t count = ledger_count(station->ledger);
    if (count == 0 || count > EVENT_RECORDS_MAX ||
        files_inside(station->dir, "event.carry", path, &unused) != ERR_OK || files_exists(path)) {
        return;
    }
    buffer_init(&records);
    if (ledger_each(station->ledger, keep_record, &records, &unused) == ERR_OK && !records.failed &&
        files_write(path, 0600, FILES_NEW, buffer_slice(&records), &unused) != ERR_OK) {
        unlink(path); /* the next start tries again */
    }
    buffer_release(&records);
}

static enum error_code open_station(const char *dir, bool checked, struct station *station,
                                    struct error *err) {
    char path[FILES_PATH_MAX];
    bool has_key = false;
    enum error_code code = begin(dir, station, err);
    if (code == ERR_OK) {
        code = station_lock(dir, &station->lock, err);
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
        code = open_records(station, path, has_key, checked, err);
    }
    if (code == ERR_OK && has_key) {
        read_name(station);
        keep_event(station);
        code = wake_up(station, err);
    }
    if (code != ERR_OK) {
        station_close(station);
    }
    return code;
}

enum error_code station_open(const char *dir, struct station *station, struct error *err) {
    return open_station(dir, false, station, err);
}

enum error_code station_open_checked(const char *dir, struct station *station, struct error *err) {
    return open_station(dir, true, station, err);
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
    last_close(&station->last);
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
    struct station_act act = {kind, body};
    return station_append_all(station, &act, 1, id, err);
}

enum error_code station_append_all(struct station *station, const struct station_act *acts,
                                   size_t count, struct record_id *last, struct error *err) {
    return station_append_kept(station, acts, count, NULL, NULL, last, err);
}

/* Everything of one transaction but its begin and its end. */
static enum error_code write_all(struct station *station, bool opens,
                                 const struct station_act *acts, size_t count,
                                 const struct slice *kept, struct record_id *last,
                                 struct error *err) {
    enum error_code code = ERR_OK;
    if (opens) {
        char helper[sizeof(station->author.helper)];
        memcpy(helper, station->author.helper, sizeof(helper)); /* a new author has none */
        code = open_log(station->ledger, &station->keys, &station->author, err);
        memcpy(station->author.helper, helper, sizeof(helper));
    }
    for (size_t i = 0; code == ERR_OK && i < count; i++) {
        code = pairs_append(station->ledger, &station->author, acts[i].kind, acts[i].body,
                            station_wall(), station_now(), last, err);
    }
    if (code == ERR_OK && kept != NULL) {
        code = ledger_kept_save(station->ledger, *kept, err);
    }
    return code;
}

enum error_code station_append_kept(struct station *station, const struct station_act *acts,
                                    size_t count, const struct slice *kept, const char *helper,
                                    struct record_id *last, struct error *err) {
    struct pairs_author before = station->author;
    bool opens = station->must_open && count > 0;
    if (station->author.number == 0 && !station->must_open) {
        return error_set(err, ERR_NOT_ALLOWED, "a folder without a station's keys");
    }
    enum error_code code = pairs_begin(station->ledger, err);
    if (code != ERR_OK) {
        return code;
    }
    if (helper != NULL) {
        snprintf(station->author.helper, sizeof(station->author.helper), "%s", helper);
    }
    code = write_all(station, opens, acts, count, kept, last, err);
    if (code == ERR_OK) {
        code = pairs_commit(station->ledger, err);
    } else {
        pairs_rollback(station->ledger);
    }
    if (code != ERR_OK) {
        station->author = before;
        return code;
    }
    memcpy(station->author.helper, before.helper, sizeof(before.helper));
    if (count == 0) {
        return ERR_OK;
    }
    station->appended++;
    if (opens) {
        station->must_open = false;
        station->new_incarnation = true;
        remember(station);
    } else {
        last_note(&station->last, &station->author.log, station->author.number,
                  &station->author.head);
    }
    return ERR_OK;
}

static enum error_code no_root(const struct station *station, struct error *err) {
    if (station->has_root) {
        return error_set(err, ERR_SEALED, "root.key is sealed");
    }
    error_set(err, ERR_NOT_ALLOWED, "no root.key in this folder");
    return error_say(err, "Only with the event's key can that be done. It is on the station that "
                          "made the event; with its recovery file, any lead's station can have "
                          "it: bibweave event restore-root --from FILE.");
}

enum error_code station_root_open(struct station *station, const uint8_t *seed, struct error *err) {
    if (!station->root_open && station->has_root && seed != NULL) {
        station->root_open = rootkey_keys(&station->event, seed, &station->root);
        if (!station->root_open) {
            return error_set(err, ERR_FOREIGN, "not the key of this event's root");
        }
    }
    return station->root_open ? ERR_OK : no_root(station, err);
}

void station_root_close(struct station *station) {
    if (station->root_sealed) {
        sodium_memzero(&station->root, sizeof(station->root));
        station->root_open = false;
    }
}

enum error_code station_append_root(struct station *station, enum record_kind kind,
                                    struct slice body, struct record_id *id, struct error *err) {
    struct pairs_author root;
    if (!station->root_open) {
        return no_root(station, err);
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
