/*
 * table.c: from the scan of a bib to its record on disk: the node's share of that time, and the
 * encoder's. For table.mjs, which starts the node.
 *
 *   bench_table between NOTES COMMAND   an encoder: passes the lines of COMMAND on, both ways, and
 *                                       notes when an order went to it and when its answer came
 *   bench_table FOLDER NOTES FIRST COUNT   scans COUNT bibs at the desk of the node in FOLDER
 *
 * Times are CLOCK_MONOTONIC's, which all processes of a machine share. Prints figures, judges none.
 */
#include <errno.h>
#include <inttypes.h>
#include <jansson.h>
#include <poll.h>
#include <signal.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "node/control.h"

enum { COUNT_MAX = 10000, LINE_BYTES = 65536, PATIENCE_S = 30 };

static int64_t now_us(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static void fail(const char *what) {
    fprintf(stderr, "bench_table: %s\n", what);
    exit(1);
}

/* ---- between node and encoder ---- */

struct way {
    int from, to;
    size_t used;
    char line[LINE_BYTES];
};

static void note(FILE *notes, const char *line, size_t size, int64_t at) {
    json_t *object = json_loadb(line, size, 0, NULL);
    json_int_t order = json_integer_value(json_object_get(object, "order"));
    const char *told = json_string_value(json_object_get(object, "do"));
    if (order > 0) {
        fprintf(notes, "%s %" JSON_INTEGER_FORMAT " %" PRId64 "\n",
                told != NULL && strcmp(told, "write") == 0 ? "order" : "answer", order, at);
        fflush(notes);
    }
    json_decref(object);
}

/* False at the end of the input. */
static bool pass_on(struct way *way, FILE *notes) {
    ssize_t n = read(way->from, way->line + way->used, LINE_BYTES - way->used);
    char *end = NULL;
    if (n <= 0) {
        return false;
    }
    way->used += (size_t)n;
    while ((end = memchr(way->line, '\n', way->used)) != NULL) {
        size_t size = (size_t)(end - way->line) + 1;
        int64_t at = now_us();
        if (write(way->to, way->line, size) != (ssize_t)size) {
            return false;
        }
        note(notes, way->line, size, at);
        way->used -= size;
        memmove(way->line, end + 1, way->used);
    }
    return way->used < LINE_BYTES;
}

static int between(const char *path, const char *command) {
    static struct way in, out;
    int to[2], from[2];
    FILE *notes = fopen(path, "a");
    if (notes == NULL || pipe(to) != 0 || pipe(from) != 0) {
        fail("no pipes");
    }
    pid_t child = fork();
    if (child == 0) {
        dup2(to[0], STDIN_FILENO);
        dup2(from[1], STDOUT_FILENO);
        close(to[0]);
        close(to[1]);
        close(from[0]);
        close(from[1]);
        execl("/bin/sh", "sh", "-c", command, (char *)NULL);
        _exit(127);
    }
    close(to[0]);
    close(from[1]);
    in = (struct way){.from = STDIN_FILENO, .to = to[1]};
    out = (struct way){.from = from[0], .to = STDOUT_FILENO};
    for (bool goes_on = true; goes_on;) {
        struct pollfd fds[] = {{.fd = in.from, .events = POLLIN},
                               {.fd = out.from, .events = POLLIN}};
        poll(fds, 2, -1);
        goes_on = (fds[0].revents == 0 || pass_on(&in, notes)) &&
                  (fds[1].revents == 0 || pass_on(&out, notes));
    }
    close(to[1]);
    waitpid(child, NULL, 0);
    return 0;
}

/* ---- at the desk ---- */

static json_t *ask(struct control_client *node, const char *input) {
    const char *arguments[] = {input == NULL ? "--view" : "--input", input};
    struct buffer out, say;
    struct error err;
    int status = 0;
    buffer_init(&out);
    buffer_init(&say);
    if (control_ask(node, "desk", arguments, input == NULL ? 1 : 2, true, "/", &status, &out, &say,
                    &err) != ERR_OK ||
        status != 0) {
        fail("the node does not answer");
    }
    json_t *view = json_loadb((const char *)out.data, out.size, 0, NULL);
    buffer_release(&out);
    buffer_release(&say);
    return view;
}

static bool is_ready(const json_t *view, const char *unused) {
    const char *tone = json_string_value(json_object_get(view, "tone"));
    (void)unused;
    return tone != NULL && strcmp(tone, "ready") == 0 &&
           json_integer_value(json_object_get(view, "heard")) > 0;
}

static bool is_recorded(const json_t *view, const char *bib) {
    const char *latest = json_string_value(
        json_object_get(json_array_get(json_object_get(view, "latest"), 0), "bib"));
    return latest != NULL && strcmp(latest, bib) == 0;
}

static void wait_until(struct control_client *node, bool (*is)(const json_t *, const char *),
                       const char *bib) {
    int64_t end = now_us() + (int64_t)PATIENCE_S * 1000000;
    bool there = false;
    while (!there) {
        const struct timespec rest = {.tv_nsec = 50000};
        json_t *view = ask(node, NULL);
        there = is(view, bib);
        json_decref(view);
        if (!there && now_us() > end) {
            fail("it takes too long");
        }
        nanosleep(&rest, NULL);
    }
}

static int compare(const void *a, const void *b) {
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return x < y ? -1 : x > y;
}

static void print(const char *what, int64_t *times, size_t count) {
    qsort(times, count, sizeof *times, compare);
    printf("  %-48s median %8.2f ms   90 of 100 within %8.2f   longest %8.2f\n", what,
           (double)times[count / 2] / 1000, (double)times[(count - 1) * 9 / 10] / 1000,
           (double)times[count - 1] / 1000);
}

static double sum(const int64_t *times, size_t count) {
    double all = 0;
    for (size_t i = 0; i < count; i++) {
        all += (double)times[i];
    }
    return all;
}

/* The first order and the last answer between two times. */
static void read_notes(FILE *notes, int64_t from, int64_t to, int64_t *order, int64_t *answer) {
    char word[16];
    int64_t at = 0;
    uint64_t number = 0;
    *order = *answer = 0;
    rewind(notes);
    while (fscanf(notes, "%15s %" SCNu64 " %" SCNd64, word, &number, &at) == 3) {
        if (at >= from && at <= to) {
            *order = *order == 0 && word[0] == 'o' ? at : *order;
            *answer = word[0] == 'a' ? at : *answer;
        }
    }
}

int main(int argc, char **argv) {
    static int64_t whole[COUNT_MAX], before[COUNT_MAX], encoder[COUNT_MAX], after[COUNT_MAX],
        node_share[COUNT_MAX];
    struct control_client node;
    struct error err;
    if (argc == 4 && strcmp(argv[1], "between") == 0) {
        return between(argv[2], argv[3]);
    }
    if (argc != 5 || sodium_init() < 0) {
        fail("usage: bench_table FOLDER NOTES FIRST COUNT");
    }
    long first = strtol(argv[3], NULL, 10), count = strtol(argv[4], NULL, 10);
    if (count < 1 || count > COUNT_MAX || control_connect(argv[1], &node, &err) != ERR_OK) {
        fail("no node there, or a wrong COUNT");
    }
    for (long i = 0; i < count; i++) {
        char bib[24], input[80];
        int64_t order = 0, answer = 0;
        snprintf(bib, sizeof bib, "%ld", first + i);
        snprintf(input, sizeof input, "{\"text\":\"%s\",\"scanned\":true}", bib);
        wait_until(&node, is_ready, NULL);
        int64_t from = now_us();
        json_decref(ask(&node, input));
        wait_until(&node, is_recorded, bib);
        int64_t to = now_us();
        FILE *notes = fopen(argv[2], "r");
        if (notes == NULL) {
            fail("no notes of the encoder");
        }
        read_notes(notes, from, to, &order, &answer);
        fclose(notes);
        whole[i] = to - from;
        before[i] = order - from;
        encoder[i] = answer - order;
        after[i] = to - answer;
        node_share[i] = before[i] + after[i];
    }
    control_disconnect(&node);
    double all = sum(whole, (size_t)count), own = sum(node_share, (size_t)count);
    print("from scan to recorded", whole, (size_t)count);
    print("the encoder's, and its reader's: order to answer", encoder, (size_t)count);
    print("the node's: all the rest", node_share, (size_t)count);
    print("  scan to order (kept on disk)", before, (size_t)count);
    print("  answer to recorded (on disk), and seen", after, (size_t)count);
    printf("  of all the time the node has %.1f of 100, the encoder with its reader %.1f\n",
           100 * own / all, 100 - 100 * own / all);
    return 0;
}
