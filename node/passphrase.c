/*
 * passphrase.c: see passphrase.h.
 * Must never show what is typed, nor leave a terminal that does not.
 */
#include "node/passphrase.h"

#include <sodium.h>
#include <stdio.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "node/files.h"

enum { CTRL_C = 3, TRIES = 3 };

void passphrase_wipe(struct passphrase *passphrase) {
    sodium_memzero(passphrase, sizeof(*passphrase));
}

struct slice passphrase_slice(const struct passphrase *passphrase) {
    return slice_of(passphrase->text, passphrase->size);
}

static enum error_code too_short(struct error *err) {
    error_set(err, ERR_USAGE, "a passphrase of fewer than %d characters", PASSPHRASE_MIN);
    return error_say(err,
                     "The passphrase is too short. Take at least %d characters, best some words "
                     "that have nothing to do with each other.",
                     PASSPHRASE_MIN);
}

/* ---- from a file ---- */

static enum error_code first_line(struct slice bytes, struct passphrase *out, struct error *err) {
    const uint8_t *end = bytes.size == 0 ? NULL : memchr(bytes.data, '\n', bytes.size);
    size_t size = end == NULL ? bytes.size : (size_t)(end - bytes.data);
    size -= size > 0 && bytes.data[size - 1] == '\r' ? 1 : 0;
    if (size > PASSPHRASE_MAX) {
        error_set(err, ERR_LIMIT, "a passphrase of %zu bytes", size);
        return error_say(err, "The passphrase is too long: at most %d characters.", PASSPHRASE_MAX);
    }
    if (size < PASSPHRASE_MIN) {
        return too_short(err);
    }
    memcpy(out->text, bytes.data, size);
    out->size = size;
    return ERR_OK;
}

enum error_code passphrase_file(const char *cwd, const char *name, struct passphrase *out,
                                struct error *err) {
    enum { FILE_MAX = 4 * PASSPHRASE_MAX };
    char path[FILES_PATH_MAX];
    struct buffer bytes;
    buffer_init(&bytes);
    memset(out, 0, sizeof(*out));
    enum error_code code = files_path(cwd, name, path, err);
    /* Room at once, so that growing leaves no copy behind; files are read in pieces of 64 KiB. */
    if (code == ERR_OK && !buffer_reserve(&bytes, (size_t)4 * 65536)) {
        code = error_set(err, ERR_MEMORY, "passphrase");
    }
    if (code == ERR_OK) {
        code = files_read(path, FILE_MAX, &bytes, err);
    }
    if (code == ERR_OK) {
        code = first_line(buffer_slice(&bytes), out, err);
    }
    if (bytes.data != NULL) {
        sodium_memzero(bytes.data, bytes.capacity);
    }
    buffer_release(&bytes);
    return code;
}

/* ---- from the terminal ---- */

/* A line of standard input byte by byte, so that no stream keeps it. What is over the limit is read
 * and dropped. False at the end of the input. */
static bool read_line(struct passphrase *out) {
    char byte = 0;
    ssize_t got;
    out->size = 0;
    while ((got = read(STDIN_FILENO, &byte, 1)) == 1 && byte != '\n') {
        if (out->size < PASSPHRASE_MAX) {
            out->text[out->size++] = byte;
        }
    }
    out->text[out->size] = '\0';
    sodium_memzero(&byte, sizeof(byte));
    return got == 1;
}

/* Ctrl-C comes as a character while the terminal is silent, so that it is never left so. */
enum error_code passphrase_ask(const char *question, struct passphrase *out, struct error *err) {
    struct termios before, silent;
    memset(out, 0, sizeof(*out));
    if (tcgetattr(STDIN_FILENO, &before) != 0) {
        return error_set(err, ERR_USAGE, "standard input is no terminal");
    }
    silent = before;
    silent.c_lflag &= ~(tcflag_t)(ECHO | ISIG);
    fprintf(stderr, "%s: ", question);
    fflush(stderr);
    bool set = tcsetattr(STDIN_FILENO, TCSAFLUSH, &silent) == 0;
    bool read = set && read_line(out);
    if (set) {
        tcsetattr(STDIN_FILENO, TCSAFLUSH, &before);
    }
    fprintf(stderr, "\n");
    if (read && memchr(out->text, CTRL_C, out->size) == NULL) {
        return ERR_OK;
    }
    passphrase_wipe(out);
    error_set(err, ERR_USAGE, "no passphrase was typed");
    return error_say(err, "Given up; nothing was done.");
}

enum error_code passphrase_ask_new(const char *question, struct passphrase *out,
                                   struct error *err) {
    struct passphrase again;
    enum error_code code = ERR_OK;
    for (int i = 0; i < TRIES; i++) {
        code = passphrase_ask(question, out, err);
        if (code != ERR_OK || out->size == 0) {
            return code;
        }
        if (out->size < PASSPHRASE_MIN) {
            code = too_short(err);
        } else {
            code = passphrase_ask("Once more, the same", &again, err);
            bool same = code == ERR_OK && again.size == out->size &&
                        sodium_memcmp(again.text, out->text, out->size) == 0;
            passphrase_wipe(&again);
            if (same || code != ERR_OK) {
                break;
            }
            error_set(err, ERR_USAGE, "two different passphrases");
            code = error_say(err, "The two were not the same. Try again.");
        }
        fprintf(stderr, "%s\n", err->say);
    }
    if (code != ERR_OK) {
        passphrase_wipe(out);
    }
    return code;
}
