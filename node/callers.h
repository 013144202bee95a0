/*
 * callers.h: the connections of the transport, by their descriptors, and which of them are hung up
 * on.
 *
 * libzmq bounds neither how many connections there are nor how much of one may wait to be read (in
 * the parts of a message that never ends, or because its own bound is not to be used, see link.c),
 * and it cannot drop one of them. So they are counted here, as the monitors tell of them, and one
 * that goes beyond its bounds is shut down at the system's level;
 * libzmq sees the end of the connection and clears up by itself. A descriptor belongs to libzmq:
 * nothing is ever read from it, written to it or closed here. All monitors are read before anybody
 * is hung up on, so that the number still means the same connection. One thread, the loop's.
 */
#ifndef BIBWEAVE_CALLERS_H
#define BIBWEAVE_CALLERS_H

#include "common/identity.h"
#include "node/address.h"

#include <stdint.h>

enum {
    CALLERS_MAX = 1024, /* connections at once; fewer where the system gives few descriptors, and
                           from one address half of them */
    CALLERS_GRACE_MS = 3000, /* who has not spoken as a station by then gives way to newcomers */
    CALLERS_UNREAD_MAX = 8388608, /* bytes of one connection that came in and were not read. Of a
                                     station there are never more than the credit that it has, which
                                     is a fifth of this */
    CALLERS_LOOK_MS = 100,  /* looked for that no more often, while the loop is awake anyway; */
    CALLERS_SLEEP_MS = 500, /* nor less often, while there are connections */
};

enum callers_why {
    CALLERS_CROWD, /* there were too many connections, in all or from its address */
    CALLERS_FLOOD, /* it sent more than was read, or a message without end */
};
struct callers_hung_up {
    enum callers_why why;
    char ip[ADDRESS_TEXT_MAX]; /* "" if it could not be told */
    bool heard;                /* something had been read from it, by `key` */
    struct curve_public key;
};

struct callers;
/* `max` connections of others; 0 for CALLERS_MAX or what the system's limit of descriptors allows.
 * Errors: ERR_MEMORY. */
enum error_code callers_new(size_t max, struct callers **out, struct error *err)
    __attribute__((nonnull, warn_unused_result));
void callers_free(struct callers *callers); /* NULL is fine */

/* A connection has come; `ours` if it is one that this station made, to a station. */
void callers_came(struct callers *callers, int fd, bool ours, struct mono_ms now)
    __attribute__((nonnull));
void callers_gone(struct callers *callers, int fd) __attribute__((nonnull));
/* A frame of `size` bytes was read from it, sent by `key` (NULL: nameless), which is a station that
 * is known here or another. */
void callers_heard(struct callers *callers, int fd, size_t size, const struct curve_public *key,
                   bool station) __attribute__((nonnull(1)));

/* Hangs up on whom it is due. After all that the monitors had to say. */
void callers_step(struct callers *callers, struct mono_ms now) __attribute__((nonnull));
struct mono_ms callers_deadline(const struct callers *callers) __attribute__((nonnull));
/* Who was hung up on since the last call: the gravest of them; false if nobody. */
bool callers_hung_up(struct callers *callers, struct callers_hung_up *out) __attribute__((nonnull));
/* How many connections there are. */
size_t callers_count(const struct callers *callers) __attribute__((nonnull));

#endif
