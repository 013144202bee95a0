/* registry.c: see registry.h. */
#include "tests/sim/registry.h"

#include <stdlib.h>
#include <string.h>

#include "tests/sim/fleet.h"

static void *must(void *memory) {
    if (memory == NULL) {
        fleet_fail("memory", "no memory");
    }
    return memory;
}

void registry_free(struct registry *registry) {
    free(registry->entry);
    free(registry->slot);
    memset(registry, 0, sizeof(*registry));
}

/* Where the id is, or would be. Record ids are hashes already. */
static size_t place(const struct registry *registry, const struct record_id *id) {
    size_t at = 0;
    memcpy(&at, id->bytes, sizeof(at));
    for (at %= registry->slots; registry->slot[at] != 0; at = (at + 1) % registry->slots) {
        if (ID_EQUAL(registry->entry[registry->slot[at] - 1].id, *id)) {
            break;
        }
    }
    return at;
}

static void grow(struct registry *registry) {
    registry->capacity = registry->capacity == 0 ? 1024 : registry->capacity * 2;
    registry->entry = must(realloc(registry->entry, registry->capacity * sizeof(*registry->entry)));
    free(registry->slot);
    registry->slots = registry->capacity * 2;
    registry->slot = must(calloc(registry->slots, sizeof(*registry->slot)));
    for (size_t i = 0; i < registry->count; i++) {
        registry->slot[place(registry, &registry->entry[i].id)] = i + 1;
    }
}

struct registry_entry *registry_add(struct registry *registry, const struct record_id *id) {
    struct registry_entry *found = registry_find(registry, id);
    if (found != NULL) {
        return found;
    }
    if (registry->count == registry->capacity) {
        grow(registry);
    }
    registry->entry[registry->count] = (struct registry_entry){.id = *id};
    registry->slot[place(registry, id)] = registry->count + 1;
    return &registry->entry[registry->count++];
}

struct registry_entry *registry_find(const struct registry *registry, const struct record_id *id) {
    if (registry->slots == 0) {
        return NULL;
    }
    size_t slot = registry->slot[place(registry, id)];
    return slot == 0 ? NULL : &registry->entry[slot - 1];
}

void registry_hold(struct registry_entry *entry, size_t station) {
    entry->held[station / 8] |= (uint8_t)(1 << (station % 8));
}

bool registry_held(const struct registry_entry *entry, size_t station) {
    return (entry->held[station / 8] >> (station % 8) & 1) != 0;
}
