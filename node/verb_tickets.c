/*
 * verb_tickets.c: `ticket list`, `ticket cancel` and `ticket lead`: what has become of tickets,
 * taking one back, and how another lead is asked with them.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "node/qr.h"
#include "node/show.h"
#include "node/ticket_make.h"

/* ---- list ---- */

static const char *state_name(const struct pairs_ticket *ticket, struct wall_ms now) {
    return ticket->used > 0               ? "used"
           : ticket->cancelled            ? "cancelled"
           : now.ms >= ticket->expires.ms ? "expired"
                                          : "open";
}

struct listing {
    struct verb_call *call;
    struct wall_ms now;
    json_t *array;
    size_t count;
};

static bool list_json(void *context, const struct pairs_ticket *ticket) {
    struct listing *listing = context;
    const char *state = state_name(ticket, listing->now);
    bool used = ticket->used > 0;
    char numbers[400] = "";
    if (ticket->bibs.count > 0) {
        bib_ranges_text(&ticket->bibs, numbers, sizeof(numbers));
    }
    json_array_append_new(
        listing->array,
        json_pack("{s:o, s:o, s:s, s:s, s:s, s:o, s:o, s:o, s:o, s:o}", "name",
                  show_text_json(ticket->name), "id",
                  show_hex_json(ticket->id.bytes, sizeof(ticket->id.bytes)), "state", state, "role",
                  ticket->role == ROLE_READER ? "reader" : "table", "bibs", numbers, "made",
                  show_time_json(ticket->made), "expires", show_time_json(ticket->expires),
                  "used_by", used ? show_text_json(ticket->used_name) : json_null(), "used_at",
                  used ? show_time_json(ticket->used_at) : json_null(), "cancelled_at",
                  ticket->cancelled ? show_time_json(ticket->cancelled_at) : json_null()));
    return true;
}

static bool list_text(void *context, const struct pairs_ticket *ticket) {
    struct listing *listing = context;
    struct buffer *out = &listing->call->out;
    char when[SHOW_TIME_SIZE];
    char hex[2 * sizeof(ticket->id.bytes) + 1];
    char numbers[400] = "";
    hex_encode(ticket->id.bytes, sizeof(ticket->id.bytes), hex);
    show_plain(out, slice_text(ticket->name));
    if (ticket->used > 0) {
        show_time(ticket->used_at, listing->now, when);
        buffer_print(out, ": used by ");
        show_plain(out, slice_text(ticket->used_name));
        buffer_print(out, ", %s", when);
    } else if (ticket->cancelled) {
        show_time(ticket->cancelled_at, listing->now, when);
        buffer_print(out, ": cancelled, %s", when);
    } else {
        ticket_when(ticket->expires, when);
        buffer_print(out,
                     listing->now.ms >= ticket->expires.ms ? ": over since %s" : ": open, until %s",
                     when);
    }
    if (ticket->bibs.count > 0) {
        bib_ranges_text(&ticket->bibs, numbers, sizeof(numbers));
        buffer_print(out, "; bibs %s", numbers);
    }
    buffer_print(out, "  (%s)\n", hex);
    listing->count++;
    return true;
}

void verb_ticket_list(struct verb_call *call) {
    struct options options;
    struct error err;
    struct listing listing = {.call = call, .now = station_wall()};
    enum error_code code = parts_words(call, "ticket list", 0, 0, "", &options, &err);
    if (code == ERR_OK && call->json) {
        listing.array = json_array();
        code = pairs_each_ticket(call->station->ledger, list_json, &listing, &err);
        if (code == ERR_OK) {
            show_json(&call->out, json_pack("{s:O}", "tickets", listing.array));
        }
        json_decref(listing.array);
    } else if (code == ERR_OK) {
        code = pairs_each_ticket(call->station->ledger, list_text, &listing, &err);
        if (code == ERR_OK && listing.count == 0) {
            buffer_print(&call->out, "There are no tickets yet.\n");
        }
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    options_release(&options);
}

/* ---- cancel ---- */

/* The ticket that was meant: by the beginning of its id, or by name, where open ones go before
 * others, and of two open ones with one name neither is meant. */
struct meaning {
    const char *word;
    struct wall_ms now;
    size_t open, other;
    struct pairs_ticket ticket;
};

static bool means(const struct meaning *meaning, const struct pairs_ticket *ticket) {
    char hex[2 * sizeof(ticket->id.bytes) + 1];
    size_t length = strlen(meaning->word);
    hex_encode(ticket->id.bytes, sizeof(ticket->id.bytes), hex);
    return strcasecmp(meaning->word, ticket->name) == 0 ||
           (length >= 4 && length <= strlen(hex) && strncasecmp(meaning->word, hex, length) == 0);
}

static bool look_for(void *context, const struct pairs_ticket *ticket) {
    struct meaning *meaning = context;
    if (!means(meaning, ticket)) {
        return true;
    }
    bool open = strcmp(state_name(ticket, meaning->now), "open") == 0;
    if (open || meaning->open == 0) {
        meaning->ticket = *ticket;
    }
    *(open ? &meaning->open : &meaning->other) += 1;
    return true;
}

static enum error_code find_open(struct verb_call *call, struct meaning *meaning,
                                 struct error *err) {
    char name[RECORD_TEXT_MAX + 1];
    enum error_code code = pairs_each_ticket(call->station->ledger, look_for, meaning, err);
    if (code != ERR_OK || meaning->open == 1) {
        return code;
    }
    show_plain_text(meaning->ticket.used_name, name, sizeof(name));
    if (meaning->open > 1) {
        error_set(err, ERR_USAGE, "%zu tickets", meaning->open);
        return error_say(err,
                         "Several tickets are called %.100s. Say which by its number, as "
                         "ticket list shows it.",
                         meaning->word);
    }
    if (meaning->other == 0) {
        error_set(err, ERR_NOT_FOUND, "no such ticket");
        return error_say(err, "There is no ticket for %.100s. See ticket list.", meaning->word);
    }
    error_set(err, ERR_NOT_ALLOWED, "the ticket is %s", state_name(&meaning->ticket, meaning->now));
    if (meaning->ticket.used > 0) {
        return error_say(err,
                         "That ticket was used already, by %.100s. To put that station out, retire "
                         "it.",
                         name);
    }
    return error_say(err, "That ticket is %s already; nobody can join with it.",
                     meaning->ticket.cancelled ? "cancelled" : "over");
}

static enum error_code write_cancel(struct verb_call *call, const struct ticket_id *id,
                                    const char *reason, struct error *err) {
    struct record_cancel cancel = {
        .ticket_count = 1, .ticket = {*id}, .reason = slice_text(reason)};
    struct record_id unused;
    struct buffer body;
    buffer_init(&body);
    record_cancel_write(&cancel, &body);
    enum error_code code = body.failed ? error_set(err, ERR_MEMORY, "cancel")
                                       : station_append(call->station, RECORD_CANCEL,
                                                        buffer_slice(&body), &unused, err);
    buffer_release(&body);
    return code;
}

void verb_ticket_cancel(struct verb_call *call) {
    struct options options;
    struct error err;
    const char *reason = "";
    struct meaning *meaning = parts_room(call, sizeof(*meaning));
    if (meaning == NULL) {
        return;
    }
    enum error_code code =
        parts_words(call, "ticket cancel", 1, 1, "whose ticket, by name or number", &options, &err);
    if (code == ERR_OK) {
        code = parts_text(&options, "--reason", RECORD_TEXT_MAX, &reason, &err);
    }
    bool may = code != ERR_OK || ticket_may_make(call);
    if (code == ERR_OK && may) {
        meaning->word = options.rest[0];
        meaning->now = station_wall();
        code = find_open(call, meaning, &err);
        if (code == ERR_OK) {
            code = write_cancel(call, &meaning->ticket.id, reason, &err);
        }
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    } else if (may && call->json) {
        show_json(
            &call->out,
            json_pack("{s:o, s:o}", "name", show_text_json(meaning->ticket.name), "id",
                      show_hex_json(meaning->ticket.id.bytes, sizeof(meaning->ticket.id.bytes))));
    } else if (may) {
        buffer_print(&call->out, "The ticket for ");
        show_plain(&call->out, slice_text(meaning->ticket.name));
        buffer_print(&call->out, " lets nobody in any more. A lead who is not connected hears of "
                                 "it later.\n");
    }
    free(meaning);
    options_release(&options);
}

/* ---- lead ---- */

void verb_ticket_lead(struct verb_call *call) {
    struct options options;
    struct error err;
    struct enter_place place[ENTER_PLACES_MAX];
    size_t count = 0;
    size_t own = 0;
    char text[TICKET_TEXT_MAX + 1] = "";
    enum error_code code = parts_words(call, "ticket lead", 0, 0, "", &options, &err);
    bool may = code != ERR_OK || ticket_may_make(call);
    if (code == ERR_OK && may) {
        code = ticket_places(call, &options, place, &count, &own, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    } else if (may) {
        ticket_code(&place[0], text);
        if (call->json) {
            show_json(&call->out,
                      json_pack("{s:o, s:s, s:s}", "station", show_text_json(call->station->name),
                                "text", text, "address", place[0].address.text));
        } else {
            struct qr qr;
            struct error ignored;
            if (qr_make(text, &qr, &ignored) == ERR_OK) {
                qr_terminal(&qr, &call->out);
                qr_release(&qr);
            }
            ticket_lines(text, "    ", 5, &call->out);
            buffer_print(&call->out,
                         "This is the code of this laptop, at %s. With a ticket of another lead of "
                         "the event,\nwhose laptop is dead: bibweave join TICKET --lead \"CODE\"\n",
                         place[0].address.text);
        }
    }
    options_release(&options);
}
