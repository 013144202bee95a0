/* fleet.c: see fleet.h. Keys, folders and logs; what is done at the tables is in acts.c. */
#include "tests/sim/fleet_internal.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static char replay[200];
static char *failed_name;
static size_t failed_name_size;

void fleet_replay(const char *command, char *failed, size_t failed_size) {
    snprintf(replay, sizeof(replay), "%s", command);
    failed_name = failed;
    failed_name_size = failed_size;
}

void fleet_fail(const char *invariant, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    fflush(stdout);
    fprintf(stderr, "FAILED [%s]: ", invariant);
    vfprintf(stderr, format, arguments);
    fprintf(stderr, "\nreplay with: %s\n", replay);
    va_end(arguments);
    if (failed_name != NULL) {
        snprintf(failed_name, failed_name_size, "%s", invariant);
    }
    exit(1);
}

void fleet_check(enum error_code code, const struct error *err) {
    if (code != ERR_OK) {
        fleet_fail(code == ERR_DAMAGED ? "sound" : "no-error", "%s: %s (%s)", error_name(code),
                   err->say, err->cause);
    }
}

void *fleet_must(void *memory) {
    if (memory == NULL) {
        fleet_fail("memory", "no memory");
    }
    return memory;
}

struct wall_ms fleet_wall(const struct fleet *fleet, size_t at, int64_t now) {
    return (struct wall_ms){1800000000000 + now + fleet->station[at].wall_off};
}

static void make_keys(struct dice *dice, struct station_keys *keys) {
    uint8_t sign[32];
    uint8_t curve[32];
    for (size_t i = 0; i < 32; i++) {
        sign[i] = (uint8_t)dice_roll(dice);
        curve[i] = (uint8_t)dice_roll(dice);
    }
    identity_keys(sign, curve, keys);
}

enum error_code fleet_open(struct fleet *fleet, size_t at, bool create, struct error *err) {
    struct fleet_station *station = &fleet->station[at];
    char path[64];
    snprintf(path, sizeof(path), "%s/ledger.db", station->folder);
    return ledger_open(fleet->vfs == NULL ? ":memory:" : path, fleet->vfs,
                       create ? &fleet->event : NULL, &fleet->event, &station->ledger, err);
}

/* ---- writing ---- */

/* What the stranger writes is in no register: nobody may take it in. */
static bool is_stranger(const struct fleet *fleet, size_t at) {
    return at == fleet->count + 1;
}

static void note_written(struct fleet *fleet, size_t at, const struct pairs_author *author) {
    if (is_stranger(fleet, at)) {
        return;
    }
    struct registry_entry *entry = registry_add(&fleet->registry, &author->head);
    entry->author = at;
    entry->log = author->log;
    entry->number = author->number;
}

static void note_done(struct fleet *fleet, size_t at, const struct pairs_author *author) {
    if (is_stranger(fleet, at)) {
        return;
    }
    struct registry_entry *entry = registry_add(&fleet->registry, &author->head);
    entry->done = true;
    registry_hold(entry, at);
}

static enum error_code open_log_of(struct fleet *fleet, size_t at, const struct station_keys *keys,
                                   const struct record_head *follows, int64_t now,
                                   struct pairs_author *author, struct error *err) {
    struct ledger *ledger = fleet->station[at].ledger;
    struct pairs_author before = *author;
    struct incarnation incarnation;
    for (size_t i = 0; i < sizeof(incarnation.bytes); i++) {
        incarnation.bytes[i] = (uint8_t)dice_roll(&fleet->dice);
    }
    enum error_code code = pairs_begin(ledger, err);
    if (code == ERR_OK) {
        code = pairs_author_open(ledger, keys, &incarnation, follows, fleet_wall(fleet, at, now),
                                 (struct mono_ms){now}, author, err);
    }
    if (code == ERR_OK) {
        note_written(fleet, at, author);
        code = pairs_commit(ledger, err);
    }
    if (code != ERR_OK) {
        pairs_rollback(ledger);
        *author = before;
        return code;
    }
    note_done(fleet, at, author);
    return ERR_OK;
}

enum error_code fleet_open_log(struct fleet *fleet, size_t at, const struct record_head *following,
                               int64_t now, struct error *err) {
    struct fleet_station *station = &fleet->station[at];
    enum error_code code =
        open_log_of(fleet, at, &station->keys, following, now, &station->author, err);
    if (code == ERR_OK) {
        station->opened_at = now;
    }
    return code;
}

/* What a table holds before an act and must hold after one that failed. */
struct holdings {
    uint64_t count;
    struct digest32 heads, state;
};

static struct holdings look(struct ledger *ledger) {
    return (struct holdings){ledger_count(ledger), ledger_heads_hash(ledger),
                             pairs_state_hash(ledger)};
}

static void check_nothing_done(struct fleet *fleet, size_t at, const struct holdings *before) {
    struct holdings after = look(fleet->station[at].ledger);
    fleet->half_done_checks++;
    if (before->count != after.count || !ID_EQUAL(before->heads, after.heads) ||
        !ID_EQUAL(before->state, after.state)) {
        fleet_fail("half-done", "an act failed at station %zu and left something", at);
    }
}

enum error_code fleet_append(struct fleet *fleet, size_t at, struct pairs_author *author,
                             enum record_kind kind, struct buffer *body, int64_t now,
                             struct record_id *id, struct error *err) {
    struct fleet_station *station = &fleet->station[at];
    struct pairs_author before = *author;
    struct holdings held = {0};
    if (station->full) {
        held = look(station->ledger);
    }
    enum error_code code = pairs_begin(station->ledger, err);
    if (code == ERR_OK) {
        code = pairs_append(station->ledger, author, kind, buffer_slice(body),
                            fleet_wall(fleet, at, now), (struct mono_ms){now}, id, err);
    }
    if (code == ERR_OK) {
        note_written(fleet, at, author);
        code = pairs_commit(station->ledger, err);
    }
    buffer_release(body);
    if (code != ERR_OK) {
        pairs_rollback(station->ledger);
        *author = before;
        if (station->full && code == ERR_DISK_FULL) {
            check_nothing_done(fleet, at, &held);
        }
        return code;
    }
    note_done(fleet, at, author);
    return ERR_OK;
}

/* ---- records from one ledger to another ---- */

struct collected {
    struct slice *item;
    size_t count, capacity;
};

static bool collect(void *context, struct slice raw) {
    struct collected *list = context;
    if (list->count == list->capacity) {
        list->capacity = list->capacity == 0 ? 256 : list->capacity * 2;
        list->item = fleet_must(realloc(list->item, list->capacity * sizeof(*list->item)));
    }
    uint8_t *copy = fleet_must(malloc(raw.size));
    memcpy(copy, raw.data, raw.size);
    list->item[list->count++] = slice_of(copy, raw.size);
    return true;
}

struct slice *fleet_records(struct ledger *ledger, size_t *count) {
    struct collected list = {0};
    struct error err;
    fleet_check(ledger_each(ledger, collect, &list, &err), &err);
    *count = list.count;
    return list.item;
}

void fleet_records_free(struct slice *records, size_t count) {
    for (size_t i = 0; i < count; i++) {
        free((void *)(uintptr_t)records[i].data);
    }
    free(records);
}

void fleet_take_all(struct ledger *ledger, const struct slice *records, size_t count) {
    struct error err;
    fleet_check(pairs_begin(ledger, &err), &err);
    for (size_t i = 0; i < count; i++) {
        struct pairs_taken taken;
        fleet_check(pairs_take(ledger, &records[i], 1, &taken, &err), &err);
    }
    fleet_check(pairs_commit(ledger, &err), &err);
}

/* ---- the event ---- */

static void put_found(struct fleet *fleet, bool epc_unique, struct buffer *body) {
    struct record_found found = {.name = slice_text("Kettle Hill Run"),
                                 .start = slice_text("2027-05-16"),
                                 .bibs = {1, {{1, 20000}}},
                                 .category_count = 1,
                                 .epc_unique = epc_unique};
    found.category[0].name = slice_text("all");
    found.category[0].scheme.kind = epc_unique ? EPC_AS_READ : EPC_OWN;
    found.category[0].scheme.code = epc_unique ? 0 : 4711;
    found.category[0].tags_per_bib = 1;
    buffer_init(body);
    record_found_write(&found, body);
    fleet->event.root = fleet->root.sign_public;
    fleet->event.event = identity_event(&fleet->event.root, buffer_slice(body));
}

static enum error_code admit(struct fleet *fleet, size_t at, int64_t now, struct error *err) {
    struct fleet_station *lead = &fleet->station[FLEET_LEAD];
    struct fleet_station *station = &fleet->station[at];
    bool is_lead = at == FLEET_LEAD || at == FLEET_SECOND;
    struct record_id id;
    struct buffer body;
    struct record_admit admitted = {.key = station->keys.sign_public,
                                    .curve = station->keys.curve_public,
                                    .name = slice_text(station->name),
                                    .role = is_lead ? ROLE_LEAD : ROLE_TABLE};
    buffer_init(&body);
    record_admit_write(&admitted, &body);
    return fleet_append(fleet, FLEET_LEAD, is_lead ? &fleet->root_author : &lead->author,
                        RECORD_ADMIT, &body, now, &id, err);
}

/* The station's ledger begins as a grant leaves it: with the records of the root and the lead. */
static void settle(struct fleet *fleet, size_t at, int64_t now) {
    struct fleet_station *station = &fleet->station[at];
    struct error err;
    size_t count = 0;
    struct slice *records = fleet_records(fleet->station[FLEET_LEAD].ledger, &count);
    fleet_check(fleet_open(fleet, at, true, &err), &err);
    fleet_take_all(station->ledger, records, count);
    fleet_records_free(records, count);
    fleet_check(fleet_open_log(fleet, at, NULL, now, &err), &err);
    station->here = true;
}

enum error_code fleet_join(struct fleet *fleet, size_t at, int64_t now, struct error *err) {
    enum error_code code = admit(fleet, at, now, err);
    if (code == ERR_OK) {
        settle(fleet, at, now);
    }
    return code;
}

static void make_stations(struct fleet *fleet) {
    for (size_t i = 0; i < fleet->count + FLEET_SPARE; i++) {
        struct fleet_station *station = &fleet->station[i];
        make_keys(&fleet->dice, &station->keys);
        snprintf(station->name, sizeof(station->name), "Table %zu", i);
        snprintf(station->folder, sizeof(station->folder), "table%zu", i);
        station->desk = i;
        /* Each laptop's clock is wrong by its own amount: nothing may hang on it. */
        station->wall_off = (int64_t)dice_below(&fleet->dice, 7200000) - 3600000;
    }
}

void fleet_new(struct fleet *fleet, uint64_t seed, size_t count, bool epc_unique, const char *vfs) {
    struct buffer found;
    struct record_id id;
    struct error err;
    memset(fleet, 0, sizeof(*fleet));
    fleet->hold_dice.state = seed ^ 0x686f6c64;
    fleet->dice.state = seed ^ 0x666c656574; /* not the same stream as the network's */
    fleet->count = count;
    fleet->vfs = vfs;
    fleet->station = fleet_must(calloc(count + FLEET_SPARE, sizeof(*fleet->station)));
    make_keys(&fleet->dice, &fleet->root);
    put_found(fleet, epc_unique, &found);
    make_stations(fleet);
    struct fleet_station *lead = &fleet->station[FLEET_LEAD];
    fleet_check(fleet_open(fleet, FLEET_LEAD, true, &err), &err);
    fleet_check(open_log_of(fleet, FLEET_LEAD, &fleet->root, NULL, 0, &fleet->root_author, &err),
                &err);
    fleet_check(
        fleet_append(fleet, FLEET_LEAD, &fleet->root_author, RECORD_FOUND, &found, 0, &id, &err),
        &err);
    fleet_check(admit(fleet, FLEET_LEAD, 0, &err), &err);
    fleet_check(admit(fleet, FLEET_SECOND, 0, &err), &err);
    fleet_check(fleet_open_log(fleet, FLEET_LEAD, NULL, 0, &err), &err);
    lead->here = true;
    for (size_t i = 1; i + 1 < count; i++) {
        if (i != FLEET_SECOND) {
            fleet_check(admit(fleet, i, 0, &err), &err);
        }
    }
    for (size_t i = 1; i + 1 < count; i++) {
        settle(fleet, i, 0);
    }
}

void fleet_free(struct fleet *fleet) {
    for (size_t i = 0; i < fleet->count + FLEET_SPARE; i++) {
        ledger_close(fleet->station[i].ledger);
    }
    free(fleet->station);
    free(fleet->issue);
    free(fleet->knew);
    registry_free(&fleet->registry);
}

/* ---- which log to go on with ---- */

/* The newest head that this station knows of the log that it wrote last; of a log that forked, its
 * own branch if that is held. */
static bool own_head(struct fleet_station *station, struct record_head *out, size_t *branches) {
    const struct ledger_head *heads =
        ledger_heads_of(station->ledger, &station->author.log, branches);
    for (size_t i = 0; i < *branches; i++) {
        if (i == 0 || ID_EQUAL(heads[i].id, station->author.head)) {
            *out = (struct record_head){heads[i].log, heads[i].number, heads[i].id};
        }
    }
    return *branches > 0;
}

enum error_code fleet_wake(struct fleet *fleet, size_t at, bool afresh, int64_t now,
                           struct error *err) {
    struct fleet_station *station = &fleet->station[at];
    struct record_head head;
    size_t branches = 0;
    bool has = own_head(station, &head, &branches);
    if (has && !afresh && (branches == 1 || station->liar)) {
        return pairs_author_resume(station->ledger, &station->keys, &head.id, &station->author,
                                   err);
    }
    return fleet_open_log(fleet, at, has ? &head : NULL, now, err);
}

enum error_code fleet_reincarnate(struct fleet *fleet, size_t at, int64_t now, bool *did,
                                  struct error *err) {
    struct fleet_station *station = &fleet->station[at];
    *did = false;
    if (station->liar || now - station->opened_at < 10000 ||
        !pairs_author_forked(station->ledger, &station->author)) {
        return ERR_OK;
    }
    struct record_head follows = {station->author.log, station->author.number,
                                  station->author.head};
    enum error_code code = fleet_open_log(fleet, at, &follows, now, err);
    *did = code == ERR_OK;
    return code;
}

enum error_code fleet_retire(struct fleet *fleet, size_t at, bool stolen, int64_t now,
                             struct error *err) {
    struct fleet_station *lead = &fleet->station[FLEET_LEAD];
    struct record_retire retire = {.key = fleet->station[at].keys.sign_public,
                                   .how = stolen ? RETIRE_STOLEN : RETIRE_DEAD,
                                   .reason = slice_text("left on a bus")};
    struct record_id id;
    struct buffer body;
    size_t count = 0;
    const struct ledger_head *heads = ledger_heads(lead->ledger, &count);
    for (size_t i = 0; stolen && i < count && retire.cutoff_count < RECORD_CUTOFFS_MAX; i++) {
        struct sign_public key;
        struct log_id log = heads[i].log;
        if (ledger_log_key(lead->ledger, &log, &key) && ID_EQUAL(key, retire.key)) {
            retire.cutoff[retire.cutoff_count++] =
                (struct record_head){heads[i].log, heads[i].number, heads[i].id};
        }
    }
    buffer_init(&body);
    record_retire_write(&retire, &body);
    enum error_code code =
        fleet_append(fleet, FLEET_LEAD, &lead->author, RECORD_RETIRE, &body, now, &id, err);
    fleet->station[at].stolen = code == ERR_OK ? stolen : fleet->station[at].stolen;
    return code;
}
