/* clock.c: see clock.h. Pure data; nothing here reads a record. */
#include "common/clock.h"

#include <stdlib.h>

/* Grows an array of `size`-byte items to hold one more; NULL when memory runs out. */
static void *grow(void *items, size_t count, size_t *capacity, size_t size) {
    if (count < *capacity) {
        return items;
    }
    size_t wanted = *capacity == 0 ? 16 : *capacity * 2;
    void *grown = realloc(items, wanted * size);
    if (grown != NULL) {
        *capacity = wanted;
    }
    return grown;
}

uint32_t clock_tree_add(struct clock_tree *tree, const struct clock_chain *chain) {
    if (tree->count >= CLOCK_NO_CHAIN) {
        return CLOCK_NO_CHAIN;
    }
    struct clock_chain *grown = grow(tree->chain, tree->count, &tree->capacity, sizeof *grown);
    if (grown == NULL) {
        return CLOCK_NO_CHAIN;
    }
    tree->chain = grown;
    tree->chain[tree->count] = *chain;
    return (uint32_t)tree->count++;
}

void clock_tree_release(struct clock_tree *tree) {
    free(tree->chain);
    *tree = (struct clock_tree){0};
}

bool clock_descends(const struct clock_tree *tree, struct clock_position later,
                    struct clock_position earlier) {
    /* A chain's parent was there before it, so chain numbers fall on the way and the walk ends. */
    while (later.chain != earlier.chain) {
        if (later.chain >= tree->count || tree->chain[later.chain].parent.chain >= later.chain) {
            return false;
        }
        later = tree->chain[later.chain].parent;
    }
    return later.number >= earlier.number;
}

void clock_init(struct clock *clock) {
    *clock = (struct clock){0};
}

void clock_release(struct clock *clock) {
    free(clock->head);
    *clock = (struct clock){0};
}

bool clock_covers(const struct clock *clock, const struct clock_tree *tree,
                  struct clock_position position) {
    for (size_t i = 0; i < clock->count; i++) {
        if (clock_descends(tree, clock->head[i], position)) {
            return true;
        }
    }
    return false;
}

bool clock_add(struct clock *clock, const struct clock_tree *tree, struct clock_position head) {
    if (clock_covers(clock, tree, head)) {
        return true;
    }
    struct clock_position *grown = grow(clock->head, clock->count, &clock->capacity, sizeof *grown);
    if (grown == NULL) {
        return false;
    }
    clock->head = grown;
    size_t kept = 0;
    for (size_t i = 0; i < clock->count; i++) {
        if (!clock_descends(tree, head, clock->head[i])) {
            clock->head[kept++] = clock->head[i];
        }
    }
    clock->head[kept++] = head;
    clock->count = kept;
    return true;
}

static bool covers_all(const struct clock *a, const struct clock *b,
                       const struct clock_tree *tree) {
    for (size_t i = 0; i < b->count; i++) {
        if (!clock_covers(a, tree, b->head[i])) {
            return false;
        }
    }
    return true;
}

enum clock_order clock_compare(const struct clock *a, const struct clock *b,
                               const struct clock_tree *tree) {
    bool a_has_b = covers_all(a, b, tree);
    bool b_has_a = covers_all(b, a, tree);
    if (a_has_b && b_has_a) {
        return CLOCK_EQUAL;
    }
    if (b_has_a) {
        return CLOCK_BEFORE;
    }
    return a_has_b ? CLOCK_AFTER : CLOCK_CONCURRENT;
}
