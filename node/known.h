/*
 * known.h: which key last answered at which address: the file `peers` of a data folder.
 *
 * One line each: address, space, key in hex. A hint only: lost or spoiled, it costs a second of
 * trying keys. No other thread or process writes it.
 */
#ifndef BIBWEAVE_KNOWN_H
#define BIBWEAVE_KNOWN_H

#include "common/identity.h"
#include "node/address.h"

enum { KNOWN_MAX = 128 };

struct known {
    char path[4096]; /* "" for nowhere */
    size_t count;
    struct {
        struct address address;
        struct curve_public key;
    } entry[KNOWN_MAX];
};

/* Reads the file of the folder `dir` (NULL: nowhere); what is not understood is left out. */
void known_load(struct known *known, const char *dir) __attribute__((nonnull(1)));
/* False if nothing is known of the address. */
bool known_find(const struct known *known, const struct address *address, struct curve_public *key)
    __attribute__((nonnull));
/* Remembers, and writes the file if that is news; the oldest entry goes when there are too many. */
void known_put(struct known *known, const struct address *address, const struct curve_public *key)
    __attribute__((nonnull));

#endif
