/*
 * record_day.c: the bodies of what happens all day beside issuing: holds, looks, rolls, notes and
 * handed-over lists, read and written as record.cddl says.
 * Must never judge more than shape: whether a body makes sense in its event is asked elsewhere.
 */
#include "common/record.h"

#include <string.h>

#include "common/fields.h"
#include "common/record_parts.h"

/* A text that says something. */
static bool get_name(struct canon_reader *reader, struct slice *text) {
    return part_get_short_text(reader, text) && text->size > 0;
}

/* How many there are of something, as people say. */
static bool get_amount(struct canon_reader *reader, uint64_t *amount) {
    return canon_get_uint(reader, amount) && *amount <= RECORD_NUMBER_MAX;
}

/* ---- hold ---- */

static bool take_hold(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_hold *hold = into;
    unsigned how = 0;
    switch (key) {
    case 1:
        return part_get_bib(reader, &hold->bib);
    case 2:
        if (!part_get_choice(reader, HOLD_REPRINT, &how)) {
            return false;
        }
        hold->how = (enum hold_how)how;
        return true;
    case 3:
        return part_get_short_text(reader, &hold->reason);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_hold_read(struct slice body, struct record_hold *hold) {
    memset(hold, 0, sizeof(*hold));
    return fields_read_all(body, FIELDS_BIT(1) | FIELDS_BIT(2) | FIELDS_BIT(3), take_hold, hold);
}

void record_hold_write(const struct record_hold *hold, struct buffer *out) {
    canon_put_map(out, 3);
    canon_put_uint(out, 1);
    canon_put_text(out, slice_text(hold->bib.text));
    canon_put_uint(out, 2);
    canon_put_uint(out, hold->how);
    canon_put_uint(out, 3);
    canon_put_text(out, hold->reason);
}

/* ---- look ---- */

static bool take_look(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_look *look = into;
    unsigned verdict = 0;
    switch (key) {
    case 1:
        return part_get_bib(reader, &look->bib);
    case 2:
        return part_get_tags(reader, 0, &look->tag_count, look->tag);
    case 3:
        if (!part_get_choice(reader, LOOK_HALF, &verdict)) {
            return false;
        }
        look->verdict = (enum look_verdict)verdict;
        return true;
    case 4:
        look->has_stack = true;
        return part_get_range(reader, &look->stack);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_look_read(struct slice body, struct record_look *look) {
    memset(look, 0, sizeof(*look));
    return fields_read_all(body, FIELDS_BIT(1) | FIELDS_BIT(2) | FIELDS_BIT(3), take_look, look);
}

void record_look_write(const struct record_look *look, struct buffer *out) {
    canon_put_map(out, look->has_stack ? 4 : 3);
    canon_put_uint(out, 1);
    canon_put_text(out, slice_text(look->bib.text));
    canon_put_uint(out, 2);
    part_put_tags(out, look->tag_count, look->tag);
    canon_put_uint(out, 3);
    canon_put_uint(out, look->verdict);
    if (look->has_stack) {
        canon_put_uint(out, 4);
        part_put_range(out, &look->stack);
    }
}

/* ---- roll ---- */

static bool take_roll(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_roll *roll = into;
    unsigned how = 0;
    switch (key) {
    case 1:
        return get_name(reader, &roll->roll);
    case 2:
        if (!part_get_choice(reader, ROLL_SCRAPPED, &how)) {
            return false;
        }
        roll->how = (enum roll_how)how;
        return true;
    case 3:
        return part_get_true(reader, &roll->pair);
    case 4:
        roll->has_count = true;
        return get_amount(reader, &roll->count);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_roll_read(struct slice body, struct record_roll *roll) {
    memset(roll, 0, sizeof(*roll));
    return fields_read_all(body, FIELDS_BIT(1) | FIELDS_BIT(2), take_roll, roll);
}

void record_roll_write(const struct record_roll *roll, struct buffer *out) {
    canon_put_map(out, 2U + (roll->pair ? 1U : 0U) + (roll->has_count ? 1U : 0U));
    canon_put_uint(out, 1);
    canon_put_text(out, roll->roll);
    canon_put_uint(out, 2);
    canon_put_uint(out, roll->how);
    if (roll->pair) {
        canon_put_uint(out, 3);
        canon_put_bool(out, true);
    }
    if (roll->has_count) {
        canon_put_uint(out, 4);
        canon_put_uint(out, roll->count);
    }
}

/* ---- note ---- */

static bool take_note(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_note *note = into;
    switch (key) {
    case 1:
        return get_name(reader, &note->text);
    case 2:
        note->has_bib = true;
        return part_get_bib(reader, &note->bib);
    case 3:
        note->has_station = true;
        return part_get_key(reader, &note->station);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_note_read(struct slice body, struct record_note *note) {
    memset(note, 0, sizeof(*note));
    return fields_read_all(body, FIELDS_BIT(1), take_note, note);
}

void record_note_write(const struct record_note *note, struct buffer *out) {
    canon_put_map(out, 1U + (note->has_bib ? 1U : 0U) + (note->has_station ? 1U : 0U));
    canon_put_uint(out, 1);
    canon_put_text(out, note->text);
    if (note->has_bib) {
        canon_put_uint(out, 2);
        canon_put_text(out, slice_text(note->bib.text));
    }
    if (note->has_station) {
        canon_put_uint(out, 3);
        part_put_key(out, &note->station);
    }
}

/* ---- handover ---- */

static bool take_handover(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_handover *handover = into;
    switch (key) {
    case 1:
        return part_get_number(reader, &handover->number);
    case 2:
        return canon_get_exact(reader, handover->state.bytes, sizeof(handover->state.bytes));
    case 3:
        return canon_get_exact(reader, handover->list.bytes, sizeof(handover->list.bytes));
    case 4:
        return get_amount(reader, &handover->bibs);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_handover_read(struct slice body, struct record_handover *handover) {
    const uint64_t required = FIELDS_BIT(1) | FIELDS_BIT(2) | FIELDS_BIT(3) | FIELDS_BIT(4);
    memset(handover, 0, sizeof(*handover));
    return fields_read_all(body, required, take_handover, handover);
}

void record_handover_write(const struct record_handover *handover, struct buffer *out) {
    canon_put_map(out, 4);
    canon_put_uint(out, 1);
    canon_put_uint(out, handover->number);
    canon_put_uint(out, 2);
    canon_put_bytes(out, slice_of(handover->state.bytes, sizeof(handover->state.bytes)));
    canon_put_uint(out, 3);
    canon_put_bytes(out, slice_of(handover->list.bytes, sizeof(handover->list.bytes)));
    canon_put_uint(out, 4);
    canon_put_uint(out, handover->bibs);
}
