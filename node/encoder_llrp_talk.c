/*
 * encoder_llrp_talk.c: JSON lines from and to the node; see the header.
 */
#include "node/encoder_llrp_talk.h"

#include <inttypes.h>
#include <jansson.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void encoder_llrp_talk_log(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    fputs("llrp: ", stderr);
    vfprintf(stderr, format, arguments);
    fputc('\n', stderr);
    va_end(arguments);
}

/* Says *line, which may be NULL for want of memory, and lets it go. */
static void say(json_t *line) {
    char *text = line == NULL ? NULL : json_dumps(line, JSON_COMPACT);
    if (text == NULL) {
        encoder_llrp_talk_log("no memory for a line");
    } else {
        fputs(text, stdout);
        fputc('\n', stdout);
        fflush(stdout);
    }
    free(text);
    json_decref(line);
}

static json_t *hex_json(const uint8_t *data, size_t size) {
    char text[2 * EPC_SIZE_MAX + 1];
    INVARIANT(size <= EPC_SIZE_MAX);
    for (size_t i = 0; i < size; i++) {
        snprintf(text + 2 * i, 3, "%02X", data[i]);
    }
    return json_stringn(text, 2 * size);
}

static json_t *pc_json(uint16_t pc) {
    const uint8_t bytes[] = {(uint8_t)(pc >> 8), (uint8_t)pc};
    return hex_json(bytes, sizeof bytes);
}

void encoder_llrp_talk_ready(const char *name, bool tid, bool lock) {
    json_t *can = json_array();
    json_array_append_new(can, json_string("write"));
    if (tid) {
        json_array_append_new(can, json_string("tid"));
    }
    if (lock) {
        json_array_append_new(can, json_string("lock"));
    }
    say(json_pack("{s:s, s:i, s:s, s:o}", "say", "ready", "protocol", 1, "name", name, "can", can));
}

static json_t *tag_json(const struct epc *epc, const struct tid *tid, bool has_pc, uint16_t pc) {
    json_t *tag = json_object();
    json_object_set_new(tag, "epc", hex_json(epc->data, epc->size));
    if (tid->size > 0) {
        json_object_set_new(tag, "tid", hex_json(tid->data, tid->size));
    }
    if (has_pc) {
        json_object_set_new(tag, "pc", pc_json(pc));
    }
    return tag;
}

void encoder_llrp_talk_field(const struct encoder_llrp_field *field) {
    json_t *tags = json_array();
    for (size_t i = 0; i < field->count; i++) {
        const struct encoder_llrp_tag *tag = &field->tags[i];
        json_t *one = tag_json(&tag->epc, &tag->tid, tag->has_pc, tag->pc);
        if (tag->has_rssi) {
            json_object_set_new(one, "rssi", json_integer(tag->rssi));
        }
        json_array_append_new(tags, one);
    }
    say(json_pack("{s:s, s:o}", "say", "field", "tags", tags));
}

void encoder_llrp_talk_written(const struct encoder_llrp_order *order) {
    say(json_pack("{s:s, s:I, s:o}", "say", "written", "order", (json_int_t)order->order, "tag",
                  tag_json(&order->read, &order->tid, true, order->read_pc)));
}

void encoder_llrp_talk_failed(int64_t order, const char *why, bool changed, const char *text) {
    say(json_pack("{s:s, s:I, s:s, s:b, s:s}", "say", "failed", "order", (json_int_t)order, "why",
                  why, "changed", changed, "text", text));
}

void encoder_llrp_talk_trouble(const char *text) {
    say(json_pack("{s:s, s:s}", "say", "trouble", "text", text));
}

static bool read_pc(const char *text, uint16_t *pc) {
    uint8_t bytes[2];
    if (!hex_decode(text, strlen(text), bytes, sizeof bytes)) {
        return false;
    }
    *pc = (uint16_t)(bytes[0] << 8 | bytes[1]);
    return true;
}

/* An EPC that a tag has may be of no words; what epc_parse takes is for writing. */
static bool read_old(const char *text, struct epc *epc, struct error *err) {
    *epc = (struct epc){0};
    return text[0] == '\0' || epc_parse(slice_text(text), epc, err) == ERR_OK;
}

static bool read_tid(const char *text, struct tid *tid) {
    size_t size = strlen(text) / 2;
    *tid = (struct tid){.size = (uint8_t)size};
    return size % 2 == 0 && size <= TID_SIZE_MAX && hex_decode(text, strlen(text), tid->data, size);
}

static bool read_write(json_t *json, struct encoder_llrp_line *line, struct error *err) {
    const char *old, *tid = "", *epc, *pc;
    json_int_t order;
    if (json_unpack(json, "{s:I, s:{s:s, s?s}, s:s, s:s}", "order", &order, "tag", "epc", &old,
                    "tid", &tid, "epc", &epc, "pc", &pc) != 0) {
        return false;
    }
    line->what = ENCODER_LLRP_DO_WRITE;
    line->order = order;
    return read_old(old, &line->old, err) && read_tid(tid, &line->tid) && read_pc(pc, &line->pc) &&
           epc_parse(slice_text(epc), &line->epc, err) == ERR_OK;
}

static bool read_line(json_t *json, struct encoder_llrp_line *line, struct error *err) {
    const char *what;
    json_int_t number = 0;
    if (json_unpack(json, "{s:s}", "do", &what) != 0) {
        return false;
    }
    if (strcmp(what, "write") == 0) {
        return read_write(json, line, err);
    }
    if (strcmp(what, "forget") == 0 && json_unpack(json, "{s:I}", "order", &number) == 0) {
        line->what = ENCODER_LLRP_DO_FORGET;
        line->order = number;
        return true;
    }
    if (strcmp(what, "start") == 0 && json_unpack(json, "{s?I}", "gone_ms", &number) == 0) {
        line->what = ENCODER_LLRP_DO_START;
        line->gone_ms = number;
        return number >= 0 && number <= 3600000;
    }
    return false;
}

void encoder_llrp_talk_read(struct slice text, struct encoder_llrp_line *line) {
    struct error err;
    error_clear(&err);
    *line = (struct encoder_llrp_line){0};
    json_t *json = json_loadb((const char *)text.data, text.size, JSON_REJECT_DUPLICATES, NULL);
    if (json == NULL || !read_line(json, line, &err)) {
        encoder_llrp_talk_log("a line of %zu bytes that is not of the protocol%s%s", text.size,
                              err.code == ERR_OK ? "" : ": ", err.cause);
        line->what = ENCODER_LLRP_DO_NOTHING;
    }
    json_decref(json);
}
