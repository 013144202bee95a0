/*
 * test_desk_memory.c: memory runs out at any moment while a table works. For every n, the n-th
 * allocation of the desk's steps fails (SQLite's too), and the node stops, as it does for such an
 * error. Started again, the desk ends with each bib chipped once, with what is really on its chips.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <sodium.h>

#include "tests/unit/desk_rig.h"
#include "tests/unit/scarce.h"

/* ---- failing allocations ---- */

static struct {
    bool armed, inside, sqlite, failed;
    size_t left; /* allocations until one fails, and all that follow in its step */
} fault;

bool scarce_fails(bool sqlite) {
    if (!fault.armed || !fault.inside || sqlite != fault.sqlite) {
        return false;
    }
    if (fault.left > 1) {
        fault.left--;
        return false;
    }
    fault.failed = true;
    return true;
}

/* Records are written by the node and not by the desk: only its own steps fail. */
static enum error_code step(struct desk *desk, const struct desk_event *event, struct error *err) {
    error_clear(err);
    fault.inside = true;
    enum error_code code = desk_step(desk, event, err);
    fault.inside = false;
    if (fault.failed) {
        fault.armed = false;
    }
    if (code != ERR_OK && (code != ERR_MEMORY || err->code != ERR_MEMORY || !fault.failed)) {
        fail_msg("%s (%s)", error_name(code), err->cause);
    }
    return code;
}

/* ---- a table at work, and what a person does when the desk is back ---- */

struct work {
    const char *name;
    unsigned per_bib;
    size_t chips;
    const char *bibs[4]; /* in the order of work, as many chips each as the event wants */
    void (*begin)(struct rig *rig);
};

static void one_on_demand(struct rig *rig) {
    rig_scan(rig, "42");
}

static void begin_series(struct rig *rig) {
    rig_range(rig, DESK_SERIES, 52, 50, 1, 100);
    rig_scan(rig, "52");
}

static bool offers(const struct rig *rig, const char *word) {
    const struct desk_view *view = rig_view(rig);
    for (size_t i = 0; i < view->choice_count; i++) {
        if (strcmp(view->choice[i].word, word) == 0) {
            return true;
        }
    }
    return false;
}

static bool is_whole(const struct rig *rig, const struct work *work, const char *bib) {
    return rig_live(rig, bib) == 1 && rig_issue(rig, bib).tag_count == work->per_bib;
}

static bool all_whole(const struct rig *rig, const struct work *work) {
    bool whole = true;
    for (size_t i = 0; work->bibs[i] != NULL; i++) {
        whole = whole && is_whole(rig, work, work->bibs[i]);
    }
    return whole;
}

/* The bib that is asked for, by the sentence: a person reads no more either. */
static void scan_asked(struct rig *rig, const struct work *work) {
    const char *asked = strstr(rig_view(rig)->say, "it must be bib ");
    if (asked != NULL) {
        char bib[8];
        snprintf(bib, sizeof bib, "%.2s", asked + strlen("it must be bib "));
        rig_scan(rig, bib);
        return;
    }
    for (size_t i = 0; work->bibs[i] != NULL; i++) {
        if (rig_view(rig)->tone == DESK_READY && !is_whole(rig, work, work->bibs[i])) {
            rig_scan(rig, work->bibs[i]);
            return;
        }
    }
}

/* A chip is put down for a moment: one that belongs to a bib already is in the finished pile. */
static void put_free(struct rig *rig, const struct work *work) {
    for (size_t tag = 0; tag < rig->tag_count; tag++) {
        bool used = false;
        for (size_t i = 0; work->bibs[i] != NULL; i++) {
            struct pairs_issue issue = {.tag_count = 0};
            if (rig_live(rig, work->bibs[i]) > 0) {
                issue = rig_issue(rig, work->bibs[i]);
            }
            for (size_t j = 0; j < issue.tag_count; j++) {
                used = used || memcmp(&issue.tag[j].tid, &rig->tag[tag].tag.tid,
                                      sizeof issue.tag[j].tid) == 0;
            }
        }
        if (!used) {
            rig_put(rig, tag);
            rig_away(rig, tag);
        }
    }
}

static void finish(struct rig *rig, const struct work *work) {
    for (size_t round = 0; round < 12 && !all_whole(rig, work); round++) {
        rig_tick(rig, 3000);
        if (offers(rig, "resume")) {
            rig_answer(rig, "resume");
        } else if (offers(rig, "finish")) {
            rig_answer(rig, "finish");
        } else {
            scan_asked(rig, work);
        }
        put_free(rig, work);
    }
}

/* False when all was done before allocation n. */
static bool try_once(const struct work *work, size_t n, bool sqlite) {
    struct rig rig;
    rig_new(&rig, true, work->per_bib, false);
    rig.step = step;
    memset(&fault, 0, sizeof fault);
    fault.left = n;
    fault.sqlite = sqlite;
    fault.armed = true;
    work->begin(&rig);
    for (size_t i = 0; i < work->chips; i++) {
        size_t tag = rig_blank(&rig);
        rig_put(&rig, tag);
        rig_away(&rig, tag);
    }
    fault.armed = false;
    bool failed = fault.failed;
    if (rig.stopped) {
        rig_restart(&rig);
    }
    finish(&rig, work);
    for (size_t i = 0; work->bibs[i] != NULL; i++) {
        if (!is_whole(&rig, work, work->bibs[i])) {
            fail_msg("%s: bib %s after allocation %zu%s: %zu live; the desk says \"%s\" (\"%s\")",
                     work->name, work->bibs[i], n, sqlite ? " of SQLite" : "",
                     rig_live(&rig, work->bibs[i]), rig_view(&rig)->say, rig_view(&rig)->aside);
        }
        struct pairs_issue issue = rig_issue(&rig, work->bibs[i]);
        for (size_t j = 0; j < issue.tag_count; j++) {
            bool there = false;
            for (size_t tag = 0; tag < rig.tag_count; tag++) {
                there = there || (memcmp(&issue.tag[j].tid, &rig.tag[tag].tag.tid,
                                         sizeof issue.tag[j].tid) == 0 &&
                                  rig_number(&rig, tag) == strtoull(work->bibs[i], NULL, 10));
            }
            assert_true(there); /* what is recorded is on a chip */
        }
    }
    rig_free(&rig);
    return failed;
}

static void try_all(const struct work *work, size_t stride) {
    size_t n = 1, m = 1, tried = 0;
    while (try_once(work, n, false)) {
        n++;
    }
    for (; try_once(work, m, true); m += stride) {
        tried++;
    }
    print_message("%s: %zu allocations, and %zu of SQLite's\n", work->name, n - 1, tried);
}

static void pair(void **state) {
    static const struct work work = {"a pair", 2, 2, {"42"}, one_on_demand};
    (void)state;
    try_all(&work, 3);
}

static void series(void **state) {
    static const struct work work = {"a series", 1, 3, {"52", "51", "50"}, begin_series};
    (void)state;
    try_all(&work, 7);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(pair), cmocka_unit_test(series)};
    if (sodium_init() < 0 || !scarce_sqlite()) {
        return 1;
    }
    return cmocka_run_group_tests(tests, NULL, NULL);
}
