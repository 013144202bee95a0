/*
 * sync_logs.c: which logs there are, in which order those held here changed, and what each peer
 * said that it holds.
 *
 * One table of logs, each entry kept while the log is held here or some peer names it. Logs held
 * here also hang in a list with the latest change last, so that what is new for a peer is found
 * without looking at the rest. What peers say is bounded for each of them.
 */
#include "common/sync_internal.h"

#include <stdlib.h>
#include <string.h>

enum { MAKE_ROOM_LOOKS = 128 };

/* ---- the table of logs ---- */

/* Where the log is, or would stand. */
static size_t place_of(const struct sync *sync, const struct log_id *id, bool *found) {
    size_t low = 0;
    size_t high = sync->log_count;
    *found = false;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        int order = memcmp(sync->log[middle]->id.bytes, id->bytes, sizeof(id->bytes));
        if (order == 0) {
            *found = true;
            return middle;
        }
        if (order < 0) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low;
}

struct sync_log *sync_logs_find(const struct sync *sync, const struct log_id *id) {
    bool found = false;
    size_t at = place_of(sync, id, &found);
    return found ? sync->log[at] : NULL;
}

static struct sync_log *find_or_add(struct sync *sync, const struct log_id *id) {
    bool found = false;
    size_t at = place_of(sync, id, &found);
    if (found) {
        return sync->log[at];
    }
    void *array = sync->log;
    bool room =
        sync_grow(sync, &array, sync->log_count, &sync->log_capacity, sizeof(struct sync_log *));
    sync->log = array;
    struct sync_log *log = room ? calloc(1, sizeof(*log)) : NULL;
    if (log == NULL) {
        sync->starved = true;
        return NULL;
    }
    log->id = *id;
    log->rank = SYNC_RANK_REST;
    memmove(&sync->log[at + 1], &sync->log[at], (sync->log_count - at) * sizeof(struct sync_log *));
    sync->log[at] = log;
    sync->log_count++;
    return log;
}

void sync_logs_tidy(struct sync *sync, struct sync_log *log) {
    bool found = false;
    if (log->changed != 0 || log->known != NULL || log->stores != 0 || log->wanted) {
        return;
    }
    size_t at = place_of(sync, &log->id, &found);
    sync->log_count--;
    memmove(&sync->log[at], &sync->log[at + 1], (sync->log_count - at) * sizeof(struct sync_log *));
    free(log);
}

void sync_logs_free(struct sync *sync) {
    for (size_t i = 0; i < sync->log_count; i++) {
        free(sync->log[i]);
    }
    free(sync->log);
}

/* ---- logs held here ---- */

bool sync_logs_is_own(const struct sync *sync, const struct sync_log *log) {
    return log->changed != 0 && ID_EQUAL(log->key, sync->keys.sign_public);
}

/* Looked up again only when somebody may have been promoted since. */
enum sync_rank sync_logs_rank(struct sync *sync, struct sync_log *log) {
    struct pairs_station station;
    struct error err;
    if (log->changed == 0 || log->rank_epoch == sync->epoch) {
        return log->rank;
    }
    log->rank_epoch = sync->epoch;
    if (ID_EQUAL(log->key, ledger_event(sync->ledger).root)) {
        log->rank = SYNC_RANK_ROOT;
    } else if (pairs_station(sync->ledger, &log->key, &station, &err) == ERR_OK &&
               station.role == ROLE_LEAD) {
        log->rank = SYNC_RANK_LEAD;
    } else {
        log->rank = SYNC_RANK_REST;
    }
    return log->rank;
}

static void unlink_change(struct sync *sync, struct sync_log *log) {
    *(log->older == NULL ? &sync->oldest : &log->older->newer) = log->newer;
    *(log->newer == NULL ? &sync->newest : &log->newer->older) = log->older;
    log->older = NULL;
    log->newer = NULL;
}

static void link_change(struct sync *sync, struct sync_log *log) {
    log->older = sync->newest;
    *(sync->newest == NULL ? &sync->oldest : &sync->newest->newer) = log;
    sync->newest = log;
    log->changed = ++sync->changes;
}

static void mark_of(const struct ledger_head *heads, size_t count, uint8_t mark[16]) {
    memset(mark, 0, 16);
    for (size_t i = 0; i < count; i++) {
        for (size_t j = 0; j < 16; j++) {
            mark[j] ^= heads[i].id.bytes[j];
        }
    }
}

/* `heads` are those that the ledger now has of the log. */
static void note_heads(struct sync *sync, const struct ledger_head *heads, size_t count) {
    uint8_t mark[16];
    struct sync_log *log = find_or_add(sync, &heads[0].log);
    if (log == NULL) {
        return;
    }
    mark_of(heads, count, mark);
    if (log->changed != 0 && memcmp(log->mark, mark, sizeof(mark)) == 0) {
        return;
    }
    memcpy(log->mark, mark, sizeof(mark));
    if (log->changed != 0) {
        unlink_change(sync, log);
    } else if (!ledger_log_key(sync->ledger, &log->id, &log->key)) {
        return;
    }
    link_change(sync, log);
    if (sync_logs_rank(sync, log) != SYNC_RANK_REST) {
        sync->authority++; /* it may say who is retired */
    }
    sync_announce_changed(sync, log);
}

void sync_logs_touch(struct sync *sync, const struct log_id *id) {
    size_t count = 0;
    const struct ledger_head *heads = ledger_heads_of(sync->ledger, id, &count);
    if (count > 0) {
        note_heads(sync, heads, count);
    }
    sync_logs_watch_admits(sync);
}

void sync_logs_scan(struct sync *sync) {
    uint64_t held = ledger_count(sync->ledger);
    if (held == sync->counted) {
        return;
    }
    size_t count = 0;
    const struct ledger_head *heads = ledger_heads(sync->ledger, &count);
    for (size_t i = 0, next = 0; i < count; i = next) {
        for (next = i; next < count && ID_EQUAL(heads[next].log, heads[i].log);) {
            next++;
        }
        note_heads(sync, &heads[i], next - i);
    }
    sync->counted = held;
    sync_logs_watch_admits(sync);
}

void sync_logs_watch_admits(struct sync *sync) {
    uint64_t epoch = ledger_admit_epoch(sync->ledger) + 1;
    if (epoch == sync->epoch) {
        return;
    }
    sync->epoch = epoch;
    sync->authority++;
    for (size_t i = 0; i < sync->log_count; i++) {
        struct sync_log *log = sync->log[i];
        if (log->denied && log->denied_epoch != epoch) {
            log->denied = false;
            sync_fetch_want(sync, log);
        }
    }
}

/* ---- what peers hold ---- */

static size_t known_place(const struct sync_peer_state *peer, const struct log_id *id,
                          bool *found) {
    size_t low = 0;
    size_t high = peer->known_count;
    *found = false;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        int order = memcmp(peer->known[middle]->log->id.bytes, id->bytes, sizeof(id->bytes));
        if (order == 0) {
            *found = true;
            return middle;
        }
        if (order < 0) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low;
}

struct sync_known *sync_logs_known(const struct sync_peer_state *peer, const struct sync_log *log) {
    bool found = false;
    size_t at = known_place(peer, &log->id, &found);
    return found ? peer->known[at] : NULL;
}

struct sync_tip *sync_logs_tips(struct sync_known *known) {
    return known->count > 1 ? known->many : &known->one;
}

/* Notes, at its place in the order of ids, that the peer named the log. */
static struct sync_known *add_known(struct sync *sync, struct sync_peer_state *peer,
                                    struct sync_log *log, size_t at) {
    void *array = peer->known;
    bool room = sync_grow(sync, &array, peer->known_count, &peer->known_capacity,
                          sizeof(struct sync_known *));
    peer->known = array;
    struct sync_known *known = room ? calloc(1, sizeof(*known)) : NULL;
    if (known == NULL) {
        sync->starved = true;
        sync_logs_tidy(sync, log);
        return NULL;
    }
    known->log = log;
    known->peer = peer;
    known->next = log->known;
    if (log->known != NULL) {
        log->known->previous = known;
    }
    log->known = known;
    memmove(&peer->known[at + 1], &peer->known[at],
            (peer->known_count - at) * sizeof(struct sync_known *));
    peer->known[at] = known;
    peer->known_count++;
    return known;
}

static bool has_room(const struct sync_peer_state *peer, size_t logs, size_t heads) {
    return peer->known_count + logs <= SYNC_LOGS_PER_PEER &&
           peer->tips + heads <= SYNC_HEADS_PER_PEER;
}

/* Makes room for what the peer names beyond its bounds, by forgetting of it what is held here: that
 * is asked of nobody. Else a station that opened thousands of logs would leave no place for those
 * of the others. Looks at a few at a time, for a peer may name without end. */
static bool make_room(struct sync *sync, struct sync_peer_state *peer, size_t logs, size_t heads) {
    for (size_t i = 0; i < MAKE_ROOM_LOOKS && !has_room(peer, logs, heads); i++) {
        struct sync_known *known = peer->known[peer->room_at++ % peer->known_count];
        bool idle = known->count > 0 && known->log->fetch.from != peer;
        if (idle && sync_logs_missing(sync, known) == NULL) {
            sync_logs_drop(sync, peer, known->log);
        }
    }
    if (!has_room(peer, logs, heads)) {
        sync->counts.refused++;
        return false;
    }
    return true;
}

static struct sync_known *known_find_or_add(struct sync *sync, struct sync_peer_state *peer,
                                            const struct log_id *id) {
    bool found = false;
    size_t at = known_place(peer, id, &found);
    if (found) {
        return peer->known[at];
    }
    if (!make_room(sync, peer, 1, 0)) {
        return NULL;
    }
    at = known_place(peer, id, &found);
    struct sync_log *log = find_or_add(sync, id);
    if (log == NULL) {
        return NULL;
    }
    return add_known(sync, peer, log, at);
}

/* Room for `count` heads, their contents undefined. The old ones are gone also when this fails. */
static struct sync_tip *resize_tips(struct sync *sync, struct sync_peer_state *peer,
                                    struct sync_known *known, size_t count) {
    peer->tips -= known->count;
    known->count = 0;
    free(known->many);
    known->many = NULL;
    if (!make_room(sync, peer, 0, count)) {
        return NULL;
    }
    if (count > 1) {
        known->many = calloc(count, sizeof(*known->many));
        if (known->many == NULL) {
            sync->starved = true;
            return NULL;
        }
    }
    known->count = count;
    peer->tips += count;
    return sync_logs_tips(known);
}

struct sync_known *sync_logs_set(struct sync *sync, struct sync_peer_state *peer,
                                 const struct log_id *id, const struct record_seen *heads,
                                 size_t count) {
    struct sync_known *known = known_find_or_add(sync, peer, id);
    struct sync_tip *tips = known == NULL ? NULL : resize_tips(sync, peer, known, count);
    if (tips == NULL) {
        return NULL;
    }
    for (size_t i = 0; i < count; i++) {
        tips[i] = (struct sync_tip){.at = heads[i]};
    }
    return known;
}

struct sync_known *sync_logs_raise(struct sync *sync, struct sync_peer_state *peer,
                                   const struct log_id *id, const uint8_t *previous,
                                   const struct record_seen *head) {
    struct sync_known *known = known_find_or_add(sync, peer, id);
    if (known == NULL) {
        return NULL;
    }
    struct sync_tip *tips = sync_logs_tips(known);
    for (size_t i = 0; i < known->count; i++) {
        bool follows = previous != NULL && memcmp(tips[i].at.id, previous, 16) == 0;
        if (follows || (known->count == 1 && tips[i].at.number <= head->number)) {
            tips[i] = (struct sync_tip){.at = *head};
            return known;
        }
    }
    /* The log's first head; or a forked log, of which `have` will tell the rest. */
    return known->count == 0 ? sync_logs_set(sync, peer, id, head, 1) : known;
}

static void free_known(struct sync *sync, struct sync_peer_state *peer, struct sync_known *known) {
    peer->tips -= known->count;
    *(known->previous == NULL ? &known->log->known : &known->previous->next) = known->next;
    if (known->next != NULL) {
        known->next->previous = known->previous;
    }
    sync_logs_tidy(sync, known->log);
    free(known->many);
    free(known);
}

void sync_logs_drop(struct sync *sync, struct sync_peer_state *peer, struct sync_log *log) {
    bool found = false;
    size_t at = known_place(peer, &log->id, &found);
    if (!found) {
        return;
    }
    struct sync_known *known = peer->known[at];
    peer->known_count--;
    memmove(&peer->known[at], &peer->known[at + 1],
            (peer->known_count - at) * sizeof(struct sync_known *));
    free_known(sync, peer, known);
}

void sync_logs_drop_all(struct sync *sync, struct sync_peer_state *peer) {
    for (size_t i = 0; i < peer->known_count; i++) {
        free_known(sync, peer, peer->known[i]);
    }
    free(peer->known);
    peer->known = NULL;
    peer->known_count = 0;
    peer->known_capacity = 0;
}

/* Asks the ledger only where the answer does not follow from numbers: what is no head here, and is
 * not older than all of them, cannot be held; and an answer holds until the log changes. */
static bool tip_is_held(struct sync *sync, const struct sync_log *log, struct sync_tip *tip) {
    if (tip->held || log->changed == 0 || tip->checked == log->changed + 1) {
        return tip->held;
    }
    size_t count = 0;
    uint64_t highest = 0;
    const struct ledger_head *heads = ledger_heads_of(sync->ledger, &log->id, &count);
    for (size_t i = 0; i < count && !tip->held; i++) {
        highest = heads[i].number > highest ? heads[i].number : highest;
        tip->held = memcmp(heads[i].id.bytes, tip->at.id, sizeof(tip->at.id)) == 0;
    }
    if (!tip->held && tip->at.number < highest) {
        tip->held = ledger_holds(sync->ledger, tip->at.id);
    }
    tip->checked = log->changed + 1;
    return tip->held;
}

struct sync_tip *sync_logs_missing(struct sync *sync, struct sync_known *known) {
    struct sync_tip *tips = sync_logs_tips(known);
    struct sync_tip *newest = NULL;
    for (size_t i = 0; i < known->count; i++) {
        if (!tip_is_held(sync, known->log, &tips[i]) &&
            (newest == NULL || tips[i].at.number > newest->at.number)) {
            newest = &tips[i];
        }
    }
    return newest;
}

/* A head of ours has no descendant here. So of what the peer named, only the head itself, or
 * something longer that is not held here yet, can contain it. */
static bool peer_has_head(struct sync *sync, struct sync_known *known,
                          const struct ledger_head *head) {
    struct sync_tip *tips = sync_logs_tips(known);
    for (size_t i = 0; i < known->count; i++) {
        if (memcmp(tips[i].at.id, head->id.bytes, sizeof(tips[i].at.id)) == 0 ||
            (tips[i].at.number > head->number && !tip_is_held(sync, known->log, &tips[i]))) {
            return true;
        }
    }
    return false;
}

bool sync_logs_peer_has_ours(struct sync *sync, const struct sync_peer_state *peer,
                             const struct sync_log *log) {
    struct sync_known *known = sync_logs_known(peer, log);
    size_t count = 0;
    const struct ledger_head *heads = ledger_heads_of(sync->ledger, &log->id, &count);
    for (size_t i = 0; i < count; i++) {
        if (known == NULL || !peer_has_head(sync, known, &heads[i])) {
            return false;
        }
    }
    return true;
}

static uint64_t highest_here(const struct sync *sync, const struct sync_log *log) {
    size_t count = 0;
    uint64_t highest = 0;
    const struct ledger_head *heads = ledger_heads_of(sync->ledger, &log->id, &count);
    for (size_t i = 0; i < count; i++) {
        highest = heads[i].number > highest ? heads[i].number : highest;
    }
    return highest;
}

uint64_t sync_logs_behind(const struct sync *sync, const struct sync_peer_state *peer) {
    uint64_t behind = 0;
    for (size_t i = 0; i < peer->known_count; i++) {
        struct sync_known *known = peer->known[i];
        if (known->log->denied) {
            continue; /* not for this station to hold, as far as it knows */
        }
        uint64_t here = highest_here(sync, known->log);
        uint64_t there = 0;
        bool missing = false;
        for (size_t j = 0; j < known->count; j++) {
            const struct sync_tip *tip = &sync_logs_tips(known)[j];
            there = tip->at.number > there ? tip->at.number : there;
            /* Of a log that is not held nothing is; a peer may name thousands of those. */
            missing = missing || (!tip->held && (known->log->changed == 0 ||
                                                 !ledger_holds(sync->ledger, tip->at.id)));
        }
        behind += there > here ? there - here : (missing ? 1 : 0);
    }
    return behind;
}
