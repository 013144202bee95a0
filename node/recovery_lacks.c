/*
 * recovery_lacks.c: which records are known to have been written and are not held.
 *
 * Known from the file beside the folder, from the folder's file `wake`, from the `open` of the log
 * that goes on, from salvaged records behind a gap (each proves its own number), and, as long as
 * they follow without a gap of their own, from rows whose record was lost.
 */
#include <stdlib.h>
#include <string.h>

#include "common/carry_scan.h"
#include "node/recovery.h"

struct gathering {
    const struct recovery *recovery;
    struct ledger *ledger;
    const struct sign_public *own;
    struct recovery_lacks *lacks;
    bool failed;
};

static uint64_t held_to(struct ledger *ledger, const struct log_id *log) {
    size_t count = 0;
    uint64_t held = 0;
    const struct ledger_head *heads = ledger_heads_of(ledger, log, &count);
    for (size_t i = 0; i < count; i++) {
        held = heads[i].number > held ? heads[i].number : held;
    }
    return held;
}

static struct recovery_lack *find(const struct recovery_lacks *lacks, const struct log_id *log) {
    for (size_t i = 0; i < lacks->count; i++) {
        if (ID_EQUAL(lacks->lack[i].log, *log)) {
            return &lacks->lack[i];
        }
    }
    return NULL;
}

static void *grown(void *items, size_t count, size_t *room, size_t size) {
    if (count < *room) {
        return items;
    }
    size_t wanted = *room == 0 ? 16 : 2 * *room;
    void *moved = realloc(items, wanted * size);
    *room = moved == NULL ? *room : wanted;
    return moved;
}

/* The record `number` of `log` was written. */
static struct recovery_lack *claim(struct gathering *gathering, const struct log_id *log,
                                   const struct sign_public *key, uint64_t number) {
    struct recovery_lacks *lacks = gathering->lacks;
    uint64_t held = held_to(gathering->ledger, log);
    struct recovery_lack *lack = find(lacks, log);
    if (number <= held || gathering->failed) {
        return NULL;
    }
    if (lack == NULL) {
        lack = grown(lacks->lack, lacks->count, &lacks->room, sizeof(*lack));
        if (lack == NULL) {
            gathering->failed = true;
            return NULL;
        }
        lacks->lack = lack;
        lack = &lacks->lack[lacks->count++];
        *lack = (struct recovery_lack){.log = *log, .key = *key, .from = held + 1, .to = number};
    }
    lack->to = number > lack->to ? number : lack->to;
    return lack;
}

/* The first word on a number's bib stays. */
static void note_bib(struct gathering *gathering, struct recovery_lack *lack, uint64_t number,
                     const struct bib *bib) {
    size_t at = lack->bib_count;
    while (at > 0 && lack->bib[at - 1].number > number) {
        at--;
    }
    if (at > 0 && lack->bib[at - 1].number == number) {
        return;
    }
    struct recovery_bib *bibs = realloc(lack->bib, (lack->bib_count + 1) * sizeof(*bibs));
    if (bibs == NULL) {
        gathering->failed = true;
        return;
    }
    memmove(&bibs[at + 1], &bibs[at], (lack->bib_count - at) * sizeof(*bibs));
    bibs[at] = (struct recovery_bib){.number = number, .bib = *bib};
    lack->bib = bibs;
    lack->bib_count++;
}

/* ---- sources ---- */

static void from_files(struct gathering *gathering, const struct station *station) {
    enum { STRETCHES_MAX = 256 };
    struct station_missing missing[STRETCHES_MAX];
    const struct wake *wake = &gathering->recovery->wake;
    size_t count = station_missing(station, missing, STRETCHES_MAX);
    for (size_t i = 0; i < count; i++) {
        claim(gathering, &missing[i].log, gathering->own, missing[i].to);
    }
    if (gathering->recovery->has_wake) {
        claim(gathering, &wake->log, gathering->own, wake->number);
    }
}

static void from_open(struct gathering *gathering, const struct record *record) {
    struct record_open open;
    if (record->kind == RECORD_OPEN && record_open_read(record->body, &open) && open.has_follows) {
        claim(gathering, &open.follows.log, &open.key, open.follows.number);
    }
}

/* Whose log it is, if that can be told. */
static bool key_of(const struct gathering *gathering, const struct log_id *log,
                   struct sign_public *key) {
    const struct recovery_lack *lack = find(gathering->lacks, log);
    if (lack != NULL) {
        *key = lack->key;
    }
    return lack != NULL || ledger_log_key(gathering->ledger, log, key);
}

static void from_record(struct gathering *gathering, const struct record *record) {
    struct sign_public key;
    struct record_issue issue;
    bool behind_gap = record->number > held_to(gathering->ledger, &record->log);
    if (!(behind_gap || record->kind == RECORD_OPEN) || !key_of(gathering, &record->log, &key) ||
        !record_verify(record, &gathering->recovery->key.event.event, &key)) {
        return;
    }
    from_open(gathering, record);
    struct recovery_lack *lack = claim(gathering, &record->log, &key, record->number);
    if (lack != NULL && record->kind == RECORD_ISSUE && record_issue_read(record->body, &issue)) {
        note_bib(gathering, lack, record->number, &issue.bib);
    }
}

static void from_bytes(struct gathering *gathering, const struct buffer *bytes) {
    struct carry_scan scan = carry_scan_of(buffer_slice(bytes));
    struct record record;
    for (enum carry_found found; (found = carry_scan_next(&scan, &record)) != CARRY_END;) {
        if (found == CARRY_RECORD) {
            from_record(gathering, &record);
        }
    }
}

/* Rows come by chain and number. A row that is damaged itself can say any number, so one counts
 * only where it goes on from what is known. */
static void from_hints(struct gathering *gathering) {
    const struct salvage *salvage = &gathering->recovery->salvage;
    for (size_t i = 0; i < salvage->hint_count; i++) {
        const struct salvage_hint *hint = &salvage->hint[i];
        const struct recovery_lack *known = find(gathering->lacks, &hint->log);
        uint64_t to = known != NULL ? known->to : held_to(gathering->ledger, &hint->log);
        struct recovery_lack *lack =
            hint->number <= to + 1 ? claim(gathering, &hint->log, gathering->own, hint->number)
                                   : NULL;
        if (lack != NULL && hint->bib.text[0] != '\0') {
            note_bib(gathering, lack, hint->number, &hint->bib);
        }
    }
}

enum error_code recovery_lacks(const struct recovery *recovery, const struct station *station,
                               struct recovery_lacks *lacks, struct error *err) {
    struct gathering gathering = {
        .recovery = recovery,
        .ledger = station->ledger,
        .own = &recovery->keys.sign_public,
        .lacks = lacks,
    };
    *lacks = (struct recovery_lacks){0};
    from_files(&gathering, station);
    from_bytes(&gathering, &recovery->salvage.rows);
    from_bytes(&gathering, &recovery->salvage.bytes);
    from_hints(&gathering);
    return gathering.failed ? error_set(err, ERR_MEMORY, "what is missing") : ERR_OK;
}

void recovery_lacks_release(struct recovery_lacks *lacks) {
    for (size_t i = 0; i < lacks->count; i++) {
        free(lacks->lack[i].bib);
    }
    free(lacks->lack);
    *lacks = (struct recovery_lacks){0};
}
