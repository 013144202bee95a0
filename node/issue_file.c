/*
 * issue_file.c: see issue_file.h.
 *
 * Read, sort, look, record, each in slices, so that a long file holds up nobody. Its chips are
 * recorded as not seen: nobody here has read one. A bib that has the very chips of the file already
 * is passed over, so that doing it again is safe. Must never record a part of a file of which
 * another part is wrong.
 */
#include "node/issue_file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/csv.h"
#include "node/files.h"
#include "node/show_day.h"
#include "node/verb_parts.h"

enum {
    FILE_SIZE_MAX = 16 << 20,
    LINES_MAX = 200000,
    READ_SIZE = 1 << 18,
    STEP_ROWS = 500,
    STEP_BIBS = 50,   /* looked at in one step */
    STEP_ISSUES = 64, /* recorded in one step and so with one sync */
    FIELDS_MAX = 32,
    BAD_KEPT = 1000,
    BAD_SHOWN = 20,
    SAY_SIZE = 160,
};

enum column { COLUMN_BIB, COLUMN_EPC, COLUMN_TID, COLUMN_COUNT };

/* What becomes of a bib, on the first of its lines. */
enum fate { FATE_RECORD, FATE_ALREADY, FATE_LEFT_OUT };

struct line {
    struct bib bib;
    struct record_tag tag;
    uint64_t number; /* in the file, from 1 */
    enum fate fate;
};
struct bad {
    uint64_t line;
    char say[SAY_SIZE];
};

enum phase { READING, PARSING, LOOKING, RECORDING };

struct filing {
    struct verb_job job; /* first, so that a job is its filing */
    struct verb_call *call;
    char helper[RECORD_HELPER_MAX + 1];
    const struct record_found *found; /* borrowed from the ledger, asked for in each step */
    enum phase phase;
    struct files_reader reader;
    struct buffer file, text;
    struct csv_reader rows;
    bool has_heading;
    size_t column[COLUMN_COUNT]; /* which field it is; FIELDS_MAX: none */
    struct line *line;           /* by bib, then number, once all are read */
    size_t line_count, line_capacity;
    size_t at; /* where LOOKING or RECORDING stands */
    struct bad *bad;
    size_t bad_count;
    bool bad_input; /* some line is wrong in itself, not only as things stand */
    uint64_t recorded, already, left_count;
    json_t *left_out;
    struct buffer left_text;
};

static void free_filing(struct verb_job *job) {
    struct filing *filing = (struct filing *)job;
    files_reader_close(&filing->reader);
    buffer_release(&filing->file);
    buffer_release(&filing->text);
    buffer_release(&filing->left_text);
    json_decref(filing->left_out);
    free(filing->line);
    free(filing->bad);
    free(filing);
}

/* ---- what is wrong ---- */

static void add_bad(struct filing *filing, uint64_t line, bool input, const char *say) {
    if (filing->bad_count < BAD_KEPT) {
        struct bad *bad = &filing->bad[filing->bad_count];
        bad->line = line;
        snprintf(bad->say, sizeof(bad->say), "%.*s", (int)sizeof(bad->say) - 1, say);
    }
    filing->bad_count++;
    filing->bad_input = filing->bad_input || input;
}

static void leave_out(struct filing *filing, struct line *line, const char *why) {
    line->fate = FATE_LEFT_OUT;
    filing->left_count++;
    json_array_append_new(filing->left_out, json_pack("{s:s, s:o}", "bib", line->bib.text, "why",
                                                      show_text_json(why)));
    if (filing->left_count <= BAD_SHOWN) {
        buffer_print(&filing->left_text, "  bib %s: ", line->bib.text);
        show_plain(&filing->left_text, slice_text(why));
        buffer_print(&filing->left_text, "\n");
    }
}

/* ---- reading rows ---- */

static struct slice trimmed(struct slice field) {
    while (field.size > 0 && (field.data[0] == ' ' || field.data[0] == '\t')) {
        field = slice_of(field.data + 1, field.size - 1);
    }
    while (field.size > 0 &&
           (field.data[field.size - 1] == ' ' || field.data[field.size - 1] == '\t')) {
        field.size--;
    }
    return field;
}

static bool is_word(struct slice field, const char *word) {
    size_t length = strlen(word);
    for (size_t i = 0; field.size == length && i < length; i++) {
        if ((field.data[i] | 0x20) != (uint8_t)word[i]) {
            return false;
        }
    }
    return field.size == length;
}

static enum error_code read_heading(struct filing *filing, const struct slice *fields, size_t count,
                                    struct error *err) {
    static const char *const names[COLUMN_COUNT] = {"bib", "epc", "tid"};
    for (size_t i = 0; i < COLUMN_COUNT; i++) {
        filing->column[i] = FIELDS_MAX;
        for (size_t j = 0; j < count && j < FIELDS_MAX; j++) {
            if (filing->column[i] == FIELDS_MAX && is_word(trimmed(fields[j]), names[i])) {
                filing->column[i] = j;
            }
        }
    }
    filing->has_heading = true;
    if (filing->column[COLUMN_BIB] < FIELDS_MAX && filing->column[COLUMN_EPC] < FIELDS_MAX) {
        return ERR_OK;
    }
    error_set(err, ERR_FORM, "no columns bib and epc in the first line");
    return error_say(err, "The first line of the file must name its columns: bib, epc and, where "
                          "the chips have one, tid.");
}

static struct slice field_of(const struct filing *filing, enum column column,
                             const struct slice *fields, size_t count) {
    size_t at = filing->column[column];
    return at < count && at < FIELDS_MAX ? trimmed(fields[at]) : (struct slice){NULL, 0};
}

static bool add_line(struct filing *filing, const struct line *line) {
    if (filing->line_count == filing->line_capacity) {
        size_t wanted = filing->line_capacity == 0 ? 1024 : 2 * filing->line_capacity;
        struct line *grown = realloc(filing->line, wanted * sizeof(*grown));
        if (grown == NULL) {
            return false;
        }
        filing->line = grown;
        filing->line_capacity = wanted;
    }
    filing->line[filing->line_count++] = *line;
    return true;
}

/* A line by itself: a number of this event, and a chip that may carry it. */
static enum error_code read_line(const struct filing *filing, const struct slice *fields,
                                 size_t count, struct line *line, struct error *err) {
    const struct record_found *found = filing->found;
    struct slice tid = field_of(filing, COLUMN_TID, fields, count);
    uint64_t number = 0;
    enum error_code code =
        bib_parse(field_of(filing, COLUMN_BIB, fields, count), found->zeros_count, &line->bib, err);
    if (code == ERR_OK &&
        !(bib_number(&line->bib, &number) &&
          (bib_ranges_hold(&found->bibs, number) || bib_ranges_hold(&found->late, number)))) {
        error_set(err, ERR_BIB, "bib %s", line->bib.text);
        code = error_say(err, "Bib %s is not a number of this event.", line->bib.text);
    }
    if (code == ERR_OK) {
        code = epc_parse(field_of(filing, COLUMN_EPC, fields, count), &line->tag.epc, err);
    }
    if (code == ERR_OK && tid.size > 0) {
        code = tid_parse(tid, &line->tag.tid, err);
    }
    return code == ERR_OK ? epc_fits(&record_found_category(found, &line->bib)->scheme, &line->bib,
                                     &line->tag.epc, err)
                          : code;
}

static enum error_code take_row(struct filing *filing, const struct slice *fields, size_t count,
                                uint64_t number, struct error *err) {
    struct line line = {.number = number};
    struct error why;
    if (count == 1 && trimmed(fields[0]).size == 0) {
        return ERR_OK; /* an empty line */
    }
    if (!filing->has_heading) {
        return read_heading(filing, fields, count, err);
    }
    if (read_line(filing, fields, count, &line, &why) != ERR_OK) {
        add_bad(filing, number, true, why.say);
        return ERR_OK;
    }
    if (filing->line_count == LINES_MAX) {
        return error_set(err, ERR_LIMIT, "over %d lines", LINES_MAX);
    }
    return add_line(filing, &line) ? ERR_OK : error_set(err, ERR_MEMORY, "lines of a file");
}

/* ---- lines against each other ---- */

static int by_bib(const void *a, const void *b) {
    const struct line *left = a;
    const struct line *right = b;
    int order = bib_compare(&left->bib, &right->bib);
    return order != 0 ? order : left->number < right->number ? -1 : 1;
}

static int compare_bytes(const uint8_t *a, size_t a_size, const uint8_t *b, size_t b_size) {
    return a_size != b_size ? (a_size < b_size ? -1 : 1) : memcmp(a, b, a_size);
}

static int by_epc(const void *a, const void *b) {
    const struct line *left = *(struct line *const *)a;
    const struct line *right = *(struct line *const *)b;
    int order = compare_bytes(left->tag.epc.data, left->tag.epc.size, right->tag.epc.data,
                              right->tag.epc.size);
    return order != 0 ? order : left->number < right->number ? -1 : 1;
}

static int by_tid(const void *a, const void *b) {
    const struct line *left = *(struct line *const *)a;
    const struct line *right = *(struct line *const *)b;
    int order = compare_bytes(left->tag.tid.data, left->tag.tid.size, right->tag.tid.data,
                              right->tag.tid.size);
    return order != 0 ? order : left->number < right->number ? -1 : 1;
}

static void note_twins(struct filing *filing, struct line *const *sorted, bool tid) {
    for (size_t i = 1; i < filing->line_count; i++) {
        const struct line *a = sorted[i - 1];
        const struct line *b = sorted[i];
        bool same =
            tid ? a->tag.tid.size > 0 && compare_bytes(a->tag.tid.data, a->tag.tid.size,
                                                       b->tag.tid.data, b->tag.tid.size) == 0
                : compare_bytes(a->tag.epc.data, a->tag.epc.size, b->tag.epc.data,
                                b->tag.epc.size) == 0;
        if (same) {
            char say[SAY_SIZE];
            snprintf(say, sizeof(say), "The same chip stands on line %llu too, for bib %s.",
                     (unsigned long long)a->number, a->bib.text);
            add_bad(filing, b->number, true, say);
        }
    }
}

/* One chip that stands on two lines. */
static enum error_code find_twins(struct filing *filing, struct error *err) {
    struct line **sorted = calloc(filing->line_count + 1, sizeof(struct line *));
    if (sorted == NULL) {
        return error_set(err, ERR_MEMORY, "lines of a file");
    }
    for (size_t i = 0; i < filing->line_count; i++) {
        sorted[i] = &filing->line[i];
    }
    if (filing->line_count > 1) {
        qsort(sorted, filing->line_count, sizeof(struct line *), by_tid);
        note_twins(filing, sorted, true);
    }
    if (filing->line_count > 1 && filing->found->epc_unique) {
        qsort(sorted, filing->line_count, sizeof(struct line *), by_epc);
        note_twins(filing, sorted, false);
    }
    free(sorted);
    return ERR_OK;
}

static size_t lines_of(const struct filing *filing, size_t first) {
    size_t count = 1;
    while (first + count < filing->line_count &&
           strcmp(filing->line[first].bib.text, filing->line[first + count].bib.text) == 0) {
        count++;
    }
    return count;
}

/* ---- a bib against the ledger ---- */

static bool is_listed(const struct parts_issues *issues, const struct record_tag *tag) {
    for (size_t i = 0; i < issues->count; i++) {
        for (size_t j = 0; j < issues->issue[i].tag_count; j++) {
            const struct pairs_tag *listed = &issues->issue[i].tag[j];
            bool same = compare_bytes(listed->epc.data, listed->epc.size, tag->epc.data,
                                      tag->epc.size) == 0;
            if (same && (listed->tid.size == 0 || tag->tid.size == 0 ||
                         compare_bytes(listed->tid.data, listed->tid.size, tag->tid.data,
                                       tag->tid.size) == 0)) {
                return true;
            }
        }
    }
    return false;
}

static enum error_code look_present(struct filing *filing, struct line *line, size_t count,
                                    struct error *err) {
    struct parts_issues present;
    bool ever = false, same = true;
    size_t tags = 0;
    char say[SAY_SIZE];
    enum error_code code =
        parts_present(filing->call->station->ledger, &line->bib, &present, &ever, err);
    for (size_t i = 0; i < present.count; i++) {
        same = same && present.issue[i].live;
        tags += present.issue[i].tag_count;
    }
    for (size_t i = 0; i < count; i++) {
        same = same && is_listed(&present, &line[i].tag);
    }
    if (code == ERR_OK && present.count > 0 && same && tags == count) {
        line->fate = FATE_ALREADY;
    } else if (code == ERR_OK && present.count > 0) {
        snprintf(say, sizeof(say), "Bib %s has another chip already, from %.60s.", line->bib.text,
                 present.issue[0].table);
        add_bad(filing, line->number, false, say);
    }
    parts_issues_release(&present);
    return code;
}

static enum error_code look_tag_free(struct filing *filing, const struct line *line,
                                     enum pairs_issues which, struct error *err) {
    struct parts_issues issues = {0};
    struct pairs_filter filter = {.which = which, .epc = line->tag.epc, .tid = line->tag.tid};
    char say[SAY_SIZE];
    enum error_code code = parts_issues(filing->call->station->ledger, &filter, &issues, err);
    parts_issues_keep_live(&issues, false);
    for (size_t i = 0; code == ERR_OK && i < issues.count; i++) {
        if (strcmp(issues.issue[i].bib.text, line->bib.text) != 0) {
            snprintf(say, sizeof(say), "This chip is on bib %s already.", issues.issue[i].bib.text);
            add_bad(filing, line->number, false, say);
            break;
        }
    }
    parts_issues_release(&issues);
    return code;
}

static enum error_code look_hold(struct filing *filing, struct line *line, struct error *err) {
    struct pairs_hold hold;
    char why[SAY_SIZE];
    enum error_code code = pairs_hold(filing->call->station->ledger, &line->bib, &hold, err);
    if (code == ERR_OK && hold.how == HOLD_HELD) {
        snprintf(why, sizeof(why), "held back by %.40s: %.80s", hold.said.table, hold.reason);
        leave_out(filing, line, why);
    }
    return code == ERR_NOT_FOUND ? ERR_OK : code;
}

static enum error_code look_bib(struct filing *filing, struct line *line, size_t count,
                                struct error *err) {
    size_t wanted = record_found_category(filing->found, &line->bib)->tags_per_bib;
    char say[SAY_SIZE];
    if (count != wanted) {
        snprintf(say, sizeof(say), "Bib %s has %zu chip%s in the file, and needs %zu.",
                 line->bib.text, count, count == 1 ? "" : "s", wanted);
        add_bad(filing, line->number, true, say);
        return ERR_OK;
    }
    enum error_code code = look_present(filing, line, count, err);
    if (code != ERR_OK || line->fate == FATE_ALREADY) {
        return code;
    }
    for (size_t i = 0; code == ERR_OK && i < count; i++) {
        if (line[i].tag.tid.size > 0) {
            code = look_tag_free(filing, &line[i], PAIRS_ISSUES_OF_TID, err);
        }
        if (code == ERR_OK && filing->found->epc_unique) {
            code = look_tag_free(filing, &line[i], PAIRS_ISSUES_OF_EPC, err);
        }
    }
    return code == ERR_OK ? look_hold(filing, line, err) : code;
}

/* ---- recording ---- */

struct slice_of_issues {
    size_t count;
    struct station_act act[STEP_ISSUES];
    struct buffer body[STEP_ISSUES];
};

static void add_issue(struct slice_of_issues *slice, const struct line *line, size_t count) {
    struct record_issue issue = {.bib = line->bib, .tag_count = count, .how = ISSUE_FILE};
    struct buffer *body = &slice->body[slice->count];
    for (size_t i = 0; i < count; i++) {
        issue.tag[i] = line[i].tag;
    }
    record_issue_write(&issue, body);
    slice->act[slice->count++] = (struct station_act){RECORD_ISSUE, buffer_slice(body)};
}

/* Another table may have chipped it since it was looked at. */
static enum error_code is_still_free(struct filing *filing, struct line *line, struct error *err) {
    struct pairs_bib state;
    enum error_code code = pairs_bib(filing->call->station->ledger, &line->bib, &state, err);
    if (code == ERR_OK && (state.live > 0 || state.doubt)) {
        leave_out(filing, line, "chipped meanwhile at another table");
    }
    return code;
}

static enum error_code record_some(struct filing *filing, struct error *err) {
    struct slice_of_issues slice = {.count = 0};
    struct pairs_author *author = &filing->call->station->author;
    struct record_id last;
    enum error_code code = ERR_OK;
    size_t at = filing->at;
    while (code == ERR_OK && at < filing->line_count && slice.count < STEP_ISSUES) {
        struct line *line = &filing->line[at];
        size_t count = lines_of(filing, at);
        if (line->fate == FATE_RECORD) {
            code = is_still_free(filing, line, err);
        }
        if (code == ERR_OK && line->fate == FATE_RECORD) {
            add_issue(&slice, line, count);
            code =
                slice.body[slice.count - 1].failed ? error_set(err, ERR_MEMORY, "issues") : ERR_OK;
        }
        at += count;
    }
    if (code == ERR_OK && slice.count > 0) {
        memcpy(author->helper, filing->helper, sizeof(author->helper));
        code = station_append_all(filing->call->station, slice.act, slice.count, &last, err);
    }
    if (code == ERR_OK) {
        filing->at = at;
        filing->recorded += slice.count;
    }
    for (size_t i = 0; i < STEP_ISSUES; i++) {
        buffer_release(&slice.body[i]);
    }
    return code;
}

/* ---- telling ---- */

static int by_line(const void *a, const void *b) {
    const struct bad *left = a;
    const struct bad *right = b;
    return left->line < right->line ? -1 : left->line > right->line;
}

static void tell_bad(struct filing *filing) {
    struct verb_call *call = filing->call;
    struct error err;
    size_t kept = filing->bad_count < BAD_KEPT ? filing->bad_count : BAD_KEPT;
    json_t *array = json_array();
    qsort(filing->bad, kept, sizeof(*filing->bad), by_line);
    error_set(&err, filing->bad_input ? ERR_FORM : ERR_ALREADY_ISSUED, "%zu lines",
              filing->bad_count);
    error_say(&err,
              "Nothing of the file was recorded: lines that are wrong: %zu, the first is "
              "line %llu. Mend them, and run it again.",
              filing->bad_count, (unsigned long long)filing->bad[0].line);
    verb_complain(call, &err);
    for (size_t i = 0; i < kept; i++) {
        json_array_append_new(array,
                              json_pack("{s:I, s:o}", "line", (json_int_t)filing->bad[i].line,
                                        "say", show_text_json(filing->bad[i].say)));
        if (i < BAD_SHOWN) {
            buffer_print(&call->err, "  line %llu: ", (unsigned long long)filing->bad[i].line);
            show_plain(&call->err, slice_text(filing->bad[i].say));
            buffer_print(&call->err, "\n");
        }
    }
    if (call->json) {
        show_json(&call->out,
                  json_pack("{s:s, s:o, s:o, s:O, s:I}", "error", error_name(err.code), "say",
                            show_text_json(err.say), "cause", show_text_json(err.cause), "bad",
                            array, "recorded", (json_int_t)0));
    }
    json_decref(array);
}

static void tell_done(struct filing *filing) {
    struct verb_call *call = filing->call;
    call->status = filing->left_count > 0 ? (int)ERROR_CLASS_STATE : 0;
    if (call->json) {
        show_json(&call->out,
                  json_pack("{s:I, s:I, s:O}", "recorded", (json_int_t)filing->recorded, "already",
                            (json_int_t)filing->already, "left_out", filing->left_out));
        return;
    }
    buffer_print(&call->out,
                 "Bibs recorded from the file: %llu, recorded already: %llu, left out: %llu. Their "
                 "chips were not seen here yet.\n",
                 (unsigned long long)filing->recorded, (unsigned long long)filing->already,
                 (unsigned long long)filing->left_count);
    buffer_append_slice(&call->out, buffer_slice(&filing->left_text));
}

/* A slice could not be recorded; those before it stand. */
static void tell_broken_off(struct filing *filing, const struct error *err) {
    struct verb_call *call = filing->call;
    verb_fail(call, err);
    if (filing->recorded > 0) {
        buffer_print(&call->err,
                     "Bibs recorded before that: %llu. They count; run it again for the others.\n",
                     (unsigned long long)filing->recorded);
    }
}

/* ---- steps ---- */

static enum error_code step_reading(struct filing *filing, struct error *err) {
    bool done = false;
    enum error_code code = files_reader_some(&filing->reader, READ_SIZE, &filing->file, &done, err);
    if (code == ERR_OK && filing->file.size > FILE_SIZE_MAX) {
        code = error_set(err, ERR_LIMIT, "over %d bytes", FILE_SIZE_MAX);
    }
    if (code == ERR_OK && done) {
        csv_open(&filing->rows, buffer_slice(&filing->file));
        filing->phase = PARSING;
    }
    return code;
}

/* All lines are read: they are put in order, and against each other. */
static enum error_code end_parsing(struct filing *filing, struct error *err) {
    filing->phase = LOOKING;
    if (!filing->has_heading) {
        error_set(err, ERR_FORM, "an empty file");
        return error_say(err, "There is nothing in that file.");
    }
    if (filing->line_count > 1) {
        qsort(filing->line, filing->line_count, sizeof(*filing->line), by_bib);
    }
    return find_twins(filing, err);
}

static enum error_code step_parsing(struct filing *filing, struct error *err) {
    struct slice fields[FIELDS_MAX];
    enum error_code code = ERR_OK;
    for (int i = 0; code == ERR_OK && i < STEP_ROWS; i++) {
        size_t count = 0;
        uint64_t number = 0;
        switch (csv_read(&filing->rows, &filing->text, fields, FIELDS_MAX, &count, &number)) {
        case CSV_END:
            return end_parsing(filing, err);
        case CSV_ROW:
            code = take_row(filing, fields, count, number, err);
            break;
        case CSV_BROKEN:
            add_bad(filing, number, true, "A quotation mark stands where none may be.");
            break;
        case CSV_NO_MEMORY:
            code = error_set(err, ERR_MEMORY, "a line of a file");
            break;
        }
    }
    return code;
}

static enum error_code step_looking(struct filing *filing, struct error *err) {
    enum error_code code = ERR_OK;
    for (int i = 0; code == ERR_OK && i < STEP_BIBS && filing->at < filing->line_count; i++) {
        struct line *line = &filing->line[filing->at];
        size_t count = lines_of(filing, filing->at);
        code = look_bib(filing, line, count, err);
        filing->already += line->fate == FATE_ALREADY;
        filing->at += count;
    }
    if (code == ERR_OK && filing->at == filing->line_count) {
        filing->phase = RECORDING;
        filing->at = 0;
    }
    return code;
}

static bool step_filing(struct verb_job *job) {
    struct filing *filing = (struct filing *)job;
    struct error err;
    enum error_code code = parts_found(filing->call, &filing->found, &err);
    if (code == ERR_OK) {
        switch (filing->phase) {
        case READING:
            code = step_reading(filing, &err);
            break;
        case PARSING:
            code = step_parsing(filing, &err);
            break;
        case LOOKING:
            code = step_looking(filing, &err);
            break;
        case RECORDING:
            code = record_some(filing, &err);
            break;
        }
    }
    if (code != ERR_OK) {
        tell_broken_off(filing, &err);
        return false;
    }
    bool recording = filing->phase == RECORDING;
    if (recording && filing->bad_count > 0) {
        tell_bad(filing);
        return false;
    }
    if (recording && filing->at == filing->line_count) {
        tell_done(filing);
        return false;
    }
    return true;
}

/* ---- beginning ---- */

static enum error_code check_options(const struct options *options, struct error *err) {
    static const char *const senseless[] = {"--tag",    "--replace", "--chip", "--extra",
                                            "--reason", "--how",     "--half"};
    for (size_t i = 0; i < sizeof(senseless) / sizeof(senseless[0]); i++) {
        if (options_has(options, senseless[i])) {
            error_set(err, ERR_USAGE, "--from with %s", senseless[i]);
            return error_say(err, "%s makes no sense with --from: the file says what is recorded.",
                             senseless[i]);
        }
    }
    return ERR_OK;
}

enum error_code issue_file_begin(struct verb_call *call, const struct options *options,
                                 struct error *err) {
    char path[FILES_PATH_MAX];
    const char *name = NULL;
    enum error_code code = check_options(options, err);
    if (code == ERR_OK) {
        code = parts_needed(options, "--from", &name, err);
    }
    if (code == ERR_OK) {
        code = parts_helper(call, options, err);
    }
    if (code == ERR_OK) {
        code = files_path(call->cwd, name, path, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    struct filing *filing = calloc(1, sizeof(*filing));
    struct bad *bad = calloc(BAD_KEPT, sizeof(*bad));
    if (filing == NULL || bad == NULL) {
        free(filing);
        free(bad);
        return error_set(err, ERR_MEMORY, "a file of chips");
    }
    filing->job = (struct verb_job){.step = step_filing, .free = free_filing};
    filing->call = call;
    filing->bad = bad;
    filing->left_out = json_array();
    filing->reader.fd = -1;
    memcpy(filing->helper, call->station->author.helper, sizeof(filing->helper));
    code = files_reader_open(path, FILE_SIZE_MAX, &filing->reader, err);
    if (code != ERR_OK) {
        free_filing(&filing->job);
        return code;
    }
    call->job = &filing->job;
    return ERR_OK;
}
