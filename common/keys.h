/*
 * keys.h: lines out of what types: a barcode scanner, a desktop reader that poses as a keyboard, or
 * a person.
 *
 * Bytes go in one at a time with their time, lines come out. A line ends with CR, LF, CRLF or Tab,
 * and an empty one is none. What a scanner is set to put around its data is taken off: a prefix, a
 * suffix, and an AIM symbology identifier ("]C0", ISO/IEC 15424). Nothing else is guessed at: the
 * zero in front that makes an ITF number even and a check character in Code 39 are data here.
 * Any thread, one at a time for each reader; no I/O.
 */
#ifndef BIBWEAVE_KEYS_H
#define BIBWEAVE_KEYS_H

#include "common/bytes.h"
#include "common/error.h"

enum {
    KEYS_AFFIX_MAX = 16, /* bytes of a prefix or suffix */
    KEYS_LINE_MAX = 220, /* bytes of a line: the longest EPC with the longest TID has 189 */
    KEYS_RAW_MAX = KEYS_LINE_MAX + 2 * KEYS_AFFIX_MAX + 3,
    KEYS_GAP_MS = 50,     /* between two keys of a scan, unless said */
    KEYS_GAP_MS_MAX = 500 /* above that, people are as fast */
};

/* What may stand around the data, and how fast a scanner types. All zero but gap_ms is fine. */
struct keys_config {
    uint8_t prefix[KEYS_AFFIX_MAX], suffix[KEYS_AFFIX_MAX];
    size_t prefix_size, suffix_size;
    int64_t gap_ms;
    bool bunched; /* keys may come late and many at once, as from a terminal: then speed says
                     nothing against one that takes back */
};

/* What is wrong with a line. The text of such a line holds U+FFFD, which no label, EPC or card
 * answer does, so that nobody takes it for one by mistake. */
enum keys_fault {
    KEYS_GOOD = 0,
    KEYS_NOT_TEXT, /* control characters, not UTF-8, or keys that mean nothing */
    KEYS_TOO_LONG,
    KEYS_TORN,  /* the prefix without the suffix, or the reverse */
    KEYS_MIXED, /* a scan came behind what was typed and not ended */
};

struct keys_line {
    char text[KEYS_LINE_MAX + 8]; /* UTF-8, NUL-terminated, no control characters */
    bool scanned;                 /* else by hand, as far as can be told */
    char symbology[3];            /* "C0" where the scanner named it, else "" */
    enum keys_fault fault;
};

/* A reader. Read its members never; it owns nothing. */
struct keys {
    struct keys_config config;
    uint8_t raw[KEYS_RAW_MAX];
    size_t count;      /* bytes in raw */
    size_t burst_from; /* where the keys that came fast one after another begin */
    size_t burst_keys; /* how many there are */
    struct mono_ms last;
    bool overflow, spoilt, edited;
    bool edit_last; /* the last key took something back */
};

/* "prefix=TEXT", "suffix=TEXT" or "gap=MS" into *config. In TEXT, \xHH is a byte and \\ a
 * backslash. Errors: ERR_USAGE (another word; empty or no number; an affix that holds what ends a
 * line), ERR_LIMIT (an affix too long, a gap out of 1 to KEYS_GAP_MS_MAX); *config unchanged. */
enum error_code keys_config_word(struct slice word, struct keys_config *config, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* The configuration of a scanner that was never set up. */
struct keys_config keys_config_plain(void);

void keys_init(struct keys *keys, const struct keys_config *config) __attribute__((nonnull));
/* Forgets what was not ended: the scanner was unplugged. */
void keys_reset(struct keys *keys) __attribute__((nonnull));
/* Keys were lost here, or one came that is no character: the line will be a KEYS_NOT_TEXT. */
void keys_spoil(struct keys *keys, struct mono_ms now) __attribute__((nonnull));
/* Whether something was typed and not ended. */
bool keys_pending(const struct keys *keys) __attribute__((nonnull));
/* That, as it came, to be shown with care; borrowed until the next byte. */
struct slice keys_typed(const struct keys *keys) __attribute__((nonnull));

/* Takes one byte. True if it ended a line, which is then in *line. Backspace (08h, 7Fh) takes the
 * last character back and Escape or Ctrl-U the whole line, as people at a keyboard expect; as fast
 * as a scanner types they make the line KEYS_NOT_TEXT (but not where `bunched`). A terminal takes
 * the sequences of its function keys out first. */
bool keys_take(struct keys *keys, uint8_t byte, struct mono_ms now, struct keys_line *line)
    __attribute__((nonnull));

/* The same for a whole line that somebody else has gathered: a page, or a terminal that edits.
 * False if it is empty. An end of line in its middle makes it KEYS_NOT_TEXT. `fast`: it
 * came as fast as a scanner types. */
bool keys_read(const struct keys_config *config, struct slice typed, bool fast,
               struct keys_line *line) __attribute__((nonnull));

/* Fills *err for a line that is not good, with a sentence that says what to do: ERR_FORM, ERR_LIMIT
 * (too long), ERR_TRUNCATED (torn, mixed). ERR_OK for a good one. */
enum error_code keys_fault_error(enum keys_fault fault, struct error *err) __attribute__((nonnull));

#endif
