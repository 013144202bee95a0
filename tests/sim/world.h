/*
 * world.h: the host around each station's machine: it carries out orders, starts, dies and starts
 * again on the simulated disk, and talks over the simulated network.
 *
 * The machines and ledgers are those of the program; what is simulated is what surrounds them.
 */
#ifndef BIBWEAVE_TESTS_SIM_WORLD_H
#define BIBWEAVE_TESTS_SIM_WORLD_H

#include "tests/sim/disk.h"
#include "tests/sim/fleet.h"
#include "tests/sim/net.h"

/* The host around one machine. Places from fleet.count on are the spare ones. */
struct host {
    struct sync *sync;   /* NULL while it is down */
    uint64_t life;       /* of the machine: rises when it starts again */
    int64_t tick_at;     /* planned; INT64_MAX for none */
    uint64_t tick_life;  /* ticks planned before are void */
    int64_t store_until; /* its disk is busy */
    bool *told;          /* addresses that were handed to the machine */
    bool rising;         /* a start is planned */
    bool afresh;         /* it knows that its folder is not the one that wrote last */
    bool lost;           /* its folder was replaced by an old copy, not opened since */
    bool has_lost;       /* that has happened */
    bool unclean;        /* it did not close its ledger */
    bool cut_power;      /* when it dies next, it is the power */
    bool power_soon;     /* when it has started again after its death, the power goes */
    bool mangles;        /* what it sends is spoilt */
    bool mangled;        /* has done so, in sessions that may still last */
    uint64_t committed;  /* records that its ledger held after the last commit */
    size_t memory_max;   /* bytes for each peer, at most, up to now */
};

struct world {
    uint64_t seed;
    struct fleet fleet;
    struct net net;
    struct disk *disk; /* NULL: no disk, nothing fails */
    struct host *host;
    size_t places;         /* fleet.count + FLEET_SPARE */
    size_t cellar, stairs; /* the one can be reached from the other only */
    bool hostile;         /* somebody spoils what is sent: refusals and alarms are to be expected */
    struct buffer poison; /* records that nobody may take in, for who spoils */
    bool settled;         /* the troubles are over: what fails now is nobody's planned doing */
    /* what happens besides messages, ticks and stores */
    void (*act)(struct world *world);
    void (*trouble)(struct world *world, size_t which);
    void *context;
    uint64_t acts, failed_acts, restarts, crashes, stops, reincarnations, mangled, stale_stores;
    uint64_t outcome[PAIRS_MALFORMED + 1], alarms, stored_records;
};

void world_new(struct world *world, uint64_t seed, size_t stations, bool on_disk);
void world_free(struct world *world);

/* Starts the machine of a station whose ledger is open. */
void world_start(struct world *world, size_t at);
/* Stops it; with `clean`, as the program ends when it is told to. */
void world_stop(struct world *world, size_t at, bool clean);
/* Kills it, with or without its power, and plans its next start. */
void world_crash(struct world *world, size_t at, bool power, int64_t pause);
/* Plans that a station that is down starts. */
void world_rise(struct world *world, size_t at, int64_t pause);
/* Looks at what a call on the station's ledger gave, and lets the station die, stop or go on as it
 * must. Returns whether it goes on with its ledger open. */
bool world_survives(struct world *world, size_t at, enum error_code code, const struct error *err);

void world_dial(struct world *world, size_t from, size_t to);
/* Own records of `at` were committed. */
void world_appended(struct world *world, size_t at);
void world_check_fork(struct world *world, size_t at);
/* The bytes of a carry file are taken in at a station, in slices. */
void world_carry_in(struct world *world, size_t at, struct slice file);
/* Transports notice that links work, or (some of them) that they do not. */
void world_plan_links(struct world *world, enum happening_kind kind);
void world_run_until(struct world *world, int64_t until);
bool world_is_up(const struct world *world, size_t at);

#endif
