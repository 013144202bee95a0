/*
 * script.h: the small language in which target_sync.c is told what peers do. An act is a code, a
 * length (two bytes, little-endian) and that many bytes; missing bytes are zero. Codes beyond
 * the last mean the code modulo ACT_COUNT. With ACT_TAMPER set, the first three bytes (place, two
 * bytes; mask, one byte) change one byte of what the act sends or signs.
 */
#ifndef BIBWEAVE_TESTS_FUZZ_SCRIPT_H
#define BIBWEAVE_TESTS_FUZZ_SCRIPT_H

enum script_act {
    ACT_RAW,     /* peer, bytes: sent as they are */
    ACT_HELLO,   /* peer, how (HELLO_*) */
    ACT_HAVE,    /* peer, then heads of the event as indices; none: all of them */
    ACT_MANY,    /* peer, count (2), first (2): that many logs that nobody has */
    ACT_WANT,    /* peer, head, points, credit (2) in 16 bytes */
    ACT_BATCH,   /* peer, how (BATCH_*), records at most: answers what the station asked last */
    ACT_PUSH,    /* peer, record of the event (2), how many */
    ACT_BEAT,    /* peer, 1: with the station's own hash */
    ACT_ROADS,   /* peer, about whom, address */
    ACT_MADE,    /* peer that brings it, author, kind, how (MADE_*), then what the body says */
    ACT_TICK,    /* ms (2) */
    ACT_STORE,   /* how many STORE orders, 1: this machine could not try */
    ACT_UP,      /* peer */
    ACT_DOWN,    /* peer */
    ACT_APPEND,  /* bib: the station issues */
    ACT_CARRY,   /* record of the event (2): it and all before it in its log come by stick */
    ACT_REACHED, /* peer, address: the transport reached it there */
    ACT_COUNT,
    ACT_TAMPER = 0x80,
};
enum { PEER_STRANGER = 7, PEER_COUNT = 8, AUTHOR_ROOT = 8 };

enum {
    HELLO_FORGETS = 1,
    HELLO_ANEW = 2,
    HELLO_PROOF = 4,
    HELLO_FOREIGN = 8,
    HELLO_KEY = 16,
    HELLO_VERSION = 32,
    HELLO_LOG = 64
};
enum { BATCH_EMPTY = 1, BATCH_MORE = 2, BATCH_LATER = 4, BATCH_ASK = 8 };
enum {
    MADE_RAW_BODY = 1,
    MADE_FORK = 2,
    MADE_GAP = 4,
    MADE_BATCH = 8,
    MADE_SEEN = 16,
    MADE_HAVE = 32,
    MADE_TEN = 64
};

#endif
