/*
 * verb_merge.c: `merge`: one folder for reading, from carry files and from the folders of stations
 * that are not running.
 * Must never write to a folder that it reads: its ledger is copied, and the copy is opened.
 */
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "node/carrying.h"
#include "node/files.h"
#include "node/show.h"
#include "node/verb_parts.h"

enum { STEP_RECORDS = 1 << 16, COPY_SIZE = 1 << 18 };
/* A ledger keeps derived tables beside its records, so it is larger than they are. */
#define LEDGER_SIZE_MAX ((uint64_t)8 << 30)

struct input {
    const char *name; /* as it was given */
    char path[FILES_PATH_MAX];
    bool is_folder;
    struct buffer records; /* one after the other, as in a carry file */
    bool has_event;
    struct ledger_event event;
    enum error_code code; /* why it was left out, or what is wrong with it; ERR_OK if nothing */
    struct error why;
    struct carry_report report;
};

struct merge {
    struct verb_call *call;
    char out[FILES_PATH_MAX], temp[FILES_PATH_MAX];
    struct input *input;
    size_t count;
    struct ledger_event event;
    struct ledger *ledger;
};

/* Whether only this input is bad: the others are merged all the same. What the machine cannot do,
 * and names that lead nowhere, end the whole. */
static bool is_soft(enum error_code code) {
    return code == ERR_FORM || code == ERR_FOREIGN || code == ERR_TRUNCATED ||
           code == ERR_DAMAGED || code == ERR_TOO_NEW || code == ERR_NOT_OURS ||
           code == ERR_NOT_FOUND || code == ERR_SIGNATURE;
}

/* ---- reading folders ---- */

/* Holds off a station that would start while its files are being copied. -1 in *fd if the folder
 * has no lock, as when it was copied to a stick without. */
static enum error_code hold_folder(const char *folder, int *fd, struct error *err) {
    char path[FILES_PATH_MAX];
    struct flock lock = {.l_type = F_RDLCK, .l_whence = SEEK_SET};
    *fd = -1;
    enum error_code code = files_inside(folder, "lock", path, err);
    if (code != ERR_OK) {
        return code;
    }
    *fd = open(path, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    if (*fd < 0) {
        return errno == ENOENT ? ERR_OK : files_error(err, errno, "opening", path);
    }
    if (fcntl(*fd, F_OFD_SETLK, &lock) == 0) {
        return ERR_OK;
    }
    close(*fd);
    *fd = -1;
    error_set(err, ERR_BUSY, "%.200s is locked", path);
    return error_say(err, "The station in %.200s is running. Stop it first, or use its carry out.",
                     folder);
}

static enum error_code copy_file(const char *from, const char *to, struct error *err) {
    struct files_reader reader;
    struct files_writer writer;
    struct buffer piece;
    bool done = false;
    enum error_code code = files_reader_open(from, LEDGER_SIZE_MAX, &reader, err);
    if (code != ERR_OK) {
        return code;
    }
    buffer_init(&piece);
    code = files_writer_open(to, 0600, FILES_NEW, &writer, err);
    while (code == ERR_OK && !done) {
        buffer_clear(&piece);
        code = files_reader_some(&reader, COPY_SIZE, &piece, &done, err);
        if (code == ERR_OK) {
            code = files_writer_put(&writer, buffer_slice(&piece), err);
        }
    }
    if (code == ERR_OK) {
        code = files_writer_finish(&writer, err);
    } else {
        files_writer_abandon(&writer);
    }
    buffer_release(&piece);
    files_reader_close(&reader);
    return code;
}

/* Copies `name` of the folder, if it is there, to `to`. */
static enum error_code copy_part(const char *folder, const char *name, const char *to, bool needed,
                                 struct error *err) {
    char from[FILES_PATH_MAX];
    enum error_code code = files_inside(folder, name, from, err);
    if (code != ERR_OK || files_exists(from)) {
        return code == ERR_OK ? copy_file(from, to, err) : code;
    }
    if (!needed) {
        return ERR_OK;
    }
    error_set(err, ERR_USAGE, "no %s in %.200s", name, folder);
    return error_say(
        err, "There is no station in %.200s; it is not the folder of a station. Check its name.",
        folder);
}

static bool gather_record(void *context, struct slice raw) {
    struct buffer *records = context;
    buffer_append_slice(records, raw);
    return !records->failed && records->size <= CARRYING_SIZE_MAX;
}

/* Without its write-ahead log a ledger may lack its newest records, so that comes along. */
static enum error_code read_folder(struct merge *merge, struct input *input, struct error *err) {
    char copy[FILES_PATH_MAX];
    char wal[FILES_PATH_MAX];
    int lock = -1;
    struct ledger *ledger = NULL;
    enum error_code code = files_inside(merge->temp, "copy.db", copy, err);
    if (code == ERR_OK) {
        code = files_inside(merge->temp, "copy.db-wal", wal, err);
    }
    if (code == ERR_OK) {
        code = hold_folder(input->path, &lock, err);
    }
    if (code == ERR_OK) {
        code = copy_part(input->path, "ledger.db", copy, true, err);
    }
    if (code == ERR_OK) {
        code = copy_part(input->path, "ledger.db-wal", wal, false, err);
    }
    if (lock >= 0) {
        close(lock);
    }
    if (code == ERR_OK) {
        code = ledger_open(copy, NULL, NULL, NULL, &ledger, err);
    }
    if (code == ERR_OK) {
        input->event = ledger_event(ledger);
        input->has_event = true;
        code = ledger_each(ledger, gather_record, &input->records, err);
    }
    ledger_close(ledger);
    unlink(copy);
    unlink(wal);
    if (code == ERR_OK && input->records.failed) {
        code = error_set(err, ERR_MEMORY, "records of %.200s", input->path);
    }
    return code;
}

static enum error_code read_carry_file(struct input *input, struct error *err) {
    struct error why;
    enum error_code code = files_read(input->path, CARRYING_SIZE_MAX, &input->records, err);
    if (code == ERR_OK) {
        input->has_event =
            carry_event(buffer_slice(&input->records), &input->event, &why) == ERR_OK;
    }
    return code;
}

static enum error_code read_input(struct merge *merge, struct input *input, struct error *err) {
    struct stat st;
    enum error_code code = files_path(merge->call->cwd, input->name, input->path, err);
    if (code != ERR_OK) {
        return code;
    }
    if (stat(input->path, &st) != 0) {
        return files_error(err, errno, "looking at", input->path);
    }
    input->is_folder = S_ISDIR(st.st_mode);
    code = input->is_folder ? read_folder(merge, input, &input->why)
                            : read_carry_file(input, &input->why);
    input->code = code;
    if (code != ERR_OK && !is_soft(code)) {
        *err = input->why;
        return code;
    }
    return ERR_OK;
}

/* ---- merging ---- */

/* The event is that of the first input which names one; inputs of another are left out by name. */
static enum error_code choose_event(struct merge *merge, struct error *err) {
    bool chosen = false;
    for (size_t i = 0; i < merge->count; i++) {
        struct input *input = &merge->input[i];
        if (input->code != ERR_OK || !input->has_event) {
            continue;
        }
        if (!chosen) {
            merge->event = input->event;
            chosen = true;
        } else if (!ID_EQUAL(input->event.event, merge->event.event)) {
            input->code = error_set(&input->why, ERR_FOREIGN, "another event than the first file");
        }
    }
    if (chosen) {
        return ERR_OK;
    }
    if (merge->input[0].code != ERR_OK) {
        *err = merge->input[0].why;
        return merge->input[0].code;
    }
    enum error_code code = carry_event(buffer_slice(&merge->input[0].records), &merge->event, err);
    return code == ERR_NOT_FOUND ? error_set(err, ERR_FORM, "none of the files names its event")
                                 : code;
}

static enum error_code take_input(struct merge *merge, struct input *input, struct error *err) {
    struct carry_in *in = NULL;
    bool done = false;
    uint64_t before = input->report.stored;
    enum error_code code = carry_in_new(merge->ledger, buffer_slice(&input->records), &in, err);
    while (code == ERR_OK && !done) {
        code = carry_in_step(in, STEP_RECORDS, &done, err);
    }
    if (code == ERR_OK) {
        input->report = carry_in_report(in);
        input->report.stored += before;
    }
    carry_in_free(in);
    return code;
}

/* One file may hold what another needs, so those that could not be taken whole are tried again as
 * long as something new came. */
static enum error_code take_all(struct merge *merge, struct error *err) {
    enum error_code code = ERR_OK;
    bool first = true;
    uint64_t before = 0;
    do {
        before = ledger_count(merge->ledger);
        for (size_t i = 0; code == ERR_OK && i < merge->count; i++) {
            struct input *input = &merge->input[i];
            bool wanted = first || input->report.denied > 0 || input->report.gaps > 0;
            if (input->code == ERR_OK && wanted) {
                code = take_input(merge, input, err);
            }
        }
        first = false;
    } while (code == ERR_OK && ledger_count(merge->ledger) != before);
    return code;
}

static enum error_code make_ledger(struct merge *merge, struct error *err) {
    char path[FILES_PATH_MAX];
    enum error_code code = files_inside(merge->temp, "ledger.db", path, err);
    if (code == ERR_OK) {
        code = ledger_open(path, NULL, &merge->event, NULL, &merge->ledger, err);
    }
    return code == ERR_OK ? take_all(merge, err) : code;
}

/* ---- telling ---- */

static void tell_input(struct verb_call *call, struct input *input, json_t *files) {
    if (input->code == ERR_OK) {
        input->code = carrying_judge(&input->report, input->records.size, &input->why);
    }
    int status = (int)error_class(input->code);
    int worst = call->status;
    if (input->code != ERR_OK) {
        buffer_print(&call->err, "From ");
        show_plain(&call->err, slice_text(input->name));
        buffer_print(&call->err, ": ");
        verb_complain(call, &input->why);
        /* A damaged folder is bad input here: this machine is sound. */
        status = status > (int)ERROR_CLASS_INPUT ? (int)ERROR_CLASS_INPUT : status;
    }
    call->status = status > worst ? status : worst;
    json_t *object = json_pack("{s:o}", "file", show_text_json(input->name));
    if (object != NULL) {
        carrying_json(&input->report, object);
    }
    if (object != NULL && input->code != ERR_OK) {
        json_object_set_new(object, "error", json_string(error_name(input->code)));
        json_object_set_new(object, "say", show_text_json(input->why.say));
    }
    json_array_append_new(files, object);
}

static void tell(struct merge *merge, struct digest32 heads, struct digest32 state,
                 uint64_t records) {
    struct verb_call *call = merge->call;
    json_t *files = json_array();
    for (size_t i = 0; i < merge->count; i++) {
        tell_input(call, &merge->input[i], files);
    }
    if (call->json) {
        show_json(
            &call->out,
            json_pack("{s:o, s:I, s:o, s:o, s:O}", "event",
                      show_hex_json(merge->event.event.bytes, sizeof(merge->event.event.bytes)),
                      "records", (json_int_t)records, "heads_hash",
                      show_hex_json(heads.bytes, sizeof(heads.bytes)), "state_hash",
                      show_hex_json(state.bytes, sizeof(state.bytes)), "files", files));
    } else {
        char hex[2 * sizeof(state.bytes) + 1];
        hex_encode(state.bytes, sizeof(state.bytes), hex);
        buffer_print(&call->out, "Records merged: %llu, from %zu files or folders, in ",
                     (unsigned long long)records, merge->count);
        show_plain(&call->out, slice_text(merge->out));
        buffer_print(&call->out, "\n  state %s\n", hex);
    }
    json_decref(files);
}

/* ---- the command ---- */

static enum error_code begin(struct merge *merge, const struct options *options,
                             struct error *err) {
    const char *out = NULL;
    enum error_code code = parts_needed(options, "--out", &out, err);
    if (code == ERR_OK) {
        code = files_path(merge->call->cwd, out, merge->out, err);
    }
    if (code == ERR_OK) {
        code = files_folder_free(merge->out, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    merge->input = calloc(options->rest_count + 1, sizeof(*merge->input));
    if (merge->input == NULL) {
        return error_set(err, ERR_MEMORY, "merge");
    }
    merge->count = options->rest_count;
    for (size_t i = 0; i < merge->count; i++) {
        buffer_init(&merge->input[i].records);
        merge->input[i].name = options->rest[i];
    }
    return files_folder_begin(merge->out, merge->temp, err);
}

static enum error_code run(struct merge *merge, struct error *err) {
    struct digest32 heads = {0};
    struct digest32 state = {0};
    uint64_t records = 0;
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < merge->count; i++) {
        code = read_input(merge, &merge->input[i], err);
    }
    if (code == ERR_OK) {
        code = choose_event(merge, err);
    }
    if (code == ERR_OK) {
        code = make_ledger(merge, err);
    }
    if (code == ERR_OK) {
        heads = ledger_heads_hash(merge->ledger);
        state = pairs_state_hash(merge->ledger);
        records = ledger_count(merge->ledger);
    }
    ledger_close(merge->ledger);
    merge->ledger = NULL;
    if (code == ERR_OK) {
        code = files_folder_finish(merge->temp, merge->out, err);
    }
    if (code == ERR_OK) {
        tell(merge, heads, state, records);
    }
    return code;
}

void verb_merge(struct verb_call *call) {
    struct options options;
    struct error err;
    struct merge *merge = parts_room(call, sizeof(*merge));
    if (merge == NULL) {
        return;
    }
    enum error_code code = parts_words(call, "merge", 1, OPTIONS_MAX,
                                       "the files and folders to merge", &options, &err);
    if (code == ERR_OK) {
        merge->call = call;
        code = begin(merge, &options, &err);
        if (code == ERR_OK) {
            code = run(merge, &err);
        }
        if (code != ERR_OK && merge->temp[0] != '\0') {
            files_folder_remove(merge->temp);
        }
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    for (size_t i = 0; merge->input != NULL && i < merge->count; i++) {
        buffer_release(&merge->input[i].records);
    }
    free(merge->input);
    free(merge);
    options_release(&options);
}
