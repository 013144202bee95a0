/*
 * sync_message.c: the messages between stations. The grammar is sync.cddl; each reader here
 * follows its line there. Must never keep state, nor believe a count before the items are read.
 */
#include "common/sync_message.h"

#include <string.h>

/* ---- items ---- */

static bool get_number(struct canon_reader *reader, uint64_t *number) {
    return canon_get_uint(reader, number) && *number >= 1 && *number <= RECORD_NUMBER_MAX;
}

/* point = [number, id16] */
static bool get_point(struct canon_reader *reader, struct record_seen *point) {
    size_t fields = 0;
    return canon_get_array(reader, &fields) && fields == 2 && get_number(reader, &point->number) &&
           canon_get_exact(reader, point->id, sizeof(point->id));
}

static void put_point(uint64_t number, const uint8_t id[16], struct buffer *out) {
    canon_put_array(out, 2);
    canon_put_uint(out, number);
    canon_put_bytes(out, slice_of(id, 16));
}

/* log-heads = [log-id, [1*64 point]] */
static bool get_log(struct canon_reader *reader, struct sync_message_log *entry) {
    size_t fields = 0;
    if (!canon_get_array(reader, &fields) || fields != 2 ||
        !canon_get_exact(reader, entry->log.bytes, sizeof(entry->log.bytes)) ||
        !canon_get_array(reader, &entry->head_count) || entry->head_count == 0 ||
        entry->head_count > LEDGER_HEADS_PER_LOG_MAX) {
        return false;
    }
    for (size_t i = 0; i < entry->head_count; i++) {
        if (!get_point(reader, &entry->head[i])) {
            return false;
        }
    }
    return true;
}

static bool get_raw(struct canon_reader *reader, struct slice *raw) {
    return canon_get_bytes(reader, raw) && raw->size > 0 && raw->size <= RECORD_SIZE_MAX;
}

bool sync_message_is_address(struct slice text) {
    if (text.size == 0 || text.size > SYNC_ADDRESS_MAX) {
        return false;
    }
    for (size_t i = 0; i < text.size; i++) {
        if (text.data[i] <= ' ' || text.data[i] > '~') {
            return false;
        }
    }
    return true;
}

/* road = [key, address] */
static bool get_road(struct canon_reader *reader, struct sync_message_road *road) {
    size_t fields = 0;
    struct slice text;
    if (!canon_get_array(reader, &fields) || fields != 2 ||
        !canon_get_exact(reader, road->curve.bytes, sizeof(road->curve.bytes)) ||
        !canon_get_text(reader, &text) || !sync_message_is_address(text)) {
        return false;
    }
    memcpy(road->address, text.data, text.size);
    road->address[text.size] = '\0';
    return true;
}

bool sync_message_next_log(struct canon_reader *list, struct sync_message_log *entry) {
    return !canon_done(list) && get_log(list, entry);
}

bool sync_message_next_raw(struct canon_reader *list, struct slice *raw) {
    return !canon_done(list) && get_raw(list, raw);
}

bool sync_message_next_road(struct canon_reader *list, struct sync_message_road *road) {
    return !canon_done(list) && get_road(list, road);
}

void sync_message_put_log(const struct ledger_head *heads, size_t count, struct buffer *out) {
    canon_put_array(out, 2);
    canon_put_bytes(out, slice_of(heads[0].log.bytes, sizeof(heads[0].log.bytes)));
    canon_put_array(out, count);
    for (size_t i = 0; i < count; i++) {
        put_point(heads[i].number, heads[i].id.bytes, out);
    }
}

bool sync_message_put_raws(struct slice records, size_t count, struct buffer *out) {
    for (size_t i = 0; i < count; i++) {
        bool whole = false;
        size_t size = record_size_at(records, &whole);
        if (size == 0) {
            return false;
        }
        canon_put_bytes(out, slice_of(records.data, size));
        records = slice_of(records.data + size, records.size - size);
    }
    return records.size == 0;
}

void sync_message_put_road(const struct sync_message_road *road, struct buffer *out) {
    canon_put_array(out, 2);
    canon_put_bytes(out, slice_of(road->curve.bytes, sizeof(road->curve.bytes)));
    canon_put_text(out, slice_text(road->address));
}

/* ---- reading ---- */

/* A list's items are read once here, so that whoever walks it later meets no surprise. */
static bool read_list(struct canon_reader *reader, struct sync_message *message) {
    struct sync_message_log entry;
    struct sync_message_road road;
    struct slice raw;
    if (!canon_get_array(reader, &message->list_count)) {
        return false;
    }
    const uint8_t *start = reader->at;
    bool good = true;
    for (size_t i = 0; good && i < message->list_count; i++) {
        good = message->kind == SYNC_MESSAGE_HAVE    ? get_log(reader, &entry)
               : message->kind == SYNC_MESSAGE_ROADS ? get_road(reader, &road)
                                                     : get_raw(reader, &raw);
    }
    message->list = slice_of(start, (size_t)(reader->at - start));
    return good;
}

static bool read_wall(struct canon_reader *reader, struct wall_ms *wall) {
    uint64_t ms = 0;
    if (!canon_get_uint(reader, &ms) || ms > INT64_MAX) {
        return false;
    }
    wall->ms = (int64_t)ms;
    return true;
}

static bool read_session(struct canon_reader *reader, struct sync_message *message) {
    return canon_get_uint(reader, &message->from) && canon_get_uint(reader, &message->to);
}

static bool read_hello(struct canon_reader *reader, size_t fields, struct sync_message *message) {
    uint64_t port = 0;
    if (!canon_get_uint(reader, &message->version)) {
        return false;
    }
    if (message->version != SYNC_VERSION) {
        reader->at = reader->end; /* its form is that version's business */
        return true;
    }
    if (fields != 10 ||
        !canon_get_exact(reader, message->event.bytes, sizeof(message->event.bytes)) ||
        !canon_get_uint(reader, &message->from)) {
        return false;
    }
    message->has_to = !canon_get_null(reader);
    if ((message->has_to && !canon_get_uint(reader, &message->to)) ||
        !canon_get_exact(reader, message->key.bytes, sizeof(message->key.bytes)) ||
        !canon_get_exact(reader, message->log.bytes, sizeof(message->log.bytes)) ||
        !read_wall(reader, &message->wall) || !canon_get_uint(reader, &port) || port > UINT16_MAX ||
        !canon_get_bytes(reader, &message->proof)) {
        return false;
    }
    message->port = (uint16_t)port;
    return true;
}

static bool read_target(struct canon_reader *reader, struct sync_message *message) {
    return canon_get_exact(reader, message->log.bytes, sizeof(message->log.bytes)) &&
           canon_get_exact(reader, message->target, sizeof(message->target));
}

static bool read_want(struct canon_reader *reader, struct sync_message *message) {
    if (!read_target(reader, message) || !canon_get_array(reader, &message->point_count) ||
        message->point_count > LEDGER_SPACED_MAX) {
        return false;
    }
    for (size_t i = 0; i < message->point_count; i++) {
        if (!get_point(reader, &message->point[i])) {
            return false;
        }
    }
    return canon_get_uint(reader, &message->credit);
}

static bool read_batch(struct canon_reader *reader, struct sync_message *message) {
    uint64_t part = 0;
    uint64_t more = 0;
    if (!read_target(reader, message) || !canon_get_uint(reader, &part) ||
        part >= SYNC_MESSAGE_PARTS_MAX || !read_list(reader, message) ||
        !canon_get_uint(reader, &more) || more > SYNC_MESSAGE_ASK) {
        return false;
    }
    message->part = (uint8_t)part;
    message->more = (enum sync_message_more)more;
    /* Only the answer "I do not hold that" is empty. */
    return message->list_count > 0 || message->more == SYNC_MESSAGE_DONE;
}

static bool read_push(struct canon_reader *reader, struct sync_message *message) {
    return canon_get_exact(reader, message->log.bytes, sizeof(message->log.bytes)) &&
           read_list(reader, message) && message->list_count > 0;
}

static bool read_beat(struct canon_reader *reader, struct sync_message *message) {
    return read_wall(reader, &message->wall) &&
           canon_get_exact(reader, message->hash.bytes, sizeof(message->hash.bytes));
}

static bool read_roads(struct canon_reader *reader, struct sync_message *message) {
    return read_list(reader, message) && message->list_count <= SYNC_MESSAGE_ROADS_MAX;
}

static bool read_rest(struct canon_reader *reader, size_t fields, struct sync_message *message) {
    if (message->kind == SYNC_MESSAGE_HELLO) {
        return read_hello(reader, fields, message);
    }
    static const size_t shape[] = {
        [SYNC_MESSAGE_HAVE] = 4, [SYNC_MESSAGE_WANT] = 7, [SYNC_MESSAGE_BATCH] = 8,
        [SYNC_MESSAGE_PUSH] = 5, [SYNC_MESSAGE_BEAT] = 5, [SYNC_MESSAGE_ROADS] = 4};
    if (fields != shape[message->kind] || !read_session(reader, message)) {
        return false;
    }
    switch (message->kind) {
    case SYNC_MESSAGE_HAVE:
        return read_list(reader, message);
    case SYNC_MESSAGE_WANT:
        return read_want(reader, message);
    case SYNC_MESSAGE_BATCH:
        return read_batch(reader, message);
    case SYNC_MESSAGE_PUSH:
        return read_push(reader, message);
    case SYNC_MESSAGE_BEAT:
        return read_beat(reader, message);
    case SYNC_MESSAGE_ROADS:
        return read_roads(reader, message);
    case SYNC_MESSAGE_HELLO:
    case SYNC_MESSAGE_OTHER:
        break;
    }
    return false;
}

bool sync_message_read(struct slice bytes, struct sync_message *message) {
    size_t fields = 0;
    uint64_t kind = 0;
    *message = (struct sync_message){0};
    if (bytes.size > SYNC_MESSAGE_MAX || !canon_check(bytes)) {
        return false;
    }
    struct canon_reader reader = canon_read(bytes);
    if (!canon_get_array(&reader, &fields) || fields == 0 || !canon_get_uint(&reader, &kind)) {
        return false;
    }
    if (kind >= SYNC_MESSAGE_OTHER) {
        message->kind = SYNC_MESSAGE_OTHER;
        return true;
    }
    message->kind = (enum sync_message_kind)kind;
    return read_rest(&reader, fields, message) && canon_done(&reader);
}

/* ---- writing ---- */

static void put_list(const struct sync_message *message, struct buffer *out) {
    canon_put_array(out, message->list_count);
    buffer_append_slice(out, message->list);
}

static void put_wall(struct wall_ms wall, struct buffer *out) {
    canon_put_uint(out, wall.ms < 0 ? 0 : (uint64_t)wall.ms);
}

static void write_hello(const struct sync_message *message, struct buffer *out) {
    canon_put_array(out, 10);
    canon_put_uint(out, SYNC_MESSAGE_HELLO);
    canon_put_uint(out, message->version);
    canon_put_bytes(out, slice_of(message->event.bytes, sizeof(message->event.bytes)));
    canon_put_uint(out, message->from);
    if (message->has_to) {
        canon_put_uint(out, message->to);
    } else {
        canon_put_null(out);
    }
    canon_put_bytes(out, slice_of(message->key.bytes, sizeof(message->key.bytes)));
    canon_put_bytes(out, slice_of(message->log.bytes, sizeof(message->log.bytes)));
    put_wall(message->wall, out);
    canon_put_uint(out, message->port);
    canon_put_bytes(out, message->proof);
}

static void write_head(const struct sync_message *message, size_t fields, struct buffer *out) {
    canon_put_array(out, fields);
    canon_put_uint(out, message->kind);
    canon_put_uint(out, message->from);
    canon_put_uint(out, message->to);
}

static void write_target(const struct sync_message *message, struct buffer *out) {
    canon_put_bytes(out, slice_of(message->log.bytes, sizeof(message->log.bytes)));
    canon_put_bytes(out, slice_of(message->target, sizeof(message->target)));
}

static void write_want(const struct sync_message *message, struct buffer *out) {
    write_head(message, 7, out);
    write_target(message, out);
    canon_put_array(out, message->point_count);
    for (size_t i = 0; i < message->point_count; i++) {
        put_point(message->point[i].number, message->point[i].id, out);
    }
    canon_put_uint(out, message->credit);
}

void sync_message_write(const struct sync_message *message, struct buffer *out) {
    switch (message->kind) {
    case SYNC_MESSAGE_HELLO:
        write_hello(message, out);
        break;
    case SYNC_MESSAGE_HAVE:
    case SYNC_MESSAGE_ROADS:
        write_head(message, 4, out);
        put_list(message, out);
        break;
    case SYNC_MESSAGE_WANT:
        write_want(message, out);
        break;
    case SYNC_MESSAGE_BATCH:
        write_head(message, 8, out);
        write_target(message, out);
        canon_put_uint(out, message->part);
        put_list(message, out);
        canon_put_uint(out, message->more);
        break;
    case SYNC_MESSAGE_PUSH:
        write_head(message, 5, out);
        canon_put_bytes(out, slice_of(message->log.bytes, sizeof(message->log.bytes)));
        put_list(message, out);
        break;
    case SYNC_MESSAGE_BEAT:
        write_head(message, 5, out);
        put_wall(message->wall, out);
        canon_put_bytes(out, slice_of(message->hash.bytes, sizeof(message->hash.bytes)));
        break;
    case SYNC_MESSAGE_OTHER:
        INVARIANT(message->kind != SYNC_MESSAGE_OTHER); /* there is nothing to say in it */
    }
}
