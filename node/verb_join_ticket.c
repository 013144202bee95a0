/*
 * verb_join_ticket.c: `join TICKET`: makes this station's keys, asks a lead over the network, and
 * puts what is needed to begin into the folder. Must never make new keys where some are: asking
 * again with the same ones is what makes a lost answer harmless.
 */
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/beacon.h"
#include "node/enter.h"
#include "node/join.h"
#include "node/known.h"
#include "node/ticket_file.h"

enum { TICKET_FILE_MAX = 65536 };

struct entering {
    struct enter_config config;
    struct ticket ticket;
    struct parts_addresses addresses;
    struct enter *enter;
    struct enter_granted granted;
};

/* ---- the ticket ---- */

/* All words together, for who did not put the groups in quotes. */
static void join_words(const struct options *options, struct buffer *out) {
    for (size_t i = 0; i < options->rest_count; i++) {
        buffer_print(out, "%s%s", i == 0 ? "" : " ", options->rest[i]);
    }
}

static enum error_code read_file(const char *path, struct buffer *out, struct error *err) {
    enum error_code code = files_read(path, TICKET_FILE_MAX, out, err);
    if (code == ERR_LIMIT) {
        error_say(err, "This file is no ticket: it is far too large.");
    }
    return code;
}

static enum error_code read_ticket(struct verb_call *call, const struct options *options,
                                   struct entering *of, struct error *err) {
    char path[FILES_PATH_MAX];
    struct error ignored;
    struct buffer text;
    enum error_code code = ERR_OK;
    buffer_init(&text);
    bool is_file = options->rest_count == 1 &&
                   files_path(call->cwd, options->rest[0], path, &ignored) == ERR_OK &&
                   files_exists(path);
    if (is_file) {
        code = read_file(path, &text, err);
    } else {
        join_words(options, &text);
        code = text.failed ? error_set(err, ERR_MEMORY, "ticket") : ERR_OK;
    }
    if (code == ERR_OK) {
        code = ticket_file_get(buffer_slice(&text), &of->ticket, of->config.place, ENTER_PLACES_MAX,
                               &of->config.place_count, err);
        if (code != ERR_OK && !is_file && options->rest_count == 1 &&
            strpbrk(options->rest[0], "/.") != NULL) {
            error_set(err, ERR_USAGE, "no file %.200s", options->rest[0]);
            error_say(err, "There is no file %.200s, and it is no ticket's text either.",
                      options->rest[0]);
        }
    }
    if (code == ERR_OK && of->ticket.code) {
        error_set(err, ERR_USAGE, "a lead's code, where a ticket is wanted");
        code =
            error_say(err, "This is a lead's code and no ticket: it goes behind --lead, beside a "
                           "ticket.");
    }
    if (text.data != NULL) {
        sodium_memzero(text.data, text.capacity);
    }
    buffer_release(&text);
    return code;
}

/* ---- where to call ---- */

static void add_place(struct enter_place *places, size_t *count, const struct enter_place *place) {
    for (size_t i = 0; i < *count; i++) {
        if (ID_EQUAL(places[i].lead, place->lead) &&
            address_equal(&places[i].address, &place->address)) {
            return;
        }
    }
    if (*count < ENTER_PLACES_MAX) {
        places[(*count)++] = *place;
    }
}

/* The leads in the order in which they are to be asked: --lead, then the ticket's, then the file's
 * others; and each of them first where --peer says. */
static enum error_code order_places(const struct options *options, struct entering *of,
                                    struct error *err) {
    struct enter_place named[ENTER_PLACES_MAX];
    struct enter_place all[ENTER_PLACES_MAX];
    size_t named_count = 0;
    size_t count = 0;
    struct ticket code_ticket;
    const char *text = options_value(options, "--lead");
    if (text != NULL) {
        enum error_code code = ticket_get(slice_text(text), &code_ticket, err);
        if (code != ERR_OK) {
            return error_while(err, "--lead");
        }
        if (!code_ticket.code || !ticket_place(&code_ticket, &named[0])) {
            error_set(err, ERR_USAGE, "--lead is no lead's code");
            return error_say(err, "Behind --lead goes a lead's code, as `ticket lead` shows it on "
                                  "that lead's laptop.");
        }
        named_count = 1;
    }
    for (size_t i = 0; i < of->config.place_count; i++) {
        add_place(named, &named_count, &of->config.place[i]);
    }
    if (named_count == 0) { /* a ticket without an address: its key at least is known */
        named[named_count++] = (struct enter_place){.lead = of->ticket.lead};
    }
    for (size_t i = 0; (text = options_value_at(options, "--peer", i)) != NULL; i++) {
        struct enter_place place;
        enum error_code code = address_parse(text, &place.address, err);
        if (code != ERR_OK) {
            return code;
        }
        for (size_t n = 0; n < named_count; n++) {
            place.lead = named[n].lead;
            add_place(all, &count, &place);
        }
    }
    for (size_t n = 0; n < named_count; n++) {
        if (named[n].address.port != 0) {
            add_place(all, &count, &named[n]);
        }
    }
    memcpy(of->config.place, all, count * sizeof(all[0]));
    of->config.place_count = count;
    return count > 0 ? ERR_OK : error_set(err, ERR_USAGE, "no address of a lead");
}

/* ---- the folder ---- */

static enum error_code has_station(const char *name, struct error *err) {
    error_set(err, ERR_EXISTS, "a station's ledger is in the folder");
    return name[0] == '\0'
               ? error_say(err,
                           "This folder has joined an event already: start it with `run`. To join "
                           "another one, give another folder (--dir).")
               : error_say(
                     err,
                     "This folder has joined already, as %.100s: start it with `run`. To join "
                     "another event, give another folder (--dir).",
                     name);
}

/* Keys that are there and have no records yet are used again. */
static enum error_code take_keys(struct verb_call *call, const char *name, struct joining *join,
                                 struct error *err) {
    enum error_code code = files_inside(call->dir, "station.key", join->key_path, err);
    if (code == ERR_OK) {
        code = files_inside(call->dir, "ledger.db", join->ledger_path, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    if (!files_exists(join->key_path)) {
        code = files_exists(join->ledger_path)
                   ? has_station("", err)
                   : join_make_station(call->dir, name == NULL ? "" : name, &join->key, err);
    } else {
        code = files_folder_check(call->dir, err);
        if (code == ERR_OK) {
            code = keyfile_read(join->key_path, KEYFILE_STATION, &join->key, err);
        }
        if (code == ERR_OK && files_exists(join->ledger_path)) {
            code = has_station(join->key.name, err);
        }
    }
    if (code == ERR_OK) {
        keyfile_keys(&join->key, &join->keys);
    }
    return code;
}

static enum error_code fetch(struct ledger *ledger, const struct joining *join, void *context,
                             struct error *err) {
    struct entering *of = context;
    (void)join;
    return enter_fetch(of->enter, ledger, &of->granted.last, err);
}

/* Where the lead was reached is where `run` calls first. */
static void remember(const struct verb_call *call, const struct enter_place *place) {
    struct known known;
    known_load(&known, call->dir);
    known_put(&known, &place->address, &place->lead);
}

static enum error_code settle_in(struct verb_call *call, struct entering *of, struct joining *join,
                                 struct error *err) {
    if (join->key.has_event && !ID_EQUAL(join->key.event.event, of->granted.event.event)) {
        error_set(err, ERR_FOREIGN, "the keys in the folder are of another event");
        return error_say(err, "This folder belongs to a station of another event. Give another "
                              "folder (--dir) to join with.");
    }
    join->event = of->granted.event;
    if (of->granted.name[0] != '\0') {
        snprintf(join->key.name, sizeof(join->key.name), "%s", of->granted.name);
    }
    enum error_code code = join_make_ledger(call->dir, join, fetch, of, err);
    if (code == ERR_OK) {
        remember(call, &of->granted.place);
        code = join_first_start(call, err);
    }
    return code;
}

static enum error_code prepare(struct verb_call *call, const struct options *options,
                               struct entering *of, struct error *err) {
    const char *name = options_value(options, "--name");
    struct record_admit addresses = {0};
    enum error_code code = read_ticket(call, options, of, err);
    if (code == ERR_OK) {
        code = order_places(options, of, err);
    }
    if (code == ERR_OK && name != NULL) {
        code = options_text("--name", name, RECORD_TEXT_MAX, err);
    }
    if (code == ERR_OK) {
        code = beacon_option(options_value(options, "--beacon"), &of->config.beacon_port, err);
    }
    if (code == ERR_OK) {
        code = parts_addresses(options, &of->addresses, &addresses, err);
    }
    of->config.ask.name = slice_text(name == NULL ? "" : name);
    of->config.ask.address_count = addresses.address_count;
    memcpy(of->config.ask.address, addresses.address, sizeof(addresses.address));
    return code;
}

enum error_code join_with_ticket(struct verb_call *call, const struct options *options,
                                 struct joining *join, struct error *err) {
    struct entering *of = calloc(1, sizeof(*of));
    if (of == NULL) {
        return error_set(err, ERR_MEMORY, "joining");
    }
    enum error_code code = prepare(call, options, of, err);
    if (code == ERR_OK) {
        code = take_keys(call, options_value(options, "--name"), join, err);
    }
    if (code == ERR_OK) {
        of->config.keys = join->keys;
        of->config.ask.key = join->keys.sign_public;
        memcpy(of->config.ask.secret, of->ticket.secret, sizeof(of->ticket.secret));
        code = enter_ask(&of->config, &of->enter, &of->granted, err);
    }
    if (code == ERR_OK) {
        code = settle_in(call, of, join, err);
    }
    enter_free(of->enter);
    sodium_memzero(of, sizeof(*of));
    free(of);
    return code;
}
