/*
 * wake.c: see wake.h.
 * Must never make a doubt go away: what cannot be read counts as different.
 */
#include "node/wake.h"

#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <unistd.h>

#include "common/canon.h"
#include "node/files.h"

enum { FORMAT_VERSION = 1, WAKE_SIZE_MAX = 1024 };

/* The first line of a small file of the system. Not through files.c: /etc/machine-id may be a
 * link, and files of /proc say that they are empty. */
static void read_line(const char *path, char *out, size_t size) {
    out[0] = '\0';
    FILE *file = fopen(path, "re");
    if (file == NULL) {
        return;
    }
    if (fgets(out, (int)size, file) == NULL) {
        out[0] = '\0';
    }
    out[strcspn(out, "\n")] = '\0';
    if (!utf8_valid(slice_text(out))) {
        out[0] = '\0';
    }
    fclose(file);
}

static bool look_at(const char *dir, const char *name, struct wake_file *out) {
    char path[FILES_PATH_MAX];
    struct error unused;
    struct statx st;
    if (files_inside(dir, name, path, &unused) != ERR_OK ||
        statx(AT_FDCWD, path, AT_SYMLINK_NOFOLLOW, STATX_BASIC_STATS | STATX_BTIME, &st) != 0) {
        return false;
    }
    out->device = makedev(st.stx_dev_major, st.stx_dev_minor);
    out->inode = st.stx_ino;
    out->birth_ns = (st.stx_mask & STATX_BTIME) == 0
                        ? 0
                        : (uint64_t)st.stx_btime.tv_sec * 1000000000U + st.stx_btime.tv_nsec;
    return true;
}

bool wake_here(const char *dir, struct wake *wake) {
    memset(wake, 0, sizeof(*wake));
    read_line("/proc/sys/kernel/random/boot_id", wake->boot, sizeof(wake->boot));
    read_line("/etc/machine-id", wake->machine, sizeof(wake->machine));
    return look_at(dir, "station.key", &wake->key) && look_at(dir, "ledger.db", &wake->ledger) &&
           wake->boot[0] != '\0';
}

/* [version, boot, machine, [device, inode, birth], [device, inode, birth], log, number] */
static bool get_file(struct canon_reader *reader, struct wake_file *file) {
    size_t count = 0;
    return canon_get_array(reader, &count) && count == 3 && canon_get_uint(reader, &file->device) &&
           canon_get_uint(reader, &file->inode) && canon_get_uint(reader, &file->birth_ns);
}

static bool get_line(struct canon_reader *reader, char *out, size_t size) {
    struct slice text;
    if (!canon_get_text(reader, &text) || text.size >= size) {
        return false;
    }
    memcpy(out, text.data, text.size);
    out[text.size] = '\0';
    return true;
}

static bool parse(struct slice bytes, struct wake *wake) {
    struct canon_reader reader = canon_read(bytes);
    size_t count = 0;
    uint64_t version = 0;
    return canon_get_array(&reader, &count) && count == 7 && canon_get_uint(&reader, &version) &&
           version == FORMAT_VERSION && get_line(&reader, wake->boot, sizeof(wake->boot)) &&
           get_line(&reader, wake->machine, sizeof(wake->machine)) &&
           get_file(&reader, &wake->key) && get_file(&reader, &wake->ledger) &&
           canon_get_exact(&reader, wake->log.bytes, sizeof(wake->log.bytes)) &&
           canon_get_uint(&reader, &wake->number) && canon_done(&reader);
}

bool wake_read(const char *dir, struct wake *wake) {
    char path[FILES_PATH_MAX];
    struct error unused;
    struct buffer bytes;
    buffer_init(&bytes);
    memset(wake, 0, sizeof(*wake));
    bool read = files_inside(dir, "wake", path, &unused) == ERR_OK &&
                files_read(path, WAKE_SIZE_MAX, &bytes, &unused) == ERR_OK &&
                parse(buffer_slice(&bytes), wake);
    buffer_release(&bytes);
    return read;
}

static void put_file(struct buffer *out, const struct wake_file *file) {
    canon_put_array(out, 3);
    canon_put_uint(out, file->device);
    canon_put_uint(out, file->inode);
    canon_put_uint(out, file->birth_ns);
}

/* Written beside and renamed, so that it is never half there; not synced, see the header. */
static void put_in_place(const char *dir, struct slice bytes) {
    char path[FILES_PATH_MAX];
    char temp[FILES_PATH_MAX];
    struct error unused;
    if (files_inside(dir, "wake", path, &unused) != ERR_OK ||
        files_inside(dir, "wake.tmp", temp, &unused) != ERR_OK) {
        return;
    }
    unlink(temp);
    int fd = open(temp, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, S_IRUSR | S_IWUSR);
    if (fd < 0) {
        return;
    }
    bool whole = write(fd, bytes.data, bytes.size) == (ssize_t)bytes.size;
    whole = close(fd) == 0 && whole;
    if (!whole || rename(temp, path) != 0) {
        unlink(temp);
    }
}

void wake_write(const char *dir, const struct wake *wake) {
    struct buffer bytes;
    buffer_init(&bytes);
    canon_put_array(&bytes, 7);
    canon_put_uint(&bytes, FORMAT_VERSION);
    canon_put_text(&bytes, slice_text(wake->boot));
    canon_put_text(&bytes, slice_text(wake->machine));
    put_file(&bytes, &wake->key);
    put_file(&bytes, &wake->ledger);
    canon_put_bytes(&bytes, slice_of(wake->log.bytes, sizeof(wake->log.bytes)));
    canon_put_uint(&bytes, wake->number);
    if (!bytes.failed) {
        put_in_place(dir, buffer_slice(&bytes));
    }
    buffer_release(&bytes);
}

static bool same_file(const struct wake_file *a, const struct wake_file *b) {
    return a->device == b->device && a->inode == b->inode && a->birth_ns == b->birth_ns;
}

const char *wake_differs(const struct wake *was, const struct wake *is) {
    if (strcmp(was->machine, is->machine) != 0) {
        return "the folder is on another machine";
    }
    if (!same_file(&was->key, &is->key) || !same_file(&was->ledger, &is->ledger)) {
        return "the folder was copied, moved or restored";
    }
    if (strcmp(was->boot, is->boot) != 0) {
        return "the machine was started anew";
    }
    return NULL;
}
