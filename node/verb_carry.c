/*
 * verb_carry.c: `carry out` and `carry in`: records by USB stick. And `verify`.
 * Must never say written before the file has been read back, nor hold up a running node: a file is
 * read and taken in slices.
 */
#include <stdlib.h>
#include <string.h>

#include "node/carrying.h"
#include "node/files.h"
#include "node/show.h"
#include "node/verb_parts.h"

enum { WRITE_SIZE = 1 << 18, READ_SIZE = 1 << 18, STEP_RECORDS = 1024, START_SIZE = 7 };

/* ---- out ---- */

struct writing {
    struct files_writer writer;
    struct buffer pending;
    uint64_t records;
    enum error_code code;
    struct error err;
};

static void flush(struct writing *writing) {
    if (writing->pending.failed) {
        writing->code = error_set(&writing->err, ERR_MEMORY, "records");
    }
    if (writing->code == ERR_OK) {
        writing->code =
            files_writer_put(&writing->writer, buffer_slice(&writing->pending), &writing->err);
    }
    buffer_clear(&writing->pending);
}

static bool put_record(void *context, struct slice raw) {
    struct writing *writing = context;
    buffer_append_slice(&writing->pending, raw);
    writing->records++;
    if (writing->pending.size >= WRITE_SIZE || writing->pending.failed) {
        flush(writing);
    }
    return writing->code == ERR_OK;
}

/* An older carry file is what people mean to replace; a photograph is not. */
static bool may_replace(const char *path) {
    static const uint8_t start[START_SIZE] = {0xD2, 0x84, 0x43, 0xA1, 0x01, 0x27, 0xA0};
    struct files_reader reader;
    struct buffer head;
    struct error unused;
    bool done = false;
    if (files_reader_open(path, UINT64_MAX, &reader, &unused) != ERR_OK) {
        return false;
    }
    buffer_init(&head);
    bool ours =
        files_reader_some(&reader, START_SIZE, &head, &done, &unused) == ERR_OK &&
        (head.size == 0 || (head.size == START_SIZE && memcmp(head.data, start, START_SIZE) == 0));
    buffer_release(&head);
    files_reader_close(&reader);
    return ours;
}

static enum error_code write_records(struct ledger *ledger, struct writing *writing) {
    struct error reading;
    enum error_code read = ledger_each(ledger, put_record, writing, &reading);
    if (read != ERR_OK && writing->code == ERR_OK) {
        writing->err = reading;
        writing->code = read;
    }
    flush(writing);
    if (writing->code == ERR_OK) {
        writing->code = files_writer_finish(&writing->writer, &writing->err);
    } else {
        files_writer_abandon(&writing->writer);
    }
    return writing->code;
}

static enum error_code carry_out(struct verb_call *call, const struct options *options,
                                 struct writing *writing) {
    char path[FILES_PATH_MAX];
    writing->code = files_path(call->cwd, options->rest[0], path, &writing->err);
    if (writing->code != ERR_OK) {
        return writing->code;
    }
    bool replace = options_has(options, "--force") || may_replace(path);
    writing->code = files_writer_open(path, 0644, replace ? FILES_REPLACE : FILES_NEW,
                                      &writing->writer, &writing->err);
    if (writing->code != ERR_OK || write_records(call->station->ledger, writing) != ERR_OK) {
        return writing->code;
    }
    if (call->json) {
        show_json(&call->out,
                  json_pack("{s:I, s:I, s:o}", "records", (json_int_t)writing->records, "bytes",
                            (json_int_t)writing->writer.size, "file", show_text_json(path)));
    } else {
        buffer_print(&call->out, "Records written: %llu, to ",
                     (unsigned long long)writing->records);
        show_plain(&call->out, slice_text(path));
        buffer_print(&call->out, ". They were read back: it can be pulled out.\n");
    }
    return ERR_OK;
}

void verb_carry_out(struct verb_call *call) {
    struct options options;
    struct error err;
    struct writing *writing = parts_room(call, sizeof(*writing));
    if (writing == NULL) {
        return;
    }
    enum error_code code = parts_words(call, "carry out", 1, 1, "a file name", &options, &err);
    if (code == ERR_OK) {
        buffer_init(&writing->pending);
        code = carry_out(call, &options, writing);
        err = writing->err;
        buffer_release(&writing->pending);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    free(writing);
    options_release(&options);
}

/* ---- in ---- */

struct taking {
    struct verb_job job; /* first, so that a job is its taking */
    struct verb_call *call;
    struct files_reader reader;
    struct buffer file;
    struct carry_in *in;
};

static void free_taking(struct verb_job *job) {
    struct taking *taking = (struct taking *)job;
    carry_in_free(taking->in);
    files_reader_close(&taking->reader);
    buffer_release(&taking->file);
    free(taking);
}

static void tell_taken(struct verb_call *call, const struct carry_report *report, uint64_t bytes) {
    struct error err;
    enum error_code code = carrying_judge(report, bytes, &err);
    if (call->json) {
        json_t *object = json_object();
        carrying_json(report, object);
        if (code != ERR_OK) {
            json_object_set_new(object, "error", json_string(error_name(code)));
            json_object_set_new(object, "say", show_text_json(err.say));
            json_object_set_new(object, "cause", show_text_json(err.cause));
        }
        show_json(&call->out, object);
    } else if (code == ERR_OK) {
        buffer_print(&call->out, "New records: %llu of %llu; the others were here already.\n",
                     (unsigned long long)report->stored, (unsigned long long)report->records);
    }
    if (code != ERR_OK) {
        verb_complain(call, &err);
    }
}

static enum error_code take_step(struct taking *taking, bool *done, struct error *err) {
    struct station *station = taking->call->station;
    bool read = false;
    if (taking->in == NULL) {
        enum error_code code =
            files_reader_some(&taking->reader, READ_SIZE, &taking->file, &read, err);
        if (code == ERR_OK && taking->file.size > CARRYING_SIZE_MAX) {
            code = error_set(err, ERR_LIMIT, "over %d bytes", CARRYING_SIZE_MAX);
        }
        return code == ERR_OK && read
                   ? carry_in_new(station->ledger, buffer_slice(&taking->file), &taking->in, err)
                   : code;
    }
    uint64_t before = carry_in_report(taking->in).stored;
    enum error_code code = carry_in_step(taking->in, STEP_RECORDS, done, err);
    station->imported += carry_in_report(taking->in).stored - before;
    return code;
}

static bool step_taking(struct verb_job *job) {
    struct taking *taking = (struct taking *)job;
    struct error err;
    bool done = false;
    enum error_code code = take_step(taking, &done, &err);
    if (code != ERR_OK) {
        verb_fail(taking->call, &err);
        return false;
    }
    if (done) {
        struct carry_report report = carry_in_report(taking->in);
        tell_taken(taking->call, &report, taking->file.size);
    }
    return !done;
}

static enum error_code begin_taking(struct verb_call *call, const char *name, struct error *err) {
    char path[FILES_PATH_MAX];
    enum error_code code = files_path(call->cwd, name, path, err);
    struct taking *taking = code == ERR_OK ? calloc(1, sizeof(*taking)) : NULL;
    if (taking == NULL) {
        return code != ERR_OK ? code : error_set(err, ERR_MEMORY, "carry in");
    }
    taking->job = (struct verb_job){.step = step_taking, .free = free_taking};
    taking->call = call;
    buffer_init(&taking->file);
    code = files_reader_open(path, CARRYING_SIZE_MAX, &taking->reader, err);
    if (code != ERR_OK) {
        free_taking(&taking->job);
        return code;
    }
    call->job = &taking->job;
    return ERR_OK;
}

void verb_carry_in(struct verb_call *call) {
    struct options options;
    struct error err;
    enum error_code code = parts_words(call, "carry in", 1, 1, "a file name", &options, &err);
    if (code == ERR_OK) {
        code = begin_taking(call, options.rest[0], &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    options_release(&options);
}

/* ---- verify ---- */

void verb_verify(struct verb_call *call) {
    struct options options;
    struct error err;
    struct ledger *ledger = call->station->ledger;
    enum error_code code = parts_words(call, "verify", 0, 0, "", &options, &err);
    if (code == ERR_OK) {
        code = pairs_verify(ledger, options_has(&options, "--every"), &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    } else if (call->json) {
        struct digest32 heads = ledger_heads_hash(ledger);
        struct digest32 state = pairs_state_hash(ledger);
        show_json(&call->out,
                  json_pack("{s:b, s:I, s:o, s:o}", "sound", true, "records",
                            (json_int_t)ledger_count(ledger), "heads_hash",
                            show_hex_json(heads.bytes, sizeof(heads.bytes)), "state_hash",
                            show_hex_json(state.bytes, sizeof(state.bytes))));
    } else {
        buffer_print(&call->out, "Sound, with all that follows from its records (%llu).\n",
                     (unsigned long long)ledger_count(ledger));
    }
    options_release(&options);
}
