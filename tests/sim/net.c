/* net.c: see net.h. */
#include "tests/sim/net.h"

#include <stdlib.h>
#include <string.h>

#include "tests/sim/fleet.h"

static void *must(void *memory) {
    if (memory == NULL) {
        fleet_fail("memory", "no memory");
    }
    return memory;
}

void net_new(struct net *net, uint64_t seed, size_t count) {
    static const uint64_t losses[] = {0, 2, 10, 20};
    static const int64_t spreads[] = {2, 20, 100};
    memset(net, 0, sizeof(*net));
    net->dice.state = seed;
    net->count = count;
    net->dialled = must(calloc(count * count, sizeof(bool)));
    net->blocked = must(calloc(count * count, sizeof(bool)));
    net->never = must(calloc(count * count, sizeof(bool)));
    net->arrives = must(calloc(count * count, sizeof(int64_t)));
    net->loss = losses[dice_below(&net->dice, 4)];
    net->doubling = dice_below(&net->dice, 6);
    net->delay = 1 + (int64_t)dice_below(&net->dice, 5);
    net->spread = spreads[dice_below(&net->dice, 3)];
}

void net_free(struct net *net) {
    for (size_t i = 0; i < net->heap_count; i++) {
        free(net->heap[i].bytes);
        free(net->heap[i].order);
    }
    free(net->heap);
    free(net->dialled);
    free(net->blocked);
    free(net->never);
    free(net->arrives);
}

/* ---- time ---- */

static bool is_before(const struct happening *a, const struct happening *b) {
    return a->when != b->when ? a->when < b->when : a->serial < b->serial;
}

static void swap(struct happening *a, struct happening *b) {
    struct happening kept = *a;
    *a = *b;
    *b = kept;
}

void net_plan(struct net *net, int64_t when, const struct happening *happening) {
    if (net->heap_count == net->heap_capacity) {
        net->heap_capacity = net->heap_capacity == 0 ? 1024 : net->heap_capacity * 2;
        net->heap = must(realloc(net->heap, net->heap_capacity * sizeof(*net->heap)));
    }
    size_t at = net->heap_count++;
    net->heap[at] = *happening;
    net->heap[at].when = when < net->now ? net->now : when;
    net->heap[at].serial = ++net->serial;
    for (; at > 0 && is_before(&net->heap[at], &net->heap[(at - 1) / 2]); at = (at - 1) / 2) {
        swap(&net->heap[at], &net->heap[(at - 1) / 2]);
    }
}

bool net_next(struct net *net, int64_t until, struct happening *happening) {
    if (net->heap_count == 0 || net->heap[0].when >= until) {
        net->now = until;
        return false;
    }
    *happening = net->heap[0];
    net->now = happening->when;
    net->heap[0] = net->heap[--net->heap_count];
    for (size_t at = 0;;) {
        size_t least = at;
        for (size_t child = 2 * at + 1; child <= 2 * at + 2; child++) {
            if (child < net->heap_count && is_before(&net->heap[child], &net->heap[least])) {
                least = child;
            }
        }
        if (least == at) {
            return true;
        }
        swap(&net->heap[at], &net->heap[least]);
        at = least;
    }
}

/* ---- messages ---- */

bool net_is_linked(const struct net *net, size_t a, size_t b) {
    return net->dialled[a * net->count + b] || net->dialled[b * net->count + a];
}

bool net_is_open(const struct net *net, size_t from, size_t to) {
    return !net->blocked[from * net->count + to] && !net->never[from * net->count + to];
}

static void plan_arrival(struct net *net, size_t from, size_t to, const uint8_t *bytes,
                         size_t size) {
    struct happening arrival = {
        .kind = HAPPENS_MESSAGE, .at = to, .from = from, .bytes = must(malloc(size)), .size = size};
    int64_t late = net->delay + (int64_t)dice_below(&net->dice, (uint64_t)net->spread);
    if (dice_percent(&net->dice, 1)) {
        late *= 10;
    }
    memcpy(arrival.bytes, bytes, size);
    int64_t when = net->now + late;
    int64_t *last = &net->arrives[from * net->count + to];
    if (net->in_order && when < *last) {
        when = *last;
    }
    *last = when;
    net_plan(net, when, &arrival);
}

void net_send(struct net *net, size_t from, size_t to, const uint8_t *bytes, size_t size) {
    net->by_kind[bytes[1] & 7]++; /* [kind, ...]: the kind is the second byte */
    if (!net_is_linked(net, from, to) || net->never[from * net->count + to]) {
        net->out_of_reach++;
    } else if (net->blocked[from * net->count + to]) {
        net->cut_off++;
        net->cut_one_way += !net->blocked[to * net->count + from];
    } else if (dice_percent(&net->dice, net->loss)) {
        net->lost++;
    } else {
        net->delivered++;
        plan_arrival(net, from, to, bytes, size);
        if (dice_percent(&net->dice, net->doubling)) {
            net->doubled++;
            plan_arrival(net, from, to, bytes, size);
        }
    }
}

void net_cut(struct net *net, const bool *inside, bool one_way) {
    for (size_t i = 0; i < net->count; i++) {
        for (size_t j = 0; j < net->count; j++) {
            if (inside[i] && !inside[j]) {
                net->blocked[i * net->count + j] = true;
                net->blocked[j * net->count + i] = !one_way;
            }
        }
    }
}

void net_heal(struct net *net) {
    memset(net->blocked, 0, net->count * net->count * sizeof(bool));
}
