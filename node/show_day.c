/*
 * show_day.c: see show_day.h. Must never hand on a byte from outside that could steer a terminal.
 */
#include "node/show_day.h"

static void show_said(struct buffer *out, const struct pairs_said *said, struct wall_ms now) {
    show_who(out, said->table, said->wall, said->helper, now);
}

/* Who said it, and when, added to `object`; NULL when memory runs out. */
static json_t *add_said(json_t *object, const struct pairs_said *said) {
    if (object == NULL ||
        json_object_set_new(object, "record",
                            show_hex_json(said->id.bytes, sizeof said->id.bytes)) != 0 ||
        json_object_set_new(object, "table", show_text_json(said->table)) != 0 ||
        json_object_set_new(object, "helper", show_text_json(said->helper)) != 0 ||
        json_object_set_new(object, "time", show_time_json(said->wall)) != 0) {
        json_decref(object);
        return NULL;
    }
    return object;
}

/* ---- holds ---- */

const char *show_hold_word(enum hold_how how) {
    switch (how) {
    case HOLD_HELD:
        return "held back";
    case HOLD_MISSING:
        return "missing";
    case HOLD_REPRINT:
        return "to be reprinted";
    case HOLD_FREE:
        break;
    }
    return "free";
}

const char *show_hold_name(enum hold_how how) {
    switch (how) {
    case HOLD_HELD:
        return "held";
    case HOLD_MISSING:
        return "missing";
    case HOLD_REPRINT:
        return "reprint";
    case HOLD_FREE:
        break;
    }
    return "free";
}

void show_hold(struct buffer *out, const struct pairs_hold *hold, struct wall_ms now) {
    buffer_print(out, "%s: ", show_hold_word(hold->how));
    show_said(out, &hold->said, now);
    if (hold->reason[0] != '\0') {
        buffer_print(out, ", \"");
        show_plain(out, slice_text(hold->reason));
        buffer_print(out, "\"");
    }
}

json_t *show_hold_json(const struct pairs_hold *hold) {
    return add_said(json_pack("{s:s, s:s, s:o}", "bib", hold->bib.text, "how",
                              show_hold_name(hold->how), "reason", show_text_json(hold->reason)),
                    &hold->said);
}

/* ---- looks ---- */

const char *show_verdict(enum look_verdict verdict) {
    switch (verdict) {
    case LOOK_RIGHT:
        return "its chips and no others";
    case LOOK_NO_CHIP:
        return "no chip was heard on it";
    case LOOK_OTHER:
        return "a chip of another bib";
    case LOOK_STRANGE:
        return "a chip that is on nobody's list";
    case LOOK_VOID:
        return "a chip that was taken back";
    case LOOK_HALF:
        break;
    }
    return "fewer chips than the list has";
}

const char *show_verdict_name(enum look_verdict verdict) {
    switch (verdict) {
    case LOOK_RIGHT:
        return "right";
    case LOOK_NO_CHIP:
        return "no_chip";
    case LOOK_OTHER:
        return "other";
    case LOOK_STRANGE:
        return "strange";
    case LOOK_VOID:
        return "void";
    case LOOK_HALF:
        break;
    }
    return "half";
}

void show_look(struct buffer *out, const char *indent, const struct pairs_look *look,
               struct wall_ms now) {
    buffer_print(out, "%slooked at: ", indent);
    show_said(out, &look->said, now);
    buffer_print(out, ": %s\n", show_verdict(look->verdict));
}

json_t *show_look_json(const struct pairs_look *look) {
    json_t *tags = json_array();
    for (size_t i = 0; i < look->tag_count; i++) {
        json_array_append_new(tags, show_tag_json(&look->tag[i].epc, &look->tag[i].tid));
    }
    json_t *stack = look->has_stack ? json_pack("[I, I]", (json_int_t)look->stack.first,
                                                (json_int_t)look->stack.last)
                                    : json_null();
    return add_said(json_pack("{s:s, s:s, s:o, s:o}", "bib", look->bib.text, "verdict",
                              show_verdict_name(look->verdict), "tags", tags, "stack", stack),
                    &look->said);
}

/* ---- notes ---- */

void show_note(struct buffer *out, const char *indent, const struct pairs_note *note,
               struct wall_ms now) {
    buffer_print(out, "%snote: ", indent);
    show_said(out, &note->said, now);
    buffer_print(out, ": \"");
    show_plain(out, slice_text(note->text));
    buffer_print(out, "\"\n");
}

json_t *show_note_json(const struct pairs_note *note) {
    return add_said(json_pack("{s:o, s:s?}", "text", show_text_json(note->text), "bib",
                              note->has_bib ? note->bib.text : NULL),
                    &note->said);
}
