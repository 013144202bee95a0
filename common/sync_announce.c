/*
 * sync_announce.c: telling peers what is held here, hearing what they hold, receipts, and pushes
 * of own records.
 *
 * What changed is told after a short wait for company, and not to a peer that is known to have it;
 * but the author of a log is always told, for that is its receipt. Own records do not wait: they
 * are pushed whole to every peer that has what comes before them, as far as the bytes that it has
 * not receipted stay bounded. Only what the ledger holds, and so has committed, is ever told.
 */
#include "common/sync_internal.h"

#include <string.h>

/* ---- own records: sizes and ids of the last few ---- */

static bool remembers(const struct sync_own *own, uint64_t number) {
    return number >= own->first && number <= own->number && own->number - number < SYNC_PUSHED_MAX;
}

static void remember(struct sync_own *own, uint64_t number, const uint8_t id[16], size_t size) {
    own->end[number % SYNC_PUSHED_MAX] =
        number == own->first ? 0 : own->end[(number - 1) % SYNC_PUSHED_MAX] + size;
    memcpy(own->ids[number % SYNC_PUSHED_MAX], id, 16);
    memcpy(own->id, id, 16);
    own->number = number;
}

/* Goes on after the record `number`, without the sizes of what came before. */
static void remember_from(struct sync_own *own, uint64_t number, const uint8_t id[16]) {
    own->first = number;
    remember(own, number, id, 0);
}

void sync_announce_log(struct sync *sync, const struct log_id *log) {
    static const uint8_t none[16] = {0};
    size_t count = 0;
    const struct ledger_head *heads = ledger_heads_of(sync->ledger, log, &count);
    sync->own.log = *log;
    if (count == 1) {
        remember_from(&sync->own, heads[0].number, heads[0].id.bytes);
    } else {
        remember_from(&sync->own, 0, none);
    }
}

/* Whether this is really one of our records: a receipt for anything else is none. Only heads and
 * recent records are looked at; a peer that is further behind says so again when it is not. */
static bool is_own_record(const struct sync *sync, const struct log_id *log,
                          const struct record_seen *at) {
    size_t count = 0;
    const struct ledger_head *heads = ledger_heads_of(sync->ledger, log, &count);
    for (size_t i = 0; i < count; i++) {
        if (heads[i].number == at->number &&
            memcmp(heads[i].id.bytes, at->id, sizeof(at->id)) == 0) {
            return true;
        }
    }
    return ID_EQUAL(*log, sync->own.log) && remembers(&sync->own, at->number) &&
           memcmp(sync->own.ids[at->number % SYNC_PUSHED_MAX], at->id, sizeof(at->id)) == 0;
}

static void take_receipts(struct sync *sync, struct sync_peer_state *peer,
                          struct sync_known *known) {
    const struct sync_log *log = known->log;
    if (!sync_logs_is_own(sync, log)) {
        return;
    }
    for (size_t i = 0; i < known->count; i++) {
        const struct record_seen *at = &sync_logs_tips(known)[i].at;
        if (!is_own_record(sync, &log->id, at)) {
            continue;
        }
        ledger_receipt(sync->ledger, &peer->key, &log->id, at->number);
        if (ID_EQUAL(log->id, sync->own.log)) {
            peer->receipted = at->number > peer->receipted ? at->number : peer->receipted;
            peer->pushed = at->number > peer->pushed ? at->number : peer->pushed;
        }
    }
}

/* ---- have, out ---- */

struct writer {
    struct sync *sync;
    struct sync_peer_state *peer;
    size_t count; /* entries in sync->scratch */
};

static void flush(struct writer *writer) {
    struct sync *sync = writer->sync;
    struct sync_message have = sync_session_compose(writer->peer, SYNC_MESSAGE_HAVE);
    have.list = buffer_slice(&sync->scratch);
    have.list_count = writer->count;
    if (sync->scratch.failed) {
        sync->starved = true;
        sync->scratch.failed = false;
    } else {
        sync_order_send(sync, writer->peer, &have);
    }
    buffer_clear(&sync->scratch);
    writer->count = 0;
}

static void put_log(struct writer *writer, const struct sync_log *log) {
    size_t count = 0;
    const struct ledger_head *heads = ledger_heads_of(writer->sync->ledger, &log->id, &count);
    if (count == 0) {
        return;
    }
    if (count > LEDGER_HEADS_PER_LOG_MAX) {
        count = LEDGER_HEADS_PER_LOG_MAX;
    }
    sync_message_put_log(heads, count, &writer->sync->scratch);
    writer->count++;
    if (writer->sync->scratch.size >= SYNC_HAVE_BYTES) {
        flush(writer);
    }
}

static struct writer begin(struct sync *sync, struct sync_peer_state *peer) {
    buffer_clear(&sync->scratch);
    return (struct writer){.sync = sync, .peer = peer};
}

static void end(struct writer *writer) {
    struct sync_peer_state *peer = writer->peer;
    if (writer->count > 0) {
        flush(writer);
    }
    peer->announced = writer->sync->changes;
    peer->announced_at = writer->sync->now;
    peer->announcing = false;
}

/* The author is always told (its receipt), and before others. */
static bool is_receipt(const struct sync_peer_state *peer, const struct sync_log *log) {
    return ID_EQUAL(log->key, peer->key);
}

static bool is_worth_telling(struct sync *sync, const struct sync_peer_state *peer,
                             const struct sync_log *log) {
    if (is_receipt(peer, log)) {
        return true;
    }
    size_t count = 0;
    if (ID_EQUAL(log->id, sync->own.log) && peer->pushed == sync->own.number &&
        ledger_heads_of(sync->ledger, &log->id, &count) != NULL && count == 1) {
        return false; /* it was pushed */
    }
    return !sync_logs_peer_has_ours(sync, peer, log);
}

static void announce(struct sync *sync, struct sync_peer_state *peer) {
    struct writer writer = begin(sync, peer);
    for (struct sync_log *log = sync->newest; log != NULL && log->changed > peer->announced;
         log = log->older) {
        if (is_worth_telling(sync, peer, log)) {
            put_log(&writer, log);
        }
    }
    end(&writer);
}

/* All logs, those of the root and of leads first: who is admitted follows from them, and the
 * receiver asks in this order. Sent also when there is none, because it opens the session. */
static void announce_all(struct sync *sync, struct sync_peer_state *peer) {
    struct writer writer = begin(sync, peer);
    for (int rank = SYNC_RANK_ROOT; rank < SYNC_RANK_COUNT; rank++) {
        for (struct sync_log *log = sync->oldest; log != NULL; log = log->newer) {
            if ((int)sync_logs_rank(sync, log) == rank) {
                put_log(&writer, log);
            }
        }
    }
    if (sync->oldest == NULL) {
        flush(&writer);
    }
    end(&writer);
    peer->full_due = false;
    sync->counts.full_haves++;
}

void sync_announce_full(struct sync *sync, struct sync_peer_state *peer) {
    peer->full_due = true;
    sync_wake_at(sync, sync->now);
}

static void schedule(struct sync *sync, struct sync_peer_state *peer, struct mono_ms when) {
    if (!peer->announcing || when.ms < peer->announce_at.ms) {
        peer->announcing = true;
        peer->announce_at = when;
    }
    sync_wake_at(sync, peer->announce_at);
}

/* The wait has chance in it: of all stations to which an author pushed, those that speak first
 * spare the others the same message. Receipts wait only when one was sent just now. */
void sync_announce_changed(struct sync *sync, const struct sync_log *log) {
    for (size_t i = 0; i < sync->peer_count; i++) {
        struct sync_peer_state *peer = sync->peer[i];
        if (!peer->open) {
            continue;
        }
        if (is_receipt(peer, log)) {
            struct mono_ms when = {peer->announced_at.ms + SYNC_GATHER_MS};
            schedule(sync, peer, when.ms > sync->now.ms ? when : sync->now);
        } else if (!peer->announcing && is_worth_telling(sync, peer, log)) {
            schedule(sync, peer,
                     sync_after(sync, SYNC_GATHER_MS + sync_jitter(sync, SYNC_GATHER_MS)));
        }
    }
}

void sync_announce_timers(struct sync *sync) {
    for (size_t i = 0; i < sync->peer_count; i++) {
        struct sync_peer_state *peer = sync->peer[i];
        if (!peer->open || (!peer->full_due && !peer->announcing)) {
            continue;
        }
        bool due = peer->full_due || sync_due(sync, peer->announce_at);
        if (due && sync_order_full(sync)) {
            sync_wake_at(sync, sync_after(sync, 1));
        } else if (!due) {
            sync_wake_at(sync, peer->announce_at);
        } else if (peer->full_due) {
            announce_all(sync, peer);
        } else {
            announce(sync, peer);
        }
    }
}

/* ---- have, in ---- */

/* Both have known for a while that they hold different records: what this station told has not
 * arrived, if the peer still names less. */
static bool may_have_missed(const struct sync *sync, const struct sync_peer_state *peer) {
    struct mono_ms patient = {peer->differs_since.ms + SYNC_COMPARE_MS};
    return peer->differs && sync_due(sync, patient);
}

void sync_announce_have(struct sync *sync, struct sync_peer_state *peer,
                        const struct sync_message *message) {
    struct canon_reader list = canon_read(message->list);
    struct sync_message_log entry;
    bool missed = false;
    bool may = may_have_missed(sync, peer);
    while (sync_message_next_log(&list, &entry)) {
        struct sync_known *known =
            sync_logs_set(sync, peer, &entry.log, entry.head, entry.head_count);
        if (known == NULL) {
            continue;
        }
        take_receipts(sync, peer, known);
        if (sync_logs_missing(sync, known) != NULL) {
            sync_fetch_want(sync, known->log);
        }
        missed = missed || (may && known->log->changed != 0 &&
                            !sync_logs_peer_has_ours(sync, peer, known->log));
    }
    if (missed) { /* the own next comparison may be far off, and get lost again */
        peer->differs_since = sync->now;
        sync_announce_full(sync, peer);
    }
}

/* ---- push, out ---- */

/* Reads what was appended since into sync->scratch; false when that cannot be pushed: too much at
 * once, a forked log, nothing. */
static bool read_appended(struct sync *sync, const struct ledger_head *head, size_t *count) {
    struct sync_own *own = &sync->own;
    struct record_seen from = {.number = own->number};
    struct error err;
    bool more = false;
    memcpy(from.id, own->id, sizeof(from.id));
    buffer_clear(&sync->scratch);
    if (ledger_read_run(sync->ledger, &own->log, head->id.bytes, &from, own->number > 0 ? 1 : 0,
                        SYNC_MESSAGE_RECORD_BYTES, &sync->scratch, count, &more, &err) != ERR_OK) {
        sync_fault(sync, &err);
        return false;
    }
    return !more && *count == head->number - own->number;
}

static void remember_run(struct sync *sync, size_t count) {
    struct slice rest = buffer_slice(&sync->scratch);
    for (size_t i = 0; i < count; i++) {
        bool whole = false;
        size_t size = record_size_at(rest, &whole);
        struct record_id id = identity_record(slice_of(rest.data, size));
        remember(&sync->own, sync->own.number + 1, id.bytes, size);
        rest = slice_of(rest.data + size, rest.size - size);
    }
}

/* Bytes pushed to the peer up to now that it has not receipted. */
static uint64_t unreceipted(const struct sync *sync, const struct sync_peer_state *peer) {
    const struct sync_own *own = &sync->own;
    if (!remembers(own, peer->receipted)) {
        return UINT64_MAX;
    }
    return own->end[own->number % SYNC_PUSHED_MAX] - own->end[peer->receipted % SYNC_PUSHED_MAX];
}

static void push_to_all(struct sync *sync, uint64_t base, size_t count) {
    buffer_clear(&sync->list);
    if (!sync_message_put_raws(buffer_slice(&sync->scratch), count, &sync->list) ||
        sync->list.failed) {
        sync->starved = true;
        sync->list.failed = false;
        return;
    }
    for (size_t i = 0; i < sync->peer_count; i++) {
        struct sync_peer_state *peer = sync->peer[i];
        if (!peer->open || peer->pushed != base || unreceipted(sync, peer) > SYNC_PUSH_BYTES) {
            continue;
        }
        struct sync_message push = sync_session_compose(peer, SYNC_MESSAGE_PUSH);
        push.log = sync->own.log;
        push.list = buffer_slice(&sync->list);
        push.list_count = count;
        sync_order_send(sync, peer, &push);
        peer->pushed = sync->own.number;
    }
}

static void push_appended(struct sync *sync) {
    size_t heads = 0;
    size_t count = 0;
    const struct ledger_head *found = ledger_heads_of(sync->ledger, &sync->own.log, &heads);
    if (heads != 1 || found->number <= sync->own.number) {
        return;
    }
    struct ledger_head head = *found;
    uint64_t base = sync->own.number;
    if (!read_appended(sync, &head, &count)) {
        remember_from(&sync->own, head.number, head.id.bytes);
        return; /* it is announced */
    }
    remember_run(sync, count);
    push_to_all(sync, base, count);
}

void sync_announce_appended(struct sync *sync, const struct log_id *log) {
    if (ID_EQUAL(*log, sync->own.log)) {
        push_appended(sync);
    }
    sync_logs_touch(sync, log);
}
