/*
 * show.h: how things look: as text for people at a terminal, and as JSON for programs.
 *
 * Names, reasons and file names come from outside. In texts for people, control characters (also
 * the ones that turn the direction of writing) and bytes that are no UTF-8 are written as \xNN,
 * so that no name can draw on a terminal. Any thread; no I/O, but for the local time zone.
 */
#ifndef BIBWEAVE_SHOW_H
#define BIBWEAVE_SHOW_H

#include <jansson.h>

#include "common/pairs.h"

/* Appends text with what could steer a terminal escaped. A line break is escaped too. */
void show_plain(struct buffer *out, struct slice text) __attribute__((nonnull));
/* The same into out[size], cut to whole characters. */
void show_plain_text(const char *text, char *out, size_t size) __attribute__((nonnull));

/* "09:12" by this machine's time zone when it was on the day of `now`, else "2027-05-15 09:12". */
enum { SHOW_TIME_SIZE = 24 };
void show_time(struct wall_ms when, struct wall_ms now, char out[SHOW_TIME_SIZE])
    __attribute__((nonnull));

/* Upper-case hex, as readers and labels have it. */
enum { SHOW_EPC_SIZE = 2 * EPC_SIZE_MAX + 1, SHOW_TID_SIZE = 2 * TID_SIZE_MAX + 1 };
void show_epc(const struct epc *epc, char out[SHOW_EPC_SIZE]) __attribute__((nonnull));
void show_tid(const struct tid *tid, char out[SHOW_TID_SIZE])
    __attribute__((nonnull)); /* may be "" */

/* "Table 2, 09:12, AB": where, when and by whom, escaped. */
void show_who(struct buffer *out, const char *table, struct wall_ms wall, const char *helper,
              struct wall_ms now) __attribute__((nonnull));
/* "destroyed", "lost", "on bib 58" or "" into out[size]. */
void show_chip(enum chip_where chip, const struct bib *bib, char *out, size_t size)
    __attribute__((nonnull));
/* A few lines on one issue, each behind `indent`. */
void show_issue(struct buffer *out, const char *indent, const struct pairs_issue *issue,
                struct wall_ms now) __attribute__((nonnull));
/* "chipped", "not chipped", "chipped twice", "needs a new chip". */
const char *show_state(enum pairs_state state);
/* The sentence that tells two causes of a double apart, for people. */
const char *show_cause(enum pairs_cause cause);

/* ---- JSON. New references; NULL when memory runs out, which show_json takes. ---- */

const char *show_state_name(enum pairs_state state); /* "unissued", ... as DESIGN has them */
const char *show_cause_name(enum pairs_cause cause); /* "unaware", "knowing", "repeat" or "" */
json_t *show_text_json(const char *text) __attribute__((nonnull)); /* any bytes */
json_t *show_hex_json(const uint8_t *data, size_t size) __attribute__((nonnull));
json_t *show_time_json(struct wall_ms when); /* RFC 3339, UTC */
json_t *show_tag_json(const struct epc *epc, const struct tid *tid) __attribute__((nonnull));
json_t *show_issue_json(const struct pairs_issue *issue) __attribute__((nonnull));
/* Appends one line of JSON and drops the reference. */
void show_json(struct buffer *out, json_t *value) __attribute__((nonnull(1)));

#endif
