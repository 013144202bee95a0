/*
 * show.c: see show.h.
 * Must never put a byte from outside before a terminal as it came.
 */
#include "node/show.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* ---- text ---- */

/* The size of the UTF-8 character at the front of `text`, 0 if there is no well-formed one. */
static size_t character_size(struct slice text) {
    uint8_t lead = text.data[0];
    size_t size = lead < 0x80 ? 1 : lead < 0xE0 ? 2 : lead < 0xF0 ? 3 : 4;
    return size <= text.size && utf8_valid(slice_of(text.data, size)) ? size : 0;
}

static uint32_t character_value(const uint8_t *data, size_t size) {
    static const uint8_t masks[] = {0, 0x7F, 0x1F, 0x0F, 0x07};
    uint32_t value = data[0] & masks[size];
    for (size_t i = 1; i < size; i++) {
        value = value << 6 | (data[i] & 0x3FU);
    }
    return value;
}

/* C0 and C1 controls, line and paragraph separators, and the marks that turn the direction of
 * writing (Unicode's Bidi_Control) or are not seen at all. */
static bool steers_terminal(uint32_t value) {
    return value < 0x20 || (value >= 0x7F && value < 0xA0) || value == 0xAD || value == 0x61C ||
           (value >= 0x200B && value <= 0x200F) || (value >= 0x2028 && value <= 0x202E) ||
           (value >= 0x2060 && value <= 0x206F) || value == 0xFEFF;
}

void show_plain(struct buffer *out, struct slice text) {
    for (size_t at = 0; at < text.size;) {
        size_t size = character_size(slice_of(text.data + at, text.size - at));
        if (size > 0 && !steers_terminal(character_value(text.data + at, size))) {
            buffer_append(out, text.data + at, size);
            at += size;
            continue;
        }
        for (size_t end = at + (size == 0 ? 1 : size); at < end; at++) {
            buffer_print(out, "\\x%02x", text.data[at]);
        }
    }
}

void show_plain_text(const char *text, char *out, size_t size) {
    struct buffer plain;
    buffer_init(&plain);
    show_plain(&plain, slice_text(text));
    size_t length = plain.size < size ? plain.size : size - 1;
    while (length > 0 && length < plain.size && (plain.data[length] & 0xC0) == 0x80) {
        length--;
    }
    if (length > 0) {
        memcpy(out, plain.data, length);
    }
    out[length] = '\0';
    buffer_release(&plain);
}

static bool local_time(struct wall_ms when, struct tm *out) {
    time_t seconds = (time_t)(when.ms / 1000);
    return localtime_r(&seconds, out) != NULL;
}

void show_time(struct wall_ms when, struct wall_ms now, char out[SHOW_TIME_SIZE]) {
    struct tm then;
    struct tm today;
    if (!local_time(when, &then) || !local_time(now, &today)) {
        snprintf(out, SHOW_TIME_SIZE, "at an unknown time");
        return;
    }
    bool same_day = then.tm_year == today.tm_year && then.tm_yday == today.tm_yday;
    if (strftime(out, SHOW_TIME_SIZE, same_day ? "%H:%M" : "%Y-%m-%d %H:%M", &then) == 0) {
        snprintf(out, SHOW_TIME_SIZE, "at an unknown time");
    }
}

static void upper_hex(const uint8_t *data, size_t size, char *out) {
    hex_encode(data, size, out);
    for (char *at = out; *at != '\0'; at++) {
        *at = (char)toupper((unsigned char)*at);
    }
}

void show_epc(const struct epc *epc, char out[SHOW_EPC_SIZE]) {
    upper_hex(epc->data, epc->size, out);
}

void show_tid(const struct tid *tid, char out[SHOW_TID_SIZE]) {
    upper_hex(tid->data, tid->size, out);
}

void show_who(struct buffer *out, const char *table, struct wall_ms wall, const char *helper,
              struct wall_ms now) {
    char when[SHOW_TIME_SIZE];
    show_time(wall, now, when);
    show_plain(out, slice_text(table[0] == '\0' ? "unknown table" : table));
    buffer_print(out, ", %s", when);
    if (helper[0] != '\0') {
        buffer_append(out, ", ", 2);
        show_plain(out, slice_text(helper));
    }
}

void show_chip(enum chip_where chip, const struct bib *bib, char *out, size_t size) {
    switch (chip) {
    case CHIP_DESTROYED:
        snprintf(out, size, "destroyed");
        return;
    case CHIP_LOST:
        snprintf(out, size, "lost");
        return;
    case CHIP_ON_BIB:
        snprintf(out, size, bib->text[0] == '\0' ? "on another bib" : "on bib %s", bib->text);
        return;
    case CHIP_UNSAID:
        break;
    }
    snprintf(out, size, "%s", "");
}

static void show_reason(struct buffer *out, const char *reason) {
    if (reason[0] != '\0') {
        buffer_print(out, ", \"");
        show_plain(out, slice_text(reason));
        buffer_print(out, "\"");
    }
}

static void show_end(struct buffer *out, const char *indent, const struct pairs_issue *issue,
                     struct wall_ms now) {
    char chip[40];
    buffer_print(out, "%s  %s: ", indent,
                 issue->ended == PAIRS_REPLACED ? "replaced" : "taken back");
    show_who(out, issue->ended_table, issue->ended_wall, "", now);
    show_reason(out, issue->ended_reason);
    show_chip(issue->chip, &issue->chip_bib, chip, sizeof(chip));
    buffer_print(out, "%s%s\n", chip[0] == '\0' ? "" : "; chip ", chip);
}

/* Why an issue that is held does not count. */
static const char *show_beyond(enum pairs_beyond why) {
    switch (why) {
    case PAIRS_BEYOND_ROLE:
        return ", does not count: that station may not issue";
    case PAIRS_AFTER_THEFT:
        return ", does not count: written after that laptop was stolen";
    case PAIRS_WITHIN:
    case PAIRS_NOT_LET_IN:
        break;
    }
    return ", does not count: that station is not let in";
}

void show_issue(struct buffer *out, const char *indent, const struct pairs_issue *issue,
                struct wall_ms now) {
    char id[9];
    hex_encode(issue->id.bytes, 4, id);
    buffer_print(out, "%s", indent);
    show_who(out, issue->table, issue->wall, issue->helper, now);
    buffer_print(out, ", record %s", id);
    show_reason(out, issue->reason);
    buffer_print(out, "%s%s\n", issue->half ? ", half" : "",
                 !issue->counted ? show_beyond(issue->beyond)
                 : issue->live   ? ""
                                 : ", no longer counts");
    for (size_t i = 0; i < issue->tag_count; i++) {
        char epc[SHOW_EPC_SIZE];
        char tid[SHOW_TID_SIZE];
        show_epc(&issue->tag[i].epc, epc);
        show_tid(&issue->tag[i].tid, tid);
        bool unseen = issue->how == ISSUE_FILE && !issue->tag[i].seen;
        buffer_print(out, "%s  chip %s%s%s%s\n", indent, epc, tid[0] == '\0' ? "" : " / ", tid,
                     unseen ? ", from a supplier's list, not seen yet" : "");
    }
    if (issue->ended != PAIRS_NOT_ENDED) {
        show_end(out, indent, issue, now);
    }
}

const char *show_state(enum pairs_state state) {
    switch (state) {
    case PAIRS_ISSUED:
        return "chipped";
    case PAIRS_DOUBLED:
        return "chipped twice";
    case PAIRS_EMPTIED:
        return "cancelled, needs a new chip";
    case PAIRS_UNISSUED:
        break;
    }
    return "not chipped";
}

const char *show_cause(enum pairs_cause cause) {
    switch (cause) {
    case PAIRS_UNAWARE:
        return "neither table knew of the other";
    case PAIRS_KNOWING:
        return "the later table had the first on its list";
    case PAIRS_REPEAT:
        return "the same chip was recorded again";
    case PAIRS_CAUSE_NONE:
        break;
    }
    return "";
}

/* ---- JSON ---- */

const char *show_state_name(enum pairs_state state) {
    switch (state) {
    case PAIRS_ISSUED:
        return "issued";
    case PAIRS_DOUBLED:
        return "doubled";
    case PAIRS_EMPTIED:
        return "emptied";
    case PAIRS_UNISSUED:
        break;
    }
    return "unissued";
}

const char *show_cause_name(enum pairs_cause cause) {
    switch (cause) {
    case PAIRS_UNAWARE:
        return "unaware";
    case PAIRS_KNOWING:
        return "knowing";
    case PAIRS_REPEAT:
        return "repeat";
    case PAIRS_CAUSE_NONE:
        break;
    }
    return "";
}

json_t *show_text_json(const char *text) {
    json_t *value = json_string(text);
    if (value != NULL) {
        return value;
    }
    struct buffer plain;
    buffer_init(&plain);
    show_plain(&plain, slice_text(text));
    value = plain.failed ? NULL : json_stringn((const char *)plain.data, plain.size);
    buffer_release(&plain);
    return value;
}

json_t *show_hex_json(const uint8_t *data, size_t size) {
    char hex[2 * 64 + 1];
    INVARIANT(2 * size < sizeof(hex));
    hex_encode(data, size, hex);
    return json_string(hex);
}

json_t *show_time_json(struct wall_ms when) {
    char text[21];
    wall_text(when, text);
    return json_string(text);
}

json_t *show_tag_json(const struct epc *epc, const struct tid *tid) {
    char epc_text[SHOW_EPC_SIZE];
    char tid_text[SHOW_TID_SIZE];
    show_epc(epc, epc_text);
    show_tid(tid, tid_text);
    return json_pack("{s:s, s:s?}", "epc", epc_text, "tid", tid_text[0] == '\0' ? NULL : tid_text);
}

static const char *how_name(enum issue_how how) {
    static const char *const names[] = {
        [ISSUE_SCAN] = "scan",
        [ISSUE_TYPED] = "typed",
        [ISSUE_SERIES] = "series",
        [ISSUE_FILE] = "file",
    };
    return how >= ISSUE_SCAN && how <= ISSUE_FILE ? names[how] : "";
}

static json_t *ended_json(const struct pairs_issue *issue) {
    char chip[40];
    if (issue->ended == PAIRS_NOT_ENDED) {
        return json_null();
    }
    show_chip(issue->chip, &issue->chip_bib, chip, sizeof(chip));
    return json_pack("{s:o, s:o, s:o, s:s, s:o, s:s, s:s?}", "by",
                     show_hex_json(issue->ended_by.bytes, sizeof(issue->ended_by.bytes)), "table",
                     show_text_json(issue->ended_table), "time", show_time_json(issue->ended_wall),
                     "how", issue->ended == PAIRS_REPLACED ? "replaced" : "voided", "reason",
                     show_text_json(issue->ended_reason), "chip", chip, "new_bib",
                     issue->new_bib.text[0] == '\0' ? NULL : issue->new_bib.text);
}

static const char *beyond_name(const struct pairs_issue *issue) {
    static const char *const names[] = {[PAIRS_WITHIN] = NULL,
                                        [PAIRS_NOT_LET_IN] = "not_let_in",
                                        [PAIRS_BEYOND_ROLE] = "role",
                                        [PAIRS_AFTER_THEFT] = "stolen"};
    return issue->counted ? NULL : names[issue->beyond];
}

json_t *show_issue_json(const struct pairs_issue *issue) {
    json_t *tags = json_array();
    json_int_t unseen = 0;
    for (size_t i = 0; i < issue->tag_count; i++) {
        unseen += issue->how == ISSUE_FILE && !issue->tag[i].seen ? 1 : 0;
        json_array_append_new(tags, show_tag_json(&issue->tag[i].epc, &issue->tag[i].tid));
    }
    return json_pack("{s:o, s:s, s:o, s:o, s:o, s:b, s:b, s:s?, s:o, s:I, s:s, s:b, s:o, s:o}",
                     "record", show_hex_json(issue->id.bytes, sizeof(issue->id.bytes)), "bib",
                     issue->bib.text, "table", show_text_json(issue->table), "helper",
                     show_text_json(issue->helper), "time", show_time_json(issue->wall), "live",
                     issue->live, "counted", issue->counted, "beyond", beyond_name(issue), "tags",
                     tags, "unseen", unseen, "how", how_name(issue->how), "half", issue->half,
                     "reason", show_text_json(issue->reason), "ended", ended_json(issue));
}

void show_json(struct buffer *out, json_t *value) {
    char *text = value == NULL ? NULL : json_dumps(value, JSON_COMPACT | JSON_ENCODE_ANY);
    if (text == NULL) {
        out->failed = true;
    } else {
        buffer_append(out, text, strlen(text));
        buffer_append(out, "\n", 1);
    }
    free(text);
    json_decref(value);
}
