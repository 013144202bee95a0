/*
 * log.c: log lines and standing alarms. It must never write anything but text that is safe on a
 * terminal, and never block the loop for anything but standard error itself.
 */
#include "node/log.h"

#include "node/station.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static struct {
    size_t count;
    struct pairs_alarm alarm[LOG_ALARMS_MAX];
} standing;

/* Bytes of UTF-8 above ASCII stay; C0 controls and DEL do not. C1 controls come as C2 80..9F. */
static void make_harmless(char *text) {
    for (unsigned char *at = (unsigned char *)text; *at != 0; at++) {
        if (*at < 0x20 || *at == 0x7f) {
            *at = '?';
        } else if (*at == 0xc2 && at[1] >= 0x80 && at[1] < 0xa0) {
            *at = '?';
            at[1] = '?';
        }
    }
}

__attribute__((format(printf, 1, 0))) static void line(const char *format, va_list arguments) {
    char text[1024];
    char when[21];
    vsnprintf(text, sizeof text, format, arguments);
    make_harmless(text);
    wall_text(station_wall(), when);
    fprintf(stderr, "%s %s\n", when, text);
    fflush(stderr);
}

void log_line(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    line(format, arguments);
    va_end(arguments);
}

void log_alarm(const struct pairs_alarm *alarm) {
    for (size_t i = 0; i < standing.count; i++) {
        if (strcmp(standing.alarm[i].name, alarm->name) == 0 &&
            strcmp(standing.alarm[i].say, alarm->say) == 0) {
            return;
        }
    }
    if (standing.count == LOG_ALARMS_MAX) {
        memmove(&standing.alarm[0], &standing.alarm[1],
                (LOG_ALARMS_MAX - 1) * sizeof standing.alarm[0]);
        standing.count--;
    }
    struct pairs_alarm *kept = &standing.alarm[standing.count++];
    *kept = *alarm;
    make_harmless(kept->say);
    log_line("%s", alarm->say);
}

void log_alarm_say(const char *name, const char *format, ...) {
    struct pairs_alarm alarm = {{0}, {0}};
    snprintf(alarm.name, sizeof alarm.name, "%s", name);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(alarm.say, sizeof alarm.say, format, arguments);
    va_end(arguments);
    log_alarm(&alarm);
}

void log_alarm_over(const char *name, const char *about) {
    size_t kept = 0;
    for (size_t i = 0; i < standing.count; i++) {
        const struct pairs_alarm *alarm = &standing.alarm[i];
        if (strcmp(alarm->name, name) != 0 ||
            (about != NULL && strstr(alarm->say, about) == NULL)) {
            standing.alarm[kept++] = *alarm;
        } else {
            log_line("No longer so: %s", alarm->say);
        }
    }
    standing.count = kept;
}

size_t log_alarms(struct pairs_alarm *out, size_t max) {
    size_t count = standing.count < max ? standing.count : max;
    memcpy(out, standing.alarm, count * sizeof *out);
    return count;
}
