/*
 * options.c: see options.h.
 * Must never guess: a word that is not known is named and refused.
 */
#include "node/options.h"

#include <stdlib.h>
#include <string.h>

static const struct verb_option *find(const struct verb_option *known, const char *word,
                                      size_t length) {
    for (const struct verb_option *option = known; option->name != NULL; option++) {
        if (strlen(option->name) == length && memcmp(option->name, word, length) == 0) {
            return option;
        }
    }
    return NULL;
}

static enum error_code wrong(struct error *err, const char *word, const char *what) {
    error_set(err, ERR_USAGE, "the word %.100s", word);
    return error_say(err, "%s: %.100s. Add --help to see how the command is written.", what, word);
}

/* Takes the option at words[*at], and its value; *at is left at the last word used. */
static enum error_code take_option(const struct verb_option *known, const char *const *words,
                                   size_t count, size_t *at, struct options *options,
                                   struct error *err) {
    const char *word = words[*at];
    const char *equals = strchr(word, '=');
    size_t length = equals == NULL ? strlen(word) : (size_t)(equals - word);
    const struct verb_option *option = find(known, word, length);
    if (option == NULL) {
        return wrong(err, word, "Unknown option");
    }
    const char *value = equals == NULL ? NULL : equals + 1;
    if (!option->value && value != NULL) {
        return wrong(err, option->name, "This option takes no value");
    }
    if (option->value && value == NULL) {
        /* A word that looks like an option is one; `--name=--value` takes it as a value. */
        if (*at + 1 >= count || strncmp(words[*at + 1], "--", 2) == 0) {
            return wrong(err, option->name, "The value of this option is missing");
        }
        value = words[++*at];
    }
    options->given[options->given_count++] =
        (struct options_given){.name = option->name, .value = value};
    return ERR_OK;
}

enum error_code options_read(const struct verb_option *known, const char *const *words,
                             size_t count, struct options *options, struct error *err) {
    *options = (struct options){0};
    if (count > OPTIONS_MAX) {
        return error_set(err, ERR_LIMIT, "%zu words", count);
    }
    options->given = calloc(count + 1, sizeof(*options->given));
    options->rest = calloc(count + 1, sizeof(*options->rest));
    if (options->given == NULL || options->rest == NULL) {
        return error_set(err, ERR_MEMORY, "words of a command");
    }
    enum error_code code = ERR_OK;
    bool only_rest = false;
    for (size_t at = 0; code == ERR_OK && at < count; at++) {
        if (!only_rest && strcmp(words[at], "--") == 0) {
            only_rest = true;
        } else if (!only_rest && words[at][0] == '-' && words[at][1] != '\0') {
            code = take_option(known, words, count, &at, options, err);
        } else {
            options->rest[options->rest_count++] = words[at];
        }
    }
    return code;
}

void options_release(struct options *options) {
    free(options->given);
    free(options->rest);
    *options = (struct options){0};
}

bool options_has(const struct options *options, const char *name) {
    for (size_t i = 0; i < options->given_count; i++) {
        if (strcmp(options->given[i].name, name) == 0) {
            return true;
        }
    }
    return false;
}

const char *options_value(const struct options *options, const char *name) {
    const char *value = NULL;
    for (size_t i = 0; i < options->given_count; i++) {
        value = strcmp(options->given[i].name, name) == 0 ? options->given[i].value : value;
    }
    return value;
}

const char *options_value_at(const struct options *options, const char *name, size_t index) {
    for (size_t i = 0; i < options->given_count; i++) {
        if (strcmp(options->given[i].name, name) == 0 && index-- == 0) {
            return options->given[i].value;
        }
    }
    return NULL;
}

enum error_code options_rest(const struct options *options, size_t min, size_t max,
                             const char *what, struct error *err) {
    if (options->rest_count < min) {
        error_set(err, ERR_USAGE, "%s is missing", what);
        return error_say(err,
                         "Something is missing: %s. Add --help to see how the command is "
                         "written.",
                         what);
    }
    return options->rest_count > max ? wrong(err, options->rest[max], "One word too many") : ERR_OK;
}

enum error_code options_text(const char *name, const char *value, size_t max, struct error *err) {
    size_t length = strlen(value);
    if (length == 0) {
        return wrong(err, name, "The value of this option is empty");
    }
    if (length > max) {
        error_set(err, ERR_LIMIT, "%s has %zu bytes", name, length);
        return error_say(err, "The text of %s is too long: at most %zu characters.", name, max);
    }
    bool plain = utf8_valid(slice_of(value, length));
    for (size_t i = 0; i < length; i++) {
        plain = plain && (unsigned char)value[i] >= 0x20 && value[i] != 0x7F;
    }
    return plain ? ERR_OK : wrong(err, name, "This option takes plain text only");
}
