/*
 * last.c: see last.h.
 * Must never fail loudly: it holds hints, and a station works without.
 */
#include "node/last.h"

#include <fcntl.h>
#include <limits.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "common/bytes.h"

/* Header: magic (16), station key (32), zeros. Row: log (16), number (8, big-endian), id (16), and
 * a check over these (16), zeros. A row that does not check was torn, and counts for nothing. */
enum {
    MAGIC_SIZE = 16,
    HEADER_SIZE = 64,
    ROW_SIZE = 64,
    ROW_CHECKED = 40,
    CHECK_SIZE = 16,
};
static const char magic[MAGIC_SIZE + 1] = "bibweave-last-1\n";

/* ---- rows as bytes ---- */

static void check_of(const uint8_t bytes[ROW_SIZE], uint8_t check[CHECK_SIZE]) {
    crypto_generichash(check, CHECK_SIZE, bytes, ROW_CHECKED, NULL, 0);
}

static void put_row(const struct last_row *row, uint8_t bytes[ROW_SIZE]) {
    memset(bytes, 0, ROW_SIZE);
    memcpy(bytes, row->log.bytes, sizeof(row->log.bytes));
    for (int i = 0; i < 8; i++) {
        bytes[16 + i] = (uint8_t)(row->number >> (56 - 8 * i));
    }
    memcpy(bytes + 24, row->id, sizeof(row->id));
    check_of(bytes, bytes + ROW_CHECKED);
}

static bool get_row(const uint8_t bytes[ROW_SIZE], struct last_row *row) {
    uint8_t check[CHECK_SIZE];
    check_of(bytes, check);
    memset(row, 0, sizeof(*row));
    if (memcmp(check, bytes + ROW_CHECKED, sizeof(check)) != 0) {
        return false;
    }
    memcpy(row->log.bytes, bytes, sizeof(row->log.bytes));
    for (int i = 0; i < 8; i++) {
        row->number = row->number << 8 | bytes[16 + i];
    }
    memcpy(row->id, bytes + 24, sizeof(row->id));
    return true;
}

/* ---- the file ---- */

/* "/x/.NAME.last" for "/x/NAME", however the folder was named. */
static bool name_file(const char *dir, char *path, size_t size) {
    char *whole = realpath(dir, NULL);
    char *slash = whole == NULL ? NULL : strrchr(whole, '/');
    bool named = slash != NULL && slash[1] != '\0';
    if (named) {
        *slash = '\0';
        named = snprintf(path, size, "%s/.%s.last", whole, slash + 1) < (int)size;
    }
    free(whole);
    return named;
}

static int open_file(const char *dir) {
    char path[PATH_MAX];
    struct stat st;
    if (!name_file(dir, path, sizeof(path))) {
        return -1;
    }
    int fd = open(path, O_RDWR | O_CREAT | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC, S_IRUSR | S_IWUSR);
    if (fd >= 0 && (fstat(fd, &st) != 0 || !S_ISREG(st.st_mode) || st.st_uid != geteuid() ||
                    (st.st_mode & (S_IRWXG | S_IRWXO)) != 0)) {
        close(fd);
        return -1;
    }
    return fd;
}

static bool is_of(int fd, const struct sign_public *key) {
    uint8_t header[HEADER_SIZE];
    return pread(fd, header, sizeof(header), 0) == (ssize_t)sizeof(header) &&
           memcmp(header, magic, MAGIC_SIZE) == 0 &&
           memcmp(header + MAGIC_SIZE, key->bytes, sizeof(key->bytes)) == 0;
}

static bool begin_anew(int fd, const struct sign_public *key) {
    uint8_t header[HEADER_SIZE] = {0};
    memcpy(header, magic, MAGIC_SIZE);
    memcpy(header + MAGIC_SIZE, key->bytes, sizeof(key->bytes));
    return ftruncate(fd, 0) == 0 &&
           pwrite(fd, header, sizeof(header), 0) == (ssize_t)sizeof(header);
}

/* What could not be written leaves an older number there, which is as true and says less. */
static void write_row(const struct last *last, size_t index) {
    uint8_t bytes[ROW_SIZE];
    put_row(&last->row[index], bytes);
    ssize_t unused = pwrite(last->fd, bytes, sizeof(bytes), HEADER_SIZE + (off_t)index * ROW_SIZE);
    (void)unused;
}

static void read_rows(struct last *last) {
    uint8_t bytes[ROW_SIZE];
    while (last->count < LAST_ROWS_MAX &&
           pread(last->fd, bytes, sizeof(bytes), HEADER_SIZE + (off_t)last->count * ROW_SIZE) ==
               (ssize_t)sizeof(bytes)) {
        /* A torn row keeps its place, so that the others keep theirs; number 0 says nothing. */
        get_row(bytes, &last->row[last->count]);
        last->count++;
    }
}

void last_open(struct last *last, const char *dir, const struct sign_public *key) {
    int fd = open_file(dir);
    *last = (struct last){.fd = -1};
    struct last_row *row = fd < 0 ? NULL : calloc(LAST_ROWS_MAX, sizeof(*row));
    bool ours = row != NULL && is_of(fd, key);
    if (row == NULL || (!ours && !begin_anew(fd, key))) {
        free(row);
        if (fd >= 0) {
            close(fd);
        }
        return;
    }
    *last = (struct last){.fd = fd, .row = row};
    if (ours) {
        read_rows(last);
    }
}

const struct last_row *last_newest(const struct last *last) {
    return last->count == 0 ? NULL : &last->row[last->count - 1];
}

/* The oldest half goes when the table is full: thousands of starts later nobody asks for it. */
static void shorten(struct last *last) {
    size_t keep = LAST_ROWS_MAX / 2;
    memmove(last->row, last->row + last->count - keep, keep * sizeof(*last->row));
    last->count = keep;
    for (size_t i = 0; i < keep; i++) {
        write_row(last, i);
    }
    if (ftruncate(last->fd, HEADER_SIZE + (off_t)keep * ROW_SIZE) != 0) {
        last_close(last); /* its order is gone, so it would mislead */
    }
}

void last_note(struct last *last, const struct log_id *log, uint64_t number,
               const struct record_id *id) {
    size_t at = last->count; /* 0 also where no file could be opened */
    while (at > 0 && !ID_EQUAL(last->row[at - 1].log, *log)) {
        at--;
    }
    if (at == 0 && last->count == LAST_ROWS_MAX) {
        shorten(last);
    }
    if (last->row == NULL) {
        return;
    }
    at = at == 0 ? last->count++ : at - 1;
    last->row[at] = (struct last_row){.log = *log, .number = number};
    memcpy(last->row[at].id, id->bytes, sizeof(last->row[at].id));
    write_row(last, at);
}

void last_close(struct last *last) {
    if (last->row != NULL) {
        close(last->fd);
    }
    free(last->row);
    *last = (struct last){.fd = -1};
}
