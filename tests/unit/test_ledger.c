/* The store of records: what is taken and refused, forks, runs for peers, and the file itself. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>
#include <sqlite3.h>

#include "common/canon.h"
#include "tests/unit/world.h"

static struct pairs_taken take(struct ledger *ledger, const struct slice *records, size_t count) {
    struct pairs_taken taken;
    struct error err;
    assert_int_equal(pairs_begin(ledger, &err), ERR_OK);
    assert_int_equal(pairs_take(ledger, records, count, &taken, &err), ERR_OK);
    assert_int_equal(pairs_commit(ledger, &err), ERR_OK);
    return taken;
}

/* The records of one station's log, in order. */
static struct slice *log_of(struct world *world, size_t at, size_t *count) {
    size_t all = 0, kept = 0;
    struct slice *records = world_records(world->station[at].ledger, &all);
    for (size_t i = 0; i < all; i++) {
        struct record record;
        struct error err;
        assert_int_equal(record_decode(records[i], &record, &err), ERR_OK);
        if (ID_EQUAL(record.log, world->station[at].author.log)) {
            records[kept++] = records[i];
        } else {
            free((void *)(uintptr_t)records[i].data);
        }
    }
    *count = kept;
    return records;
}

static void write_some(struct world *world, size_t at, unsigned count) {
    for (unsigned i = 0; i < count; i++) {
        char bib[16];
        snprintf(bib, sizeof bib, "%u", 1 + i);
        world_issue(world, at, bib, 0, 0, NULL, NULL);
    }
}

static void spoil_signature(struct slice record) {
    uint8_t *bytes = (uint8_t *)(uintptr_t)record.data;
    bytes[record.size - 1] ^= 1;
}

static void outcomes(void **state) {
    struct world world;
    size_t count = 0;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    write_some(&world, one, 5);
    struct slice *records = log_of(&world, one, &count);
    struct ledger *empty = world_ledger(&world);
    assert_int_equal(take(empty, records, count).outcome, PAIRS_DENIED);
    assert_int_equal(ledger_count(empty), 0);
    world_give_ledger(world.station[0].ledger, empty);
    assert_int_equal(take(empty, records + 2, count - 2).outcome, PAIRS_GAP);
    assert_int_equal(take(empty, records, 3).stored, 3);
    struct pairs_taken taken = take(empty, records, count);
    assert_int_equal(taken.outcome, PAIRS_STORED);
    assert_int_equal(taken.stored, count - 3);
    assert_int_equal(taken.head.number, count);
    assert_int_equal(take(empty, records, count).outcome, PAIRS_DUPLICATE);
    struct slice crossed[2] = {records[1], records[3]};
    assert_int_equal(take(empty, crossed, 2).outcome, PAIRS_MALFORMED);
    struct slice half = slice_of(records[0].data, records[0].size - 1);
    assert_int_equal(take(empty, &half, 1).outcome, PAIRS_MALFORMED);
    world_records_free(records, count);
    ledger_close(empty);
    world_free(&world);
}

/* A bad signature under a good one is vouched for by it; at the end of the run it waits. */
static void pending_tail(void **state) {
    struct world world;
    size_t count = 0;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    write_some(&world, one, 6);
    struct slice *records = log_of(&world, one, &count);
    spoil_signature(records[count - 1]);
    struct pairs_taken taken = take(world.station[0].ledger, records, count);
    assert_int_equal(taken.outcome, PAIRS_PENDING);
    assert_int_equal(taken.stored, count - 1);
    world_records_free(records, count);
    world_free(&world);
}

/* Writes `count` records of a chain, signing with another key where `bad` says so: what a broken
 * or hostile station may send. */
static struct slice *hostile_log(const struct world *world, const struct station_keys *keys,
                                 size_t count, bool (*bad)(uint64_t number)) {
    struct slice *records = calloc(count, sizeof *records);
    struct incarnation incarnation = {{42}};
    struct record_open open = {.key = keys->sign_public, .incarnation = incarnation};
    struct record record = {.log = identity_log(&keys->sign_public, &incarnation),
                            .kind = RECORD_OPEN};
    struct station_keys other;
    world_keys(777, &other);
    struct buffer body;
    buffer_init(&body);
    record_open_write(&open, &body);
    for (size_t i = 0; i < count; i++) {
        struct buffer raw;
        struct error err;
        buffer_init(&raw);
        record.number = i + 1;
        record.body = buffer_slice(&body);
        assert_int_equal(record_encode(&record, NULL, 0, &world->event.event,
                                       bad(i + 1) ? &other.sign_secret : &keys->sign_secret, &raw,
                                       &err),
                         ERR_OK);
        records[i] = buffer_slice(&raw);
        record.has_previous = true;
        record.previous = identity_record(records[i]);
        record.kind = 99; /* a kind that nobody knows passes through */
        buffer_clear(&body);
        canon_put_map(&body, 0);
    }
    buffer_release(&body);
    return records;
}

static bool never_bad(uint64_t number) {
    return number == 0;
}

/* Signed and admitted, but chained to a record of another log, or counted wrongly. */
static void wrong_predecessor(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    size_t two = world_join(&world, "Table 2", ROLE_TABLE);
    struct station_keys *keys = &world.station[one].keys;
    struct slice *good = hostile_log(&world, keys, 3, never_bad);
    struct ledger *ledger = world.station[0].ledger;
    assert_int_equal(take(ledger, good, 3).stored, 3);
    world_give(&world, two, 0);
    struct record record;
    struct error err;
    assert_int_equal(record_decode(good[2], &record, &err), ERR_OK);
    const struct {
        uint64_t number;
        struct record_id previous;
        struct log_id log;
    } wrong[] = {
        {2, world.station[two].author.head, record.log},
        {9, identity_record(good[2]), record.log},
        {4, identity_record(good[2]), world.station[two].author.log},
    };
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct buffer raw;
        struct record forged = record;
        forged.number = wrong[i].number;
        forged.previous = wrong[i].previous;
        forged.log = wrong[i].log;
        buffer_init(&raw);
        assert_int_equal(
            record_encode(&forged, NULL, 0, &world.event.event, &keys->sign_secret, &raw, &err),
            ERR_OK);
        struct slice one_record = buffer_slice(&raw);
        assert_int_equal(take(ledger, &one_record, 1).outcome, PAIRS_MALFORMED);
        buffer_release(&raw);
    }
    world_records_free(good, 3);
    world_free(&world);
}

static bool bad_around_256(uint64_t number) {
    return number == 256 || number == 255 || number == 254 || number == 30;
}

/* A number divisible by 128 that does not verify ends the branch at the last earlier record that
 * does, and what is taken does not depend on how the run was cut. */
static void ended_branch(void **state) {
    struct world world;
    enum { COUNT = 300 };
    (void)state;
    srand(5);
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    struct slice *records = hostile_log(&world, &world.station[one].keys, COUNT, bad_around_256);
    for (int round = 0; round < 20; round++) {
        struct ledger *ledger = world_ledger(&world);
        world_give_ledger(world.station[0].ledger, ledger);
        uint64_t before = ledger_count(ledger);
        size_t at = 0;
        enum pairs_outcome outcome = PAIRS_STORED;
        while (at < COUNT && outcome != PAIRS_GAP) {
            size_t size = round == 0 ? COUNT : 1 + (size_t)rand() % 90;
            size = size < COUNT - at ? size : COUNT - at;
            outcome = take(ledger, records + at, size).outcome;
            /* A receiver asks again from what it holds. */
            size_t held = (size_t)(ledger_count(ledger) - before);
            at = outcome == PAIRS_PENDING && at + size < COUNT ? at + size : held;
            if (outcome == PAIRS_PENDING && held < at) {
                take(ledger, records + held, (at + 40 < COUNT ? at + 40 : COUNT) - held);
                at = (size_t)(ledger_count(ledger) - before);
            }
            if (outcome == PAIRS_ENDED) {
                break;
            }
        }
        assert_int_equal(ledger_count(ledger) - before, 253);
        ledger_close(ledger);
    }
    world_records_free(records, COUNT);
    world_free(&world);
}

/* A log that forks: both branches are held whichever comes first, and a peer that has one is
 * brought up to date with the other. */
static void forks_are_kept(void **state) {
    struct world world;
    size_t left_count = 0, right_count = 0, heads = 0;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    write_some(&world, one, 40);
    struct pairs_author clone = world.station[one].author;
    struct ledger *second = world_ledger(&world);
    world_give(&world, one, 0);
    world_give_ledger(world.station[one].ledger, second);
    world_issue(&world, one, "500", 0, 1, NULL, NULL);
    struct ledger *first = world.station[one].ledger;
    struct pairs_author original = world.station[one].author;
    struct slice *left = log_of(&world, one, &left_count);
    world.station[one].ledger = second;
    world.station[one].author = clone;
    world_issue(&world, one, "501", 0, 2, NULL, NULL);
    world_issue(&world, one, "502", 0, 2, NULL, NULL);
    struct slice *right = log_of(&world, one, &right_count);
    assert_false(pairs_author_forked(second, &world.station[one].author));
    world_give_ledger(first, second);
    world_give_ledger(second, first);
    assert_same_state(first, second);
    assert_true(pairs_author_forked(second, &world.station[one].author));
    assert_true(pairs_author_forked(first, &original));
    ledger_heads_of(first, &clone.log, &heads);
    assert_int_equal(heads, 2);
    struct ledger *other = world_ledger(&world);
    world_give_ledger(world.station[0].ledger, other);
    assert_true(take(other, right, right_count).stored > 0);
    struct pairs_taken taken = take(other, left, left_count);
    assert_true(taken.forked);
    assert_int_equal(taken.stored, 1);
    assert_int_equal(world_bib(other, "500").state, PAIRS_ISSUED);
    assert_int_equal(world_bib(other, "501").state, PAIRS_ISSUED);
    world_give_ledger(first, other);
    assert_same_state(first, other);
    /* A point with the right number and the wrong id is no common ground. */
    struct record_seen wrong = {.number = 41};
    struct buffer whole;
    struct error ignored;
    size_t from_start = 0;
    bool rest = false;
    buffer_init(&whole);
    assert_int_equal(ledger_read_run(other, &clone.log, original.head.bytes, &wrong, 1, 1 << 20,
                                     &whole, &from_start, &rest, &ignored),
                     ERR_OK);
    assert_int_equal(from_start, 42);
    buffer_release(&whole);
    /* Asked with the lead's points (number 41 and back), only the branch is sent. */
    struct record_seen points[LEDGER_SPACED_MAX];
    size_t point_count = ledger_spaced(world.station[0].ledger, &clone.log, points);
    struct buffer run;
    struct error err;
    size_t sent = 0;
    bool more = true;
    buffer_init(&run);
    assert_int_equal(ledger_read_run(other, &clone.log, original.head.bytes, points, point_count,
                                     1 << 20, &run, &sent, &more, &err),
                     ERR_OK);
    assert_int_equal(sent, 1);
    assert_false(more);
    buffer_release(&run);
    world_records_free(left, left_count);
    world_records_free(right, right_count);
    ledger_close(first);
    ledger_close(other);
    world_free(&world);
}

static void runs_are_cut(void **state) {
    struct world world;
    struct buffer run;
    struct error err;
    size_t sent = 0, total = 0;
    bool more = true;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    write_some(&world, one, 60);
    struct pairs_author *author = &world.station[one].author;
    struct record_seen point = {0};
    buffer_init(&run);
    while (more) {
        buffer_clear(&run);
        assert_int_equal(ledger_read_run(world.station[one].ledger, &author->log,
                                         author->head.bytes, &point, point.number > 0, 2000, &run,
                                         &sent, &more, &err),
                         ERR_OK);
        assert_true(sent > 0 && run.size <= 2000);
        total += sent;
        bool whole = false;
        size_t at = 0, size = 0;
        struct record_id id = {{0}};
        while ((size = record_size_at(slice_of(run.data + at, run.size - at), &whole)) > 0) {
            id = identity_record(slice_of(run.data + at, size));
            at += size;
        }
        point.number += sent;
        memcpy(point.id, id.bytes, sizeof point.id);
    }
    assert_int_equal(total, 61);
    buffer_release(&run);
    world_free(&world);
}

static void receipts(void **state) {
    struct world world;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    write_some(&world, one, 9);
    struct ledger *ledger = world.station[one].ledger;
    const struct sign_public *key = &world.station[one].keys.sign_public;
    const struct log_id *log = &world.station[one].author.log;
    assert_int_equal(ledger_unsafe(ledger, key), 10);
    ledger_receipt(ledger, &world.station[0].keys.sign_public, log, 7);
    ledger_receipt(ledger, &world.station[0].keys.sign_public, log, 4);
    assert_int_equal(ledger_unsafe(ledger, key), 3);
    assert_int_equal(ledger_copies(ledger, log, 7), 1);
    assert_int_equal(ledger_copies(ledger, log, 8), 0);
    world_free(&world);
}

/* ---- the file ---- */

static char folder[] = "/tmp/bibweave-ledger-XXXXXX";
static char path[sizeof folder + 16];

static int make_folder(void **state) {
    (void)state;
    strcpy(folder, "/tmp/bibweave-ledger-XXXXXX");
    if (mkdtemp(folder) == NULL) {
        return -1;
    }
    snprintf(path, sizeof path, "%s/ledger.db", folder);
    return 0;
}

static int drop_folder(void **state) {
    static const char *const ends[] = {"", "-wal", "-shm", "-journal"};
    char name[sizeof path + 16];
    (void)state;
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        snprintf(name, sizeof name, "%s%s", path, ends[i]);
        unlink(name);
    }
    return rmdir(folder);
}

static enum error_code open_code(const struct ledger_event *create,
                                 const struct ledger_event *expect) {
    struct ledger *ledger = NULL;
    struct error err;
    enum error_code code = ledger_open(path, NULL, create, expect, &ledger, &err);
    assert_true((ledger != NULL) == (code == ERR_OK));
    if (code != ERR_OK) {
        assert_true(err.say[0] != '\0');
    }
    ledger_close(ledger);
    return code;
}

static void run_sql(const char *sql) {
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
}

static void opening(void **state) {
    struct world world;
    struct ledger_event other;
    struct ledger *held = NULL;
    struct error err;
    (void)state;
    world_new(&world, false);
    other = world.event;
    other.event.bytes[0] ^= 1;
    assert_int_equal(open_code(NULL, NULL), ERR_NOT_FOUND);
    assert_int_equal(open_code(&world.event, NULL), ERR_OK);
    assert_int_equal(open_code(NULL, &world.event), ERR_OK);
    assert_int_equal(open_code(NULL, &other), ERR_DAMAGED); /* the same root key: a turned bit */
    other.root.bytes[0] ^= 1;
    assert_int_equal(open_code(NULL, &other), ERR_FOREIGN);
    assert_int_equal(ledger_open(path, NULL, NULL, NULL, &held, &err), ERR_OK);
    assert_int_equal(open_code(NULL, NULL), ERR_BUSY);
    ledger_close(held);
    run_sql("PRAGMA user_version = 99");
    assert_int_equal(open_code(NULL, NULL), ERR_TOO_NEW);
    run_sql("PRAGMA application_id = 7");
    assert_int_equal(open_code(NULL, NULL), ERR_NOT_OURS);
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    for (int i = 0; i < 8192; i++) {
        fputc(i * 7, file);
    }
    fclose(file);
    assert_int_equal(open_code(NULL, NULL), ERR_NOT_OURS);
    world_free(&world);
}

/* What is committed is there when the file is opened again, with the same hashes. */
static void opened_again(void **state) {
    struct world world;
    struct ledger *ledger = NULL;
    struct error err;
    struct pairs_author author;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    write_some(&world, one, 120);
    assert_int_equal(ledger_open(path, NULL, &world.event, NULL, &ledger, &err), ERR_OK);
    world_give_ledger(world.station[one].ledger, ledger);
    ledger_receipt(ledger, &world.station[0].keys.sign_public, &world.station[one].author.log, 5);
    assert_int_equal(pairs_begin(ledger, &err), ERR_OK);
    assert_int_equal(pairs_commit(ledger, &err), ERR_OK);
    ledger_close(ledger);
    assert_int_equal(ledger_open(path, NULL, NULL, &world.event, &ledger, &err), ERR_OK);
    assert_same_state(ledger, world.station[one].ledger);
    assert_int_equal(ledger_copies(ledger, &world.station[one].author.log, 5), 1);
    assert_int_equal(pairs_author_resume(ledger, &world.station[one].keys,
                                         &world.station[one].author.head, &author, &err),
                     ERR_OK);
    assert_int_equal(author.number, 121);
    assert_int_equal(pairs_verify(ledger, true, &err), ERR_OK);
    ledger_close(ledger);
    world_free(&world);
}

static void save_kept(struct ledger *ledger, const char *text, bool commit) {
    struct error err;
    assert_int_equal(pairs_begin(ledger, &err), ERR_OK);
    assert_int_equal(ledger_kept_save(ledger, slice_text(text), &err), ERR_OK);
    if (commit) {
        assert_int_equal(pairs_commit(ledger, &err), ERR_OK);
    } else {
        pairs_rollback(ledger);
    }
}

static void assert_kept(struct ledger *ledger, const char *text) {
    struct buffer kept;
    struct error err;
    buffer_init(&kept);
    assert_int_equal(ledger_kept_load(ledger, &kept, &err), ERR_OK);
    assert_true(slice_equal(buffer_slice(&kept), slice_text(text)));
    buffer_release(&kept);
}

/* What a desk keeps goes with its transaction, is there again after an opening, and is in no hash,
 * nor anything that verify would miss. */
static void kept(void **state) {
    struct world world;
    struct ledger *ledger = NULL;
    struct error err;
    (void)state;
    world_new(&world, false);
    assert_int_equal(ledger_open(path, NULL, &world.event, NULL, &ledger, &err), ERR_OK);
    world_give_ledger(world.station[0].ledger, ledger);
    struct digest32 heads = ledger_heads_hash(ledger), before = pairs_state_hash(ledger);
    assert_kept(ledger, "");
    save_kept(ledger, "order 7", false);
    assert_kept(ledger, "");
    save_kept(ledger, "order 7", true);
    save_kept(ledger, "order 8", true);
    save_kept(ledger, "order 9", false);
    ledger_close(ledger);
    assert_int_equal(ledger_open(path, NULL, NULL, &world.event, &ledger, &err), ERR_OK);
    assert_kept(ledger, "order 8");
    assert_same_state(ledger, world.station[0].ledger);
    struct digest32 heads_now = ledger_heads_hash(ledger), now = pairs_state_hash(ledger);
    assert_true(ID_EQUAL(heads, heads_now));
    assert_true(ID_EQUAL(before, now));
    assert_int_equal(pairs_verify(ledger, true, &err), ERR_OK);
    assert_kept(ledger, "order 8");
    save_kept(ledger, "", true);
    assert_kept(ledger, "");
    ledger_close(ledger);
    world_free(&world);
}

/* Every derived table is really compared: spoil each of them, one at a time. */
static void verify_notices(void **state) {
    static const char *const spoil[] = {
        "UPDATE issue SET live = 1 - live WHERE rid = (SELECT max(rid) FROM issue)",
        "UPDATE bib SET state = 3 WHERE bib = '3'",
        "DELETE FROM tag WHERE rid = (SELECT max(rid) FROM tag)",
        "UPDATE seen SET target_number = 1",
        "UPDATE station SET name = 'Table 9'",
        "UPDATE total SET rows = rows + 1",
        "UPDATE record SET raw = zeroblob(200) WHERE rid = 9",
        "UPDATE chain SET head_number = head_number - 1 WHERE chain = 0",
    };
    struct world world;
    struct error err;
    (void)state;
    for (size_t i = 0; i < sizeof spoil / sizeof spoil[0]; i++) {
        world_new(&world, false);
        size_t one = world_join(&world, "Table 1", ROLE_TABLE);
        write_some(&world, one, 5);
        struct ledger *ledger = world.station[one].ledger;
        assert_int_equal(pairs_verify(ledger, false, &err), ERR_OK);
        assert_int_equal(sqlite3_exec(ledger_db(ledger), spoil[i], NULL, NULL, NULL), SQLITE_OK);
        if (pairs_verify(ledger, false, &err) != ERR_DAMAGED) {
            fail_msg("not noticed: %s", spoil[i]);
        }
        world_free(&world);
    }
}

/* A full disk at each single page: what failed left nothing behind, what succeeded is there. */
static void full_disk(void **state) {
    struct world world;
    struct ledger *ledger = NULL;
    struct error err;
    unsigned stored = 0, refused = 0;
    (void)state;
    world_new(&world, false);
    size_t one = world_join(&world, "Table 1", ROLE_TABLE);
    assert_int_equal(ledger_open(path, NULL, &world.event, NULL, &ledger, &err), ERR_OK);
    world_give_ledger(world.station[one].ledger, ledger);
    ledger_close(world.station[one].ledger);
    world.station[one].ledger = ledger;
    struct pairs_author author = world.station[one].author;
    sqlite3_stmt *pages = NULL;
    assert_int_equal(sqlite3_prepare_v2(ledger_db(ledger), "PRAGMA page_count", -1, &pages, NULL),
                     SQLITE_OK);
    assert_int_equal(sqlite3_step(pages), SQLITE_ROW);
    int full = sqlite3_column_int(pages, 0) + 3;
    sqlite3_finalize(pages);
    char sql[64];
    snprintf(sql, sizeof sql, "PRAGMA max_page_count = %d", full);
    assert_int_equal(sqlite3_exec(ledger_db(ledger), sql, NULL, NULL, NULL), SQLITE_OK);
    for (unsigned i = 0; refused < 5 && i < 500; i++) {
        struct record_issue issue = {.tag_count = 1, .how = ISSUE_SCAN};
        struct record_id id;
        struct buffer body;
        snprintf(issue.bib.text, sizeof issue.bib.text, "%u", i + 1);
        issue.tag[0].epc.size = 12;
        buffer_init(&body);
        record_issue_write(&issue, &body);
        struct pairs_author before = author;
        enum error_code code = pairs_begin(ledger, &err);
        assert_int_equal(code, ERR_OK);
        code = pairs_append(ledger, &author, RECORD_ISSUE, buffer_slice(&body), (struct wall_ms){1},
                            (struct mono_ms){1}, &id, &err);
        if (code == ERR_OK) {
            code = pairs_commit(ledger, &err);
        }
        if (code == ERR_OK) {
            stored++;
        } else {
            assert_int_equal(code, ERR_DISK_FULL);
            author = before;
            refused++;
        }
        buffer_release(&body);
    }
    assert_int_equal(refused, 5);
    assert_true(stored > 5);
    assert_int_equal(author.number, 1 + stored);
    assert_int_equal(pairs_verify(ledger, true, &err), ERR_OK);
    /* With room again the same connection goes on. */
    snprintf(sql, sizeof sql, "PRAGMA max_page_count = %d", full + 1000);
    assert_int_equal(sqlite3_exec(ledger_db(ledger), sql, NULL, NULL, NULL), SQLITE_OK);
    world.station[one].author = author;
    world_issue(&world, one, "1999", 0, 0, NULL, NULL);
    assert_int_equal(pairs_verify(ledger, true, &err), ERR_OK);
    world_free(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(outcomes),
        cmocka_unit_test(pending_tail),
        cmocka_unit_test(wrong_predecessor),
        cmocka_unit_test(ended_branch),
        cmocka_unit_test(forks_are_kept),
        cmocka_unit_test(runs_are_cut),
        cmocka_unit_test(receipts),
        cmocka_unit_test_setup_teardown(opening, make_folder, drop_folder),
        cmocka_unit_test_setup_teardown(opened_again, make_folder, drop_folder),
        cmocka_unit_test_setup_teardown(kept, make_folder, drop_folder),
        cmocka_unit_test(verify_notices),
        cmocka_unit_test_setup_teardown(full_disk, make_folder, drop_folder),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
