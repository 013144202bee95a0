/*
 * ticket_file.c: see ticket_file.h.
 */
#include "node/ticket_file.h"

#include <arpa/inet.h>
#include <stdio.h>
#include <string.h>

#include "node/show.h"

static const char first_line[] = "bibweave ticket 1";

bool ticket_place(const struct ticket *ticket, struct enter_place *place) {
    char ip[INET6_ADDRSTRLEN];
    place->lead = ticket->lead;
    return inet_ntop(ticket->ipv6 ? AF_INET6 : AF_INET, ticket->ip, ip, sizeof(ip)) != NULL &&
           address_of(ip, ticket->port, &place->address) && !place->address.any &&
           place->address.port != 0;
}

bool ticket_set_address(struct ticket *ticket, const struct address *address) {
    char ip[ADDRESS_TEXT_MAX];
    const char *from = address->text[0] == '[' ? address->text + 1 : address->text;
    const char *to = strrchr(from, address->text[0] == '[' ? ']' : ':');
    if (address->any || address->port == 0 || to == NULL) {
        return false;
    }
    snprintf(ip, sizeof(ip), "%.*s", (int)(to - from), from);
    memset(ticket->ip, 0, sizeof(ticket->ip));
    ticket->ipv6 = address->text[0] == '[';
    ticket->port = address->port;
    return inet_pton(ticket->ipv6 ? AF_INET6 : AF_INET, ip, ticket->ip) == 1;
}

void ticket_file_put(const char *about, const char *text, const struct enter_place *places,
                     size_t count, struct buffer *out) {
    char hex[65];
    buffer_print(out, "%s\nfor: ", first_line);
    show_plain(out, slice_text(about));
    buffer_print(out, "\n");
    ticket_lines(text, "ticket: ", TICKET_GROUPS_MAX, out);
    for (size_t i = 0; i < count; i++) {
        hex_encode(places[i].lead.bytes, sizeof(places[i].lead.bytes), hex);
        buffer_print(out, "lead: %s %s\n", places[i].address.text, hex);
    }
}

/* ---- reading ---- */

struct reading {
    struct ticket *ticket;
    struct enter_place *places;
    size_t max;
    size_t *count;
    bool has_ticket;
};

/* A further way to a lead; a line that is damaged is one way less. */
static void read_lead(struct reading *reading, struct slice line) {
    char text[ADDRESS_TEXT_MAX + 80];
    char address[ADDRESS_TEXT_MAX];
    char hex[65];
    struct error ignored;
    struct enter_place place;
    snprintf(text, sizeof(text), "%.*s", (int)(line.size < sizeof(text) ? line.size : 0),
             (const char *)line.data);
    if (*reading->count < reading->max && sscanf(text, "%63s %64s", address, hex) == 2 &&
        address_parse(address, &place.address, &ignored) == ERR_OK && !place.address.any &&
        place.address.port != 0 &&
        hex_decode(hex, strlen(hex), place.lead.bytes, sizeof(place.lead.bytes))) {
        reading->places[(*reading->count)++] = place;
    }
}

static bool after(struct slice line, const char *word, struct slice *rest) {
    size_t length = strlen(word);
    if (line.size < length || memcmp(line.data, word, length) != 0) {
        return false;
    }
    *rest = slice_trimmed(slice_of(line.data + length, line.size - length));
    return true;
}

static enum error_code read_line(struct reading *reading, struct slice line, struct error *err) {
    struct slice rest;
    if (after(line, "lead:", &rest)) {
        read_lead(reading, rest);
        return ERR_OK;
    }
    if (!after(line, "ticket:", &rest)) {
        return ERR_OK;
    }
    reading->has_ticket = true;
    return ticket_get(rest, reading->ticket, err);
}

static enum error_code read_lines(struct reading *reading, struct slice bytes, struct error *err) {
    enum error_code code = ERR_OK;
    while (code == ERR_OK && bytes.size > 0) {
        const uint8_t *end = memchr(bytes.data, '\n', bytes.size);
        size_t size = end == NULL ? bytes.size : (size_t)(end - bytes.data);
        code = read_line(reading, slice_of(bytes.data, size), err);
        size += end == NULL ? 0 : 1;
        bytes = slice_of(bytes.data + size, bytes.size - size);
    }
    if (code == ERR_OK && !reading->has_ticket) {
        error_set(err, ERR_TRUNCATED, "no line that begins with \"ticket:\"");
        code = error_say(err, "This ticket file is cut off. Copy it again from the lead's laptop.");
    }
    return code;
}

/* A request or a grant is CBOR whose first words say so. */
static bool holds(struct slice bytes, const char *words) {
    size_t size = bytes.size < 64 ? bytes.size : 64;
    return memmem(bytes.data, size, words, strlen(words)) != NULL;
}

enum error_code ticket_file_get(struct slice bytes, struct ticket *ticket,
                                struct enter_place *places, size_t max, size_t *count,
                                struct error *err) {
    struct reading reading = {.ticket = ticket, .places = places, .max = max, .count = count};
    struct slice rest;
    if (bytes.size > 0 && (holds(bytes, "bibweave grant") || holds(bytes, "bibweave request"))) {
        error_set(err, ERR_USAGE, "a grant or a request, where a ticket is wanted");
        return error_say(err, "This file is no ticket: take a grant with join --grant FILE, and a "
                              "request to the lead's station (admit FILE).");
    }
    size_t own = *count;
    bool is_file = after(bytes, first_line, &rest);
    enum error_code code = ERR_OK;
    struct enter_place place;
    if (is_file) {
        *count += own < max ? 1 : 0; /* room for the ticket's own place, in front of the others */
        code = read_lines(&reading, bytes, err);
    } else {
        code = ticket_get(slice_trimmed(bytes), ticket, err);
    }
    if (code != ERR_OK) {
        *count = own;
        return code;
    }
    bool has = ticket_place(ticket, &place) && own < max;
    if (has) {
        places[own] = place;
        *count += is_file ? 0 : 1;
    } else if (is_file && own < max) {
        memmove(&places[own], &places[own + 1], (*count - own - 1) * sizeof(places[0]));
        (*count)--;
    }
    return ERR_OK;
}
