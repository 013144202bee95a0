/*
 * csv.c: rows of RFC 4180.
 * Must never write a field that a spreadsheet would run as a formula.
 */
#include "common/csv.h"

#include <string.h>

static void put_field(struct buffer *out, const char *field) {
    bool formula = field[0] != '\0' && strchr("=+-@\t\r", field[0]) != NULL;
    bool quoted = strpbrk(field, ",\"\r\n") != NULL;
    if (quoted) {
        buffer_append(out, "\"", 1);
    }
    if (formula) {
        buffer_append(out, "'", 1);
    }
    for (const char *at = field; *at != '\0';) {
        size_t plain = strcspn(at, "\"");
        buffer_append(out, at, plain);
        at += plain;
        if (*at == '"') {
            buffer_append(out, "\"\"", 2);
            at++;
        }
    }
    if (quoted) {
        buffer_append(out, "\"", 1);
    }
}

void csv_row(struct buffer *out, const char *const *fields, size_t count) {
    for (size_t i = 0; i < count; i++) {
        if (i > 0) {
            buffer_append(out, ",", 1);
        }
        put_field(out, fields[i]);
    }
    buffer_append(out, "\r\n", 2);
}
