/*
 * keys.c: see keys.h.
 * Must never make another number out of what was typed: in doubt a line is a faulty one.
 */
#include "common/keys.h"

#include <string.h>

/* Fewer keys than that may come fast from a person's two hands. */
enum { BURST_KEYS_MIN = 3 };

static const char replacement[] = "\xEF\xBF\xBD"; /* U+FFFD */

static bool is_end(uint8_t byte) {
    return byte == '\r' || byte == '\n' || byte == '\t';
}

static bool is_continuation(uint8_t byte) {
    return (byte & 0xC0U) == 0x80U;
}

/* ---- configuration ---- */

static enum error_code bad_affix(struct error *err, struct slice word, const char *why) {
    error_set(err, ERR_USAGE, "%.*s: %s", (int)(word.size < 60 ? word.size : 60),
              (const char *)word.data, why);
    return error_say(err, "The scanner's prefix or suffix is written with letters, digits and "
                          "\\xHH, like suffix=\\x03. Enter and Tab end a line anyway.");
}

/* Reads TEXT with its escapes into affix[KEYS_AFFIX_MAX]. */
static enum error_code read_affix(struct slice text, uint8_t *affix, size_t *size,
                                  struct error *err) {
    size_t count = 0;
    for (size_t i = 0; i < text.size; i++) {
        uint8_t byte = text.data[i];
        if (byte == '\\' && text.size - i >= 4 && text.data[i + 1] == 'x' &&
            hex_decode((const char *)text.data + i + 2, 2, &byte, 1)) {
            i += 3;
        } else if (byte == '\\' && text.size - i >= 2 && text.data[i + 1] == '\\') {
            i++;
        } else if (byte == '\\') {
            return bad_affix(err, text, "a backslash that begins neither \\xHH nor \\\\");
        }
        if (is_end(byte)) {
            return bad_affix(err, text, "it holds what ends a line");
        }
        if (count == KEYS_AFFIX_MAX) {
            return error_set(err, ERR_LIMIT, "a prefix or suffix over %d bytes", KEYS_AFFIX_MAX);
        }
        affix[count++] = byte;
    }
    if (count == 0) {
        return bad_affix(err, text, "it is empty");
    }
    *size = count;
    return ERR_OK;
}

/* What stands behind `name` and "=" in the word; false if it is another word. */
static bool value_of(struct slice word, const char *name, struct slice *value) {
    size_t length = strlen(name);
    if (word.size <= length || memcmp(word.data, name, length) != 0 || word.data[length] != '=') {
        return false;
    }
    *value = slice_of(word.data + length + 1, word.size - length - 1);
    return true;
}

static enum error_code read_gap(struct slice text, struct keys_config *config, struct error *err) {
    uint64_t gap = 0;
    for (size_t i = 0; i < text.size && gap <= KEYS_GAP_MS_MAX; i++) {
        if (text.data[i] < '0' || text.data[i] > '9') {
            return error_set(err, ERR_USAGE, "gap= wants a whole number of milliseconds");
        }
        gap = 10 * gap + (uint64_t)(text.data[i] - '0');
    }
    if (gap == 0 || gap > KEYS_GAP_MS_MAX) {
        error_set(err, ERR_LIMIT, "gap= wants 1 to %d milliseconds", KEYS_GAP_MS_MAX);
        return error_say(err, "The longest pause inside a scan, gap=, is 1 to %d milliseconds.",
                         KEYS_GAP_MS_MAX);
    }
    config->gap_ms = (int64_t)gap;
    return ERR_OK;
}

enum error_code keys_config_word(struct slice word, struct keys_config *config, struct error *err) {
    struct keys_config made = *config;
    struct slice value;
    enum error_code code;
    if (value_of(word, "prefix", &value)) {
        code = read_affix(value, made.prefix, &made.prefix_size, err);
    } else if (value_of(word, "suffix", &value)) {
        code = read_affix(value, made.suffix, &made.suffix_size, err);
    } else if (value_of(word, "gap", &value)) {
        code = read_gap(value, &made, err);
    } else {
        code = error_set(err, ERR_USAGE, "not prefix=, suffix= or gap=: %.*s",
                         (int)(word.size < 60 ? word.size : 60), (const char *)word.data);
    }
    if (code == ERR_OK) {
        *config = made;
    }
    return code;
}

struct keys_config keys_config_plain(void) {
    return (struct keys_config){.gap_ms = KEYS_GAP_MS};
}

/* ---- what stands around the data ---- */

static bool take_prefix(struct slice *text, const uint8_t *prefix, size_t size) {
    if (size == 0 || text->size < size || memcmp(text->data, prefix, size) != 0) {
        return false;
    }
    *text = slice_of(text->data + size, text->size - size);
    return true;
}

static bool take_suffix(struct slice *text, const uint8_t *suffix, size_t size) {
    if (size == 0 || text->size < size ||
        memcmp(text->data + text->size - size, suffix, size) != 0) {
        return false;
    }
    text->size -= size;
    return true;
}

/* ISO/IEC 15424: a right bracket, a letter (its case counts), and one digit or letter. No label,
 * EPC or answer of a card begins with a bracket. */
static bool take_symbology(struct slice *text, char *symbology) {
    if (text->size < 3 || text->data[0] != ']') {
        return false;
    }
    uint8_t code = text->data[1], modifier = text->data[2];
    bool letter = (code >= 'A' && code <= 'Z') || (code >= 'a' && code <= 'z');
    bool fits = (modifier >= '0' && modifier <= '9') || (modifier >= 'A' && modifier <= 'Z') ||
                (modifier >= 'a' && modifier <= 'z');
    if (!letter || !fits) {
        return false;
    }
    symbology[0] = (char)code;
    symbology[1] = (char)modifier;
    symbology[2] = '\0';
    *text = slice_of(text->data + 3, text->size - 3);
    return true;
}

/* ---- text ---- */

/* The length of the well-formed UTF-8 character at `at`, 0 if there is none. */
static size_t character(struct slice text, size_t at) {
    size_t size = 1;
    while (size < 4 && at + size < text.size && is_continuation(text.data[at + size])) {
        size++;
    }
    return utf8_valid(slice_of(text.data + at, size)) ? size : 0;
}

/* C0, DEL, and C1 (U+0080 to U+009F). */
static bool is_control(const uint8_t *at, size_t size) {
    return (size == 1 && (at[0] < 0x20 || at[0] == 0x7F)) ||
           (size == 2 && at[0] == 0xC2 && at[1] < 0xA0);
}

/* Appends `text` to the line. What is not text becomes U+FFFD, once for a run of it; what has no
 * room is left out, and the line is too long. */
static void put_text(struct keys_line *line, struct slice text) {
    size_t length = strlen(line->text);
    bool strange = false;
    for (size_t at = 0; at < text.size;) {
        size_t size = character(text, at);
        bool good = size > 0 && !is_control(text.data + at, size);
        const void *from = good ? (const void *)(text.data + at) : replacement;
        size_t bytes = good ? size : sizeof(replacement) - 1;
        if (good || !strange) {
            if (length + bytes > KEYS_LINE_MAX) {
                line->fault = KEYS_TOO_LONG;
                break;
            }
            memcpy(line->text + length, from, bytes);
            length += bytes;
        }
        if (!good && line->fault == KEYS_GOOD) {
            line->fault = KEYS_NOT_TEXT;
        }
        strange = !good;
        at += size > 0 ? size : 1;
    }
    line->text[length] = '\0';
}

/* text has room for it behind KEYS_LINE_MAX. */
static void put_mark(struct keys_line *line) {
    if (strstr(line->text, replacement) == NULL) {
        memcpy(line->text + strlen(line->text), replacement, sizeof(replacement));
    }
}

/* Prefix, suffix and identifier off, the rest into the line. A scanner may put its identifier
 * before or behind its prefix. */
static void read_framed(const struct keys_config *config, struct slice text,
                        struct keys_line *line) {
    bool named = take_symbology(&text, line->symbology);
    bool prefix = take_prefix(&text, config->prefix, config->prefix_size);
    named = named || take_symbology(&text, line->symbology);
    bool suffix = take_suffix(&text, config->suffix, config->suffix_size);
    bool both = config->prefix_size > 0 && config->suffix_size > 0;
    line->scanned = line->scanned || named || prefix || suffix;
    put_text(line, text);
    if (both && prefix != suffix && line->fault == KEYS_GOOD) {
        line->fault = KEYS_TORN;
    }
}

/* Whether only blanks and nothing else stand there. */
static bool is_blank(struct slice text) {
    for (size_t i = 0; i < text.size; i++) {
        if (text.data[i] != ' ') {
            return false;
        }
    }
    return true;
}

bool keys_read(const struct keys_config *config, struct slice typed, bool fast,
               struct keys_line *line) {
    *line = (struct keys_line){.scanned = fast};
    while (typed.size > 0 && is_end(typed.data[typed.size - 1])) {
        typed.size--;
    }
    while (typed.size > 0 && is_end(typed.data[0])) {
        typed = slice_of(typed.data + 1, typed.size - 1);
    }
    if (is_blank(typed)) {
        return false;
    }
    read_framed(config, typed, line);
    if (line->fault != KEYS_GOOD) {
        put_mark(line);
    }
    return line->text[0] != '\0';
}

/* ---- one byte at a time ---- */

void keys_init(struct keys *keys, const struct keys_config *config) {
    *keys = (struct keys){.config = *config};
}

void keys_reset(struct keys *keys) {
    keys->count = 0;
    keys->burst_from = 0;
    keys->burst_keys = 0;
    keys->overflow = keys->spoilt = keys->edited = keys->edit_last = false;
}

bool keys_pending(const struct keys *keys) {
    return keys->count > 0 || keys->spoilt;
}

struct slice keys_typed(const struct keys *keys) {
    return slice_of(keys->raw, keys->count);
}

/* Whether this key comes as fast behind the one before as a scanner types; else a burst begins. */
static bool goes_on(struct keys *keys, struct mono_ms now) {
    bool behind = keys_pending(keys) || keys->edit_last;
    bool fast = behind && now.ms - keys->last.ms <= keys->config.gap_ms;
    keys->last = now;
    if (!fast) {
        keys->burst_from = keys->count;
        keys->burst_keys = 0;
    }
    return fast;
}

static void put_byte(struct keys *keys, uint8_t byte) {
    if (keys->count == sizeof(keys->raw)) {
        keys->overflow = true;
        return;
    }
    keys->raw[keys->count++] = byte;
    keys->burst_keys += is_continuation(byte) ? 0 : 1;
}

void keys_spoil(struct keys *keys, struct mono_ms now) {
    goes_on(keys, now);
    keys->spoilt = true;
    keys->edit_last = false;
    put_byte(keys, 0x1A);
}

static bool is_edit(uint8_t byte) {
    return byte == 0x08 || byte == 0x7F || byte == 0x1B || byte == 0x15;
}

/* Takes back the last character, or all of them. */
static void edit(struct keys *keys, uint8_t byte) {
    bool all = byte == 0x1B || byte == 0x15;
    while (!all && keys->count > 0 && is_continuation(keys->raw[keys->count - 1])) {
        keys->count--;
    }
    keys->count -= !all && keys->count > 0 ? 1 : 0;
    if (all || keys->count == 0) {
        keys_reset(keys);
    }
    keys->burst_from = keys->count;
    keys->burst_keys = 0;
    keys->edited = keys->count > 0;
    keys->edit_last = true;
}

/* A byte that is no end. Barcodes can hold backspace and Escape too: next to another key of a
 * burst they are not a person's, and "12, back, 7" must not become 17. */
static void put_key(struct keys *keys, uint8_t byte, struct mono_ms now) {
    bool framing = (keys->config.prefix_size > 0 && keys->config.prefix[0] == byte) ||
                   (keys->config.suffix_size > 0 && keys->config.suffix[0] == byte);
    bool editing = is_edit(byte) && !framing;
    bool fast = goes_on(keys, now);
    if (fast && editing != keys->edit_last && !keys->config.bunched) {
        keys->spoilt = true;
    } else if (editing) {
        edit(keys, byte);
        return;
    }
    keys->edit_last = false;
    put_byte(keys, byte);
}

/* The line that has come to its end. A scan behind a half-typed number is told by its speed, or by
 * an identifier in the middle; the two must never become one number. */
static void finish(struct keys *keys, bool fast, struct keys_line *line) {
    struct slice head = slice_of(keys->raw, keys->burst_from);
    struct slice tail = slice_of(keys->raw + keys->burst_from, keys->count - keys->burst_from);
    struct slice all = slice_of(keys->raw, keys->count);
    bool burst = fast && keys->burst_keys > 0;
    bool split = burst && head.size > 0 && keys->burst_keys >= BURST_KEYS_MIN;
    if (split && is_blank(head)) {
        all = tail;
        head.size = 0;
    }
    *line = (struct keys_line){.scanned = burst && (head.size == 0 || split) && !keys->edited};
    if (split && head.size > 0) {
        line->fault = KEYS_MIXED;
        put_text(line, head);
        put_mark(line);
        read_framed(&keys->config, tail, line);
    } else {
        read_framed(&keys->config, all, line);
    }
    if (keys->overflow) {
        line->fault = KEYS_TOO_LONG;
    } else if (keys->spoilt && line->fault == KEYS_GOOD) {
        line->fault = KEYS_NOT_TEXT;
    }
    if (line->fault != KEYS_GOOD) {
        put_mark(line);
    }
}

bool keys_take(struct keys *keys, uint8_t byte, struct mono_ms now, struct keys_line *line) {
    if (!is_end(byte)) {
        put_key(keys, byte, now);
        return false;
    }
    bool fast = now.ms - keys->last.ms <= keys->config.gap_ms;
    bool empty = is_blank(slice_of(keys->raw, keys->count)) && !keys->spoilt;
    if (!empty) {
        finish(keys, fast, line);
    }
    keys_reset(keys);
    return !empty && line->text[0] != '\0';
}

enum error_code keys_fault_error(enum keys_fault fault, struct error *err) {
    switch (fault) {
    case KEYS_NOT_TEXT:
        error_set(err, ERR_FORM, "control characters, or not UTF-8");
        return error_say(err, "The scanner sent something that is no text. Scan it again, or type "
                              "the number.");
    case KEYS_TOO_LONG:
        error_set(err, ERR_LIMIT, "a line over %d bytes", KEYS_LINE_MAX);
        return error_say(err, "That is far too long for a bib number or a chip. Scan the bib's own "
                              "barcode.");
    case KEYS_TORN:
        error_set(err, ERR_TRUNCATED, "prefix without suffix, or suffix without prefix");
        return error_say(err, "A part of the scan is missing. Scan it again.");
    case KEYS_MIXED:
        error_set(err, ERR_TRUNCATED, "fast keys behind slow ones, without an end between");
        return error_say(err, "Something half typed stood before the scan. Nothing was taken: "
                              "scan it again.");
    case KEYS_GOOD:
        break;
    }
    error_clear(err);
    return ERR_OK;
}
