/*
 * net.h: virtual time and the simulated network: what happens when, and what becomes of a message.
 *
 * Links are made by dialling and work both ways. A path may be blocked for a while (a partition,
 * also of one direction only) or for ever (a station that only one other can reach). What is sent
 * may be lost, late, doubled, and overtaken. All of it follows from the dice.
 */
#ifndef BIBWEAVE_TESTS_SIM_NET_H
#define BIBWEAVE_TESTS_SIM_NET_H

#include <stddef.h>

#include "tests/sim/dice.h"

enum happening_kind {
    HAPPENS_MESSAGE,  /* bytes from `from` arrive at `at` */
    HAPPENS_STORED,   /* a STORE order of `at` reaches its turn: `order` */
    HAPPENS_APPENDED, /* an own record of `at` was committed */
    HAPPENS_TICK,
    HAPPENS_UP,   /* the link from `at` to `from` works */
    HAPPENS_DOWN, /* the transport has noticed that it does not */
    HAPPENS_ACT,
    HAPPENS_TROUBLE, /* of kind `from` */
    HAPPENS_POWER,   /* the power goes at a station */
    HAPPENS_RISE,    /* a station that is down starts */
};

struct happening {
    int64_t when; /* virtual ms */
    uint64_t serial;
    enum happening_kind kind;
    size_t at, from;
    uint64_t life; /* of the machine that it is meant for, where that matters */
    uint8_t *bytes;
    size_t size;
    void *order;
};

struct net {
    struct dice dice;
    size_t count;
    bool *dialled;           /* [from * count + to] */
    bool *blocked;           /* by a partition */
    bool *never;             /* for ever */
    uint64_t loss, doubling; /* percent */
    int64_t delay, spread;   /* ms */
    bool in_order;           /* nothing overtakes on a link, as with TCP */
    int64_t *arrives;        /* [from * count + to] the last arrival, for that */
    int64_t now;
    uint64_t serial;
    struct happening *heap;
    size_t heap_count, heap_capacity;
    uint64_t delivered, lost, doubled, cut_off, cut_one_way, out_of_reach;
    uint64_t by_kind[8]; /* messages sent, by their kind */
};

void net_new(struct net *net, uint64_t seed, size_t count);
void net_free(struct net *net);

/* Puts something into the future. */
void net_plan(struct net *net, int64_t when, const struct happening *happening);
/* The next thing, and time moves to it; false when nothing is planned before `until`, to which time
 * moves then. Its bytes are the caller's to free. */
bool net_next(struct net *net, int64_t until, struct happening *happening);

/* Sends a copy of the bytes, for whatever becomes of it. */
void net_send(struct net *net, size_t from, size_t to, const uint8_t *bytes, size_t size);
bool net_is_linked(const struct net *net, size_t a, size_t b); /* dialled from either side */
bool net_is_open(const struct net *net, size_t from, size_t to);

/* Cuts the stations for which `inside` holds off from the others; with `one_way` they still hear
 * the others, but are not heard. */
void net_cut(struct net *net, const bool *inside, bool one_way);
void net_heal(struct net *net);

#endif
