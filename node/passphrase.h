/*
 * passphrase.h: the passphrase of the event's key: typed at the terminal without being shown, or
 * the first line of a file.
 *
 * Only in the process of the command that needs it, never in a node; it is in no argument, no
 * environment and no log. Callers wipe it.
 */
#ifndef BIBWEAVE_PASSPHRASE_H
#define BIBWEAVE_PASSPHRASE_H

#include "common/bytes.h"
#include "common/error.h"

enum { PASSPHRASE_MIN = 8, PASSPHRASE_MAX = 1024 }; /* bytes */
struct passphrase {
    size_t size; /* 0: none */
    char text[PASSPHRASE_MAX + 1];
};

/* The first line of file `name`, without its end. Errors: those of files_read; ERR_USAGE (shorter
 * than PASSPHRASE_MIN), ERR_LIMIT. */
enum error_code passphrase_file(const char *cwd, const char *name, struct passphrase *out,
                                struct error *err) __attribute__((nonnull, warn_unused_result));
/* Asks once at the terminal. Errors: ERR_USAGE (nothing typed, or given up with Ctrl-C). */
enum error_code passphrase_ask(const char *question, struct passphrase *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Asks for a new one twice, up to three times if it is too short or the two differ. Nothing typed
 * at first: *out is empty, ERR_OK. Errors: ERR_USAGE. */
enum error_code passphrase_ask_new(const char *question, struct passphrase *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
struct slice passphrase_slice(const struct passphrase *passphrase) __attribute__((nonnull));
void passphrase_wipe(struct passphrase *passphrase) __attribute__((nonnull));

#endif
