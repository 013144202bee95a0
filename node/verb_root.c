/*
 * verb_root.c: `event recovery` and `event restore-root`: the event's root key, sealed, out of a
 * lead's folder and into another one, so that no single laptop is the event.
 * Must never write the key anywhere without its seal.
 */
#include <sodium.h>
#include <stdlib.h>
#include <string.h>

#include "node/files.h"
#include "node/passphrase.h"
#include "node/rootkey.h"
#include "node/show.h"
#include "node/verb_parts.h"

/* ---- out ---- */

static enum error_code new_passphrase(const struct verb_call *call, const struct options *options,
                                      struct passphrase *passphrase, struct error *err) {
    const char *file = options_value(options, "--passphrase-file");
    enum error_code code = ERR_OK;
    if (file != NULL) {
        return passphrase_file(call->cwd, file, passphrase, err);
    }
    if (call->terminal) {
        code = passphrase_ask_new("Passphrase for the recovery file, at least 8 characters",
                                  passphrase, err);
    }
    if (code == ERR_OK && passphrase->size == 0) {
        error_set(err, ERR_USAGE, "root.key is not sealed, and there is no passphrase");
        code = error_say(err, "The key in this folder is not sealed, and a recovery file must be: "
                              "give --passphrase-file FILE, or run this at a terminal.");
    }
    return code;
}

static enum error_code read_folder_key(const char *dir, struct rootkey *key, struct error *err) {
    char path[FILES_PATH_MAX];
    enum error_code code = files_folder_check(dir, err);
    if (code == ERR_OK) {
        code = files_inside(dir, "root.key", path, err);
    }
    if (code == ERR_OK && !files_exists(path)) {
        error_set(err, ERR_NOT_ALLOWED, "no root.key in %.200s", dir);
        code = error_say(err, "The event's key is not in this folder. Run this on the station that "
                              "made the event.");
    }
    return code == ERR_OK ? rootkey_read(path, ROOTKEY_FOLDER, key, err) : code;
}

static enum error_code recovery(struct verb_call *call, const struct options *options,
                                struct rootkey *key, struct error *err) {
    char path[FILES_PATH_MAX];
    const char *out = NULL;
    struct passphrase passphrase = {0};
    bool force = options_has(options, "--force");
    enum error_code code = parts_needed(options, "--out", &out, err);
    if (code == ERR_OK) {
        code = files_path(call->cwd, out, path, err);
    }
    if (code == ERR_OK) {
        code = read_folder_key(call->dir, key, err);
    }
    if (code == ERR_OK && !force && files_exists(path)) {
        error_set(err, ERR_EXISTS, "%.200s", path);
        code = error_say(err, "The file %.200s is there already. Give another name, or --force.",
                         path);
    }
    if (code == ERR_OK && !key->sealed) {
        code = new_passphrase(call, options, &passphrase, err);
    }
    if (code == ERR_OK && !key->sealed) {
        code = rootkey_seal(key, passphrase_slice(&passphrase), err);
    }
    passphrase_wipe(&passphrase);
    if (code == ERR_OK) {
        code = rootkey_write(path, ROOTKEY_RECOVERY, key, force, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    if (call->json) {
        show_json(&call->out,
                  json_pack("{s:o, s:o}", "event",
                            show_hex_json(key->event.event.bytes, sizeof(key->event.event.bytes)),
                            "recovery", show_text_json(path)));
        return ERR_OK;
    }
    buffer_print(&call->out, "The recovery file of \"");
    show_plain(&call->out, slice_text(key->name));
    buffer_print(&call->out,
                 "\" is written. Keep it away from this laptop, and the passphrase away "
                 "from it: ");
    show_plain(&call->out, slice_text(path));
    buffer_print(&call->out, "\n");
    return ERR_OK;
}

/* Needs nothing but the key file, so it works beside a running node and on a damaged folder. */
void verb_event_recovery(struct verb_call *call) {
    struct options options;
    struct error err;
    struct rootkey *key = sodium_malloc(sizeof(*key)); /* wiped when it is freed */
    if (key == NULL) {
        error_set(&err, ERR_MEMORY, "root key");
        verb_fail(call, &err);
        return;
    }
    enum error_code code = parts_words(call, "event recovery", 0, 0, "", &options, &err);
    if (code == ERR_OK) {
        code = recovery(call, &options, key, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    sodium_free(key);
    options_release(&options);
}

/* ---- in ---- */

static enum error_code check_may(const struct verb_call *call, const struct pairs_station *self,
                                 const struct rootkey *key, struct error *err) {
    if (self->role != ROLE_LEAD) {
        error_set(err, ERR_NOT_ALLOWED, "this station is no lead");
        return error_say(err, "The event's key goes into a lead's folder only. Have this station "
                              "let in as a lead first, or use another one.");
    }
    if (!ID_EQUAL(key->event.event, call->station->event.event)) {
        error_set(err, ERR_FOREIGN, "the recovery file names another event");
        return error_say(err, "This is the recovery file of another event: %.100s.", key->name);
    }
    return call->seed == NULL ? error_set(err, ERR_SEALED, "the recovery file is sealed") : ERR_OK;
}

/* That whoever asks could open the seal shows that the passphrase is known. */
static enum error_code restore(struct verb_call *call, const struct options *options,
                               const struct pairs_station *self, struct rootkey *key,
                               struct error *err) {
    char path[FILES_PATH_MAX];
    const char *from = NULL;
    struct station_keys keys;
    struct station *station = call->station;
    enum error_code code = parts_needed(options, "--from", &from, err);
    if (code == ERR_OK) {
        code = files_path(call->cwd, from, path, err);
    }
    if (code == ERR_OK) {
        code = rootkey_read(path, ROOTKEY_RECOVERY, key, err);
    }
    if (code == ERR_OK) {
        code = check_may(call, self, key, err);
    }
    if (code == ERR_OK && !rootkey_keys(&key->event, call->seed, &keys)) {
        code = error_set(err, ERR_FOREIGN, "not the seed of this event's root");
    }
    sodium_memzero(&keys, sizeof(keys));
    if (code == ERR_OK) {
        code = files_inside(station->dir, "root.key", path, err);
    }
    if (code == ERR_OK) {
        code = rootkey_write(path, ROOTKEY_FOLDER, key, true, err);
    }
    if (code == ERR_OK) {
        station->has_root = true;
        station->root_sealed = true;
        station_root_close(station);
    }
    return code;
}

void verb_event_restore_root(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    struct rootkey *key = parts_room(call, sizeof(*key));
    if (key == NULL) {
        return;
    }
    enum error_code code = parts_words(call, "event restore-root", 0, 0, "", &options, &err);
    bool may = code != ERR_OK || verb_may_write(call, &self);
    if (code == ERR_OK && may) {
        code = restore(call, &options, &self, key, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    } else if (may && call->json) {
        show_json(&call->out,
                  json_pack("{s:o, s:b}", "station", show_text_json(self.name), "sealed", true));
    } else if (may) {
        buffer_print(&call->out, "The event's key is in this folder now, sealed. With its "
                                 "passphrase, this station can let in leads and put them out.\n");
    }
    rootkey_wipe(key);
    free(key);
    options_release(&options);
}
