/*
 * cbor.c: the mutator that knows CBOR (RFC 8949). It reads heads by itself and shares nothing with
 * common/canon.c, whose mistakes it should not repeat.
 */
#include "tests/fuzz/fuzz.h"

#include "common/canon.h"

#include <string.h>

enum { ITEMS_MAX = 512, WALK_DEPTH_MAX = 24, INSIDE_DEPTH_MAX = 4, STRING_MAX = 4096 };

struct item {
    size_t start, head, end; /* head: behind the head */
    unsigned major;
    uint64_t argument;
    int parent; /* index, -1 for none */
};
struct walk {
    struct slice bytes;
    size_t at;
    struct item item[ITEMS_MAX];
    int count;
};

static bool read_head(struct walk *walk, struct item *item) {
    if (walk->at >= walk->bytes.size) {
        return false;
    }
    uint8_t first = walk->bytes.data[walk->at++];
    unsigned low = first & 31;
    size_t extra = low < 24 ? 0 : low < 28 ? (size_t)1 << (low - 24) : SIZE_MAX;
    if (extra > walk->bytes.size - walk->at) {
        return false;
    }
    item->major = first >> 5;
    item->argument = low;
    for (size_t i = 0; i < extra; i++) {
        item->argument = (i == 0 ? 0 : item->argument << 8) | walk->bytes.data[walk->at++];
    }
    item->head = walk->at;
    return true;
}

static bool walk_item(struct walk *walk, int parent, unsigned depth) {
    if (walk->count == ITEMS_MAX || depth > WALK_DEPTH_MAX) {
        return false;
    }
    int index = walk->count++;
    struct item *item = &walk->item[index];
    *item = (struct item){.start = walk->at, .parent = parent};
    if (!read_head(walk, item)) {
        return false;
    }
    uint64_t children = item->major == 4   ? item->argument
                        : item->major == 5 ? 2 * item->argument
                        : item->major == 6 ? 1
                                           : 0;
    if (item->major == 2 || item->major == 3) {
        if (item->argument > walk->bytes.size - walk->at) {
            return false;
        }
        walk->at += (size_t)item->argument;
    }
    for (uint64_t i = 0; i < children; i++) {
        if (!walk_item(walk, index, depth + 1)) {
            return false;
        }
    }
    item->end = walk->at;
    return true;
}

static bool is_shortest(const struct item *item, size_t head) {
    uint64_t argument = item->argument;
    size_t wanted = argument < 24            ? 1
                    : argument <= UINT8_MAX  ? 2
                    : argument <= UINT16_MAX ? 3
                    : argument <= UINT32_MAX ? 5
                                             : 9;
    return item->major == 7 || head == wanted;
}

/* Keys of one map stand at every second of its children. */
static bool keys_rise(const struct walk *walk, int map) {
    struct slice before = {NULL, 0};
    size_t place = 0;
    for (int i = map + 1; i < walk->count; i++) {
        const struct item *item = &walk->item[i];
        if (item->parent != map || place++ % 2 == 1) {
            continue;
        }
        struct slice key = slice_of(walk->bytes.data + item->start, item->end - item->start);
        size_t common = before.size < key.size ? before.size : key.size;
        int order = common == 0 ? -1 : memcmp(before.data, key.data, common);
        if (place > 1 && (order > 0 || (order == 0 && before.size >= key.size))) {
            return false;
        }
        before = key;
    }
    return true;
}

bool fuzz_cbor_is_canonical(struct slice bytes) {
    static struct walk walk;
    walk = (struct walk){.bytes = bytes};
    bool whole = walk_item(&walk, -1, 0);
    if (walk.count == ITEMS_MAX) {
        return true;
    }
    for (int i = 0; whole && i < walk.count; i++) {
        whole = is_shortest(&walk.item[i], walk.item[i].head - walk.item[i].start) &&
                (walk.item[i].major != 5 || keys_rise(&walk, i));
    }
    return whole && walk.at == bytes.size;
}

/* The items of a sequence, as far as they are well-formed. */
static void walk_all(struct walk *walk, struct slice bytes) {
    walk->bytes = bytes;
    walk->at = 0;
    walk->count = 0;
    int whole = 0;
    while (walk->at < bytes.size && walk_item(walk, -1, 0)) {
        whole = walk->count;
    }
    walk->count = whole;
}

/* ---- new values ---- */

static void put_head(struct buffer *out, unsigned major, uint64_t argument) {
    struct buffer number;
    buffer_init(&number);
    canon_put_uint(&number, argument);
    number.data[0] = (uint8_t)(number.data[0] | major << 5);
    buffer_append_slice(out, buffer_slice(&number));
    buffer_release(&number);
}

static uint64_t edge(struct fuzz_chance *chance) {
    static const uint64_t edges[] = {0,
                                     1,
                                     2,
                                     3,
                                     7,
                                     8,
                                     23,
                                     24,
                                     64,
                                     65,
                                     127,
                                     128,
                                     129,
                                     255,
                                     256,
                                     65535,
                                     65536,
                                     UINT32_MAX,
                                     (uint64_t)UINT32_MAX + 1,
                                     281474976710655,
                                     281474976710656,
                                     INT64_MAX,
                                     (uint64_t)INT64_MAX + 1,
                                     UINT64_MAX};
    return edges[fuzz_below(chance, sizeof edges / sizeof edges[0])];
}

/* A small item of some kind, well-formed. */
static void put_any(struct buffer *out, struct fuzz_chance *chance) {
    static const uint8_t fill[64] = "A1-";
    size_t size = fuzz_below(chance, 4) == 0 ? 32 : fuzz_below(chance, sizeof fill);
    switch (fuzz_below(chance, 9)) {
    case 0:
        canon_put_bytes(out, slice_of(fill, size));
        break;
    case 1:
        put_head(out, 3, size % 4);
        buffer_append(out, fill, size % 4);
        break;
    case 2:
        canon_put_array(out, 0);
        break;
    case 3:
        canon_put_map(out, 0);
        break;
    case 4:
        canon_put_bool(out, fuzz_below(chance, 2) == 1);
        break;
    case 5:
        canon_put_null(out);
        break;
    case 6:
        put_head(out, 1, edge(chance));
        break;
    default:
        canon_put_uint(out, edge(chance));
        break;
    }
}

/* ---- changes ---- */

static void mutate_inside(struct buffer *buffer, struct fuzz_chance *chance, unsigned depth);

/* The contents of a string change, and its head with them. */
static void change_string(struct buffer *buffer, const struct item *item,
                          struct fuzz_chance *chance, unsigned depth) {
    struct buffer string, whole;
    buffer_init(&string);
    buffer_init(&whole);
    buffer_append(&string, buffer->data + item->head, item->end - item->head);
    if (item->major == 2 && string.size > 4 && depth < INSIDE_DEPTH_MAX &&
        fuzz_below(chance, 3) > 0) {
        mutate_inside(&string, chance, depth + 1);
    } else if (buffer_reserve(&string, STRING_MAX)) {
        size_t max = fuzz_below(chance, 2) == 0 ? string.size : string.size + 64;
        string.size = max == 0 ? 0 : LLVMFuzzerMutate(string.data, string.size, max);
    }
    put_head(&whole, item->major, string.size);
    buffer_append_slice(&whole, buffer_slice(&string));
    fuzz_splice(buffer, item->start, item->end - item->start, buffer_slice(&whole));
    buffer_release(&string);
    buffer_release(&whole);
}

/* One element more (a copy) or less in the array or map around the item. */
static void change_count(struct buffer *buffer, const struct walk *walk, const struct item *item,
                         bool more) {
    const struct item *parent = &walk->item[item->parent];
    struct buffer head, copy;
    if (parent->major != 4 || (!more && parent->argument == 0)) {
        return;
    }
    buffer_init(&head);
    buffer_init(&copy);
    put_head(&head, parent->major, more ? parent->argument + 1 : parent->argument - 1);
    buffer_append(&copy, buffer->data + item->start, item->end - item->start);
    fuzz_splice(buffer, item->start, more ? 0 : copy.size,
                more ? buffer_slice(&copy) : slice_of(NULL, 0));
    fuzz_splice(buffer, parent->start, parent->head - parent->start, buffer_slice(&head));
    buffer_release(&head);
    buffer_release(&copy);
}

/* The last pair of a map goes: its keys stay in order. */
static void drop_pair(struct buffer *buffer, const struct walk *walk, int map) {
    size_t last = 0;
    uint64_t children = 0;
    struct buffer head;
    for (int i = map + 1; i < walk->count; i++) {
        if (walk->item[i].parent == map && children++ % 2 == 0) {
            last = walk->item[i].start;
        }
    }
    if (children < 2) {
        return;
    }
    buffer_init(&head);
    put_head(&head, 5, walk->item[map].argument - 1);
    fuzz_splice(buffer, last, walk->item[map].end - last, slice_of(NULL, 0));
    fuzz_splice(buffer, walk->item[map].start, walk->item[map].head - walk->item[map].start,
                buffer_slice(&head));
    buffer_release(&head);
}

/* A pair with a key behind all others is added. */
static void add_pair(struct buffer *buffer, const struct walk *walk, int map,
                     struct fuzz_chance *chance) {
    struct buffer head, pair;
    buffer_init(&head);
    buffer_init(&pair);
    put_head(&head, 5, walk->item[map].argument + 1);
    canon_put_text(&pair, slice_text("zz"));
    put_any(&pair, chance);
    fuzz_splice(buffer, walk->item[map].end, 0, buffer_slice(&pair));
    fuzz_splice(buffer, walk->item[map].start, walk->item[map].head - walk->item[map].start,
                buffer_slice(&head));
    buffer_release(&head);
    buffer_release(&pair);
}

static void copy_over(struct buffer *buffer, const struct item *from, const struct item *to) {
    struct buffer copy;
    buffer_init(&copy);
    buffer_append(&copy, buffer->data + from->start, from->end - from->start);
    fuzz_splice(buffer, to->start, to->end - to->start, buffer_slice(&copy));
    buffer_release(&copy);
}

static void replace(struct buffer *buffer, const struct item *item, struct fuzz_chance *chance) {
    struct buffer value;
    buffer_init(&value);
    if (item->major <= 1 && fuzz_below(chance, 4) > 0) {
        uint64_t near = item->argument + fuzz_below(chance, 3) - 1;
        canon_put_uint(&value, fuzz_below(chance, 2) == 0 ? near : edge(chance));
    } else {
        put_any(&value, chance);
    }
    fuzz_splice(buffer, item->start, item->end - item->start, buffer_slice(&value));
    buffer_release(&value);
}

static void mutate_bytes(struct buffer *buffer) {
    if (buffer_reserve(buffer, 64)) {
        buffer->size = LLVMFuzzerMutate(buffer->data, buffer->size, buffer->size + 64);
    }
}

static void mutate_inside(struct buffer *buffer, struct fuzz_chance *chance, unsigned depth) {
    struct walk walk;
    walk_all(&walk, buffer_slice(buffer));
    if (walk.count == 0) {
        mutate_bytes(buffer);
        return;
    }
    int index = (int)fuzz_below(chance, (uint32_t)walk.count);
    const struct item *item = &walk.item[index];
    bool string = item->major == 2 || item->major == 3;
    switch (fuzz_below(chance, 8)) {
    case 0:
        copy_over(buffer, &walk.item[fuzz_below(chance, (uint32_t)walk.count)], item);
        break;
    case 1:
    case 2:
        if (item->parent >= 0) {
            change_count(buffer, &walk, item, fuzz_below(chance, 2) == 0);
            break;
        }
        replace(buffer, item, chance);
        break;
    case 3:
        if (item->major == 5 && fuzz_below(chance, 2) == 0) {
            drop_pair(buffer, &walk, index);
            break;
        }
        if (item->major == 5) {
            add_pair(buffer, &walk, index, chance);
            break;
        }
        replace(buffer, item, chance);
        break;
    default:
        if (string) {
            change_string(buffer, item, chance, depth);
        } else {
            replace(buffer, item, chance);
        }
        break;
    }
}

void fuzz_mutate_cbor(struct buffer *buffer, struct fuzz_chance *chance) {
    mutate_inside(buffer, chance, 0);
}
