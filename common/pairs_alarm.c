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

static void name_of(struct ledger *ledger, const struct sign_public *key, char *out, size_t size) {
    struct pairs_station station;
    struct error err;
    if (ID_EQUAL(*key, ledger->event.root)) {
        snprintf(out, size, "The event's root");
    } else if (pairs_station(ledger, key, &station, &err) == ERR_OK && station.name[0] != '\0') {
        snprintf(out, size, "%.100s", station.name);
    } else {
        snprintf(out, size, "A station that is not admitted");
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

static bool on_crossed(void *context, const struct pairs_bib *bib) {
    struct alarms *alarms = context;
    char say[320];
    snprintf(say, sizeof say,
             "Bib %s was settled at two places at once and no chip is left that counts: fetch the "
             "bib, read its chip, and chip it again.",
             bib->bib.text);
    raise_alarm(alarms, "crossed", say);
    return alarms->more;
}

static bool on_doubt(void *context, const struct pairs_bib *bib) {
    struct alarms *alarms = context;
    char say[320];
    snprintf(say, sizeof say,
             "Bib %s is in doubt: a station that is not trusted (any more) chipped it too. Fetch "
             "the bib, read its chip, and let a lead settle it.",
             bib->bib.text);
    raise_alarm(alarms, "doubt", say);
    return alarms->more;
}

/* One alarm for each row of (name or key, count) that a statement gives. */
static enum error_code counted_alarms(struct alarms *alarms, enum ledger_statement which,
                                      const char *name, const char *what, struct error *err) {
    bool row = true;
    enum error_code code = ERR_OK;
    sqlite3_stmt *statement = ledger_statement(alarms->ledger, which, err);
    if (statement == NULL) {
        return err->code;
    }
    while (alarms->more && (code = ledger_row(alarms->ledger, statement, &row, err)) == ERR_OK &&
           row) {
        struct sign_public key;
        char station[128] = "", count[24], say[320];
        long long number = sqlite3_column_int64(statement, 1);
        if (number == 0) {
            continue;
        }
        if (sql_column_bytes(statement, 0, &key, sizeof key)) {
            name_of(alarms->ledger, &key, station, sizeof station);
        }
        snprintf(count, sizeof count, "%lld", number);
        snprintf(say, sizeof say, "%s: %s %s", station[0] == '\0' ? "Here" : station, count, what);
        raise_alarm(alarms, name, say);
    }
    sqlite3_reset(statement);
    return code;
}

enum error_code pairs_each_alarm(struct ledger *ledger,
                                 bool (*each)(void *context, const struct pairs_alarm *),
                                 void *context, struct error *err) {
    struct alarms alarms = {ledger, each, context, true};
    ledger_each_fork(ledger, on_fork, &alarms);
    enum error_code code = pairs_each_bib(ledger, PAIRS_BIBS_CROSSED, on_crossed, &alarms, err);
    if (code == ERR_OK) {
        code = pairs_each_bib(ledger, PAIRS_BIBS_DOUBT, on_doubt, &alarms, err);
    }
    if (code == ERR_OK) {
        code = counted_alarms(&alarms, SQL_ALARM_UNCOUNTED, "uncounted",
                              "of its issues do not count, because it is retired or may not issue. "
                              "They are kept: look at the bibs that are in doubt.",
                              err);
    }
    if (code == ERR_OK) {
        code = counted_alarms(&alarms, SQL_ALARM_FOREIGN_VOID, "foreign_void",
                              "issues of other tables were cancelled there. If that was meant, "
                              "nothing is to be done.",
                              err);
    }
    if (code == ERR_OK) {
        code = counted_alarms(&alarms, SQL_ALARM_UNREADABLE, "unreadable",
                              "records are kept that this program cannot read: update it.", err);
    }
    return code;
}
