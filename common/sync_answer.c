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

/* An answer on its way: what is left of the credit, and from where the rest goes on. */
struct answer {
    const struct sync_message *want;
    struct sync_peer_state *peer;
    const struct record_seen *points;
    size_t point_count;
    struct record_seen last; /* of what was sent */
    size_t credit;
    uint8_t part;
};

static struct sync_message compose(const struct answer *answer) {
    struct sync_message batch = sync_session_compose(answer->peer, SYNC_MESSAGE_BATCH);
    batch.log = answer->want->log;
    memcpy(batch.target, answer->want->target, sizeof(batch.target));
    batch.part = answer->part;
    return batch;
}

/* Reads what comes next into sync->scratch. False when nothing does, which the peer is told if it
 * is because its target is not here. */
static bool read_part(struct sync *sync, struct answer *answer, size_t bytes_max, size_t *count,
                      bool *more) {
    struct sync_message nothing = compose(answer);
    struct error err;
    buffer_clear(&sync->scratch);
    enum error_code code =
        ledger_read_run(sync->ledger, &answer->want->log, answer->want->target, answer->points,
                        answer->point_count, bytes_max, &sync->scratch, count, more, &err);
    if (code != ERR_OK && code != ERR_NOT_FOUND) {
        sync_fault(sync, &err);
        return false;
    }
    if (code == ERR_NOT_FOUND || *count == 0) {
        sync_order_send(sync, answer->peer, &nothing);
        return false;
    }
    return true;
}

/* Sends what is in sync->scratch. False when the answer cannot go on. */
static bool send_part(struct sync *sync, struct answer *answer, size_t count,
                      enum sync_message_more more) {
    struct sync_message batch = compose(answer);
    struct slice records = buffer_slice(&sync->scratch);
    if (!sync_bucket_take(sync, &answer->peer->answers, (int64_t)records.size, SYNC_ANSWER_RATE,
                          SYNC_ANSWER_BURST)) {
        sync->counts.refused++;
        return false;
    }
    buffer_clear(&sync->list);
    bool good = last_record(records, count, &answer->last) &&
                sync_message_put_raws(records, count, &sync->list) && !sync->list.failed;
    if (!good) {
        sync->starved = true;
        sync->list.failed = false;
        return false;
    }
    batch.list = buffer_slice(&sync->list);
    batch.list_count = count;
    batch.more = more;
    sync_order_send(sync, answer->peer, &batch);
    answer->points = &answer->last;
    answer->point_count = 1;
    answer->credit -= records.size < answer->credit ? records.size : answer->credit;
    answer->part++;
    return true;
}

void sync_answer_want(struct sync *sync, struct sync_peer_state *peer,
                      const struct sync_message *message) {
    struct answer answer = {.want = message,
                            .peer = peer,
                            .points = message->point,
                            .point_count = message->point_count,
                            .credit = SYNC_CREDIT_BYTES};
    if (message->credit < SYNC_CREDIT_BYTES) {
        answer.credit = (size_t)message->credit;
    }
    if (!sync_bucket_take(sync, &peer->answers, WANT_COST, SYNC_ANSWER_RATE, SYNC_ANSWER_BURST)) {
        sync->counts.refused++;
        return;
    }
    enum sync_message_more more = SYNC_MESSAGE_FOLLOWS;
    while (more == SYNC_MESSAGE_FOLLOWS) {
        size_t count = 0;
        bool rest = false;
        bool is_last = answer.credit <= SYNC_MESSAGE_RECORD_BYTES;
        size_t bytes_max = is_last ? answer.credit : (size_t)SYNC_MESSAGE_RECORD_BYTES;
        if (!read_part(sync, &answer, bytes_max, &count, &rest)) {
            return;
        }
        more = !rest ? SYNC_MESSAGE_DONE : is_last ? SYNC_MESSAGE_ASK : SYNC_MESSAGE_FOLLOWS;
        if (!send_part(sync, &answer, count, more)) {
            return;
        }
    }
}
