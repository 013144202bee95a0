/*
 * verb_export.c: `export` and `handover`: the chip list for the timing crew, and what goes with it.
 *
 * Three files: the list, chips that are on two bibs, and chips that no longer count. Nobody is left
 * out: a bib in doubt stands in the list with its mark; only a chip on two bibs goes aside.
 * A list that is handed over gets a number, which a record keeps with its hash, so that the crew
 * can be told what changed since. Must never write a list from a state that does not follow from
 * the records, nor record a list that is not on the disk.
 */
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/csv.h"
#include "node/files.h"
#include "node/show_day.h"
#include "node/verb_parts.h"

enum { COLUMNS = 8, DEAD_COLUMNS = 7, POSITION_SIZE = 16, MARK_SIZE = 96 };

/* A tag as it is compared: 1 and the EPC, or 2 and the TID. */
struct tag_name {
    uint8_t kind;
    uint8_t size;
    uint8_t data[EPC_SIZE_MAX];
};

struct export {
    struct verb_call *call;
    struct ledger *ledger;
    char path[3][FILES_PATH_MAX]; /* list, two bibs, dead */
    struct buffer csv[3];
    uint64_t rows[3];
    struct tag_name *shared; /* sorted */
    size_t shared_count, shared_capacity;
    struct bib bib; /* of the rows being written, and what they have in common */
    unsigned position;
    char mark[MARK_SIZE];
    uint64_t doubled, doubt, half; /* bibs */
    json_t *not_closed;
    uint64_t not_closed_count;
    struct parts_holds holds;
    bool is_since; /* only bibs that changed since the last handed-over list */
    struct pairs_handover handover;
    struct bib *changed; /* sorted by their bytes */
    size_t changed_count, changed_capacity;
    struct buffer warnings;
    bool failed;          /* memory ran out */
    enum error_code code; /* of what a callback asked for */
    struct error err;
};
enum { LIST, TWO_BIBS, DEAD };

/* ---- tables that are not closed ---- */

static bool see_station(void *context, const struct pairs_station *station) {
    struct export *export = context;
    char when[SHOW_TIME_SIZE];
    bool own = ID_EQUAL(station->key, export->call->station->keys.sign_public);
    if (own || station->role < ROLE_TABLE || station->closed || station->dead || station->stolen) {
        return true;
    }
    export->not_closed_count++;
    json_array_append_new(export->not_closed,
                          json_pack("{s:o, s:o}", "name", show_text_json(station->name),
                                    "last_heard",
                                    station->heard ? show_time_json(station->last) : json_null()));
    show_plain(&export->warnings, slice_text(station->name));
    if (station->heard) {
        show_time(station->last, station_wall(), when);
        buffer_print(&export->warnings, ": last heard %s, not closed, fetch its stick.\n", when);
    } else {
        buffer_print(&export->warnings, ": never heard, not closed, fetch its stick.\n");
    }
    return true;
}

/* ---- what changed since a list was handed over ---- */

static int compare_labels(const void *a, const void *b) {
    return memcmp(a, b, sizeof(struct bib));
}

static bool add_changed(void *context, const struct bib *bib) {
    struct export *export = context;
    if (export->changed_count == export->changed_capacity) {
        size_t wanted = export->changed_capacity == 0 ? 64 : 2 * export->changed_capacity;
        struct bib *grown = realloc(export->changed, wanted * sizeof(*grown));
        if (grown == NULL) {
            export->failed = true;
            return false;
        }
        export->changed = grown;
        export->changed_capacity = wanted;
    }
    export->changed[export->changed_count++] = *bib;
    return true;
}

static enum error_code read_changed(struct export *export, struct error *err) {
    enum error_code code = pairs_last_handover(export->ledger, &export->handover, err);
    if (code == ERR_NOT_FOUND) {
        return error_say(err, "No chip list was handed over yet, as far as is known here. Leave "
                              "out --since-handover for the whole list.");
    }
    if (code == ERR_OK) {
        code =
            pairs_each_since(export->ledger, &export->handover.said.id, add_changed, export, err);
    }
    if (export->changed_count > 1) {
        qsort(export->changed, export->changed_count, sizeof(*export->changed), compare_labels);
    }
    return code;
}

static bool is_wanted(const struct export *export, const struct bib *bib) {
    return !export->is_since ||
           (export->changed_count > 0 && bsearch(bib, export->changed, export->changed_count,
                                                 sizeof(*bib), compare_labels) != NULL);
}

/* ---- chips on two bibs ---- */

static int compare_tags(const void *a, const void *b) {
    return memcmp(a, b, sizeof(struct tag_name));
}

static void name_tag(struct tag_name *name, uint8_t kind, const uint8_t *data, uint8_t size) {
    memset(name, 0, sizeof(*name));
    name->kind = kind;
    name->size = size;
    memcpy(name->data, data, size);
}

static bool add_shared(void *context, const struct pairs_shared *shared) {
    struct export *export = context;
    if (export->shared_count == export->shared_capacity) {
        size_t wanted = export->shared_capacity == 0 ? 64 : 2 * export->shared_capacity;
        struct tag_name *grown = realloc(export->shared, wanted * sizeof(*grown));
        if (grown == NULL) {
            export->failed = true;
            return false;
        }
        export->shared = grown;
        export->shared_capacity = wanted;
    }
    struct tag_name *name = &export->shared[export->shared_count++];
    if (shared->by_tid) {
        name_tag(name, 2, shared->tid.data, shared->tid.size);
    } else {
        name_tag(name, 1, shared->epc.data, shared->epc.size);
    }
    return true;
}

static bool has_tag(const struct export *export, uint8_t kind, const uint8_t *data, uint8_t size) {
    struct tag_name name;
    name_tag(&name, kind, data, size);
    return export->shared_count > 0 && size > 0 &&
           bsearch(&name, export->shared, export->shared_count, sizeof(name), compare_tags) != NULL;
}

/* ---- the list ---- */

static void add_mark(char *mark, const char *word) {
    size_t length = strlen(mark);
    snprintf(mark + length, MARK_SIZE - length, "%s%s", length == 0 ? "" : "; ", word);
}

/* A bib is half done while fewer chips count for it than it needs. */
static bool is_half(const struct parts_issues *issues, size_t wanted) {
    bool half = false;
    size_t tags = 0;
    for (size_t i = 0; i < issues->count; i++) {
        half = half || issues->issue[i].half;
        tags += issues->issue[i].live ? issues->issue[i].tag_count : 0;
    }
    return half && tags < wanted;
}

static enum error_code begin_bib(struct export *export, const struct bib *bib, struct error *err) {
    struct pairs_bib state;
    struct parts_issues issues;
    bool ever = false;
    const struct record_found *found = pairs_found(export->ledger);
    export->bib = *bib;
    export->position = 0;
    export->mark[0] = '\0';
    enum error_code code = pairs_bib(export->ledger, bib, &state, err);
    if (code != ERR_OK) {
        return code;
    }
    if (state.state == PAIRS_DOUBLED) {
        add_mark(export->mark, "chipped twice");
        export->doubled++;
    }
    if (state.doubt) {
        add_mark(export->mark, "in doubt");
        export->doubt++;
    }
    struct pairs_hold hold;
    code = pairs_hold(export->ledger, bib, &hold, err);
    if (code == ERR_OK) {
        add_mark(export->mark, show_hold_word(hold.how));
    } else if (code != ERR_NOT_FOUND) {
        return code;
    }
    code = parts_present(export->ledger, bib, &issues, &ever, err);
    if (code == ERR_OK && found != NULL &&
        is_half(&issues, record_found_category(found, bib)->tags_per_bib)) {
        add_mark(export->mark, "half");
        export->half++;
    }
    parts_issues_release(&issues);
    return code;
}

static void put_row(struct export *export, const struct pairs_issue *issue,
                    const struct pairs_tag *tag) {
    char epc[SHOW_EPC_SIZE];
    char tid[SHOW_TID_SIZE];
    char position[POSITION_SIZE];
    char time[21];
    char record[2 * sizeof(issue->id.bytes) + 1];
    char mark[MARK_SIZE];
    bool aside = has_tag(export, 2, tag->tid.data, tag->tid.size) ||
                 has_tag(export, 1, tag->epc.data, tag->epc.size);
    size_t file = aside ? TWO_BIBS : LIST;
    snprintf(mark, sizeof(mark), "%s", export->mark);
    if (aside) {
        add_mark(mark, "one chip on two bibs");
    }
    snprintf(position, sizeof(position), "%u", ++export->position);
    show_epc(&tag->epc, epc);
    show_tid(&tag->tid, tid);
    wall_text(issue->wall, time);
    hex_encode(issue->id.bytes, sizeof(issue->id.bytes), record);
    const char *fields[COLUMNS + 1] = {issue->bib.text, position, epc,    tid,
                                       issue->table,    time,     record, mark};
    csv_row(&export->csv[file], fields, COLUMNS);
    export->rows[file]++;
}

static bool add_live(void *context, const struct pairs_issue *issue) {
    struct export *export = context;
    if (!is_wanted(export, &issue->bib)) {
        return true;
    }
    if (strcmp(issue->bib.text, export->bib.text) != 0) {
        export->code = begin_bib(export, &issue->bib, &export->err);
    }
    for (size_t i = 0; export->code == ERR_OK && i < issue->tag_count; i++) {
        put_row(export, issue, &issue->tag[i]);
    }
    return export->code == ERR_OK;
}

static bool add_dead(void *context, const struct pairs_issue *issue) {
    struct export *export = context;
    char record[2 * sizeof(issue->id.bytes) + 1];
    char where[40];
    if (!is_wanted(export, &issue->bib)) {
        return true;
    }
    hex_encode(issue->id.bytes, sizeof(issue->id.bytes), record);
    show_chip(issue->chip, &issue->chip_bib, where, sizeof(where));
    const char *new_bib =
        issue->chip_bib.text[0] != '\0' ? issue->chip_bib.text : issue->new_bib.text;
    for (size_t i = 0; i < issue->tag_count; i++) {
        char epc[SHOW_EPC_SIZE];
        char tid[SHOW_TID_SIZE];
        show_epc(&issue->tag[i].epc, epc);
        show_tid(&issue->tag[i].tid, tid);
        const char *fields[DEAD_COLUMNS] = {epc,   tid,     issue->bib.text, issue->ended_reason,
                                            where, new_bib, record};
        csv_row(&export->csv[DEAD], fields, DEAD_COLUMNS);
        export->rows[DEAD]++;
    }
    return true;
}

static enum error_code read_issues(struct export *export, enum pairs_issues which,
                                   bool (*each)(void *context, const struct pairs_issue *),
                                   struct error *err) {
    struct pairs_filter filter = {.which = which};
    enum error_code code = pairs_each_issue(export->ledger, &filter, each, export, err);
    if (code == ERR_OK && export->code != ERR_OK) {
        *err = export->err;
        code = export->code;
    }
    return code;
}

static void put_headings(struct export *export) {
    static const char *const list[COLUMNS] = {"bib",   "position", "epc",    "tid",
                                              "table", "time",     "record", "mark"};
    static const char *const dead[DEAD_COLUMNS] = {"epc",   "tid",     "bib",   "why",
                                                   "where", "new bib", "record"};
    csv_row(&export->csv[LIST], list, COLUMNS);
    csv_row(&export->csv[TWO_BIBS], list, COLUMNS);
    csv_row(&export->csv[DEAD], dead, DEAD_COLUMNS);
}

static enum error_code gather(struct export *export, struct error *err) {
    put_headings(export);
    enum error_code code = export->is_since ? read_changed(export, err) : ERR_OK;
    if (code == ERR_OK) {
        code = parts_holds(export->ledger, &export->holds, err);
    }
    if (code == ERR_OK) {
        code = pairs_each_station(export->ledger, see_station, export, err);
    }
    if (code == ERR_OK) {
        code = pairs_each_shared(export->ledger, add_shared, export, err);
    }
    if (code == ERR_OK && export->shared_count > 0) {
        qsort(export->shared, export->shared_count, sizeof(*export->shared), compare_tags);
    }
    if (code == ERR_OK) {
        code = read_issues(export, PAIRS_ISSUES_LIVE, add_live, err);
    }
    if (code == ERR_OK) {
        code = read_issues(export, PAIRS_ISSUES_DEAD, add_dead, err);
    }
    bool failed = export->failed || export->warnings.failed;
    for (size_t i = 0; i < 3; i++) {
        failed = failed || export->csv[i].failed;
    }
    return code == ERR_OK && failed ? error_set(err, ERR_MEMORY, "chip list") : code;
}

/* ---- writing and telling ---- */

static enum error_code make_path(const char *name, size_t stem, const char *tail, const char *cwd,
                                 char *out, struct error *err) {
    char whole[FILES_PATH_MAX];
    if (stem + strlen(tail) >= sizeof(whole)) {
        return error_set(err, ERR_USAGE, "a path of %zu bytes", stem);
    }
    snprintf(whole, sizeof(whole), "%.*s%s", (int)stem, name, tail);
    return files_path(cwd, whole, out, err);
}

/* "list.csv" gives "list-two-bibs.csv" and "list-dead.csv". */
static enum error_code make_paths(struct export *export, const char *name, struct error *err) {
    static const char *const tails[] = {".csv", "-two-bibs.csv", "-dead.csv"};
    size_t length = strlen(name);
    size_t stem = length > 4 && strcmp(name + length - 4, ".csv") == 0 ? length - 4 : 0;
    enum error_code code = ERR_OK;
    if (stem == 0) {
        error_set(err, ERR_USAGE, "%.100s", name);
        return error_say(err, "The name of the chip list ends with .csv.");
    }
    for (size_t i = 0; code == ERR_OK && i < 3; i++) {
        code = make_path(name, stem, tails[i], export->call->cwd, export->path[i], err);
    }
    return code;
}

/* All three are looked at before the first is written, so that no half set is left. */
static enum error_code write_files(struct export *export, bool force, struct error *err) {
    enum error_code code = ERR_OK;
    for (size_t i = 0; !force && i < 3; i++) {
        if (files_exists(export->path[i])) {
            error_set(err, ERR_EXISTS, "%.200s", export->path[i]);
            return error_say(err,
                             "The file %.200s is there already. Give another name, or --force.",
                             export->path[i]);
        }
    }
    for (size_t i = 3; code == ERR_OK && i > 0; i--) {
        code = files_write(export->path[i - 1], 0644, force ? FILES_REPLACE : FILES_NEW,
                           buffer_slice(&export->csv[i - 1]), err);
    }
    return code;
}

static bool is_clean(const struct export *export) {
    return export->not_closed_count == 0 && export->doubled == 0 && export->doubt == 0 &&
           export->shared_count == 0;
}

static json_t *list_json(struct export *export, struct digest32 heads, struct digest32 state) {
    json_t *object = json_object();
    static const char *const names[] = {"rows", "two_bibs", "dead"};
    json_t *files = json_array();
    for (size_t i = 0; i < 3; i++) {
        json_object_set_new(object, names[i], json_integer((json_int_t) export->rows[i]));
        json_array_append_new(files, show_text_json(export->path[i]));
    }
    json_object_set_new(object, "files", files);
    json_object_set(object, "not_closed", export->not_closed);
    json_object_set(object, "holds", export->holds.array);
    if (export->is_since) {
        json_object_set_new(object, "since",
                            json_pack("{s:I, s:I}", "handover",
                                      (json_int_t) export->handover.number, "bibs",
                                      (json_int_t) export->changed_count));
    }
    json_object_set_new(object, "doubles", json_integer((json_int_t) export->doubled));
    json_object_set_new(object, "shared", json_integer((json_int_t) export->shared_count));
    json_object_set_new(object, "doubt", json_integer((json_int_t) export->doubt));
    json_object_set_new(object, "half", json_integer((json_int_t) export->half));
    json_object_set_new(object, "heads_hash", show_hex_json(heads.bytes, sizeof(heads.bytes)));
    json_object_set_new(object, "state_hash", show_hex_json(state.bytes, sizeof(state.bytes)));
    return object;
}

static void tell_text(struct export *export) {
    struct buffer *out = &export->call->out;
    buffer_append_slice(out, buffer_slice(&export->warnings));
    if (export->holds.count > 0) {
        buffer_print(out, "Bibs held back: %zu\n", export->holds.count);
        buffer_append_slice(out, buffer_slice(&export->holds.text));
    }
    if (export->is_since) {
        buffer_print(out, "Bibs that something was recorded of since list %llu: %zu.\n",
                     (unsigned long long)export->handover.number, export->changed_count);
    }
    buffer_print(out, "%s is in ", export->is_since ? "What changed" : "The chip list");
    show_plain(out, slice_text(export->path[LIST]));
    buffer_print(out, ". Chips: %llu; beside it, on two bibs: %llu, no longer counting: %llu.\n",
                 (unsigned long long)export->rows[LIST], (unsigned long long)export->rows[TWO_BIBS],
                 (unsigned long long)export->rows[DEAD]);
    if (export->doubled + export->doubt + export->half + export->shared_count > 0) {
        buffer_print(out,
                     "To settle: bibs chipped twice: %llu, chips on two bibs: %zu, bibs in doubt: "
                     "%llu, bibs that lack a chip: %llu.\n",
                     (unsigned long long)export->doubled, export->shared_count,
                     (unsigned long long)export->doubt, (unsigned long long)export->half);
    }
}

static void tell(struct export *export) {
    struct digest32 heads = ledger_heads_hash(export->ledger);
    struct digest32 state = pairs_state_hash(export->ledger);
    if (export->call->json) {
        show_json(&export->call->out, list_json(export, heads, state));
    } else {
        tell_text(export);
    }
    if (!is_clean(export)) {
        export->call->status = (int)ERROR_CLASS_STATE;
    }
}

static void release(struct export *export) {
    for (size_t i = 0; i < 3; i++) {
        buffer_release(&export->csv[i]);
    }
    buffer_release(&export->warnings);
    parts_holds_release(&export->holds);
    json_decref(export->not_closed);
    free(export->changed);
    free(export->shared);
    free(export);
}

static void begin(struct export *export, struct verb_call *call) {
    export->call = call;
    export->ledger = call->station->ledger;
    export->not_closed = json_array();
}

void verb_export(struct verb_call *call) {
    struct options options;
    struct error err;
    struct export *export = parts_room(call, sizeof(*export));
    if (export == NULL) {
        return;
    }
    begin(export, call);
    enum error_code code = parts_words(call, "export", 1, 1, "a file name", &options, &err);
    if (code == ERR_OK) {
        export->is_since = options_has(&options, "--since-handover");
        code = make_paths(export, options.rest[0], &err);
    }
    if (code == ERR_OK) {
        code = pairs_verify(export->ledger, false, &err);
    }
    if (code == ERR_OK) {
        code = gather(export, &err);
    }
    if (code == ERR_OK) {
        code = write_files(export, options_has(&options, "--force"), &err);
    }
    if (code == ERR_OK) {
        tell(export);
    } else {
        verb_fail(call, &err);
    }
    release(export);
    options_release(&options);
}

/* ---- handover ---- */

/* The ledger is verified in one step; the list is made, written and recorded in the next, so that
 * nothing is taken in between and the record's clock says exactly what the list has. */
struct handing {
    struct verb_job job; /* first, so that a job is its handing */
    struct export *export;
    bool force, verified;
    struct record_handover body;
    struct record_id id;
};

static void free_handing(struct verb_job *job) {
    struct handing *handing = (struct handing *)job;
    release(handing->export);
    free(handing);
}

static enum error_code next_number(struct handing *handing, struct error *err) {
    struct pairs_handover last;
    enum error_code code = pairs_last_handover(handing->export->ledger, &last, err);
    if (code != ERR_OK && code != ERR_NOT_FOUND) {
        return code;
    }
    handing->body.number = code == ERR_OK ? last.number + 1 : 1;
    return ERR_OK;
}

static enum error_code append_handover(struct handing *handing, struct error *err) {
    struct export *export = handing->export;
    struct record_handover *body = &handing->body;
    struct buffer bytes;
    body->state = pairs_state_hash(export->ledger);
    body->bibs = export->rows[LIST];
    crypto_generichash(body->list.bytes, sizeof(body->list.bytes), export->csv[LIST].data,
                       export->csv[LIST].size, NULL, 0);
    buffer_init(&bytes);
    record_handover_write(body, &bytes);
    enum error_code code = bytes.failed ? error_set(err, ERR_MEMORY, "a handover")
                                        : station_append(export->call->station, RECORD_HANDOVER,
                                                         buffer_slice(&bytes), &handing->id, err);
    buffer_release(&bytes);
    return code;
}

static void tell_handed(struct handing *handing) {
    struct export *export = handing->export;
    struct verb_call *call = export->call;
    const struct record_handover *body = &handing->body;
    struct digest32 heads = ledger_heads_hash(export->ledger);
    if (call->json) {
        json_t *object = list_json(export, heads, body->state);
        json_object_set_new(object, "number", json_integer((json_int_t)body->number));
        json_object_set_new(object, "record",
                            show_hex_json(handing->id.bytes, sizeof(handing->id.bytes)));
        json_object_set_new(object, "list_hash",
                            show_hex_json(body->list.bytes, sizeof(body->list.bytes)));
        show_json(&call->out, object);
    } else {
        tell_text(export);
        buffer_print(&call->out,
                     "This is list %llu. Give it to the timing crew; what changes from "
                     "now on: export --since-handover.\n",
                     (unsigned long long)body->number);
    }
    if (!is_clean(export)) {
        call->status = (int)ERROR_CLASS_STATE;
    }
}

static bool step_handing(struct verb_job *job) {
    struct handing *handing = (struct handing *)job;
    struct export *export = handing->export;
    struct error err;
    enum error_code code = ERR_OK;
    if (!handing->verified) {
        handing->verified = true;
        code = pairs_verify(export->ledger, false, &err);
        if (code == ERR_OK) {
            return true;
        }
    }
    if (code == ERR_OK) {
        code = next_number(handing, &err);
    }
    if (code == ERR_OK) {
        code = gather(export, &err);
    }
    if (code == ERR_OK) {
        code = write_files(export, handing->force, &err);
    }
    if (code == ERR_OK) {
        code = append_handover(handing, &err);
    }
    if (code == ERR_OK) {
        tell_handed(handing);
    } else {
        verb_fail(export->call, &err);
    }
    return false;
}

static enum error_code check_lead(const struct pairs_station *self, struct error *err) {
    if (self->role >= ROLE_LEAD) {
        return ERR_OK;
    }
    error_set(err, ERR_NOT_ALLOWED, "this station is no lead");
    return error_say(err, "Only a lead hands the chip list over. Use export for one to look at.");
}

static enum error_code begin_handing(struct verb_call *call, const struct options *options,
                                     const struct pairs_station *self, struct error *err) {
    const char *name = NULL;
    enum error_code code = check_lead(self, err);
    if (code == ERR_OK) {
        code = parts_needed(options, "--out", &name, err);
    }
    if (code == ERR_OK) {
        code = parts_helper(call, options, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    struct handing *handing = calloc(1, sizeof(*handing));
    struct export *export = calloc(1, sizeof(*export));
    if (handing == NULL || export == NULL) {
        free(handing);
        free(export);
        return error_set(err, ERR_MEMORY, "handover");
    }
    begin(export, call);
    handing->job = (struct verb_job){.step = step_handing, .free = free_handing};
    handing->export = export;
    handing->force = options_has(options, "--force");
    code = make_paths(export, name, err);
    if (code != ERR_OK) {
        free_handing(&handing->job);
        return code;
    }
    call->job = &handing->job;
    return ERR_OK;
}

void verb_handover(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    enum error_code code = parts_words(call, "handover", 0, 0, "", &options, &err);
    if (code == ERR_OK && verb_may_write(call, &self)) {
        code = begin_handing(call, &options, &self, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    options_release(&options);
}
