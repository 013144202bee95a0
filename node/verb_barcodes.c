/*
 * verb_barcodes.c: `barcodes`: bib barcodes for an event whose bibs have none, the card of
 * answers for a table, and the helpers' badges.
 * Must never print a number that the event does not have: its bib would be refused at the table.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "node/barcode_sheet.h"
#include "node/files.h"
#include "node/show.h"
#include "node/verb_parts.h"

enum {
    NUMBERS_MAX = 24000, /* a thousand pages */
    SVG_PAGES_MAX = 100, /* files; beyond that a PDF is kinder */
    BADGES_MAX = 200,
};

/* What a table answers and commands with its scanner: the words of the desk's choices, and of its
 * commands. A word may answer several questions; the sentence is what they have in common. The
 * first page has what is wanted daily. */
static const struct barcode_label card[] = {
    {"+STOP", "Stop the series here"},
    {"+ABSENT", "This bib is not here, or spoiled"},
    {"+UNDO", "Take the last one back"},
    {"+LOOK", "What is on the antenna?"},
    {"+ONE", "Just this one; one bib at a time"},
    {"+LEAVE", "Leave it as it is"},
    {"+REPLACE", "The new chip instead of the old one"},
    {"+FURTHER", "The new chip beside the old one"},
    {"+DESTROYED", "The old chip is destroyed"},
    {"+LOST", "The old chip is lost"},
    {"+ON", "Go on"},
    {"+AGAIN", "Once more"},
    {"+ANOTHER", "Take another chip"},
    {"+WAIT", "Keep looking for it"},
    {"+TAKE", "Yes, take it"},
    {"+SERIES", "Take all of this series"},
    {"+FINISH", "Make what is missing"},
    {"+HALF", "Put it down as half"},
    {"+ANEW", "Throw the first away, start anew"},
    {"+THROWN", "It is thrown away"},
    {"+LATE", "It is a late entry"},
    {"+NUMBER", "It is a replacement number"},
    {"+NONE", "Nothing is heard"},
    {"+HERE", "It is here: go on"},
    {"+FREE", "Free it and go on"},
    {"+OVER", "The other bib then needs a new chip"},
    {"+REDO", "Yes, take them back"},
    {"+RESUME", "On with the series"},
    {"+EMPTY", "Nothing lies there: what is heard?"},
};
enum {
    CARD_COUNT = sizeof(card) / sizeof(card[0]),
    CARD_PAGES = (CARD_COUNT + BARCODE_CARD_COUNT - 1) / BARCODE_CARD_COUNT,
};

struct sheets {
    struct verb_call *call;
    enum barcode_paper paper;
    enum barcode_kind kind;
    bool card, force;
    size_t badge_count;
    char badge[BADGES_MAX][RECORD_HELPER_MAX + 5]; /* "+BY:AB" */
    uint64_t *number;                              /* rising, each once */
    size_t count;
    char event[RECORD_TEXT_MAX + 1];
    const char *name; /* as it was given */
    size_t stem;      /* bytes of it without .pdf or .svg */
    json_t *files;
};

static size_t badge_pages(const struct sheets *sheets) {
    return (sheets->badge_count + BARCODE_CARD_COUNT - 1) / BARCODE_CARD_COUNT;
}

static size_t page_count(const struct sheets *sheets) {
    return (sheets->card ? CARD_PAGES : 0) + badge_pages(sheets) +
           (sheets->count + BARCODE_LABELS_COUNT - 1) / BARCODE_LABELS_COUNT;
}

/* ---- which numbers ---- */

static int by_number(const void *a, const void *b) {
    uint64_t left = *(const uint64_t *)a, right = *(const uint64_t *)b;
    return left < right ? -1 : left > right;
}

static enum error_code add_ranges(struct sheets *sheets, const struct bib_ranges *ranges,
                                  struct error *err) {
    for (size_t i = 0; i < ranges->count; i++) {
        uint64_t last = ranges->range[i].last;
        for (uint64_t number = ranges->range[i].first; number <= last; number++) {
            if (sheets->count == 2 * (size_t)NUMBERS_MAX) {
                error_set(err, ERR_LIMIT, "more than %d numbers", NUMBERS_MAX);
                return error_say(err,
                                 "At most %d barcodes are made at once. Give --bibs a part "
                                 "of the numbers.",
                                 NUMBERS_MAX);
            }
            sheets->number[sheets->count++] = number;
        }
    }
    return ERR_OK;
}

/* Each number once, since ranges may overlap: late entries mostly lie within the event's bibs. */
static void sort_numbers(struct sheets *sheets) {
    size_t kept = 0;
    qsort(sheets->number, sheets->count, sizeof(*sheets->number), by_number);
    for (size_t i = 0; i < sheets->count; i++) {
        if (kept == 0 || sheets->number[kept - 1] != sheets->number[i]) {
            sheets->number[kept++] = sheets->number[i];
        }
    }
    sheets->count = kept;
}

static enum error_code check_numbers(const struct sheets *sheets, const struct record_found *found,
                                     struct error *err) {
    for (size_t i = 0; i < sheets->count; i++) {
        uint64_t number = sheets->number[i];
        if (!bib_ranges_hold(&found->bibs, number) && !bib_ranges_hold(&found->late, number)) {
            error_set(err, ERR_BIB, "%llu is in no range of the event", (unsigned long long)number);
            return error_say(err, "This event has no bib %llu. Check --bibs.",
                             (unsigned long long)number);
        }
    }
    if (sheets->count > NUMBERS_MAX) {
        error_set(err, ERR_LIMIT, "%zu numbers", sheets->count);
        return error_say(err,
                         "At most %d barcodes are made at once. Give --bibs a part of the "
                         "numbers.",
                         NUMBERS_MAX);
    }
    return ERR_OK;
}

static enum error_code gather(struct sheets *sheets, const char *bibs, struct error *err) {
    const struct record_found *found;
    struct bib_ranges ranges;
    enum error_code code = parts_found(sheets->call, &found, err);
    if (code != ERR_OK) {
        return code;
    }
    snprintf(sheets->event, sizeof(sheets->event), "%.*s", (int)found->name.size,
             (const char *)found->name.data);
    if (bibs == NULL) {
        return ERR_OK;
    }
    sheets->number = calloc(2 * (size_t)NUMBERS_MAX, sizeof(*sheets->number));
    if (sheets->number == NULL) {
        return error_set(err, ERR_MEMORY, "numbers");
    }
    if (strcmp(bibs, "all") == 0) {
        code = add_ranges(sheets, &found->bibs, err);
        code = code == ERR_OK ? add_ranges(sheets, &found->late, err) : code;
    } else {
        code = bib_ranges_parse(slice_text(bibs), &ranges, err);
        code = code == ERR_OK ? add_ranges(sheets, &ranges, err) : code;
    }
    sort_numbers(sheets);
    return code == ERR_OK ? check_numbers(sheets, found, err) : code;
}

/* ---- where to ---- */

static enum error_code read_name(struct sheets *sheets, struct error *err) {
    size_t length = strlen(sheets->name);
    const char *end = length > 4 ? sheets->name + length - 4 : "";
    sheets->stem = length - strlen(end);
    if (strcasecmp(end, ".pdf") == 0) {
        sheets->paper = BARCODE_PDF;
        return ERR_OK;
    }
    if (strcasecmp(end, ".svg") == 0) {
        sheets->paper = BARCODE_SVG;
        return ERR_OK;
    }
    error_set(err, ERR_USAGE, "--out %.100s", sheets->name);
    return error_say(err, "The file's name ends with .pdf or .svg.");
}

/* "FILE.svg" where there is one page, else "FILE-1.svg", "FILE-2.svg", and so on. */
static enum error_code file_path(const struct sheets *sheets, size_t page, char *out,
                                 struct error *err) {
    char name[FILES_PATH_MAX], number[24] = "";
    if (sheets->paper == BARCODE_SVG && page_count(sheets) > 1) {
        snprintf(number, sizeof(number), "-%zu", page + 1);
    }
    int size = snprintf(name, sizeof(name), "%.*s%s%s", (int)sheets->stem, sheets->name, number,
                        sheets->name + sheets->stem);
    if (size < 0 || size >= (int)sizeof(name)) {
        return error_set(err, ERR_USAGE, "a path of %d bytes", size);
    }
    return files_path(sheets->call->cwd, name, out, err);
}

/* All names are looked at before the first is written, so that no half set is left. */
static enum error_code check_files(const struct sheets *sheets, struct error *err) {
    size_t files = sheets->paper == BARCODE_PDF ? 1 : page_count(sheets);
    char path[FILES_PATH_MAX];
    if (files > SVG_PAGES_MAX) {
        error_set(err, ERR_LIMIT, "%zu files", files);
        return error_say(err,
                         "That would be %zu files. Make it one, with a name that ends with "
                         ".pdf.",
                         files);
    }
    for (size_t page = 0; page < files; page++) {
        enum error_code code = file_path(sheets, page, path, err);
        if (code != ERR_OK) {
            return code;
        }
        if (!sheets->force && files_exists(path)) {
            return error_set(err, ERR_EXISTS, "%.200s", path);
        }
    }
    return ERR_OK;
}

/* ---- pages ---- */

/* With these a helper signs on at a table that has nothing but a scanner. */
static enum error_code draw_badges(const struct sheets *sheets, size_t page,
                                   struct barcode_sheet *sheet, struct error *err) {
    struct barcode_label labels[BARCODE_CARD_COUNT];
    char text[BARCODE_CARD_COUNT][RECORD_HELPER_MAX + 24];
    size_t count = 0;
    size_t from = page * BARCODE_CARD_COUNT;
    for (; count < BARCODE_CARD_COUNT && from + count < sheets->badge_count; count++) {
        const char *badge = sheets->badge[from + count];
        snprintf(text[count], sizeof(text[count]), "%s is at this table", badge + strlen("+BY:"));
        labels[count] = (struct barcode_label){badge, text[count]};
    }
    return barcode_sheet_page(sheet, BARCODE_CARD, sheets->kind, labels, count, err);
}

static enum error_code draw_page(const struct sheets *sheets, size_t page,
                                 struct barcode_sheet *sheet, struct error *err) {
    struct barcode_label labels[BARCODE_LABELS_COUNT];
    char text[BARCODE_LABELS_COUNT][24];
    size_t count = 0;
    size_t before = sheets->card ? CARD_PAGES : 0;
    if (page < before) {
        size_t left = CARD_COUNT - page * BARCODE_CARD_COUNT;
        return barcode_sheet_page(sheet, BARCODE_CARD, sheets->kind,
                                  card + page * BARCODE_CARD_COUNT,
                                  left < BARCODE_CARD_COUNT ? left : BARCODE_CARD_COUNT, err);
    }
    if (page < before + badge_pages(sheets)) {
        return draw_badges(sheets, page - before, sheet, err);
    }
    size_t from = (page - before - badge_pages(sheets)) * BARCODE_LABELS_COUNT;
    for (; count < BARCODE_LABELS_COUNT && from + count < sheets->count; count++) {
        snprintf(text[count], sizeof(text[count]), "%llu",
                 (unsigned long long)sheets->number[from + count]);
        labels[count] = (struct barcode_label){text[count], sheets->event};
    }
    return barcode_sheet_page(sheet, BARCODE_LABELS, sheets->kind, labels, count, err);
}

/* Writes the pages from `first` to before `end` as one file. */
static enum error_code write_file(struct sheets *sheets, size_t first, size_t end,
                                  struct error *err) {
    struct barcode_sheet *sheet = NULL;
    struct buffer bytes;
    char path[FILES_PATH_MAX];
    buffer_init(&bytes);
    enum error_code code = file_path(sheets, first, path, err);
    if (code == ERR_OK) {
        code = barcode_sheet_new(sheets->paper, &bytes, &sheet, err);
    }
    for (size_t page = first; code == ERR_OK && page < end; page++) {
        code = draw_page(sheets, page, sheet, err);
    }
    if (code == ERR_OK) {
        code = barcode_sheet_finish(sheet, err);
        sheet = NULL;
    }
    barcode_sheet_free(sheet); /* before the buffer that it writes to */
    if (code == ERR_OK) {
        code = files_write(path, 0644, sheets->force ? FILES_REPLACE : FILES_NEW,
                           buffer_slice(&bytes), err);
    }
    if (code == ERR_OK) {
        json_array_append_new(sheets->files, show_text_json(path));
        if (!sheets->call->json) {
            buffer_print(&sheets->call->out, "Wrote ");
            show_plain(&sheets->call->out, slice_text(path));
            buffer_print(&sheets->call->out, "\n");
        }
    }
    buffer_release(&bytes);
    return code;
}

static enum error_code write_all(struct sheets *sheets, struct error *err) {
    size_t pages = page_count(sheets);
    enum error_code code = check_files(sheets, err);
    size_t step = sheets->paper == BARCODE_PDF ? pages : 1;
    for (size_t page = 0; code == ERR_OK && page < pages; page += step) {
        code = write_file(sheets, page, page + step, err);
    }
    return code;
}

static void show_done(struct sheets *sheets) {
    size_t pages = page_count(sheets);
    struct verb_call *call = sheets->call;
    if (call->json) {
        show_json(&call->out, json_pack("{s:O, s:I, s:I, s:b}", "files", sheets->files, "bibs",
                                        (json_int_t)sheets->count, "pages", (json_int_t)pages,
                                        "card", sheets->card ? 1 : 0));
        return;
    }
    if (sheets->count > 0) {
        buffer_print(&call->out, "%zu bib%s%s, ", sheets->count, sheets->count == 1 ? "" : "s",
                     sheets->card ? " and the card" : "");
    } else if (sheets->card) {
        buffer_print(&call->out, "The card, ");
    }
    if (sheets->badge_count > 0) {
        buffer_print(&call->out, "%zu badge%s, ", sheets->badge_count,
                     sheets->badge_count == 1 ? "" : "s");
    }
    buffer_print(&call->out,
                 "%zu page%s. Print at full size, not fitted to the page, "
                 "and scan one of each page.\n",
                 pages, pages == 1 ? "" : "s");
}

/* ---- the verb ---- */

/* "AB,CD" */
static enum error_code read_badges(struct sheets *sheets, const char *value, struct error *err) {
    while (value != NULL && *value != '\0') {
        size_t length = strcspn(value, ",");
        bool fits = length > 0 && length <= RECORD_HELPER_MAX;
        for (size_t i = 0; fits && i < length; i++) {
            fits = value[i] > ' ' && value[i] < 0x7F;
        }
        if (!fits || sheets->badge_count == BADGES_MAX) {
            error_set(err, ERR_USAGE, "--badges at \"%.40s\"", value);
            return error_say(err,
                             "Give the helpers' initials like --badges AB,CD: each up to %d plain "
                             "letters or digits, at most %d of them.",
                             RECORD_HELPER_MAX, BADGES_MAX);
        }
        snprintf(sheets->badge[sheets->badge_count++], sizeof(sheets->badge[0]), "+BY:%.*s",
                 (int)length, value);
        value += length + (value[length] == ',' ? 1 : 0);
    }
    return ERR_OK;
}

static enum error_code read_words(struct sheets *sheets, const struct options *options,
                                  const char **bibs, struct error *err) {
    const char *kind = options_value(options, "--code");
    *bibs = options_value(options, "--bibs");
    sheets->card = options_has(options, "--card");
    sheets->force = options_has(options, "--force");
    enum error_code code = parts_needed(options, "--out", &sheets->name, err);
    if (code == ERR_OK) {
        code = read_badges(sheets, options_value(options, "--badges"), err);
    }
    if (code == ERR_OK && !sheets->card && sheets->badge_count == 0) {
        code = parts_needed(options, "--bibs", bibs, err);
    }
    if (code == ERR_OK) {
        code = read_name(sheets, err);
    }
    if (code == ERR_OK) {
        code = barcode_kind_parse(kind == NULL ? "128" : kind, &sheets->kind, err);
    }
    if (code == ERR_OK && (sheets->card || sheets->badge_count > 0) &&
        sheets->kind == BARCODE_KIND_39) {
        error_set(err, ERR_USAGE, "--card or --badges with --code 39");
        code = error_say(err, "Cards cannot be made in Code 39: many scanners read a plus and a "
                              "letter there as a small letter. Choose --code 128 or qr.");
    }
    return code;
}

void verb_barcodes(struct verb_call *call) {
    struct sheets sheets = {.call = call, .files = json_array()};
    struct options options;
    struct error err;
    const char *bibs = NULL;
    enum error_code code = parts_words(call, "barcodes", 0, 0, "", &options, &err);
    if (code == ERR_OK) {
        code = read_words(&sheets, &options, &bibs, &err);
    }
    if (code == ERR_OK) {
        code = gather(&sheets, bibs, &err);
    }
    if (code == ERR_OK) {
        code = write_all(&sheets, &err);
    }
    if (code == ERR_OK) {
        show_done(&sheets);
    } else {
        verb_fail(call, &err);
    }
    json_decref(sheets.files);
    free(sheets.number);
    options_release(&options);
}
