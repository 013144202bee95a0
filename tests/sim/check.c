/* check.c: see check.h. */
#include "tests/sim/check.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/ledger_sql.h"
#include "tests/sim/fleet_internal.h"
#include "tests/sim/oracle.h"

bool check_is_awaited(const struct world *world, size_t at) {
    return world->fleet.station[at].here && !world->fleet.station[at].stolen;
}

static bool is_here_and_up(const struct world *world, size_t at) {
    return check_is_awaited(world, at) && world_is_up(world, at);
}

static struct ledger *ledger_at(const struct world *world, size_t at) {
    return world->fleet.station[at].ledger;
}

/* ---- nothing is lost ---- */

static bool is_held_elsewhere(const struct world *world, size_t at,
                              const struct registry_entry *entry) {
    for (size_t i = 0; i < world->places; i++) {
        if (i != at && is_here_and_up(world, i) &&
            ledger_holds(ledger_at(world, i), entry->id.bytes)) {
            return true;
        }
    }
    return false;
}

void check_losing(struct world *world, size_t at) {
    for (size_t i = 0; i < world->fleet.registry.count; i++) {
        struct registry_entry *entry = &world->fleet.registry.entry[i];
        if (ledger_holds(ledger_at(world, at), entry->id.bytes)) {
            registry_hold(entry, at);
        }
    }
    world->host[at].lost = true;
}

static void check_receipts(struct world *world, size_t at) {
    size_t down = 0;
    if (world->fleet.station[at].may_fork) {
        return; /* numbers of two branches are not told apart in receipts */
    }
    down += world->fleet.station[world->fleet.count].twinned; /* it spoke as its original */
    for (size_t i = 0; i < world->fleet.count; i++) {
        down += i != at && ledger_at(world, i) == NULL;
    }
    for (size_t i = 0; i < world->fleet.registry.count; i++) {
        struct registry_entry *entry = &world->fleet.registry.entry[i];
        size_t holders = 0;
        if (entry->author != at || !entry->done || i % 3 != world->fleet.registry.count % 3) {
            continue;
        }
        size_t copies = ledger_copies(ledger_at(world, at), &entry->log, entry->number);
        for (size_t j = 0; copies > 0 && j < world->fleet.count; j++) {
            if (j != at && ledger_at(world, j) != NULL &&
                ledger_holds(ledger_at(world, j), entry->id.bytes)) {
                registry_hold(entry, j);
            }
            holders += j != at && registry_held(entry, j);
        }
        if (copies > holders + down) {
            fleet_fail("receipt",
                       "station %zu believes record %llu to be on %zu others; it has been on %zu",
                       at, (unsigned long long)entry->number, copies, holders);
        }
    }
}

void check_reopened(struct world *world, size_t at) {
    struct host *host = &world->host[at];
    uint64_t count = ledger_count(ledger_at(world, at));
    if (!host->lost && count < host->committed) {
        fleet_fail("acknowledged", "station %zu had committed %llu records and holds %llu", at,
                   (unsigned long long)host->committed, (unsigned long long)count);
    }
    for (size_t i = 0; i < world->fleet.registry.count; i++) {
        struct registry_entry *entry = &world->fleet.registry.entry[i];
        bool had = entry->author == at || (host->lost && registry_held(entry, at));
        if (!entry->done || entry->excused || !had ||
            ledger_holds(ledger_at(world, at), entry->id.bytes)) {
            continue;
        }
        if (!host->lost && !host->has_lost) {
            fleet_fail("acknowledged", "record %llu of station %zu was shown as done and is gone",
                       (unsigned long long)entry->number, at);
        }
        entry->excused = host->lost && !is_held_elsewhere(world, at, entry);
    }
    host->has_lost = host->has_lost || host->lost;
    host->lost = false;
    /* What it holds beyond that is a commit whose sync failed: nobody was told, and it may be lost
     * again until the ledger is made durable (world_start). */
    host->committed = count < host->committed ? count : host->committed;
    /* Before anything comes to it again: does anybody believe of it what it does not hold? */
    for (size_t i = 0; i < world->fleet.count && world->fleet.count <= 10; i++) {
        if (i != at && world_is_up(world, i)) {
            check_receipts(world, i);
        }
    }
}

static bool is_with_a_thief(const struct world *world, const struct registry_entry *entry) {
    for (size_t i = 0; i < world->fleet.count; i++) {
        if (world->fleet.station[i].stolen && ledger_at(world, i) != NULL &&
            ledger_holds(ledger_at(world, i), entry->id.bytes)) {
            return true;
        }
    }
    return false;
}

static void check_all_kept(const struct world *world) {
    for (size_t i = 0; i < world->fleet.registry.count; i++) {
        const struct registry_entry *entry = &world->fleet.registry.entry[i];
        if (entry->done && !entry->excused &&
            !ledger_holds(ledger_at(world, FLEET_LEAD), entry->id.bytes) &&
            !is_with_a_thief(world, entry)) {
            fleet_fail("acknowledged",
                       "record %llu of station %zu was shown as done and is nowhere",
                       (unsigned long long)entry->number, entry->author);
        }
    }
}

/* Whether a clock names a head that nobody holds any more: lost with a restored folder, or with a
 * thief (check_all_kept), while a record that names it has gone round. What lay behind that head
 * cannot be told then. */
static bool saw_what_is_lost(const struct ledger *ledger, struct clock_position at) {
    sqlite3_stmt *statement = NULL;
    bool lost = false;
    if (sqlite3_prepare_v2(ledger->db,
                           "SELECT 1 FROM seen WHERE chain = ?1 AND number <= ?2"
                           " AND target_chain IS NULL LIMIT 1",
                           -1, &statement, NULL) == SQLITE_OK) {
        sqlite3_bind_int64(statement, 1, at.chain);
        sqlite3_bind_int64(statement, 2, (int64_t)at.number);
        lost = sqlite3_step(statement) == SQLITE_ROW;
    }
    sqlite3_finalize(statement);
    return lost;
}

/* Who made an issue of a bib whose other issue lay before it has said so in its clock. */
static void check_known(const struct world *world) {
    struct ledger *ledger = ledger_at(world, world->cellar);
    for (size_t i = 0; i < world->fleet.knew_count; i++) {
        const struct fleet_knew *knew = &world->fleet.knew[i];
        struct clock_position later;
        struct clock_position earlier;
        if (ledger_position(ledger, &knew->later, &later) &&
            ledger_position(ledger, &knew->earlier, &earlier) &&
            !ledger_covers(ledger, later, earlier) && !saw_what_is_lost(ledger, later)) {
            fleet_fail("knowing", "an issue was made beside one that its author held, and its "
                                  "clock does not say so");
        }
    }
}

/* ---- nothing false is taken in, or said ---- */

static bool is_written(void *context, struct slice raw) {
    const struct world *world = context;
    struct record_id id = identity_record(raw);
    if (registry_find(&world->fleet.registry, &id) == NULL) {
        struct record record;
        struct error err;
        uint64_t number = record_decode(raw, &record, &err) == ERR_OK ? record.number : 0;
        fleet_fail("accepted", "a record (number %llu) is held that nobody wrote",
                   (unsigned long long)number);
    }
    return true;
}

static void check_accepted(struct world *world, size_t at) {
    struct error err;
    enum error_code code = ledger_each(ledger_at(world, at), is_written, world, &err);
    fleet_check(code, &err);
}

/* ---- forks ---- */

struct fork_check {
    struct world *world;
    size_t at;
};

static void is_meant(void *context, const struct ledger_fork *fork) {
    const struct fork_check *check = context;
    struct sign_public key;
    bool meant = false;
    if (!ledger_log_key(ledger_at(check->world, check->at), &fork->log, &key)) {
        fleet_fail("no-fork", "a fork of a log that is not held");
    }
    for (size_t i = 0; i < check->world->places; i++) {
        const struct fleet_station *station = &check->world->fleet.station[i];
        meant = meant || (station->may_fork && ID_EQUAL(station->keys.sign_public, key));
    }
    if (!meant) {
        fleet_fail("no-fork", "a log forked at %llu that nothing was done to",
                   (unsigned long long)fork->number);
    }
}

static bool count_fork_alarm(void *context, const struct pairs_alarm *alarm) {
    *(size_t *)context += strcmp(alarm->name, "fork") == 0;
    return true;
}

static void check_forks(struct world *world, size_t at, size_t branches) {
    struct fork_check check = {world, at};
    struct error err;
    size_t alarms = 0;
    ledger_each_fork(ledger_at(world, at), is_meant, &check);
    fleet_check(pairs_each_alarm(ledger_at(world, at), count_fork_alarm, &alarms, &err), &err);
    if (alarms != branches) {
        fleet_fail("fork-alarm", "station %zu holds %zu further branches and alarms of %zu", at,
                   branches, alarms);
    }
}

static int compare_ids(const void *a, const void *b) {
    return memcmp(a, b, sizeof(struct record_id));
}

/* Branches beyond the first, told from the records alone. */
static size_t count_branches(const struct slice *records, size_t count) {
    struct record_id *previous = fleet_must(calloc(count + 1, sizeof(*previous)));
    struct record record;
    struct error err;
    size_t found = 0;
    size_t branches = 0;
    for (size_t i = 0; i < count; i++) {
        fleet_check(record_decode(records[i], &record, &err), &err);
        if (record.has_previous) {
            previous[found++] = record.previous;
        }
    }
    qsort(previous, found, sizeof(*previous), compare_ids);
    for (size_t i = 1; i < found; i++) {
        branches += ID_EQUAL(previous[i - 1], previous[i]);
    }
    free(previous);
    return branches;
}

/* ---- the oracle ---- */

struct compared {
    const struct oracle *oracle;
    size_t bibs, doubled[4], doubt, crossed, emptied;
};

static bool compare_bib(void *context, const struct pairs_bib *bib) {
    struct compared *compared = context;
    const struct oracle_bib *expected = NULL;
    for (size_t i = 0; i < compared->oracle->bib_count; i++) {
        if (strcmp(compared->oracle->bib[i].bib.text, bib->bib.text) == 0) {
            expected = &compared->oracle->bib[i];
        }
    }
    if (expected == NULL) {
        fleet_fail("oracle", "bib %s is known to the ledger alone", bib->bib.text);
    }
    if ((int)bib->state != (int)expected->state || (int)bib->cause != (int)expected->cause ||
        bib->doubt != expected->doubt || bib->crossed != expected->crossed ||
        bib->live != expected->live) {
        fleet_fail("oracle",
                   "bib %s: state %d, cause %d, doubt %d, crossed %d, live %zu; the oracle says "
                   "%d, %d, %d, %d, %zu",
                   bib->bib.text, bib->state, bib->cause, bib->doubt, bib->crossed, bib->live,
                   expected->state, expected->cause, expected->doubt, expected->crossed,
                   expected->live);
    }
    compared->bibs++;
    compared->doubled[bib->cause]++;
    compared->doubt += bib->doubt;
    compared->crossed += bib->crossed;
    compared->emptied += bib->state == PAIRS_EMPTIED;
    return true;
}

static bool count_bib(void *context, const struct pairs_bib *bib) {
    (void)bib;
    ++*(size_t *)context;
    return true;
}

static bool count_shared(void *context, const struct pairs_shared *shared) {
    (void)shared;
    ++*(size_t *)context;
    return true;
}

/* The lists that people see are whole. */
static void check_lists(struct ledger *ledger, const struct compared *compared) {
    const struct {
        enum pairs_bibs which;
        size_t expected;
    } lists[] = {{PAIRS_BIBS_DOUBLED, compared->doubled[PAIRS_UNAWARE] +
                                          compared->doubled[PAIRS_KNOWING] +
                                          compared->doubled[PAIRS_REPEAT]},
                 {PAIRS_BIBS_DOUBT, compared->doubt},
                 {PAIRS_BIBS_CROSSED, compared->crossed}};
    for (size_t i = 0; i < sizeof(lists) / sizeof(lists[0]); i++) {
        struct error err;
        size_t count = 0;
        fleet_check(pairs_each_bib(ledger, lists[i].which, count_bib, &count, &err), &err);
        if (count != lists[i].expected) {
            fleet_fail("oracle", "list %zu has %zu bibs and should have %zu", i, count,
                       lists[i].expected);
        }
    }
}

static bool count_hold(void *context, const struct pairs_hold *hold) {
    (void)hold;
    ++*(size_t *)context;
    return true;
}

/* Each bib that the oracle holds back is held back, by the same record, and no other is. Returns
 * how many there are. */
static size_t check_holds(struct ledger *ledger, const struct oracle *oracle) {
    struct error err;
    size_t expected = 0;
    size_t listed = 0;
    for (size_t i = 0; i < oracle->hold_count; i++) {
        const struct oracle_hold *want = &oracle->hold[i];
        struct pairs_hold hold;
        enum error_code code = pairs_hold(ledger, &want->bib, &hold, &err);
        bool same = code == ERR_OK && hold.how == want->how && ID_EQUAL(hold.said.id, want->id);
        if (want->how == HOLD_FREE ? code != ERR_NOT_FOUND : !same) {
            fleet_fail("oracle", "bib %s: hold %d; the oracle says %d", want->bib.text,
                       code == ERR_OK ? (int)hold.how : (int)HOLD_FREE, (int)want->how);
        }
        expected += want->how != HOLD_FREE;
    }
    fleet_check(pairs_each_hold(ledger, count_hold, &listed, &err), &err);
    if (listed != expected) {
        fleet_fail("oracle", "%zu bibs are held back; the oracle says %zu", listed, expected);
    }
    return expected;
}

static void check_oracle(struct world *world, size_t at, bool print) {
    struct ledger *ledger = ledger_at(world, at);
    struct error err;
    size_t count = 0;
    size_t shared = 0;
    struct slice *records = fleet_records(ledger, &count);
    struct oracle oracle = oracle_of(records, count, &world->fleet.event.root);
    struct compared compared = {.oracle = &oracle};
    fleet_check(pairs_each_bib(ledger, PAIRS_BIBS_ALL, compare_bib, &compared, &err), &err);
    fleet_check(pairs_each_shared(ledger, count_shared, &shared, &err), &err);
    if (compared.bibs != oracle.bib_count || shared != oracle.shared) {
        fleet_fail("oracle", "%zu bibs and %zu shared tags; the oracle says %zu and %zu",
                   compared.bibs, shared, oracle.bib_count, oracle.shared);
    }
    check_lists(ledger, &compared);
    size_t holds = check_holds(ledger, &oracle);
    size_t branches = count_branches(records, count);
    check_forks(world, at, branches);
    if (print) {
        printf("  %zu records, %zu bibs: doubled %zu unaware, %zu knowing, %zu repeats; %zu "
               "emptied, %zu crossed, %zu in doubt; %zu tags on two bibs; %zu held "
               "back; %zu forks, %zu uncounted\n",
               count, compared.bibs, compared.doubled[PAIRS_UNAWARE],
               compared.doubled[PAIRS_KNOWING], compared.doubled[PAIRS_REPEAT], compared.emptied,
               compared.crossed, compared.doubt, shared, holds, branches, oracle.uncounted);
    }
    oracle_release(&oracle);
    fleet_records_free(records, count);
}

/* ---- any moment ---- */

static void check_memory(struct world *world, size_t at) {
    struct host *host = &world->host[at];
    size_t each = sync_counts(host->sync).memory / world->fleet.count;
    host->memory_max = each > host->memory_max ? each : host->memory_max;
    if (each > CHECK_PEER_BYTES) {
        fleet_fail("memory", "station %zu holds %zu bytes for each peer", at, each);
    }
}

/* Stations with equal records have equal states. */
static void check_states(struct world *world) {
    struct digest32 *heads = fleet_must(calloc(world->places, sizeof(*heads)));
    struct digest32 *states = fleet_must(calloc(world->places, sizeof(*states)));
    for (size_t i = 0; i < world->places; i++) {
        if (!world_is_up(world, i)) {
            continue;
        }
        heads[i] = ledger_heads_hash(ledger_at(world, i));
        states[i] = pairs_state_hash(ledger_at(world, i));
        for (size_t j = 0; j < i; j++) {
            if (world_is_up(world, j) && ID_EQUAL(heads[i], heads[j]) &&
                !ID_EQUAL(states[i], states[j])) {
                fleet_fail("same-state", "stations %zu and %zu hold the same records and differ", j,
                           i);
            }
        }
    }
    free(heads);
    free(states);
}

void check_running(struct world *world, struct dice *dice, bool deep) {
    size_t at = (size_t)dice_below(dice, world->fleet.count);
    for (size_t i = 0; i < world->fleet.count; i++) {
        if (world_is_up(world, i)) {
            check_memory(world, i);
        }
    }
    check_states(world);
    if (!is_here_and_up(world, at)) {
        return;
    }
    check_accepted(world, at);
    check_receipts(world, at);
    if (deep) {
        check_oracle(world, at, false);
    }
}

void check_holds_all_of(struct world *world, size_t at, struct slice file) {
    bool whole = false;
    for (size_t size; (size = record_size_at(file, &whole)) > 0;
         file = slice_of(file.data + size, file.size - size)) {
        struct record_id id = identity_record(slice_of(file.data, size));
        if (!ledger_holds(ledger_at(world, at), id.bytes) &&
            registry_find(&world->fleet.registry, &id) != NULL) {
            fleet_fail("carry", "station %zu took a carry file in and lacks a record of it", at);
        }
    }
}

/* ---- the end ---- */

bool check_is_equal(struct world *world, size_t *odd) {
    if (!is_here_and_up(world, FLEET_LEAD)) {
        *odd = FLEET_LEAD;
        return false;
    }
    struct digest32 first = ledger_heads_hash(ledger_at(world, FLEET_LEAD));
    for (size_t i = 1; i < world->fleet.count; i++) {
        *odd = i;
        if (!check_is_awaited(world, i)) {
            continue;
        }
        if (!world_is_up(world, i)) {
            return false;
        }
        struct digest32 hash = ledger_heads_hash(ledger_at(world, i));
        if (!ID_EQUAL(first, hash)) {
            return false;
        }
    }
    return true;
}

/* What people need to see when a history does not end well. */
static void describe(const struct world *world, size_t at) {
    if (!world_is_up(world, at)) {
        fprintf(stderr, "%s is down\n", world->fleet.station[at].name);
        return;
    }
    struct sync_peer *peers = fleet_must(calloc(SYNC_PEERS_MAX, sizeof(*peers)));
    struct sync_counts counts = sync_counts(world->host[at].sync);
    size_t count = sync_peers(world->host[at].sync, peers, SYNC_PEERS_MAX);
    fprintf(stderr,
            "%s%s holds %llu records; %llu wants, %llu timeouts, %llu stale, %llu refused\n",
            world->fleet.station[at].name, world->fleet.station[at].stolen ? " (stolen)" : "",
            (unsigned long long)ledger_count(world->fleet.station[at].ledger),
            (unsigned long long)counts.wants, (unsigned long long)counts.timeouts,
            (unsigned long long)counts.stale, (unsigned long long)counts.refused);
    for (size_t i = 0; i < count; i++) {
        fprintf(stderr, "  %s %s: behind %llu%s\n", peers[i].connected ? "talks with" : "knows",
                peers[i].name, (unsigned long long)peers[i].behind,
                peers[i].same ? ", same hash" : "");
    }
    free(peers);
}

/* A retire may have been committed though the lead died before it heard so. */
static void look_who_is_out(struct world *world) {
    for (size_t i = 0; i < world->fleet.count && world_is_up(world, FLEET_LEAD); i++) {
        struct fleet_station *station = &world->fleet.station[i];
        struct pairs_station out;
        struct error err;
        if (pairs_station(ledger_at(world, FLEET_LEAD), &station->keys.sign_public, &out, &err) ==
            ERR_OK) {
            station->stolen = station->stolen || out.stolen;
        }
    }
}

int64_t check_converge(struct world *world) {
    int64_t healed = world->net.now;
    int64_t allowed = CONVERGE_MS + CONVERGE_STATION_MS * (int64_t)world->fleet.count;
    size_t odd = 0;
    look_who_is_out(world);
    while (!check_is_equal(world, &odd)) {
        look_who_is_out(world);
        if (world->net.now - healed >= allowed) {
            for (size_t i = 0; i < world->fleet.count; i++) {
                describe(world, i);
            }
            fleet_fail("converge",
                       "station %zu has other records than the lead %lld ms after the "
                       "last heal",
                       odd, (long long)allowed);
        }
        world_run_until(world, world->net.now + 100);
    }
    return world->net.now - healed;
}

void check_end(struct world *world, bool verify_all) {
    struct error err;
    check_states(world);
    check_oracle(world, world->cellar, true);
    check_all_kept(world);
    check_known(world);
    for (size_t i = 0; i < world->fleet.count; i++) {
        if (is_here_and_up(world, i)) {
            check_accepted(world, i);
            check_receipts(world, i);
            if (verify_all || i == world->cellar || i % 7 == world->seed % 7) {
                enum error_code code = pairs_verify(ledger_at(world, i), i == world->cellar, &err);
                if (code != ERR_OK) {
                    fleet_fail("verify", "station %zu: %s (%s)", i, err.say, err.cause);
                }
            }
        }
    }
}

/* A station that is not awaited calls and is not answered, which is not the others' noise. */
static void silence(struct world *world) {
    for (size_t i = 0; i < world->places; i++) {
        if (world_is_up(world, i) && !check_is_awaited(world, i)) {
            world_stop(world, i, true);
        }
        world->host[i].mangles = false;
    }
}

/* Who spoilt its messages is mended and begins anew: the heads that such a message named and nobody
 * holds would be asked for again, ever more rarely, as long as its sessions last. */
static void mend_spoilers(struct world *world) {
    for (size_t i = 0; i < world->places; i++) {
        if (world->host[i].mangled && world_is_up(world, i)) {
            world->host[i].mangles = false;
            world_stop(world, i, true);
            world_rise(world, i, 100);
        }
    }
}

void check_quiet(struct world *world) {
    size_t up = 0;
    world->net.loss = 0; /* a lost beat would bring hellos, and rightly */
    mend_spoilers(world);
    world_run_until(world, world->net.now + CALM_MS);
    silence(world);
    memset(world->net.by_kind, 0, sizeof(world->net.by_kind));
    world_run_until(world, world->net.now + QUIET_MS);
    for (size_t kind = 1; kind < 8; kind++) {
        if (kind != 5 && world->net.by_kind[kind] > 0) {
            fleet_fail("quiet", "%llu messages of kind %zu in the quiet",
                       (unsigned long long)world->net.by_kind[kind], kind);
        }
    }
    for (size_t i = 0; i < world->fleet.count; i++) {
        up += world_is_up(world, i);
    }
    /* A beat a second to each peer, a little more at most. */
    if (world->net.by_kind[5] == 0 ||
        world->net.by_kind[5] > up * (up - 1) * (QUIET_MS / 1000) * 12 / 10) {
        fleet_fail("quiet", "%llu beats of %zu stations in %d ms",
                   (unsigned long long)world->net.by_kind[5], up, QUIET_MS);
    }
}
