/*
 * ledger.c: opening, closing, transactions, and SQLite's errors as ours.
 *
 * One connection with exclusive locking: SQLite 3.40 is in the range of a rare WAL corruption that
 * needs two. Every commit is synced (synchronous=FULL) before it is believed.
 */
#include "common/ledger_sql.h"

#include <stdlib.h>
#include <string.h>

static const char schema_records[] = {
#include "schema_records.inc"
};
static const char schema_state[] = {
#include "schema_state.inc"
};
static const char schema_day[] = {
#include "schema_day.inc"
};
static const char schema_desk[] = {
#include "schema_desk.inc"
};

enum error_code ledger_sql_code(int rc) {
    switch (rc & 0xff) {
    case SQLITE_OK:
        return ERR_OK;
    case SQLITE_FULL:
        return ERR_DISK_FULL;
    case SQLITE_NOMEM:
        return ERR_MEMORY;
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return ERR_BUSY;
    case SQLITE_CORRUPT:
        return ERR_DAMAGED;
    case SQLITE_NOTADB:
        return ERR_NOT_OURS;
    case SQLITE_PERM:
    case SQLITE_READONLY:
    case SQLITE_CANTOPEN:
    case SQLITE_AUTH:
        return ERR_PERMISSION;
    default:
        return ERR_DISK;
    }
}

enum error_code ledger_sql_error(struct ledger *ledger, const char *doing, struct error *err) {
    int rc = sqlite3_extended_errcode(ledger->db);
    enum error_code code = ledger_sql_code(rc);
    if (code == ERR_OK) {
        code = ERR_DISK;
    }
    if (code == ERR_DISK || code == ERR_DAMAGED) {
        ledger->broken = true;
    }
    error_set(err, code, "%s (SQLite %d) at: %.120s", sqlite3_errmsg(ledger->db), rc, doing);
    ledger->fault = *err;
    ledger->faults++;
    return code;
}

enum error_code ledger_since(const struct ledger *ledger, uint64_t before, enum error_code code,
                             struct error *err) {
    if (ledger->faults == before) {
        return code;
    }
    *err = ledger->fault;
    return err->code;
}

static enum error_code execute(struct ledger *ledger, const char *sql, struct error *err) {
    if (sqlite3_exec(ledger->db, sql, NULL, NULL, NULL) == SQLITE_OK) {
        return ERR_OK;
    }
    return ledger_sql_error(ledger, "setting up the ledger", err);
}

/* One value of a one-row question; text is copied, cut to size. */
static enum error_code ask_text(struct ledger *ledger, const char *sql, char *out, size_t size,
                                struct error *err) {
    sqlite3_stmt *statement = NULL;
    enum error_code code = ERR_OK;
    out[0] = '\0';
    if (sqlite3_prepare_v2(ledger->db, sql, -1, &statement, NULL) != SQLITE_OK) {
        return ledger_sql_error(ledger, sql, err);
    }
    int rc = sqlite3_step(statement);
    if (rc == SQLITE_ROW) {
        const char *text = (const char *)sqlite3_column_text(statement, 0);
        if (text != NULL) {
            sqlite3_snprintf((int)size, out, "%s", text);
        } else {
            code = error_set(err, ERR_MEMORY, "%s", sql); /* none of these is ever NULL */
        }
    } else if (rc != SQLITE_DONE) {
        code = ledger_sql_error(ledger, sql, err);
    }
    sqlite3_finalize(statement);
    return code;
}

static enum error_code ask_number(struct ledger *ledger, const char *sql, int64_t *out,
                                  struct error *err) {
    char text[32];
    enum error_code code = ask_text(ledger, sql, text, sizeof text, err);
    if (code == ERR_OK) {
        *out = strtoll(text, NULL, 10);
    }
    return code;
}

/* Sets a pragma and reads it back: a setting that did not take is an error, not a hope. */
static enum error_code insist(struct ledger *ledger, const char *set, const char *get,
                              const char *expected, struct error *err) {
    char found[32];
    enum error_code code = execute(ledger, set, err);
    if (code == ERR_OK) {
        code = ask_text(ledger, get, found, sizeof found, err);
    }
    if (code == ERR_OK && strcmp(found, expected) != 0) {
        code = error_set(err, ERR_DISK, "%s gave %s", set, found);
    }
    return code;
}

/* Setting the journal mode would make a database of an empty file, which may be all that is left of
 * a ledger and is not to be touched. */
static enum error_code refuse_empty(struct ledger *ledger, struct error *err) {
    int64_t tables = 0;
    enum error_code code = ask_number(ledger, "SELECT count(*) FROM sqlite_schema", &tables, err);
    return code == ERR_OK && tables == 0 ? error_set(err, ERR_NOT_FOUND, "the ledger is empty")
                                         : code;
}

static enum error_code configure(struct ledger *ledger, bool in_memory, bool existing,
                                 struct error *err) {
    sqlite3_extended_result_codes(ledger->db, 1);
    sqlite3_db_config(ledger->db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
    sqlite3_db_config(ledger->db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
    enum error_code code = execute(ledger,
                                   "PRAGMA locking_mode=EXCLUSIVE; PRAGMA cell_size_check=ON;"
                                   "PRAGMA foreign_keys=ON; PRAGMA temp_store=MEMORY;"
                                   "PRAGMA cache_size=-65536; PRAGMA journal_size_limit=16777216;"
                                   "PRAGMA wal_autocheckpoint=1000;",
                                   err);
    if (code == ERR_OK && existing) {
        code = refuse_empty(ledger, err);
    }
    if (code == ERR_OK) {
        code = insist(ledger, "PRAGMA synchronous=FULL", "PRAGMA synchronous", "2", err);
    }
    if (code == ERR_OK && !in_memory) {
        code = insist(ledger, "PRAGMA journal_mode=WAL", "PRAGMA journal_mode", "wal", err);
    }
    return code;
}

static enum error_code create_schema(struct ledger *ledger, const struct ledger_event *event,
                                     struct error *err) {
    sqlite3_stmt *statement = NULL;
    enum error_code code = execute(ledger, "BEGIN IMMEDIATE", err);
    if (code == ERR_OK) {
        code = execute(ledger, schema_records, err);
    }
    if (code == ERR_OK) {
        code = execute(ledger, schema_state, err);
    }
    if (code == ERR_OK) {
        code = execute(ledger, schema_day, err);
    }
    if (code == ERR_OK) {
        code = execute(ledger, schema_desk, err);
    }
    if (code == ERR_OK) {
        char pragmas[120];
        sqlite3_snprintf(sizeof pragmas, pragmas,
                         "PRAGMA application_id=%d; PRAGMA user_version=%d;", LEDGER_APPLICATION_ID,
                         LEDGER_SCHEMA_VERSION);
        code = execute(ledger, pragmas, err);
    }
    if (code == ERR_OK &&
        sqlite3_prepare_v2(ledger->db, "INSERT INTO fact VALUES ('event', ?1), ('root', ?2)", -1,
                           &statement, NULL) != SQLITE_OK) {
        code = ledger_sql_error(ledger, "making the ledger", err);
    }
    if (code == ERR_OK) {
        sql_bind_bytes(statement, 1, event->event.bytes, sizeof event->event.bytes);
        sql_bind_bytes(statement, 2, event->root.bytes, sizeof event->root.bytes);
        if (sqlite3_step(statement) != SQLITE_DONE) {
            code = ledger_sql_error(ledger, "making the ledger", err);
        }
    }
    sqlite3_finalize(statement);
    if (code == ERR_OK) {
        code = execute(ledger, "COMMIT", err);
    } else {
        sqlite3_exec(ledger->db, "ROLLBACK", NULL, NULL, NULL);
    }
    return code;
}

static enum error_code read_fact(struct ledger *ledger, const char *name, void *out, size_t size,
                                 struct error *err) {
    sqlite3_stmt *statement = NULL;
    enum error_code code = ERR_OK;
    if (sqlite3_prepare_v2(ledger->db, "SELECT value FROM fact WHERE name = ?1", -1, &statement,
                           NULL) != SQLITE_OK) {
        return ledger_sql_error(ledger, "reading the event", err);
    }
    sqlite3_bind_text(statement, 1, name, -1, SQLITE_STATIC);
    int rc = sqlite3_step(statement);
    if (rc != SQLITE_ROW && rc != SQLITE_DONE) {
        code = ledger_sql_error(ledger, "reading the event", err);
    } else if (rc == SQLITE_DONE || !sql_column_bytes(statement, 0, out, size)) {
        code = error_set(err, ERR_DAMAGED, "the ledger does not say its %s", name);
    }
    sqlite3_finalize(statement);
    return code;
}

/* Steps from one schema version to the next, in order; each runs in the transaction that sets
 * user_version: steps[0] leads from 1 to 2. Tables that a step adds are filled from the records
 * when the ledger is next asked anything, see pairs_day.c. */
static const char *const migration_steps[] = {schema_day, schema_desk};

static enum error_code migrate(struct ledger *ledger, int64_t version, struct error *err) {
    enum error_code code = ERR_OK;
    for (; code == ERR_OK && version < LEDGER_SCHEMA_VERSION; version++) {
        const char *step = migration_steps[version - 1];
        char finish[64];
        sqlite3_snprintf(sizeof finish, finish, "PRAGMA user_version=%lld; COMMIT",
                         (long long)version + 1);
        INVARIANT(step != NULL);
        code = execute(ledger, "BEGIN IMMEDIATE", err);
        if (code == ERR_OK) {
            code = execute(ledger, step, err);
        }
        if (code == ERR_OK) {
            code = execute(ledger, "INSERT OR REPLACE INTO fact VALUES ('unsorted', x'')", err);
        }
        if (code == ERR_OK) {
            code = execute(ledger, finish, err);
        }
        if (code != ERR_OK) {
            sqlite3_exec(ledger->db, "ROLLBACK", NULL, NULL, NULL);
        }
    }
    return code;
}

/* Whose file is it, and how old: decided before anything else in it is believed. */
static enum error_code recognise(struct ledger *ledger, const struct ledger_event *create,
                                 struct error *err) {
    int64_t application = 0, version = 0, tables = 0;
    enum error_code code = ask_number(ledger, "PRAGMA application_id", &application, err);
    if (code == ERR_OK) {
        code = ask_number(ledger, "PRAGMA user_version", &version, err);
    }
    if (code == ERR_OK) {
        code = ask_number(ledger, "SELECT count(*) FROM sqlite_schema", &tables, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    if (tables == 0 && application == 0 && version == 0) {
        return create != NULL ? create_schema(ledger, create, err)
                              : error_set(err, ERR_NOT_FOUND, "the ledger is empty");
    }
    if (application != LEDGER_APPLICATION_ID) {
        return error_set(err, ERR_NOT_OURS, "application_id is %lld", (long long)application);
    }
    if (version > LEDGER_SCHEMA_VERSION) {
        return error_set(err, ERR_TOO_NEW, "schema version %lld, this program knows up to %d",
                         (long long)version, LEDGER_SCHEMA_VERSION);
    }
    if (version < 1) {
        return error_set(err, ERR_DAMAGED, "schema version %lld", (long long)version);
    }
    return migrate(ledger, version, err);
}

/* Two events never have one root key, nor one event two, so half a match is damage. */
static enum error_code check_event(const struct ledger *ledger, const struct ledger_event *expect,
                                   struct error *err) {
    bool event = ID_EQUAL(expect->event, ledger->event.event);
    bool root = ID_EQUAL(expect->root, ledger->event.root);
    if (event && root) {
        return ERR_OK;
    }
    return event || root ? error_set(err, ERR_DAMAGED, "what the ledger says of its event")
                         : error_set(err, ERR_FOREIGN, "the ledger is of another event");
}

/* A WAL with frames in it means that the last writer did not close: SQLite replays it, and the
 * result is looked over before it is used. */
static enum error_code check_after_crash(struct ledger *ledger, struct error *err) {
    char answer[160];
    enum error_code code = ask_text(ledger, "PRAGMA quick_check(1)", answer, sizeof answer, err);
    if (code == ERR_OK && strcmp(answer, "ok") != 0) {
        code = error_set(err, ERR_DAMAGED, "quick_check: %s", answer);
    }
    return code;
}

static bool wal_left_behind(const char *path, const char *vfs_name) {
    char wal[4200];
    sqlite3_vfs *vfs = sqlite3_vfs_find(vfs_name);
    int exists = 0;
    sqlite3_snprintf(sizeof wal, wal, "%s-wal", path);
    return vfs != NULL && vfs->xAccess(vfs, wal, SQLITE_ACCESS_EXISTS, &exists) == SQLITE_OK &&
           exists != 0;
}

static enum error_code open_and_check(struct ledger *ledger, const char *path, const char *vfs,
                                      const struct ledger_event *create,
                                      const struct ledger_event *expect, struct error *err) {
    bool in_memory = strcmp(path, ":memory:") == 0;
    bool unclean = !in_memory && wal_left_behind(path, vfs);
    /* One thread owns the connection, so SQLite's own mutexes would only cost. */
    int flags =
        SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX | (create != NULL ? SQLITE_OPEN_CREATE : 0);
    if (sqlite3_open_v2(path, &ledger->db, flags, vfs) != SQLITE_OK) {
        enum error_code code =
            ledger->db == NULL ? ERR_MEMORY : ledger_sql_code(sqlite3_errcode(ledger->db));
        return error_set(err, code == ERR_PERMISSION && create == NULL ? ERR_NOT_FOUND : code,
                         "opening %s: %s", path, sqlite3_errmsg(ledger->db));
    }
    enum error_code code = configure(ledger, in_memory, create == NULL, err);
    if (code == ERR_OK) {
        code = recognise(ledger, create, err);
    }
    ledger->unsynced = unclean;
    if (code == ERR_OK && unclean) {
        code = check_after_crash(ledger, err);
    }
    if (code == ERR_OK) {
        code = read_fact(ledger, "event", &ledger->event.event, sizeof ledger->event.event, err);
    }
    if (code == ERR_OK) {
        code = read_fact(ledger, "root", &ledger->event.root, sizeof ledger->event.root, err);
    }
    if (code == ERR_OK && expect != NULL) {
        code = check_event(ledger, expect, err);
    }
    return code == ERR_OK ? ledger_load(ledger, err) : code;
}

enum error_code ledger_open(const char *path, const char *vfs, const struct ledger_event *create,
                            const struct ledger_event *expect, struct ledger **out,
                            struct error *err) {
    *out = NULL;
    struct ledger *ledger = calloc(1, sizeof *ledger);
    sqlite3_stmt **statement = calloc(SQL_COUNT, sizeof(sqlite3_stmt *));
    if (ledger == NULL || statement == NULL) {
        free(ledger);
        free(statement);
        return error_set(err, ERR_MEMORY, "opening %s", path);
    }
    ledger->statement = statement;
    ledger->claimed_chain = CLOCK_NO_CHAIN;
    enum error_code code = open_and_check(ledger, path, vfs, create, expect, err);
    if (code == ERR_OK) {
        *out = ledger;
    } else {
        ledger_leave(ledger);
        ledger_close(ledger);
    }
    return code;
}

enum error_code ledger_make_durable(struct ledger *ledger, struct error *err) {
    if (!ledger->unsynced) {
        return ERR_OK;
    }
    /* A checkpoint syncs the WAL before it copies anything, so a disk that is full does no harm. */
    int rc = sqlite3_wal_checkpoint_v2(ledger->db, NULL, SQLITE_CHECKPOINT_PASSIVE, NULL, NULL);
    if (rc != SQLITE_OK && ledger_sql_code(rc) != ERR_DISK_FULL) {
        return ledger_sql_error(ledger, "syncing what was left unsynced", err);
    }
    ledger->unsynced = false;
    return ERR_OK;
}

void ledger_leave(struct ledger *ledger) {
    ledger->broken = true;
}

static void forget_memory(struct ledger *ledger) {
    clock_tree_release(&ledger->tree);
    clock_release(&ledger->claimed);
    ledger->claimed_chain = CLOCK_NO_CHAIN;
    free(ledger->chain);
    free(ledger->touched);
    ledger->chain = NULL;
    ledger->touched = NULL;
    ledger->chain_capacity = 0;
    ledger->any_touched = false;
    ledger->heads_stale = true;
    if (ledger->pairs != NULL) {
        ledger->pairs_free(ledger->pairs);
    }
    ledger->pairs = NULL;
}

void ledger_close(struct ledger *ledger) {
    if (ledger == NULL) {
        return;
    }
    if (ledger->in_transaction) {
        sqlite3_exec(ledger->db, "ROLLBACK", NULL, NULL, NULL);
    }
    forget_memory(ledger);
    for (size_t i = 0; i < SQL_COUNT; i++) {
        sqlite3_finalize(ledger->statement[i]);
    }
    free(ledger->statement);
    free(ledger->head);
    free(ledger->receipt);
    free(ledger->stored);
    if (ledger->broken &&
        ledger->db != NULL) { /* a checkpoint would write over what the WAL alone still has */
        sqlite3_db_config(ledger->db, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, NULL);
    }
    sqlite3_close(ledger->db);
    free(ledger);
}

struct ledger_event ledger_event(const struct ledger *ledger) {
    return ledger->event;
}

struct sqlite3 *ledger_db(struct ledger *ledger) {
    return ledger->db;
}

enum error_code ledger_begin(struct ledger *ledger, struct error *err) {
    INVARIANT(!ledger->in_transaction);
    if (ledger->broken) {
        return error_set(err, ERR_DISK,
                         "the disk failed before: close the ledger and open it again");
    }
    /* A rollback must work without memory, so its statement is prepared before it is needed. */
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ROLLBACK, err);
    if (statement != NULL) {
        statement = ledger_statement(ledger, SQL_BEGIN, err);
    }
    enum error_code code = statement == NULL ? err->code : ledger_run(ledger, statement, err);
    ledger->in_transaction = code == ERR_OK;
    ledger->faults_begun = ledger->faults;
    return code;
}

enum error_code ledger_writable(struct ledger *ledger, struct error *err) {
    INVARIANT(ledger->in_transaction);
    return ledger->broken ? error_set(err, ERR_DISK, "the disk failed before") : ERR_OK;
}

static enum error_code write_chains(struct ledger *ledger, struct error *err) {
    enum error_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < ledger->tree.count; i++) {
        struct ledger_chain *chain = &ledger->chain[i];
        if (!chain->dirty) {
            continue;
        }
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_CHAIN_UPDATE, err);
        if (statement == NULL) {
            return err->code;
        }
        sql_bind_u64(statement, 1, i);
        sql_bind_u64(statement, 2, chain->head_number);
        sql_bind_bytes(statement, 3, chain->head_id.bytes, sizeof chain->head_id.bytes);
        code = ledger_run(ledger, statement, err);
        chain->dirty = code != ERR_OK;
    }
    return code;
}

enum error_code ledger_commit(struct ledger *ledger, struct error *err) {
    INVARIANT(ledger->in_transaction);
    enum error_code code = write_chains(ledger, err);
    if (code == ERR_OK) {
        code = ledger_write_receipts(ledger, err);
    }
    if (code == ERR_OK) {
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_COMMIT, err);
        code = statement == NULL ? err->code : ledger_run(ledger, statement, err);
    }
    if (code == ERR_OK) {
        ledger->in_transaction = false;
        for (size_t i = 0; i < ledger->receipt_count; i++) {
            ledger->receipt[i].dirty = false;
        }
    }
    return code;
}

void ledger_rollback(struct ledger *ledger) {
    struct error ignored;
    if (!ledger->in_transaction) {
        return;
    }
    /* SQLite has rolled back by itself after some errors; then this finds nothing to do. */
    for (size_t i = 0; i < SQL_COUNT; i++) {
        if (ledger->statement[i] != NULL) {
            sqlite3_reset(ledger->statement[i]);
        }
    }
    sqlite3_step(ledger->statement[SQL_ROLLBACK]);
    sqlite3_reset(ledger->statement[SQL_ROLLBACK]);
    ledger->broken = ledger->broken || sqlite3_get_autocommit(ledger->db) == 0;
    ledger->in_transaction = false;
    forget_memory(ledger);
    if (ledger_load(ledger, &ignored) != ERR_OK) {
        forget_memory(ledger);
        ledger->unloaded = ignored.code == ERR_MEMORY;
        ledger->broken = ledger->broken || !ledger->unloaded;
    }
}

enum error_code ledger_reload(struct ledger *ledger, struct error *err) {
    if (!ledger->unloaded) {
        return ERR_OK;
    }
    forget_memory(ledger);
    enum error_code code = ledger_load(ledger, err);
    ledger->unloaded = code != ERR_OK;
    return code;
}
