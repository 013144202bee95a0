/*
 * error.h: the one error type of the project.
 *
 * Every function that can fail returns an `enum error_code` (zero is success) and fills a caller's
 * `struct error` with two texts: what a helper at a table can do now, and the technical cause.
 * Any thread; no I/O.
 */
#ifndef BIBWEAVE_ERROR_H
#define BIBWEAVE_ERROR_H

#include <stdbool.h>
#include <stddef.h>

enum error_code {
    ERR_OK = 0,
    /* the state says no: exit status 1 */
    ERR_ALREADY_ISSUED, /* the bib has a chip that counts */
    ERR_NOT_YOURS,      /* another table's number */
    ERR_NOT_FOUND,      /* no such record, bib, tag or station */
    ERR_UNSETTLED,      /* doubles, tables not closed, or the like remain */
    ERR_SEALED,         /* it needs the event's key, which is sealed with a passphrase */
    ERR_NOT_ALLOWED,    /* the role of this station does not permit it */
    /* the input is wrong: exit status 2 */
    ERR_USAGE,     /* command line */
    ERR_BIB,       /* not a bib label, or not one of this event */
    ERR_TAG,       /* EPC or TID malformed, or not of the scheme */
    ERR_FORM,      /* bytes are not a record, message or file of ours */
    ERR_SIGNATURE, /* well formed, but the signature does not verify */
    ERR_FOREIGN,   /* of another event */
    ERR_TRUNCATED, /* a file that stops in the middle */
    ERR_LIMIT,     /* larger than a stated bound */
    ERR_EXISTS,    /* would overwrite something */
    /* the machine is: exit status 3 */
    ERR_MEMORY,
    ERR_DISK_FULL,
    ERR_DISK,       /* I/O error */
    ERR_DAMAGED,    /* the folder does not hold what it must */
    ERR_NOT_OURS,   /* a folder or file that is not a bibweave one, or too open to others */
    ERR_TOO_NEW,    /* written by a newer program */
    ERR_BUSY,       /* another process holds the folder */
    ERR_SOCKET,     /* network or control socket */
    ERR_PERMISSION, /* the system refuses */
    ERR_COUNT
};

enum error_class {
    ERROR_CLASS_NONE = 0,    /* exit status 0 */
    ERROR_CLASS_STATE = 1,   /* exit status 1: the state says no */
    ERROR_CLASS_INPUT = 2,   /* exit status 2: refuse the input */
    ERROR_CLASS_MACHINE = 3, /* exit status 3: local fault */
};

/* Texts are NUL-terminated and cut, never overrun. */
struct error {
    enum error_code code;
    char say[320];   /* one sentence that says what to do */
    char cause[320]; /* technical cause, may be empty */
};

/* Empties *err: code ERR_OK and both texts "". */
void error_clear(struct error *err) __attribute__((nonnull));

/* Fills *err with `code`, the code's own sentence, and a printf-style cause. Returns `code`, so
 * that callers can write `return error_set(err, ERR_FORM, "byte %zu", at);`. */
enum error_code error_set(struct error *err, enum error_code code, const char *format, ...)
    __attribute__((nonnull(1, 3), format(printf, 3, 4)));

/* Replaces the sentence of a filled *err by a printf-style one. Returns err->code. */
enum error_code error_say(struct error *err, const char *format, ...)
    __attribute__((nonnull(1, 2), format(printf, 2, 3)));

/* Puts "what it was doing: " in front of the cause. Returns err->code. */
enum error_code error_while(struct error *err, const char *format, ...)
    __attribute__((nonnull(1, 2), format(printf, 2, 3)));

/* The class of a code; its value is the exit status of a command that ends with it. */
enum error_class error_class(enum error_code code);

/* The code's name for programs ("already_issued"); static storage. */
const char *error_name(enum error_code code);

/* A check on the program itself, on in release too. Never used on anything that came from
 * outside: bad input is an error, not a broken invariant. */
#define INVARIANT(condition)                                                                       \
    ((condition) ? (void)0 : error_invariant_broken(#condition, __FILE__, __LINE__))
void error_invariant_broken(const char *condition, const char *file, int line)
    __attribute__((noreturn, nonnull));

#endif
