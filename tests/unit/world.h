/*
 * world.h: an invented event in memory for tests: a root, stations with ledgers of their own, and
 * ways to hand records from one to another. Seeds are fixed, so a test gives the same bytes each
 * time. Every call fails the running test when the call itself goes wrong.
 */
#ifndef BIBWEAVE_TESTS_WORLD_H
#define BIBWEAVE_TESTS_WORLD_H

#include "common/pairs.h"

enum { WORLD_STATIONS_MAX = 16, WORLD_RECORDS_MAX = 4096 };

struct world_station {
    struct station_keys keys;
    struct ledger *ledger;
    struct pairs_author author;
    char name[32];
};

struct world {
    struct ledger_event event;
    struct station_keys root;
    struct pairs_author root_author; /* writes in station 0's ledger */
    struct world_station station[WORLD_STATIONS_MAX];
    size_t count;
    int64_t wall; /* every record takes the next millisecond */
    unsigned seed;
};

/* Station 0 is the lead and has the root key. `epc_unique` as in `found`. */
void world_new(struct world *world, bool epc_unique);
/* The same with so many tags a bib. */
void world_new_with(struct world *world, bool epc_unique, unsigned tags_per_bib);
void world_free(struct world *world);
/* A further station, admitted by the lead in station 0's ledger, its own ledger holding what the
 * lead's held then, its log open. Returns its index. */
size_t world_join(struct world *world, const char *name, enum role role);

/* Writes as a station; returns the record id. Tags: EPC number `epc` (0: made from the bib), TID
 * number `tid` (0: none). */
struct record_id world_issue(struct world *world, size_t at, const char *bib, unsigned epc,
                             unsigned tid, const struct record_id *replaces,
                             const struct record_id *extra);
struct record_id world_void(struct world *world, size_t at, const struct record_id *targets,
                            size_t count);
struct record_id world_write(struct world *world, size_t at, uint64_t kind, struct slice body);
struct record_id world_root_write(struct world *world, enum record_kind kind, struct slice body);
struct record_id world_admit(struct world *world, size_t by, const struct station_keys *keys,
                             const char *name, enum role role);
struct record_id world_root_admit(struct world *world, const struct station_keys *keys,
                                  const char *name, enum role role);
/* stolen with `heads` cut-offs, or dead with NULL. `by` SIZE_MAX: the root. */
struct record_id world_retire(struct world *world, size_t by, const struct sign_public *key,
                              const struct record_head *heads, size_t count, bool stolen);

/* Hands all that `from` holds to `to`, log by log, until nothing new is taken. */
void world_give(struct world *world, size_t from, size_t to);
void world_give_ledger(struct ledger *from, struct ledger *to);
/* All records that a ledger holds, as malloc'd slices in ledger_each order; count into *count. */
struct slice *world_records(struct ledger *ledger, size_t *count);
void world_records_free(struct slice *records, size_t count);
/* An empty ledger of the event. */
struct ledger *world_ledger(const struct world *world);
/* Takes single records in the given order, over and over until none is new. */
void world_take_all(struct ledger *ledger, const struct slice *records, size_t count);

struct pairs_bib world_bib(struct ledger *ledger, const char *bib);
void world_keys(unsigned seed, struct station_keys *keys);
struct bib world_label(const char *text);
void assert_same_state(struct ledger *a, struct ledger *b);

#endif
