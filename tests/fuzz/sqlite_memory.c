/*
 * sqlite_memory.c: memory for SQLite while fuzzing. The sanitizer's allocator costs ten times what
 * opening a ledger costs otherwise. So SQLite, which is not what is looked for here, gets freed
 * blocks back by size. Replays of what was found use the sanitizer's, in every build.
 */
#include "tests/fuzz/event.h"

#include <sqlite3.h>
#include <stdlib.h>
#include <string.h>

enum { CLASSES = 18, SMALLEST_SHIFT = 5, HEAD = 16 };

struct block {
    struct block *next;
    uint64_t class_; /* in front of what is handed out, once it is */
};
static struct block *unused[CLASSES];

static unsigned class_of(int size) {
    unsigned class_ = 0;
    while (((size_t)1 << (class_ + SMALLEST_SHIFT)) < (size_t)size + HEAD) {
        class_++;
    }
    return class_;
}

static size_t class_size(uint64_t class_) {
    return (size_t)1 << (class_ + SMALLEST_SHIFT);
}

static void *take(int size) {
    unsigned class_ = class_of(size);
    struct block *block = class_ < CLASSES ? unused[class_] : NULL;
    if (block != NULL) {
        unused[class_] = block->next;
    } else {
        block = malloc(class_size(class_));
    }
    if (block == NULL) {
        return NULL;
    }
    block->class_ = class_;
    return (uint8_t *)block + HEAD;
}

static struct block *block_of(void *memory) {
    return (struct block *)(void *)((uint8_t *)memory - HEAD);
}

static void give_back(void *memory) {
    struct block *block = block_of(memory);
    if (block->class_ >= CLASSES) {
        free(block);
        return;
    }
    block->next = unused[block->class_];
    unused[block->class_] = block;
}

static int size_of(void *memory) {
    return (int)(class_size(block_of(memory)->class_) - HEAD);
}

static void *resize(void *memory, int size) {
    if (size <= size_of(memory)) {
        return memory;
    }
    void *grown = take(size);
    if (grown != NULL) {
        memcpy(grown, memory, (size_t)size_of(memory));
        give_back(memory);
    }
    return grown;
}

static int round_up(int size) {
    return (int)(class_size(class_of(size)) - HEAD);
}

static int start(void *unused_) {
    (void)unused_;
    return SQLITE_OK;
}

static void stop(void *unused_) {
    (void)unused_;
}

void fuzz_sqlite_memory(void) {
    static const sqlite3_mem_methods methods = {take,     give_back, resize, size_of,
                                                round_up, start,     stop,   NULL};
    int rc = sqlite3_config(SQLITE_CONFIG_MALLOC, &methods);
    FUZZ_CHECK(rc == SQLITE_OK, "SQLite %d", rc);
    rc = sqlite3_config(SQLITE_CONFIG_MEMSTATUS, 0);
    FUZZ_CHECK(rc == SQLITE_OK, "SQLite %d", rc);
}
