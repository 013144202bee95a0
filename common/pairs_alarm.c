/*
 * pairs_alarm.c: what is kept but set apart, and what people should do about it.
 */
#include "common/pairs_state.h"

#include <stdio.h>
#include <string.h>

struct alarms {
    struct ledger *ledger;
    bool (*each)(void *context, const struct pairs_alarm *);
    void *context;
    bool more;
};

static void raise_alarm(struct alarms *alarms, const char *name, const char *say) {
    struct pairs_alarm alarm;
    if (!alarms->more) {
        return;
    }
    snprintf(alarm.name, sizeof alarm.name, "%s", name);
    snprintf(alarm.say, sizeof alarm.say, "%s", say);
    alarms->more = alarms->each(alarms->context, &alarm);
}

/* The name that an admit gives to a key, though it does not count. */
static bool claimed_name(struct ledger *ledger, const struct sign_public *key, char *out,
                         size_t size) {
    struct error err;
    bool row = false;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_ADMIT_NAME, &err);
    if (statement == NULL) {
        return false;
    }
    sql_bind_bytes(statement, 1, key->bytes, sizeof key->bytes);
    bool named = ledger_row(ledger, statement, &row, &err) == ERR_OK && row &&
                 sqlite3_column_bytes(statement, 0) > 0;
    if (named) {
        snprintf(out, size, "\"%.60s\"", (const char *)sqlite3_column_text(statement, 0));
    }
    sqlite3_reset(statement);
    return named;
}

static void name_of(struct ledger *ledger, const struct sign_public *key, char *out, size_t size) {
    struct pairs_station station;
    struct error err;
    if (ID_EQUAL(*key, ledger->event.root)) {
        snprintf(out, size, "The event's root");
    } else if (pairs_station(ledger, key, &station, &err) == ERR_OK && station.name[0] != '\0') {
        snprintf(out, size, "%.60s", station.name);
    } else if (!claimed_name(ledger, key, out, size)) {
        snprintf(out, size, "A station that is not let in");
    }
}

static void on_fork(void *context, const struct ledger_fork *fork) {
    struct alarms *alarms = context;
    char say[320], name[128];
    struct sign_public key;
    if (!ledger_log_key(alarms->ledger, &fork->log, &key)) {
        return;
    }
    name_of(alarms->ledger, &key, name, sizeof name);
    snprintf(say, sizeof say,
             "%s wrote two different records under one number (%llu): its folder was copied or "
             "restored. Both are kept and nothing is lost: go on, and use only one of the copies.",
             name, (unsigned long long)fork->number);
    raise_alarm(alarms, "fork", say);
}

/* ---- bibs to be fetched ---- */

/* One alarm for all of a kind: a stolen laptop can put thousands of bibs in doubt. */
enum { NAMED_BIBS_MAX = 8 };
struct bib_list {
    size_t count;
    char text[NAMED_BIBS_MAX * (BIB_LENGTH_MAX + 2) + 4]; /* "5, 6, 7, ..." */
};

static bool add_bib(void *context, const struct pairs_bib *bib) {
    struct bib_list *list = context;
    size_t used = strlen(list->text);
    if (list->count < NAMED_BIBS_MAX) {
        snprintf(list->text + used, sizeof list->text - used, "%s%.12s", used == 0 ? "" : ", ",
                 bib->bib.text);
    } else if (list->count == NAMED_BIBS_MAX) {
        snprintf(list->text + used, sizeof list->text - used, ", ..");
    }
    list->count++;
    return true;
}

static enum error_code bib_alarms(struct alarms *alarms, enum pairs_bibs which, const char *name,
                                  const char *one, const char *many, struct error *err) {
    struct bib_list list = {0};
    char say[320];
    enum error_code code = pairs_each_bib(alarms->ledger, which, add_bib, &list, err);
    if (code != ERR_OK || list.count == 0) {
        return code;
    }
    if (list.count == 1) {
        snprintf(say, sizeof say, "Bib %.12s %s", list.text, one);
    } else {
        snprintf(say, sizeof say, "Bibs (%zu: %.116s) %s", list.count, list.text, many);
    }
    raise_alarm(alarms, name, say);
    return ERR_OK;
}

static enum error_code fetch_alarms(struct alarms *alarms, struct error *err) {
    enum error_code code =
        bib_alarms(alarms, PAIRS_BIBS_CROSSED, "crossed",
                   "was settled at two places at once and no chip is left that counts: fetch the "
                   "bib, read its chip, and chip it again.",
                   "were settled at two places at once and no chip is left that counts: fetch "
                   "them, read their chips, and chip them again.",
                   err);
    return code != ERR_OK ? code
                          : bib_alarms(alarms, PAIRS_BIBS_DOUBT, "doubt",
                                       "is in doubt: a station that is not trusted (any more) "
                                       "chipped it too. Fetch the bib, read its chip, and let a "
                                       "lead settle it.",
                                       "are in doubt: stations that are not trusted (any more) "
                                       "chipped them too. Fetch them, read their chips, and let a "
                                       "lead settle them.",
                                       err);
}

/* ---- folders that live twice ---- */

/* Whether the log that `chain` goes on from went on as well, or is followed by another log too. */
static bool is_second_life(const struct ledger *ledger, uint32_t chain) {
    struct clock_position follows = ledger->tree.chain[chain].follows;
    if (follows.chain == CLOCK_NO_CHAIN ||
        !ID_EQUAL(ledger->chain[follows.chain].key, ledger->chain[chain].key)) {
        return false;
    }
    bool twice = ledger->chain[follows.chain].head_number > follows.number;
    for (uint32_t i = 0; i < ledger->tree.count && !twice; i++) {
        struct clock_position other = ledger->tree.chain[i].follows;
        twice = i != chain && other.chain == follows.chain && other.number == follows.number;
    }
    return twice;
}

/* The root's key is meant to be in several places, and each act with it is a log of its own. */
static void copied_alarms(struct alarms *alarms) {
    const struct ledger *ledger = alarms->ledger;
    struct sign_public told = ledger->event.root;
    for (uint32_t i = 0; i < ledger->tree.count; i++) {
        char say[320], name[128];
        const struct sign_public *key = &ledger->chain[i].key;
        if (ID_EQUAL(*key, ledger->event.root) || ID_EQUAL(*key, told) ||
            !is_second_life(ledger, i)) {
            continue;
        }
        told = *key;
        name_of(alarms->ledger, key, name, sizeof name);
        snprintf(
            say, sizeof say,
            "%.60s went on from one point in two logs: its folder was copied, or put back from "
            "an older copy. Nothing is lost and nothing has to be done: go on. If two laptops "
            "work with that folder, use only one of them.",
            name);
        raise_alarm(alarms, "copied", say);
    }
}

/* ---- records that do not count ---- */

static const char *role_words(enum role role) {
    static const char *const words[] = {[ROLE_NONE] = "is let in by nobody",
                                        [ROLE_READER] = "may only read and ask",
                                        [ROLE_TABLE] = "is a table and no lead",
                                        [ROLE_LEAD] = "is a lead and not the root",
                                        [ROLE_ROOT] = "is the root"};
    return words[role];
}

static void on_beyond(struct alarms *alarms, const struct sign_public *key, enum pairs_beyond why,
                      long long issues, long long others) {
    char say[320], name[128], count[80];
    struct pairs_station station = {.role = ROLE_NONE};
    struct error err;
    name_of(alarms->ledger, key, name, sizeof name);
    snprintf(count, sizeof count, "chips on bibs: %lld, other records: %lld", issues, others);
    const char *look = issues > 0 ? " Fetch the bibs that are in doubt." : "";
    switch (why) {
    case PAIRS_AFTER_THEFT:
        snprintf(say, sizeof say,
                 "%.60s was put out as stolen, and records were written with it after that "
                 "(%.70s). They "
                 "are kept and do not count.%s",
                 name, count, look);
        break;
    case PAIRS_BEYOND_ROLE:
        if (pairs_station(alarms->ledger, key, &station, &err) != ERR_OK) {
            station.role = ROLE_NONE;
        }
        snprintf(
            say, sizeof say,
            "%.60s %s, and wrote what it may not (%.70s). It is kept and does not count.%s Ask who "
            "works there.",
            name, role_words(station.role), count, look);
        break;
    case PAIRS_WITHIN:
    case PAIRS_NOT_LET_IN:
        snprintf(say, sizeof say,
                 "%.60s is not let in by anyone who may, and wrote records (%.70s). They are kept "
                 "and do "
                 "not count.%s If it is one of yours, let it in (admit).",
                 name, count, look);
        break;
    }
    raise_alarm(alarms, "beyond", say);
}

static enum error_code beyond_alarms(struct alarms *alarms, struct error *err) {
    bool row = true;
    enum error_code code = ERR_OK;
    sqlite3_stmt *statement = ledger_statement(alarms->ledger, SQL_ALARM_BEYOND, err);
    if (statement == NULL) {
        return err->code;
    }
    while (alarms->more && (code = ledger_row(alarms->ledger, statement, &row, err)) == ERR_OK &&
           row) {
        struct sign_public key;
        long long all = sqlite3_column_int64(statement, 2);
        long long issues = sqlite3_column_int64(statement, 3);
        if (sql_column_bytes(statement, 0, &key, sizeof key)) {
            on_beyond(alarms, &key, (enum pairs_beyond)sqlite3_column_int(statement, 1), issues,
                      all - issues);
        }
    }
    sqlite3_reset(statement);
    return code;
}

static void on_ticket(void *context, const struct pairs_ticket *ticket) {
    struct alarms *alarms = context;
    char say[320];
    if (ticket->used > 1) {
        snprintf(
            say, sizeof say,
            "The ticket for %.40s let in two stations, %.40s and %.40s, because two leads were "
            "asked apart. If you know both, nothing is to be done; else retire the one that "
            "you do not know.",
            ticket->name, ticket->used_name, ticket->other_name);
        raise_alarm(alarms, "ticket_twice", say);
    } else {
        snprintf(say, sizeof say,
                 "The ticket for %.60s was cancelled, and another lead let in %.60s with it "
                 "meanwhile. If you do not know that station, retire it.",
                 ticket->name, ticket->used_name);
        raise_alarm(alarms, "ticket_cancelled", say);
    }
}

/* One alarm for each row of (name or key, count) that a statement gives. */
static enum error_code counted_alarms(struct alarms *alarms, enum ledger_statement which,
                                      const char *name, const char *what, const char *then,
                                      struct error *err) {
    bool row = true;
    enum error_code code = ERR_OK;
    sqlite3_stmt *statement = ledger_statement(alarms->ledger, which, err);
    if (statement == NULL) {
        return err->code;
    }
    while (alarms->more && (code = ledger_row(alarms->ledger, statement, &row, err)) == ERR_OK &&
           row) {
        struct sign_public key;
        char station[128] = "", say[320];
        long long number = sqlite3_column_int64(statement, 1);
        if (number == 0) {
            continue;
        }
        if (sql_column_bytes(statement, 0, &key, sizeof key)) {
            name_of(alarms->ledger, &key, station, sizeof station);
        }
        snprintf(say, sizeof say, "%s: %s: %lld. %s", station[0] == '\0' ? "Here" : station, what,
                 number, then);
        raise_alarm(alarms, name, say);
    }
    sqlite3_reset(statement);
    return code;
}

enum error_code pairs_each_alarm(struct ledger *ledger,
                                 bool (*each)(void *context, const struct pairs_alarm *),
                                 void *context, struct error *err) {
    struct alarms alarms = {ledger, each, context, true};
    uint64_t faults = ledger->faults;
    if (pairs_of(ledger, err) == NULL) { /* for the names of stations */
        return err->code;
    }
    ledger_each_fork(ledger, on_fork, &alarms);
    copied_alarms(&alarms);
    enum error_code code = fetch_alarms(&alarms, err);
    if (code == ERR_OK) {
        code = beyond_alarms(&alarms, err);
    }
    if (code == ERR_OK) {
        code = counted_alarms(&alarms, SQL_ALARM_FOREIGN_VOID, "foreign_void",
                              "chips of other tables that were cancelled there",
                              "If that was meant, nothing is to be done.", err);
    }
    if (code == ERR_OK) {
        code = ticket_each_trouble(ledger, on_ticket, &alarms, err);
    }
    if (code == ERR_OK) {
        code = counted_alarms(&alarms, SQL_ALARM_UNREADABLE, "unreadable",
                              "records that are kept, and that this program cannot read",
                              "Update it.", err);
    }
    return ledger_since(ledger, faults, code, err);
}
