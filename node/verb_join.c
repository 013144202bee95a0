/*
 * verb_join.c: `join`: a new station's keys and its request, and later the lead's grant.
 * Must never make new keys where some are, nor leave a ledger that is half filled.
 */
#include <errno.h>
#include <fcntl.h>
#include <sodium.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "common/carry.h"
#include "node/files.h"
#include "node/grant.h"
#include "node/join.h"
#include "node/show.h"

enum { GRANT_SIZE_MAX = 1 << 28, STEP_RECORDS = 1 << 16, TICKET_WORDS_MAX = 64 };

/* ---- the request ---- */

enum error_code join_make_station(const char *dir, const char *name, struct keyfile *key,
                                  struct error *err) {
    char temp[FILES_PATH_MAX];
    char path[FILES_PATH_MAX];
    enum error_code code = files_folder_free(dir, err);
    if (code == ERR_OK) {
        code = files_folder_begin(dir, temp, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    keyfile_draw(KEYFILE_STATION, key);
    snprintf(key->name, sizeof(key->name), "%s", name);
    code = files_inside(temp, "station.key", path, err);
    if (code == ERR_OK) {
        code = keyfile_write(path, key, false, err);
    }
    if (code == ERR_OK) {
        code = files_folder_finish(temp, dir, err);
    }
    if (code != ERR_OK) {
        files_folder_remove(temp);
    }
    return code;
}

/* A station that still waits for its grant keeps its keys: a lost request is written again. */
static enum error_code station_key(const char *dir, const char *name, struct keyfile *key,
                                   struct error *err) {
    char path[FILES_PATH_MAX];
    enum error_code code = files_inside(dir, "station.key", path, err);
    if (code != ERR_OK || !files_exists(path)) {
        return code != ERR_OK ? code : join_make_station(dir, name, key, err);
    }
    code = files_folder_check(dir, err);
    if (code == ERR_OK) {
        code = keyfile_read(path, KEYFILE_STATION, key, err);
    }
    if (code == ERR_OK && (key->has_event || strcmp(key->name, name) != 0)) {
        error_set(err, ERR_EXISTS, "%.200s", path);
        code = error_say(err,
                         "There is a station in this folder already: %.100s. Give another "
                         "folder.",
                         key->name);
    }
    return code;
}

static enum error_code write_request(const struct options *options, const struct keyfile *key,
                                     const char *path, struct error *err) {
    struct station_keys keys;
    struct record_admit admit = {.name = slice_text(key->name)};
    struct parts_addresses addresses;
    struct buffer request;
    buffer_init(&request);
    enum error_code code = parts_addresses(options, &addresses, &admit, err);
    if (code == ERR_OK) {
        keyfile_keys(key, &keys);
        admit.key = keys.sign_public;
        admit.curve = keys.curve_public;
        grant_request_put(&admit, &keys.sign_secret, &request);
        sodium_memzero(&keys, sizeof(keys));
        code = request.failed
                   ? error_set(err, ERR_MEMORY, "request")
                   : files_write(path, 0644,
                                 options_has(options, "--force") ? FILES_REPLACE : FILES_NEW,
                                 buffer_slice(&request), err);
    }
    buffer_release(&request);
    return code;
}

static enum error_code ask_to_join(struct verb_call *call, const struct options *options,
                                   struct error *err) {
    const char *name = NULL;
    const char *file = NULL;
    char path[FILES_PATH_MAX];
    struct keyfile key = {0};
    enum error_code code = parts_needed(options, "--name", &name, err);
    if (code == ERR_OK) {
        code = options_text("--name", name, RECORD_TEXT_MAX, err);
    }
    if (code == ERR_OK) {
        code = parts_needed(options, "--request", &file, err);
    }
    if (code == ERR_OK) {
        code = files_path(call->cwd, file, path, err);
    }
    if (code == ERR_OK && files_exists(path) && !options_has(options, "--force")) {
        error_set(err, ERR_EXISTS, "%.200s", path);
        code = error_say(err, "The file %.200s is there already. Give another name, or --force.",
                         path);
    }
    if (code == ERR_OK) {
        code = station_key(call->dir, name, &key, err);
    }
    if (code == ERR_OK) {
        code = write_request(options, &key, path, err);
    }
    keyfile_wipe(&key);
    if (code != ERR_OK) {
        return code;
    }
    if (call->json) {
        show_json(&call->out, json_pack("{s:o, s:o}", "station", show_text_json(name), "request",
                                        show_text_json(path)));
    } else {
        show_plain(&call->out, slice_text(name));
        buffer_print(&call->out, " has its keys. Take this file to the lead's station (bibweave "
                                 "admit FILE --out GRANT), and bring the grant back: ");
        show_plain(&call->out, slice_text(path));
        buffer_print(&call->out, "\n");
    }
    return ERR_OK;
}

/* ---- the grant ---- */

static enum error_code read_grant(const char *path, struct joining *join, struct error *err) {
    struct sign_public admitted;
    enum error_code code = files_read(path, GRANT_SIZE_MAX, &join->grant, err);
    if (code == ERR_OK) {
        code = grant_head_get(buffer_slice(&join->grant), &join->event, &admitted, &join->records,
                              err);
    }
    if (code != ERR_OK) {
        return code;
    }
    if (!ID_EQUAL(admitted, join->keys.sign_public)) {
        error_set(err, ERR_FOREIGN, "the grant names another key");
        return error_say(err, "This grant is for another station. Use the one that was made from "
                              "this station's request.");
    }
    if (join->key.has_event && !ID_EQUAL(join->key.event.event, join->event.event)) {
        error_set(err, ERR_FOREIGN, "the grant names another event");
        return error_say(err, "This station is of another event. Use another folder.");
    }
    return ERR_OK;
}

/* A grant that is not whole is refused whole: it is only a walk to the lead's table. */
static enum error_code check_report(const struct carry_report *report, struct error *err) {
    if (report->truncated) {
        return error_set(err, ERR_TRUNCATED, "the grant stops in the middle of a record");
    }
    if (report->damaged + report->foreign + report->gaps + report->denied > 0) {
        return error_set(err, ERR_FORM,
                         "grant: %llu damaged, %llu foreign, %llu without what is before them, "
                         "%llu of stations not let in",
                         (unsigned long long)report->damaged, (unsigned long long)report->foreign,
                         (unsigned long long)report->gaps, (unsigned long long)report->denied);
    }
    return ERR_OK;
}

static enum error_code take_records(struct ledger *ledger, const struct joining *join,
                                    void *context, struct error *err) {
    struct carry_in *in = NULL;
    struct pairs_station self;
    bool done = false;
    (void)context;
    enum error_code code = carry_in_new(ledger, join->records, &in, err);
    while (code == ERR_OK && !done) {
        code = carry_in_step(in, STEP_RECORDS, &done, err);
    }
    if (code == ERR_OK) {
        struct carry_report report = carry_in_report(in);
        code = check_report(&report, err);
    }
    carry_in_free(in);
    if (code != ERR_OK) {
        return code;
    }
    code = pairs_station(ledger, &join->keys.sign_public, &self, err);
    if (code == ERR_NOT_FOUND || (code == ERR_OK && self.role == ROLE_NONE) ||
        pairs_found(ledger) == NULL) {
        error_set(err, ERR_FORM, "the grant lacks the event, or this station's admit");
        return error_say(err, "This grant does not let this station in. Have the lead make it "
                              "again.");
    }
    return code;
}

static enum error_code fill_ledger(const char *path, const struct joining *join, join_fill *fill,
                                   void *context, struct error *err) {
    struct ledger *ledger = NULL;
    enum error_code code = ledger_open(path, NULL, &join->event, NULL, &ledger, err);
    if (code == ERR_OK) {
        code = fill(ledger, join, context, err);
    }
    ledger_close(ledger);
    return code;
}

/* The key file names the event before the ledger gets its name, so that an interrupted join can be
 * done again. */
static enum error_code move_in(const char *path, struct joining *join, struct error *err) {
    join->key.has_event = true;
    join->key.event = join->event;
    enum error_code code = keyfile_write(join->key_path, &join->key, true, err);
    if (code == ERR_OK &&
        renameat2(AT_FDCWD, path, AT_FDCWD, join->ledger_path, RENAME_NOREPLACE) != 0) {
        code = files_error(err, errno, "renaming to", join->ledger_path);
    }
    return code;
}

/* The ledger is filled aside, and gets its name when it is whole. */
enum error_code join_make_ledger(const char *dir, struct joining *join, join_fill *fill,
                                 void *context, struct error *err) {
    char temp[FILES_PATH_MAX];
    char path[FILES_PATH_MAX];
    enum error_code code = files_folder_begin(join->ledger_path, temp, err);
    if (code != ERR_OK) {
        return code;
    }
    code = files_inside(temp, "ledger.db", path, err);
    if (code == ERR_OK) {
        code = fill_ledger(path, join, fill, context, err);
    }
    if (code == ERR_OK) {
        code = move_in(path, join, err);
    }
    files_folder_remove(temp);
    return code == ERR_OK ? files_folder_sync(dir, err) : code;
}

/* Opens the new station once, which begins its log. */
enum error_code join_first_start(struct verb_call *call, struct error *err) {
    struct station station;
    struct bib_ranges ranges = {0};
    char numbers[400] = "";
    enum error_code code = station_open(call->dir, &station, err);
    if (code != ERR_OK) {
        return code;
    }
    struct ledger_event event = station.event;
    struct error unused;
    const struct record_found *found = pairs_found(station.ledger);
    if (pairs_allotted(station.ledger, &station.keys.sign_public, &ranges, &unused) == ERR_OK) {
        bib_ranges_text(&ranges, numbers, sizeof(numbers));
    }
    if (call->json) {
        show_json(&call->out, json_pack("{s:o, s:o, s:s}", "event",
                                        show_hex_json(event.event.bytes, sizeof(event.event.bytes)),
                                        "station", show_text_json(station.name), "bibs", numbers));
    } else {
        show_plain(&call->out, slice_text(station.name));
        buffer_print(&call->out, " is let in to \"");
        show_plain(&call->out, found->name);
        buffer_print(&call->out, "\"%s%s.\n", numbers[0] == '\0' ? "" : ", with bibs ", numbers);
    }
    station_close(&station);
    return ERR_OK;
}

static enum error_code take_grant(struct verb_call *call, const char *file, struct joining *join,
                                  struct error *err) {
    char path[FILES_PATH_MAX];
    enum error_code code = files_path(call->cwd, file, path, err);
    if (code == ERR_OK) {
        code = files_folder_check(call->dir, err);
    }
    if (code == ERR_OK) {
        code = files_inside(call->dir, "station.key", join->key_path, err);
    }
    if (code == ERR_OK) {
        code = files_inside(call->dir, "ledger.db", join->ledger_path, err);
    }
    if (code == ERR_OK && !files_exists(join->key_path)) {
        error_set(err, ERR_USAGE, "no %.200s", join->key_path);
        code = error_say(err, "There is no station in this folder. Make one first with `join "
                              "--name NAME --request FILE`.");
    }
    if (code == ERR_OK) {
        code = keyfile_read(join->key_path, KEYFILE_STATION, &join->key, err);
    }
    if (code == ERR_OK) {
        keyfile_keys(&join->key, &join->keys);
        code = read_grant(path, join, err);
    }
    if (code == ERR_OK && files_exists(join->ledger_path)) {
        error_set(err, ERR_EXISTS, "%.200s", join->ledger_path);
        code = error_say(err, "This station is let in already. To take newer records in, use carry "
                              "in.");
    }
    if (code == ERR_OK) {
        code = join_make_ledger(call->dir, join, take_records, NULL, err);
    }
    return code == ERR_OK ? join_first_start(call, err) : code;
}

void verb_join(struct verb_call *call) {
    struct options options;
    struct error err;
    struct joining join = {0};
    buffer_init(&join.grant);
    enum error_code code =
        parts_words(call, "join", 0, TICKET_WORDS_MAX, "a ticket", &options, &err);
    bool files = options_has(&options, "--request") || options_has(&options, "--grant");
    if (code == ERR_OK && options.rest_count > 0 && files) {
        error_set(&err, ERR_USAGE, "a ticket and --request or --grant");
        code = error_say(&err, "Join with a ticket, or by files: not both at once.");
    } else if (code == ERR_OK && options.rest_count > 0) {
        code = join_with_ticket(call, &options, &join, &err);
    } else if (code == ERR_OK && options_has(&options, "--grant")) {
        if (options_has(&options, "--name") || options_has(&options, "--request")) {
            error_set(&err, ERR_USAGE, "--grant with --name or --request");
            code = error_say(&err, "Give either --grant, or --name and --request.");
        } else {
            code = take_grant(call, options_value(&options, "--grant"), &join, &err);
        }
    } else if (code == ERR_OK && !files && !options_has(&options, "--name")) {
        error_set(&err, ERR_USAGE, "no ticket");
        code = error_say(&err, "Say how this station joins: with a ticket (join TICKET), or by "
                               "files (join --name NAME --request FILE).");
    } else if (code == ERR_OK) {
        code = ask_to_join(call, &options, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    keyfile_wipe(&join.key);
    sodium_memzero(&join.keys, sizeof(join.keys));
    buffer_release(&join.grant);
    options_release(&options);
}
