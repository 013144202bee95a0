/*
 * files.h: files and folders, read with bounds and written so that a crash leaves the old content
 * or the new one, never half of it.
 *
 * Writing goes to a temporary name in the same folder, is synced, renamed, the folder synced, and
 * read back from the device. Symbolic links and whatever is not a regular file are refused. Any
 * thread; no state.
 */
#ifndef BIBWEAVE_FILES_H
#define BIBWEAVE_FILES_H

#include <sodium.h>

#include "common/bytes.h"
#include "common/error.h"

enum { FILES_PATH_MAX = 4096, FILES_NAME_MAX = 255 };

/* `name` if it is absolute, else behind `cwd`, into out[FILES_PATH_MAX].
 * Errors: ERR_USAGE (empty, or too long). */
enum error_code files_path(const char *cwd, const char *name, char *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* `folder`/`name` into out[FILES_PATH_MAX]; ERR_USAGE if that is too long. */
enum error_code files_inside(const char *folder, const char *name, char *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* Fills *err for a failed system call on `path`: ENOSPC is ERR_DISK_FULL, EACCES and EROFS are
 * ERR_PERMISSION, ENOENT is ERR_USAGE (somebody named a file that is not there), and so on. */
enum error_code files_error(struct error *err, int number, const char *doing, const char *path)
    __attribute__((nonnull));

/* ---- reading ---- */

struct files_reader {
    int fd;
    uint64_t size; /* when it was opened */
    char path[FILES_PATH_MAX];
};
/* Opens a regular file of at most size_max bytes without following a link in the last place.
 * Errors: ERR_USAGE (not there), ERR_FORM (not a regular file), ERR_LIMIT, ERR_PERMISSION,
 * ERR_DISK; fd -1 then. */
enum error_code files_reader_open(const char *path, uint64_t size_max, struct files_reader *reader,
                                  struct error *err) __attribute__((nonnull, warn_unused_result));
/* Appends up to bytes_max further bytes to *out; *done at the end of the file. */
enum error_code files_reader_some(struct files_reader *reader, size_t bytes_max, struct buffer *out,
                                  bool *done, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void files_reader_close(struct files_reader *reader) __attribute__((nonnull));

/* A whole file, appended to *out. The same errors, and ERR_MEMORY. */
enum error_code files_read(const char *path, size_t size_max, struct buffer *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* The same for a file with secrets: ERR_NOT_OURS unless it is ours, ERR_PERMISSION if others may
 * open it. */
enum error_code files_read_secret(const char *path, size_t size_max, struct buffer *out,
                                  struct error *err) __attribute__((nonnull, warn_unused_result));
/* Whether a file of our own folder is fit to be opened: an ordinary one, ours, closed to others.
 * One that is not there is. Errors: ERR_NOT_OURS (a link, or of another user), ERR_PERMISSION. */
enum error_code files_private_check(const char *path, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Whether anything, a dangling link too, has this name. */
bool files_exists(const char *path) __attribute__((nonnull));

/* ---- writing ---- */

enum files_over {
    FILES_NEW,     /* nothing may be there yet: ERR_EXISTS */
    FILES_REPLACE, /* a regular file may be replaced; anything else is ERR_EXISTS */
};
struct files_writer {
    int fd, folder;
    enum files_over over;
    char name[FILES_NAME_MAX + 1];
    char temp[48];
    char path[FILES_PATH_MAX];
    uint64_t size;
    crypto_generichash_state state; /* over what was written, for reading back */
};
/* Errors: ERR_USAGE (no such folder), ERR_EXISTS, ERR_PERMISSION, ERR_DISK_FULL, ERR_DISK. */
enum error_code files_writer_open(const char *path, mode_t mode, enum files_over over,
                                  struct files_writer *writer, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* On error the writer must still be abandoned. */
enum error_code files_writer_put(struct files_writer *writer, struct slice bytes, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Syncs, renames, syncs the folder, reads back and compares (ERR_DISK if it differs). The writer
 * is at an end afterwards, also on error; then nothing of it is left, but for a file that was
 * renamed and did not read back. */
enum error_code files_writer_finish(struct files_writer *writer, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Takes the temporary file away; fine on a writer that is at an end. */
void files_writer_abandon(struct files_writer *writer) __attribute__((nonnull));

/* All three in one. */
enum error_code files_write(const char *path, mode_t mode, enum files_over over, struct slice bytes,
                            struct error *err) __attribute__((nonnull, warn_unused_result));

/* ---- folders ---- */

/* A folder that is ours and that only we can enter. Errors: ERR_USAGE (not there),
 * ERR_NOT_OURS (not a folder, or of another user), ERR_PERMISSION (open to others). */
enum error_code files_folder_check(const char *path, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Whether `path` can become a new folder: ERR_EXISTS unless nothing or an empty folder is there. */
enum error_code files_folder_free(const char *path, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Makes a folder (0700) beside `path` under a temporary name, and the folders above where they
 * are missing; its name into temp[FILES_PATH_MAX]. */
enum error_code files_folder_begin(const char *path, char *temp, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Gives it its name, durably; an empty folder may be there. */
enum error_code files_folder_finish(const char *temp, const char *path, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Removes a folder of files (and folders one deep) that we made; goes on over errors. */
void files_folder_remove(const char *path) __attribute__((nonnull));
/* Syncs a folder, so that names made in it last. */
enum error_code files_folder_sync(const char *path, struct error *err)
    __attribute__((nonnull, warn_unused_result));

#endif
