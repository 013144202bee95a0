/*
 * options.h: the words of a command, sorted into options and the rest. Any thread; no I/O.
 */
#ifndef BIBWEAVE_OPTIONS_H
#define BIBWEAVE_OPTIONS_H

#include "node/verb.h"

enum { OPTIONS_MAX = 4096 };

struct options_given {
    const char *name;  /* as in the verb's list, "--tag" */
    const char *value; /* NULL for a flag */
};
/* Words are borrowed from the command line. */
struct options {
    size_t given_count;
    struct options_given *given;
    size_t rest_count;
    const char **rest; /* words that are no options, in order */
};

/* Sorts `words` by the verb's list: `--name value` or `--name=value`; what follows `--` is no
 * option. Errors: ERR_USAGE naming the word (unknown option, missing value, value for a flag),
 * ERR_LIMIT, ERR_MEMORY. To be released in any case. */
enum error_code options_read(const struct verb_option *known, const char *const *words,
                             size_t count, struct options *options, struct error *err)
    __attribute__((nonnull(1, 4, 5), warn_unused_result));
void options_release(struct options *options) __attribute__((nonnull));

bool options_has(const struct options *options, const char *name) __attribute__((nonnull));
/* The value given last; NULL if there is none. */
const char *options_value(const struct options *options, const char *name) __attribute__((nonnull));
/* The value of the `index`-th of that name, from 0; NULL if there is none. */
const char *options_value_at(const struct options *options, const char *name, size_t index)
    __attribute__((nonnull));

/* Refuses more or fewer than `min` to `max` words that are no options; `what` names what is
 * missing, "a bib number". Errors: ERR_USAGE. */
enum error_code options_rest(const struct options *options, size_t min, size_t max,
                             const char *what, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* A short text of a record: UTF-8, no control characters, 1 to max bytes. Errors: ERR_USAGE,
 * ERR_LIMIT, naming the option. */
enum error_code options_text(const char *name, const char *value, size_t max, struct error *err)
    __attribute__((nonnull, warn_unused_result));

#endif
