/*
 * registry.h: every record that was honestly written in a history: whose it is, whether its author
 * was told that it is done, and which stations have held it.
 *
 * The checks ask it what must still be there, and what must never have been taken in.
 */
#ifndef BIBWEAVE_TESTS_SIM_REGISTRY_H
#define BIBWEAVE_TESTS_SIM_REGISTRY_H

#include "common/record.h"

struct registry_entry {
    struct record_id id;
    struct log_id log;
    uint64_t number;
    size_t author;    /* the place of its author in the fleet */
    bool done;        /* it was shown as done */
    bool excused;     /* the only disks that had it were lost */
    uint8_t held[32]; /* a bit for each station that had it on its disk, at some time */
};

struct registry {
    struct registry_entry *entry;
    size_t count, capacity;
    size_t *slot; /* index + 1 by hash; 0 for none */
    size_t slots;
};

void registry_free(struct registry *registry);
/* Notes a record before its commit; the same one twice is one. The entry is borrowed until the
 * next call. */
struct registry_entry *registry_add(struct registry *registry, const struct record_id *id);
/* NULL if nobody wrote it. */
struct registry_entry *registry_find(const struct registry *registry, const struct record_id *id);
void registry_hold(struct registry_entry *entry, size_t station);
bool registry_held(const struct registry_entry *entry, size_t station);

#endif
