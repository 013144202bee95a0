/*
 * error.c: the table of error codes, and the filling of struct error.
 * Must never print (but for a broken invariant, which ends the program) nor allocate.
 */
#include "common/error.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct error_words {
    const char *name;
    enum error_class class_;
    const char *say;
};

/* The one place where a code gets its name, its exit status and its words. */
static const struct error_words words[ERR_COUNT] = {
    [ERR_OK] = {"ok", ERROR_CLASS_NONE, ""},
    [ERR_ALREADY_ISSUED] = {"already_issued", ERROR_CLASS_STATE,
                            "This bib has a chip already. Say whether the new chip replaces it or "
                            "goes beside it."},
    [ERR_NOT_YOURS] = {"not_yours", ERROR_CLASS_STATE,
                       "This number belongs to another table. Hand the bib over, or take the "
                       "stack over first."},
    [ERR_NOT_FOUND] = {"not_found", ERROR_CLASS_STATE,
                       "Nothing by that name is known here. Check what was typed."},
    [ERR_UNSETTLED] = {"unsettled", ERROR_CLASS_STATE,
                       "Something is still to be settled. See the list, and settle it first."},
    [ERR_SEALED] = {"sealed", ERROR_CLASS_STATE,
                    "This needs the event's key, which is sealed. Run it at a terminal and type "
                    "the passphrase, or give --passphrase-file FILE."},
    [ERR_NOT_ALLOWED] = {"not_allowed", ERROR_CLASS_STATE,
                         "This station may not do that. Ask the lead."},
    [ERR_USAGE] = {"usage", ERROR_CLASS_INPUT,
                   "The command was not understood. Add --help to see how it is written."},
    [ERR_BIB] = {"bib", ERROR_CLASS_INPUT,
                 "That is not a bib number of this event. Scan it, or type it again."},
    [ERR_TAG] = {"tag", ERROR_CLASS_INPUT,
                 "That is not a chip of this event. Read the chip again, or take another."},
    [ERR_FORM] = {"form", ERROR_CLASS_INPUT,
                  "This is not something that bibweave wrote, or it was damaged on the way. Get "
                  "it again from where it came."},
    [ERR_SIGNATURE] = {"signature", ERROR_CLASS_INPUT,
                       "The signature does not match. It was changed on the way, so it is not "
                       "used."},
    [ERR_FOREIGN] = {"foreign", ERROR_CLASS_INPUT,
                     "This belongs to another event. Check that it is the right file or station."},
    [ERR_TRUNCATED] = {"truncated", ERROR_CLASS_INPUT,
                       "The file stops in the middle. Copy it again from where it came."},
    [ERR_LIMIT] = {"limit", ERROR_CLASS_INPUT,
                   "This is larger than bibweave takes. Make it shorter, or split it."},
    [ERR_EXISTS] = {"exists", ERROR_CLASS_INPUT,
                    "There is something there already, and it is not overwritten. Give another "
                    "name."},
    [ERR_MEMORY] = {"memory", ERROR_CLASS_MACHINE,
                    "The machine is out of memory. Close other programs, and start again; what "
                    "was done is kept."},
    [ERR_DISK_FULL] = {"disk_full", ERROR_CLASS_MACHINE,
                       "The disk is full. Make room, and do the last thing again; what was shown "
                       "as done is kept."},
    [ERR_DISK] = {"disk", ERROR_CLASS_MACHINE,
                  "The disk does not read or write as it must. Stop here, and carry on at another "
                  "machine."},
    [ERR_DAMAGED] =
        {"damaged", ERROR_CLASS_MACHINE,
         "This folder is damaged. `bibweave recover` gets its records back, from what is "
         "whole in it and from the other tables."},
    [ERR_NOT_OURS] = {"not_ours", ERROR_CLASS_MACHINE,
                      "This is not a bibweave folder that can be used. Check its name, and that "
                      "only you can open it."},
    [ERR_TOO_NEW] = {"too_new", ERROR_CLASS_MACHINE,
                     "This was written by a newer bibweave. Use that version here too."},
    [ERR_BUSY] = {"busy", ERROR_CLASS_MACHINE,
                  "Another bibweave is using this folder. Stop it first, or wait until it is "
                  "done."},
    [ERR_SOCKET] = {"socket", ERROR_CLASS_MACHINE,
                    "The connection does not work. Check the address, and that the other side is "
                    "running."},
    [ERR_PERMISSION] = {"permission", ERROR_CLASS_MACHINE,
                        "The system does not allow it. Check who owns the file or folder."},
};

void error_clear(struct error *err) {
    err->code = ERR_OK;
    err->say[0] = '\0';
    err->cause[0] = '\0';
}

/* Texts are made aside first, because an argument may be a text of the same error. */
enum error_code error_set(struct error *err, enum error_code code, const char *format, ...) {
    char cause[sizeof(err->cause)];
    va_list arguments;
    va_start(arguments, format);
    if (vsnprintf(cause, sizeof(cause), format, arguments) < 0) {
        cause[0] = '\0';
    }
    va_end(arguments);
    memcpy(err->cause, cause, sizeof(cause));
    INVARIANT((int)code >= 0 && code < ERR_COUNT);
    err->code = code;
    snprintf(err->say, sizeof(err->say), "%s", words[code].say);
    return code;
}

enum error_code error_say(struct error *err, const char *format, ...) {
    char say[sizeof(err->say)];
    va_list arguments;
    va_start(arguments, format);
    if (vsnprintf(say, sizeof(say), format, arguments) < 0) {
        say[0] = '\0';
    }
    va_end(arguments);
    memcpy(err->say, say, sizeof(say));
    return err->code;
}

enum error_code error_while(struct error *err, const char *format, ...) {
    char cause[sizeof(err->cause)];
    va_list arguments;
    va_start(arguments, format);
    int length = vsnprintf(cause, sizeof(cause), format, arguments);
    va_end(arguments);
    if (length < 0 || (size_t)length >= sizeof(cause)) {
        length = (int)strnlen(cause, sizeof(cause) - 1);
    }
    snprintf(cause + length, sizeof(cause) - (size_t)length, "%s%s",
             err->cause[0] == '\0' ? "" : ": ", err->cause);
    memcpy(err->cause, cause, sizeof(cause));
    return err->code;
}

enum error_class error_class(enum error_code code) {
    INVARIANT((int)code >= 0 && code < ERR_COUNT);
    return words[code].class_;
}

const char *error_name(enum error_code code) {
    INVARIANT((int)code >= 0 && code < ERR_COUNT);
    return words[code].name;
}

void error_invariant_broken(const char *condition, const char *file, int line) {
    fprintf(stderr, "bibweave: broken invariant (%s) at %s:%d\n", condition, file, line);
    abort();
}
