/*
 * sync_answer.c: answering what peers ask for.
 *
 * An answer is read from the ledger and sent at once, up to the credit that came with the want;
 * nothing of it is remembered. How much a peer can make this station read is bounded, so that a
 * broken one costs its own answers only.
 */
#include "common/sync_internal.h"

#include <string.h>

enum { WANT_COST = 1024 }; /* bytes that a want counts for whatever it brings */

/* The last of `count` records that stand one after the other. */
static bool last_record(struct slice records, size_t count, struct record_seen *point) {
    struct slice rest = records;
    struct record record;
    struct error err;
    for (size_t i = 0; i + 1 < count; i++) {
        bool whole = false;
        size_t size = record_size_at(rest, &whole);
        rest = slice_of(rest.data + size, rest.size - size);
    }
    if (record_decode(rest, &record, &err) != ERR_OK) {
        return false;
    }
    struct record_id id = identity_record(rest);
    point->number = record.number;
    memcpy(point->id, id.bytes, sizeof(point->id));
    return true;
}

static struct sync_message compose(const struct sync_peer_state *peer,
                                   const struct sync_message *want) {
    struct sync_message batch = sync_session_compose(peer, SYNC_MESSAGE_BATCH);
    batch.log = want->log;
    memcpy(batch.target, want->target, sizeof(batch.target));
    return batch;
}

/* Sends what follows `points`, at most `room` bytes (but one record at least), and moves `points`
 * to its end. Returns the bytes sent; 0 when the answer is over. */
static size_t send_batch(struct sync *sync, struct sync_peer_state *peer,
                         const struct sync_message *want, struct sync_message *points,
                         size_t room) {
    struct sync_message batch = compose(peer, want);
    struct error err;
    size_t count = 0;
    bool more = false;
    buffer_clear(&sync->scratch);
    buffer_clear(&sync->list);
    size_t bytes_max = room < SYNC_MESSAGE_RECORD_BYTES ? room : SYNC_MESSAGE_RECORD_BYTES;
    enum error_code code =
        ledger_read_run(sync->ledger, &want->log, want->target, points->point, points->point_count,
                        bytes_max, &sync->scratch, &count, &more, &err);
    if (code != ERR_OK && code != ERR_NOT_FOUND) {
        sync_fault(sync, &err);
        return 0;
    }
    if (code == ERR_NOT_FOUND || count == 0) {
        sync_order_send(sync, peer, &batch); /* empty: that is not here */
        return 0;
    }
    struct slice records = buffer_slice(&sync->scratch);
    if (!sync_bucket_take(sync, &peer->answers, (int64_t)records.size, SYNC_ANSWER_RATE,
                          SYNC_ANSWER_BURST)) {
        sync->counts.refused++;
        return 0;
    }
    if (!last_record(records, count, &points->point[0]) ||
        !sync_message_put_raws(records, count, &sync->list) || sync->list.failed) {
        sync->starved = sync->list.failed;
        sync->list.failed = false;
        return 0;
    }
    points->point_count = 1;
    batch.list = buffer_slice(&sync->list);
    batch.list_count = count;
    batch.more = !more                  ? SYNC_MESSAGE_DONE
                 : room <= records.size ? SYNC_MESSAGE_ASK
                                        : SYNC_MESSAGE_FOLLOWS;
    sync_order_send(sync, peer, &batch);
    return batch.more == SYNC_MESSAGE_FOLLOWS ? records.size : 0;
}

void sync_answer_want(struct sync *sync, struct sync_peer_state *peer,
                      const struct sync_message *message) {
    struct sync_message points = *message;
    size_t credit =
        message->credit < SYNC_CREDIT_BYTES ? (size_t)message->credit : (size_t)SYNC_CREDIT_BYTES;
    if (!sync_bucket_take(sync, &peer->answers, WANT_COST, SYNC_ANSWER_RATE, SYNC_ANSWER_BURST)) {
        sync->counts.refused++;
        return;
    }
    size_t sent = 0;
    do {
        credit -= sent;
        sent = send_batch(sync, peer, message, &points, credit);
    } while (sent > 0);
}
