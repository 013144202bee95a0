/*
 * test_ledger_damage.c: ledgers that are not what they were: raw records that were changed in the
 * file, and files whose last writer did not close them. And those that only look odd: logs that
 * forked or go on from each other, opened again.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>
#include <sqlite3.h>

#include "tests/unit/world.h"

static void must(enum error_code code, const struct error *err) {
    if (code != ERR_OK) {
        fail_msg("%s: %s (%s)", error_name(code), err->say, err->cause);
    }
}

static void run(struct ledger *ledger, const char *sql) {
    if (sqlite3_exec(ledger_db(ledger), sql, NULL, NULL, NULL) != SQLITE_OK) {
        fail_msg("%s: %s", sql, sqlite3_errmsg(ledger_db(ledger)));
    }
}

static struct world *some_world(size_t *table) {
    struct world *world = calloc(1, sizeof *world);
    assert_non_null(world);
    world_new(world, false);
    *table = world_join(world, "Table 1", ROLE_TABLE);
    for (unsigned i = 1; i <= 5; i++) {
        char bib[8];
        snprintf(bib, sizeof bib, "%u", i);
        world_issue(world, *table, bib, 0, 0, NULL, NULL);
    }
    return world;
}

static void drop_world(struct world *world) {
    world_free(world);
    free(world);
}

/* ---- raw records that were changed ---- */

static void expect_damaged(struct ledger *ledger, bool every, const char *why) {
    struct error err;
    enum error_code code = pairs_verify(ledger, every, &err);
    if (code != ERR_DAMAGED || strstr(err.cause, why) == NULL) {
        fail_msg("wanted damaged (%s), got %s (%s)", why, error_name(code), err.cause);
    }
}

static void changed_rows(void **state) {
    static const struct {
        const char *sql, *why;
    } spoil[] = {
        {"UPDATE record SET raw = zeroblob(200) WHERE rid = 9", "not those of its id"},
        {"UPDATE record SET id = zeroblob(5) WHERE rid = 9", "its columns"},
        {"UPDATE record SET chain = 99 WHERE rid = 9", "its columns"},
        {"UPDATE record SET number = 1000 WHERE rid = (SELECT max(rid) FROM record)",
         "a wrong place"},
        {"DELETE FROM record WHERE rid = 9", "is missing"},
        {"UPDATE chain SET parent_chain = 0, parent_number = 1 WHERE chain = 1", "chain"},
        {"DELETE FROM admit", "never admitted"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof spoil / sizeof spoil[0]; i++) {
        size_t table = 0;
        struct world *world = some_world(&table);
        struct ledger *ledger = world->station[table].ledger;
        run(ledger, "PRAGMA foreign_keys = OFF");
        run(ledger, spoil[i].sql);
        expect_damaged(ledger, false, spoil[i].why);
        drop_world(world);
    }
}

/* Puts a record with a turned bit of its signature in the place of the one at `rid`, with the id
 * that it has then. */
static void turn_signature(struct ledger *ledger, int64_t rid) {
    sqlite3_stmt *statement = NULL;
    uint8_t raw[RECORD_SIZE_MAX];
    sqlite3 *db = ledger_db(ledger);
    assert_int_equal(
        sqlite3_prepare_v2(db, "SELECT raw FROM record WHERE rid = ?1", -1, &statement, NULL),
        SQLITE_OK);
    sqlite3_bind_int64(statement, 1, rid);
    assert_int_equal(sqlite3_step(statement), SQLITE_ROW);
    size_t size = (size_t)sqlite3_column_bytes(statement, 0);
    memcpy(raw, sqlite3_column_blob(statement, 0), size);
    sqlite3_finalize(statement);
    raw[size - 1] ^= 1;
    struct record_id id = identity_record(slice_of(raw, size));
    assert_int_equal(sqlite3_prepare_v2(db, "UPDATE record SET raw = ?2, id = ?3 WHERE rid = ?1",
                                        -1, &statement, NULL),
                     SQLITE_OK);
    sqlite3_bind_int64(statement, 1, rid);
    sqlite3_bind_blob(statement, 2, raw, (int)size, SQLITE_STATIC);
    sqlite3_bind_blob(statement, 3, id.bytes, sizeof id.bytes, SQLITE_STATIC);
    assert_int_equal(sqlite3_step(statement), SQLITE_DONE);
    sqlite3_finalize(statement);
}

/* The last record of a chain must carry its own proof; one in the middle breaks the chain behind
 * it, because its id is another. */
static void changed_signatures(void **state) {
    size_t table = 0;
    (void)state;
    struct world *world = some_world(&table);
    struct ledger *ledger = world->station[table].ledger;
    int64_t last = (int64_t)ledger_count(ledger);
    turn_signature(ledger, last);
    expect_damaged(ledger, false, "signature does not verify");
    drop_world(world);
    world = some_world(&table);
    ledger = world->station[table].ledger;
    turn_signature(ledger, last - 2);
    expect_damaged(ledger, false, "chain is broken");
    drop_world(world);
}

/* ---- files ---- */

static char folder[] = "/tmp/bibweave-damage-XXXXXX";
static char path[sizeof folder + 16], other[sizeof folder + 16];

static int make_folder(void **state) {
    (void)state;
    strcpy(folder, "/tmp/bibweave-damage-XXXXXX");
    if (mkdtemp(folder) == NULL) {
        return -1;
    }
    snprintf(path, sizeof path, "%s/ledger.db", folder);
    snprintf(other, sizeof other, "%s/copy.db", folder);
    return 0;
}

static void drop_files(const char *of) {
    char name[sizeof path + 16];
    unlink(of);
    snprintf(name, sizeof name, "%s-wal", of);
    unlink(name);
    snprintf(name, sizeof name, "%s-shm", of);
    unlink(name);
}

static int drop_folder(void **state) {
    (void)state;
    drop_files(path);
    drop_files(other);
    return rmdir(folder);
}

static void copy_file(const char *from, const char *to) {
    char bytes[4096];
    size_t got = 0;
    FILE *in = fopen(from, "rb"), *out = fopen(to, "wb");
    assert_non_null(in);
    assert_non_null(out);
    while ((got = fread(bytes, 1, sizeof bytes, in)) > 0) {
        assert_int_equal(fwrite(bytes, 1, got, out), got);
    }
    fclose(in);
    assert_int_equal(fclose(out), 0);
}

/* What a killed process leaves: a database and a WAL with frames in it. */
static void leave_behind(const struct world *world) {
    struct ledger *ledger = NULL;
    struct error err;
    char from[sizeof path + 8], to[sizeof other + 8];
    must(ledger_open(path, NULL, &world->event, NULL, &ledger, &err), &err);
    world_give_ledger(world->station[1].ledger, ledger);
    snprintf(from, sizeof from, "%s-wal", path);
    snprintf(to, sizeof to, "%s-wal", other);
    copy_file(path, other);
    copy_file(from, to);
    ledger_close(ledger);
}

static void unclean_stop(void **state) {
    size_t table = 0;
    struct ledger *ledger = NULL;
    struct error err;
    (void)state;
    struct world *world = some_world(&table);
    leave_behind(world);
    must(ledger_open(other, NULL, NULL, &world->event, &ledger, &err), &err);
    assert_same_state(ledger, world->station[table].ledger);
    must(pairs_verify(ledger, true, &err), &err);
    ledger_close(ledger);
    drop_world(world);
}

/* The same, and pages of the database have turned: it is said when the file is opened. The WAL
 * holds newer pages, so all of it goes into the database first. */
static void unclean_and_damaged(void **state) {
    size_t table = 0;
    struct ledger *ledger = NULL;
    struct error err;
    char wal[sizeof other + 8];
    (void)state;
    struct world *world = some_world(&table);
    leave_behind(world);
    snprintf(wal, sizeof wal, "%s-wal", other);
    must(ledger_open(other, NULL, NULL, NULL, &ledger, &err), &err);
    ledger_close(ledger);
    FILE *file = fopen(other, "r+b");
    assert_non_null(file);
    assert_int_equal(fseek(file, 0, SEEK_END), 0);
    long size = ftell(file);
    for (long at = 4096 * 3; at < size; at += 512) {
        assert_int_equal(fseek(file, at, SEEK_SET), 0);
        fputs("turned", file);
    }
    fclose(file);
    file = fopen(wal, "wb"); /* left behind; what is in it is no frame, so it is not believed */
    assert_non_null(file);
    fputs("no frame", file);
    fclose(file);
    enum error_code code = ledger_open(other, NULL, NULL, NULL, &ledger, &err);
    assert_int_equal(code, ERR_DAMAGED);
    assert_null(ledger);
    drop_world(world);
}

static void count_fork(void *context, const struct ledger_fork *fork) {
    (*(size_t *)context)++;
    assert_int_equal(fork->number, 7);
}

/* A fork and a log that goes on from another are read again as they were. */
static void forked_and_followed(void **state) {
    size_t table = 0, forks = 0;
    struct ledger *ledger = NULL;
    struct error err;
    (void)state;
    struct world *world = some_world(&table);
    struct pairs_author kept = world->station[table].author;
    struct ledger *own = world->station[table].ledger, *copy = world_ledger(world);
    world_give_ledger(own, copy);
    world_issue(world, table, "40", 0, 0, NULL, NULL);
    world->station[table].author = kept;
    world->station[table].ledger = copy;
    world_issue(world, table, "41", 0, 0, NULL, NULL);
    world->station[table].ledger = own;
    world_give_ledger(copy, own);
    struct record_head follows = {kept.log, kept.number, kept.head};
    struct incarnation incarnation = {{77}};
    must(pairs_begin(own, &err), &err);
    must(pairs_author_open(own, &kept.keys, &incarnation, &follows, (struct wall_ms){1},
                           (struct mono_ms){1}, &world->station[table].author, &err),
         &err);
    must(pairs_commit(own, &err), &err);
    world_issue(world, table, "41", 0, 0, NULL, NULL);

    must(ledger_open(path, NULL, &world->event, NULL, &ledger, &err), &err);
    world_give_ledger(own, ledger);
    ledger_close(ledger);
    must(ledger_open(path, NULL, NULL, &world->event, &ledger, &err), &err);
    assert_same_state(ledger, own);
    ledger_each_fork(ledger, count_fork, &forks);
    assert_int_equal(forks, 1);
    must(pairs_verify(ledger, true, &err), &err);
    /* The clock of the log that was followed is still known: both issues of 41 are by one author
     * who may not have seen the other branch. */
    assert_int_equal(world_bib(ledger, "41").cause, world_bib(own, "41").cause);
    ledger_close(ledger);
    ledger_close(copy);
    drop_world(world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(changed_rows),
        cmocka_unit_test(changed_signatures),
        cmocka_unit_test_setup_teardown(unclean_stop, make_folder, drop_folder),
        cmocka_unit_test_setup_teardown(unclean_and_damaged, make_folder, drop_folder),
        cmocka_unit_test_setup_teardown(forked_and_followed, make_folder, drop_folder),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
