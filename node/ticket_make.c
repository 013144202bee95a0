/*
 * ticket_make.c: see ticket_make.h.
 */
#include "node/ticket_make.h"

#include <stdio.h>
#include <string.h>

#include "node/interfaces.h"
#include "node/show.h"

enum { DEFAULT_PORT = 7117 };

bool ticket_may_make(struct verb_call *call) {
    struct pairs_station self;
    struct error err;
    if (!verb_may_write(call, &self)) {
        return false;
    }
    if (self.role == ROLE_LEAD) {
        return true;
    }
    error_set(&err, ERR_NOT_ALLOWED, "this station is no lead");
    error_say(&err, "Only a lead's station makes and cancels tickets. Do it there.");
    verb_fail(call, &err);
    return false;
}

/* ---- places ---- */

struct gathering {
    const struct verb_call *call;
    struct enter_place *places;
    size_t count;
    bool own; /* this lead's, or the others' */
};

static void gather(struct gathering *gathering, const struct address *address,
                   const struct curve_public *lead) {
    for (size_t i = 0; i < gathering->count; i++) {
        if (address_equal(&gathering->places[i].address, address) &&
            ID_EQUAL(gathering->places[i].lead, *lead)) {
            return;
        }
    }
    if (gathering->count < ENTER_PLACES_MAX && !address->any && address->port != 0) {
        gathering->places[gathering->count].lead = *lead;
        gathering->places[gathering->count++].address = *address;
    }
}

static bool gather_station(void *context, const struct pairs_station *station) {
    struct gathering *gathering = context;
    struct error ignored;
    struct address address;
    bool own = ID_EQUAL(station->key, gathering->call->station->keys.sign_public);
    if (own != gathering->own || station->role != ROLE_LEAD || station->dead || station->stolen) {
        return true;
    }
    for (size_t i = 0; i < station->address_count; i++) {
        if (address_parse(station->address[i], &address, &ignored) == ERR_OK) {
            gather(gathering, &address, &station->curve);
        }
    }
    return true;
}

static void gather_interfaces(struct gathering *gathering, uint16_t port) {
    struct interface_address here[INTERFACES_MAX];
    size_t count = interfaces_list(port, here);
    for (size_t i = 0; i < count; i++) {
        gather(gathering, &here[i].address, &gathering->call->station->keys.curve_public);
    }
}

static enum error_code gather_own(struct gathering *gathering, const struct options *options,
                                  struct error *err) {
    struct ledger *ledger = gathering->call->station->ledger;
    const char *given = options_value(options, "--address");
    struct address address;
    enum error_code code = ERR_OK;
    uint16_t port = DEFAULT_PORT;
    gathering->own = true;
    if (given != NULL) {
        code = address_parse(given, &address, err);
        if (code == ERR_OK && (address.any || address.port == 0)) {
            error_set(err, ERR_USAGE, "--address %s", address.text);
            code = error_say(err,
                             "Nobody can be called at %s: --address needs this laptop's own "
                             "address and port.",
                             address.text);
        }
        if (code == ERR_OK) {
            gather(gathering, &address, &gathering->call->station->keys.curve_public);
            port = address.port;
        }
    }
    if (code == ERR_OK) {
        code = pairs_each_station(ledger, gather_station, gathering, err);
    }
    if (code == ERR_OK && given == NULL && gathering->count > 0 &&
        address_parse(gathering->places[0].address.text, &address, err) == ERR_OK) {
        port = address.port;
    }
    if (code == ERR_OK) {
        gather_interfaces(gathering, port);
    }
    if (code == ERR_OK && gathering->count == 0) {
        error_set(err, ERR_USAGE, "no address of this machine");
        code = error_say(err, "It is not known where this laptop will be reached: add --address "
                              "ADDR:PORT.");
    }
    return code;
}

enum error_code ticket_places(struct verb_call *call, const struct options *options,
                              struct enter_place places[ENTER_PLACES_MAX], size_t *count,
                              size_t *own, struct error *err) {
    struct gathering gathering = {.call = call, .places = places};
    enum error_code code = gather_own(&gathering, options, err);
    *own = gathering.count;
    gathering.own = false;
    if (code == ERR_OK) {
        code = pairs_each_station(call->station->ledger, gather_station, &gathering, err);
    }
    *count = gathering.count;
    return code;
}

void ticket_code(const struct enter_place *place, char out[TICKET_TEXT_MAX + 1]) {
    struct ticket code = {.code = true, .lead = place->lead};
    out[0] = '\0';
    if (ticket_set_address(&code, &place->address)) {
        ticket_put(&code, out);
    }
}

void ticket_when(struct wall_ms when, char out[TICKET_WHEN_SIZE]) {
    char text[SHOW_TIME_SIZE];
    show_time(when, (struct wall_ms){0}, text);
    snprintf(out, TICKET_WHEN_SIZE, "%s", text);
}
