/*
 * address.c: reading and writing "ADDR:PORT". It must never look a name up.
 */
#include "node/address.h"

#include <arpa/inet.h>
#include <stdio.h>
#include <string.h>

static bool set_ipv4(const struct in_addr *ip, struct address *out) {
    char text[INET_ADDRSTRLEN];
    if (inet_ntop(AF_INET, ip, text, sizeof text) == NULL) {
        return false;
    }
    out->any = ip->s_addr == 0;
    snprintf(out->text, sizeof out->text, "%s:%u", text, out->port);
    return true;
}

static bool set_ipv6(const struct in6_addr *ip, struct address *out) {
    char text[INET6_ADDRSTRLEN];
    if (IN6_IS_ADDR_V4MAPPED(ip)) {
        struct in_addr inner;
        memcpy(&inner, &ip->s6_addr[12], sizeof inner);
        return set_ipv4(&inner, out);
    }
    if (inet_ntop(AF_INET6, ip, text, sizeof text) == NULL) {
        return false;
    }
    out->any = IN6_IS_ADDR_UNSPECIFIED(ip);
    snprintf(out->text, sizeof out->text, "[%s]:%u", text, out->port);
    return true;
}

bool address_of(const char *ip, uint16_t port, struct address *out) {
    struct in_addr four;
    struct in6_addr six;
    *out = (struct address){.port = port};
    if (inet_pton(AF_INET, ip, &four) == 1) {
        return set_ipv4(&four, out);
    }
    return inet_pton(AF_INET6, ip, &six) == 1 && set_ipv6(&six, out);
}

static bool read_port(const char *text, uint16_t *port) {
    unsigned value = 0;
    size_t length = strlen(text);
    if (length == 0 || length > 5) {
        return false;
    }
    for (size_t i = 0; i < length; i++) {
        if (text[i] < '0' || text[i] > '9') {
            return false;
        }
        value = value * 10 + (unsigned)(text[i] - '0');
    }
    *port = (uint16_t)value;
    return value <= UINT16_MAX;
}

/* Splits at the last colon; an IPv6 address must stand in brackets, or the port could not be told
 * from its last group. */
static bool split(const char *text, char *ip, size_t ip_size, uint16_t *port) {
    const char *colon = strrchr(text, ':');
    if (colon == NULL || !read_port(colon + 1, port)) {
        return false;
    }
    const char *from = text;
    const char *to = colon;
    if (*from == '[' && to > from + 1 && to[-1] == ']') {
        from++;
        to--;
    } else if (memchr(text, ':', (size_t)(colon - text)) != NULL) {
        return false;
    }
    size_t length = (size_t)(to - from);
    if (length == 0 || length >= ip_size) {
        return false;
    }
    memcpy(ip, from, length);
    ip[length] = 0;
    return true;
}

enum error_code address_parse(const char *text, struct address *out, struct error *err) {
    static const char prefix[] = "tcp://";
    char ip[ADDRESS_TEXT_MAX];
    uint16_t port = 0;
    const char *from = strncmp(text, prefix, strlen(prefix)) == 0 ? text + strlen(prefix) : text;
    bool good = split(from, ip, sizeof ip, &port);
    if (good && strcmp(ip, "localhost") == 0) {
        strcpy(ip, "127.0.0.1");
    } else if (good && strcmp(ip, "*") == 0) {
        strcpy(ip, "::");
    }
    if (good && address_of(ip, port, out)) {
        return ERR_OK;
    }
    error_set(err, ERR_USAGE, "\"%.80s\"", text);
    return error_say(err,
                     "An address is written in numbers, as 192.0.2.7:7117 or "
                     "[2001:db8::7]:7117; \"%.80s\" is not one.",
                     text);
}

bool address_equal(const struct address *a, const struct address *b) {
    return strcmp(a->text, b->text) == 0;
}

bool address_loopback(const struct address *address) {
    return strncmp(address->text, "127.", 4) == 0 || strncmp(address->text, "[::1]:", 6) == 0;
}
