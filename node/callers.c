/*
 * callers.c: see callers.h. It must never touch a descriptor that its monitor has not named, nor do
 * anything to one but ask about it and shut it down.
 */
#include "node/callers.h"

#include <arpa/inet.h>
#include <linux/tcp.h>
#include <netinet/in.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/socket.h>

enum { LEAST = 16 };

struct caller {
    struct mono_ms came;
    struct in6_addr from; /* IPv4 as mapped */
    bool ours;            /* this station called */
    bool known;           /* it has spoken as a station */
    bool shut;            /* hung up on, or about to be; its end is on the way */
    uint64_t read;        /* bytes that were read of what it sent */
    bool heard;
    struct curve_public key; /* when heard: whose last message was */
};
struct callers {
    size_t max, count;
    int *fd; /* by itself, because it is looked through for each message */
    struct caller *caller;
    struct mono_ms now, looked_at;
    bool due; /* somebody is to be hung up on */
    bool any_hung_up;
    struct callers_hung_up hung_up;
};

static size_t max_of_system(void) {
    struct rlimit limit;
    size_t max = CALLERS_MAX;
    if (getrlimit(RLIMIT_NOFILE, &limit) == 0 && limit.rlim_cur / 2 < max) {
        max = (size_t)limit.rlim_cur / 2;
    }
    return max < LEAST ? LEAST : max;
}

enum error_code callers_new(size_t max, struct callers **out, struct error *err) {
    struct callers *callers = calloc(1, sizeof *callers);
    *out = callers;
    if (callers == NULL) {
        return error_set(err, ERR_MEMORY, "connections");
    }
    callers->max = max == 0 ? max_of_system() : max;
    /* Twice as many, for those that are shut and not gone yet. */
    callers->fd = calloc(2 * callers->max, sizeof *callers->fd);
    callers->caller = calloc(2 * callers->max, sizeof *callers->caller);
    if (callers->fd == NULL || callers->caller == NULL) {
        callers_free(callers);
        *out = NULL;
        return error_set(err, ERR_MEMORY, "connections");
    }
    return ERR_OK;
}

void callers_free(struct callers *callers) {
    if (callers != NULL) {
        free(callers->fd);
        free(callers->caller);
        free(callers);
    }
}

static size_t find(const struct callers *callers, int fd) {
    size_t i = 0;
    while (i < callers->count && callers->fd[i] != fd) {
        i++;
    }
    return i;
}

size_t callers_count(const struct callers *callers) {
    return callers->count;
}

/* ---- hanging up ---- */

static struct in6_addr address_at(int fd) {
    struct sockaddr_storage peer;
    socklen_t size = sizeof peer;
    struct in6_addr out = IN6ADDR_ANY_INIT;
    memset(&peer, 0, sizeof peer);
    if (getpeername(fd, (struct sockaddr *)&peer, &size) != 0) {
        return out;
    }
    if (peer.ss_family == AF_INET) {
        out.s6_addr[10] = 0xff;
        out.s6_addr[11] = 0xff;
        memcpy(&out.s6_addr[12], &((const struct sockaddr_in *)&peer)->sin_addr, 4);
    } else if (peer.ss_family == AF_INET6) {
        out = ((const struct sockaddr_in6 *)&peer)->sin6_addr;
    }
    return out;
}

static void note(struct callers *callers, const struct caller *caller, enum callers_why why) {
    const struct in6_addr *from = &caller->from;
    if (callers->any_hung_up && callers->hung_up.why >= why) {
        return;
    }
    struct callers_hung_up *said = &callers->hung_up;
    *said = (struct callers_hung_up){.why = why, .heard = caller->heard, .key = caller->key};
    callers->any_hung_up = true;
    if (IN6_IS_ADDR_V4MAPPED(from)) {
        inet_ntop(AF_INET, &from->s6_addr[12], said->ip, sizeof said->ip);
    } else if (!IN6_IS_ADDR_UNSPECIFIED(from)) {
        inet_ntop(AF_INET6, from, said->ip, sizeof said->ip);
    }
}

/* Not at once: what the monitor has still to say may be that the descriptor is another's by now. */
static void hang_up(struct callers *callers, size_t index, enum callers_why why) {
    struct caller *caller = &callers->caller[index];
    caller->shut = true;
    callers->due = true;
    note(callers, caller, why);
}

/* Who gives way to a newcomer from `from`, when there are too many from everywhere or from there:
 * the oldest that has had its time and has not spoken as a station; else the newcomer itself. */
static void make_way(struct callers *callers, size_t newcomer) {
    const struct in6_addr *from = &callers->caller[newcomer].from;
    size_t all = 0, near = 0, oldest = newcomer, oldest_near = newcomer;
    for (size_t i = 0; i < callers->count; i++) {
        const struct caller *caller = &callers->caller[i];
        if (caller->ours || caller->shut) {
            continue;
        }
        bool is_near = IN6_ARE_ADDR_EQUAL(&caller->from, from);
        bool gives_way = !caller->known && callers->now.ms - caller->came.ms >= CALLERS_GRACE_MS;
        all++;
        near += is_near ? 1 : 0;
        if (gives_way && caller->came.ms < callers->caller[oldest].came.ms) {
            oldest = i;
        }
        if (gives_way && is_near && caller->came.ms < callers->caller[oldest_near].came.ms) {
            oldest_near = i;
        }
    }
    if (near > callers->max / 2) {
        hang_up(callers, oldest_near, CALLERS_CROWD);
    } else if (all > callers->max) {
        hang_up(callers, oldest, CALLERS_CROWD);
    }
}

/* ---- what the monitors and the messages tell ---- */

void callers_came(struct callers *callers, int fd, bool ours, struct mono_ms now) {
    const struct caller caller = {.came = now, .from = address_at(fd), .ours = ours};
    size_t index = find(callers, fd);
    callers->now = now;
    if (index == 2 * callers->max) { /* not even one more that is on its way out */
        note(callers, &caller, CALLERS_CROWD);
        shutdown(fd, SHUT_RDWR);
        return;
    }
    if (callers->count == 0) {
        callers->looked_at = now;
    }
    callers->fd[index] = fd;
    callers->caller[index] = caller;
    callers->count += index == callers->count ? 1 : 0;
    if (!ours) {
        make_way(callers, index);
    }
}

void callers_gone(struct callers *callers, int fd) {
    size_t index = find(callers, fd);
    if (index < callers->count) {
        callers->count--;
        callers->fd[index] = callers->fd[callers->count];
        callers->caller[index] = callers->caller[callers->count];
    }
}

/* Bytes of a frame on the wire: its head, and what CURVE adds (ZMTP 3.1, CurveZMQ). Exactly, or a
 * flood of small ones would earn leave for a larger one. */
static uint64_t wire_size(size_t size) {
    enum { CURVE_ADDS = 33, SHORT_MAX = 255, SHORT_HEAD = 2, LONG_HEAD = 9 };
    size_t boxed = size + CURVE_ADDS;
    return boxed + (boxed > SHORT_MAX ? LONG_HEAD : SHORT_HEAD);
}

void callers_heard(struct callers *callers, int fd, size_t size, const struct curve_public *key,
                   bool station) {
    size_t index = find(callers, fd);
    if (index == callers->count) {
        return;
    }
    struct caller *caller = &callers->caller[index];
    caller->read += wire_size(size);
    caller->known = caller->known || station;
    if (key != NULL) {
        caller->heard = true;
        caller->key = *key;
    }
}

/* What came in and was not read; heartbeats are never read and are allowed for by the time. */
static uint64_t unread(const struct callers *callers, size_t index) {
    const struct caller *caller = &callers->caller[index];
    struct tcp_info info;
    socklen_t size = sizeof info;
    memset(&info, 0, sizeof info);
    if (getsockopt(callers->fd[index], IPPROTO_TCP, TCP_INFO, &info, &size) != 0) {
        return 0;
    }
    uint64_t known = caller->read + (uint64_t)(callers->now.ms - caller->came.ms);
    return info.tcpi_bytes_received > known ? info.tcpi_bytes_received - known : 0;
}

void callers_step(struct callers *callers, struct mono_ms now) {
    callers->now = now;
    if (callers->count > 0 && now.ms - callers->looked_at.ms >= CALLERS_LOOK_MS) {
        callers->looked_at = now;
        for (size_t i = 0; i < callers->count; i++) {
            if (!callers->caller[i].shut && unread(callers, i) > CALLERS_UNREAD_MAX) {
                hang_up(callers, i, CALLERS_FLOOD);
            }
        }
    }
    for (size_t i = 0; callers->due && i < callers->count; i++) {
        if (callers->caller[i].shut) {
            shutdown(callers->fd[i], SHUT_RDWR);
        }
    }
    callers->due = false;
}

struct mono_ms callers_deadline(const struct callers *callers) {
    return callers->count == 0 ? (struct mono_ms){INT64_MAX}
                               : (struct mono_ms){callers->looked_at.ms + CALLERS_SLEEP_MS};
}

bool callers_hung_up(struct callers *callers, struct callers_hung_up *out) {
    bool any = callers->any_hung_up;
    callers->any_hung_up = false;
    *out = callers->hung_up;
    return any;
}
