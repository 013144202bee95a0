/*
 * loop.h: the one event loop of a running node, which alone touches the ledger.
 *
 * Each turn in this order: the desk and commands (they are local acts), peers, then bulk: slices of records
 * from peers, jobs, copies. What is done in one go is bounded, so that whoever issues at this table
 * never waits for more than about 10 ms. Own records are shown to peers only after their commit.
 * It sleeps until something comes or is due: idle is idle.
 */
#ifndef BIBWEAVE_LOOP_H
#define BIBWEAVE_LOOP_H

#include "common/sync.h"
#include "node/asks.h"
#include "node/beacon.h"
#include "node/porter.h"
#include "node/station.h"
#include "node/store.h"
#include "node/table.h"
#include "node/transport.h"

struct loop_config {
    struct station *station; /* all borrowed */
    struct sync *sync;
    struct transport *transport;
    struct asks *asks;
    struct store *store;
    struct porter *porter;
    struct table *table;
    struct beacon *beacon; /* NULL: none */
    int signals;           /* a signalfd for SIGTERM, SIGINT and SIGCHLD */
    /* Asked ten times a second whether it is enough, and the loop ends then; NULL: never. */
    bool (*enough)(void *context);
    void *context;
};

/* Runs until SIGTERM or SIGINT, or until it is enough (then ERR_OK), or until going on would not be
 * honest: ERR_DISK or ERR_DAMAGED (the disk failed; a restart loses nothing), ERR_MEMORY. */
enum error_code loop_run(const struct loop_config *config, struct error *err)
    __attribute__((nonnull, warn_unused_result));

#endif
