/*
 * fleet.h: the stations of an invented event: their keys, ledgers on the simulated disk, and what
 * is done at them. Everything goes through pairs.h, as in the program. What a disk does to an act
 * comes back as an error; any other failure ends the simulator.
 */
#ifndef BIBWEAVE_TESTS_SIM_FLEET_H
#define BIBWEAVE_TESTS_SIM_FLEET_H

#include "common/sync.h"
#include "tests/sim/dice.h"
#include "tests/sim/registry.h"

enum {
    FLEET_LEAD = 0,
    FLEET_SECOND = 3, /* the second lead */
    FLEET_BIBS_EACH = 100,
    FLEET_CONTESTED = 40,
    FLEET_HELD = 12, /* bibs that are laid aside now and then */
    FLEET_SPARE = 2, /* places behind the stations: a twin of one of them, and a stranger */
};

struct fleet_station {
    struct station_keys keys;
    char name[40];
    char folder[32];       /* on the disk */
    struct ledger *ledger; /* NULL while it is down */
    struct pairs_author author;
    size_t desk;       /* whose range of bibs it works on: its own place, or that of its twin */
    uint64_t own_bibs; /* issued from its own range */
    int64_t wall_off;  /* ms by which its clock is wrong */
    int shift;         /* its stack is off by this much just now */
    bool here;         /* admitted, with a folder */
    bool stolen;       /* retired: the others do not talk with it any more */
    bool twinned;      /* a copy of its folder lives, or lived */
    bool may_fork;     /* its log was made to fork: no other log may */
    bool liar;         /* writes two branches on purpose, and does not care who notices */
    bool full;         /* its disk takes no more */
    int64_t opened_at; /* virtual ms of its last incarnation */
};

/* An issue that was made, for voids and the like to choose from. */
struct fleet_issue {
    struct record_id id;
    struct record_tag tag;
    struct bib bib;
};

/* Who wrote `later` held `earlier`, an issue of the same bib. */
struct fleet_knew {
    struct record_id later, earlier;
};

struct fleet {
    struct dice dice;      /* for keys and acts */
    struct dice hold_dice; /* for holds: old seeds keep their other acts */
    const char *vfs; /* NULL: ledgers live in SQLite's own memory, and no folder can be lost */
    struct registry registry;
    struct ledger_event event;
    struct station_keys root;
    struct pairs_author root_author;
    struct fleet_station *station; /* count + FLEET_SPARE */
    size_t count;
    struct fleet_issue *issue;
    size_t issue_count, issue_capacity;
    struct fleet_knew *knew;
    size_t knew_count, knew_capacity;
    uint64_t tags; /* serial of the last tag */
    uint64_t half_done_checks;
};

/* Ends the program with the name of what does not hold, a sentence, and the command that plays the
 * same history again. */
void fleet_fail(const char *invariant, const char *format, ...)
    __attribute__((noreturn, format(printf, 2, 3)));
/* What fleet_fail tells people to run, and where it leaves the name (may be NULL). */
void fleet_replay(const char *command, char *failed, size_t failed_size);
void fleet_check(enum error_code code, const struct error *err);

/* Station 0 is the lead and keeps the root's key; it admits the others, whose ledgers begin with
 * what its own holds, except that of the last, who comes later by fleet_join. */
void fleet_new(struct fleet *fleet, uint64_t seed, size_t count, bool epc_unique, const char *vfs);
void fleet_free(struct fleet *fleet);
enum error_code fleet_join(struct fleet *fleet, size_t at, int64_t now, struct error *err);

/* The ledger in a station's folder. */
enum error_code fleet_open(struct fleet *fleet, size_t at, bool create, struct error *err);
/* Goes on as the program does at its start: in the log that this station wrote last, or, `afresh`
 * or where others have written under it, in a new one. */
enum error_code fleet_wake(struct fleet *fleet, size_t at, bool afresh, int64_t now,
                           struct error *err);
/* A new incarnation; *following may be NULL. */
enum error_code fleet_open_log(struct fleet *fleet, size_t at, const struct record_head *following,
                               int64_t now, struct error *err);

/* Something that is done at a table: mostly an issue of an own bib (scanned, typed, or of a falling
 * series, with the mistakes that people make), sometimes a double, a void, a replacement, a
 * settling. Committed when it returns ERR_OK; nothing of it is left otherwise. */
enum error_code fleet_act(struct fleet *fleet, size_t at, int64_t now, struct error *err);
/* One issue of an own bib and nothing else. */
enum error_code fleet_issue_own(struct fleet *fleet, size_t at, int64_t now, struct error *err);
/* A double that both leads hold is settled by both at once, each keeping another chip. False if
 * there is none. */
bool fleet_settle_twice(struct fleet *fleet, int64_t now, enum error_code *code, struct error *err);
/* The lead puts a station out, with what it holds of it as the cut-offs. */
enum error_code fleet_retire(struct fleet *fleet, size_t at, bool stolen, int64_t now,
                             struct error *err);
/* A new incarnation, when others have written under this one; at most one in 10 s. *did says
 * whether. */
enum error_code fleet_reincarnate(struct fleet *fleet, size_t at, int64_t now, bool *did,
                                  struct error *err);
struct wall_ms fleet_wall(const struct fleet *fleet, size_t at, int64_t now);

/* All records of a ledger, malloc'd; freed by fleet_records_free. */
struct slice *fleet_records(struct ledger *ledger, size_t *count);
void fleet_records_free(struct slice *records, size_t count);
/* Takes records in that order. */
void fleet_take_all(struct ledger *ledger, const struct slice *records, size_t count);
/* Records that nobody may take in, one after the other: signed by a stranger's key, for another
 * event, and with a signature that does not hold, on top of the log of station `at`. */
void fleet_poison(struct fleet *fleet, size_t at, struct buffer *out);

#endif
