/*
 * sync_fetch.c: getting what is lacked: which log is asked of whom, what comes back, and when
 * somebody else is asked instead.
 *
 * A log is fetched from one peer at a time, so that many stations do not send a newcomer the same
 * thing. What comes is handed to the host, which checks and stores it; its verdict decides how to
 * go on. Must never trust an answer further than to ask the next question.
 */
#include "common/sync_internal.h"

#include <stdlib.h>
#include <string.h>

/* ---- which logs are lacked ---- */

void sync_fetch_want(struct sync *sync, struct sync_log *log) {
    sync->fetch_due = true;
    if (log->wanted || log->denied) {
        return;
    }
    void *array = sync->wanted;
    bool room = sync_grow(sync, &array, sync->wanted_count, &sync->wanted_capacity,
                          sizeof(struct sync_log *));
    sync->wanted = array;
    if (room) {
        sync->wanted[sync->wanted_count++] = log;
        log->wanted = true;
    }
}

/* Ends the fetch, however it went. Its stores may still be answered. */
static void close_fetch(struct sync *sync, struct sync_log *log) {
    log->fetch.from->wants--;
    log->fetch = (struct sync_fetch){0};
    sync->fetch_due = true;
}

static void back_off(struct sync *sync, struct sync_known *known) {
    int64_t delay = known->retry_delay * 2;
    delay = delay < SYNC_BACKOFF_MS_MIN ? SYNC_BACKOFF_MS_MIN : delay;
    delay = delay > SYNC_BACKOFF_MS_MAX ? SYNC_BACKOFF_MS_MAX : delay;
    known->retry_delay = delay;
    known->retry_at = sync_after(sync, delay + sync_jitter(sync, delay / 4));
}

void sync_fetch_abandon(struct sync *sync, const struct sync_peer_state *peer) {
    for (size_t i = 0; i < sync->wanted_count && peer->wants > 0; i++) {
        if (sync->wanted[i]->fetch.from == peer) {
            close_fetch(sync, sync->wanted[i]);
        }
    }
}

/* ---- asking ---- */

static int64_t bounded_patience(int64_t ms) {
    ms = ms < SYNC_FETCH_TIMEOUT_MS ? SYNC_FETCH_TIMEOUT_MS : ms;
    return ms > SYNC_PATIENCE_MS_MAX ? SYNC_PATIENCE_MS_MAX : ms;
}

struct choice {
    struct sync_known *known; /* whom to ask; NULL for nobody */
    const struct sync_tip *tip;
};

/* Who left fewer wants unanswered; then who has more; then who is asked for less; then chance. */
static bool is_better(const struct sync *sync, const struct choice *a, const struct choice *b) {
    if (b->known == NULL || a->known->timeouts != b->known->timeouts) {
        return b->known == NULL || a->known->timeouts < b->known->timeouts;
    }
    if (a->tip->at.number != b->tip->at.number) {
        return a->tip->at.number > b->tip->at.number;
    }
    const struct sync_peer_state *left = a->known->peer;
    const struct sync_peer_state *right = b->known->peer;
    if (left->wants != right->wants) {
        return left->wants < right->wants;
    }
    return (left->own_nonce ^ sync->lot) < (right->own_nonce ^ sync->lot);
}

/* Whom to ask for a log, of those who named it; *lacked says whether anybody has something of it
 * that is missing here, even if nobody can be asked now. */
static struct choice choose(struct sync *sync, const struct sync_log *log, bool *lacked) {
    struct choice best = {0};
    *lacked = false;
    for (struct sync_known *known = log->known; known != NULL; known = known->next) {
        struct choice next = {known, sync_logs_missing(sync, known)};
        if (next.tip == NULL || !known->peer->open) {
            continue;
        }
        *lacked = true;
        if (!sync_due(sync, known->retry_at)) {
            sync_wake_at(sync, known->retry_at);
        } else if (known->peer->wants < SYNC_WANTS_PER_PEER && is_better(sync, &next, &best)) {
            best = next;
        }
    }
    return best;
}

/* Progress on any log of the peer counts as long as it lasts, for its answers come one after the
 * other; but no fetch waits for ever behind the others. For the same reason an answer that was
 * overtaken is taken for lost soon: on a road that loses much, waiting longer fills all wants to
 * the peer with lost ones. */
static struct mono_ms deadline_of(const struct sync_fetch *fetch) {
    if (fetch->overtaken) {
        return (struct mono_ms){fetch->overtaken_at.ms + SYNC_OVERTAKEN_MS};
    }
    int64_t moved = fetch->moved_at.ms;
    int64_t peer_moved = fetch->from->progress_at.ms;
    int64_t soon = (peer_moved > moved ? peer_moved : moved) + fetch->patience;
    int64_t last = moved + 4 * fetch->patience;
    return (struct mono_ms){soon < last ? soon : last};
}

static void ask(struct sync *sync, struct sync_log *log, const struct choice *choice) {
    struct sync_peer_state *peer = choice->known->peer;
    struct sync_message want = sync_session_compose(peer, SYNC_MESSAGE_WANT);
    want.log = log->id;
    memcpy(want.target, choice->tip->at.id, sizeof(want.target));
    want.point_count = ledger_spaced(sync->ledger, &log->id, want.point);
    want.credit = log->changed == 0 ? SYNC_FIRST_CREDIT : peer->credit;
    sync_order_send(sync, peer, &want);
    log->fetch = (struct sync_fetch){.from = peer, .serial = ++sync->fetches};
    log->fetch.moved_at = sync->now;
    log->fetch.patience = peer->patience + sync_jitter(sync, peer->patience / 4);
    memcpy(log->fetch.target, want.target, sizeof(want.target));
    peer->wants++;
    sync->counts.wants++;
    sync_wake_at(sync, deadline_of(&log->fetch));
}

/* Whether this fetch may bring admits: logs whose authors are not known wait for it, or most would
 * be fetched only to be refused. Nobody waits for a peer that does not answer. */
static bool may_bring_admits(struct sync *sync, struct sync_log *log) {
    if (log->fetch.from == NULL || log->changed == 0 ||
        sync_logs_rank(sync, log) == SYNC_RANK_REST) {
        return false;
    }
    /* Not only of this session, or who begins a new one each time could make all wait for ever. */
    struct mono_ms trusted = {log->fetch.from->timed_out_at.ms + SYNC_DISTRUST_MS};
    return sync_due(sync, trusted) && sync_logs_known(log->fetch.from, log) != NULL;
}

/* Returns whether somebody was asked. */
static bool consider(struct sync *sync, struct sync_log *log) {
    bool lacked = true;
    struct choice choice = {0};
    if (log->fetch.from != NULL || log->stores > 0 ||
        (log->changed == 0 && sync->authority_is_coming)) {
        return false;
    }
    if (!log->denied) {
        choice = choose(sync, log, &lacked);
    }
    if (choice.known != NULL) {
        ask(sync, log, &choice);
        sync->authority_is_coming = sync->authority_is_coming || may_bring_admits(sync, log);
    } else if (log->denied || !lacked) {
        log->wanted = false;
    }
    return choice.known != NULL;
}

/* Wants that could be sent now, if somebody had what is lacked. */
static size_t free_slots(const struct sync *sync) {
    size_t slots = 0;
    for (size_t i = 0; i < sync->peer_count; i++) {
        if (sync->peer[i]->open) {
            slots += SYNC_WANTS_PER_PEER - sync->peer[i]->wants;
        }
    }
    return slots;
}

static void sweep(struct sync *sync) {
    size_t kept = 0;
    for (size_t i = 0; i < sync->wanted_count; i++) {
        struct sync_log *log = sync->wanted[i];
        if (log->wanted) {
            sync->wanted[kept++] = log;
        } else {
            sync_logs_tidy(sync, log);
        }
    }
    sync->wanted_count = kept;
}

static bool stores_are_full(const struct sync *sync) {
    return sync->store_count >= SYNC_STORES_MAX || sync->store_bytes >= SYNC_STORE_BYTES;
}

void sync_fetch_run(struct sync *sync) {
    sync->fetch_due = false;
    if (sync->wanted_count == 0 || stores_are_full(sync)) {
        return; /* when they are full, the next answer of the host brings us back here */
    }
    size_t slots = free_slots(sync);
    sync->lot = sync_draw(sync);
    sync->authority_is_coming = false;
    for (size_t i = 0; i < sync->wanted_count && !sync->authority_is_coming; i++) {
        sync->authority_is_coming = may_bring_admits(sync, sync->wanted[i]);
    }
    for (int rank = SYNC_RANK_ROOT; rank < SYNC_RANK_COUNT; rank++) {
        for (size_t i = 0; i < sync->wanted_count && slots > 0; i++) {
            struct sync_log *log = sync->wanted[i];
            if ((int)sync_logs_rank(sync, log) == rank && consider(sync, log)) {
                slots--;
            }
        }
    }
    sweep(sync);
}

/* The peer did not answer: another is asked first from now on, and this one for less. If it sent
 * nothing at all meanwhile, it may be slow, and is given more time. */
static void time_out(struct sync *sync, struct sync_log *log) {
    struct sync_peer_state *peer = log->fetch.from;
    struct sync_known *known = sync_logs_known(peer, log);
    if (known != NULL) {
        known->timeouts++;
    }
    if (peer->progress_at.ms < log->fetch.moved_at.ms) {
        peer->patience = bounded_patience(peer->patience * 2);
    }
    peer->credit = peer->credit / 4 > SYNC_FIRST_CREDIT ? peer->credit / 4 : SYNC_FIRST_CREDIT;
    peer->timed_out_at = sync->now;
    sync->counts.timeouts++;
    close_fetch(sync, log);
}

void sync_fetch_timers(struct sync *sync) {
    for (size_t i = 0; i < sync->wanted_count; i++) {
        struct sync_log *log = sync->wanted[i];
        if (log->fetch.from == NULL) {
            sync->fetch_due = true; /* a wait may be over */
        } else if (log->fetch.stores > 0) {
            continue; /* this station is the slow one */
        } else if (sync_due(sync, deadline_of(&log->fetch))) {
            time_out(sync, log);
        } else {
            sync_wake_at(sync, deadline_of(&log->fetch));
        }
    }
}

/* ---- what comes ---- */

static bool store(struct sync *sync, const struct sync_peer_state *peer, struct sync_log *log,
                  struct slice list, uint64_t fetch) {
    void *array = sync->store;
    bool room =
        sync_grow(sync, &array, sync->store_count, &sync->store_capacity, sizeof(*sync->store));
    sync->store = array;
    if (!room || !sync_order_store(sync, peer, &log->id, list)) {
        return false;
    }
    sync->store[sync->store_count++] = (struct sync_store){.peer = peer->curve,
                                                           .log = log->id,
                                                           .fetch = fetch,
                                                           .epoch = sync->epoch,
                                                           .bytes = list.size};
    sync->store_bytes += list.size;
    log->stores++;
    return true;
}

/* The first and last record of a list that is not empty; false if they are not records of `log`.
 * Those between are looked at when they are stored. */
static bool read_ends(struct slice list, const struct log_id *log, struct record *first,
                      struct record *last) {
    struct canon_reader reader = canon_read(list);
    struct slice raw = {0};
    struct error err;
    if (!sync_message_next_raw(&reader, &raw) || record_decode(raw, first, &err) != ERR_OK) {
        return false;
    }
    while (sync_message_next_raw(&reader, &raw)) {
    }
    return record_decode(raw, last, &err) == ERR_OK && ID_EQUAL(first->log, *log) &&
           ID_EQUAL(last->log, *log);
}

/* The answer is of no use: the peer is left alone about this log for a while. */
static void refuse_batch(struct sync *sync, struct sync_log *log, struct sync_known *known) {
    sync->counts.refused++;
    if (known != NULL) {
        back_off(sync, known);
    }
    close_fetch(sync, log);
}

/* The answer to a want has come: what was asked of the peer before it should have come, too. */
static void note_overtaken(struct sync *sync, const struct sync_peer_state *peer, uint64_t serial) {
    for (size_t i = 0, seen = 0; i < sync->wanted_count && seen < peer->wants; i++) {
        struct sync_fetch *fetch = &sync->wanted[i]->fetch;
        seen += fetch->from == peer;
        if (fetch->from == peer && fetch->serial < serial && !fetch->overtaken) {
            fetch->overtaken = true;
            fetch->overtaken_at = sync->now;
            sync_wake_at(sync, deadline_of(fetch));
        }
    }
}

/* Notes a part of an answer, which is to be stored. */
static void note_part(struct sync *sync, struct sync_peer_state *peer, struct sync_log *log,
                      const struct sync_message *batch) {
    struct sync_fetch *fetch = &log->fetch;
    struct sync_known *known = sync_logs_known(peer, log);
    /* How long an answer takes is told only by one that was asked for once (Karn and Partridge,
     * 1987). */
    if (known != NULL && fetch->parts == 0 && known->timeouts == 0) {
        peer->patience = bounded_patience(3 * (sync->now.ms - fetch->moved_at.ms));
    }
    if (known != NULL) {
        known->timeouts = 0;
    }
    peer->progress_at = sync->now;
    peer->differs_since = sync->now;
    fetch->moved_at = sync->now;
    fetch->overtaken = false;
    note_overtaken(sync, peer, fetch->serial);
    fetch->stores++;
    fetch->parts |= UINT32_C(1) << batch->part;
    if (batch->more != SYNC_MESSAGE_FOLLOWS) {
        fetch->whole = (uint32_t)((UINT64_C(2) << batch->part) - 1);
    }
}

void sync_fetch_batch(struct sync *sync, struct sync_peer_state *peer,
                      const struct sync_message *message) {
    struct record first, last;
    struct sync_log *log = sync_logs_find(sync, &message->log);
    bool awaited = log != NULL && log->fetch.from == peer &&
                   memcmp(log->fetch.target, message->target, sizeof(message->target)) == 0 &&
                   (log->fetch.parts >> message->part & 1) == 0;
    if (!awaited) {
        sync->counts.stale++;
        return;
    }
    if (message->list_count == 0) { /* it does not hold what it said: until it says so again */
        close_fetch(sync, log);
        sync_logs_drop(sync, peer, log);
        return;
    }
    log->fetch.bytes += message->list.size;
    if (log->fetch.bytes > SYNC_CREDIT_BYTES + SYNC_MESSAGE_MAX ||
        !read_ends(message->list, &log->id, &first, &last) ||
        !store(sync, peer, log, message->list, log->fetch.serial)) {
        refuse_batch(sync, log, sync_logs_known(peer, log));
        return;
    }
    note_part(sync, peer, log, message);
}

void sync_fetch_push(struct sync *sync, struct sync_peer_state *peer,
                     const struct sync_message *message) {
    struct record first, last;
    struct record_seen head;
    if (!sync_due(sync, peer->pushes_after) ||
        !sync_bucket_take(sync, &peer->pushes, (int64_t)message->list.size, SYNC_PUSH_RATE,
                          SYNC_PUSH_BURST) ||
        !read_ends(message->list, &message->log, &first, &last)) {
        sync->counts.refused++;
        return;
    }
    struct record_id id = identity_record(last.raw);
    head.number = last.number;
    memcpy(head.id, id.bytes, sizeof(head.id));
    struct sync_known *known = sync_logs_raise(
        sync, peer, &message->log, first.has_previous ? first.previous.bytes : NULL, &head);
    if (known == NULL || known->log->denied || sync_logs_missing(sync, known) == NULL ||
        ledger_holds(sync->ledger, head.id)) {
        return;
    }
    /* With the record before it still on its way to the disk, it goes behind that one. */
    bool follows = !first.has_previous || known->log->stores > 0 ||
                   ledger_holds(sync->ledger, first.previous.bytes);
    if (!follows || stores_are_full(sync) || !store(sync, peer, known->log, message->list, 0)) {
        sync_fetch_want(sync, known->log);
    }
}

/* ---- the host's verdict ---- */

/* Whether people have not been told yet of this peer and log; from now on they have. */
static bool is_new_trouble(struct sync_peer_state *peer, const struct sync_log *log) {
    size_t told = peer->alarmed_count < SYNC_ALARMED_LOGS ? peer->alarmed_count : SYNC_ALARMED_LOGS;
    for (size_t i = 0; i < told; i++) {
        if (ID_EQUAL(peer->alarmed[i], log->id)) {
            return false;
        }
    }
    peer->alarmed[peer->alarmed_count++ % SYNC_ALARMED_LOGS] = log->id;
    return true;
}

/* Records that do not hold cost up to 128 signatures a run. */
static void count_trouble(struct sync *sync, struct sync_peer_state *peer) {
    if (!sync_bucket_take(sync, &peer->troubles, 1, SYNC_TROUBLE_RATE, SYNC_TROUBLE_BURST)) {
        peer->pushes_after = sync_after(sync, SYNC_TROUBLE_MS);
    }
}

static void tell_trouble(struct sync *sync, struct sync_peer_state *peer,
                         const struct sync_log *log, const struct pairs_taken *taken) {
    char from[RECORD_TEXT_MAX + 1];
    struct pairs_station author = {0};
    struct error err;
    bool known = log->changed != 0 &&
                 pairs_station(sync->ledger, &log->key, &author, &err) == ERR_OK &&
                 author.name[0] != '\0';
    sync_peer_label(peer, from);
    sync_order_alarm(sync, "unsound",
                     "Records of %.60s that came from %.60s do not hold (%.100s): they are not "
                     "taken, and other tables are asked.",
                     known ? author.name : "an unknown station", from, taken->why.cause);
}

static void judge(struct sync *sync, struct sync_peer_state *peer, struct sync_log *log,
                  const struct sync_store *store, const struct pairs_taken *taken) {
    struct sync_known *known = peer == NULL ? NULL : sync_logs_known(peer, log);
    switch (taken->outcome) {
    case PAIRS_STORED:
    case PAIRS_DUPLICATE:
        break;
    case PAIRS_GAP:
        sync_fetch_want(sync, log);
        break;
    case PAIRS_DENIED:
        /* When somebody was admitted since the order was given, it is worth another try. */
        log->denied = store->epoch == sync->epoch;
        log->denied_epoch = store->epoch;
        if (!log->denied) {
            sync_fetch_want(sync, log);
        }
        break;
    case PAIRS_PENDING:
    case PAIRS_ENDED:
    case PAIRS_MALFORMED:
        if (peer != NULL) {
            count_trouble(sync, peer);
        }
        if (peer != NULL && is_new_trouble(peer, log)) {
            tell_trouble(sync, peer, log, taken);
        }
        if (known != NULL) {
            back_off(sync, known);
        }
        sync_fetch_want(sync, log); /* another peer may have better */
        break;
    }
}

/* All batches of a want have been stored or refused. Without any progress the peer is not asked
 * again at once, or the two could go on like that for ever. */
static void end_round(struct sync *sync, struct sync_log *log) {
    struct sync_peer_state *peer = log->fetch.from;
    struct sync_known *known = sync_logs_known(peer, log);
    bool progress = log->fetch.stored > 0;
    bool denied = log->fetch.denied; /* by this station, which is not the peer's fault */
    if (progress) {
        peer->credit = peer->credit * 2 < SYNC_CREDIT_BYTES ? peer->credit * 2 : SYNC_CREDIT_BYTES;
    }
    close_fetch(sync, log);
    if (known == NULL || !sync_due(sync, known->retry_at)) {
        return;
    }
    if (progress) {
        known->retry_delay = 0;
    } else if (!denied && sync_logs_missing(sync, known) != NULL) {
        back_off(sync, known);
    }
}

static bool take_store(struct sync *sync, const struct sync_event *event, struct sync_store *out) {
    for (size_t i = 0; i < sync->store_count; i++) {
        struct sync_store *store = &sync->store[i];
        if (ID_EQUAL(store->peer, event->peer) && ID_EQUAL(store->log, event->log)) {
            *out = *store;
            sync->store_count--;
            memmove(store, store + 1, (sync->store_count - i) * sizeof(*store));
            return true;
        }
    }
    return false;
}

void sync_fetch_stored(struct sync *sync, const struct sync_event *event) {
    struct sync_store store;
    if (!take_store(sync, event, &store)) {
        return; /* an answer to no order: nothing follows from it */
    }
    struct sync_log *log = sync_logs_find(sync, &store.log);
    struct sync_peer_state *peer = sync_peer_find(sync, &store.peer);
    INVARIANT(log != NULL && log->stores > 0);
    log->stores--;
    sync->store_bytes -= store.bytes;
    sync->fetch_due = true;
    size_t stored = event->taken == NULL ? 0 : event->taken->stored;
    if (stored > 0) {
        sync_logs_touch(sync, &store.log);
    }
    if (event->taken != NULL) {
        judge(sync, peer, log, &store, event->taken);
    }
    struct sync_fetch *fetch = &log->fetch;
    if (fetch->from != NULL && fetch->serial == store.fetch) {
        fetch->stores--;
        fetch->stored += stored;
        fetch->denied =
            fetch->denied || (event->taken != NULL && event->taken->outcome == PAIRS_DENIED);
        fetch->moved_at = sync->now;
        if (fetch->parts == fetch->whole && fetch->stores == 0) {
            end_round(sync, log);
        } else {
            sync_wake_at(sync, deadline_of(fetch));
        }
    }
    sync_logs_tidy(sync, log);
}
