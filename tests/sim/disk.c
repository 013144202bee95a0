/* disk.c: see disk.h. */
#include "tests/sim/disk.h"

#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { PATH_SIZE = 128, STATION_SIZE = 48 };

/* A station's part of the disk. */
struct part {
    char name[STATION_SIZE];
    enum disk_trouble trouble;
    uint64_t trouble_after;
    bool struck;
    bool kill_planned;
    uint64_t kill_after;
    uint64_t life; /* files opened in an earlier life are dead */
    bool dead;     /* killed, and nothing opened since */
    struct part *next;
};

struct stored_file {
    char path[PATH_SIZE];
    struct part *part;
    uint8_t *live; /* what a reader sees */
    size_t size, capacity;
    uint8_t *durable; /* what a power cut cannot take */
    size_t durable_size;
    bool *unsynced; /* by sector of live */
    size_t sectors;
    int lock; /* highest lock held by the one handle that holds one */
    void *locker;
    size_t open_count;
    bool deleted;
    struct stored_file *next;
};

/* What SQLite holds. */
struct open_file {
    sqlite3_file base;
    struct disk *disk;
    struct stored_file *file;
    uint64_t life;
    bool delete_on_close;
};

struct disk {
    sqlite3_vfs vfs;
    char name[32];
    struct dice dice;
    struct part *part;
    struct stored_file *file;
    struct disk_counts counts;
};

/* ---- parts ---- */

static struct part *part_of(struct disk *disk, const char *station, size_t length) {
    for (struct part *part = disk->part; part != NULL; part = part->next) {
        if (strlen(part->name) == length && memcmp(part->name, station, length) == 0) {
            return part;
        }
    }
    struct part *part = calloc(1, sizeof(*part));
    if (part == NULL || length >= STATION_SIZE) {
        abort(); /* the test's own memory, or its own mistake */
    }
    memcpy(part->name, station, length);
    part->next = disk->part;
    disk->part = part;
    return part;
}

static struct part *named(const struct disk *disk, const char *station) {
    return part_of((struct disk *)(uintptr_t)disk, station, strlen(station));
}

/* ---- files ---- */

static struct stored_file *find_file(struct disk *disk, const char *path) {
    for (struct stored_file *file = disk->file; file != NULL; file = file->next) {
        if (!file->deleted && strcmp(file->path, path) == 0) {
            return file;
        }
    }
    return NULL;
}

static struct stored_file *make_file(struct disk *disk, const char *path) {
    struct stored_file *file = calloc(1, sizeof(*file));
    const char *slash = strchr(path, '/');
    if (file == NULL || strlen(path) >= PATH_SIZE) {
        return NULL;
    }
    snprintf(file->path, sizeof(file->path), "%s", path);
    file->part = part_of(disk, path, slash == NULL ? strlen(path) : (size_t)(slash - path));
    file->next = disk->file;
    disk->file = file;
    return file;
}

static void free_file(struct disk *disk, struct stored_file *file) {
    struct stored_file **link = &disk->file;
    while (*link != file) {
        link = &(*link)->next;
    }
    *link = file->next;
    free(file->live);
    free(file->durable);
    free(file->unsynced);
    free(file);
}

static void remove_file(struct disk *disk, struct stored_file *file) {
    file->deleted = true;
    if (file->open_count == 0) {
        free_file(disk, file);
    }
}

static bool reserve(struct stored_file *file, size_t size) {
    size_t sectors = (size + DISK_SECTOR - 1) / DISK_SECTOR;
    if (size > file->capacity) {
        size_t wanted = size * 2;
        uint8_t *live = realloc(file->live, wanted);
        if (live == NULL) {
            return false;
        }
        memset(live + file->capacity, 0, wanted - file->capacity);
        file->live = live;
        file->capacity = wanted;
    }
    if (sectors > file->sectors) {
        size_t wanted = sectors * 2;
        bool *unsynced = realloc(file->unsynced, wanted * sizeof(*unsynced));
        if (unsynced == NULL) {
            return false;
        }
        memset(unsynced + file->sectors, 0, (wanted - file->sectors) * sizeof(*unsynced));
        file->unsynced = unsynced;
        file->sectors = wanted;
    }
    return true;
}

static void mark(struct stored_file *file, size_t from, size_t to) {
    for (size_t i = from / DISK_SECTOR; i * DISK_SECTOR < to; i++) {
        file->unsynced[i] = true;
    }
}

static bool make_durable(struct stored_file *file) {
    if (file->size > file->durable_size) {
        uint8_t *durable = realloc(file->durable, file->size);
        if (durable == NULL) {
            return false;
        }
        memset(durable + file->durable_size, 0, file->size - file->durable_size);
        file->durable = durable;
    }
    file->durable_size = file->size;
    for (size_t i = 0; i * DISK_SECTOR < file->size; i++) {
        size_t at = i * DISK_SECTOR;
        size_t size = file->size - at < DISK_SECTOR ? file->size - at : DISK_SECTOR;
        if (file->unsynced[i]) {
            memcpy(file->durable + at, file->live + at, size);
            file->unsynced[i] = false;
        }
    }
    return true;
}

/* ---- death and trouble ---- */

void disk_kill(struct disk *disk, const char *station) {
    struct part *part = named(disk, station);
    part->life++;
    part->dead = true;
    part->kill_planned = false;
    for (struct stored_file *file = disk->file; file != NULL; file = file->next) {
        if (file->part == part) {
            file->lock = SQLITE_LOCK_NONE;
            file->locker = NULL;
        }
    }
}

bool disk_is_dead(const struct disk *disk, const char *station) {
    return named(disk, station)->dead;
}

void disk_kill_after(struct disk *disk, const char *station, uint64_t after) {
    struct part *part = named(disk, station);
    part->kill_planned = true;
    part->kill_after = after;
}

void disk_set_trouble(struct disk *disk, const char *station, enum disk_trouble trouble,
                      uint64_t after) {
    struct part *part = named(disk, station);
    part->trouble = trouble;
    part->trouble_after = after;
    part->struck = false;
}

bool disk_has_struck(const struct disk *disk, const char *station) {
    return named(disk, station)->struck;
}

/* The sectors that were not synced: each is as it was before, or as it was written. */
static void cut_file(struct disk *disk, struct stored_file *file) {
    bool lost = false;
    bool kept = false;
    size_t size = file->size;
    for (size_t i = 0; i * DISK_SECTOR < size; i++) {
        size_t at = i * DISK_SECTOR;
        size_t length = size - at < DISK_SECTOR ? size - at : DISK_SECTOR;
        if (!file->unsynced[i]) {
            continue;
        }
        file->unsynced[i] = false;
        if (dice_percent(&disk->dice, 50)) {
            kept = true;
            continue;
        }
        memset(file->live + at, 0, length);
        if (at < file->durable_size) {
            size_t there = file->durable_size - at < length ? file->durable_size - at : length;
            memcpy(file->live + at, file->durable + at, there);
        }
        lost = true;
        disk->counts.sectors_lost++;
    }
    /* The length of the file is as unsure as its contents. */
    if (lost && file->size > file->durable_size && dice_percent(&disk->dice, 50)) {
        size_t grown = file->size - file->durable_size;
        file->size = file->durable_size + (size_t)dice_below(&disk->dice, grown + 1);
    }
    disk->counts.torn += lost && kept;
    memset(file->live + file->size, 0, file->capacity - file->size);
    if (file->sectors > 0) {
        mark(file, 0, file->size);
        (void)make_durable(file);
        memset(file->unsynced, 0, file->sectors * sizeof(*file->unsynced));
    }
}

void disk_power_cut(struct disk *disk, const char *station) {
    const struct part *part = named(disk, station);
    disk->counts.cuts++;
    for (struct stored_file *file = disk->file; file != NULL; file = file->next) {
        if (file->part == part && !file->deleted) {
            cut_file(disk, file);
        }
    }
}

static bool comes_now(uint64_t *after) {
    if (*after > 0) {
        (*after)--;
        return false;
    }
    return true;
}

/* What stands against a write or sync: SQLITE_OK for nothing. */
static int stands_against(struct open_file *open, bool sync, bool grows) {
    struct part *part = open->file->part;
    if (open->life != part->life) {
        return SQLITE_IOERR;
    }
    if (part->kill_planned && comes_now(&part->kill_after)) {
        disk_kill(open->disk, part->name);
        return SQLITE_IOERR;
    }
    if (part->trouble == DISK_WELL || !comes_now(&part->trouble_after)) {
        return SQLITE_OK;
    }
    bool strikes = part->trouble == DISK_FULL         ? grows && !sync
                   : part->trouble == DISK_BAD_WRITES ? !sync
                                                      : sync;
    if (!strikes) {
        return SQLITE_OK;
    }
    part->struck = true;
    open->disk->counts.failed++;
    return part->trouble == DISK_FULL ? SQLITE_FULL
           : sync                     ? SQLITE_IOERR_FSYNC
                                      : SQLITE_IOERR_WRITE;
}

/* ---- what SQLite calls ---- */

static struct open_file *as_open(sqlite3_file *base) {
    return (struct open_file *)(void *)base;
}

static int file_close(sqlite3_file *base) {
    struct open_file *open = as_open(base);
    struct stored_file *file = open->file;
    if (file->locker == open) {
        file->locker = NULL;
        file->lock = SQLITE_LOCK_NONE;
    }
    file->open_count--;
    if (file->open_count == 0 && (file->deleted || open->delete_on_close)) {
        free_file(open->disk, file);
    }
    return SQLITE_OK;
}

static int file_read(sqlite3_file *base, void *out, int size, sqlite3_int64 offset) {
    const struct open_file *open = as_open(base);
    const struct stored_file *file = open->file;
    size_t at = (size_t)offset;
    size_t wanted = (size_t)size;
    if (open->life != file->part->life) {
        return SQLITE_IOERR_READ;
    }
    size_t there = at >= file->size ? 0 : file->size - at;
    there = there < wanted ? there : wanted;
    if (there > 0) {
        memcpy(out, file->live + at, there);
    }
    memset((uint8_t *)out + there, 0, wanted - there);
    return there == wanted ? SQLITE_OK : SQLITE_IOERR_SHORT_READ;
}

static int file_write(sqlite3_file *base, const void *data, int size, sqlite3_int64 offset) {
    struct open_file *open = as_open(base);
    struct stored_file *file = open->file;
    size_t at = (size_t)offset;
    size_t length = (size_t)size;
    size_t end = at + length;
    int rc = stands_against(open, false, end > file->size);
    open->disk->counts.writes++;
    if (rc != SQLITE_OK && file->part->dead && length > DISK_SECTOR) {
        length = DISK_SECTOR * (size_t)dice_below(&open->disk->dice, length / DISK_SECTOR + 1);
        end = at + length; /* death in the middle of a write */
    } else if (rc != SQLITE_OK) {
        return rc;
    }
    if (!reserve(file, end)) {
        return SQLITE_IOERR_NOMEM;
    }
    if (length > 0) {
        memcpy(file->live + at, data, length);
        mark(file, at, end);
    }
    file->size = end > file->size ? end : file->size;
    return rc;
}

static int file_truncate(sqlite3_file *base, sqlite3_int64 size) {
    struct open_file *open = as_open(base);
    struct stored_file *file = open->file;
    int rc = stands_against(open, false, false);
    if (rc != SQLITE_OK) {
        return rc;
    }
    if ((size_t)size < file->size) {
        memset(file->live + size, 0, file->size - (size_t)size);
        mark(file, (size_t)size, file->size);
        file->size = (size_t)size;
    }
    return SQLITE_OK;
}

static int file_sync(sqlite3_file *base, int flags) {
    struct open_file *open = as_open(base);
    int rc = stands_against(open, true, false);
    (void)flags;
    open->disk->counts.syncs++;
    if (rc == SQLITE_OK && open->file->sectors > 0 && !make_durable(open->file)) {
        rc = SQLITE_IOERR_NOMEM;
    }
    return rc;
}

static int file_size(sqlite3_file *base, sqlite3_int64 *size) {
    *size = (sqlite3_int64)as_open(base)->file->size;
    return SQLITE_OK;
}

static int file_lock(sqlite3_file *base, int level) {
    struct open_file *open = as_open(base);
    struct stored_file *file = open->file;
    if (open->life != file->part->life) {
        return SQLITE_IOERR_LOCK;
    }
    if (file->locker != NULL && file->locker != open) {
        return SQLITE_BUSY;
    }
    file->locker = open;
    file->lock = level > file->lock ? level : file->lock;
    return SQLITE_OK;
}

static int file_unlock(sqlite3_file *base, int level) {
    struct open_file *open = as_open(base);
    if (open->file->locker == open) {
        open->file->lock = level;
        open->file->locker = level == SQLITE_LOCK_NONE ? NULL : open;
    }
    return SQLITE_OK;
}

static int file_check_reserved(sqlite3_file *base, int *reserved) {
    *reserved = as_open(base)->file->lock >= SQLITE_LOCK_RESERVED;
    return SQLITE_OK;
}

static int file_control(sqlite3_file *base, int operation, void *argument) {
    (void)base;
    (void)operation;
    (void)argument;
    return SQLITE_NOTFOUND;
}

static int file_sector_size(sqlite3_file *base) {
    (void)base;
    return DISK_SECTOR;
}

static int file_characteristics(sqlite3_file *base) {
    (void)base;
    return 0; /* nothing is promised: not even that a sector is written whole */
}

static const sqlite3_io_methods methods = {
    .iVersion = 1, /* no shared memory: the ledger locks exclusively before it asks for a WAL */
    .xClose = file_close,
    .xRead = file_read,
    .xWrite = file_write,
    .xTruncate = file_truncate,
    .xSync = file_sync,
    .xFileSize = file_size,
    .xLock = file_lock,
    .xUnlock = file_unlock,
    .xCheckReservedLock = file_check_reserved,
    .xFileControl = file_control,
    .xSectorSize = file_sector_size,
    .xDeviceCharacteristics = file_characteristics,
};

static int vfs_open(sqlite3_vfs *vfs, const char *path, sqlite3_file *base, int flags,
                    int *out_flags) {
    struct disk *disk = vfs->pAppData;
    struct open_file *open = as_open(base);
    char temporary[PATH_SIZE];
    memset(open, 0, sizeof(*open));
    if (path == NULL) {
        snprintf(temporary, sizeof(temporary), "temporary/%llx",
                 (unsigned long long)dice_roll(&disk->dice));
        path = temporary;
    }
    struct stored_file *file = find_file(disk, path);
    if (file == NULL && (flags & SQLITE_OPEN_CREATE) == 0) {
        return SQLITE_CANTOPEN;
    }
    if (file == NULL) {
        file = make_file(disk, path);
    }
    if (file == NULL) {
        return SQLITE_NOMEM;
    }
    file->part->dead = false;
    file->open_count++;
    open->disk = disk;
    open->file = file;
    open->life = file->part->life;
    open->delete_on_close = (flags & SQLITE_OPEN_DELETEONCLOSE) != 0;
    open->base.pMethods = &methods;
    if (out_flags != NULL) {
        *out_flags = flags;
    }
    return SQLITE_OK;
}

static int vfs_delete(sqlite3_vfs *vfs, const char *path, int sync_folder) {
    struct disk *disk = vfs->pAppData;
    struct stored_file *file = find_file(disk, path);
    (void)sync_folder;
    if (file == NULL) {
        return SQLITE_IOERR_DELETE_NOENT;
    }
    if (file->part->dead) {
        return SQLITE_IOERR_DELETE;
    }
    remove_file(disk, file);
    return SQLITE_OK;
}

static int vfs_access(sqlite3_vfs *vfs, const char *path, int flags, int *out) {
    struct stored_file *file = find_file(vfs->pAppData, path);
    (void)flags;
    *out = file != NULL;
    return SQLITE_OK;
}

static int vfs_full_path(sqlite3_vfs *vfs, const char *path, int size, char *out) {
    (void)vfs;
    snprintf(out, (size_t)size, "%s", path);
    return SQLITE_OK;
}

static int vfs_randomness(sqlite3_vfs *vfs, int size, char *out) {
    struct disk *disk = vfs->pAppData;
    for (int i = 0; i < size; i++) {
        out[i] = (char)dice_roll(&disk->dice);
    }
    return size;
}

static int vfs_sleep(sqlite3_vfs *vfs, int microseconds) {
    (void)vfs;
    return microseconds;
}

static int vfs_time(sqlite3_vfs *vfs, double *day) {
    (void)vfs;
    *day = 2461000.5;
    return SQLITE_OK;
}

static int vfs_last_error(sqlite3_vfs *vfs, int size, char *out) {
    (void)vfs;
    (void)size;
    (void)out;
    return 0;
}

/* ---- the rest ---- */

struct disk *disk_new(const char *name, uint64_t seed) {
    struct disk *disk = calloc(1, sizeof(*disk));
    if (disk == NULL) {
        return NULL;
    }
    snprintf(disk->name, sizeof(disk->name), "%s", name);
    disk->dice.state = seed;
    disk->vfs = (sqlite3_vfs){
        .iVersion = 1,
        .szOsFile = (int)sizeof(struct open_file),
        .mxPathname = PATH_SIZE - 1,
        .zName = disk->name,
        .pAppData = disk,
        .xOpen = vfs_open,
        .xDelete = vfs_delete,
        .xAccess = vfs_access,
        .xFullPathname = vfs_full_path,
        .xRandomness = vfs_randomness,
        .xSleep = vfs_sleep,
        .xCurrentTime = vfs_time,
        .xGetLastError = vfs_last_error,
    };
    if (sqlite3_vfs_register(&disk->vfs, 0) != SQLITE_OK) {
        free(disk);
        return NULL;
    }
    return disk;
}

void disk_free(struct disk *disk) {
    if (disk == NULL) {
        return;
    }
    sqlite3_vfs_unregister(&disk->vfs);
    while (disk->file != NULL) {
        free_file(disk, disk->file);
    }
    while (disk->part != NULL) {
        struct part *next = disk->part->next;
        free(disk->part);
        disk->part = next;
    }
    free(disk);
}

bool disk_copy(struct disk *disk, const char *from, const char *to) {
    const struct part *part = named(disk, from);
    disk_erase(disk, to);
    for (struct stored_file *file = disk->file, *next = NULL; file != NULL; file = next) {
        char path[PATH_SIZE];
        next = file->next;
        if (file->part != part || file->deleted) {
            continue;
        }
        if (snprintf(path, sizeof(path), "%s%s", to, file->path + strlen(from)) >= PATH_SIZE) {
            return false;
        }
        struct stored_file *copy = make_file(disk, path);
        if (copy == NULL || !reserve(copy, file->size)) {
            return false;
        }
        if (file->size > 0) {
            memcpy(copy->live, file->live, file->size);
            copy->size = file->size;
            mark(copy, 0, copy->size);
            if (!make_durable(copy)) {
                return false;
            }
        }
    }
    return true;
}

void disk_erase(struct disk *disk, const char *station) {
    const struct part *part = named(disk, station);
    for (struct stored_file *file = disk->file, *next = NULL; file != NULL; file = next) {
        next = file->next;
        if (file->part == part && !file->deleted) {
            remove_file(disk, file);
        }
    }
}

struct disk_counts disk_counts(const struct disk *disk) {
    return disk->counts;
}
