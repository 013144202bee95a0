/*
 * check.h: what must hold, while a history runs and when it is over. Each check that fails names
 * its invariant:
 *
 *   acknowledged  what was shown as done, or committed, is there after every restart, and at the
 *                 end everywhere, unless all disks that had it were lost
 *   half-done     an act that failed left nothing (fleet.c)
 *   accepted      nothing is held that nobody honestly wrote
 *   receipt       a record is said to be on other stations only when it has been
 *   no-fork       only logs that were made to fork have forked
 *   fork-alarm    who holds both branches raises the alarm, once for each
 *   same-state    equal records, equal state
 *   oracle        the state is what the oracle says: doubles, causes, doubt, crossings, tags
 *   knowing       an author's clock covers the issue beside which it made another
 *   memory        a machine holds no more for its peers than CHECK_PEER_BYTES each
 *   carry         a whole carry file brings all that its station held
 *   converge      all are equal CONVERGE_MS and CONVERGE_STATION_MS each after the last heal
 *   quiet         then only beats flow, and not many
 *   verify        pairs_verify holds at the end, on each station
 *   sound         no damage is ever come upon
 *   no-alarm, no-refusal, no-error   nothing of the kind where all are honest
 *   coverage      the history had what it was meant to have
 */
#ifndef BIBWEAVE_TESTS_SIM_CHECK_H
#define BIBWEAVE_TESTS_SIM_CHECK_H

#include "tests/sim/world.h"

enum {
    /* Virtual time after the last heal by which all must be equal, and more for each station: one
     * that has a single road which loses a fifth of all messages fetches log by log. */
    CONVERGE_MS = 60000,
    CONVERGE_STATION_MS = 1000,
    CALM_MS = 20000,  /* then this long until only beats flow */
    QUIET_MS = 10000, /* and this long it is watched */
    CHECK_PEER_BYTES = 64 * 1024,
};

/* The folder of a station was opened again. */
void check_reopened(struct world *world, size_t at);
/* The folder is about to be lost, all but an old copy: what it holds is noted, and what no other
 * station holds is excused once it has been opened again. */
void check_losing(struct world *world, size_t at);
/* All that can be checked at any moment; `deep` asks the oracle too. */
void check_running(struct world *world, struct dice *dice, bool deep);
/* Whether all stations that are to be equal are; the first that is not in *odd. */
bool check_is_equal(struct world *world, size_t *odd);
bool check_is_awaited(const struct world *world, size_t at);
void check_holds_all_of(struct world *world, size_t at, struct slice file);
/* After the last heal. `took` is what the convergence took, in virtual ms. */
int64_t check_converge(struct world *world);
void check_end(struct world *world, bool verify_all);
void check_quiet(struct world *world);

#endif
