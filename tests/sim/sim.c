/*
 * sim.c: many stations in one process under a seeded scheduler.
 *
 * The machines and ledgers are those of the program; what is simulated is the host around them, the
 * disk, the network and time. First the world is broken in every way that the dice know, while
 * people work; then it is healed, and all stations must come to the same picture within a stated
 * time, agree with a naive oracle, and fall silent but for their beats. See check.h for what holds.
 *
 *   sim [--seed S] [--stations N] [--seconds T | --hours H] [--seeds COUNT] [--troubles HEX]
 *       [--for SECONDS] [--no-shrink]
 *
 * Each history is played in a child process. When one fails, smaller ones with the same seed are
 * tried as long as they fail at the same check, and the smallest command is printed.
 */
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <sodium.h>

#include "tests/sim/check.h"
#include "tests/sim/fleet_internal.h"
#include "tests/sim/trouble.h"

struct plan {
    uint64_t seed;
    size_t stations;
    int64_t seconds;
    uint32_t troubles;
};

/* What the children tell. */
struct told {
    char failed[40]; /* the invariant */
    uint64_t struck[TROUBLE_COUNT], one_way, lonely, torn, half_done, records, cut_files,
        whole_files;
    uint64_t refused_disk, memory_max;
    int64_t slowest;
};
static struct told *told;

/* ---- one history ---- */

/* Who dials whom at first: everybody all, one common table, a chain, or a few by chance. The rest
 * is found by the addresses that stations pass on. */
static void dial_first(struct world *world) {
    size_t count = world->fleet.count - 1; /* the last one comes later */
    uint64_t shape = dice_below(&world->net.dice, 4);
    for (size_t i = 1; i < count; i++) {
        if (shape == 0) {
            for (size_t j = 0; j < i; j++) {
                world_dial(world, i, j);
            }
        } else if (shape == 1) {
            world_dial(world, i, FLEET_LEAD);
        } else if (shape == 2) {
            world_dial(world, i, i - 1);
        } else {
            size_t first = (size_t)dice_below(&world->net.dice, i);
            world_dial(world, i, first);
            size_t second = (size_t)dice_below(&world->net.dice, i);
            world_dial(world, i, second);
            if (i != world->stairs && first == world->cellar && second == world->cellar) {
                world_dial(world, i, FLEET_LEAD); /* or it would never reach anybody */
            }
        }
    }
    world_dial(world, world->stairs, world->cellar);
    world_dial(world, world->stairs, FLEET_LEAD); /* the chain may lead through the cellar */
    world_dial(world, world->stairs == count - 1 ? 1 : world->stairs + 1, world->stairs);
    world_dial(world, world->cellar + 1, world->cellar - 1);
}

static void begin(struct world *world) {
    size_t places = world->places;
    for (size_t i = 0; i < places; i++) {
        if (i != world->stairs && i != world->cellar) {
            world->net.never[i * places + world->cellar] = true;
            world->net.never[world->cellar * places + i] = true;
        }
    }
    for (size_t i = 0; i < world->fleet.count; i++) {
        if (world->fleet.station[i].here) {
            world_start(world, i);
        }
    }
    dial_first(world);
    for (size_t i = 0; i + 1 < world->fleet.count; i++) {
        world_appended(world, i);
    }
}

/* Whether the station in the cellar is in session with the one on the stairs and nobody else. */
static bool is_alone_on_stairs(const struct world *world) {
    struct sync_peer *peers = fleet_must(calloc(SYNC_PEERS_MAX, sizeof(*peers)));
    size_t count = sync_peers(world->host[world->cellar].sync, peers, SYNC_PEERS_MAX);
    const struct curve_public *stairs = &world->fleet.station[world->stairs].keys.curve_public;
    size_t connected = 0;
    bool has = false;
    for (size_t i = 0; i < count; i++) {
        connected += peers[i].connected;
        has = has || (peers[i].connected && ID_EQUAL(peers[i].curve, *stairs));
    }
    free(peers);
    return has && connected == 1;
}

static void tell(const struct world *world, const struct troubles *troubles, int64_t took) {
    struct disk_counts disk = disk_counts(world->disk);
    for (size_t i = 0; i < TROUBLE_COUNT; i++) {
        told->struck[i] += troubles->struck[i];
    }
    told->one_way += world->net.cut_one_way > 0;
    told->lonely += is_alone_on_stairs(world);
    told->torn += disk.torn;
    told->refused_disk += disk.failed;
    told->half_done += world->fleet.half_done_checks;
    told->records += world->fleet.registry.count;
    told->cut_files += troubles->carried_cut;
    told->whole_files += troubles->carried_whole;
    told->slowest = took > told->slowest ? took : told->slowest;
    for (size_t i = 0; i < world->fleet.count; i++) {
        size_t memory = world->host[i].memory_max;
        told->memory_max = memory > told->memory_max ? memory : told->memory_max;
    }
}

static void print_end(const struct world *world, int64_t took) {
    struct disk_counts disk = disk_counts(world->disk);
    printf("  %llu acts, %llu failed; equal %lld ms after the last heal (loss %llu %%, delay %lld "
           "to %lld ms); %llu messages arrived, %llu lost, %llu doubled, %llu cut off, %llu "
           "spoilt; %llu starts, %llu deaths, %llu stops; %llu new incarnations; %llu runs stored, "
           "%llu duplicates, %llu gaps, %llu denied; disk: %llu writes, %llu syncs, %llu cuts, "
           "%llu sectors lost\n",
           (unsigned long long)world->acts, (unsigned long long)world->failed_acts, (long long)took,
           (unsigned long long)world->net.loss, (long long)world->net.delay,
           (long long)(world->net.delay + world->net.spread - 1),
           (unsigned long long)world->net.delivered, (unsigned long long)world->net.lost,
           (unsigned long long)world->net.doubled, (unsigned long long)world->net.cut_off,
           (unsigned long long)world->mangled, (unsigned long long)world->restarts,
           (unsigned long long)world->crashes, (unsigned long long)world->stops,
           (unsigned long long)world->reincarnations,
           (unsigned long long)world->outcome[PAIRS_STORED],
           (unsigned long long)world->outcome[PAIRS_DUPLICATE],
           (unsigned long long)world->outcome[PAIRS_GAP],
           (unsigned long long)world->outcome[PAIRS_DENIED], (unsigned long long)disk.writes,
           (unsigned long long)disk.syncs, (unsigned long long)disk.cuts,
           (unsigned long long)disk.sectors_lost);
}

static void command_of(const struct plan *plan, char *out, size_t size) {
    int used = snprintf(out, size, "sim --seed %llu --stations %zu --seconds %lld",
                        (unsigned long long)plan->seed, plan->stations, (long long)plan->seconds);
    if (plan->troubles != TROUBLE_ALL) {
        snprintf(out + used, size - (size_t)used, " --troubles %x", plan->troubles);
    }
}

static void play(const struct plan *plan) {
    struct world world;
    struct troubles troubles;
    char command[120];
    command_of(plan, command, sizeof(command));
    fleet_replay(command, told->failed, sizeof(told->failed));
    printf("%s\n", command);
    fflush(stdout);
    world_new(&world, plan->seed, plan->stations, true);
    begin(&world);
    trouble_plan(&world, &troubles, plan->troubles, plan->seconds * 1000);
    world_run_until(&world, plan->seconds * 1000 + 1);
    int64_t took = check_converge(&world);
    check_end(&world, plan->stations <= 20);
    print_end(&world, took);
    check_quiet(&world);
    tell(&world, &troubles, took);
    world_free(&world);
}

/* ---- many, and smaller ones ---- */

/* Plays it in a child; whether it held. What fails is in told->failed. */
static bool hold(const struct plan *plan, bool quietly) {
    int status = 0;
    told->failed[0] = '\0';
    fflush(NULL);
    pid_t child = fork();
    if (child == 0) {
        if (quietly && (freopen("/dev/null", "w", stdout) == NULL ||
                        freopen("/dev/null", "w", stderr) == NULL)) {
            _exit(3);
        }
        play(plan);
        fflush(NULL);
        _exit(0);
    }
    if (child < 0 || waitpid(child, &status, 0) != child) {
        perror("sim");
        exit(3);
    }
    if (WIFSIGNALED(status)) {
        snprintf(told->failed, sizeof(told->failed), "signal %d", WTERMSIG(status));
    } else if (WEXITSTATUS(status) != 0 && told->failed[0] == '\0') {
        snprintf(told->failed, sizeof(told->failed), "exit %d", WEXITSTATUS(status));
    }
    return told->failed[0] == '\0';
}

static bool fails_too(const struct plan *plan, const char *invariant, int *tries) {
    return --*tries >= 0 && !hold(plan, true) && strcmp(told->failed, invariant) == 0;
}

/* Fewer troubles, then fewer stations, then less time, while it fails at the same check. */
static void shrink(struct plan plan) {
    char invariant[sizeof(told->failed)];
    char command[120];
    int tries = 60;
    memcpy(invariant, told->failed, sizeof(invariant));
    for (unsigned i = 0; i < TROUBLE_CHOSEN; i++) {
        struct plan smaller = plan;
        smaller.troubles &= ~(1u << i);
        if (smaller.troubles != plan.troubles && fails_too(&smaller, invariant, &tries)) {
            plan = smaller;
        }
    }
    for (size_t stations = 6; stations < plan.stations; stations = stations * 3 / 2) {
        struct plan smaller = plan;
        smaller.stations = stations;
        if (fails_too(&smaller, invariant, &tries)) {
            plan = smaller;
        }
    }
    for (int64_t seconds = 10; seconds < plan.seconds; seconds = seconds * 3 / 2) {
        struct plan smaller = plan;
        smaller.seconds = seconds;
        if (fails_too(&smaller, invariant, &tries)) {
            plan = smaller;
        }
    }
    command_of(&plan, command, sizeof(command));
    fprintf(stderr, "smaller: %s [%s]\n", command, invariant);
}

/* Histories in which the dangerous things did not happen prove nothing. */
static bool covers(const struct told *all) {
    const struct {
        const char *what;
        uint64_t count;
    } rest[] = {{"cut in one direction", all->one_way},
                {"session of the cellar with the stairs alone", all->lonely},
                {"torn write", all->torn},
                {"refusal of a disk", all->refused_disk},
                {"look after an act that failed", all->half_done},
                {"carry file cut off", all->cut_files},
                {"carry file taken whole", all->whole_files}};
    bool good = true;
    for (enum trouble i = 0; i <= TROUBLE_JOIN; i++) {
        printf("%s %llu, ", trouble_name(i), (unsigned long long)all->struck[i]);
        if (all->struck[i] == 0) {
            fprintf(stderr, "FAILED [coverage]: no %s\n", trouble_name(i));
            good = false;
        }
    }
    for (size_t i = 0; i < sizeof(rest) / sizeof(rest[0]); i++) {
        printf("%s %llu, ", rest[i].what, (unsigned long long)rest[i].count);
        if (rest[i].count == 0) {
            fprintf(stderr, "FAILED [coverage]: no %s\n", rest[i].what);
            good = false;
        }
    }
    printf("%llu records; slowest to be equal %lld ms; at most %llu bytes for a peer\n",
           (unsigned long long)all->records, (long long)all->slowest,
           (unsigned long long)all->memory_max);
    return good;
}

struct options {
    struct plan plan;
    uint64_t seeds;
    int64_t real_seconds; /* 0: no matter */
    bool shrinks;
};

static bool read_number(struct options *options, const char *word, const char *text) {
    char *end = NULL;
    bool hex = strcmp(word, "--troubles") == 0;
    unsigned long long value = strtoull(text, &end, hex ? 16 : 10);
    struct plan *plan = &options->plan;
    if (*text == '\0' || *end != '\0') {
        return false;
    }
    if (strcmp(word, "--seed") == 0) {
        plan->seed = value;
    } else if (strcmp(word, "--seeds") == 0) {
        options->seeds = value;
    } else if (strcmp(word, "--stations") == 0 && value >= 5 && value <= 200) {
        plan->stations = (size_t)value;
    } else if (strcmp(word, "--seconds") == 0 && value >= 10 && value <= 86400) {
        plan->seconds = (int64_t)value;
    } else if (strcmp(word, "--hours") == 0 && value >= 1 && value <= 24) {
        plan->seconds = (int64_t)value * 3600;
    } else if (strcmp(word, "--for") == 0 && value <= 1000000) {
        options->real_seconds = (int64_t)value;
    } else if (hex && value <= TROUBLE_ALL) {
        plan->troubles = (uint32_t)value;
    } else {
        return false;
    }
    return true;
}

static bool read_options(int count, char **words, struct options *options) {
    for (int i = 1; i < count; i++) {
        if (strcmp(words[i], "--no-shrink") == 0) {
            options->shrinks = false;
        } else if (i + 1 == count || !read_number(options, words[i], words[i + 1])) {
            fprintf(stderr, "usage: sim [--seed S] [--seeds COUNT] [--stations 5-200] "
                            "[--seconds 10-86400 | --hours 1-24] [--troubles HEX] "
                            "[--for SECONDS] [--no-shrink]\n");
            return false;
        } else {
            i++;
        }
    }
    return true;
}

int main(int count, char **words) {
    struct options options = {.plan = {1, 8, 60, TROUBLE_ALL}, .seeds = 1, .shrinks = true};
    time_t began = time(NULL);
    uint64_t played = 0;
    uint64_t failed = 0;
    if (!read_options(count, words, &options)) {
        return 2;
    }
    told = mmap(NULL, sizeof(*told), PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (sodium_init() < 0 || told == MAP_FAILED) {
        return 3;
    }
    for (; played < options.seeds; played++, options.plan.seed++) {
        if (options.real_seconds > 0 && time(NULL) - began >= options.real_seconds) {
            break;
        }
        if (!hold(&options.plan, false)) {
            failed++;
            fprintf(stderr, "seed %llu failed [%s]\n", (unsigned long long)options.plan.seed,
                    told->failed);
            if (options.shrinks) {
                shrink(options.plan);
            }
        }
    }
    if (played > 1) {
        bool whole = played < 20 || options.plan.troubles != TROUBLE_ALL || covers(told);
        printf("%llu histories, %llu failed\n", (unsigned long long)played,
               (unsigned long long)failed);
        failed += !whole;
    }
    return failed > 0 ? 1 : 0;
}
