/*
 * encoder_line.c: see encoder_line.h. Must never believe a line: every member is checked for type
 * and size, and what does not fit makes the whole line bad.
 */
#include "node/encoder_line.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "node/show.h"

/* ---- members ---- */

static bool text_of(const json_t *object, const char *name, char *out, size_t size) {
    const json_t *value = json_object_get(object, name);
    if (value == NULL) {
        out[0] = '\0';
        return true;
    }
    size_t length = json_string_length(value);
    if (!json_is_string(value) || strlen(json_string_value(value)) != length) {
        return false;
    }
    show_plain_text(json_string_value(value), out, size);
    return true;
}

static bool order_of(const json_t *object, uint64_t *order) {
    const json_t *value = json_object_get(object, "order");
    *order = json_is_integer(value) && json_integer_value(value) > 0
                 ? (uint64_t)json_integer_value(value)
                 : 0;
    return *order != 0;
}

static bool hex_of(const json_t *object, const char *name, uint8_t *data, size_t size_max,
                   uint8_t *size) {
    const json_t *value = json_object_get(object, name);
    size_t digits = json_string_length(value);
    if (!json_is_string(value) || digits % 4 != 0 || digits / 2 > size_max ||
        !hex_decode(json_string_value(value), digits, data, digits / 2)) {
        return false;
    }
    *size = (uint8_t)(digits / 2);
    return true;
}

static bool tag_of(const json_t *object, struct desk_tag *tag) {
    uint8_t pc[2], pc_size = 0;
    *tag = (struct desk_tag){0};
    if (!hex_of(object, "epc", tag->epc.data, EPC_SIZE_MAX, &tag->epc.size)) {
        return false;
    }
    if (json_object_get(object, "tid") != NULL &&
        !hex_of(object, "tid", tag->tid.data, TID_SIZE_MAX, &tag->tid.size)) {
        return false;
    }
    tag->has_pc = json_object_get(object, "pc") != NULL;
    if (tag->has_pc && (!hex_of(object, "pc", pc, sizeof pc, &pc_size) || pc_size != 2)) {
        return false;
    }
    tag->pc = tag->has_pc ? (uint16_t)(pc[0] << 8 | pc[1]) : 0;
    return true;
}

/* ---- what an encoder says ---- */

static bool read_ready(const json_t *object, struct encoder_event *event, const char **why) {
    const json_t *can = json_object_get(object, "can");
    const json_t *protocol = json_object_get(object, "protocol");
    size_t at;
    json_t *word;
    event->kind = ENCODER_UP;
    event->can_write = false;
    if (!json_is_integer(protocol) || json_integer_value(protocol) != ENCODER_PROTOCOL) {
        *why = "it does not speak protocol 1";
        return false;
    }
    json_array_foreach(can, at, word) {
        event->can_write = event->can_write ||
                           (json_is_string(word) && strcmp(json_string_value(word), "write") == 0);
    }
    return text_of(object, "name", event->text, sizeof event->text);
}

static bool read_field(const json_t *object, struct encoder_event *event, const char **why) {
    const json_t *tags = json_object_get(object, "tags");
    event->kind = ENCODER_FIELD;
    event->tag_count = 0;
    *why = "a field without an array of tags";
    if (!json_is_array(tags)) {
        return false;
    }
    *why = "a tag in it is not written as it must be";
    for (size_t i = 0; i < json_array_size(tags) && i < ENCODER_TAGS_MAX; i++) {
        if (!tag_of(json_array_get(tags, i), &event->tag[i])) {
            return false;
        }
        event->tag_count++;
    }
    return true;
}

static bool read_written(const json_t *object, struct encoder_event *event, const char **why) {
    event->kind = ENCODER_WRITTEN;
    event->tag_count = 1;
    *why = "written without an order and the tag that was read back";
    return order_of(object, &event->order) &&
           tag_of(json_object_get(object, "tag"), &event->tag[0]) && event->tag[0].epc.size > 0;
}

static bool read_failed(const json_t *object, struct encoder_event *event, const char **why) {
    static const struct {
        const char *word;
        enum desk_failure why;
    } words[] = {
        {"gone", DESK_FAILED_GONE},       {"two", DESK_FAILED_TWO},
        {"locked", DESK_FAILED_LOCKED},   {"password", DESK_FAILED_PASSWORD},
        {"weak", DESK_FAILED_WEAK},       {"reader", DESK_FAILED_READER},
        {"stopped", DESK_FAILED_STOPPED},
    };
    const char *word = json_string_value(json_object_get(object, "why"));
    const json_t *changed = json_object_get(object, "changed");
    event->kind = ENCODER_FAILED;
    event->why = 0;
    for (size_t i = 0; word != NULL && i < sizeof words / sizeof words[0]; i++) {
        if (strcmp(word, words[i].word) == 0) {
            event->why = words[i].why;
        }
    }
    /* Where it does not say, the tag may have been written in part. */
    event->changed = changed == NULL || json_is_true(changed);
    *why = "failed without an order and one of the known reasons";
    return order_of(object, &event->order) && event->why != 0 &&
           (changed == NULL || json_is_boolean(changed)) &&
           text_of(object, "text", event->text, sizeof event->text);
}

static bool read_typed(const json_t *object, struct encoder_event *event, const char **why) {
    const json_t *text = json_object_get(object, "text");
    event->kind = ENCODER_TYPED;
    *why = "typed without a text that a bib or a chip could have";
    if (!json_is_string(text) || json_string_length(text) >= sizeof event->text) {
        return false;
    }
    return text_of(object, "text", event->text, sizeof event->text);
}

static bool read_trouble(const json_t *object, struct encoder_event *event, const char **why) {
    event->kind = ENCODER_DOWN;
    *why = "trouble without a text";
    return json_object_get(object, "text") != NULL &&
           text_of(object, "text", event->text, sizeof event->text);
}

enum encoder_line encoder_line_read(struct slice line, struct encoder_event *event, char *why,
                                    size_t why_size) {
    static const struct {
        const char *say;
        bool (*read)(const json_t *object, struct encoder_event *event, const char **why);
    } says[] = {
        {"ready", read_ready},   {"field", read_field}, {"written", read_written},
        {"failed", read_failed}, {"typed", read_typed}, {"trouble", read_trouble},
    };
    json_error_t error;
    json_t *object = json_loadb((const char *)line.data, line.size, JSON_REJECT_DUPLICATES, &error);
    const char *say = json_string_value(json_object_get(object, "say"));
    const char *wrong = object == NULL ? error.text : "no \"say\" that is known";
    bool good = false;
    event->text[0] = '\0';
    event->tag_count = 0;
    for (size_t i = 0; say != NULL && i < sizeof says / sizeof says[0]; i++) {
        if (strcmp(say, says[i].say) == 0) {
            wrong = "a member is not of its type";
            good = says[i].read(object, event, &wrong);
        }
    }
    snprintf(why, why_size, "%s", wrong);
    json_decref(object);
    return good ? ENCODER_LINE_EVENT : ENCODER_LINE_BAD;
}

/* ---- what an encoder is told: hex and numbers only, so nothing to escape ---- */

static void put_hex(struct buffer *out, const char *name, const uint8_t *data, size_t size) {
    buffer_print(out, "\"%s\":\"", name);
    for (size_t i = 0; i < size; i++) {
        buffer_print(out, "%02X", data[i]);
    }
    buffer_print(out, "\"");
}

void encoder_line_start(int64_t gone_ms, struct buffer *out) {
    buffer_print(out, "{\"do\":\"start\",\"protocol\":%d,\"gone_ms\":%" PRId64 "}\n",
                 (int)ENCODER_PROTOCOL, gone_ms);
}

void encoder_line_write(uint64_t order, const struct desk_tag *tag, const struct epc *epc,
                        uint16_t pc, struct buffer *out) {
    buffer_print(out, "{\"do\":\"write\",\"order\":%" PRIu64 ",\"tag\":{", order);
    put_hex(out, "epc", tag->epc.data, tag->epc.size);
    if (tag->tid.size > 0) {
        buffer_print(out, ",");
        put_hex(out, "tid", tag->tid.data, tag->tid.size);
    }
    buffer_print(out, "},");
    put_hex(out, "epc", epc->data, epc->size);
    buffer_print(out, ",\"pc\":\"%04X\"}\n", (unsigned)pc);
}

void encoder_line_forget(uint64_t order, struct buffer *out) {
    buffer_print(out, "{\"do\":\"forget\",\"order\":%" PRIu64 "}\n", order);
}
