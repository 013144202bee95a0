/*
 * latency.c: how long an issue takes to be durable in a running node, and to be seen at the others.
 *
 * usage: bench_latency COUNT FIRST-BIB FOLDER OTHER-FOLDER...
 * Nodes run on all folders already (latency.mjs starts them); this asks them over their control
 * sockets, as every command does. Beside each durable issue stands one write and fdatasync of as
 * many bytes on the same file system, taken in turn with it, so that both meet the same disk.
 * Prints figures and judges none. It never touches the ledgers themselves.
 */
#include "node/control.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

enum {
    OTHERS_MAX = 15,
    COUNT_MAX = 100000,
    WARM_UP = 50,        /* issues that are not counted, and that show how many bytes one writes */
    BARE_FILE = 4 << 20, /* written round and round, as SQLite does with its log */
    LOST_US = 30000000,  /* an issue that is not seen by then ends the benchmark */
};

struct bench {
    struct control_client near;
    struct control_client others[OTHERS_MAX];
    size_t other_count;
    unsigned long next_bib;
    struct buffer out, say;
    int bare; /* file descriptor of the file beside the ledger */
    off_t bare_at;
    size_t issue_bytes;
    uint8_t block[65536];
};

static void give_up(const char *what, const char *why) {
    fprintf(stderr, "bench_latency: %s: %s\n", what, why);
    exit(1);
}

static double now_us(void) {
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return (double)at.tv_sec * 1e6 + (double)at.tv_nsec / 1e3;
}

/* One request; its answer is in bench->out. */
static int ask(struct bench *bench, struct control_client *client, const char *verb,
               const char *argument) {
    struct error err;
    int status = 0;
    buffer_clear(&bench->out);
    buffer_clear(&bench->say);
    if (control_ask(client, verb, &argument, 1, true, "/", &status, &bench->out, &bench->say,
                    &err) != ERR_OK) {
        give_up(verb, err.cause);
    }
    return status;
}

/* Issues the next bib; microseconds until the node says that it is done. */
static double issue(struct bench *bench, char bib[24]) {
    snprintf(bib, 24, "%lu", bench->next_bib++);
    double from = now_us();
    int status = ask(bench, &bench->near, "issue", bib);
    double took = now_us() - from;
    if (status != 0) {
        buffer_append(&bench->say, "", 1);
        give_up(bib, (const char *)bench->say.data);
    }
    return took;
}

/* As many bytes as an issue writes, and one fdatasync; microseconds. */
static double bare_sync(struct bench *bench) {
    if (bench->bare_at + (off_t)bench->issue_bytes > BARE_FILE) {
        bench->bare_at = 0;
    }
    double from = now_us();
    if (pwrite(bench->bare, bench->block, bench->issue_bytes, bench->bare_at) !=
            (ssize_t)bench->issue_bytes ||
        fdatasync(bench->bare) != 0) {
        give_up("bare write", "failed");
    }
    double took = now_us() - from;
    bench->bare_at += (off_t)bench->issue_bytes;
    return took;
}

/* Microseconds from the key press to the last of the others answering that the bib is chipped. */
static double until_seen(struct bench *bench) {
    bool seen[OTHERS_MAX] = {false};
    size_t missing = bench->other_count;
    char bib[24];
    double from = now_us();
    issue(bench, bib);
    while (missing > 0) {
        for (size_t i = 0; i < bench->other_count; i++) {
            if (seen[i]) {
                continue;
            }
            ask(bench, &bench->others[i], "ask", bib);
            if (memmem(bench->out.data, bench->out.size, "\"issued\"", 8) != NULL) {
                seen[i] = true;
                missing--;
            }
        }
        if (now_us() - from > LOST_US) {
            give_up(bib, "never seen at every other station");
        }
    }
    return now_us() - from;
}

static off_t size_of(const char *folder, const char *name) {
    char path[4096];
    struct stat seen;
    snprintf(path, sizeof(path), "%s/%s", folder, name);
    return stat(path, &seen) == 0 ? seen.st_size : 0;
}

static int by_size(const void *a, const void *b) {
    double left = *(const double *)a;
    double right = *(const double *)b;
    return (left > right) - (left < right);
}

/* Issues a few bibs, and learns from the growth of SQLite's write-ahead log how many bytes one of
 * them writes (the median: now and then the log begins again). */
static void warm_up(struct bench *bench, const char *folder) {
    char bib[24];
    double grown[WARM_UP];
    for (int i = 0; i < WARM_UP; i++) {
        off_t before = size_of(folder, "ledger.db-wal");
        issue(bench, bib);
        grown[i] = (double)(size_of(folder, "ledger.db-wal") - before);
    }
    qsort(grown, WARM_UP, sizeof(*grown), by_size);
    double median = grown[WARM_UP / 2];
    bool sound = median > 0 && median <= (double)sizeof(bench->block);
    bench->issue_bytes = sound ? (size_t)median : 4096;
}

static void open_bare(struct bench *bench, const char *folder) {
    char path[4096];
    snprintf(path, sizeof(path), "%s.bare", folder);
    bench->bare = open(path, O_RDWR | O_CREAT | O_TRUNC, 0600);
    if (bench->bare < 0 || unlink(path) != 0) {
        give_up(path, "cannot be made");
    }
    for (int i = 0; i < BARE_FILE / (int)sizeof(bench->block); i++) {
        if (write(bench->bare, bench->block, sizeof(bench->block)) < 0) {
            give_up(path, "cannot be written");
        }
    }
    fdatasync(bench->bare);
}

static void print_line(const char *what, double *us, size_t count) {
    qsort(us, count, sizeof(*us), by_size);
    printf("%-44s p50 %9.1f us   p99 %9.1f us   (%zu)\n", what, us[count / 2], us[count * 99 / 100],
           count);
}

static void measure(struct bench *bench, size_t count, const char *folder) {
    char bib[24];
    double *issued = calloc(count, sizeof(*issued));
    double *bare = calloc(count, sizeof(*bare));
    double *seen = calloc(count, sizeof(*seen));
    if (issued == NULL || bare == NULL || seen == NULL) {
        give_up("memory", "none left");
    }
    warm_up(bench, folder);
    open_bare(bench, folder);
    for (size_t i = 0; i < count; i++) {
        issued[i] = issue(bench, bib);
        bare[i] = bare_sync(bench);
    }
    printf("%zu bytes an issue, as SQLite's log has them\n", bench->issue_bytes);
    print_line("durable issue, asked over the socket", issued, count);
    print_line("one write and fdatasync of the same size", bare, count);
    printf("%-44s p50 %9.2f\n", "ratio", issued[count / 2] / bare[count / 2]);
    if (bench->other_count > 0) {
        for (size_t i = 0; i < count; i++) {
            seen[i] = until_seen(bench);
        }
        print_line("issue until seen at every other station", seen, count);
    }
    free(issued);
    free(bare);
    free(seen);
}

static void connect_to(const char *folder, struct control_client *client) {
    struct error err;
    if (control_connect(folder, client, &err) != ERR_OK) {
        give_up(folder, err.cause);
    }
}

int main(int argc, char **argv) {
    struct bench bench = {.other_count = 0};
    if (argc < 4 || argc - 4 > OTHERS_MAX) {
        give_up("usage", "bench_latency COUNT FIRST-BIB FOLDER OTHER-FOLDER...");
    }
    unsigned long count = strtoul(argv[1], NULL, 10);
    if (count == 0 || count > COUNT_MAX) {
        give_up("COUNT", "1 to 100000");
    }
    bench.next_bib = strtoul(argv[2], NULL, 10);
    buffer_init(&bench.out);
    buffer_init(&bench.say);
    connect_to(argv[3], &bench.near);
    for (int i = 4; i < argc; i++) {
        connect_to(argv[i], &bench.others[bench.other_count++]);
    }
    measure(&bench, count, argv[3]);
    control_disconnect(&bench.near);
    for (size_t i = 0; i < bench.other_count; i++) {
        control_disconnect(&bench.others[i]);
    }
    buffer_release(&bench.out);
    buffer_release(&bench.say);
    return 0;
}
