/*
 * store.c: the queue of batches. It must never report a batch as stored before its commit.
 */
#include "node/store.h"

#include "node/station.h"

#include <stdlib.h>
#include <string.h>

/* A batch: its records' bytes lie behind the slices in the same block. */
struct batch {
    struct batch *next;
    struct store_result result;
    size_t bytes;
    size_t count;
    struct slice records[];
};
struct queue {
    struct batch *first, *last;
};
struct store {
    struct ledger *ledger;
    struct queue waiting;  /* not on disk */
    struct queue finished; /* with a result that nobody has taken */
    size_t bytes;          /* in waiting */
    struct mono_ms pause;  /* no slice before this */
};

static void push(struct queue *queue, struct batch *batch) {
    batch->next = NULL;
    if (queue->first == NULL) {
        queue->first = batch;
    } else {
        queue->last->next = batch;
    }
    queue->last = batch;
}

static struct batch *pop(struct queue *queue) {
    struct batch *batch = queue->first;
    if (batch != NULL) {
        queue->first = batch->next;
    }
    return batch;
}

enum error_code store_new(struct ledger *ledger, struct store **out, struct error *err) {
    struct store *store = calloc(1, sizeof *store);
    *out = store;
    if (store == NULL) {
        return error_set(err, ERR_MEMORY, "store");
    }
    store->ledger = ledger;
    store->pause.ms = INT64_MIN;
    return ERR_OK;
}

void store_free(struct store *store) {
    struct batch *batch = NULL;
    if (store == NULL) {
        return;
    }
    while ((batch = pop(&store->waiting)) != NULL || (batch = pop(&store->finished)) != NULL) {
        free(batch);
    }
    free(store);
}

static void finish(struct store *store, struct batch *batch, bool tried) {
    store->bytes -= batch->bytes;
    batch->result.tried = tried;
    push(&store->finished, batch);
}

static bool is_full(const struct store *store) {
    return store->bytes >= STORE_BYTES_MAX;
}

static bool is_pausing(const struct store *store) {
    return station_now().ms < store->pause.ms;
}

bool store_add(struct store *store, const struct sync_order *order) {
    size_t bytes = 0;
    for (size_t i = 0; i < order->record_count; i++) {
        bytes += order->records[i].size;
    }
    size_t head = sizeof(struct batch) + order->record_count * sizeof(struct slice);
    struct batch *batch = malloc(head + bytes);
    if (batch == NULL) {
        return false;
    }
    *batch = (struct batch){
        .result = {.peer = order->peer, .log = order->log},
        .bytes = bytes,
        .count = order->record_count,
    };
    uint8_t *at = (uint8_t *)batch + head;
    for (size_t i = 0; i < order->record_count; i++) {
        memcpy(at, order->records[i].data, order->records[i].size);
        batch->records[i] = slice_of(at, order->records[i].size);
        at += order->records[i].size;
    }
    bool giving_up = is_full(store) && is_pausing(store);
    store->bytes += bytes;
    if (giving_up) {
        finish(store, batch, false);
    } else {
        push(&store->waiting, batch);
    }
    return true;
}

bool store_full(const struct store *store) {
    return is_full(store) && !is_pausing(store);
}

struct mono_ms store_due(const struct store *store) {
    return store->waiting.first == NULL ? (struct mono_ms){INT64_MAX} : store->pause;
}

static void give_up(struct store *store) {
    struct batch *batch = NULL;
    while ((batch = pop(&store->waiting)) != NULL) {
        finish(store, batch, false);
    }
    store->pause.ms = station_now().ms + STORE_RETRY_MS;
}

/* Takes what fits into the time; *count batches from the front of the queue. */
static enum error_code take(struct store *store, size_t *count, struct error *err) {
    int64_t end = station_now().ms + STORE_SLICE_MS;
    struct batch *batch = store->waiting.first;
    for (*count = 0; batch != NULL && *count < STORE_SLICE_MAX; batch = batch->next) {
        enum error_code code =
            pairs_take(store->ledger, batch->records, batch->count, &batch->result.taken, err);
        if (code != ERR_OK) {
            return code;
        }
        ++*count;
        if (station_now().ms >= end) {
            break;
        }
    }
    return ERR_OK;
}

enum error_code store_slice(struct store *store, struct error *err) {
    size_t count = 0;
    if (store->waiting.first == NULL) {
        return ERR_OK;
    }
    enum error_code code = pairs_begin(store->ledger, err);
    if (code == ERR_OK) {
        code = take(store, &count, err);
        if (code == ERR_OK) {
            code = pairs_commit(store->ledger, err);
        } else {
            pairs_rollback(store->ledger);
        }
    }
    if (code != ERR_OK) {
        give_up(store);
        return code;
    }
    store->pause.ms = INT64_MIN;
    while (count-- > 0) {
        finish(store, pop(&store->waiting), true);
    }
    return ERR_OK;
}

bool store_next(struct store *store, struct store_result *result) {
    struct batch *batch = pop(&store->finished);
    if (batch == NULL) {
        return false;
    }
    *result = batch->result;
    free(batch);
    return true;
}
