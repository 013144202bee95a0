/*
 * table_json.c: what a desk says and what it is told, as JSON, for pages, terminals and scripts.
 * Must never give a text to a desk that is not valid UTF-8 or holds a control character.
 */
#include <string.h>

#include "node/show.h"
#include "node/table.h"

/* ---- the view ---- */

static const char *way_word(enum desk_way way) {
    static const char *const words[] = {
        [DESK_WAY_ON_DEMAND] = "on-demand",
        [DESK_WAY_SERIES] = "series",
        [DESK_WAY_LOOK] = "look",
        [DESK_WAY_PROVE] = "prove",
    };
    return words[way];
}

static const char *tone_word(enum desk_tone tone) {
    static const char *const words[] = {
        [DESK_READY] = "ready", [DESK_WORK] = "work", [DESK_DONE] = "done",
        [DESK_ASK] = "ask",     [DESK_HALT] = "halt",
    };
    return words[tone];
}

static const char *sound_word(enum desk_sound sound) {
    static const char *const words[] = {
        [DESK_SILENT] = "silent",
        [DESK_SOUND_DONE] = "done",
        [DESK_SOUND_REFUSED] = "refused",
        [DESK_SOUND_ALARM] = "alarm",
    };
    return words[sound];
}

static json_t *number(uint64_t value) {
    return json_integer((json_int_t)value);
}

static json_t *choices_json(const struct desk_view *view) {
    json_t *list = json_array();
    for (size_t i = 0; i < view->choice_count; i++) {
        json_array_append_new(list, json_pack("{s:s, s:o}", "word", view->choice[i].word, "label",
                                              show_text_json(view->choice[i].label)));
    }
    return list;
}

static json_t *done_json(const struct desk_done *done) {
    char id[2 * sizeof done->id.bytes + 1], when[21];
    hex_encode(done->id.bytes, sizeof done->id.bytes, id);
    wall_text(done->wall, when);
    return json_pack("{s:s, s:s, s:s, s:o, s:b, s:b, s:o}", "bib", done->bib.text, "record", id,
                     "time", when, "chips", number(done->chips), "half", done->half, "undone",
                     done->undone, "say", show_text_json(done->say));
}

static json_t *latest_json(const struct desk_view *view) {
    json_t *list = json_array();
    for (size_t i = 0; i < view->last_count; i++) {
        json_array_append_new(list, done_json(&view->latest[i]));
    }
    return list;
}

json_t *table_view_json(const struct desk_view *view) {
    return json_pack(
        "{s:o, s:s, s:s, s:o, s:o, s:s, s:o, s:o, s:s, s:o, s:o, s:o,"
        " s:o, s:o, s:o, s:o, s:o, s:b, s:o, s:s, s:o, s:o, s:o}",
        "version", number(view->version), "way", way_word(view->way), "tone", tone_word(view->tone),
        "say", show_text_json(view->say), "aside", show_text_json(view->aside), "bib",
        view->bib.text, "question", number(view->question), "choices", choices_json(view), "sound",
        sound_word(view->sound), "sound_number", number(view->sound_number), "chips_made",
        number(view->chips_made), "chips_wanted", number(view->chips_wanted), "first",
        number(view->first), "last", number(view->last), "step", number(view->step), "next",
        number(view->next), "done", number(view->done), "encoder", view->encoder, "heard",
        number(view->heard), "lone", view->lone, "helper", show_text_json(view->helper), "roll",
        show_text_json(view->roll), "latest", latest_json(view));
}

/* ---- inputs ---- */

static enum error_code wrong(struct error *err, const char *what) {
    error_set(err, ERR_USAGE, "desk input: %s", what);
    return error_say(err, "The desk does not understand this input: %s.", what);
}

static bool is_plain(const char *text, size_t size) {
    for (size_t i = 0; i < size; i++) {
        if ((unsigned char)text[i] < 0x20 || text[i] == 0x7f) {
            return false;
        }
    }
    return true;
}

/* A text member, borrowed; "" where it is not there. */
static bool text_member(const json_t *input, const char *name, struct slice *out) {
    const json_t *value = json_object_get(input, name);
    *out = slice_text("");
    if (value == NULL) {
        return true;
    }
    if (!json_is_string(value) || json_string_length(value) >= DESK_SAY_MAX ||
        !is_plain(json_string_value(value), json_string_length(value))) {
        return false;
    }
    *out = slice_of(json_string_value(value), json_string_length(value));
    return true;
}

/* What was typed or scanned, as it came: common/keys.h judges it. */
static bool line_member(const json_t *input, const char *name, struct slice *out) {
    const json_t *value = json_object_get(input, name);
    if (!json_is_string(value) || json_string_length(value) >= DESK_SAY_MAX) {
        return false;
    }
    *out = slice_of(json_string_value(value), json_string_length(value));
    return true;
}

static bool number_member(const json_t *input, const char *name, uint64_t *out) {
    const json_t *value = json_object_get(input, name);
    *out = 0;
    if (value == NULL) {
        return true;
    }
    if (!json_is_integer(value) || json_integer_value(value) < 0) {
        return false;
    }
    *out = (uint64_t)json_integer_value(value);
    return true;
}

static bool flag_member(const json_t *input, const char *name, bool *out) {
    const json_t *value = json_object_get(input, name);
    *out = json_is_true(value);
    return value == NULL || json_is_boolean(value);
}

static bool read_command(const char *word, enum desk_command *command) {
    static const struct {
        const char *word;
        enum desk_command command;
    } words[] = {
        {"stop", DESK_STOP},           {"absent", DESK_ABSENT},
        {"undo", DESK_UNDO},           {"check-empty", DESK_CHECK_EMPTY},
        {"on-demand", DESK_ON_DEMAND}, {"look", DESK_LOOK},
        {"series", DESK_SERIES},       {"redo", DESK_REDO},
        {"helper", DESK_HELPER},       {"roll", DESK_ROLL},
        {"prove", DESK_PROVE},
    };
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (strcmp(word, words[i].word) == 0) {
            *command = words[i].command;
            return true;
        }
    }
    return false;
}

static enum error_code read_command_input(const json_t *input, struct desk_event *event,
                                          struct error *err) {
    const json_t *word = json_object_get(input, "command");
    event->kind = DESK_COMMAND;
    if (!json_is_string(word) || !read_command(json_string_value(word), &event->command)) {
        return wrong(err, "there is no such command");
    }
    if (!text_member(input, "text", &event->text) ||
        !number_member(input, "first", &event->first) ||
        !number_member(input, "last", &event->last) ||
        !number_member(input, "step", &event->step) ||
        !number_member(input, "check_every", &event->check_every) ||
        !flag_member(input, "pair", &event->pair)) {
        return wrong(err, "a member of the command is not of its type");
    }
    return ERR_OK;
}

enum error_code table_input_read(const json_t *input, struct desk_event *event, struct error *err) {
    *event = (struct desk_event){0};
    error_clear(err);
    if (!json_is_object(input)) {
        return wrong(err, "it is not a JSON object");
    }
    if (json_object_get(input, "command") != NULL) {
        return read_command_input(input, event, err);
    }
    if (json_object_get(input, "question") != NULL) {
        event->kind = DESK_ANSWER;
        return number_member(input, "question", &event->question) &&
                       json_object_get(input, "answer") != NULL &&
                       text_member(input, "answer", &event->text)
                   ? ERR_OK
                   : wrong(err, "an answer needs the question's number and one of its words");
    }
    event->kind = DESK_TEXT;
    return line_member(input, "text", &event->text) &&
                   flag_member(input, "scanned", &event->scanned)
               ? ERR_OK
               : wrong(err, "it has no text, answer or command");
}
