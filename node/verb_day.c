/*
 * verb_day.c: `roll` and `note`: where the raw chips went, and what people have to say.
 * Must never judge a chip or a bib: these records change nothing of who is chipped.
 */
#include <stdlib.h>
#include <string.h>

#include "node/show.h"
#include "node/verb_parts.h"
#include "node/verb_rolls.h"

static enum error_code append(struct verb_call *call, enum record_kind kind,
                              const struct buffer *body, struct record_id *id, struct error *err) {
    return body->failed ? error_set(err, ERR_MEMORY, "a record")
                        : station_append(call->station, kind, buffer_slice(body), id, err);
}

/* ---- roll ---- */

static const char *how_name(enum roll_how how) {
    return how == ROLL_LOADED ? "loaded" : how == ROLL_REMOVED ? "removed" : "scrapped";
}

static enum error_code read_how(const struct options *options, enum roll_how *how,
                                struct error *err) {
    static const char *const names[] = {
        [ROLL_LOADED] = "--loaded", [ROLL_REMOVED] = "--removed", [ROLL_SCRAPPED] = "--scrapped"};
    size_t given = 0;
    *how = ROLL_LOADED;
    for (unsigned i = ROLL_LOADED; i <= ROLL_SCRAPPED; i++) {
        if (options_has(options, names[i])) {
            *how = (enum roll_how)i;
            given++;
        }
    }
    if (given > 1) {
        error_set(err, ERR_USAGE, "%zu of --loaded, --removed, --scrapped", given);
        return error_say(err, "Say one thing of a roll: --loaded, --removed or --scrapped.");
    }
    return ERR_OK;
}

static enum error_code read_count(const struct options *options, struct record_roll *roll,
                                  struct error *err) {
    const char *value = options_value(options, "--count");
    size_t length = value == NULL ? 0 : strlen(value);
    roll->has_count = value != NULL;
    if (value == NULL) {
        return ERR_OK;
    }
    if (length == 0 || length > 9 || strspn(value, "0123456789") != length) {
        error_set(err, ERR_USAGE, "--count %.40s", value);
        return error_say(err, "Give the number of chips in digits: --count 2000.");
    }
    roll->count = strtoull(value, NULL, 10);
    return ERR_OK;
}

/* Chips in pairs where every bib has one, or singly where every bib has two, would put numbers and
 * chips out of step. */
static enum error_code check_pair(const struct record_found *found, const struct record_roll *roll,
                                  struct error *err) {
    bool single = false, several = false;
    for (size_t i = 0; i < found->category_count; i++) {
        bool one = found->category[i].tags_per_bib == 1;
        single = single || one;
        several = several || !one;
    }
    if (roll->how != ROLL_LOADED || (roll->pair ? several : single)) {
        return ERR_OK;
    }
    error_set(err, ERR_NOT_ALLOWED, "a %s roll", roll->pair ? "pair" : "single");
    return roll->pair
               ? error_say(err, "Every bib of this event has one chip, so a roll of pairs "
                                "does not fit. Load a roll of single chips.")
               : error_say(err, "Every bib of this event has more than one chip. Load a roll "
                                "of pairs, and say --pair.");
}

static enum error_code roll(struct verb_call *call, const struct options *options,
                            struct error *err) {
    const struct record_found *found = NULL;
    struct record_roll body = {.pair = options_has(options, "--pair")};
    struct record_id id;
    struct buffer bytes;
    enum error_code code = options_text("the roll's name", options->rest[0], RECORD_TEXT_MAX, err);
    body.roll = slice_text(options->rest[0]);
    if (code == ERR_OK) {
        code = read_how(options, &body.how, err);
    }
    if (code == ERR_OK) {
        code = read_count(options, &body, err);
    }
    if (code == ERR_OK) {
        code = parts_helper(call, options, err);
    }
    if (code == ERR_OK) {
        code = parts_found(call, &found, err);
    }
    if (code == ERR_OK) {
        code = check_pair(found, &body, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    buffer_init(&bytes);
    record_roll_write(&body, &bytes);
    code = append(call, RECORD_ROLL, &bytes, &id, err);
    buffer_release(&bytes);
    if (code == ERR_OK && call->json) {
        show_json(&call->out,
                  json_pack("{s:o, s:o, s:s, s:b, s:o}", "record",
                            show_hex_json(id.bytes, sizeof(id.bytes)), "roll",
                            show_text_json(options->rest[0]), "how", how_name(body.how), "pair",
                            body.pair, "count",
                            body.has_count ? json_integer((json_int_t)body.count) : json_null()));
    } else if (code == ERR_OK) {
        buffer_print(&call->out, "Roll ");
        show_plain(&call->out, body.roll);
        buffer_print(&call->out, " is put down as %s.\n", how_name(body.how));
    }
    return code;
}

void verb_roll(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    enum error_code code = parts_words(call, "roll", 0, 1, "the roll's name", &options, &err);
    if (code == ERR_OK && options.rest_count == 0) {
        code = rolls_list(call, &options, &err);
    } else if (code == ERR_OK && verb_may_write(call, &self)) {
        code = roll(call, &options, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    options_release(&options);
}

/* ---- note ---- */

static enum error_code read_about(struct verb_call *call, const struct options *options,
                                  struct record_note *note, struct error *err) {
    const char *bib = options_value(options, "--bib");
    const char *table = options_value(options, "--table");
    struct pairs_station station;
    enum error_code code = ERR_OK;
    if (bib != NULL) {
        note->has_bib = true;
        code = bib_parse(slice_text(bib), parts_zeros_count(call), &note->bib, err);
    }
    if (code == ERR_OK && table != NULL) {
        code = pairs_station_by_name(call->station->ledger, table, &station, err);
        if (code == ERR_NOT_FOUND) {
            error_say(err, "There is no station called %.100s.", table);
        }
        note->has_station = code == ERR_OK;
        note->station = station.key;
    }
    return code;
}

static enum error_code note(struct verb_call *call, const struct options *options,
                            struct error *err) {
    struct record_note body = {.text = slice_text(options->rest[0])};
    struct record_id id;
    struct buffer bytes;
    enum error_code code = options_text("the note", options->rest[0], RECORD_TEXT_MAX, err);
    if (code == ERR_OK) {
        code = read_about(call, options, &body, err);
    }
    if (code == ERR_OK) {
        code = parts_helper(call, options, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    buffer_init(&bytes);
    record_note_write(&body, &bytes);
    code = append(call, RECORD_NOTE, &bytes, &id, err);
    buffer_release(&bytes);
    if (code == ERR_OK && call->json) {
        show_json(&call->out,
                  json_pack("{s:o}", "record", show_hex_json(id.bytes, sizeof(id.bytes))));
    } else if (code == ERR_OK) {
        buffer_print(&call->out, "Noted%s%s.\n", body.has_bib ? " of bib " : "",
                     body.has_bib ? body.bib.text : "");
    }
    return code;
}

static enum error_code list_notes(struct verb_call *call, const struct options *options,
                                  struct error *err) {
    struct record_note about = {.has_bib = false};
    enum error_code code = read_about(call, options, &about, err);
    return code != ERR_OK ? code
                          : rolls_notes(call, about.has_bib ? &about.bib : NULL,
                                        about.has_station ? &about.station : NULL, err);
}

void verb_note(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    enum error_code code = parts_words(call, "note", 0, 1, "the note, in quotes", &options, &err);
    if (code == ERR_OK && options.rest_count == 0) {
        code = list_notes(call, &options, &err);
    } else if (code == ERR_OK && verb_may_write(call, &self)) {
        code = note(call, &options, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    options_release(&options);
}
