/*
 * trouble.h: what goes wrong in a history, and when.
 */
#ifndef BIBWEAVE_TESTS_SIM_TROUBLE_H
#define BIBWEAVE_TESTS_SIM_TROUBLE_H

#include "tests/sim/world.h"

enum trouble {
    TROUBLE_CUT,
    TROUBLE_CUT_ONE_WAY,
    TROUBLE_RESTART,    /* the program is told to end, and starts again */
    TROUBLE_KILL,       /* it dies in the middle of a write or sync */
    TROUBLE_POWER,      /* the power goes, in the middle of one or between */
    TROUBLE_KILL_POWER, /* it dies, starts again, and then the power goes */
    TROUBLE_BAD_WRITES,
    TROUBLE_BAD_SYNCS,
    TROUBLE_FULL,
    TROUBLE_RESTORE, /* a folder comes back from an old copy, and its station knows */
    TROUBLE_REWIND,  /* the same, and it does not know: it writes under numbers that are used */
    TROUBLE_TWIN,    /* a copied folder lives beside the first, and knows */
    TROUBLE_VM,      /* the same, and neither knows */
    TROUBLE_LIAR,    /* a station writes two branches and shows one to some, the other to others */
    TROUBLE_RETIRE,
    TROUBLE_CLOCK,
    TROUBLE_CARRY,
    TROUBLE_MANGLE,   /* what a station sends is spoilt for a while */
    TROUBLE_STRANGER, /* one that was never admitted calls, and its stick goes round */
    TROUBLE_SETTLE,   /* both leads settle a double at once */
    TROUBLE_CHOSEN,   /* the number of those that a history may have or not */
    TROUBLE_JOIN = TROUBLE_CHOSEN,
    TROUBLE_HEAL,
    TROUBLE_BACKUP,
    TROUBLE_MEND, /* all disks are well again */
    TROUBLE_TWIN_END,
    TROUBLE_END, /* the last heal */
    TROUBLE_CHECK,
    TROUBLE_CHECK_DEEP,
    TROUBLE_COUNT,
};
#define TROUBLE_ALL ((1u << TROUBLE_CHOSEN) - 1)

struct troubles {
    struct dice dice;
    uint32_t mask; /* of the chosen ones */
    int64_t work_ms, act_ms;
    size_t backup;   /* whose folder the copy is; SIZE_MAX for none */
    size_t original; /* of the twin */
    uint64_t struck[TROUBLE_COUNT];
    uint64_t carried_whole, carried_cut;
};

const char *trouble_name(enum trouble trouble);
void trouble_plan(struct world *world, struct troubles *troubles, uint32_t mask, int64_t work_ms);

#endif
