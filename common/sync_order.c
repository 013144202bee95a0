/*
 * sync_order.c: the queue of work orders between a step and the host.
 *
 * All orders of a step share one buffer, which is used again once they are taken. An order that
 * finds no memory is left out whole: to the other side that is a lost message.
 */
#include "common/sync_internal.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct sync_queued *add(struct sync *sync, enum sync_order_kind kind) {
    struct sync_orders *orders = &sync->orders;
    void *array = orders->order;
    bool room = sync_grow(sync, &array, orders->count, &orders->capacity, sizeof(*orders->order));
    orders->order = array;
    if (!room) {
        return NULL;
    }
    struct sync_queued *queued = &orders->order[orders->count++];
    *queued = (struct sync_queued){.kind = kind, .offset = orders->bytes.size};
    return queued;
}

/* Ends the order that was added last: it has what was appended to the bytes since. */
static bool finish(struct sync *sync, struct sync_queued *queued) {
    struct buffer *bytes = &sync->orders.bytes;
    queued->size = bytes->size - queued->offset;
    if (!bytes->failed) {
        return true;
    }
    bytes->failed = false;
    bytes->size = queued->offset;
    sync->orders.count--;
    sync->starved = true;
    return false;
}

void sync_order_send(struct sync *sync, const struct sync_peer_state *peer,
                     const struct sync_message *message) {
    struct sync_queued *queued = add(sync, SYNC_SEND);
    if (queued == NULL) {
        return;
    }
    queued->peer = peer->curve;
    sync_message_write(message, &sync->orders.bytes);
    if (finish(sync, queued)) {
        INVARIANT(queued->size <= SYNC_MESSAGE_MAX);
        sync->counts.messages_out++;
        sync->counts.bytes_out += queued->size;
    }
}

static bool add_record(struct sync *sync, struct slice raw) {
    struct sync_orders *orders = &sync->orders;
    void *array = orders->record;
    bool room = sync_grow(sync, &array, orders->record_count, &orders->record_capacity,
                          sizeof(*orders->record));
    orders->record = array;
    if (!room) {
        return false;
    }
    orders->record[orders->record_count++] = (struct sync_span){orders->bytes.size, raw.size};
    buffer_append_slice(&orders->bytes, raw);
    return true;
}

bool sync_order_store(struct sync *sync, const struct sync_peer_state *peer,
                      const struct log_id *log, struct slice list) {
    struct sync_orders *orders = &sync->orders;
    struct sync_queued *queued = add(sync, SYNC_STORE);
    if (queued == NULL) {
        return false;
    }
    queued->peer = peer->curve;
    queued->log = *log;
    queued->first_record = orders->record_count;
    struct canon_reader reader = canon_read(list);
    struct slice raw;
    while (sync_message_next_raw(&reader, &raw)) {
        if (!add_record(sync, raw)) {
            orders->bytes.failed = true;
            break;
        }
        queued->record_count++;
    }
    if (!finish(sync, queued)) {
        orders->record_count = queued->first_record;
        return false;
    }
    sync->counts.stores++;
    return true;
}

void sync_order_alarm(struct sync *sync, const char *name, const char *format, ...) {
    struct pairs_alarm alarm = {0};
    va_list arguments;
    snprintf(alarm.name, sizeof(alarm.name), "%s", name);
    va_start(arguments, format);
    vsnprintf(alarm.say, sizeof(alarm.say), format, arguments);
    va_end(arguments);
    struct sync_queued *queued = add(sync, SYNC_ALARM);
    if (queued != NULL) {
        buffer_append(&sync->orders.bytes, &alarm, sizeof(alarm));
        finish(sync, queued);
    }
}

void sync_order_road(struct sync *sync, const struct sync_message_road *road) {
    struct sync_queued *queued = add(sync, SYNC_ROAD);
    if (queued != NULL) {
        queued->peer = road->curve;
        buffer_append(&sync->orders.bytes, road->address, strlen(road->address) + 1);
        finish(sync, queued);
    }
}

bool sync_order_full(const struct sync *sync) {
    return sync->orders.bytes.size >= SYNC_STEP_BYTES;
}

void sync_order_clear(struct sync_orders *orders) {
    if (orders->taken < orders->count) {
        return;
    }
    orders->count = 0;
    orders->taken = 0;
    orders->record_count = 0;
    buffer_clear(&orders->bytes);
}

void sync_order_release(struct sync_orders *orders) {
    free(orders->order);
    free(orders->record);
    free(orders->slice);
    buffer_release(&orders->bytes);
}

/* The records of an order as slices; false when there is no memory for them. */
static bool spread_records(struct sync_orders *orders, const struct sync_queued *queued) {
    if (orders->slice_capacity < queued->record_count) {
        struct slice *grown = realloc(orders->slice, queued->record_count * sizeof(*orders->slice));
        if (grown == NULL) {
            return false;
        }
        orders->slice = grown;
        orders->slice_capacity = queued->record_count;
    }
    for (size_t i = 0; i < queued->record_count; i++) {
        const struct sync_span *span = &orders->record[queued->first_record + i];
        orders->slice[i] = slice_of(orders->bytes.data + span->offset, span->size);
    }
    return true;
}

const struct sync_order *sync_next(struct sync *sync) {
    struct sync_orders *orders = &sync->orders;
    if (orders->taken == orders->count) {
        return NULL;
    }
    const struct sync_queued *queued = &orders->order[orders->taken];
    struct sync_order *out = &orders->out;
    const uint8_t *bytes = orders->bytes.data + queued->offset;
    *out = (struct sync_order){.kind = queued->kind, .peer = queued->peer, .log = queued->log};
    switch (queued->kind) {
    case SYNC_SEND:
        out->bytes = slice_of(bytes, queued->size);
        break;
    case SYNC_STORE:
        if (!spread_records(orders, queued)) {
            return NULL; /* it stays first in the queue */
        }
        out->records = orders->slice;
        out->record_count = queued->record_count;
        break;
    case SYNC_ALARM:
        memcpy(&orders->alarm, bytes, sizeof(orders->alarm));
        out->alarm = &orders->alarm;
        break;
    case SYNC_ROAD:
        out->address = (const char *)bytes;
        break;
    }
    orders->taken++;
    return out;
}
