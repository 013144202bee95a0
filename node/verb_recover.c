/*
 * verb_recover.c: `recover`: gets a damaged folder back, and names what is missing.
 * Must never say that nothing is missing before it has looked again at all that was written.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/carrying.h"
#include "node/files.h"
#include "node/grant.h"
#include "node/known.h"
#include "node/recovery.h"
#include "node/show.h"
#include "node/verb_parts.h"

enum { STEP_RECORDS = 4096, WAIT_SECONDS = 20, WAIT_SECONDS_MAX = 86400, BIBS_SHOWN = 20 };

struct recover {
    struct verb_call *call;
    struct options options;
    struct recovery recovery;
    struct recovery_lacks lacks;
    uint64_t carried; /* new records from --from */
    struct run_heard heard;
    bool waited;
};

/* ---- files ---- */

/* A grant has a head of its own before its records. */
static struct slice records_in(struct slice file) {
    struct ledger_event event;
    struct sign_public admitted;
    struct slice records;
    struct error unused;
    return grant_head_get(file, &event, &admitted, &records, &unused) == ERR_OK ? records : file;
}

static enum error_code take_records(struct recover *recover, struct ledger *ledger,
                                    struct slice records, struct carry_report *report,
                                    struct error *err) {
    struct carry_in *in = NULL;
    bool done = false;
    enum error_code code = carry_in_new(ledger, records, &in, err);
    while (code == ERR_OK && !done) {
        code = carry_in_step(in, STEP_RECORDS, &done, err);
    }
    if (code == ERR_OK) {
        *report = carry_in_report(in);
        recover->carried += report->stored;
    }
    carry_in_free(in);
    return code;
}

/* What is good in a file is taken, and what is wrong with it is said. */
static enum error_code take_file(struct recover *recover, struct ledger *ledger, const char *name,
                                 struct error *err) {
    char path[FILES_PATH_MAX];
    struct buffer file;
    struct carry_report report = {0};
    struct error why;
    buffer_init(&file);
    enum error_code code = files_path(recover->call->cwd, name, path, err);
    if (code == ERR_OK) {
        code = files_read(path, CARRYING_SIZE_MAX, &file, err);
    }
    if (code == ERR_OK) {
        struct slice records = records_in(buffer_slice(&file));
        code = take_records(recover, ledger, records, &report, err);
    }
    if (code == ERR_OK && carrying_judge(&report, file.size, &why) != ERR_OK) {
        buffer_print(&recover->call->err, "From ");
        show_plain(&recover->call->err, slice_text(name));
        buffer_print(&recover->call->err, ": ");
        verb_complain(recover->call, &why);
    }
    buffer_release(&file);
    return code;
}

static bool count_station(void *context, const struct pairs_station *station) {
    size_t *count = context;
    *count += station->role != ROLE_NONE ? 1 : 0;
    return true;
}

/* Whether there is anybody to wait for; where it is not even known who was let in, there may be. */
static bool has_others(const struct recover *recover, struct ledger *ledger) {
    struct known known;
    struct error unused;
    size_t stations = 0;
    known_load(&known, recover->call->dir);
    return options_value(&recover->options, "--peer") != NULL || known.count > 0 ||
           pairs_each_station(ledger, count_station, &stations, &unused) != ERR_OK || stations != 1;
}

/* Opening begins the new log, so that whatever comes back later, no number is written twice. */
static enum error_code take_files(struct recover *recover, bool *others, struct error *err) {
    struct station station;
    uint64_t again = 0;
    const char *name = NULL;
    enum error_code code = station_open(recover->call->dir, &station, err);
    if (code != ERR_OK) {
        return code;
    }
    for (size_t i = 0;
         code == ERR_OK && (name = options_value_at(&recover->options, "--from", i)) != NULL; i++) {
        code = take_file(recover, station.ledger, name, err);
    }
    if (code == ERR_OK) {
        code = recovery_again(&recover->recovery, station.ledger, &again, err);
    }
    *others = has_others(recover, station.ledger);
    station_close(&station);
    return code;
}

/* ---- the other tables ---- */

static enum error_code wait_seconds(const struct options *options, long *seconds,
                                    struct error *err) {
    const char *value = options_value(options, "--wait");
    char *end = NULL;
    *seconds = value == NULL ? WAIT_SECONDS : strtol(value, &end, 10);
    if (value != NULL &&
        (value[0] < '0' || value[0] > '9' || *end != '\0' || *seconds > WAIT_SECONDS_MAX)) {
        error_set(err, ERR_USAGE, "--wait %.40s", value);
        return error_say(err, "--wait is a number of seconds.");
    }
    return ERR_OK;
}

/* Not to reach the others is no failure: they are reached later, by `run`. */
static void ask_others(struct recover *recover, long seconds) {
    struct error err;
    recover->waited = true;
    if (run_until_in_step(recover->call, (int64_t)seconds * 1000, &recover->heard, &err) !=
        ERR_OK) {
        verb_complain(recover->call, &err);
    }
}

/* What the others brought may be the admits under which more of the old files can be believed; the
 * others are to get that, too. */
static enum error_code ask_others_again(struct recover *recover, long seconds, struct error *err) {
    struct station station;
    uint64_t again = 0;
    ask_others(recover, seconds);
    enum error_code code = station_open(recover->call->dir, &station, err);
    if (code == ERR_OK) {
        code = recovery_again(&recover->recovery, station.ledger, &again, err);
        station_close(&station);
    }
    if (code == ERR_OK && again > 0 && recover->heard.stations > 0) {
        ask_others(recover, seconds);
    }
    return code;
}

/* ---- telling ---- */

static void station_name(struct ledger *ledger, const struct sign_public *key, char *name,
                         size_t size) {
    struct pairs_station station;
    struct error unused;
    bool known = pairs_station(ledger, key, &station, &unused) == ERR_OK;
    snprintf(name, size, "%s", known ? station.name : "");
}

static json_t *lack_json(const struct recovery_lack *lack, const char *name) {
    json_t *bibs = json_array();
    for (size_t i = 0; i < lack->bib_count; i++) {
        json_array_append_new(bibs,
                              json_pack("{s:I, s:s}", "number", (json_int_t)lack->bib[i].number,
                                        "bib", lack->bib[i].bib.text));
    }
    return json_pack("{s:o, s:I, s:I, s:o, s:o}", "log",
                     show_hex_json(lack->log.bytes, sizeof(lack->log.bytes)), "from",
                     (json_int_t)lack->from, "to", (json_int_t)lack->to, "station",
                     show_text_json(name), "bibs", bibs);
}

static void lack_text(const struct recovery_lack *lack, const char *name, struct buffer *out) {
    char log[9];
    hex_encode(lack->log.bytes, 4, log);
    buffer_print(out, "  missing: ");
    show_plain(out, slice_text(name));
    buffer_print(out, ", records %llu to %llu (log %s)", (unsigned long long)lack->from,
                 (unsigned long long)lack->to, log);
    for (size_t i = 0; i < lack->bib_count && i < BIBS_SHOWN; i++) {
        buffer_print(out, "%s%s", i == 0 ? "; bibs " : ", ", lack->bib[i].bib.text);
    }
    buffer_print(out, "%s\n", lack->bib_count > BIBS_SHOWN ? " ..." : "");
}

static void tell_json(struct recover *recover, struct ledger *ledger) {
    char name[RECORD_TEXT_MAX + 1];
    json_t *missing = json_array();
    const struct recovery *recovery = &recover->recovery;
    for (size_t i = 0; i < recover->lacks.count; i++) {
        const struct recovery_lack *lack = &recover->lacks.lack[i];
        station_name(ledger, &lack->key, name, sizeof(name));
        json_array_append_new(missing, lack_json(lack, name));
    }
    show_json(&recover->call->out,
              json_pack("{s:b, s:I, s:I, s:I, s:o, s:o, s:I, s:b}", "rebuilt", recovery->rebuilt,
                        "salvaged", (json_int_t)recovery->salvaged, "carried",
                        (json_int_t)recover->carried, "held", (json_int_t)ledger_count(ledger),
                        "missing", missing, "kept",
                        recovery->kept[0] == '\0' ? json_null() : json_string(recovery->kept),
                        "heard", (json_int_t)recover->heard.stations, "in_step",
                        recover->heard.in_step));
}

static void tell_others(const struct recover *recover, struct buffer *out) {
    if (!recover->waited) {
        return;
    }
    if (recover->heard.in_step) {
        buffer_print(out, "  Every station that was heard (%zu) holds the same now.\n",
                     recover->heard.stations);
    } else {
        buffer_print(out, "  %s: start `run`, and what they have comes by itself.\n",
                     recover->heard.stations == 0 ? "No other station was heard"
                                                  : "The others were not waited for to the end");
    }
}

static void tell_text(struct recover *recover, struct ledger *ledger) {
    char name[RECORD_TEXT_MAX + 1];
    struct buffer *out = &recover->call->out;
    const struct recovery *recovery = &recover->recovery;
    if (recovery->rebuilt) {
        buffer_print(out, "The ledger is made again: %llu records were got out of the old files.\n",
                     (unsigned long long)recovery->salvaged);
    } else {
        buffer_print(out, "The folder is sound: nothing had to be made again.\n");
    }
    if (recovery->kept[0] != '\0') {
        buffer_print(out, "  The damaged files are kept in %s.\n", recovery->kept);
    }
    buffer_print(out, "  %llu records are here now.\n", (unsigned long long)ledger_count(ledger));
    tell_others(recover, out);
    for (size_t i = 0; i < recover->lacks.count; i++) {
        const struct recovery_lack *lack = &recover->lacks.lack[i];
        station_name(ledger, &lack->key, name, sizeof(name));
        lack_text(lack, name, out);
    }
    if (recover->lacks.count == 0) {
        buffer_print(out, "  Nothing is missing.\n");
    } else if (recover->lacks.count > 0 && recover->heard.in_step) {
        buffer_print(out, "  Look at these bibs and chips, and record them again.\n");
    }
}

static enum error_code report(struct recover *recover, struct error *err) {
    struct station station;
    enum error_code code = station_open(recover->call->dir, &station, err);
    if (code != ERR_OK) {
        return code;
    }
    code = recovery_lacks(&recover->recovery, &station, &recover->lacks, err);
    if (code == ERR_OK) {
        (recover->call->json ? tell_json : tell_text)(recover, station.ledger);
        int status = recover->lacks.count > 0 ? (int)ERROR_CLASS_STATE : 0;
        recover->call->status = status > recover->call->status ? status : recover->call->status;
    }
    station_close(&station);
    return code;
}

static enum error_code act(struct recover *recover, struct error *err) {
    long seconds = 0;
    bool others = false;
    enum error_code code = wait_seconds(&recover->options, &seconds, err);
    if (code == ERR_OK) {
        code = recovery_rebuild(recover->call->dir, &recover->recovery, err);
    }
    if (code == ERR_OK) {
        code = take_files(recover, &others, err);
    }
    if (code == ERR_OK && seconds > 0 && others) {
        code = ask_others_again(recover, seconds, err);
    }
    return code == ERR_OK ? report(recover, err) : code;
}

void verb_recover(struct verb_call *call) {
    struct error err;
    struct recover *recover = parts_room(call, sizeof(*recover));
    if (recover == NULL) {
        return;
    }
    recover->call = call;
    enum error_code code = parts_words(call, "recover", 0, 0, "", &recover->options, &err);
    if (code == ERR_OK) {
        code = act(recover, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    recovery_lacks_release(&recover->lacks);
    recovery_release(&recover->recovery);
    options_release(&recover->options);
    free(recover);
}
