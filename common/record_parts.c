/*
 * record_parts.c: see record_parts.h. Must never judge more than shape.
 */
#include "common/record_parts.h"

#include <string.h>

#include "common/fields.h"

bool part_get_short_text(struct canon_reader *reader, struct slice *text) {
    return canon_get_text(reader, text) && text->size <= RECORD_TEXT_MAX;
}

/* A value from 1 to `max`, of an enumeration. */
bool part_get_choice(struct canon_reader *reader, unsigned max, unsigned *choice) {
    uint64_t value = 0;
    if (!canon_get_uint(reader, &value) || value < 1 || value > max) {
        return false;
    }
    *choice = (unsigned)value;
    return true;
}

/* A flag that is absent unless true. */
bool part_get_true(struct canon_reader *reader, bool *flag) {
    return canon_get_bool(reader, flag) && *flag;
}

bool part_get_count(struct canon_reader *reader, size_t min, size_t max, size_t *count) {
    return canon_get_array(reader, count) && *count >= min && *count <= max;
}

bool part_get_number(struct canon_reader *reader, uint64_t *number) {
    return canon_get_uint(reader, number) && *number >= 1 && *number <= RECORD_NUMBER_MAX;
}

bool part_get_bib(struct canon_reader *reader, struct bib *bib) {
    struct slice text;
    /* Whether leading zeros may stand is the event's to say, and is checked where it is known. */
    if (!canon_get_text(reader, &text) || !bib_is_stored_form(text, true)) {
        return false;
    }
    memset(bib->text, 0, sizeof(bib->text));
    memcpy(bib->text, text.data, text.size);
    return true;
}

bool part_get_key(struct canon_reader *reader, struct sign_public *key) {
    return canon_get_exact(reader, key->bytes, sizeof(key->bytes));
}

bool part_get_ticket_id(struct canon_reader *reader, struct ticket_id *id) {
    return canon_get_exact(reader, id->bytes, sizeof(id->bytes));
}

bool part_get_head(struct canon_reader *reader, struct record_head *head) {
    size_t count = 0;
    return part_get_count(reader, 3, 3, &count) &&
           canon_get_exact(reader, head->log.bytes, sizeof(head->log.bytes)) &&
           part_get_number(reader, &head->number) &&
           canon_get_exact(reader, head->id.bytes, sizeof(head->id.bytes));
}

bool part_get_range(struct canon_reader *reader, struct bib_range *range) {
    size_t count = 0;
    return part_get_count(reader, 2, 2, &count) && canon_get_uint(reader, &range->first) &&
           canon_get_uint(reader, &range->last) && range->first <= range->last;
}

bool part_get_ranges(struct canon_reader *reader, size_t min, struct bib_ranges *ranges) {
    if (!part_get_count(reader, min, BIB_RANGES_MAX, &ranges->count)) {
        return false;
    }
    for (size_t i = 0; i < ranges->count; i++) {
        if (!part_get_range(reader, &ranges->range[i])) {
            return false;
        }
    }
    return true;
}

bool part_get_ids(struct canon_reader *reader, size_t max, size_t *count, struct record_id *ids) {
    if (!part_get_count(reader, 1, max, count)) {
        return false;
    }
    for (size_t i = 0; i < *count; i++) {
        if (!canon_get_exact(reader, ids[i].bytes, sizeof(ids[i].bytes))) {
            return false;
        }
    }
    return true;
}

bool part_get_chip(struct canon_reader *reader, enum chip_where *chip) {
    unsigned choice = 0;
    if (!part_get_choice(reader, CHIP_ON_BIB, &choice)) {
        return false;
    }
    *chip = (enum chip_where)choice;
    return true;
}

void part_put_key(struct buffer *out, const struct sign_public *key) {
    canon_put_bytes(out, slice_of(key->bytes, sizeof(key->bytes)));
}

void part_put_ticket_id(struct buffer *out, const struct ticket_id *id) {
    canon_put_bytes(out, slice_of(id->bytes, sizeof(id->bytes)));
}

void part_put_id(struct buffer *out, const struct record_id *id) {
    canon_put_bytes(out, slice_of(id->bytes, sizeof(id->bytes)));
}

void part_put_head(struct buffer *out, const struct record_head *head) {
    canon_put_array(out, 3);
    canon_put_bytes(out, slice_of(head->log.bytes, sizeof(head->log.bytes)));
    canon_put_uint(out, head->number);
    part_put_id(out, &head->id);
}

void part_put_range(struct buffer *out, const struct bib_range *range) {
    canon_put_array(out, 2);
    canon_put_uint(out, range->first);
    canon_put_uint(out, range->last);
}

void part_put_ranges(struct buffer *out, const struct bib_ranges *ranges) {
    canon_put_array(out, ranges->count);
    for (size_t i = 0; i < ranges->count; i++) {
        part_put_range(out, &ranges->range[i]);
    }
}

void part_put_ids(struct buffer *out, size_t count, const struct record_id *ids) {
    canon_put_array(out, count);
    for (size_t i = 0; i < count; i++) {
        part_put_id(out, &ids[i]);
    }
}

/* Whole 16-bit words, as Gen2 memory has them. */
static bool get_words(struct canon_reader *reader, size_t size_max, uint8_t *data, uint8_t *size) {
    struct slice bytes;
    if (!canon_get_bytes(reader, &bytes) || bytes.size < 2 || bytes.size > size_max ||
        bytes.size % 2 != 0) {
        return false;
    }
    memcpy(data, bytes.data, bytes.size);
    *size = (uint8_t)bytes.size;
    return true;
}

static bool take_tag(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_tag *tag = into;
    switch (key) {
    case 1:
        return get_words(reader, EPC_SIZE_MAX, tag->epc.data, &tag->epc.size);
    case 2:
        return get_words(reader, TID_SIZE_MAX, tag->tid.data, &tag->tid.size);
    case 3:
        return part_get_short_text(reader, &tag->roll);
    case 4:
        return canon_get_bool(reader, &tag->seen);
    default:
        return canon_skip(reader, NULL);
    }
}

bool part_get_tags(struct canon_reader *reader, size_t min, size_t *count,
                   struct record_tag *tags) {
    if (!part_get_count(reader, min, RECORD_TAGS_MAX, count)) {
        return false;
    }
    for (size_t i = 0; i < *count; i++) {
        if (!fields_read(reader, FIELDS_BIT(1) | FIELDS_BIT(4), take_tag, &tags[i])) {
            return false;
        }
    }
    return true;
}

static void put_tag(struct buffer *out, const struct record_tag *tag) {
    canon_put_map(out, 2U + (tag->tid.size > 0 ? 1U : 0U) + (tag->roll.size > 0 ? 1U : 0U));
    canon_put_uint(out, 1);
    canon_put_bytes(out, slice_of(tag->epc.data, tag->epc.size));
    if (tag->tid.size > 0) {
        canon_put_uint(out, 2);
        canon_put_bytes(out, slice_of(tag->tid.data, tag->tid.size));
    }
    if (tag->roll.size > 0) {
        canon_put_uint(out, 3);
        canon_put_text(out, tag->roll);
    }
    canon_put_uint(out, 4);
    canon_put_bool(out, tag->seen);
}

void part_put_tags(struct buffer *out, size_t count, const struct record_tag *tags) {
    canon_put_array(out, count);
    for (size_t i = 0; i < count; i++) {
        put_tag(out, &tags[i]);
    }
}
