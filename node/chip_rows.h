/*
 * chip_rows.h: the rows of a supplier's list of chips, read and put in order, and which are wrong.
 * For issue_file.c alone. No I/O.
 */
#ifndef BIBWEAVE_CHIP_ROWS_H
#define BIBWEAVE_CHIP_ROWS_H

#include "common/csv.h"
#include "common/record.h"

enum {
    CHIP_ROWS_MAX = 200000,
    CHIP_ROWS_BAD_MAX = 1000, /* wrong rows of which it is kept why */
    CHIP_ROWS_SAY_SIZE = 160,
    CHIP_ROWS_FIELDS_MAX = 32,
};

enum chip_column { COLUMN_BIB, COLUMN_EPC, COLUMN_TID, COLUMN_COUNT };

/* What becomes of a bib, on the first of its rows. */
enum chip_fate { FATE_RECORD, FATE_ALREADY, FATE_LEFT_OUT };

struct chip_row {
    struct bib bib;
    struct record_tag tag; /* not seen */
    uint64_t number;       /* its line in the file, from 1 */
    enum chip_fate fate;
};
struct chip_rows_bad {
    uint64_t line;
    char say[CHIP_ROWS_SAY_SIZE];
};
struct chip_rows {
    const struct record_found *found; /* borrowed; to be set before each chip_rows_read */
    struct csv_reader csv;
    struct buffer text;
    bool has_heading;
    size_t column[COLUMN_COUNT]; /* which field it is; CHIP_ROWS_FIELDS_MAX: none */
    struct chip_row *row;        /* by bib, then line, once all are read */
    size_t count, capacity;
    struct chip_rows_bad *bad;
    size_t bad_count; /* also of those that are not kept */
    bool bad_input;   /* some row is wrong in itself, not only as things stand */
};

/* `file` is borrowed until the release. Errors: ERR_MEMORY. To be released in any case. */
enum error_code chip_rows_begin(struct chip_rows *rows, struct slice file, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void chip_rows_release(struct chip_rows *rows) __attribute__((nonnull));
/* Reads up to `max` rows; at the end puts them in order and finds chips that stand twice, and sets
 * *done. Errors: ERR_FORM (the first row names no columns), ERR_LIMIT, ERR_MEMORY; a row that is
 * wrong is none. */
enum error_code chip_rows_read(struct chip_rows *rows, size_t max, bool *done, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* How many rows the bib of row `first` has, from there on. */
size_t chip_rows_of_bib(const struct chip_rows *rows, size_t first) __attribute__((nonnull));

/* Puts a row down as wrong; `input`: in itself. */
void chip_rows_bad(struct chip_rows *rows, uint64_t line, bool input, const char *say)
    __attribute__((nonnull));
/* By their lines. */
void chip_rows_sort_bad(struct chip_rows *rows) __attribute__((nonnull));
size_t chip_rows_bad_kept(const struct chip_rows *rows) __attribute__((nonnull));

#endif
