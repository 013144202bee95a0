/*
 * web_check.c: who may ask for what. A web page from elsewhere, open in the same browser, can send
 * requests here; it must get nothing done and learn nothing. Must never look at a body.
 */
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "node/web_internal.h"

/* The names of this node, as a browser here writes them: a name that an outsider's DNS points at
 * 127.0.0.1 is none of them. */
static bool is_our_host(const struct web *web, const char *host) {
    static const char *const names[] = {"127.0.0.1", "localhost", "[::1]"};
    char text[32];
    for (size_t i = 0; host != NULL && i < sizeof names / sizeof names[0]; i++) {
        snprintf(text, sizeof text, "%s:%u", names[i], web->port);
        if (strcasecmp(text, host) == 0) {
            return true;
        }
    }
    return false;
}

/* The page that sends it came from the very host it is sent to. */
static bool is_same_origin(const char *origin, const char *host) {
    static const char scheme[] = "http://";
    return origin != NULL && strncmp(origin, scheme, sizeof scheme - 1) == 0 &&
           strcasecmp(origin + sizeof scheme - 1, host) == 0;
}

static bool is_json(const char *type) {
    static const char json[] = "application/json";
    size_t length = sizeof json - 1;
    return type != NULL && strncasecmp(type, json, length) == 0 &&
           (type[length] == '\0' || type[length] == ';' || type[length] == ' ');
}

/* What browsers say of where a request was made; others say nothing. */
static bool is_from_elsewhere(const char *site) {
    return site != NULL && strcmp(site, "same-origin") != 0 && strcmp(site, "none") != 0;
}

static const char *header(struct MHD_Connection *connection, const char *name) {
    return MHD_lookup_connection_value(connection, MHD_HEADER_KIND, name);
}

static unsigned refuse(unsigned status, const char *because, const char **why) {
    *why = because;
    return status;
}

unsigned web_check(const struct web *web, struct MHD_Connection *connection, const char *method,
                   const char *url, const char **why) {
    const char *host = header(connection, "Host");
    bool post = strcmp(method, "POST") == 0;
    if (!is_our_host(web, host)) {
        return refuse(421, "This address is not one of this station's pages.", why);
    }
    if (!post && strcmp(method, "GET") != 0 && strcmp(method, "HEAD") != 0) {
        return refuse(405, "Pages are read with GET, and acts are done with POST.", why);
    }
    if ((post || strcmp(url, "/events") == 0) &&
        is_from_elsewhere(header(connection, "Sec-Fetch-Site"))) {
        return refuse(403, "Only pages of this station may ask for that.", why);
    }
    if (post && !is_same_origin(header(connection, "Origin"), host)) {
        return refuse(403, "Only pages of this station may do something here.", why);
    }
    if (post && !is_json(header(connection, "Content-Type"))) {
        return refuse(415, "What is asked for has to come as application/json.", why);
    }
    return 0;
}
