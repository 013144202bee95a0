/*
 * files.c: see files.h.
 * Must never follow a link in the last place of a path, nor leave half a file under its name.
 */
#include "node/files.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { CHUNK = 65536 };

/* ---- names ---- */

enum error_code files_path(const char *cwd, const char *name, char *out, struct error *err) {
    if (name[0] == '\0') {
        error_set(err, ERR_USAGE, "an empty file name");
        return error_say(err, "A file or folder name is missing.");
    }
    if (name[0] != '/') {
        return files_inside(cwd, name, out, err);
    }
    if (strlen(name) >= FILES_PATH_MAX) {
        return error_set(err, ERR_USAGE, "a path of %zu bytes", strlen(name));
    }
    snprintf(out, FILES_PATH_MAX, "%s", name);
    return ERR_OK;
}

enum error_code files_inside(const char *folder, const char *name, char *out, struct error *err) {
    size_t length = strlen(folder);
    const char *slash = length > 0 && folder[length - 1] == '/' ? "" : "/";
    int written = snprintf(out, FILES_PATH_MAX, "%s%s%s", folder, slash, name);
    if (written < 0 || written >= FILES_PATH_MAX) {
        return error_set(err, ERR_USAGE, "a path of %zu bytes", length + strlen(name));
    }
    return ERR_OK;
}

/* Splits a path into folder[FILES_PATH_MAX] and name[FILES_NAME_MAX + 1]; trailing slashes go. */
static enum error_code split(const char *path, char *folder, char *name, struct error *err) {
    size_t length = strlen(path);
    while (length > 1 && path[length - 1] == '/') {
        length--;
    }
    const char *slash = length == 0 ? NULL : memrchr(path, '/', length);
    const char *base = slash == NULL ? path : slash + 1;
    size_t base_length = length - (size_t)(base - path);
    size_t folder_length = slash == NULL ? 0 : slash == path ? 1 : (size_t)(slash - path);
    if (base_length == 0 || base_length > FILES_NAME_MAX || folder_length >= FILES_PATH_MAX) {
        return error_set(err, ERR_USAGE, "not a usable name: %.200s", path);
    }
    memcpy(name, base, base_length);
    name[base_length] = '\0';
    snprintf(folder, FILES_PATH_MAX, "%.*s", (int)folder_length, path);
    if (folder_length == 0) {
        snprintf(folder, FILES_PATH_MAX, ".");
    }
    return ERR_OK;
}

static enum error_code code_of(int number) {
    switch (number) {
    case ENOSPC:
    case EDQUOT:
    case EFBIG:
        return ERR_DISK_FULL;
    case EACCES:
    case EPERM:
    case EROFS:
        return ERR_PERMISSION;
    case ENOENT:
    case ENOTDIR:
    case ENAMETOOLONG:
    case EISDIR:
        return ERR_USAGE;
    case EEXIST:
    case ENOTEMPTY:
        return ERR_EXISTS;
    case ENOMEM:
        return ERR_MEMORY;
    default:
        return ERR_DISK;
    }
}

enum error_code files_error(struct error *err, int number, const char *doing, const char *path) {
    error_set(err, code_of(number), "%s %.200s: %s", doing, path, strerror(number));
    if (err->code == ERR_USAGE) {
        error_say(err, "There is no such file or folder: %.200s. Check its name.", path);
    } else if (err->code == ERR_PERMISSION) {
        error_say(err,
                  "The system does not allow it: %.200s. Check who owns it, and that it is "
                  "not write-protected.",
                  path);
    }
    return err->code;
}

bool files_exists(const char *path) {
    struct stat st;
    return lstat(path, &st) == 0;
}

static enum error_code not_regular(struct error *err, enum error_code code, const char *path) {
    error_set(err, code, "%.200s is a link, a device or a folder", path);
    return error_say(err, "The file %.200s is not an ordinary one. Give the name of one that is.",
                     path);
}

/* ---- reading ---- */

/* O_NONBLOCK, or opening a pipe that nobody writes to would wait for ever. */
static enum error_code open_regular(const char *path, int *fd, struct stat *st, struct error *err) {
    *fd = open(path, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (*fd < 0) {
        return errno == ELOOP || errno == ENXIO ? not_regular(err, ERR_FORM, path)
                                                : files_error(err, errno, "opening", path);
    }
    enum error_code code = ERR_OK;
    if (fstat(*fd, st) != 0) {
        code = files_error(err, errno, "looking at", path);
    } else if (!S_ISREG(st->st_mode)) {
        code = not_regular(err, ERR_FORM, path);
    }
    if (code != ERR_OK) {
        close(*fd);
        *fd = -1;
    }
    return code;
}

static enum error_code too_large(struct error *err, const char *path, uint64_t size_max) {
    error_set(err, ERR_LIMIT, "The file %.200s is larger than %llu bytes", path,
              (unsigned long long)size_max);
    return error_say(
        err,
        "The file %.200s is larger than such a file can be. Check that it is the right "
        "one.",
        path);
}

enum error_code files_reader_open(const char *path, uint64_t size_max, struct files_reader *reader,
                                  struct error *err) {
    struct stat st = {0};
    snprintf(reader->path, sizeof(reader->path), "%s", path);
    enum error_code code = open_regular(path, &reader->fd, &st, err);
    if (code != ERR_OK) {
        return code;
    }
    reader->size = (uint64_t)st.st_size;
    if (reader->size > size_max) {
        files_reader_close(reader);
        return too_large(err, path, size_max);
    }
    return ERR_OK;
}

enum error_code files_reader_some(struct files_reader *reader, size_t bytes_max, struct buffer *out,
                                  bool *done, struct error *err) {
    *done = false;
    for (size_t left = bytes_max; left > 0;) {
        size_t piece = left < CHUNK ? left : CHUNK;
        if (!buffer_reserve(out, piece)) {
            return error_set(err, ERR_MEMORY, "reading %.200s", reader->path);
        }
        ssize_t got = read(reader->fd, out->data + out->size, piece);
        if (got < 0 && errno == EINTR) {
            continue;
        }
        if (got < 0) {
            return files_error(err, errno, "reading", reader->path);
        }
        out->size += (size_t)got;
        left -= (size_t)got;
        if (got == 0) {
            *done = true;
            return ERR_OK;
        }
    }
    return ERR_OK;
}

void files_reader_close(struct files_reader *reader) {
    if (reader->fd >= 0) {
        close(reader->fd);
    }
    reader->fd = -1;
}

/* The file may grow while it is read, so the bound is watched here too. */
static enum error_code read_all(struct files_reader *reader, size_t size_max, struct buffer *out,
                                struct error *err) {
    size_t before = out->size;
    bool done = false;
    enum error_code code = ERR_OK;
    while (code == ERR_OK && !done) {
        code = files_reader_some(reader, CHUNK, out, &done, err);
        if (code == ERR_OK && out->size - before > size_max) {
            code = too_large(err, reader->path, size_max);
        }
    }
    return code;
}

enum error_code files_read(const char *path, size_t size_max, struct buffer *out,
                           struct error *err) {
    struct files_reader reader;
    enum error_code code = files_reader_open(path, size_max, &reader, err);
    if (code == ERR_OK) {
        code = read_all(&reader, size_max, out, err);
        files_reader_close(&reader);
    }
    return code;
}

/* Ours, and closed to everybody else. */
static enum error_code check_private(const struct stat *st, const char *path, struct error *err) {
    if (st->st_uid != geteuid()) {
        error_set(err, ERR_NOT_OURS, "%.200s belongs to user %lu", path, (unsigned long)st->st_uid);
        return error_say(err,
                         "What is in %.200s belongs to another user of this machine. Use your own "
                         "folder.",
                         path);
    }
    if ((st->st_mode & (S_IRWXG | S_IRWXO)) != 0) {
        error_set(err, ERR_PERMISSION, "%.200s has mode %04o", path,
                  (unsigned)(st->st_mode & 07777));
        return error_say(
            err,
            "What is in %.200s is open to other users of this machine. Close it to them "
            "(chmod go-rwx), then start again.",
            path);
    }
    return ERR_OK;
}

enum error_code files_private_check(const char *path, struct error *err) {
    struct stat st;
    if (lstat(path, &st) != 0) {
        return errno == ENOENT ? ERR_OK : files_error(err, errno, "looking at", path);
    }
    return S_ISREG(st.st_mode) ? check_private(&st, path, err)
                               : not_regular(err, ERR_NOT_OURS, path);
}

enum error_code files_read_secret(const char *path, size_t size_max, struct buffer *out,
                                  struct error *err) {
    struct files_reader reader;
    struct stat st;
    enum error_code code = files_reader_open(path, size_max, &reader, err);
    if (code != ERR_OK) {
        return code;
    }
    if (fstat(reader.fd, &st) != 0) {
        code = files_error(err, errno, "looking at", path);
    } else {
        code = check_private(&st, path, err);
    }
    if (code == ERR_OK) {
        code = read_all(&reader, size_max, out, err);
    }
    files_reader_close(&reader);
    return code;
}

/* ---- writing ---- */

static enum error_code exists_error(struct error *err, const char *path) {
    error_set(err, ERR_EXISTS, "%.200s", path);
    return error_say(
        err, "The file %.200s is there already, and it is not overwritten. Give another name.",
        path);
}

/* Whether what has the name now may be written over. */
static enum error_code check_over(const struct files_writer *writer, struct error *err) {
    struct stat st;
    if (fstatat(writer->folder, writer->name, &st, AT_SYMLINK_NOFOLLOW) != 0) {
        return errno == ENOENT ? ERR_OK : files_error(err, errno, "looking at", writer->path);
    }
    if (!S_ISREG(st.st_mode)) {
        return not_regular(err, ERR_EXISTS, writer->path);
    }
    return writer->over == FILES_REPLACE ? ERR_OK : exists_error(err, writer->path);
}

enum error_code files_writer_open(const char *path, mode_t mode, enum files_over over,
                                  struct files_writer *writer, struct error *err) {
    char folder[FILES_PATH_MAX];
    uint8_t nonce[8];
    char hex[2 * sizeof(nonce) + 1];
    *writer = (struct files_writer){.fd = -1, .folder = -1, .over = over};
    snprintf(writer->path, sizeof(writer->path), "%s", path);
    enum error_code code = split(path, folder, writer->name, err);
    if (code != ERR_OK) {
        return code;
    }
    writer->folder = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (writer->folder < 0) {
        return files_error(err, errno, "opening", folder);
    }
    code = check_over(writer, err);
    if (code == ERR_OK) {
        randombytes_buf(nonce, sizeof(nonce));
        hex_encode(nonce, sizeof(nonce), hex);
        snprintf(writer->temp, sizeof(writer->temp), ".bibweave-%s.tmp", hex);
        writer->fd = openat(writer->folder, writer->temp,
                            O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, mode);
        if (writer->fd < 0) {
            code = files_error(err, errno, "making a file beside", path);
        }
    }
    if (code != ERR_OK) {
        files_writer_abandon(writer);
    }
    crypto_generichash_init(&writer->state, NULL, 0, crypto_generichash_BYTES);
    return code;
}

enum error_code files_writer_put(struct files_writer *writer, struct slice bytes,
                                 struct error *err) {
    for (size_t done = 0; done < bytes.size;) {
        ssize_t put = write(writer->fd, bytes.data + done, bytes.size - done);
        if (put < 0 && errno == EINTR) {
            continue;
        }
        if (put < 0) {
            return files_error(err, errno, "writing", writer->path);
        }
        done += (size_t)put;
    }
    writer->size += bytes.size;
    if (bytes.size > 0) {
        crypto_generichash_update(&writer->state, bytes.data, bytes.size);
    }
    return ERR_OK;
}

/* Some file systems of sticks cannot sync a folder and say EINVAL: then there is nothing to do. */
static enum error_code sync_fd(int fd, const char *path, struct error *err) {
    if (fsync(fd) == 0 || errno == EINVAL || errno == EROFS) {
        return ERR_OK;
    }
    return files_error(err, errno, "syncing", path);
}

static enum error_code give_name(struct files_writer *writer, struct error *err) {
    unsigned flags = writer->over == FILES_NEW ? RENAME_NOREPLACE : 0;
    if (renameat2(writer->folder, writer->temp, writer->folder, writer->name, flags) == 0) {
        return ERR_OK;
    }
    if (errno == EEXIST) {
        return exists_error(err, writer->path);
    }
    if (errno != EINVAL && errno != ENOSYS) {
        return files_error(err, errno, "renaming to", writer->path);
    }
    /* A file system without that flag: look once more, then rename. */
    enum error_code code = check_over(writer, err);
    if (code == ERR_OK &&
        renameat(writer->folder, writer->temp, writer->folder, writer->name) != 0) {
        code = files_error(err, errno, "renaming to", writer->path);
    }
    return code;
}

static enum error_code compare_hash(int fd, struct files_writer *writer, struct error *err) {
    uint8_t wanted[crypto_generichash_BYTES];
    uint8_t got[crypto_generichash_BYTES];
    uint8_t piece[4096];
    crypto_generichash_state state;
    uint64_t size = 0;
    crypto_generichash_final(&writer->state, wanted, sizeof(wanted));
    crypto_generichash_init(&state, NULL, 0, sizeof(got));
    for (ssize_t count; (count = read(fd, piece, sizeof(piece))) != 0;) {
        if (count < 0 && errno == EINTR) {
            continue;
        }
        if (count < 0) {
            return files_error(err, errno, "reading back", writer->path);
        }
        crypto_generichash_update(&state, piece, (unsigned long long)count);
        size += (uint64_t)count;
    }
    crypto_generichash_final(&state, got, sizeof(got));
    if (size == writer->size && memcmp(wanted, got, sizeof(got)) == 0) {
        return ERR_OK;
    }
    error_set(err, ERR_DISK, "%.200s does not read back as it was written", writer->path);
    return error_say(err, "The file was not kept as it was written. Do not trust this stick or "
                          "disk; write to another one.");
}

/* Pages that were synced can be dropped, so that what is read comes from the device. */
static enum error_code read_back(struct files_writer *writer, struct error *err) {
    int fd = openat(writer->folder, writer->name, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0) {
        return files_error(err, errno, "opening again", writer->path);
    }
    posix_fadvise(fd, 0, 0, POSIX_FADV_DONTNEED);
    enum error_code code = compare_hash(fd, writer, err);
    close(fd);
    return code;
}

enum error_code files_writer_finish(struct files_writer *writer, struct error *err) {
    enum error_code code = ERR_OK;
    if (fsync(writer->fd) != 0) {
        code = files_error(err, errno, "syncing", writer->path);
    }
    if (close(writer->fd) != 0 && code == ERR_OK) {
        code = files_error(err, errno, "closing", writer->path);
    }
    writer->fd = -1;
    if (code == ERR_OK) {
        code = give_name(writer, err);
    }
    if (code == ERR_OK) {
        writer->temp[0] = '\0';
        code = sync_fd(writer->folder, writer->path, err);
    }
    if (code == ERR_OK) {
        code = read_back(writer, err);
    }
    files_writer_abandon(writer);
    return code;
}

void files_writer_abandon(struct files_writer *writer) {
    if (writer->fd >= 0) {
        close(writer->fd);
    }
    if (writer->folder >= 0) {
        if (writer->temp[0] != '\0') {
            unlinkat(writer->folder, writer->temp, 0);
        }
        close(writer->folder);
    }
    writer->temp[0] = '\0';
    writer->fd = -1;
    writer->folder = -1;
}

enum error_code files_write(const char *path, mode_t mode, enum files_over over, struct slice bytes,
                            struct error *err) {
    struct files_writer writer;
    enum error_code code = files_writer_open(path, mode, over, &writer, err);
    if (code != ERR_OK) {
        return code;
    }
    code = files_writer_put(&writer, bytes, err);
    if (code == ERR_OK) {
        return files_writer_finish(&writer, err);
    }
    files_writer_abandon(&writer);
    return code;
}

/* ---- folders ---- */

static enum error_code not_folder(struct error *err, enum error_code code, const char *path) {
    error_set(err, code, "%.200s is not a folder", path);
    return error_say(
        err, "There is no folder %.200s, but a file. Give the name of the station's data folder.",
        path);
}

enum error_code files_folder_check(const char *path, struct error *err) {
    struct stat st;
    if (stat(path, &st) != 0) {
        files_error(err, errno, "looking at", path);
        if (err->code == ERR_USAGE) {
            error_say(err,
                      "There is no folder %.200s. Check its name, or make a station there "
                      "with `event new` or `join`.",
                      path);
        }
        return err->code;
    }
    return S_ISDIR(st.st_mode) ? check_private(&st, path, err)
                               : not_folder(err, ERR_NOT_OURS, path);
}

static bool is_empty_folder(const char *path) {
    DIR *folder = opendir(path);
    if (folder == NULL) {
        return false;
    }
    size_t count = 0;
    for (const struct dirent *entry; (entry = readdir(folder)) != NULL;) {
        count += strcmp(entry->d_name, ".") != 0 && strcmp(entry->d_name, "..") != 0 ? 1 : 0;
    }
    closedir(folder);
    return count == 0;
}

enum error_code files_folder_free(const char *path, struct error *err) {
    struct stat st;
    if (lstat(path, &st) != 0) {
        return errno == ENOENT ? ERR_OK : files_error(err, errno, "looking at", path);
    }
    if (S_ISDIR(st.st_mode) && is_empty_folder(path)) {
        return ERR_OK;
    }
    error_set(err, ERR_EXISTS, "%.200s", path);
    return error_say(err,
                     "There is something in %.200s already, and it is not overwritten. Give "
                     "another folder.",
                     path);
}

/* Makes the folders above `path` that are missing. */
static enum error_code make_above(const char *path, struct error *err) {
    char part[FILES_PATH_MAX];
    snprintf(part, sizeof(part), "%s", path);
    for (char *slash = strchr(part + 1, '/'); slash != NULL; slash = strchr(slash + 1, '/')) {
        *slash = '\0';
        if (mkdir(part, S_IRWXU) != 0 && errno != EEXIST && !files_exists(part)) {
            return files_error(err, errno, "making", part);
        }
        *slash = '/';
    }
    return ERR_OK;
}

enum error_code files_folder_begin(const char *path, char *temp, struct error *err) {
    char folder[FILES_PATH_MAX];
    char name[FILES_NAME_MAX + 1];
    enum error_code code = split(path, folder, name, err);
    if (code == ERR_OK) {
        code = files_inside(folder, ".bibweave-XXXXXX", temp, err);
    }
    if (code == ERR_OK) {
        code = make_above(temp, err);
    }
    /* mkdtemp makes it 0700. */
    if (code == ERR_OK && mkdtemp(temp) == NULL) {
        code = files_error(err, errno, "making a folder in", folder);
    }
    return code;
}

enum error_code files_folder_sync(const char *path, struct error *err) {
    int fd = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0) {
        return files_error(err, errno, "opening", path);
    }
    enum error_code code = sync_fd(fd, path, err);
    close(fd);
    return code;
}

enum error_code files_folder_finish(const char *temp, const char *path, struct error *err) {
    char folder[FILES_PATH_MAX];
    char name[FILES_NAME_MAX + 1];
    enum error_code code = split(path, folder, name, err);
    if (code == ERR_OK) {
        code = files_folder_sync(temp, err);
    }
    if (code == ERR_OK && rename(temp, path) != 0) {
        code = errno == ENOTEMPTY || errno == EEXIST || errno == ENOTDIR
                   ? files_folder_free(path, err)
                   : files_error(err, errno, "renaming to", path);
        code = code == ERR_OK ? error_set(err, ERR_EXISTS, "%.200s", path) : code;
    }
    return code == ERR_OK ? files_folder_sync(folder, err) : code;
}

void files_folder_remove(const char *path) {
    int fd = open(path, O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC);
    DIR *folder = fd < 0 ? NULL : fdopendir(fd);
    if (folder == NULL) {
        if (fd >= 0) {
            close(fd);
        }
        return;
    }
    for (const struct dirent *entry; (entry = readdir(folder)) != NULL;) {
        if (strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0) {
            continue;
        }
        char inner[FILES_PATH_MAX];
        struct error unused;
        if (unlinkat(dirfd(folder), entry->d_name, 0) != 0 &&
            files_inside(path, entry->d_name, inner, &unused) == ERR_OK) {
            files_folder_remove(inner);
        }
    }
    closedir(folder);
    rmdir(path);
}
