/*
 * record_parts.h: the parts that several bodies share, read and written, for record_bodies*.c and
 * record_day.c alone.
 *
 * A reader (`part_get_`) gives false when what is next is not of that shape; where it then stands
 * means nothing. A writer appends to *out, whose `failed` tells.
 */
#ifndef BIBWEAVE_RECORD_PARTS_H
#define BIBWEAVE_RECORD_PARTS_H

#include "common/canon.h"
#include "common/record.h"

bool part_get_short_text(struct canon_reader *reader, struct slice *text);
bool part_get_choice(struct canon_reader *reader, unsigned max, unsigned *choice);
bool part_get_true(struct canon_reader *reader, bool *flag);
bool part_get_count(struct canon_reader *reader, size_t min, size_t max, size_t *count);
bool part_get_number(struct canon_reader *reader, uint64_t *number);
bool part_get_bib(struct canon_reader *reader, struct bib *bib);
bool part_get_key(struct canon_reader *reader, struct sign_public *key);
bool part_get_ticket_id(struct canon_reader *reader, struct ticket_id *id);
bool part_get_head(struct canon_reader *reader, struct record_head *head);
bool part_get_range(struct canon_reader *reader, struct bib_range *range);
bool part_get_ranges(struct canon_reader *reader, size_t min, struct bib_ranges *ranges);
bool part_get_ids(struct canon_reader *reader, size_t max, size_t *count, struct record_id *ids);
bool part_get_chip(struct canon_reader *reader, enum chip_where *chip);
void part_put_key(struct buffer *out, const struct sign_public *key);
void part_put_ticket_id(struct buffer *out, const struct ticket_id *id);
void part_put_id(struct buffer *out, const struct record_id *id);
void part_put_head(struct buffer *out, const struct record_head *head);
void part_put_range(struct buffer *out, const struct bib_range *range);
void part_put_ranges(struct buffer *out, const struct bib_ranges *ranges);
void part_put_ids(struct buffer *out, size_t count, const struct record_id *ids);
bool part_get_tags(struct canon_reader *reader, size_t min, size_t *count, struct record_tag *tags);
void part_put_tags(struct buffer *out, size_t count, const struct record_tag *tags);

#endif
