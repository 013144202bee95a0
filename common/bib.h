/*
 * bib.h: bib labels, ranges of bib numbers, and their order.
 * Any thread; no I/O.
 */
#ifndef BIBWEAVE_BIB_H
#define BIBWEAVE_BIB_H

#include "common/bytes.h"
#include "common/error.h"

enum { BIB_LENGTH_MAX = 12, BIB_RANGES_MAX = 64 };

/* A label of 1 to 12 characters A-Z, 0-9 and hyphen, NUL-terminated, in its one stored form:
 * upper case, and for a wholly numeric label without leading zeros unless the event counts them. */
struct bib {
    char text[BIB_LENGTH_MAX + 1];
};

/* Inclusive, first <= last. */
struct bib_range {
    uint64_t first;
    uint64_t last;
};

struct bib_ranges {
    size_t count;
    struct bib_range range[BIB_RANGES_MAX];
};

/* Reads what a person or a scanner typed: surrounding blanks are dropped, letters folded.
 * Errors: ERR_BIB (no label, too long, a character that no label has), *bib unchanged. */
enum error_code bib_parse(struct slice typed, bool zeros_count, struct bib *bib, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* True if `text` is a label in its stored form (what a record must carry). */
bool bib_is_stored_form(struct slice text, bool zeros_count);

/* The number in a wholly numeric label; false for labels with letters or a hyphen. */
bool bib_number(const struct bib *bib, uint64_t *number) __attribute__((nonnull));

/* Order for people: numeric labels first and by number, then the others bytewise. <0, 0, >0. */
int bib_compare(const struct bib *a, const struct bib *b) __attribute__((nonnull));

/* "1-700,900,1200-1300"; blanks are allowed around items. Errors: ERR_BIB (no range, first above
 * last, over BIB_RANGES_MAX items or 12 digits), *ranges unchanged. */
enum error_code bib_ranges_parse(struct slice typed, struct bib_ranges *ranges, struct error *err)
    __attribute__((nonnull, warn_unused_result));
bool bib_ranges_hold(const struct bib_ranges *ranges, uint64_t number) __attribute__((nonnull));
/* "1-700, 900" into out, cut to size. */
void bib_ranges_text(const struct bib_ranges *ranges, char *out, size_t size)
    __attribute__((nonnull));

#endif
