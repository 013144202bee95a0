/*
 * scale.c: many stations and long logs: all converge, what it costs to get there, and what one new
 * record costs with a tenth, half and all of the history behind it.
 *
 *   scale [--stations N] [--records R] [--live]
 *
 * Each station writes its share alone, in three stages; after each all talk until they are equal
 * (everybody dialled one table; the rest is found), and then fifty records are written one at a
 * time, live. Ledgers are in memory, and the network loses nothing and keeps order, as TCP does:
 * this is about cost, and what overtakes is asked for twice. Figures are printed, and nothing is
 * judged by them except that all become equal.
 *
 * CPU time also tells of caches, and of who else uses the machine. So work is counted, too: steps
 * of SQLite's virtual machine, and pages that it looked at. Those two are the same in every run.
 */
#include <malloc.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>

#include <sodium.h>

#include "common/ledger_sql.h"
#include "tests/sim/check.h"
#include "tests/sim/world.h"

enum { LIVE = 50, PATIENCE_MS = 3600000 };

struct tally {
    uint64_t messages, bytes, vm_steps, pages;
    double cpu;
};

static double cpu_seconds(void) {
    return (double)clock() / CLOCKS_PER_SEC;
}

/* What SQLite did for a ledger since it was opened. */
static void count_work(const struct ledger *ledger, struct tally *out) {
    const int which[] = {SQLITE_DBSTATUS_CACHE_HIT, SQLITE_DBSTATUS_CACHE_MISS};
    for (sqlite3_stmt *statement = sqlite3_next_stmt(ledger->db, NULL); statement != NULL;
         statement = sqlite3_next_stmt(ledger->db, statement)) {
        out->vm_steps += (uint64_t)sqlite3_stmt_status(statement, SQLITE_STMTSTATUS_VM_STEP, 0);
    }
    for (size_t i = 0; i < sizeof(which) / sizeof(which[0]); i++) {
        int now = 0;
        int highest = 0;
        sqlite3_db_status(ledger->db, which[i], &now, &highest, 0);
        out->pages += (uint64_t)now;
    }
}

static struct tally tally(const struct world *world) {
    struct tally out = {.cpu = cpu_seconds()};
    for (size_t i = 0; i < world->fleet.count; i++) {
        struct sync_counts counts = sync_counts(world->host[i].sync);
        out.messages += counts.messages_out;
        out.bytes += counts.bytes_out;
        count_work(world->fleet.station[i].ledger, &out);
    }
    return out;
}

static double megabytes(void) {
    struct rusage usage;
    getrusage(RUSAGE_SELF, &usage);
    return (double)usage.ru_maxrss / 1024;
}

static void nothing(struct world *world) {
    (void)world;
}

static void no_trouble(struct world *world, size_t which) {
    (void)world;
    (void)which;
}

/* Cheap, so that looking costs nothing beside what is measured. The hashes are compared at the end
 * of a stage. */
static bool hold_all(const struct world *world, uint64_t records) {
    for (size_t i = 0; i < world->fleet.count; i++) {
        if (ledger_count(world->fleet.station[i].ledger) != records) {
            return false;
        }
    }
    return true;
}

/* Runs until all hold as many; returns the virtual ms that it took. */
static int64_t converge(struct world *world, uint64_t records) {
    int64_t began = world->net.now;
    size_t odd = 0;
    while (!hold_all(world, records)) {
        if (world->net.now - began > PATIENCE_MS) {
            (void)check_is_equal(world, &odd);
            fleet_fail("converge", "station %zu is not equal after %d virtual ms", odd,
                       PATIENCE_MS);
        }
        world_run_until(world, world->net.now + 20);
    }
    return world->net.now - began;
}

/* The stations' own records, written without anybody hearing of them, many in one transaction. */
static void write_alone(struct world *world, uint64_t records) {
    struct error err;
    for (size_t i = 0; i < world->fleet.count; i++) {
        for (uint64_t j = 0; j < records; j++) {
            fleet_check(fleet_issue_own(&world->fleet, i, world->net.now, &err), &err);
        }
        world_appended(world, i);
    }
}

/* The same while they talk, as at an expo: then each table names again and again what it has seen
 * of the others, and that history is there too. */
static void write_together(struct world *world, uint64_t records) {
    struct error err;
    for (uint64_t j = 0; j < records; j++) {
        for (size_t i = 0; i < world->fleet.count; i++) {
            fleet_check(fleet_issue_own(&world->fleet, i, world->net.now, &err), &err);
            world_appended(world, i);
        }
        world_run_until(world, world->net.now + 200);
    }
}

/* One record at a time, each until all have it: what it costs all stations together. `doubles`:
 * each is of a bib that another table chipped in the first stage, so that clocks of the whole
 * history since are compared. */
static void write_live(struct world *world, const char *stage, bool doubles) {
    static uint64_t doubled = 0;
    struct tally start = tally(world);
    uint64_t held = ledger_count(world->fleet.station[0].ledger);
    double live = 0;
    int64_t took = 0;
    struct error err;
    for (size_t i = 0; i < LIVE; i++) {
        size_t at = i % world->fleet.count;
        struct fleet_station *station = &world->fleet.station[at];
        struct fleet_station before = *station;
        double began = cpu_seconds();
        if (doubles) {
            station->desk = world->fleet.station[(at + 1) % world->fleet.count].desk;
            station->own_bibs = doubled++ / world->fleet.count;
        }
        fleet_check(fleet_issue_own(&world->fleet, at, world->net.now, &err), &err);
        station->desk = before.desk;
        station->own_bibs = before.own_bibs + !doubles;
        world_appended(world, at);
        took += converge(world, ++held);
        live += cpu_seconds() - began;
    }
    struct tally after = tally(world);
    double each = LIVE * (double)world->fleet.count;
    printf("%s: one new %s costs %.1f us of CPU, %.0f steps of SQLite, %.1f pages looked at, "
           "%.1f messages and %.0f bytes a station; at all others after %.0f virtual ms; %llu "
           "records held by each\n",
           stage, doubles ? "double" : "record", live * 1e6 / each,
           (double)(after.vm_steps - start.vm_steps) / each,
           (double)(after.pages - start.pages) / each,
           (double)(after.messages - start.messages) / each,
           (double)(after.bytes - start.bytes) / each, (double)took / LIVE,
           (unsigned long long)ledger_count(world->fleet.station[0].ledger));
    fflush(stdout);
}

/* Of the memory that is in use, how much is SQLite's: here that is the ledgers themselves, which a
 * real station has in its folder. */
static void print_memory(const struct world *world, const char *name) {
    double stations = (double)world->fleet.count * 1048576;
    double sqlite = (double)sqlite3_memory_used();
    double machines = 0;
    struct mallinfo2 all = mallinfo2();
    for (size_t i = 0; i < world->fleet.count; i++) {
        machines += (double)sync_counts(world->host[i].sync).memory;
    }
    printf("%s: memory in use a station: %.2f MB of SQLite, which holds the ledger, %.2f MB of the "
           "sync machine, %.2f MB of all else (the simulator's lists are in it)\n",
           name, sqlite / stations, machines / stations,
           ((double)(all.uordblks + all.hblkhd) - sqlite - machines) / stations);
}

static void stage(struct world *world, const char *name, uint64_t records, bool live) {
    uint64_t held = ledger_count(world->fleet.station[0].ledger);
    double began = cpu_seconds();
    struct tally before = tally(world);
    if (live) {
        write_together(world, records);
    } else {
        write_alone(world, records);
        before = tally(world);
    }
    double wrote = cpu_seconds();
    int64_t took = converge(world, held + records * world->fleet.count);
    struct tally after = tally(world);
    uint64_t moved = ledger_count(world->fleet.station[0].ledger) - held;
    double each = (double)moved * (double)world->fleet.count;
    printf("%s: %llu records written (%.1f us of CPU each), equal after %lld virtual ms; %.3f "
           "messages, %.0f bytes, %.0f steps of SQLite, %.1f pages and %.1f us of CPU per record "
           "and station; peak memory %.0f MB, %.1f MB a station\n",
           name, (unsigned long long)(records * world->fleet.count),
           (wrote - began) * 1e6 / (double)(records * world->fleet.count), (long long)took,
           (double)(after.messages - before.messages) / each,
           (double)(after.bytes - before.bytes) / each,
           (double)(after.vm_steps - before.vm_steps) / each,
           (double)(after.pages - before.pages) / each, (after.cpu - before.cpu) * 1e6 / each,
           megabytes(), megabytes() / (double)world->fleet.count);
    fflush(stdout);
    print_memory(world, name);
    size_t odd = 0;
    if (!check_is_equal(world, &odd)) {
        fleet_fail("converge", "station %zu holds as many records and others", odd);
    }
    world_run_until(world, world->net.now + 5000);
    write_live(world, name, false);
    write_live(world, name, true);
}

int main(int count, char **words) {
    size_t stations = 50;
    uint64_t records = 200000;
    bool live = false;
    struct world world;
    for (int i = 1; i < count; i++) {
        unsigned long long value = i + 1 < count ? strtoull(words[i + 1], NULL, 10) : 0;
        if (strcmp(words[i], "--stations") == 0 && value >= 5 && value <= 250) {
            stations = (size_t)value;
            i++;
        } else if (strcmp(words[i], "--records") == 0 && value >= 1000 && value <= 10000000) {
            records = value;
            i++;
        } else if (strcmp(words[i], "--live") == 0) {
            live = true;
        } else {
            fprintf(stderr, "usage: scale [--stations 5-250] [--records R] [--live]\n");
            return 2;
        }
    }
    if (sodium_init() < 0) {
        return 3;
    }
    fleet_replay("scale", NULL, 0);
    world_new(&world, 1, stations, false);
    world.act = nothing;
    world.trouble = no_trouble;
    world.net.loss = world.net.doubling = 0;
    world.net.in_order = true;
    for (size_t i = 0; i < stations; i++) {
        struct error err;
        if (!world.fleet.station[i].here) {
            fleet_check(fleet_join(&world.fleet, i, 0, &err), &err);
        }
        world_start(&world, i);
        world_dial(&world, i, 0);
    }
    /* found, two admits and three opens of root and leads, and two for each further station */
    (void)converge(&world, 2 + 2 * stations);
    uint64_t each = records / stations;
    stage(&world, "10 %", each / 10, live);
    stage(&world, "50 %", each * 4 / 10, live);
    stage(&world, "100 %", each - each / 10 - each * 4 / 10, live);
    world_free(&world);
    return 0;
}
