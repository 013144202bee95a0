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

/* ---- reading ---- */

void csv_open(struct csv_reader *reader, struct slice file) {
    static const uint8_t mark[] = {0xEF, 0xBB, 0xBF};
    bool marked = file.size >= sizeof mark && memcmp(file.data, mark, sizeof mark) == 0;
    size_t skipped = marked ? sizeof mark : 0;
    *reader = (struct csv_reader){
        .rest = slice_of(file.data + skipped, file.size - skipped), .separator = ',', .line = 1};
    for (size_t i = 0; i < reader->rest.size; i++) {
        uint8_t c = reader->rest.data[i];
        if (c == ',' || c == ';' || c == '\t') {
            reader->separator = (char)c;
        }
        if (c == ',' || c == ';' || c == '\t' || c == '\n' || c == '\r') {
            return;
        }
    }
}

/* The next byte; -1 at the end. A line's end is one '\n', however it is written. */
static int take(struct csv_reader *reader) {
    if (reader->rest.size == 0) {
        return -1;
    }
    int c = reader->rest.data[0];
    size_t used = 1;
    if (c == '\r') {
        used += reader->rest.size > 1 && reader->rest.data[1] == '\n';
        c = '\n';
    }
    reader->line += c == '\n';
    reader->rest = slice_of(reader->rest.data + used, reader->rest.size - used);
    return c;
}

static void put(struct buffer *text, int c) {
    uint8_t byte = (uint8_t)c;
    buffer_append(text, &byte, 1);
}

/* The rest of a quoted field behind its first quote; *end is what follows the last one. False
 * where there is none. */
static bool read_quoted(struct csv_reader *reader, struct buffer *text, int *end) {
    for (int c = take(reader); c >= 0; c = take(reader)) {
        if (c == '"') {
            *end = take(reader);
            if (*end != '"') {
                return *end < 0 || *end == '\n' || *end == reader->separator;
            }
        }
        put(text, c);
    }
    *end = -1;
    return false;
}

/* One field, and in *end what ended it: the separator, a line's end, or -1. */
static bool read_field(struct csv_reader *reader, struct buffer *text, int *end) {
    int c = take(reader);
    if (c == '"') {
        return read_quoted(reader, text, end);
    }
    for (; c >= 0 && c != '\n' && c != reader->separator; c = take(reader)) {
        if (c == '"') {
            *end = c;
            return false;
        }
        put(text, c);
    }
    *end = c;
    return true;
}

enum csv_got csv_read(struct csv_reader *reader, struct buffer *text, struct slice *fields,
                      size_t max, size_t *count, uint64_t *line) {
    int end = reader->separator;
    bool whole = true;
    buffer_clear(text);
    *count = 0;
    *line = reader->line;
    if (reader->rest.size == 0) {
        return CSV_END;
    }
    while (whole && end == reader->separator) {
        size_t start = text->size;
        whole = read_field(reader, text, &end);
        if (*count < max) { /* by its place, because the text may still move */
            fields[*count] = (struct slice){NULL, text->size - start};
        }
        ++*count;
    }
    while (!whole && end >= 0 && end != '\n') {
        end = take(reader);
    }
    const uint8_t *at = text->data;
    for (size_t i = 0; i < *count && i < max; i++) {
        fields[i].data = at;
        at += fields[i].size;
    }
    return text->failed ? CSV_NO_MEMORY : whole ? CSV_ROW : CSV_BROKEN;
}
