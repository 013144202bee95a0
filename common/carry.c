/*
 * carry.c: takes the records of a file into a ledger, in whatever order they stand.
 *
 * Three phases, each cut into slices: the file is cut into records, each is linked to the one that
 * it follows, and the chains so found are handed to pairs_take, again and again while admits that
 * came with them let further logs in. What belongs together is only guessed here, to make runs:
 * pairs_take checks every chain and signature itself.
 */
#include "common/carry.h"

#include <stdlib.h>
#include <string.h>

#include "common/carry_scan.h"

#define NONE UINT32_MAX
enum { BYTES_PER_RECORD_GUESS = 150, OTHER_EVENTS_MAX = 4, PROBES_MAX = 8 };

struct entry {
    uint64_t offset;
    uint64_t number;
    uint8_t id[16];       /* first bytes of its record id */
    uint8_t previous[16]; /* of the record before it */
    uint32_t size;
    uint32_t log;     /* index into logs */
    uint32_t child;   /* first of the records that follow it */
    uint32_t sibling; /* next of those that follow the same record, or of a log's starts */
};

enum log_state { LOG_WAITS, LOG_DENIED, LOG_DONE };
struct log {
    struct log_id id;
    enum log_state state;
    uint32_t first; /* entries whose predecessor is not in the file */
    uint32_t count; /* entries of it */
    uint32_t stored;
    uint64_t epoch; /* ledger_admit_epoch when it was last denied */
    enum { KEY_UNSOUGHT, KEY_NONE, KEY_FOUND } key_state;
    struct sign_public key; /* of its `open`, if that stands in the file */
};

/* A hash table from ids to indices: open addressing, sized once, at most half full. */
struct index {
    uint32_t *slot;
    size_t mask;
};

enum phase { PHASE_SCAN, PHASE_LINK, PHASE_TAKE, PHASE_DONE };
struct carry_in {
    struct ledger *ledger;
    struct carry_scan scan;
    enum phase phase;
    struct carry_report report;
    struct entry *entries;
    uint32_t entry_count, entry_capacity;
    struct log *logs;
    uint32_t log_count, log_capacity;
    struct index by_id, by_log;
    uint32_t at;     /* entry to link, or log to take */
    uint32_t *stack; /* entries of the log in hand at which runs begin */
    uint32_t stack_count, stack_capacity;
    struct slice *run; /* room for LEDGER_RUN_MAX */
    bool others_known; /* the other events that the file names were looked for */
    size_t other_count;
    struct event_id other[OTHER_EVENTS_MAX];
};

/* ---- tables ---- */

static bool index_make(struct index *index, size_t count) {
    size_t slots = 64;
    while (slots < 2 * count) {
        slots *= 2;
    }
    uint32_t *slot = malloc(slots * sizeof(*slot));
    if (slot == NULL) {
        return false;
    }
    memset(slot, 0xFF, slots * sizeof(*slot));
    *index = (struct index){.slot = slot, .mask = slots - 1};
    return true;
}

/* Ids are hashes already, so their first bytes serve as they are. A file made to collide costs
 * its reader time and nothing else. */
static size_t index_start(const struct index *index, const uint8_t id[16]) {
    uint64_t hash = 0;
    memcpy(&hash, id, sizeof(hash));
    return (size_t)hash & index->mask;
}

static uint32_t *find_entry(const struct carry_in *in, const uint8_t id[16]) {
    size_t at = index_start(&in->by_id, id);
    while (in->by_id.slot[at] != NONE &&
           memcmp(in->entries[in->by_id.slot[at]].id, id, sizeof(in->entries->id)) != 0) {
        at = (at + 1) & in->by_id.mask;
    }
    return &in->by_id.slot[at];
}

static uint32_t *find_log(const struct carry_in *in, const struct log_id *log) {
    size_t at = index_start(&in->by_log, log->bytes);
    while (in->by_log.slot[at] != NONE && !ID_EQUAL(in->logs[in->by_log.slot[at]].id, *log)) {
        at = (at + 1) & in->by_log.mask;
    }
    return &in->by_log.slot[at];
}

static bool grow(void **items, uint32_t count, uint32_t *capacity, size_t size) {
    if (count < *capacity) {
        return true;
    }
    if (count >= NONE / 2) {
        return false;
    }
    uint32_t wanted = *capacity == 0 ? 256 : *capacity * 2;
    void *grown = realloc(*items, wanted * size);
    if (grown == NULL) {
        return false;
    }
    *items = grown;
    *capacity = wanted;
    return true;
}

/* Makes both tables anew, twice as large, when one is half full. */
static bool index_grow(struct carry_in *in) {
    if (2 * (size_t)in->entry_count <= in->by_id.mask &&
        2 * (size_t)in->log_count <= in->by_log.mask) {
        return true;
    }
    struct index by_id = {0};
    struct index by_log = {0};
    if (!index_make(&by_id, 2 * (size_t)in->entry_count) ||
        !index_make(&by_log, 2 * (size_t)in->log_count)) {
        free(by_id.slot);
        return false;
    }
    free(in->by_id.slot);
    free(in->by_log.slot);
    in->by_id = by_id;
    in->by_log = by_log;
    for (uint32_t i = 0; i < in->entry_count; i++) {
        *find_entry(in, in->entries[i].id) = i;
    }
    for (uint32_t i = 0; i < in->log_count; i++) {
        *find_log(in, &in->logs[i].id) = i;
    }
    return true;
}

/* ---- phase 1: cutting ---- */

static bool add_log(struct carry_in *in, const struct log_id *id, uint32_t *log) {
    uint32_t *slot = find_log(in, id);
    if (*slot == NONE) {
        if (!grow((void **)&in->logs, in->log_count, &in->log_capacity, sizeof(*in->logs))) {
            return false;
        }
        in->logs[in->log_count] = (struct log){.id = *id, .first = NONE};
        *slot = in->log_count++;
    }
    *log = *slot;
    in->logs[*log].count++;
    return true;
}

static bool add_entry(struct carry_in *in, const struct record *record) {
    struct record_id id = identity_record(record->raw);
    in->report.records++;
    if (*find_entry(in, id.bytes) != NONE) {
        return true; /* the same record once more */
    }
    struct entry entry = {
        .offset = (uint64_t)(record->raw.data - in->scan.file.data),
        .number = record->number,
        .size = (uint32_t)record->raw.size,
        .child = NONE,
        .sibling = NONE,
    };
    memcpy(entry.id, id.bytes, sizeof(entry.id));
    memcpy(entry.previous, record->previous.bytes, sizeof(entry.previous));
    if (!add_log(in, &record->log, &entry.log) ||
        !grow((void **)&in->entries, in->entry_count, &in->entry_capacity, sizeof(entry))) {
        return false;
    }
    *find_entry(in, entry.id) = in->entry_count;
    in->entries[in->entry_count++] = entry;
    return index_grow(in);
}

static bool scan_some(struct carry_in *in, size_t records_max) {
    for (size_t i = 0; i < records_max; i++) {
        struct record record;
        enum carry_found found = carry_scan_next(&in->scan, &record);
        if (found == CARRY_END) {
            in->report.truncated = in->scan.truncated;
            in->phase = PHASE_LINK;
            break;
        }
        if (found == CARRY_RECORD && !add_entry(in, &record)) {
            return false;
        }
    }
    in->report.damaged = in->scan.damaged;
    return true;
}

/* ---- phase 2: which record follows which ---- */

/* Entries are gone through from the last, so that lists built at their fronts end in file order. */
static void link_some(struct carry_in *in, size_t records_max) {
    for (size_t i = 0; i < records_max && in->at < in->entry_count; i++, in->at++) {
        uint32_t index = in->entry_count - 1 - in->at;
        struct entry *entry = &in->entries[index];
        uint32_t parent = entry->number == 1 ? NONE : *find_entry(in, entry->previous);
        bool follows = parent != NONE && in->entries[parent].log == entry->log &&
                       in->entries[parent].number + 1 == entry->number;
        uint32_t *list = follows ? &in->entries[parent].child : &in->logs[entry->log].first;
        entry->sibling = *list;
        *list = index;
    }
    if (in->at == in->entry_count) {
        in->at = 0;
        in->phase = PHASE_TAKE;
    }
}

/* ---- phase 3: taking ---- */

static struct slice entry_raw(const struct carry_in *in, const struct entry *entry) {
    return slice_of(in->scan.file.data + entry->offset, entry->size);
}

/* Pushes a list of siblings, the first of them on top. */
static bool push_list(struct carry_in *in, uint32_t first) {
    uint32_t bottom = in->stack_count;
    for (uint32_t at = first; at != NONE; at = in->entries[at].sibling) {
        if (!grow((void **)&in->stack, in->stack_count, &in->stack_capacity, sizeof(*in->stack))) {
            return false;
        }
        in->stack[in->stack_count++] = at;
    }
    for (uint32_t low = bottom, high = in->stack_count; low + 1 < high; low++) {
        uint32_t swap = in->stack[--high];
        in->stack[high] = in->stack[low];
        in->stack[low] = swap;
    }
    return true;
}

/* The key in a log's `open`, if it stands in the file and the log's id is made of it. Sought once.
 */
static bool key_in_file(const struct carry_in *in, struct log *log) {
    struct record record;
    struct record_open open;
    struct error unused;
    uint32_t at = log->key_state == KEY_UNSOUGHT ? log->first : NONE;
    for (; at != NONE && log->key_state != KEY_FOUND; at = in->entries[at].sibling) {
        if (in->entries[at].number == 1 &&
            record_decode(entry_raw(in, &in->entries[at]), &record, &unused) == ERR_OK &&
            record.kind == RECORD_OPEN && record_open_read(record.body, &open)) {
            struct log_id made = identity_log(&open.key, &open.incarnation);
            log->key = open.key;
            log->key_state = ID_EQUAL(made, log->id) ? KEY_FOUND : KEY_UNSOUGHT;
        }
    }
    log->key_state = log->key_state == KEY_UNSOUGHT ? KEY_NONE : log->key_state;
    return log->key_state == KEY_FOUND;
}

static bool entry_verifies(const struct carry_in *in, const struct entry *entry,
                           const struct event_id *event, const struct sign_public *key) {
    struct record record;
    struct error unused;
    return record_decode(entry_raw(in, entry), &record, &unused) == ERR_OK &&
           record_verify(&record, event, key);
}

/* Whether one of a few records from `first` on verifies under an event. */
static bool probe(const struct carry_in *in, uint32_t first, const struct event_id *event,
                  size_t *tried) {
    const struct sign_public *key = &in->logs[in->entries[first].log].key;
    *tried = 0;
    for (uint32_t at = first; at != NONE && *tried < PROBES_MAX; at = in->entries[at].child) {
        if (entry_verifies(in, &in->entries[at], event, key)) {
            return true;
        }
        (*tried)++;
    }
    return false;
}

static void look_for_others(struct carry_in *in) {
    struct ledger_event ours = ledger_event(in->ledger);
    struct carry_scan scan = carry_scan_of(in->scan.file);
    struct sign_public root;
    struct event_id event;
    while (in->other_count < OTHER_EVENTS_MAX && carry_scan_event(&scan, &root, &event)) {
        if (!ID_EQUAL(event, ours.event)) {
            in->other[in->other_count++] = event;
        }
    }
    in->others_known = true;
}

/* Whether the branch from `first` on, of a log that is not held, is of another event, and not of
 * ours with a byte turned: several records do not verify under this event, or one verifies under
 * another that the file names. */
static bool is_foreign(struct carry_in *in, uint32_t first) {
    struct ledger_event ours = ledger_event(in->ledger);
    struct log *log = &in->logs[in->entries[first].log];
    struct sign_public held;
    size_t tried = 0;
    if (ledger_log_key(in->ledger, &log->id, &held) || !key_in_file(in, log) ||
        probe(in, first, &ours.event, &tried)) {
        return false;
    }
    bool foreign = tried > 1;
    if (!foreign && !in->others_known) {
        look_for_others(in);
    }
    for (size_t i = 0; !foreign && i < in->other_count; i++) {
        foreign = probe(in, first, &in->other[i], &tried);
    }
    return foreign;
}

/* How many records stand behind `first` in its chain and the branches from it, itself counted.
 * Uses the stack above its present top, and leaves the top where it was. */
static uint64_t count_branch(struct carry_in *in, uint32_t first) {
    uint32_t bottom = in->stack_count;
    uint64_t count = 0;
    uint32_t at = first;
    while (at != NONE) {
        count++;
        if (!push_list(in, in->entries[at].child)) {
            break;
        }
        at = in->stack_count > bottom ? in->stack[--in->stack_count] : NONE;
    }
    in->stack_count = bottom;
    return count;
}

/* Gathers a run of up to records_max records that begins at `first` and does not branch before
 * its *last. Returns how many. */
static size_t gather_run(struct carry_in *in, uint32_t first, size_t records_max, uint32_t *last) {
    size_t count = 0;
    uint32_t at = first;
    while (true) {
        in->run[count++] = entry_raw(in, &in->entries[at]);
        *last = at;
        uint32_t child = in->entries[at].child;
        if (child == NONE || in->entries[child].sibling != NONE || count == records_max) {
            return count;
        }
        at = child;
    }
}

/* Counts a run of which only the first `held` records were taken, because one does not verify. */
static void count_damage(struct carry_in *in, uint32_t first, uint64_t held) {
    uint64_t branch = count_branch(in, first);
    if (held == 0 && is_foreign(in, first)) {
        in->report.foreign += branch;
        return;
    }
    in->report.damaged++;
    in->report.gaps += branch > held + 1 ? branch - held - 1 : 0;
}

/* Counts a branch whose predecessor is missing. Where its first record does not verify, that is
 * why: what it names as its predecessor was damaged too. */
static void count_gap(struct carry_in *in, uint32_t first) {
    struct log *log = &in->logs[in->entries[first].log];
    struct ledger_event ours = ledger_event(in->ledger);
    uint64_t branch = count_branch(in, first);
    struct sign_public key;
    bool has_key = ledger_log_key(in->ledger, &log->id, &key);
    if (!has_key && key_in_file(in, log)) {
        key = log->key;
        has_key = true;
    }
    if (!has_key || entry_verifies(in, &in->entries[first], &ours.event, &key)) {
        in->report.gaps += branch;
    } else if (is_foreign(in, first)) {
        in->report.foreign += branch;
    } else {
        in->report.damaged++;
        in->report.gaps += branch - 1;
    }
}

/* What became of a run: counts what was refused, and says whether its branch goes on. */
static bool run_goes_on(struct carry_in *in, uint32_t first, size_t count,
                        const struct pairs_taken *taken) {
    struct log *log = &in->logs[in->entries[first].log];
    uint64_t before = in->entries[first].number - 1;
    uint64_t held = 0;
    switch (taken->outcome) {
    case PAIRS_STORED:
    case PAIRS_DUPLICATE:
        return true;
    case PAIRS_DENIED: /* all of the log is, whatever else stands in the file */
        log->state = LOG_DENIED;
        log->epoch = ledger_admit_epoch(in->ledger);
        in->stack_count = 0;
        return false;
    case PAIRS_GAP:
        count_gap(in, first);
        return false;
    case PAIRS_PENDING:
    case PAIRS_ENDED:
    case PAIRS_MALFORMED:
        held = taken->head.number > before ? taken->head.number - before : 0;
        count_damage(in, first, held < count ? held : count - 1);
        return false;
    }
    return false;
}

/* Takes one run from the top of the stack. */
static enum error_code take_run(struct carry_in *in, size_t records_max, size_t *count,
                                struct error *err) {
    uint32_t first = in->stack[--in->stack_count];
    uint32_t last = first;
    struct pairs_taken taken;
    *count = gather_run(in, first, records_max, &last);
    enum error_code code = pairs_take(in->ledger, in->run, *count, &taken, err);
    if (code != ERR_OK) {
        return code;
    }
    in->report.stored += taken.stored;
    in->logs[in->entries[first].log].stored += (uint32_t)taken.stored;
    if (run_goes_on(in, first, *count, &taken) && !push_list(in, in->entries[last].child)) {
        return error_set(err, ERR_MEMORY, "branches of a log");
    }
    return ERR_OK;
}

/* Puts the starts of the next log that may bring something on the stack, which stays empty when
 * there is none left. */
static enum error_code next_log(struct carry_in *in, struct error *err) {
    for (; in->stack_count == 0 && in->at < in->log_count; in->at++) {
        struct log *log = &in->logs[in->at];
        bool denied_still =
            log->state == LOG_DENIED && log->epoch == ledger_admit_epoch(in->ledger);
        if (log->state == LOG_DONE || denied_still) {
            continue;
        }
        log->state = LOG_DONE;
        if (!push_list(in, log->first)) {
            return error_set(err, ERR_MEMORY, "records of a log");
        }
    }
    return ERR_OK;
}

/* After a pass: goes through the logs again if admits have come since one was denied, else sorts
 * the denied ones by why. */
static void end_pass(struct carry_in *in) {
    in->at = 0;
    for (uint32_t i = 0; i < in->log_count; i++) {
        if (in->logs[i].state == LOG_DENIED &&
            in->logs[i].epoch != ledger_admit_epoch(in->ledger)) {
            return;
        }
    }
    for (uint32_t i = 0; i < in->log_count; i++) {
        if (in->logs[i].state == LOG_DENIED) {
            *(is_foreign(in, in->logs[i].first) ? &in->report.foreign : &in->report.denied) +=
                in->logs[i].count - in->logs[i].stored;
        }
    }
    in->phase = PHASE_DONE;
}

static enum error_code take_some(struct carry_in *in, size_t records_max, struct error *err) {
    struct carry_report before = in->report;
    enum error_code code = pairs_begin(in->ledger, err);
    if (code != ERR_OK) {
        return code;
    }
    size_t left = records_max;
    while (code == ERR_OK && left > 0 && in->phase == PHASE_TAKE) {
        code = next_log(in, err);
        if (code == ERR_OK && in->stack_count == 0) {
            end_pass(in);
        } else if (code == ERR_OK) {
            size_t count = 0;
            code = take_run(in, left < LEDGER_RUN_MAX ? left : LEDGER_RUN_MAX, &count, err);
            left -= count;
        }
    }
    if (code == ERR_OK) {
        code = pairs_commit(in->ledger, err);
    } else {
        pairs_rollback(in->ledger);
    }
    if (code != ERR_OK) {
        in->report = before;
        in->phase = PHASE_DONE;
    }
    return code;
}

/* ---- the interface ---- */

enum error_code carry_in_new(struct ledger *ledger, struct slice file, struct carry_in **out,
                             struct error *err) {
    *out = NULL;
    struct carry_in *in = calloc(1, sizeof(*in));
    if (in == NULL) {
        return error_set(err, ERR_MEMORY, "carry file");
    }
    in->ledger = ledger;
    in->scan = carry_scan_of(file);
    in->run = calloc(LEDGER_RUN_MAX, sizeof(*in->run));
    if (in->run == NULL || !index_make(&in->by_id, file.size / BYTES_PER_RECORD_GUESS) ||
        !index_make(&in->by_log, 64)) {
        carry_in_free(in);
        return error_set(err, ERR_MEMORY, "carry file of %zu bytes", file.size);
    }
    *out = in;
    return ERR_OK;
}

enum error_code carry_in_step(struct carry_in *in, size_t records_max, bool *done,
                              struct error *err) {
    enum error_code code = ERR_OK;
    size_t max = records_max == 0 ? 1 : records_max;
    switch (in->phase) {
    case PHASE_SCAN:
        if (!scan_some(in, max)) {
            in->phase = PHASE_DONE;
            code = error_set(err, ERR_MEMORY, "%u records of a carry file", in->entry_count);
        }
        break;
    case PHASE_LINK:
        link_some(in, max);
        break;
    case PHASE_TAKE:
        code = take_some(in, max, err);
        break;
    case PHASE_DONE:
        break;
    }
    *done = in->phase == PHASE_DONE;
    return code;
}

struct carry_report carry_in_report(const struct carry_in *in) {
    return in->report;
}

void carry_in_free(struct carry_in *in) {
    if (in == NULL) {
        return;
    }
    free(in->entries);
    free(in->logs);
    free(in->by_id.slot);
    free(in->by_log.slot);
    free(in->stack);
    free(in->run);
    free(in);
}

/* ---- which event a file is of ---- */

enum error_code carry_event(struct slice file, struct ledger_event *event, struct error *err) {
    struct carry_scan scan = carry_scan_of(file);
    if (carry_scan_event(&scan, &event->root, &event->event)) {
        return ERR_OK;
    }
    if (scan.records == 0) {
        return error_set(err, ERR_FORM, "no record in %zu bytes", file.size);
    }
    error_set(err, ERR_NOT_FOUND, "none of %llu records names the event",
              (unsigned long long)scan.records);
    return error_say(err, "The file does not say which event it is of. Carry it in at a table of "
                          "that event, or add a file that does.");
}
