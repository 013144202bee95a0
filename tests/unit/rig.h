/*
 * rig.h: a few sync machines over real ledgers in one process, joined by links that a test can
 * look into, cut, and put messages into. Time stands still until rig_run moves it.
 */
#ifndef BIBWEAVE_TESTS_RIG_H
#define BIBWEAVE_TESTS_RIG_H

#include "common/sync_message.h"
#include "tests/unit/world.h"

enum { RIG_QUEUE_MAX = 4096, RIG_HELD_MAX = 64, RIG_ALARMS_MAX = 16, RIG_KINDS = 8 };

struct rig_message {
    size_t from, to; /* stations; `to` is SIZE_MAX for somebody who is no station here */
    struct slice bytes;
};

struct rig {
    struct world world;
    struct sync *sync[WORLD_STATIONS_MAX];
    int64_t now;
    bool cut[WORLD_STATIONS_MAX][WORLD_STATIONS_MAX]; /* from, to */
    /* False drops a message. NULL lets all through. */
    bool (*pass)(void *context, const struct rig_message *, const struct sync_message *);
    void *context;
    struct rig_message queue[RIG_QUEUE_MAX];
    size_t queued;
    uint64_t sent[WORLD_STATIONS_MAX][RIG_KINDS]; /* messages by sender and kind */
    uint64_t stored[WORLD_STATIONS_MAX];
    uint64_t outcome[PAIRS_MALFORMED + 1]; /* of STORE orders */
    /* While set, STORE orders are carried out and their answers kept back, until rig_release. */
    bool hold;
    struct {
        size_t at;
        struct curve_public peer;
        struct log_id log;
        struct pairs_taken taken;
    } held[RIG_HELD_MAX];
    size_t held_count;
    /* Called with true before a machine takes a step and with false after it; a step may then end
     * with ERR_MEMORY. NULL for no such thing. */
    void (*stepping)(bool inside);
    struct pairs_alarm alarm[RIG_ALARMS_MAX]; /* of all stations, in order */
    size_t alarms;
    size_t roads;
    char road[SYNC_ADDRESS_MAX + 1]; /* the last one */
    struct curve_public road_peer;
};

/* An event with a lead (station 0) and `tables` tables that all hold the same records. No machine
 * runs yet. */
void rig_new(struct rig *rig, size_t tables);
void rig_free(struct rig *rig);
/* Starts the machine of a station (again: with a new seed, and nothing remembered). */
void rig_start(struct rig *rig, size_t at);
/* Both have a road to each other. */
void rig_join(struct rig *rig, size_t a, size_t b);
/* A step of one machine: its orders are carried out, what it sends is queued. */
void rig_step(struct rig *rig, size_t at, struct sync_event event);
void rig_message(struct rig *rig, size_t to, const struct curve_public *from, struct slice bytes);
void rig_appended(struct rig *rig, size_t at);
void rig_release(struct rig *rig); /* gives the answers that were kept back, and ends keeping */
/* Delivers what is queued, and what follows from it, without any time passing. */
void rig_deliver(struct rig *rig);
/* Lets `ms` milliseconds pass, ticks and all. */
void rig_run(struct rig *rig, int64_t ms);
const struct curve_public *rig_curve(const struct rig *rig, size_t at);
/* What `at` knows of `other`; fails the test if it knows nothing. */
struct sync_peer rig_peer(const struct rig *rig, size_t at, size_t other);

#endif
