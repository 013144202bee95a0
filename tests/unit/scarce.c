/*
 * scarce.c: see scarce.h.
 */
#include "tests/unit/scarce.h"

#include <sqlite3.h>
#include <stddef.h>

void *__real_malloc(size_t size);
void *__real_calloc(size_t count, size_t size);
void *__real_realloc(void *memory, size_t size);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t count, size_t size);
void *__wrap_realloc(void *memory, size_t size);

void *__wrap_malloc(size_t size) {
    return scarce_fails(false) ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t count, size_t size) {
    return scarce_fails(false) ? NULL : __real_calloc(count, size);
}

void *__wrap_realloc(void *memory, size_t size) {
    return scarce_fails(false) ? NULL : __real_realloc(memory, size);
}

static sqlite3_mem_methods sqlite_memory;

static void *sqlite_malloc(int size) {
    return scarce_fails(true) ? NULL : sqlite_memory.xMalloc(size);
}

static void *sqlite_realloc(void *memory, int size) {
    return scarce_fails(true) ? NULL : sqlite_memory.xRealloc(memory, size);
}

bool scarce_sqlite(void) {
    sqlite3_config(SQLITE_CONFIG_GETMALLOC, &sqlite_memory);
    sqlite3_mem_methods methods = sqlite_memory;
    methods.xMalloc = sqlite_malloc;
    methods.xRealloc = sqlite_realloc;
    return sqlite3_config(SQLITE_CONFIG_MALLOC, &methods) == SQLITE_OK;
}
