/*
 * verb_parts.h: what several verbs do alike: reading their words, gathering issues, writing one
 * record. For verb_*.c alone.
 */
#ifndef BIBWEAVE_VERB_PARTS_H
#define BIBWEAVE_VERB_PARTS_H

#include <jansson.h>

#include "node/address.h"
#include "node/options.h"

/* Zeroed room for a verb's own state, to be freed; when there is none the call has failed. */
void *parts_room(struct verb_call *call, size_t size) __attribute__((nonnull, malloc));
/* Sorts the call's words by the options of verb `name` and wants `min` to `max` words besides,
 * the first missing of which is `what`. The options are to be released in any case. */
enum error_code parts_words(const struct verb_call *call, const char *name, size_t min, size_t max,
                            const char *what, struct options *options, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* An option that must be there. Errors: ERR_USAGE. */
enum error_code parts_needed(const struct options *options, const char *name, const char **value,
                             struct error *err) __attribute__((nonnull, warn_unused_result));
/* A text option that may be absent ("" then). */
enum error_code parts_text(const struct options *options, const char *name, size_t max,
                           const char **value, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Puts --helper into the station's author, or nothing. */
enum error_code parts_helper(struct verb_call *call, const struct options *options,
                             struct error *err) __attribute__((nonnull, warn_unused_result));

/* --listen values as an admit carries them: those that others can connect to. */
struct parts_addresses {
    struct address text[RECORD_ADDRESSES_MAX];
};
enum error_code parts_addresses(const struct options *options, struct parts_addresses *addresses,
                                struct record_admit *admit, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* destroyed, lost or on:BIB; NULL means lost. */
struct parts_chip {
    enum chip_where where;
    bool has_bib;
    struct bib bib;
};
enum error_code parts_chip(const char *value, bool zeros_count, struct parts_chip *chip,
                           struct error *err) __attribute__((nonnull(3, 4), warn_unused_result));

/* EPC[/TID], a tag that was read. Errors: ERR_TAG. */
enum error_code parts_tag(const char *value, struct record_tag *tag, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* Issues copied out of the ledger, to be released. */
struct parts_issues {
    size_t count, capacity;
    struct pairs_issue *issue;
    bool failed; /* memory ran out */
};
enum error_code parts_issues(struct ledger *ledger, const struct pairs_filter *filter,
                             struct parts_issues *issues, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void parts_issues_release(struct parts_issues *issues) __attribute__((nonnull));
/* Only those that are live, and with `doubt` also those that do not count; in place. */
void parts_issues_keep_live(struct parts_issues *issues, bool doubt) __attribute__((nonnull));
/* The issues of a bib that are in the way of a new one: live, or leaving the bib in doubt. *ever
 * says whether it had an issue at any time. */
enum error_code parts_present(struct ledger *ledger, const struct bib *bib,
                              struct parts_issues *issues, bool *ever, struct error *err)
    __attribute__((nonnull, warn_unused_result));
json_t *parts_issues_json(const struct parts_issues *issues) __attribute__((nonnull));

/* The bibs that are held back: each as JSON into *array, and the first of them as lines. */
enum { PARTS_HOLDS_SHOWN = 20 };
struct parts_holds {
    size_t count;
    struct buffer text; /* to be released, as is array */
    json_t *array;
};
enum error_code parts_holds(struct ledger *ledger, struct parts_holds *holds, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void parts_holds_release(struct parts_holds *holds) __attribute__((nonnull));

/* Whether leading zeros count in the event that the call's station is of. */
bool parts_zeros_count(struct verb_call *call) __attribute__((nonnull));
/* `found`, or ERR_DAMAGED if it is not held. */
enum error_code parts_found(struct verb_call *call, const struct record_found **found,
                            struct error *err) __attribute__((nonnull, warn_unused_result));

#endif
