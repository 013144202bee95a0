/*
 * verb_event.c: `event new`: an event, its root key, and the folder of its first lead.
 * Must never leave half an event: the folder is made aside and renamed when it is whole.
 */
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/files.h"
#include "node/keyfile.h"
#include "node/passphrase.h"
#include "node/rootkey.h"
#include "node/show.h"
#include "node/verb_parts.h"

/* What was asked for. Slices borrow from the command line. */
struct plan {
    struct record_found found;
    struct record_admit lead;
    struct parts_addresses addresses;
    struct keyfile station;
    struct rootkey root;
    struct station_keys station_keys, root_keys;
    struct ledger_event event;
    struct buffer body;               /* of found */
    char second[RECORD_TEXT_MAX + 1]; /* name of the second lead, or "" */
    bool second_asked;                /* whether there is to be one was said */
};

/* ---- reading the command ---- */

static enum error_code read_ranges(const struct options *options, const char *name, bool needed,
                                   struct bib_ranges *ranges, struct error *err) {
    const char *value = options_value(options, name);
    if (value == NULL && !needed) {
        return ERR_OK;
    }
    enum error_code code = parts_needed(options, name, &value, err);
    return code == ERR_OK ? bib_ranges_parse(slice_text(value), ranges, err) : code;
}

/* Better said now than at the table: each number must have a label, and an EPC in the scheme. */
static enum error_code check_ranges(const struct bib_ranges *ranges,
                                    const struct epc_scheme *scheme, struct error *err) {
    for (size_t i = 0; i < ranges->count; i++) {
        char digits[24];
        struct bib bib;
        struct epc epc;
        snprintf(digits, sizeof(digits), "%llu", (unsigned long long)ranges->range[i].last);
        enum error_code code = bib_parse(slice_text(digits), false, &bib, err);
        if (code == ERR_OK && scheme->kind != EPC_AS_READ) {
            code = epc_for_bib(scheme, &bib, &epc, err);
        }
        if (code != ERR_OK) {
            return code;
        }
    }
    return ERR_OK;
}

static enum error_code read_tags_per_bib(const char *value, uint8_t *count, struct error *err) {
    if (value == NULL) {
        *count = 1;
        return ERR_OK;
    }
    if (strlen(value) != 1 || value[0] < '1' || value[0] > '0' + RECORD_TAGS_MAX) {
        error_set(err, ERR_USAGE, "--tags-per-bib %.40s", value);
        return error_say(err, "A bib has 1 to %d chips: --tags-per-bib 1.", RECORD_TAGS_MAX);
    }
    *count = (uint8_t)(value[0] - '0');
    return ERR_OK;
}

static enum error_code read_unique(const struct options *options, struct record_found *found,
                                   struct error *err) {
    const struct record_category *category = &found->category[0];
    bool as_read = category->scheme.kind == EPC_AS_READ;
    bool unique = options_has(options, "--epc-unique");
    bool repeats = options_has(options, "--epc-repeats");
    if (unique && (repeats || (!as_read && category->tags_per_bib > 1))) {
        error_set(err, ERR_USAGE, "--epc-unique with %s",
                  repeats ? "--epc-repeats" : "two chips of one number on a bib");
        return error_say(err, "An EPC cannot be on one chip only and on several. Leave out "
                              "--epc-unique.");
    }
    found->epc_unique = unique || (as_read && !repeats);
    return ERR_OK;
}

static enum error_code read_found(const struct options *options, struct record_found *found,
                                  struct error *err) {
    const char *name = NULL;
    const char *start = "";
    const char *scheme = NULL;
    struct record_category *category = &found->category[0];
    found->category_count = 1;
    found->zeros_count = options_has(options, "--zeros-count");
    enum error_code code = parts_needed(options, "--name", &name, err);
    if (code == ERR_OK) {
        code = options_text("--name", name, RECORD_TEXT_MAX, err);
    }
    if (code == ERR_OK) {
        code = parts_text(options, "--start", RECORD_TEXT_MAX, &start, err);
    }
    if (code == ERR_OK) {
        code = read_ranges(options, "--bibs", true, &found->bibs, err);
    }
    if (code == ERR_OK) {
        code = read_ranges(options, "--late", false, &found->late, err);
    }
    if (code == ERR_OK) {
        code = parts_needed(options, "--scheme", &scheme, err);
    }
    if (code == ERR_OK) {
        code = epc_scheme_parse(slice_text(scheme), &category->scheme, err);
    }
    if (code == ERR_OK) {
        code = read_tags_per_bib(options_value(options, "--tags-per-bib"), &category->tags_per_bib,
                                 err);
    }
    if (code == ERR_OK) {
        code = read_unique(options, found, err);
    }
    if (code == ERR_OK) {
        code = check_ranges(&found->bibs, &category->scheme, err);
    }
    if (code == ERR_OK) {
        code = check_ranges(&found->late, &category->scheme, err);
    }
    if (code == ERR_OK) {
        found->name = slice_text(name);
        found->start = slice_text(start);
        category->name = slice_text("all");
    }
    return code;
}

static enum error_code read_plan(const struct options *options, struct plan *plan,
                                 struct error *err) {
    const char *station = "Lead";
    enum error_code code = read_found(options, &plan->found, err);
    if (code == ERR_OK && options_has(options, "--station")) {
        code = parts_text(options, "--station", RECORD_TEXT_MAX, &station, err);
    }
    if (code == ERR_OK) {
        code = parts_addresses(options, &plan->addresses, &plan->lead, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    static const uint8_t unused[32]; /* the root has no connections, so no key for them */
    randombytes_buf(plan->root.seed, sizeof(plan->root.seed));
    identity_keys(plan->root.seed, unused, &plan->root_keys);
    keyfile_draw(KEYFILE_STATION, &plan->station);
    keyfile_keys(&plan->station, &plan->station_keys);
    snprintf(plan->station.name, sizeof(plan->station.name), "%s", station);
    snprintf(plan->root.name, sizeof(plan->root.name), "%.*s", (int)plan->found.name.size,
             (const char *)plan->found.name.data);
    record_found_write(&plan->found, &plan->body);
    if (plan->body.failed) {
        return error_set(err, ERR_MEMORY, "event");
    }
    plan->event.root = plan->root_keys.sign_public;
    plan->event.event = identity_event(&plan->event.root, buffer_slice(&plan->body));
    plan->station.event = plan->event;
    plan->station.has_event = true;
    plan->root.event = plan->event;
    plan->lead.key = plan->station_keys.sign_public;
    plan->lead.curve = plan->station_keys.curve_public;
    plan->lead.name = slice_text(plan->station.name);
    plan->lead.role = ROLE_LEAD;
    return ERR_OK;
}

/* ---- the passphrase, and a second lead ---- */

static enum error_code both(struct error *err, const char *one, const char *other) {
    error_set(err, ERR_USAGE, "%s with %s", one, other);
    return error_say(err, "Give either %s or %s, not both.", one, other);
}

/* Where nobody can be asked and nothing was said, the key stays unsealed, and that is told. */
static enum error_code seal_root(struct verb_call *call, const struct options *options,
                                 struct plan *plan, struct error *err) {
    struct passphrase passphrase = {0};
    enum error_code code = ERR_OK;
    const char *file = options_value(options, "--passphrase-file");
    if (options_has(options, "--unsealed")) {
        return file == NULL ? ERR_OK : both(err, "--passphrase-file", "--unsealed");
    }
    if (file != NULL) {
        code = passphrase_file(call->cwd, file, &passphrase, err);
    } else if (call->terminal) {
        code = passphrase_ask_new("Passphrase for the event's key, at least 8 characters (nothing: "
                                  "leave it unsealed)",
                                  &passphrase, err);
    }
    if (code == ERR_OK && passphrase.size > 0) {
        code = rootkey_seal(&plan->root, passphrase_slice(&passphrase), err);
    } else if (code == ERR_OK) {
        buffer_print(&call->err,
                     "The event's key is not sealed with a passphrase, so whoever gets at this "
                     "folder can let anyone in: seal it with --passphrase-file FILE, or say "
                     "--unsealed if that is meant.\n");
    }
    passphrase_wipe(&passphrase);
    return code;
}

static void ask_second(char *name, size_t size) {
    fprintf(stderr, "Name of a second lead's station, which can carry on when this laptop is dead "
                    "(nothing: none): ");
    fflush(stderr);
    if (fgets(name, (int)size, stdin) == NULL) {
        name[0] = '\0';
    }
    name[strcspn(name, "\r\n")] = '\0';
}

static enum error_code read_second(struct verb_call *call, const struct options *options,
                                   struct plan *plan, struct error *err) {
    const char *name = options_value(options, "--second-lead");
    plan->second_asked = true;
    if (options_has(options, "--no-second-lead")) {
        return name == NULL ? ERR_OK : both(err, "--second-lead", "--no-second-lead");
    }
    if (name != NULL) {
        enum error_code code = options_text("--second-lead", name, RECORD_TEXT_MAX, err);
        if (code == ERR_OK) {
            snprintf(plan->second, sizeof(plan->second), "%s", name);
        }
        return code;
    }
    plan->second_asked = call->terminal;
    if (call->terminal) {
        ask_second(plan->second, sizeof(plan->second));
    }
    return plan->second[0] == '\0'
               ? ERR_OK
               : options_text("second lead", plan->second, RECORD_TEXT_MAX, err);
}

/* ---- making it ---- */

static enum error_code open_author(struct ledger *ledger, const struct station_keys *keys,
                                   struct pairs_author *author, struct error *err) {
    struct incarnation incarnation;
    randombytes_buf(incarnation.bytes, sizeof(incarnation.bytes));
    return pairs_author_open(ledger, keys, &incarnation, NULL, station_wall(), station_now(),
                             author, err);
}

/* The raw record `found` goes into the root's key file, which then says by itself of what it is. */
static enum error_code keep_found(struct ledger *ledger, const struct record_id *id,
                                  struct rootkey *root, struct error *err) {
    struct buffer raw;
    buffer_init(&raw);
    enum error_code code = ledger_read(ledger, id, &raw, err);
    if (code == ERR_OK) {
        INVARIANT(raw.size <= sizeof(root->found));
        memcpy(root->found, raw.data, raw.size);
        root->found_size = raw.size;
    }
    buffer_release(&raw);
    return code;
}

/* The first records: open, found and the lead's admit by the root, open by the lead. */
static enum error_code write_records(struct ledger *ledger, struct plan *plan,
                                     struct pairs_author *lead, struct error *err) {
    struct pairs_author root;
    struct record_id found;
    struct record_id unused;
    struct buffer admit;
    buffer_init(&admit);
    record_admit_write(&plan->lead, &admit);
    enum error_code code = admit.failed ? error_set(err, ERR_MEMORY, "admit")
                                        : open_author(ledger, &plan->root_keys, &root, err);
    if (code == ERR_OK) {
        code = pairs_append(ledger, &root, RECORD_FOUND, buffer_slice(&plan->body), station_wall(),
                            station_now(), &found, err);
    }
    if (code == ERR_OK) {
        code = keep_found(ledger, &found, &plan->root, err);
    }
    if (code == ERR_OK) {
        code = pairs_append(ledger, &root, RECORD_ADMIT, buffer_slice(&admit), station_wall(),
                            station_now(), &unused, err);
    }
    if (code == ERR_OK) {
        code = open_author(ledger, &plan->station_keys, lead, err);
    }
    buffer_release(&admit);
    sodium_memzero(&root, sizeof(root));
    return code;
}

static enum error_code make_ledger(const char *folder, struct plan *plan, struct pairs_author *lead,
                                   struct error *err) {
    char path[FILES_PATH_MAX];
    struct ledger *ledger = NULL;
    enum error_code code = files_inside(folder, "ledger.db", path, err);
    if (code == ERR_OK) {
        code = ledger_open(path, NULL, &plan->event, NULL, &ledger, err);
    }
    if (code == ERR_OK) {
        code = pairs_begin(ledger, err);
    }
    if (code == ERR_OK) {
        code = write_records(ledger, plan, lead, err);
    }
    if (code == ERR_OK) {
        code = pairs_commit(ledger, err);
    }
    ledger_close(ledger);
    return code;
}

static enum error_code make_keys(const char *folder, const struct plan *plan, struct error *err) {
    char path[FILES_PATH_MAX];
    enum error_code code = files_inside(folder, "station.key", path, err);
    if (code == ERR_OK) {
        code = keyfile_write(path, &plan->station, false, err);
    }
    if (code == ERR_OK) {
        code = files_inside(folder, "root.key", path, err);
    }
    return code == ERR_OK ? rootkey_write(path, ROOTKEY_FOLDER, &plan->root, false, err) : code;
}

static enum error_code make_folder(const char *dir, struct plan *plan, struct error *err) {
    char temp[FILES_PATH_MAX];
    struct pairs_author lead = {0};
    struct wake wake;
    enum error_code code = files_folder_free(dir, err);
    if (code == ERR_OK) {
        code = files_folder_begin(dir, temp, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    code = make_ledger(temp, plan, &lead, err);
    if (code == ERR_OK) {
        code = make_keys(temp, plan, err);
    }
    if (code == ERR_OK && wake_here(temp, &wake)) {
        wake.log = lead.log;
        wake.number = lead.number;
        wake_write(temp, &wake);
    }
    if (code == ERR_OK) {
        code = files_folder_finish(temp, dir, err);
    }
    if (code != ERR_OK) {
        files_folder_remove(temp);
    }
    sodium_memzero(&lead, sizeof(lead));
    return code;
}

/* How a second lead gets in, and what else it needs to act when this folder is gone. */
static void tell_second(struct verb_call *call, const struct plan *plan) {
    struct buffer *out = &call->out;
    if (plan->second[0] == '\0') {
        buffer_print(out, "%s",
                     plan->second_asked
                         ? ""
                         : "A second lead's station can carry on if this laptop dies: let "
                           "it in with admit --role lead, and keep a recovery file "
                           "(event recovery).\n");
        return;
    }
    buffer_print(out, "To let \"");
    show_plain(out, slice_text(plan->second));
    buffer_print(out, "\" in as the second lead:\n  on its laptop  bibweave join --name \"");
    show_plain(out, slice_text(plan->second));
    buffer_print(out,
                 "\" --request FILE\n"
                 "  here           bibweave admit FILE --role lead --out GRANT\n"
                 "  on its laptop  bibweave join --grant GRANT\n"
                 "With a recovery file (bibweave event recovery --out FILE) it can also let in "
                 "and put out leads:\n"
                 "  on its laptop  bibweave event restore-root --from FILE\n");
}

static void tell(struct verb_call *call, const struct plan *plan) {
    if (call->json) {
        show_json(&call->out,
                  json_pack("{s:o, s:o, s:o, s:b, s:o}", "event",
                            show_hex_json(plan->event.event.bytes, sizeof(plan->event.event.bytes)),
                            "station", show_text_json(plan->station.name), "dir",
                            show_text_json(call->dir), "sealed", plan->root.sealed, "second_lead",
                            plan->second[0] == '\0' ? json_null() : show_text_json(plan->second)));
        return;
    }
    buffer_print(&call->out, "The event \"");
    show_plain(&call->out, plan->found.name);
    buffer_print(&call->out, "\" is made. This station is \"");
    show_plain(&call->out, slice_text(plan->station.name));
    buffer_print(&call->out, "\", its lead, in ");
    show_plain(&call->out, slice_text(call->dir));
    buffer_print(&call->out,
                 ".\nThat folder holds the event's key%s: keep it, and keep it to "
                 "yourself.\n",
                 plan->root.sealed ? ", sealed with the passphrase" : "");
    tell_second(call, plan);
}

/* In memory that is wiped when it is freed, since it holds the keys. */
void verb_event_new(struct verb_call *call) {
    struct options options;
    struct error err;
    struct plan *plan = sodium_malloc(sizeof(*plan));
    if (plan == NULL) {
        error_set(&err, ERR_MEMORY, "event");
        verb_fail(call, &err);
        return;
    }
    memset(plan, 0, sizeof(*plan));
    buffer_init(&plan->body);
    enum error_code code = parts_words(call, "event new", 0, 0, "", &options, &err);
    if (code == ERR_OK) {
        code = read_plan(&options, plan, &err);
    }
    if (code == ERR_OK) { /* before anything is asked */
        code = files_folder_free(call->dir, &err);
    }
    if (code == ERR_OK) {
        code = read_second(call, &options, plan, &err);
    }
    if (code == ERR_OK) {
        code = seal_root(call, &options, plan, &err);
    }
    if (code == ERR_OK) {
        code = make_folder(call->dir, plan, &err);
    }
    if (code == ERR_OK) {
        tell(call, plan);
    } else {
        verb_fail(call, &err);
    }
    buffer_release(&plan->body);
    sodium_free(plan);
    options_release(&options);
}
