/*
 * beacon.c: see beacon.h.
 * Must never act on a beacon that no admitted station signed, nor work more for a flood of them
 * than for a few.
 */
#include "node/beacon.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <sodium.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "common/canon.h"
#include "node/interfaces.h"

enum {
    VERSION = 1,
    FIRST_MS = 200,
    JITTER_MS = 1000,
    LISTEN_MAX = 8,
    READ_MAX = 64,    /* messages read in one turn */
    VERIFY_RATE = 50, /* signatures looked at in a second, and at once */
    HEARD_AGAIN_MS = 1000,
    HOPS = 1,
};
/* IPv4 local scope (RFC 2365), IPv6 transient and link-local (RFC 4291, 2.7). */
static const char group4[] = "239.255.71.17";
static const char group6[] = "ff12::6269:6277";

/* ---- the message ---- */

struct beacon_who beacon_who(const struct curve_public *curve) {
    static const char purpose[] = "bibweave beacon";
    struct beacon_who who;
    crypto_generichash(who.bytes, sizeof(who.bytes), curve->bytes, sizeof(curve->bytes),
                       (const unsigned char *)purpose, sizeof(purpose));
    return who;
}

static void event_mark(const struct event_id *event, uint8_t mark[8]) {
    static const char purpose[] = "bibweave beacon";
    uint8_t hash[16];
    crypto_generichash(hash, sizeof(hash), (const unsigned char *)purpose, sizeof(purpose),
                       event->bytes, sizeof(event->bytes));
    memcpy(mark, hash, 8);
}

static void put_signed(const struct event_id *event, const struct beacon_who *who, uint16_t port,
                       struct buffer *out) {
    canon_put_array(out, 4);
    canon_put_text(out, slice_text("bibweave beacon"));
    canon_put_bytes(out, slice_of(event->bytes, sizeof(event->bytes)));
    canon_put_bytes(out, slice_of(who->bytes, sizeof(who->bytes)));
    canon_put_uint(out, port);
}

void beacon_put(const struct event_id *event, const struct station_keys *keys, uint16_t port,
                struct buffer *out) {
    struct buffer signed_;
    struct beacon_who who = beacon_who(&keys->curve_public);
    uint8_t mark[8];
    uint8_t signature[64];
    buffer_init(&signed_);
    put_signed(event, &who, port, &signed_);
    if (signed_.failed) {
        out->failed = true;
    } else {
        identity_sign(&keys->sign_secret, buffer_slice(&signed_), signature);
        event_mark(event, mark);
        canon_put_array(out, 5);
        canon_put_uint(out, VERSION);
        canon_put_bytes(out, slice_of(mark, sizeof(mark)));
        canon_put_bytes(out, slice_of(who.bytes, sizeof(who.bytes)));
        canon_put_uint(out, port);
        canon_put_bytes(out, slice_of(signature, sizeof(signature)));
    }
    buffer_release(&signed_);
}

bool beacon_get(struct slice bytes, struct beacon_said *said) {
    struct canon_reader reader = canon_read(bytes);
    size_t fields = 0;
    uint64_t version = 0;
    uint64_t port = 0;
    bool good = bytes.size <= BEACON_SIZE_MAX && canon_get_array(&reader, &fields) && fields == 5 &&
                canon_get_uint(&reader, &version) && version == VERSION &&
                canon_get_exact(&reader, said->event, sizeof(said->event)) &&
                canon_get_exact(&reader, said->who.bytes, sizeof(said->who.bytes)) &&
                canon_get_uint(&reader, &port) && port >= 1 && port <= UINT16_MAX &&
                canon_get_exact(&reader, said->signature, sizeof(said->signature)) &&
                canon_done(&reader);
    said->port = (uint16_t)port;
    return good;
}

bool beacon_verify(const struct beacon_said *said, const struct event_id *event,
                   const struct sign_public *key) {
    struct buffer signed_;
    uint8_t mark[8];
    event_mark(event, mark);
    if (memcmp(mark, said->event, sizeof(mark)) != 0) {
        return false;
    }
    buffer_init(&signed_);
    put_signed(event, &said->who, said->port, &signed_);
    bool good = !signed_.failed && identity_verify(key, buffer_slice(&signed_), said->signature);
    buffer_release(&signed_);
    return good;
}

/* ---- ears ---- */

static bool set_int(int fd, int level, int name, int value) {
    return setsockopt(fd, level, name, &value, sizeof(value)) == 0;
}

/* Other stations on this machine listen at the same port: what goes to a group or to all reaches
 * each of them. */
static int open_socket(int family, uint16_t port) {
    struct sockaddr_in four = {.sin_family = AF_INET, .sin_port = htons(port)};
    struct sockaddr_in6 six = {.sin6_family = AF_INET6, .sin6_port = htons(port)};
    int fd = socket(family, SOCK_DGRAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (fd < 0) {
        return -1;
    }
    bool good = set_int(fd, SOL_SOCKET, SO_REUSEADDR, 1);
    if (family == AF_INET) {
        good = good && set_int(fd, SOL_SOCKET, SO_BROADCAST, 1) &&
               set_int(fd, IPPROTO_IP, IP_MULTICAST_TTL, HOPS) &&
               bind(fd, (const struct sockaddr *)&four, sizeof(four)) == 0;
    } else {
        good = good && set_int(fd, IPPROTO_IPV6, IPV6_V6ONLY, 1) &&
               set_int(fd, IPPROTO_IPV6, IPV6_MULTICAST_HOPS, HOPS) &&
               bind(fd, (const struct sockaddr *)&six, sizeof(six)) == 0;
    }
    if (!good) {
        close(fd);
        return -1;
    }
    return fd;
}

bool beacon_ears_open(uint16_t port, struct beacon_ears *ears) {
    ears->port = port;
    ears->ipv4 = open_socket(AF_INET, port);
    ears->ipv6 = open_socket(AF_INET6, port);
    if (ears->ipv4 < 0 && ears->ipv6 < 0) {
        return false;
    }
    beacon_ears_join(ears);
    return true;
}

void beacon_ears_close(struct beacon_ears *ears) {
    if (ears->ipv4 >= 0) {
        close(ears->ipv4);
    }
    if (ears->ipv6 >= 0) {
        close(ears->ipv6);
    }
    ears->ipv4 = ears->ipv6 = -1;
}

/* Joining a group twice is refused, and harmless. */
void beacon_ears_join(const struct beacon_ears *ears) {
    struct interface_address here[INTERFACES_MAX];
    size_t count = interfaces_list(ears->port, here);
    for (size_t i = 0; i < count; i++) {
        if (here[i].ipv6) {
            struct ipv6_mreq six = {.ipv6mr_interface = here[i].index};
            inet_pton(AF_INET6, group6, &six.ipv6mr_multiaddr);
            setsockopt(ears->ipv6, IPPROTO_IPV6, IPV6_ADD_MEMBERSHIP, &six, sizeof(six));
        } else {
            struct ip_mreqn four = {.imr_ifindex = (int)here[i].index};
            inet_pton(AF_INET, group4, &four.imr_multiaddr);
            setsockopt(ears->ipv4, IPPROTO_IP, IP_ADD_MEMBERSHIP, &four, sizeof(four));
        }
    }
}

static bool sender(const struct sockaddr_storage *from, uint16_t port, struct address *address) {
    char text[INET6_ADDRSTRLEN];
    struct sockaddr_in four;
    struct sockaddr_in6 six;
    memcpy(&four, from, sizeof(four));
    memcpy(&six, from, sizeof(six));
    if (from->ss_family == AF_INET) {
        return inet_ntop(AF_INET, &four.sin_addr, text, sizeof(text)) != NULL &&
               address_of(text, port, address);
    }
    return from->ss_family == AF_INET6 && !IN6_IS_ADDR_LINKLOCAL(&six.sin6_addr) &&
           inet_ntop(AF_INET6, &six.sin6_addr, text, sizeof(text)) != NULL &&
           address_of(text, port, address);
}

/* 1: a message, 0: one that is none, -1: nothing waits. */
static int hear(int fd, struct beacon_said *said, struct address *address) {
    uint8_t bytes[BEACON_SIZE_MAX + 1];
    struct sockaddr_storage from;
    socklen_t size = sizeof(from);
    memset(&from, 0, sizeof(from));
    ssize_t got =
        fd < 0 ? -1
               : recvfrom(fd, bytes, sizeof(bytes), MSG_DONTWAIT, (struct sockaddr *)&from, &size);
    if (got < 0) {
        return -1;
    }
    return beacon_get(slice_of(bytes, (size_t)got), said) && sender(&from, said->port, address);
}

bool beacon_ears_next(const struct beacon_ears *ears, struct beacon_said *said,
                      struct address *address) {
    const int fds[] = {ears->ipv4, ears->ipv6};
    for (int i = 0; i < 2; i++) {
        int heard = 0;
        for (int read = 0; heard == 0 && read < READ_MAX; read++) {
            heard = hear(fds[i], said, address);
        }
        if (heard > 0) {
            return true;
        }
    }
    return false;
}

enum error_code beacon_option(const char *value, uint16_t *port, struct error *err) {
    char *end = NULL;
    *port = BEACON_PORT;
    if (value == NULL || strcmp(value, "off") == 0) {
        *port = value == NULL ? BEACON_PORT : 0;
        return ERR_OK;
    }
    unsigned long number = strtoul(value, &end, 10);
    if (value[0] >= '0' && value[0] <= '9' && *end == '\0' && number >= 1 && number <= UINT16_MAX) {
        *port = (uint16_t)number;
        return ERR_OK;
    }
    error_set(err, ERR_USAGE, "--beacon %.60s", value);
    return error_say(err, "--beacon takes the number of a UDP port, or off.");
}

/* ---- a station's beacon ---- */

struct station {
    struct beacon_station known;
    struct beacon_who who;
    struct address last; /* where it was heard; not looked at again from there before `again` */
    struct mono_ms again;
};
struct beacon {
    struct event_id event;
    struct station_keys keys;
    struct beacon_who own;
    uint8_t seed[32];
    uint64_t drawn;
    size_t listen_count;
    struct address listen[LISTEN_MAX];
    struct beacon_ears ears;
    struct mono_ms due;
    int64_t allowed; /* signatures that may be looked at, in thousandths */
    struct mono_ms allowed_at;
    int read; /* messages in this turn */
    size_t station_count;
    struct station *station;
};

static bool only_this_machine(const struct beacon_config *config) {
    for (size_t i = 0; i < config->listen_count; i++) {
        if (!address_loopback(&config->listen[i])) {
            return false;
        }
    }
    return true;
}

enum error_code beacon_open(const struct beacon_config *config, struct beacon **out,
                            struct error *err) {
    *out = NULL;
    if (only_this_machine(config)) {
        return ERR_OK;
    }
    struct beacon *beacon = calloc(1, sizeof(*beacon));
    if (beacon == NULL) {
        return error_set(err, ERR_MEMORY, "beacon");
    }
    if (!beacon_ears_open(config->port, &beacon->ears)) {
        free(beacon);
        error_set(err, ERR_SOCKET, "UDP port %u: %s", config->port, strerror(errno));
        return error_say(err, "Stations on this network are not found by themselves, because "
                              "another program has the port; give one address with --peer.");
    }
    beacon->event = config->event;
    beacon->keys = config->keys;
    beacon->own = beacon_who(&config->keys.curve_public);
    memcpy(beacon->seed, config->seed, sizeof(beacon->seed));
    beacon->listen_count = config->listen_count < LISTEN_MAX ? config->listen_count : LISTEN_MAX;
    memcpy(beacon->listen, config->listen, beacon->listen_count * sizeof(beacon->listen[0]));
    beacon->allowed = (int64_t)VERIFY_RATE * 1000;
    beacon->due.ms = 0; /* set at the first step */
    *out = beacon;
    return ERR_OK;
}

void beacon_close(struct beacon *beacon) {
    if (beacon != NULL) {
        beacon_ears_close(&beacon->ears);
        sodium_memzero(&beacon->keys, sizeof(beacon->keys));
        free(beacon->station);
        free(beacon);
    }
}

void beacon_stations(struct beacon *beacon, const struct beacon_station *stations, size_t count) {
    if (beacon == NULL) {
        return;
    }
    count = count < BEACON_STATIONS_MAX ? count : BEACON_STATIONS_MAX;
    struct station *fresh = calloc(count + 1, sizeof(*fresh));
    if (fresh == NULL) {
        return; /* those of before; the next change tries again */
    }
    for (size_t i = 0; i < count; i++) {
        fresh[i].known = stations[i];
        fresh[i].who = beacon_who(&stations[i].curve);
    }
    free(beacon->station);
    beacon->station = fresh;
    beacon->station_count = count;
}

size_t beacon_poll(const struct beacon *beacon, zmq_pollitem_t *items, size_t max) {
    size_t count = 0;
    if (beacon == NULL || max < 2) {
        return 0;
    }
    const int fds[] = {beacon->ears.ipv4, beacon->ears.ipv6};
    for (size_t i = 0; i < 2; i++) {
        if (fds[i] >= 0) {
            items[count++] = (zmq_pollitem_t){.fd = fds[i], .events = ZMQ_POLLIN};
        }
    }
    return count;
}

/* ---- saying ---- */

/* Sends from this address of this interface. What does not go out now goes out the next time. */
static void send_from(int fd, const struct interface_address *here, const struct sockaddr *to,
                      socklen_t to_size, struct slice bytes) {
    union {
        char bytes[CMSG_SPACE(sizeof(struct in6_pktinfo))];
        struct cmsghdr align;
    } control;
    struct in_pktinfo four = {.ipi_ifindex = (int)here->index};
    struct in6_pktinfo six = {.ipi6_ifindex = here->index};
    struct sockaddr_storage target;
    uint8_t copy[BEACON_SIZE_MAX];
    if (fd < 0 || bytes.size > sizeof(copy)) {
        return;
    }
    memcpy(copy, bytes.data, bytes.size);
    memcpy(&target, to, to_size);
    memcpy(&four.ipi_spec_dst, here->ip, sizeof(four.ipi_spec_dst));
    memcpy(&six.ipi6_addr, here->ip, sizeof(six.ipi6_addr));
    struct iovec body = {.iov_base = copy, .iov_len = bytes.size};
    size_t size = here->ipv6 ? sizeof(six) : sizeof(four);
    memset(&control, 0, sizeof(control));
    struct msghdr message = {.msg_name = &target,
                             .msg_namelen = to_size,
                             .msg_iov = &body,
                             .msg_iovlen = 1,
                             .msg_control = control.bytes,
                             .msg_controllen = CMSG_SPACE(size)};
    struct cmsghdr *head = CMSG_FIRSTHDR(&message);
    head->cmsg_level = here->ipv6 ? IPPROTO_IPV6 : IPPROTO_IP;
    head->cmsg_type = here->ipv6 ? IPV6_PKTINFO : IP_PKTINFO;
    head->cmsg_len = CMSG_LEN(size);
    memcpy(CMSG_DATA(head), here->ipv6 ? (const void *)&six : (const void *)&four, size);
    (void)!sendmsg(fd, &message, MSG_DONTWAIT | MSG_NOSIGNAL);
}

static void say_ipv4(const struct beacon *beacon, const struct interface_address *here,
                     struct slice bytes) {
    struct sockaddr_in to = {.sin_family = AF_INET, .sin_port = htons(beacon->ears.port)};
    inet_pton(AF_INET, group4, &to.sin_addr);
    send_from(beacon->ears.ipv4, here, (const struct sockaddr *)&to, sizeof(to), bytes);
    if (here->has_broadcast) {
        /* To all on this link, whatever its network's own broadcast address may be. */
        to.sin_addr.s_addr = htonl(INADDR_BROADCAST);
        send_from(beacon->ears.ipv4, here, (const struct sockaddr *)&to, sizeof(to), bytes);
    }
}

static void say_ipv6(const struct beacon *beacon, const struct interface_address *here,
                     struct slice bytes) {
    struct sockaddr_in6 to = {.sin6_family = AF_INET6,
                              .sin6_port = htons(beacon->ears.port),
                              .sin6_scope_id = here->index};
    inet_pton(AF_INET6, group6, &to.sin6_addr);
    send_from(beacon->ears.ipv6, here, (const struct sockaddr *)&to, sizeof(to), bytes);
}

/* The port at which the station can be called at this address; 0 if it cannot. `[::]` takes calls
 * by IPv4, too. */
static uint16_t port_at(const struct beacon *beacon, const struct interface_address *here) {
    for (size_t i = 0; i < beacon->listen_count; i++) {
        const struct address *listen = &beacon->listen[i];
        struct address same = here->address;
        char ip[INET6_ADDRSTRLEN];
        bool wide = listen->any && (!here->ipv6 || listen->text[0] == '[');
        if (wide || (inet_ntop(here->ipv6 ? AF_INET6 : AF_INET, here->ip, ip, sizeof(ip)) != NULL &&
                     address_of(ip, listen->port, &same) && address_equal(&same, listen))) {
            return listen->port;
        }
    }
    return 0;
}

static void say(struct beacon *beacon) {
    struct interface_address here[INTERFACES_MAX];
    struct buffer bytes;
    size_t count = interfaces_list(beacon->ears.port, here);
    buffer_init(&bytes);
    for (size_t i = 0; i < count; i++) {
        uint16_t port = port_at(beacon, &here[i]);
        if (port == 0) {
            continue;
        }
        buffer_clear(&bytes);
        beacon_put(&beacon->event, &beacon->keys, port, &bytes);
        if (bytes.failed) {
            break;
        }
        if (here[i].ipv6) {
            say_ipv6(beacon, &here[i], buffer_slice(&bytes));
        } else {
            say_ipv4(beacon, &here[i], buffer_slice(&bytes));
        }
    }
    buffer_release(&bytes);
}

static int64_t jitter(struct beacon *beacon, int64_t below_ms) {
    static const char purpose[8] = {'b', 'e', 'a', 'c', 'o', 'n', 'm', 's'};
    uint64_t drawn = identity_draw(beacon->seed, purpose, ++beacon->drawn);
    return (int64_t)(drawn % (uint64_t)below_ms);
}

void beacon_step(struct beacon *beacon, struct mono_ms now) {
    if (beacon == NULL) {
        return;
    }
    beacon->read = 0;
    if (beacon->due.ms == 0) {
        beacon->due.ms = now.ms + FIRST_MS + jitter(beacon, FIRST_MS);
    }
    if (now.ms >= beacon->due.ms) {
        beacon->due.ms = now.ms + BEACON_EVERY_MS - JITTER_MS / 2 + jitter(beacon, JITTER_MS);
        beacon_ears_join(&beacon->ears); /* an interface may have come up */
        say(beacon);
    }
}

struct mono_ms beacon_deadline(const struct beacon *beacon) {
    return beacon == NULL ? (struct mono_ms){INT64_MAX} : beacon->due;
}

/* ---- hearing ---- */

static bool may_verify(struct beacon *beacon, struct mono_ms now) {
    int64_t passed = now.ms - beacon->allowed_at.ms;
    passed = passed < 1000 ? passed : 1000;
    beacon->allowed += passed * VERIFY_RATE;
    if (beacon->allowed > (int64_t)VERIFY_RATE * 1000) {
        beacon->allowed = (int64_t)VERIFY_RATE * 1000;
    }
    beacon->allowed_at = now;
    if (beacon->allowed < 1000) {
        return false;
    }
    beacon->allowed -= 1000;
    return true;
}

static struct station *find(const struct beacon *beacon, const struct beacon_who *who) {
    for (size_t i = 0; i < beacon->station_count; i++) {
        if (ID_EQUAL(beacon->station[i].who, *who)) {
            return &beacon->station[i];
        }
    }
    return NULL;
}

bool beacon_next(struct beacon *beacon, struct mono_ms now, struct curve_public *curve,
                 struct address *address) {
    struct beacon_said said;
    while (beacon != NULL && beacon->read < READ_MAX &&
           beacon_ears_next(&beacon->ears, &said, address)) {
        beacon->read++;
        struct station *station = ID_EQUAL(said.who, beacon->own) ? NULL : find(beacon, &said.who);
        if (station == NULL ||
            (now.ms < station->again.ms && address_equal(address, &station->last)) ||
            !may_verify(beacon, now) ||
            !beacon_verify(&said, &beacon->event, &station->known.key)) {
            continue;
        }
        station->again.ms = now.ms + HEARD_AGAIN_MS;
        station->last = *address;
        *curve = station->known.curve;
        return true;
    }
    return false;
}
