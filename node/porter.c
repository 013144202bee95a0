/*
 * porter.c: see porter.h.
 * Must never answer before the admit is on disk, nor tell who shows no right secret anything but
 * that it is none.
 */
#include "node/porter.h"

#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node/address.h"
#include "node/log.h"
#include "node/options.h"

enum {
    ASK_RATE = 20, /* asks looked at, in a second and at once */
    ASK_BURST = 60,
    WRONG_EVERY_MS = 5000, /* one address may be wrong this often in the long run, */
    WRONG_BURST = 5,       /* and this often at once; then it waits */
    WRONG_ALARM = 5,       /* wrong tickets of one address after which people are told */
    CALLERS_MAX = 64,
    IP_MAX = 48,
};

/* A bucket that fills by one in `every` ms, up to `burst`. */
struct bucket {
    int64_t level_ms; /* what it holds, as the time that it took to fill */
    struct mono_ms at;
};

static void refill(struct bucket *bucket, struct mono_ms now, int64_t every, int64_t burst) {
    bucket->level_ms += now.ms - bucket->at.ms;
    bucket->level_ms = bucket->level_ms < every * burst ? bucket->level_ms : every * burst;
    bucket->at = now;
}

static bool take_one(struct bucket *bucket, struct mono_ms now, int64_t every, int64_t burst) {
    refill(bucket, now, every, burst);
    if (bucket->level_ms < every) {
        return false;
    }
    bucket->level_ms -= every;
    return true;
}

/* An address from which a ticket came that was not right. */
struct caller {
    char ip[IP_MAX];
    struct bucket wrong;
    unsigned count;
};
struct porter {
    struct station *station;
    struct bucket asks;
    size_t caller_count;
    struct caller caller[CALLERS_MAX];
};

enum error_code porter_new(struct station *station, struct porter **out, struct error *err) {
    struct porter *porter = calloc(1, sizeof(*porter));
    *out = porter;
    if (porter == NULL) {
        return error_set(err, ERR_MEMORY, "porter");
    }
    porter->station = station;
    porter->asks = (struct bucket){INT64_C(1000) / ASK_RATE * ASK_BURST, station_now()};
    return ERR_OK;
}

void porter_free(struct porter *porter) {
    free(porter);
}

/* ---- who is wrong too often ---- */

static struct caller *find_caller(struct porter *porter, const char *ip) {
    for (size_t i = 0; i < porter->caller_count; i++) {
        if (strcmp(porter->caller[i].ip, ip) == 0) {
            return &porter->caller[i];
        }
    }
    return NULL;
}

/* The one that was wrong longest ago gives way. */
static struct caller *add_caller(struct porter *porter, const char *ip, struct mono_ms now) {
    struct caller *caller = &porter->caller[0];
    if (porter->caller_count < CALLERS_MAX) {
        caller = &porter->caller[porter->caller_count++];
    } else {
        for (size_t i = 1; i < CALLERS_MAX; i++) {
            caller =
                porter->caller[i].wrong.at.ms < caller->wrong.at.ms ? &porter->caller[i] : caller;
        }
    }
    *caller = (struct caller){.wrong = {INT64_C(1) * WRONG_EVERY_MS * WRONG_BURST, now}};
    snprintf(caller->ip, sizeof(caller->ip), "%s", ip);
    return caller;
}

static void note_wrong(struct porter *porter, const char *ip, struct mono_ms now) {
    struct caller *caller = find_caller(porter, ip);
    if (caller == NULL) {
        caller = add_caller(porter, ip, now);
    }
    (void)take_one(&caller->wrong, now, WRONG_EVERY_MS, WRONG_BURST);
    if (++caller->count == WRONG_ALARM) {
        log_alarm_say("tickets",
                      "Somebody at %s keeps showing tickets that are not of this event. If it is "
                      "none of your helpers with old paper, look who sits there.",
                      ip);
    }
}

static bool must_wait(struct porter *porter, const char *ip, struct mono_ms now) {
    struct caller *caller = find_caller(porter, ip);
    if (caller == NULL) {
        return false;
    }
    refill(&caller->wrong, now, WRONG_EVERY_MS, WRONG_BURST);
    return caller->wrong.level_ms < WRONG_EVERY_MS;
}

/* ---- letting in ---- */

/* What goes into the admit, copied out of message and ticket. */
struct entry {
    struct record_admit admit;
    char name[RECORD_TEXT_MAX + 1];
    struct address address[RECORD_ADDRESSES_MAX];
};

static bool is_lead(const struct porter *porter) {
    struct pairs_station self;
    struct error ignored;
    const struct station *station = porter->station;
    return pairs_station(station->ledger, &station->keys.sign_public, &self, &ignored) == ERR_OK &&
           self.role == ROLE_LEAD && !self.dead && !self.stolen;
}

/* A name comes from another machine, and will be read aloud and put on screens: one that is not fit
 * for that gives way to the ticket's. */
static void choose_name(const struct admission_ask *ask, const struct pairs_ticket *ticket,
                        struct entry *entry) {
    struct error ignored;
    bool given = ask->name.size > 0 && memchr(ask->name.data, 0, ask->name.size) == NULL;
    memset(entry->name, 0, sizeof(entry->name));
    if (given) {
        memcpy(entry->name, ask->name.data, ask->name.size);
    }
    if (!given || options_text("name", entry->name, RECORD_TEXT_MAX, &ignored) != ERR_OK) {
        memcpy(entry->name, ticket->name, sizeof(entry->name));
    }
}

static void choose_addresses(const struct admission_ask *ask, struct entry *entry) {
    struct record_admit *admit = &entry->admit;
    for (size_t i = 0; i < ask->address_count; i++) {
        char text[ADDRESS_TEXT_MAX];
        struct error ignored;
        struct address *address = &entry->address[admit->address_count];
        if (ask->address[i].size >= sizeof(text)) {
            continue;
        }
        memcpy(text, ask->address[i].data, ask->address[i].size);
        text[ask->address[i].size] = '\0';
        if (address_parse(text, address, &ignored) == ERR_OK && !address->any &&
            address->port != 0) {
            admit->address[admit->address_count++] = slice_text(address->text);
        }
    }
}

/* Admit and allot, in one transaction. */
static enum error_code write_down(struct porter *porter, const struct entry *entry,
                                  const struct pairs_ticket *ticket, struct record_id *last,
                                  struct error *err) {
    struct record_allot allot = {.key = entry->admit.key, .bibs = ticket->bibs};
    struct buffer admit_body;
    struct buffer allot_body;
    buffer_init(&admit_body);
    buffer_init(&allot_body);
    record_admit_write(&entry->admit, &admit_body);
    record_allot_write(&allot, &allot_body);
    const struct station_act acts[] = {{RECORD_ADMIT, buffer_slice(&admit_body)},
                                       {RECORD_ALLOT, buffer_slice(&allot_body)}};
    enum error_code code =
        admit_body.failed || allot_body.failed
            ? error_set(err, ERR_MEMORY, "letting a station in")
            : station_append_all(porter->station, acts, ticket->bibs.count > 0 ? 2 : 1, last, err);
    buffer_release(&admit_body);
    buffer_release(&allot_body);
    return code;
}

static void grant(struct porter *porter, const struct record_id *last,
                  struct admission_answer *answer) {
    answer->verdict = ADMISSION_GRANTED;
    answer->event = porter->station->event;
    answer->last = *last;
}

static void let_in(struct porter *porter, const struct curve_public *asker,
                   const struct admission_ask *ask, const struct pairs_ticket *ticket,
                   struct entry *entry, struct admission_answer *answer) {
    struct pairs_station other;
    struct record_id last;
    struct error err;
    choose_name(ask, ticket, entry);
    enum error_code code =
        pairs_station_by_name(porter->station->ledger, entry->name, &other, &err);
    if (code == ERR_OK && !other.dead && !other.stolen) {
        answer->verdict = ADMISSION_NAME;
        answer->name = slice_text(entry->name);
        return;
    }
    entry->admit = (struct record_admit){.key = ask->key,
                                         .curve = *asker,
                                         .name = slice_text(entry->name),
                                         .role = ticket->role,
                                         .has_ticket = true,
                                         .ticket = ticket->id};
    choose_addresses(ask, entry);
    if (write_down(porter, entry, ticket, &last, &err) != ERR_OK) {
        log_line("%s could not be let in. %s (%s)", entry->name, err.say, err.cause);
        return;
    }
    log_line("%s was let in with its ticket.", entry->name);
    answer->name = slice_text(entry->name);
    grant(porter, &last, answer);
}

/* A key that is in already: an answer was lost, or it has come by another way. */
static bool is_in(struct porter *porter, const struct curve_public *asker,
                  const struct admission_ask *ask, struct pairs_station *held,
                  struct admission_answer *answer) {
    struct error ignored;
    if (pairs_station(porter->station->ledger, &ask->key, held, &ignored) != ERR_OK ||
        held->role == ROLE_NONE) {
        return false;
    }
    answer->name = slice_text(held->name);
    if (held->dead || held->stolen) {
        answer->verdict = ADMISSION_RETIRED;
    } else if (ID_EQUAL(held->curve, *asker)) {
        grant(porter, &porter->station->author.head, answer);
    }
    return true;
}

/* ---- verdicts ---- */

static void say_when(struct admission_answer *answer, enum admission_verdict verdict,
                     struct wall_ms when) {
    answer->verdict = verdict;
    answer->when = when;
    answer->wall = station_wall();
}

struct judging {
    struct admission_ask ask;
    struct pairs_ticket ticket;
    struct pairs_station held;
    struct entry entry;
    struct admission_answer answer;
};

/* The secret was right. */
static void judge(struct porter *porter, const struct curve_public *asker, struct judging *of) {
    const struct pairs_ticket *ticket = &of->ticket;
    of->answer.verdict = ADMISSION_TROUBLE;
    if (!is_lead(porter)) {
        of->answer.verdict = ADMISSION_NO_LEAD;
    } else if (is_in(porter, asker, &of->ask, &of->held, &of->answer)) {
        return;
    } else if (ticket->used > 0) {
        say_when(&of->answer, ADMISSION_USED, ticket->used_at);
        of->answer.name = slice_text(ticket->used_name);
    } else if (ticket->cancelled) {
        say_when(&of->answer, ADMISSION_CANCELLED, ticket->cancelled_at);
    } else if (station_wall().ms >= ticket->expires.ms) {
        say_when(&of->answer, ADMISSION_EXPIRED, ticket->expires);
    } else {
        let_in(porter, asker, &of->ask, ticket, &of->entry, &of->answer);
    }
}

/* False: nothing is said. */
static bool consider(struct porter *porter, const struct curve_public *asker, const char *ip,
                     struct judging *of) {
    struct ledger *ledger = porter->station->ledger;
    struct mono_ms now = station_now();
    struct error err;
    if (must_wait(porter, ip, now)) {
        of->answer.verdict = ADMISSION_WAIT;
        return is_lead(porter);
    }
    struct digest32 hash = ticket_hash(&porter->station->event.event, of->ask.secret);
    enum error_code code = pairs_ticket_by_hash(ledger, &hash, &of->ticket, &err);
    if (code == ERR_OK) {
        judge(porter, asker, of);
        return true;
    }
    if (code != ERR_NOT_FOUND) {
        log_line("A ticket could not be looked up. %s (%s)", err.say, err.cause);
        of->answer.verdict = ADMISSION_TROUBLE;
        return true;
    }
    note_wrong(porter, ip, now);
    of->answer.verdict = ADMISSION_UNKNOWN;
    return is_lead(porter);
}

bool porter_take(struct porter *porter, const struct curve_public *asker, const char *ip,
                 struct slice message, struct buffer *answer) {
    struct error ignored;
    buffer_clear(answer);
    if (message.size > ADMISSION_SIZE_MAX ||
        !take_one(&porter->asks, station_now(), 1000 / ASK_RATE, ASK_BURST)) {
        return false;
    }
    struct judging *of = calloc(1, sizeof(*of));
    if (of == NULL) {
        return false;
    }
    bool said = admission_ask_get(message, &porter->station->keys.curve_public, asker, &of->ask,
                                  &ignored) == ERR_OK &&
                consider(porter, asker, ip == NULL ? "an unknown address" : ip, of);
    if (said) {
        admission_answer_put(&of->answer, answer);
    }
    sodium_memzero(of, sizeof(*of));
    free(of);
    return said && !answer->failed;
}
