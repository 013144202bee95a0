/*
 * target_lines.c: what comes to a desk from outside: an encoder's lines, inputs as JSON from pages
 * and scripts, keys as a scanner types them, and what the desk kept, from a disk. The first byte
 * says which; the rest is the text.
 */
#include "tests/fuzz/fuzz.h"

#include "common/desk_state.h"
#include "common/keys.h"
#include "node/encoder_line.h"
#include "node/table.h"

#include <string.h>

/* For a terminal, a log and a page: UTF-8 without control characters. */
static void check_text(const char *text, size_t room) {
    size_t size = strnlen(text, room);
    FUZZ_CHECK(size < room, "no end within %zu bytes", room);
    FUZZ_CHECK(utf8_valid(slice_of(text, size)), "%zu bytes that are not UTF-8", size);
    for (size_t i = 0; i < size; i++) {
        FUZZ_CHECK((unsigned char)text[i] >= 0x20 && text[i] != 0x7f, "byte %02x", text[i]);
    }
}

static void check_tags(const struct encoder_event *event) {
    FUZZ_CHECK(event->tag_count <= ENCODER_TAGS_MAX, "%zu tags", event->tag_count);
    for (size_t i = 0; i < event->tag_count; i++) {
        const struct desk_tag *tag = &event->tag[i];
        FUZZ_CHECK(tag->epc.size <= EPC_SIZE_MAX && tag->epc.size % 2 == 0, "%u", tag->epc.size);
        FUZZ_CHECK(tag->tid.size <= TID_SIZE_MAX && tag->tid.size % 2 == 0, "%u", tag->tid.size);
    }
}

static void read_encoder(struct slice text) {
    static struct encoder_event event;
    char why[200];
    if (encoder_line_read(text, &event, why, sizeof why) == ENCODER_LINE_BAD) {
        FUZZ_CHECK(why[0] != '\0', "%s", "a bad line without a reason");
        return;
    }
    check_text(event.text, sizeof event.text);
    check_tags(&event);
    if (event.kind == ENCODER_WRITTEN || event.kind == ENCODER_FAILED) {
        FUZZ_CHECK(event.order != 0, "%s", "an answer to no order");
    }
    FUZZ_CHECK(event.kind != ENCODER_WRITTEN || event.tag_count == 1, "%zu", event.tag_count);
    FUZZ_CHECK(event.kind != ENCODER_FAILED || event.why != 0, "%s", "a failure without a reason");
}

static void read_input(struct slice text) {
    struct desk_event event;
    struct error err;
    json_t *input = json_loadb((const char *)text.data, text.size,
                               JSON_REJECT_DUPLICATES | JSON_DECODE_ANY, NULL);
    if (input == NULL) {
        return;
    }
    if (table_input_read(input, &event, &err) != ERR_OK) {
        FUZZ_CHECK(err.code == ERR_USAGE && err.say[0] != '\0', "%d", (int)err.code);
    } else {
        FUZZ_CHECK(event.text.size < DESK_SAY_MAX, "%zu bytes", event.text.size);
        FUZZ_CHECK(event.first <= INT64_MAX && event.last <= INT64_MAX && event.step <= INT64_MAX,
                   "%s", "a number below zero");
    }
    json_decref(input);
}

static void check_line(const struct keys_line *line) {
    struct error err;
    check_text(line->text, sizeof line->text);
    enum error_code code = keys_fault_error(line->fault, &err);
    FUZZ_CHECK((code == ERR_OK) == (line->fault == KEYS_GOOD), "%d", (int)code);
}

/* Each byte of `keys` is a key, and every eighth byte says how long the pauses are. */
static void type_keys(struct slice typed) {
    struct keys_config plain = keys_config_plain();
    struct keys keys;
    struct keys_line line;
    struct mono_ms now = {1};
    int64_t pause = 0;
    keys_init(&keys, &plain);
    for (size_t i = 0; i < typed.size; i++) {
        if (i % 8 == 0) {
            pause = typed.data[i];
            continue;
        }
        now.ms += pause;
        if (keys_take(&keys, typed.data[i], now, &line)) {
            check_line(&line);
        }
    }
    if (keys_read(&plain, typed, typed.size % 2 == 0, &line)) {
        check_line(&line);
    }
}

/* What is read is written, and read again, the same. */
static void read_kept(struct slice kept) {
    static struct desk_lasting once, twice;
    struct buffer out;
    if (!desk_kept_read(kept, &once)) {
        return;
    }
    FUZZ_CHECK(once.last_count <= DESK_LAST_MAX, "%zu", once.last_count);
    FUZZ_CHECK(once.job.made_count <= RECORD_TAGS_MAX, "%zu", once.job.made_count);
    FUZZ_CHECK(once.job.replaces_count <= ISSUE_NAMES_MAX, "%zu", once.job.replaces_count);
    buffer_init(&out);
    desk_kept_write(&once, &out);
    FUZZ_CHECK(out.size <= DESK_KEPT_MAX, "%zu bytes", out.size);
    FUZZ_CHECK(desk_kept_read(buffer_slice(&out), &twice), "%s", "its own writing is not read");
    FUZZ_CHECK(memcmp(&once, &twice, sizeof once) == 0, "%s", "it is read as something else");
    buffer_release(&out);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct fuzz_input input = {data, size};
    uint8_t which = fuzz_u8(&input);
    struct slice text = fuzz_rest(&input);
    switch (which % 4) {
    case 0:
        read_encoder(text);
        break;
    case 1:
        read_input(text);
        break;
    case 2:
        type_keys(text);
        break;
    case 3:
        read_kept(text);
        break;
    }
    return 0;
}
