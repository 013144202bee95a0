/* mangle.c: see mangle.h. */
#include "tests/sim/mangle.h"

#include <string.h>

#include "common/sync_message.h"

enum { RECORDS_MAX = 400 };

static size_t split(struct slice raws, struct slice *out, size_t max) {
    size_t count = 0;
    bool whole = false;
    for (size_t size; count < max && (size = record_size_at(raws, &whole)) > 0; count++) {
        out[count] = slice_of(raws.data, size);
        raws = slice_of(raws.data + size, raws.size - size);
    }
    return count;
}

/* Valid records, turned round, doubled, dropped, or with others between. */
static bool shuffle(struct dice *dice, struct slice poison, struct sync_message *message,
                    struct buffer *out) {
    struct slice record[RECORDS_MAX + 8];
    struct slice raw;
    struct buffer raws;
    struct buffer list;
    size_t count = 0;
    struct canon_reader reader = canon_read(message->list);
    while (count < RECORDS_MAX && sync_message_next_raw(&reader, &raw)) {
        record[count++] = raw;
    }
    uint64_t how = dice_below(dice, 4);
    if (how == 0 && count > 1) {
        for (size_t i = 0; i < count / 2; i++) {
            struct slice kept = record[i];
            record[i] = record[count - 1 - i];
            record[count - 1 - i] = kept;
        }
    } else if (how == 1 && count > 1) {
        size_t gone = (size_t)dice_below(dice, count);
        memmove(&record[gone], &record[gone + 1], (count - gone - 1) * sizeof(*record));
        count--;
    } else if (how == 2 && count > 0) {
        record[count] = record[dice_below(dice, count)];
        count++;
    } else {
        count += split(poison, &record[count], 4);
    }
    buffer_init(&raws);
    buffer_init(&list);
    for (size_t i = 0; i < count; i++) {
        buffer_append_slice(&raws, record[i]);
    }
    bool good = raws.size < SYNC_MESSAGE_RECORD_BYTES &&
                sync_message_put_raws(buffer_slice(&raws), count, &list);
    if (good) {
        message->list = buffer_slice(&list);
        message->list_count = count;
        sync_message_write(message, out);
    }
    buffer_release(&raws);
    buffer_release(&list);
    return good;
}

static void flip(struct dice *dice, struct buffer *bytes) {
    for (uint64_t left = 1 + dice_below(dice, 4); left > 0 && bytes->size > 0; left--) {
        bytes->data[dice_below(dice, bytes->size)] ^= (uint8_t)(1 << dice_below(dice, 8));
    }
}

bool mangle(struct dice *dice, const struct buffer *poison, struct buffer *bytes) {
    struct sync_message message;
    struct buffer out;
    uint64_t roll = dice_below(dice, 100);
    buffer_init(&out);
    if (roll < 30 && sync_message_read(buffer_slice(bytes), &message) &&
        (message.kind == SYNC_MESSAGE_BATCH || message.kind == SYNC_MESSAGE_PUSH) &&
        shuffle(dice, buffer_slice(poison), &message, &out)) {
        buffer_clear(bytes);
        buffer_append_slice(bytes, buffer_slice(&out));
    } else if (roll < 45) {
        flip(dice, bytes);
    } else if (roll < 50 && bytes->size > 2) {
        bytes->size = 2 + (size_t)dice_below(dice, bytes->size - 2);
    } else if (roll < 53) {
        for (size_t i = 0; i < bytes->size; i++) {
            bytes->data[i] = (uint8_t)dice_roll(dice);
        }
    } else {
        buffer_release(&out);
        return false;
    }
    buffer_release(&out);
    return true;
}
