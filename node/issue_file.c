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

#include "node/chip_rows.h"
#include "node/files.h"
#include "node/show_day.h"
#include "node/verb_parts.h"

enum {
    FILE_SIZE_MAX = 16 << 20,
    READ_SIZE = 1 << 18,
    STEP_ROWS = 500,
    STEP_BIBS = 50,   /* looked at in one step */
    STEP_ISSUES = 64, /* recorded in one step and so with one sync */
    BAD_SHOWN = 20,
};

enum phase { READING, PARSING, LOOKING, RECORDING };

struct filing {
    struct verb_job job; /* first, so that a job is its filing */
    struct verb_call *call;
    char helper[RECORD_HELPER_MAX + 1];
    enum phase phase;
    struct files_reader reader;
    struct buffer file;
    struct chip_rows rows;
    size_t at; /* where LOOKING or RECORDING stands */
    uint64_t recorded, already, left_count;
    json_t *left_out;
    struct buffer left_text;
};

static void free_filing(struct verb_job *job) {
    struct filing *filing = (struct filing *)job;
    files_reader_close(&filing->reader);
    buffer_release(&filing->file);
    buffer_release(&filing->left_text);
    json_decref(filing->left_out);
    chip_rows_release(&filing->rows);
    free(filing);
}

/* ---- what is wrong ---- */

static void leave_out(struct filing *filing, struct chip_row *line, const char *why) {
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

/* ---- a bib against the ledger ---- */

static bool same_bytes(const uint8_t *a, size_t a_size, const uint8_t *b, size_t b_size) {
    return a_size == b_size && memcmp(a, b, a_size) == 0;
}

static bool is_listed(const struct parts_issues *issues, const struct record_tag *tag) {
    for (size_t i = 0; i < issues->count; i++) {
        for (size_t j = 0; j < issues->issue[i].tag_count; j++) {
            const struct pairs_tag *listed = &issues->issue[i].tag[j];
            bool either = listed->tid.size == 0 || tag->tid.size == 0;
            if (same_bytes(listed->epc.data, listed->epc.size, tag->epc.data, tag->epc.size) &&
                (either ||
                 same_bytes(listed->tid.data, listed->tid.size, tag->tid.data, tag->tid.size))) {
                return true;
            }
        }
    }
    return false;
}

static enum error_code look_present(struct filing *filing, struct chip_row *line, size_t count,
                                    struct error *err) {
    struct parts_issues present;
    bool ever = false, same = true;
    size_t tags = 0;
    char say[CHIP_ROWS_SAY_SIZE];
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
        chip_rows_bad(&filing->rows, line->number, false, say);
    }
    parts_issues_release(&present);
    return code;
}

static enum error_code look_tag_free(struct filing *filing, const struct chip_row *line,
                                     enum pairs_issues which, struct error *err) {
    struct parts_issues issues = {0};
    struct pairs_filter filter = {.which = which, .epc = line->tag.epc, .tid = line->tag.tid};
    char say[CHIP_ROWS_SAY_SIZE];
    enum error_code code = parts_issues(filing->call->station->ledger, &filter, &issues, err);
    parts_issues_keep_live(&issues, false);
    for (size_t i = 0; code == ERR_OK && i < issues.count; i++) {
        if (strcmp(issues.issue[i].bib.text, line->bib.text) != 0) {
            snprintf(say, sizeof(say), "This chip is on bib %s already.", issues.issue[i].bib.text);
            chip_rows_bad(&filing->rows, line->number, false, say);
            break;
        }
    }
    parts_issues_release(&issues);
    return code;
}

static enum error_code look_hold(struct filing *filing, struct chip_row *line, struct error *err) {
    struct pairs_hold hold;
    char why[CHIP_ROWS_SAY_SIZE];
    enum error_code code = pairs_hold(filing->call->station->ledger, &line->bib, &hold, err);
    if (code == ERR_OK && hold.how == HOLD_HELD) {
        snprintf(why, sizeof(why), "held back by %.40s: %.80s", hold.said.table, hold.reason);
        leave_out(filing, line, why);
    }
    return code == ERR_NOT_FOUND ? ERR_OK : code;
}

static enum error_code look_bib(struct filing *filing, struct chip_row *line, size_t count,
                                struct error *err) {
    size_t wanted = record_found_category(filing->rows.found, &line->bib)->tags_per_bib;
    char say[CHIP_ROWS_SAY_SIZE];
    if (count != wanted) {
        snprintf(say, sizeof(say), "Bib %s has %zu chip%s in the file, and needs %zu.",
                 line->bib.text, count, count == 1 ? "" : "s", wanted);
        chip_rows_bad(&filing->rows, line->number, true, say);
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
        if (code == ERR_OK && filing->rows.found->epc_unique) {
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

static void add_issue(struct slice_of_issues *slice, const struct chip_row *line, size_t count) {
    struct record_issue issue = {.bib = line->bib, .tag_count = count, .how = ISSUE_FILE};
    struct buffer *body = &slice->body[slice->count];
    for (size_t i = 0; i < count; i++) {
        issue.tag[i] = line[i].tag;
    }
    record_issue_write(&issue, body);
    slice->act[slice->count++] = (struct station_act){RECORD_ISSUE, buffer_slice(body)};
}

/* Another table may have chipped it since it was looked at. */
static enum error_code is_still_free(struct filing *filing, struct chip_row *line,
                                     struct error *err) {
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
    while (code == ERR_OK && at < filing->rows.count && slice.count < STEP_ISSUES) {
        struct chip_row *line = &filing->rows.row[at];
        size_t count = chip_rows_of_bib(&filing->rows, at);
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

static void tell_bad(struct filing *filing) {
    struct verb_call *call = filing->call;
    struct error err;
    size_t kept = chip_rows_bad_kept(&filing->rows);
    json_t *array = json_array();
    chip_rows_sort_bad(&filing->rows);
    error_set(&err, filing->rows.bad_input ? ERR_FORM : ERR_ALREADY_ISSUED, "%zu lines",
              filing->rows.bad_count);
    error_say(&err,
              "Nothing of the file was recorded: lines that are wrong: %zu, the first is "
              "line %llu. Mend them, and run it again.",
              filing->rows.bad_count, (unsigned long long)filing->rows.bad[0].line);
    verb_complain(call, &err);
    for (size_t i = 0; i < kept; i++) {
        json_array_append_new(array,
                              json_pack("{s:I, s:o}", "line", (json_int_t)filing->rows.bad[i].line,
                                        "say", show_text_json(filing->rows.bad[i].say)));
        if (i < BAD_SHOWN) {
            buffer_print(&call->err, "  line %llu: ", (unsigned long long)filing->rows.bad[i].line);
            show_plain(&call->err, slice_text(filing->rows.bad[i].say));
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
        code = chip_rows_begin(&filing->rows, buffer_slice(&filing->file), err);
        filing->phase = PARSING;
    }
    return code;
}

static enum error_code step_parsing(struct filing *filing, struct error *err) {
    bool done = false;
    enum error_code code = parts_found(filing->call, &filing->rows.found, err);
    if (code == ERR_OK) {
        code = chip_rows_read(&filing->rows, STEP_ROWS, &done, err);
    }
    filing->phase = done ? LOOKING : PARSING;
    return code;
}

static enum error_code step_looking(struct filing *filing, struct error *err) {
    enum error_code code = parts_found(filing->call, &filing->rows.found, err);
    for (int i = 0; code == ERR_OK && i < STEP_BIBS && filing->at < filing->rows.count; i++) {
        struct chip_row *line = &filing->rows.row[filing->at];
        size_t count = chip_rows_of_bib(&filing->rows, filing->at);
        code = look_bib(filing, line, count, err);
        filing->already += line->fate == FATE_ALREADY;
        filing->at += count;
    }
    if (code == ERR_OK && filing->at == filing->rows.count) {
        filing->phase = RECORDING;
        filing->at = 0;
    }
    return code;
}

static bool step_filing(struct verb_job *job) {
    struct filing *filing = (struct filing *)job;
    struct error err;
    enum error_code code = ERR_OK;
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
    if (code != ERR_OK) {
        tell_broken_off(filing, &err);
        return false;
    }
    bool recording = filing->phase == RECORDING;
    if (recording && filing->rows.bad_count > 0) {
        tell_bad(filing);
        return false;
    }
    if (recording && filing->at == filing->rows.count) {
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
    if (filing == NULL) {
        return error_set(err, ERR_MEMORY, "a file of chips");
    }
    filing->job = (struct verb_job){.step = step_filing, .free = free_filing};
    filing->call = call;
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
