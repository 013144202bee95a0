/*
 * join.h: what joining by files and joining with a ticket do alike. For verb_join*.c alone.
 */
#ifndef BIBWEAVE_JOIN_H
#define BIBWEAVE_JOIN_H

#include "node/files.h"
#include "node/keyfile.h"
#include "node/verb_parts.h"

struct joining {
    struct keyfile key;
    struct station_keys keys;
    struct buffer grant;
    struct slice records; /* borrowed from grant */
    struct ledger_event event;
    char key_path[FILES_PATH_MAX], ledger_path[FILES_PATH_MAX];
};

/* Makes the folder `dir` with fresh keys in it. Errors: the folder's. */
enum error_code join_make_station(const char *dir, const char *name, struct keyfile *key,
                                  struct error *err) __attribute__((nonnull, warn_unused_result));

/* Fills an empty ledger; it is given up when that fails. */
typedef enum error_code join_fill(struct ledger *ledger, const struct joining *join, void *context,
                                  struct error *err);
/* Makes the ledger aside, has it filled, and gives it its name when it is whole; the key file names
 * the event before that. join->event and the paths are set. */
enum error_code join_make_ledger(const char *dir, struct joining *join, join_fill *fill,
                                 void *context, struct error *err)
    __attribute__((nonnull(1, 2, 3, 5), warn_unused_result));
/* Opens the new station once, which begins its log, and says what it is. */
enum error_code join_first_start(struct verb_call *call, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* `join TICKET` (verb_join_ticket.c). */
enum error_code join_with_ticket(struct verb_call *call, const struct options *options,
                                 struct joining *join, struct error *err)
    __attribute__((nonnull, warn_unused_result));

#endif
