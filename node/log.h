/*
 * log.h: what a running node tells people besides answers: lines on standard error, and alarms that
 * stay until their cause is gone and are listed by `status`.
 *
 * Alarms of the ledger itself (forks and the like) are pairs.h's; here are those of this process:
 * a full disk, a peer that sends what no station sends. One process-wide table, as standard error
 * is process-wide; one thread, the loop's.
 */
#ifndef BIBWEAVE_LOG_H
#define BIBWEAVE_LOG_H

#include "common/pairs.h"

enum { LOG_ALARMS_MAX = 32 };

/* One line with the wall time in front. Control characters become '?': a name from outside must
 * not steer a terminal. */
void log_line(const char *format, ...) __attribute__((nonnull, format(printf, 1, 2)));

/* Logs the alarm unless the same one stands already, and keeps it. When the table is full the
 * oldest goes. */
void log_alarm(const struct pairs_alarm *alarm) __attribute__((nonnull));
/* Makes one from a name and a printf-style sentence. */
void log_alarm_say(const char *name, const char *format, ...)
    __attribute__((nonnull, format(printf, 2, 3)));
/* Takes back the alarms of that name whose sentence contains `about` (NULL: all of them), and says
 * so in a line if there were any. */
void log_alarm_over(const char *name, const char *about) __attribute__((nonnull(1)));
/* The standing alarms, oldest first; returns how many, at most `max`. For `status`. */
size_t log_alarms(struct pairs_alarm *out, size_t max) __attribute__((nonnull));

#endif
