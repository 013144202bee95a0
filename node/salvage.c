/*
 * salvage.c: see salvage.h.
 * Must never write to the damaged files, nor let SQLite open them: it gets a copy.
 */
#include "node/salvage.h"

#include <errno.h>
#include <fcntl.h>
#include <sqlite3.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "node/files.h"

enum {
    SIZE_MAX_BYTES = 1 << 30,
    CHUNK_SIZE = 1 << 20,
    SECTOR_SIZE = 4096,
    BYTES_PER_ROW_MIN = 64,
    STEPS_BY_ONE = 256, /* over this many unreadable rows in a row, then in strides */
    STRIDE = 16,        /* about a page of rows */
};

void salvage_init(struct salvage *salvage) {
    *salvage = (struct salvage){0};
    buffer_init(&salvage->rows);
    buffer_init(&salvage->bytes);
}

void salvage_release(struct salvage *salvage) {
    buffer_release(&salvage->rows);
    buffer_release(&salvage->bytes);
    free(salvage->hint);
    salvage->hint = NULL;
}

/* ---- bytes ---- */

static ssize_t read_at(int fd, uint8_t *into, size_t size, off_t at) {
    ssize_t got;
    do {
        got = pread(fd, into, size, at);
    } while (got < 0 && errno == EINTR);
    return got;
}

/* Reads a stretch, and piece by piece where the disk fails; what it does not give stays zero. */
static size_t read_stretch(int fd, uint8_t *into, size_t size, off_t at, uint64_t *unreadable) {
    ssize_t got = read_at(fd, into, size, at);
    if (got >= 0) {
        return (size_t)got;
    }
    memset(into, 0, size);
    for (size_t done = 0; done < size; done += SECTOR_SIZE) {
        size_t piece = size - done < SECTOR_SIZE ? size - done : SECTOR_SIZE;
        if (read_at(fd, into + done, piece, at + (off_t)done) < 0) {
            memset(into + done, 0, piece);
            (*unreadable)++;
        }
    }
    return size;
}

static enum error_code read_all(int fd, size_t size, struct salvage *salvage, struct error *err) {
    uint8_t *chunk = malloc(CHUNK_SIZE);
    enum error_code code = ERR_OK;
    if (chunk == NULL || !buffer_reserve(&salvage->bytes, size)) {
        code = error_set(err, ERR_MEMORY, "%zu bytes of a damaged ledger", size);
    }
    for (size_t at = 0; code == ERR_OK && at < size;) {
        size_t wanted = size - at < CHUNK_SIZE ? size - at : CHUNK_SIZE;
        size_t got = read_stretch(fd, chunk, wanted, (off_t)at, &salvage->unreadable);
        buffer_append(&salvage->bytes, chunk, got);
        at = got == 0 ? size : at + got;
    }
    free(chunk);
    return code;
}

/* Appends a file; *found says whether there is one. */
static enum error_code read_file(const char *path, struct salvage *salvage, bool *found,
                                 struct error *err) {
    struct stat st;
    int fd = open(path, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    *found = fd >= 0;
    if (fd < 0) {
        return errno == ENOENT ? ERR_OK : files_error(err, errno, "opening", path);
    }
    enum error_code code = ERR_OK;
    if (fstat(fd, &st) != 0) {
        code = files_error(err, errno, "looking at", path);
    } else if (!S_ISREG(st.st_mode)) {
        code = error_set(err, ERR_NOT_OURS, "%.200s is no ordinary file", path);
    } else if (st.st_size > SIZE_MAX_BYTES) {
        code = error_set(err, ERR_LIMIT, "%.200s has over %d bytes", path, SIZE_MAX_BYTES);
    } else {
        code = read_all(fd, (size_t)st.st_size, salvage, err);
    }
    close(fd);
    return code;
}

/* ---- the copy ---- */

/* Not synced: it is gone in a moment. */
static bool write_copy(const char *path, struct slice bytes) {
    int fd = open(path, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, S_IRUSR | S_IWUSR);
    size_t done = 0;
    while (fd >= 0 && done < bytes.size) {
        ssize_t got = write(fd, bytes.data + done, bytes.size - done);
        if (got <= 0 && !(got < 0 && errno == EINTR)) {
            break;
        }
        done += got > 0 ? (size_t)got : 0;
    }
    return fd >= 0 && close(fd) == 0 && done == bytes.size;
}

static sqlite3 *open_copy(const char *path) {
    sqlite3 *db = NULL;
    int flags = SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX | SQLITE_OPEN_NOFOLLOW;
    if (sqlite3_open_v2(path, &db, flags, NULL) == SQLITE_OK) {
        sqlite3_db_config(db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
        sqlite3_db_config(db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
        sqlite3_db_config(db, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, NULL);
        if (sqlite3_exec(db, "PRAGMA locking_mode=EXCLUSIVE; PRAGMA cell_size_check=ON;", NULL,
                         NULL, NULL) == SQLITE_OK) {
            return db;
        }
    }
    sqlite3_close(db);
    return NULL;
}

/* ---- rows ---- */

/* Every row that can be reached, whatever lies between: after an error the next number is tried. */
static void read_records(sqlite3 *db, int64_t rid_max, struct buffer *rows) {
    sqlite3_stmt *statement = NULL;
    int64_t rid = 0;
    int failures = 0;
    int rc = sqlite3_prepare_v2(db, "SELECT rid, raw FROM record WHERE rid >= ?1 ORDER BY rid", -1,
                                &statement, NULL);
    while (rc == SQLITE_OK && rid <= rid_max && !rows->failed) {
        sqlite3_reset(statement);
        sqlite3_bind_int64(statement, 1, rid);
        int step;
        while ((step = sqlite3_step(statement)) == SQLITE_ROW) {
            const void *raw = sqlite3_column_blob(statement, 1);
            size_t size = (size_t)sqlite3_column_bytes(statement, 1);
            rid = sqlite3_column_int64(statement, 0);
            failures = 0;
            if (raw != NULL) {
                buffer_append(rows, raw, size);
            }
        }
        if (step == SQLITE_DONE || rid == INT64_MAX) {
            break;
        }
        rid += ++failures < STEPS_BY_ONE ? 1 : STRIDE;
    }
    sqlite3_finalize(statement);
}

static bool add_hint(struct salvage *salvage, const struct salvage_hint *hint) {
    if (salvage->hint_count == salvage->hint_room) {
        size_t room = salvage->hint_room == 0 ? 256 : 2 * salvage->hint_room;
        struct salvage_hint *grown = realloc(salvage->hint, room * sizeof(*grown));
        if (grown == NULL) {
            return false;
        }
        salvage->hint = grown;
        salvage->hint_room = room;
    }
    salvage->hint[salvage->hint_count++] = *hint;
    return true;
}

static bool read_hint(sqlite3_stmt *row, struct salvage_hint *hint) {
    const void *log = sqlite3_column_blob(row, 0);
    const char *bib = (const char *)sqlite3_column_text(row, 2);
    struct error unused;
    *hint = (struct salvage_hint){.number = (uint64_t)sqlite3_column_int64(row, 1)};
    if (log == NULL || sqlite3_column_bytes(row, 0) != (int)sizeof(hint->log.bytes)) {
        return false;
    }
    memcpy(hint->log.bytes, log, sizeof(hint->log.bytes));
    if (bib != NULL && bib_parse(slice_text(bib), true, &hint->bib, &unused) != ERR_OK) {
        hint->bib = (struct bib){0};
    }
    return true;
}

/* By the index of record, which may be whole where its table is not. */
static void read_hints(sqlite3 *db, const struct sign_public *key, struct salvage *salvage) {
    static const char sql[] =
        "SELECT c.log, r.number, i.bib FROM chain c JOIN record r ON r.chain = c.chain"
        " LEFT JOIN issue i ON i.rid = r.rid WHERE c.key = ?1 ORDER BY c.chain, r.number";
    sqlite3_stmt *statement = NULL;
    struct salvage_hint hint;
    if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) == SQLITE_OK) {
        sqlite3_bind_blob(statement, 1, key->bytes, (int)sizeof(key->bytes), SQLITE_STATIC);
        while (sqlite3_step(statement) == SQLITE_ROW) {
            if (read_hint(statement, &hint) && !add_hint(salvage, &hint)) {
                break;
            }
        }
    }
    sqlite3_finalize(statement);
}

static void read_rows(const char *path, size_t size, const struct sign_public *key,
                      struct salvage *salvage) {
    sqlite3 *db = open_copy(path);
    if (db != NULL) {
        read_records(db, (int64_t)(size / BYTES_PER_ROW_MIN), &salvage->rows);
        read_hints(db, key, salvage);
    }
    sqlite3_close(db);
}

/* ---- a folder ---- */

static struct slice part(const struct buffer *bytes, size_t start, size_t end) {
    return start == end ? slice_of(NULL, 0) : slice_of(bytes->data + start, end - start);
}

enum error_code salvage_add(struct salvage *salvage, const char *folder, const char *room,
                            const struct sign_public *key, struct error *err) {
    char path[FILES_PATH_MAX], wal[FILES_PATH_MAX];
    bool has_ledger = false, has_wal = false;
    size_t start = salvage->bytes.size;
    enum error_code code = files_inside(folder, "ledger.db", path, err);
    if (code == ERR_OK) {
        code = files_inside(folder, "ledger.db-wal", wal, err);
    }
    if (code == ERR_OK) {
        code = read_file(path, salvage, &has_ledger, err);
    }
    size_t middle = salvage->bytes.size;
    if (code == ERR_OK) {
        code = read_file(wal, salvage, &has_wal, err);
    }
    size_t end = salvage->bytes.size;
    salvage->files += has_ledger || has_wal ? 1 : 0;
    if (code == ERR_OK) {
        code = files_inside(room, "copy.db", path, err);
    }
    if (code == ERR_OK) {
        code = files_inside(room, "copy.db-wal", wal, err);
    }
    if (code == ERR_OK && has_ledger) {
        if (write_copy(path, part(&salvage->bytes, start, middle)) &&
            write_copy(wal, part(&salvage->bytes, middle, end))) {
            read_rows(path, end - start, key, salvage);
        }
        unlink(path);
        unlink(wal);
    }
    return code == ERR_OK && (salvage->bytes.failed || salvage->rows.failed)
               ? error_set(err, ERR_MEMORY, "records of a damaged ledger")
               : code;
}
