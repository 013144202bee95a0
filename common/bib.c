/*
 * bib.c: labels and ranges of bibs.
 * Must never know an event: whether zeros count is handed in.
 */
#include "common/bib.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

enum { NUMBER_DIGITS_MAX = 12 };

static bool is_digit(uint8_t c) {
    return c >= '0' && c <= '9';
}

static bool is_label_character(uint8_t c) {
    return is_digit(c) || (c >= 'A' && c <= 'Z') || c == '-';
}

static bool all_digits(struct slice text) {
    for (size_t i = 0; i < text.size; i++) {
        if (!is_digit(text.data[i])) {
            return false;
        }
    }
    return text.size > 0;
}

enum error_code bib_parse(struct slice typed, bool zeros_count, struct bib *bib,
                          struct error *err) {
    struct slice text = slice_trimmed(typed);
    if (text.size == 0) {
        error_set(err, ERR_BIB, "the bib is empty");
        return error_say(err, "Type or scan a bib number.");
    }
    while (!zeros_count && all_digits(text) && text.size > 1 && text.data[0] == '0') {
        text = slice_of(text.data + 1, text.size - 1);
    }
    if (text.size > BIB_LENGTH_MAX) {
        error_set(err, ERR_BIB, "%zu characters", text.size);
        return error_say(err, "A bib has at most %d characters. Scan it, or type it again.",
                         BIB_LENGTH_MAX);
    }
    struct bib made = {0};
    for (size_t i = 0; i < text.size; i++) {
        uint8_t c = text.data[i];
        c = c >= 'a' && c <= 'z' ? (uint8_t)(c - 'a' + 'A') : c;
        if (!is_label_character(c)) {
            error_set(err, ERR_BIB, "byte %02x at place %zu", c, i + 1);
            return error_say(err, "A bib has only letters A to Z, digits and hyphens. Scan it, or "
                                  "type it again.");
        }
        made.text[i] = (char)c;
    }
    *bib = made;
    return ERR_OK;
}

bool bib_is_stored_form(struct slice text, bool zeros_count) {
    if (text.size == 0 || text.size > BIB_LENGTH_MAX) {
        return false;
    }
    for (size_t i = 0; i < text.size; i++) {
        if (!is_label_character(text.data[i])) {
            return false;
        }
    }
    return zeros_count || text.size == 1 || text.data[0] != '0' || !all_digits(text);
}

/* Reads up to NUMBER_DIGITS_MAX digits, which cannot overflow. */
static bool read_number(struct slice digits, uint64_t *number) {
    if (!all_digits(digits) || digits.size > NUMBER_DIGITS_MAX) {
        return false;
    }
    uint64_t value = 0;
    for (size_t i = 0; i < digits.size; i++) {
        value = value * 10 + (uint64_t)(digits.data[i] - '0');
    }
    *number = value;
    return true;
}

bool bib_number(const struct bib *bib, uint64_t *number) {
    return read_number(slice_text(bib->text), number);
}

int bib_compare(const struct bib *a, const struct bib *b) {
    uint64_t number_a = 0;
    uint64_t number_b = 0;
    bool numeric_a = bib_number(a, &number_a);
    bool numeric_b = bib_number(b, &number_b);
    if (numeric_a != numeric_b) {
        return numeric_a ? -1 : 1;
    }
    if (number_a != number_b) {
        return number_a < number_b ? -1 : 1;
    }
    return strcmp(a->text, b->text);
}

/* One item: "900" or "1-700". */
static bool read_range(struct slice item, struct bib_range *range) {
    const uint8_t *hyphen = item.size == 0 ? NULL : memchr(item.data, '-', item.size);
    if (hyphen == NULL) {
        bool read = read_number(slice_trimmed(item), &range->first);
        range->last = range->first;
        return read;
    }
    size_t before = (size_t)(hyphen - item.data);
    return read_number(slice_trimmed(slice_of(item.data, before)), &range->first) &&
           read_number(slice_trimmed(slice_of(hyphen + 1, item.size - before - 1)), &range->last) &&
           range->first <= range->last;
}

enum error_code bib_ranges_parse(struct slice typed, struct bib_ranges *ranges, struct error *err) {
    struct bib_ranges made = {0};
    struct slice left = typed;
    for (bool more = true; more;) {
        const uint8_t *comma = left.size == 0 ? NULL : memchr(left.data, ',', left.size);
        size_t length = comma == NULL ? left.size : (size_t)(comma - left.data);
        if (made.count == BIB_RANGES_MAX) {
            error_set(err, ERR_BIB, "more than %d ranges", BIB_RANGES_MAX);
            return error_say(err, "At most %d ranges can be given. Join some of them.",
                             BIB_RANGES_MAX);
        }
        if (!read_range(slice_of(left.data, length), &made.range[made.count])) {
            error_set(err, ERR_BIB, "range %zu", made.count + 1);
            return error_say(err,
                             "Give bib numbers like 1-700,900: the lower number first, at "
                             "most %d digits.",
                             NUMBER_DIGITS_MAX);
        }
        made.count++;
        more = comma != NULL;
        if (more) {
            left = slice_of(comma + 1, left.size - length - 1);
        }
    }
    *ranges = made;
    return ERR_OK;
}

bool bib_ranges_hold(const struct bib_ranges *ranges, uint64_t number) {
    for (size_t i = 0; i < ranges->count; i++) {
        if (number >= ranges->range[i].first && number <= ranges->range[i].last) {
            return true;
        }
    }
    return false;
}

void bib_ranges_text(const struct bib_ranges *ranges, char *out, size_t size) {
    if (size == 0) {
        return;
    }
    out[0] = '\0';
    size_t used = 0;
    for (size_t i = 0; i < ranges->count; i++) {
        const struct bib_range *range = &ranges->range[i];
        const char *comma = i == 0 ? "" : ", ";
        int length = range->first == range->last
                         ? snprintf(out + used, size - used, "%s%" PRIu64, comma, range->first)
                         : snprintf(out + used, size - used, "%s%" PRIu64 "-%" PRIu64, comma,
                                    range->first, range->last);
        if (length < 0 || (size_t)length >= size - used) {
            return;
        }
        used += (size_t)length;
    }
}
