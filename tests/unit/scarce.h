/*
 * scarce.h: memory that runs out when a test says so. The linker hands a test's malloc, calloc and
 * realloc to scarce.c (-Wl,--wrap), which asks the test.
 */
#ifndef BIBWEAVE_TESTS_SCARCE_H
#define BIBWEAVE_TESTS_SCARCE_H

#include <stdbool.h>

/* The test's own: whether this allocation fails; `sqlite` if it is one of SQLite's. */
bool scarce_fails(bool sqlite);
/* Has SQLite's allocations ask, too. Before SQLite is used; false if that is too late. */
bool scarce_sqlite(void);

#endif
