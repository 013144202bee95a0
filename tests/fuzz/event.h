/*
 * event.h: the invented event that the fuzz targets attack, and its keys, so that a mutated record
 * can be signed again and gets behind the signature check.
 *
 * Made once a process from fixed seeds; the same bytes every time.
 */
#ifndef BIBWEAVE_TESTS_FUZZ_EVENT_H
#define BIBWEAVE_TESTS_FUZZ_EVENT_H

#include "tests/fuzz/fuzz.h"
#include "tests/unit/world.h"

/* Stations of the event, as indices into world.station. */
enum {
    EVENT_LEAD = 0,
    EVENT_SELF = 1, /* the station that is attacked */
    EVENT_TABLE = 2,
    EVENT_DEAD = 3,   /* retired as dead later on */
    EVENT_SECOND = 4, /* a second lead */
    EVENT_LATE = 5,   /* admitted by the second lead after `early` */
    EVENT_STOLEN = 6, /* admitted by the lead after `early`, later put out as stolen */
    EVENT_STATIONS = 7,
    EVENT_STRANGER_SEED = 777, /* for world_keys: a key that nobody ever admits */
};

struct fuzz_event {
    struct world world; /* the lead's ledger holds everything */
    struct slice *record;
    size_t count; /* everything, in ledger_each order */
    struct slice *early;
    size_t early_count;       /* what the attacked station holds when it begins */
    struct record_id at_head; /* its own last record then */
    struct station_keys stranger;
};

const struct fuzz_event *fuzz_event(void);

/* Gives SQLite memory that is quick to get; before its first use, and only while fuzzing. */
void fuzz_sqlite_memory(void);

/* Fails the process when a call that must work does not. */
void fuzz_must(enum error_code code, const struct error *err);

/* The keys whose log this is; NULL for none of the event's. */
const struct station_keys *fuzz_event_keys(const struct log_id *log);

/* Appends a record with any payload, well-formed or not, signed in this event. */
void fuzz_sign(struct slice payload, const struct station_keys *keys, struct buffer *out);

/* A ledger in memory that holds `records`. */
struct ledger *fuzz_ledger(const struct slice *records, size_t count);

/* Takes runs of records, each of one log, in one transaction. */
void fuzz_ledger_take(struct ledger *ledger, const struct slice *records, size_t count);

#endif
