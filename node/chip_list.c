/*
 * chip_list.c: see chip_list.h.
 *
 * Nobody is left out: a bib in doubt stands in the list with its mark; only a chip on two bibs goes
 * aside. Must never leave one file of the three behind when another cannot be written over.
 */
#include "node/chip_list.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/csv.h"
#include "node/show_day.h"

enum { COLUMNS = 8, DEAD_COLUMNS = 9, POSITION_SIZE = 16 };

/* ---- tables that are not closed ---- */

static bool see_station(void *context, const struct pairs_station *station) {
    struct chip_list *list = context;
    char when[SHOW_TIME_SIZE];
    bool own = ID_EQUAL(station->key, list->call->station->keys.sign_public);
    if (own || station->role < ROLE_TABLE || station->closed || station->dead || station->stolen) {
        return true;
    }
    list->not_closed_count++;
    json_array_append_new(list->not_closed,
                          json_pack("{s:o, s:o}", "name", show_text_json(station->name),
                                    "last_heard",
                                    station->heard ? show_time_json(station->last) : json_null()));
    show_plain(&list->warnings, slice_text(station->name));
    if (station->heard) {
        show_time(station->last, station_wall(), when);
        buffer_print(&list->warnings, ": last heard %s, not closed, fetch its stick.\n", when);
    } else {
        buffer_print(&list->warnings, ": never heard, not closed, fetch its stick.\n");
    }
    return true;
}

/* ---- what changed since a list was handed over ---- */

static int compare_labels(const void *a, const void *b) {
    return memcmp(a, b, sizeof(struct bib));
}

static bool add_changed(void *context, const struct bib *bib) {
    struct chip_list *list = context;
    if (list->changed_count == list->changed_capacity) {
        size_t wanted = list->changed_capacity == 0 ? 64 : 2 * list->changed_capacity;
        struct bib *grown = realloc(list->changed, wanted * sizeof(*grown));
        if (grown == NULL) {
            list->failed = true;
            return false;
        }
        list->changed = grown;
        list->changed_capacity = wanted;
    }
    list->changed[list->changed_count++] = *bib;
    return true;
}

static enum error_code read_changed(struct chip_list *list, struct error *err) {
    enum error_code code = pairs_last_handover(list->ledger, &list->handover, err);
    if (code == ERR_NOT_FOUND) {
        return error_say(err, "No chip list was handed over yet, as far as is known here. Leave "
                              "out --since-handover for the whole list.");
    }
    if (code == ERR_OK) {
        code = pairs_each_since(list->ledger, &list->handover.said.id, add_changed, list, err);
    }
    if (list->changed_count > 1) {
        qsort(list->changed, list->changed_count, sizeof(*list->changed), compare_labels);
    }
    return code;
}

static bool is_wanted(const struct chip_list *list, const struct bib *bib) {
    return !list->is_since ||
           (list->changed_count > 0 &&
            bsearch(bib, list->changed, list->changed_count, sizeof(*bib), compare_labels) != NULL);
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
    struct chip_list *list = context;
    if (list->shared_count == list->shared_capacity) {
        size_t wanted = list->shared_capacity == 0 ? 64 : 2 * list->shared_capacity;
        struct tag_name *grown = realloc(list->shared, wanted * sizeof(*grown));
        if (grown == NULL) {
            list->failed = true;
            return false;
        }
        list->shared = grown;
        list->shared_capacity = wanted;
    }
    struct tag_name *name = &list->shared[list->shared_count++];
    if (shared->by_tid) {
        name_tag(name, 2, shared->tid.data, shared->tid.size);
    } else {
        name_tag(name, 1, shared->epc.data, shared->epc.size);
    }
    return true;
}

static bool has_tag(const struct chip_list *list, uint8_t kind, const uint8_t *data, uint8_t size) {
    struct tag_name name;
    name_tag(&name, kind, data, size);
    return list->shared_count > 0 && size > 0 &&
           bsearch(&name, list->shared, list->shared_count, sizeof(name), compare_tags) != NULL;
}

/* ---- the list ---- */

static void add_mark(char *mark, const char *word) {
    size_t length = strlen(mark);
    snprintf(mark + length, CHIP_LIST_MARK_SIZE - length, "%s%s", length == 0 ? "" : "; ", word);
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

/* Of the bib of `first`, the first of its issues that the list has. */
static enum error_code begin_bib(struct chip_list *list, const struct pairs_issue *first,
                                 struct error *err) {
    struct pairs_bib state;
    struct parts_issues issues;
    bool ever = false;
    const struct bib *bib = &first->bib;
    const struct record_found *found = pairs_found(list->ledger);
    list->bib = *bib;
    list->position = 0;
    list->mark[0] = '\0';
    enum error_code code = pairs_bib(list->ledger, bib, &state, err);
    if (code != ERR_OK) {
        return code;
    }
    if (state.state == PAIRS_DOUBLED) {
        add_mark(list->mark, "chipped twice");
        list->doubled++;
    }
    if (state.doubt) {
        add_mark(list->mark, "in doubt");
        list->doubt++;
    }
    struct pairs_hold hold;
    code = pairs_hold(list->ledger, bib, &hold, err);
    if (code != ERR_OK && code != ERR_NOT_FOUND) {
        return code;
    }
    if (code == ERR_OK) {
        add_mark(list->mark, show_hold_word(hold.how));
    }
    if (state.live == 1 && !state.doubt && !first->half) {
        return ERR_OK; /* as nearly all are, and there are no others to look at */
    }
    code = parts_present(list->ledger, bib, &issues, &ever, err);
    if (code == ERR_OK && found != NULL &&
        is_half(&issues, record_found_category(found, bib)->tags_per_bib)) {
        add_mark(list->mark, "half");
        list->half++;
    }
    parts_issues_release(&issues);
    return code;
}

static void put_row(struct chip_list *list, const struct pairs_issue *issue,
                    const struct pairs_tag *tag) {
    char epc[SHOW_EPC_SIZE];
    char tid[SHOW_TID_SIZE];
    char position[POSITION_SIZE];
    char time[21];
    char record[2 * sizeof(issue->id.bytes) + 1];
    char mark[CHIP_LIST_MARK_SIZE];
    bool aside = has_tag(list, 2, tag->tid.data, tag->tid.size) ||
                 has_tag(list, 1, tag->epc.data, tag->epc.size);
    size_t file = aside ? CHIP_LIST_TWO_BIBS : CHIP_LIST_LIVE;
    snprintf(mark, sizeof(mark), "%s", list->mark);
    if (aside) {
        add_mark(mark, "one chip on two bibs");
    }
    if (issue->how == ISSUE_FILE && !tag->seen) {
        add_mark(mark, "not seen yet");
        list->unseen++;
    }
    snprintf(position, sizeof(position), "%u", ++list->position);
    show_epc(&tag->epc, epc);
    show_tid(&tag->tid, tid);
    wall_text(issue->wall, time);
    hex_encode(issue->id.bytes, sizeof(issue->id.bytes), record);
    const char *fields[COLUMNS + 1] = {issue->bib.text, position, epc,    tid,
                                       issue->table,    time,     record, mark};
    csv_row(&list->csv[file], fields, COLUMNS);
    list->rows[file]++;
}

static bool add_live(void *context, const struct pairs_issue *issue) {
    struct chip_list *list = context;
    if (!is_wanted(list, &issue->bib)) {
        return true;
    }
    if (strcmp(issue->bib.text, list->bib.text) != 0) {
        list->code = begin_bib(list, issue, &list->err);
    }
    for (size_t i = 0; list->code == ERR_OK && i < issue->tag_count; i++) {
        put_row(list, issue, &issue->tag[i]);
    }
    return list->code == ERR_OK;
}

static bool find_live(void *context, const struct pairs_issue *issue) {
    bool *live = context;
    *live = issue->live || !issue->counted; /* what is in doubt stands in the list too */
    return !*live;
}

static bool is_live(struct chip_list *list, const struct pairs_tag *tag, enum pairs_issues which) {
    struct pairs_filter filter = {.which = which, .epc = tag->epc, .tid = tag->tid};
    bool live = false;
    if (list->code == ERR_OK && (which == PAIRS_ISSUES_OF_EPC || tag->tid.size > 0)) {
        list->code = pairs_each_issue(list->ledger, &filter, find_live, &live, &list->err);
    }
    return live;
}

/* A new chip for the same bib carries the EPC of the old one, and a chip that went on to another
 * bib is the same chip. Whoever blocks the old one by what it shares with one that counts blocks
 * that one: so this does not stand where that which may be blocked does. */
static bool put_dead(struct chip_list *list, const struct pairs_tag *tag,
                     const char *fields[DEAD_COLUMNS]) {
    char epc[SHOW_EPC_SIZE], tid[SHOW_TID_SIZE];
    bool epc_live = is_live(list, tag, PAIRS_ISSUES_OF_EPC);
    bool tid_live = is_live(list, tag, PAIRS_ISSUES_OF_TID);
    show_epc(&tag->epc, epc);
    show_tid(&tag->tid, tid);
    fields[0] = epc_live ? "" : epc;
    fields[1] = tid_live ? "" : tid;
    fields[DEAD_COLUMNS - 2] = epc_live ? epc : "";
    fields[DEAD_COLUMNS - 1] = tid_live ? tid : "";
    csv_row(&list->csv[CHIP_LIST_DEAD], fields, DEAD_COLUMNS);
    list->rows[CHIP_LIST_DEAD]++;
    list->dead_live += epc_live || tid_live ? 1 : 0;
    return list->code == ERR_OK;
}

static bool add_dead(void *context, const struct pairs_issue *issue) {
    struct chip_list *list = context;
    char record[2 * sizeof(issue->id.bytes) + 1];
    char where[40];
    if (!is_wanted(list, &issue->bib)) {
        return true;
    }
    hex_encode(issue->id.bytes, sizeof(issue->id.bytes), record);
    show_chip(issue->chip, &issue->chip_bib, where, sizeof(where));
    const char *new_bib =
        issue->chip_bib.text[0] != '\0' ? issue->chip_bib.text : issue->new_bib.text;
    const char *fields[DEAD_COLUMNS] = {
        "", "", issue->bib.text, issue->ended_reason, where, new_bib, record, "", ""};
    bool more = true;
    for (size_t i = 0; more && i < issue->tag_count; i++) {
        more = put_dead(list, &issue->tag[i], fields);
    }
    return more;
}

static enum error_code read_issues(struct chip_list *list, enum pairs_issues which,
                                   bool (*each)(void *context, const struct pairs_issue *),
                                   struct error *err) {
    struct pairs_filter filter = {.which = which};
    enum error_code code = pairs_each_issue(list->ledger, &filter, each, list, err);
    if (code == ERR_OK && list->code != ERR_OK) {
        *err = list->err;
        code = list->code;
    }
    return code;
}

static void put_headings(struct chip_list *list) {
    static const char *const live[COLUMNS] = {"bib",   "position", "epc",    "tid",
                                              "table", "time",     "record", "mark"};
    static const char *const dead[DEAD_COLUMNS] = {"epc",
                                                   "tid",
                                                   "bib",
                                                   "why",
                                                   "where",
                                                   "new bib",
                                                   "record",
                                                   "epc still in use",
                                                   "tid still in use"};
    csv_row(&list->csv[CHIP_LIST_LIVE], live, COLUMNS);
    csv_row(&list->csv[CHIP_LIST_TWO_BIBS], live, COLUMNS);
    csv_row(&list->csv[CHIP_LIST_DEAD], dead, DEAD_COLUMNS);
}

enum error_code chip_list_gather(struct chip_list *list, struct error *err) {
    put_headings(list);
    enum error_code code = list->is_since ? read_changed(list, err) : ERR_OK;
    if (code == ERR_OK) {
        code = parts_holds(list->ledger, &list->holds, err);
    }
    if (code == ERR_OK) {
        code = pairs_each_station(list->ledger, see_station, list, err);
    }
    if (code == ERR_OK) {
        code = pairs_each_shared(list->ledger, add_shared, list, err);
    }
    if (code == ERR_OK && list->shared_count > 0) {
        qsort(list->shared, list->shared_count, sizeof(*list->shared), compare_tags);
    }
    if (code == ERR_OK) {
        code = read_issues(list, PAIRS_ISSUES_LIVE, add_live, err);
    }
    if (code == ERR_OK) {
        code = read_issues(list, PAIRS_ISSUES_DEAD, add_dead, err);
    }
    bool failed = list->failed || list->warnings.failed;
    for (size_t i = 0; i < 3; i++) {
        failed = failed || list->csv[i].failed;
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
enum error_code chip_list_paths(struct chip_list *list, const char *name, struct error *err) {
    static const char *const tails[] = {".csv", "-two-bibs.csv", "-dead.csv"};
    size_t length = strlen(name);
    size_t stem = length > 4 && strcmp(name + length - 4, ".csv") == 0 ? length - 4 : 0;
    enum error_code code = ERR_OK;
    if (stem == 0) {
        error_set(err, ERR_USAGE, "%.100s", name);
        return error_say(err, "The name of the chip list ends with .csv.");
    }
    for (size_t i = 0; code == ERR_OK && i < 3; i++) {
        code = make_path(name, stem, tails[i], list->call->cwd, list->path[i], err);
    }
    return code;
}

/* All three are looked at before the first is written, so that no half set is left. */
enum error_code chip_list_write(struct chip_list *list, bool force, struct error *err) {
    enum error_code code = ERR_OK;
    for (size_t i = 0; !force && i < 3; i++) {
        if (files_exists(list->path[i])) {
            error_set(err, ERR_EXISTS, "%.200s", list->path[i]);
            return error_say(err,
                             "The file %.200s is there already. Give another name, or --force.",
                             list->path[i]);
        }
    }
    for (size_t i = 3; code == ERR_OK && i > 0; i--) {
        code = files_write(list->path[i - 1], 0644, force ? FILES_REPLACE : FILES_NEW,
                           buffer_slice(&list->csv[i - 1]), err);
    }
    return code;
}

bool chip_list_is_clean(const struct chip_list *list) {
    return list->not_closed_count == 0 && list->doubled == 0 && list->doubt == 0 &&
           list->half == 0 && list->shared_count == 0;
}

json_t *chip_list_json(struct chip_list *list, struct digest32 heads, struct digest32 state) {
    json_t *object = json_object();
    static const char *const names[] = {"rows", "two_bibs", "dead"};
    json_t *files = json_array();
    for (size_t i = 0; i < 3; i++) {
        json_object_set_new(object, names[i], json_integer((json_int_t)list->rows[i]));
        json_array_append_new(files, show_text_json(list->path[i]));
    }
    json_object_set_new(object, "files", files);
    json_object_set(object, "not_closed", list->not_closed);
    json_object_set(object, "holds", list->holds.array);
    if (list->is_since) {
        json_object_set_new(object, "since",
                            json_pack("{s:I, s:I}", "handover", (json_int_t)list->handover.number,
                                      "bibs", (json_int_t)list->changed_count));
    }
    json_object_set_new(object, "doubles", json_integer((json_int_t)list->doubled));
    json_object_set_new(object, "shared", json_integer((json_int_t)list->shared_count));
    json_object_set_new(object, "doubt", json_integer((json_int_t)list->doubt));
    json_object_set_new(object, "half", json_integer((json_int_t)list->half));
    json_object_set_new(object, "unseen", json_integer((json_int_t)list->unseen));
    json_object_set_new(object, "dead_live", json_integer((json_int_t)list->dead_live));
    json_object_set_new(object, "heads_hash", show_hex_json(heads.bytes, sizeof(heads.bytes)));
    json_object_set_new(object, "state_hash", show_hex_json(state.bytes, sizeof(state.bytes)));
    return object;
}

void chip_list_text(struct chip_list *list) {
    struct buffer *out = &list->call->out;
    buffer_append_slice(out, buffer_slice(&list->warnings));
    if (list->holds.count > 0) {
        buffer_print(out, "Bibs held back: %zu\n", list->holds.count);
        buffer_append_slice(out, buffer_slice(&list->holds.text));
    }
    if (list->is_since) {
        buffer_print(out, "Bibs that something was recorded of since list %llu: %zu.\n",
                     (unsigned long long)list->handover.number, list->changed_count);
    }
    buffer_print(out, "%s is in ", list->is_since ? "What changed" : "The chip list");
    show_plain(out, slice_text(list->path[CHIP_LIST_LIVE]));
    buffer_print(out, ". Chips: %llu; beside it, on two bibs: %llu, no longer counting: %llu.\n",
                 (unsigned long long)list->rows[CHIP_LIST_LIVE],
                 (unsigned long long)list->rows[CHIP_LIST_TWO_BIBS],
                 (unsigned long long)list->rows[CHIP_LIST_DEAD]);
    if (list->dead_live > 0) {
        buffer_print(out,
                     "Of those that no longer count, %llu share their EPC or TID with a chip that "
                     "counts. It stands in columns of its own: never block a chip by these.\n",
                     (unsigned long long)list->dead_live);
    }
    if (list->unseen > 0) {
        buffer_print(out, "Chips from a supplier's list that nobody has read yet: %llu.\n",
                     (unsigned long long)list->unseen);
    }
    if (list->doubled + list->doubt + list->half + list->shared_count > 0) {
        buffer_print(out,
                     "To settle: bibs chipped twice: %llu, chips on two bibs: %zu, bibs in doubt: "
                     "%llu, bibs that lack a chip: %llu.\n",
                     (unsigned long long)list->doubled, list->shared_count,
                     (unsigned long long)list->doubt, (unsigned long long)list->half);
    }
}

void chip_list_free(struct chip_list *list) {
    for (size_t i = 0; i < 3; i++) {
        buffer_release(&list->csv[i]);
    }
    buffer_release(&list->warnings);
    parts_holds_release(&list->holds);
    json_decref(list->not_closed);
    free(list->changed);
    free(list->shared);
    free(list);
}

void chip_list_begin(struct chip_list *list, struct verb_call *call) {
    list->call = call;
    list->ledger = call->station->ledger;
    list->not_closed = json_array();
}
