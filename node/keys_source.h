/*
 * keys_source.h: where a scanner's keys come from: an input device of Linux, a serial line, or a
 * FIFO.
 *
 * An input device is grabbed, so that what it types goes nowhere else: not into a terminal, not
 * into a page. A serial line is set raw, 8 bits, no parity. Nothing blocks. One thread.
 */
#ifndef BIBWEAVE_KEYS_SOURCE_H
#define BIBWEAVE_KEYS_SOURCE_H

#include <linux/input.h>
#include <termios.h>

#include "common/keys.h"
#include "node/files.h"
#include "node/keyboard.h"

/* What the words behind `keys:` say. */
struct keys_place {
    char device[FILES_PATH_MAX]; /* "" where it goes by its name */
    char scanner[128];           /* a part of the device's name */
    bool recorded;               /* a FIFO with input events, not bytes */
    speed_t speed;
    struct keys_config keys;
};
/* "/dev/input/by-id/NAME-event-kbd", "scanner=PART OF NAME", and behind commas: prefix=TEXT,
 * suffix=TEXT, gap=MS, baud=N, recorded. A comma in TEXT is \x2C.
 * Errors: ERR_USAGE, ERR_LIMIT; *place undefined. */
enum error_code keys_place_parse(const char *args, struct keys_place *place, struct error *err)
    __attribute__((nonnull, warn_unused_result));

struct keys_source {
    int fd; /* -1: closed */
    bool events;
    bool grabbed;
    char name[160]; /* for people */
    struct keyboard keyboard;
    struct keys keys;
    uint8_t part[sizeof(struct input_event)]; /* of an event that has come in part */
    size_t part_size;
};
/* Errors, each with a sentence: ERR_NOT_FOUND (it is not plugged in), ERR_PERMISSION, ERR_BUSY
 * (another program has grabbed it), ERR_USAGE (nothing that types; two that have the name);
 * source->fd is -1 then. */
enum error_code keys_source_open(const struct keys_place *place, struct keys_source *source,
                                 struct error *err) __attribute__((nonnull, warn_unused_result));
void keys_source_close(struct keys_source *source) __attribute__((nonnull));

typedef void keys_source_line(void *context, const struct keys_line *line);
/* Reads a little of what has come, `sparing` one byte or event alone, and hands each line on.
 * Errors: ERR_NOT_FOUND (it was unplugged): to be closed. */
enum error_code keys_source_read(struct keys_source *source, bool sparing, struct mono_ms now,
                                 keys_source_line *take, void *context, struct error *err)
    __attribute__((nonnull(1, 4, 6), warn_unused_result));

#endif
