/*
 * show_day.h: how holds, looks and notes look: as text for people at a terminal, and as JSON.
 * As show.h: what comes from outside is escaped. Any thread; no I/O, but for the local time zone.
 */
#ifndef BIBWEAVE_SHOW_DAY_H
#define BIBWEAVE_SHOW_DAY_H

#include "node/show.h"

/* "held back", "missing", "to be reprinted", "free". */
const char *show_hold_word(enum hold_how how);
const char *show_hold_name(enum hold_how how); /* for programs: "held", "missing", ... */
/* "held back: Lead, 09:12, "wet"" without a line's end. */
void show_hold(struct buffer *out, const struct pairs_hold *hold, struct wall_ms now)
    __attribute__((nonnull));
json_t *show_hold_json(const struct pairs_hold *hold) __attribute__((nonnull));

/* What was seen, in words: "its chips and no others". */
const char *show_verdict(enum look_verdict verdict);
const char *
show_verdict_name(enum look_verdict verdict); /* for programs: "right", "no_chip", ... */
/* One line each, behind `indent`. */
void show_look(struct buffer *out, const char *indent, const struct pairs_look *look,
               struct wall_ms now) __attribute__((nonnull));
json_t *show_look_json(const struct pairs_look *look) __attribute__((nonnull));
void show_note(struct buffer *out, const char *indent, const struct pairs_note *note,
               struct wall_ms now) __attribute__((nonnull));
json_t *show_note_json(const struct pairs_note *note) __attribute__((nonnull));

#endif
