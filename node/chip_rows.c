/*
 * chip_rows.c: see chip_rows.h. Must never ask the ledger: a row is judged by itself, and against
 * the others of its file.
 */
#include "node/chip_rows.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { FIELDS_MAX = CHIP_ROWS_FIELDS_MAX };

enum error_code chip_rows_begin(struct chip_rows *rows, struct slice file, struct error *err) {
    *rows = (struct chip_rows){.bad = calloc(CHIP_ROWS_BAD_MAX, sizeof(*rows->bad))};
    buffer_init(&rows->text);
    csv_open(&rows->csv, file);
    return rows->bad == NULL ? error_set(err, ERR_MEMORY, "a file of chips") : ERR_OK;
}

void chip_rows_release(struct chip_rows *rows) {
    buffer_release(&rows->text);
    free(rows->row);
    free(rows->bad);
    *rows = (struct chip_rows){.count = 0};
}

void chip_rows_bad(struct chip_rows *rows, uint64_t line, bool input, const char *say) {
    if (rows->bad_count < CHIP_ROWS_BAD_MAX) {
        struct chip_rows_bad *bad = &rows->bad[rows->bad_count];
        bad->line = line;
        snprintf(bad->say, sizeof(bad->say), "%.*s", (int)sizeof(bad->say) - 1, say);
    }
    rows->bad_count++;
    rows->bad_input = rows->bad_input || input;
}

/* ---- one row ---- */

static struct slice trimmed(struct slice field) {
    while (field.size > 0 && (field.data[0] == ' ' || field.data[0] == '\t')) {
        field = slice_of(field.data + 1, field.size - 1);
    }
    while (field.size > 0 &&
           (field.data[field.size - 1] == ' ' || field.data[field.size - 1] == '\t')) {
        field.size--;
    }
    return field;
}

static bool is_word(struct slice field, const char *word) {
    size_t length = strlen(word);
    for (size_t i = 0; field.size == length && i < length; i++) {
        if ((field.data[i] | 0x20) != (uint8_t)word[i]) {
            return false;
        }
    }
    return field.size == length;
}

static enum error_code read_heading(struct chip_rows *rows, const struct slice *fields,
                                    size_t count, struct error *err) {
    static const char *const names[COLUMN_COUNT] = {"bib", "epc", "tid"};
    for (size_t i = 0; i < COLUMN_COUNT; i++) {
        rows->column[i] = FIELDS_MAX;
        for (size_t j = 0; j < count && j < FIELDS_MAX; j++) {
            if (rows->column[i] == FIELDS_MAX && is_word(trimmed(fields[j]), names[i])) {
                rows->column[i] = j;
            }
        }
    }
    rows->has_heading = true;
    if (rows->column[COLUMN_BIB] < FIELDS_MAX && rows->column[COLUMN_EPC] < FIELDS_MAX) {
        return ERR_OK;
    }
    error_set(err, ERR_FORM, "no columns bib and epc in the first line");
    return error_say(err, "The first line of the file must name its columns: bib, epc and, where "
                          "the chips have one, tid.");
}

static struct slice field_of(const struct chip_rows *rows, enum chip_column column,
                             const struct slice *fields, size_t count) {
    size_t at = rows->column[column];
    return at < count && at < FIELDS_MAX ? trimmed(fields[at]) : (struct slice){NULL, 0};
}

static bool add_line(struct chip_rows *rows, const struct chip_row *line) {
    if (rows->count == rows->capacity) {
        size_t wanted = rows->capacity == 0 ? 1024 : 2 * rows->capacity;
        struct chip_row *grown = realloc(rows->row, wanted * sizeof(*grown));
        if (grown == NULL) {
            return false;
        }
        rows->row = grown;
        rows->capacity = wanted;
    }
    rows->row[rows->count++] = *line;
    return true;
}

/* A line by itself: a number of this event, and a chip that may carry it. */
static enum error_code read_line(const struct chip_rows *rows, const struct slice *fields,
                                 size_t count, struct chip_row *line, struct error *err) {
    const struct record_found *found = rows->found;
    struct slice tid = field_of(rows, COLUMN_TID, fields, count);
    uint64_t number = 0;
    enum error_code code =
        bib_parse(field_of(rows, COLUMN_BIB, fields, count), found->zeros_count, &line->bib, err);
    if (code == ERR_OK &&
        !(bib_number(&line->bib, &number) &&
          (bib_ranges_hold(&found->bibs, number) || bib_ranges_hold(&found->late, number)))) {
        error_set(err, ERR_BIB, "bib %s", line->bib.text);
        code = error_say(err, "Bib %s is not a number of this event.", line->bib.text);
    }
    if (code == ERR_OK) {
        code = epc_parse(field_of(rows, COLUMN_EPC, fields, count), &line->tag.epc, err);
    }
    if (code == ERR_OK && tid.size > 0) {
        code = tid_parse(tid, &line->tag.tid, err);
    }
    return code == ERR_OK ? epc_fits(&record_found_category(found, &line->bib)->scheme, &line->bib,
                                     &line->tag.epc, err)
                          : code;
}

static enum error_code take_row(struct chip_rows *rows, const struct slice *fields, size_t count,
                                uint64_t number, struct error *err) {
    struct chip_row line = {.number = number};
    struct error why;
    if (count == 1 && trimmed(fields[0]).size == 0) {
        return ERR_OK; /* an empty line */
    }
    if (!rows->has_heading) {
        return read_heading(rows, fields, count, err);
    }
    if (read_line(rows, fields, count, &line, &why) != ERR_OK) {
        chip_rows_bad(rows, number, true, why.say);
        return ERR_OK;
    }
    if (rows->count == CHIP_ROWS_MAX) {
        return error_set(err, ERR_LIMIT, "over %d lines", CHIP_ROWS_MAX);
    }
    return add_line(rows, &line) ? ERR_OK : error_set(err, ERR_MEMORY, "lines of a file");
}

/* ---- lines against each other ---- */

static int by_bib(const void *a, const void *b) {
    const struct chip_row *left = a;
    const struct chip_row *right = b;
    int order = bib_compare(&left->bib, &right->bib);
    return order != 0 ? order : left->number < right->number ? -1 : 1;
}

static int compare_bytes(const uint8_t *a, size_t a_size, const uint8_t *b, size_t b_size) {
    return a_size != b_size ? (a_size < b_size ? -1 : 1) : memcmp(a, b, a_size);
}

static int by_epc(const void *a, const void *b) {
    const struct chip_row *left = *(struct chip_row *const *)a;
    const struct chip_row *right = *(struct chip_row *const *)b;
    int order = compare_bytes(left->tag.epc.data, left->tag.epc.size, right->tag.epc.data,
                              right->tag.epc.size);
    return order != 0 ? order : left->number < right->number ? -1 : 1;
}

static int by_tid(const void *a, const void *b) {
    const struct chip_row *left = *(struct chip_row *const *)a;
    const struct chip_row *right = *(struct chip_row *const *)b;
    int order = compare_bytes(left->tag.tid.data, left->tag.tid.size, right->tag.tid.data,
                              right->tag.tid.size);
    return order != 0 ? order : left->number < right->number ? -1 : 1;
}

static void note_twins(struct chip_rows *rows, struct chip_row *const *sorted, bool tid) {
    for (size_t i = 1; i < rows->count; i++) {
        const struct chip_row *a = sorted[i - 1];
        const struct chip_row *b = sorted[i];
        bool same =
            tid ? a->tag.tid.size > 0 && compare_bytes(a->tag.tid.data, a->tag.tid.size,
                                                       b->tag.tid.data, b->tag.tid.size) == 0
                : compare_bytes(a->tag.epc.data, a->tag.epc.size, b->tag.epc.data,
                                b->tag.epc.size) == 0;
        if (same) {
            char say[CHIP_ROWS_SAY_SIZE];
            snprintf(say, sizeof(say), "The same chip stands on line %llu too, for bib %s.",
                     (unsigned long long)a->number, a->bib.text);
            chip_rows_bad(rows, b->number, true, say);
        }
    }
}

/* One chip that stands on two lines. */
static enum error_code find_twins(struct chip_rows *rows, struct error *err) {
    struct chip_row **sorted = calloc(rows->count + 1, sizeof(struct chip_row *));
    if (sorted == NULL) {
        return error_set(err, ERR_MEMORY, "lines of a file");
    }
    for (size_t i = 0; i < rows->count; i++) {
        sorted[i] = &rows->row[i];
    }
    if (rows->count > 1) {
        qsort(sorted, rows->count, sizeof(struct chip_row *), by_tid);
        note_twins(rows, sorted, true);
    }
    if (rows->count > 1 && rows->found->epc_unique) {
        qsort(sorted, rows->count, sizeof(struct chip_row *), by_epc);
        note_twins(rows, sorted, false);
    }
    free(sorted);
    return ERR_OK;
}

size_t chip_rows_of_bib(const struct chip_rows *rows, size_t first) {
    size_t count = 1;
    while (first + count < rows->count &&
           strcmp(rows->row[first].bib.text, rows->row[first + count].bib.text) == 0) {
        count++;
    }
    return count;
}

/* ---- all rows ---- */

/* All lines are read: they are put in order, and against each other. */
static enum error_code end_parsing(struct chip_rows *rows, struct error *err) {
    if (!rows->has_heading) {
        error_set(err, ERR_FORM, "an empty file");
        return error_say(err, "There is nothing in that file.");
    }
    if (rows->count > 1) {
        qsort(rows->row, rows->count, sizeof(*rows->row), by_bib);
    }
    return find_twins(rows, err);
}

enum error_code chip_rows_read(struct chip_rows *rows, size_t max, bool *done, struct error *err) {
    struct slice fields[FIELDS_MAX];
    enum error_code code = ERR_OK;
    *done = false;
    for (size_t i = 0; code == ERR_OK && i < max; i++) {
        size_t count = 0;
        uint64_t number = 0;
        switch (csv_read(&rows->csv, &rows->text, fields, FIELDS_MAX, &count, &number)) {
        case CSV_END:
            *done = true;
            return end_parsing(rows, err);
        case CSV_ROW:
            code = take_row(rows, fields, count, number, err);
            break;
        case CSV_BROKEN:
            chip_rows_bad(rows, number, true, "A quotation mark stands where none may be.");
            break;
        case CSV_NO_MEMORY:
            code = error_set(err, ERR_MEMORY, "a line of a file");
            break;
        }
    }
    return code;
}

static int by_line(const void *a, const void *b) {
    const struct chip_rows_bad *left = a;
    const struct chip_rows_bad *right = b;
    return left->line < right->line ? -1 : left->line > right->line;
}

void chip_rows_sort_bad(struct chip_rows *rows) {
    if (rows->bad_count > 1) {
        qsort(rows->bad, chip_rows_bad_kept(rows), sizeof(*rows->bad), by_line);
    }
}

size_t chip_rows_bad_kept(const struct chip_rows *rows) {
    return rows->bad_count < CHIP_ROWS_BAD_MAX ? rows->bad_count : CHIP_ROWS_BAD_MAX;
}
