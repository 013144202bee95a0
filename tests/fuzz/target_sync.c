/*
 * target_sync.c: a station in the midst of peers that may do anything: a real sync machine over a
 * real ledger, and a script (script.h) of what comes. Peers whose keys are the event's own can say
 * hello and sign; the stranger cannot.
 *
 * What must hold: no step fails; nobody hears a byte who is not known, and no stolen station once
 * that is known; every message that goes out is of the form; memory stays bounded; the machine
 * never asks to be woken again and again at one instant; all that the ledger holds was signed
 * here; and the ledger verifies at the end.
 */
#include "tests/fuzz/event.h"
#include "tests/fuzz/script.h"

#include "common/canon.h"
#include "common/sync_message.h"

#include <stdlib.h>
#include <string.h>

enum {
    ACTS_MAX = 120,
    MADE_MAX = 64,
    WANTS_MAX = 8,
    SPINS_MAX = 8,
    /* What its peers may make it remember (sync.h: logs and heads of a peer), orders of a step,
     * and what it has anyway. */
    PEER_MEMORY_MAX = 5 * 1024 * 1024 / 2,
    MEMORY_MAX = PEER_COUNT * PEER_MEMORY_MAX + 2 * 4 * 1024 * 1024 + 8 * 1024 * 1024,
};

struct peer {
    struct station_keys keys;
    uint64_t nonce, theirs; /* its own, and the station's as it heard it */
    bool heard;
    bool up, proved, known;              /* known: the ledger named it as admitted at some time */
    bool barred;                         /* known as stolen before this step */
    struct sync_message want[WANTS_MAX]; /* what the station asked it; points are copied in it */
    size_t want_count;
    uint8_t part; /* of the answer to the first of them */
};

struct made {
    size_t author;
    struct record_id id;
    struct buffer raw;
};
struct tail { /* where an author's log goes on */
    struct log_id log;
    struct record_id head, before;
    uint64_t number;
};

struct order {
    struct sync_event event;
    struct slice *record;
    size_t count;
};

struct scene {
    struct ledger *ledger, *all;
    struct sync *sync;
    struct pairs_author author;
    struct mono_ms now;
    struct peer peer[PEER_COUNT];
    struct tail tail[AUTHOR_ROOT + 1];
    struct made made[MADE_MAX];
    size_t made_count;
    struct order *order;
    size_t order_count, order_capacity;
    unsigned incarnations;
    const uint8_t *tamper; /* place and mask, or NULL */
};

/* ---- orders ---- */

static size_t peer_of(const struct scene *scene, const struct curve_public *curve) {
    for (size_t i = 0; i < PEER_COUNT; i++) {
        if (ID_EQUAL(scene->peer[i].keys.curve_public, *curve)) {
            return i;
        }
    }
    return PEER_COUNT;
}

static void look_at_ledger(struct scene *scene) {
    struct pairs_station station;
    struct error err;
    for (size_t i = 0; i < PEER_COUNT; i++) {
        struct peer *peer = &scene->peer[i];
        peer->known = peer->known || pairs_station_by_curve(scene->ledger, &peer->keys.curve_public,
                                                            &station, &err) == ERR_OK;
        peer->barred =
            pairs_station(scene->ledger, &peer->keys.sign_public, &station, &err) == ERR_OK &&
            station.stolen;
    }
}

static void on_send(struct scene *scene, const struct sync_order *order) {
    struct sync_message message;
    size_t at = peer_of(scene, &order->peer);
    FUZZ_CHECK(at < PEER_COUNT && at != PEER_STRANGER, "%zu bytes for a stranger",
               order->bytes.size);
    struct peer *peer = &scene->peer[at];
    FUZZ_CHECK(peer->up || peer->proved || peer->known, "bytes for unknown peer %zu", at);
    FUZZ_CHECK(!peer->barred, "bytes for a stolen station");
    FUZZ_CHECK(order->bytes.size <= SYNC_MESSAGE_MAX, "%zu bytes", order->bytes.size);
    FUZZ_CHECK(sync_message_read(order->bytes, &message), "a message out of form");
    peer->theirs = message.from;
    peer->heard = true;
    if (message.kind == SYNC_MESSAGE_WANT && peer->want_count < WANTS_MAX) {
        peer->want[peer->want_count++] = message;
    }
}

static struct slice copy(struct slice bytes) {
    uint8_t *data = malloc(bytes.size);
    FUZZ_CHECK(data != NULL, "out of memory");
    memcpy(data, bytes.data, bytes.size);
    return slice_of(data, bytes.size);
}

static void on_store(struct scene *scene, const struct sync_order *order) {
    FUZZ_CHECK(order->record_count > 0, "a STORE of nothing");
    if (scene->order_count == scene->order_capacity) {
        scene->order_capacity = scene->order_capacity * 2 + 16;
        scene->order = realloc(scene->order, scene->order_capacity * sizeof *scene->order);
    }
    struct slice *record = calloc(order->record_count, sizeof *record);
    FUZZ_CHECK(scene->order != NULL && record != NULL, "out of memory");
    for (size_t i = 0; i < order->record_count; i++) {
        record[i] = copy(order->records[i]);
    }
    scene->order[scene->order_count++] =
        (struct order){.event = {.kind = SYNC_STORED, .peer = order->peer, .log = order->log},
                       .record = record,
                       .count = order->record_count};
}

static void on_order(struct scene *scene, const struct sync_order *order) {
    switch (order->kind) {
    case SYNC_SEND:
        on_send(scene, order);
        break;
    case SYNC_STORE:
        on_store(scene, order);
        break;
    case SYNC_ALARM:
        FUZZ_CHECK(order->alarm->say[0] != '\0', "an alarm without words");
        break;
    case SYNC_ROAD:
        FUZZ_CHECK(sync_message_is_address(slice_text(order->address)), "%s", order->address);
        break;
    }
}

/* ---- steps ---- */

static void step_once(struct scene *scene, struct sync_event event) {
    struct error err;
    event.now = scene->now;
    event.wall.ms = 1800000000000 + scene->now.ms;
    fuzz_must(sync_step(scene->sync, &event, &err), &err);
    for (const struct sync_order *order; (order = sync_next(scene->sync)) != NULL;) {
        on_order(scene, order);
    }
    look_at_ledger(scene);
    FUZZ_CHECK(sync_counts(scene->sync).memory <= MEMORY_MAX, "%zu bytes of memory",
               sync_counts(scene->sync).memory);
}

/* A step, and ticks for as long as the machine wants one at this very instant. */
static void step(struct scene *scene, struct sync_event event) {
    int spins = 0;
    step_once(scene, event);
    while (sync_deadline(scene->sync).ms <= scene->now.ms) {
        FUZZ_CHECK(spins++ < SPINS_MAX, "it spins");
        step_once(scene, (struct sync_event){.kind = SYNC_TICK});
    }
}

static void tampered(const struct scene *scene, uint8_t *bytes, size_t size) {
    if (scene->tamper != NULL && size > 0) {
        bytes[(size_t)(scene->tamper[0] | scene->tamper[1] << 8) % size] ^= scene->tamper[2];
    }
}

static void deliver(struct scene *scene, size_t from, struct slice bytes) {
    struct slice sent = copy(bytes);
    tampered(scene, (uint8_t *)(uintptr_t)sent.data, sent.size);
    step(scene, (struct sync_event){.kind = SYNC_MESSAGE,
                                    .peer = scene->peer[from].keys.curve_public,
                                    .message = sent});
    free((void *)(uintptr_t)sent.data);
}

static void say(struct scene *scene, size_t from, const struct sync_message *message) {
    struct buffer bytes;
    buffer_init(&bytes);
    sync_message_write(message, &bytes);
    if (bytes.size <= SYNC_MESSAGE_MAX) {
        deliver(scene, from, buffer_slice(&bytes));
    }
    buffer_release(&bytes);
}

static struct sync_message compose(const struct scene *scene, size_t from,
                                   enum sync_message_kind kind) {
    return (struct sync_message){.kind = kind,
                                 .from = scene->peer[from].nonce,
                                 .to = scene->peer[from].theirs,
                                 .wall = {1800000000000}};
}

/* ---- what peers say ---- */

static void act_hello(struct scene *scene, size_t from, uint8_t how) {
    struct peer *peer = &scene->peer[from];
    const struct world *world = &fuzz_event()->world;
    struct buffer proof;
    struct error err;
    buffer_init(&proof);
    peer->nonce += how & HELLO_ANEW ? 256 : 0;
    struct sync_message hello = compose(scene, from, SYNC_MESSAGE_HELLO);
    hello.version = how & HELLO_VERSION ? SYNC_VERSION + 1 : SYNC_VERSION;
    hello.has_to = peer->heard && !(how & HELLO_FORGETS);
    hello.event = world->event.event;
    hello.event.bytes[0] ^= how & HELLO_FOREIGN ? 1 : 0;
    hello.key = how & HELLO_KEY ? world->root.sign_public : peer->keys.sign_public;
    hello.port = 7117;
    hello.log = scene->tail[from].log;
    hello.log.bytes[0] ^= how & HELLO_LOG ? 1 : 0;
    if (how & HELLO_PROOF) { /* the stranger shows that of another station */
        hello.key = from == PEER_STRANGER ? scene->peer[EVENT_LATE].keys.sign_public : hello.key;
        const struct sign_public *key =
            from == PEER_STRANGER ? &hello.key : &peer->keys.sign_public;
        fuzz_must(pairs_admit_proof(scene->all, key, &proof, &err), &err);
        peer->proved = from != PEER_STRANGER;
    }
    hello.proof = buffer_slice(&proof);
    say(scene, from, &hello);
    buffer_release(&proof);
}

static void put_head(const struct scene *scene, size_t index, struct sync_message *have,
                     struct buffer *list) {
    size_t total = 0;
    const struct ledger_head *head = ledger_heads(scene->all, &total);
    size_t at = index % total, count = 0;
    (void)ledger_heads_of(scene->all, &head[at].log, &count);
    /* With an odd count of indices used so far, all heads of the log; else this one. */
    bool whole = have->list_count % 2 == 1 && at + count <= total &&
                 ID_EQUAL(head[at + count - 1].log, head[at].log);
    sync_message_put_log(&head[at], whole ? count : 1, list);
    have->list_count++;
}

static void act_have(struct scene *scene, size_t from, struct fuzz_input *input) {
    struct sync_message have = compose(scene, from, SYNC_MESSAGE_HAVE);
    struct buffer list;
    size_t total = 0;
    buffer_init(&list);
    (void)ledger_heads(scene->all, &total);
    size_t count = input->left == 0 ? total : input->left;
    for (size_t i = 0; i < count; i++) {
        put_head(scene, input->left == 0 ? i : fuzz_u8(input), &have, &list);
    }
    have.list = buffer_slice(&list);
    say(scene, from, &have);
    buffer_release(&list);
}

static void act_many(struct scene *scene, size_t from, struct fuzz_input *input) {
    struct sync_message have = compose(scene, from, SYNC_MESSAGE_HAVE);
    struct buffer list;
    unsigned count = fuzz_u16(input) % 1400, first = fuzz_u16(input);
    buffer_init(&list);
    for (unsigned i = 0; i < count; i++) {
        struct ledger_head head = {.number = 1 + i % 7};
        unsigned name = first + i;
        memcpy(head.log.bytes, &name, sizeof name);
        memcpy(head.id.bytes, &name, sizeof name);
        sync_message_put_log(&head, 1, &list);
        have.list_count++;
    }
    have.list = buffer_slice(&list);
    say(scene, from, &have);
    buffer_release(&list);
}

static void act_want(struct scene *scene, size_t from, struct fuzz_input *input) {
    struct sync_message want = compose(scene, from, SYNC_MESSAGE_WANT);
    size_t total = 0;
    const struct ledger_head *head = ledger_heads(scene->ledger, &total);
    const struct ledger_head *wanted = &head[fuzz_u8(input) % total];
    want.log = wanted->log;
    memcpy(want.target, wanted->id.bytes, sizeof want.target);
    size_t points = fuzz_u8(input) % 4;
    want.credit = (uint64_t)fuzz_u16(input) * 16;
    for (size_t i = 0; i < points; i++) {
        const struct ledger_head *point = &head[fuzz_u8(input) % total];
        want.point[want.point_count].number = point->number;
        memcpy(want.point[want.point_count++].id, point->id.bytes, 16);
    }
    say(scene, from, &want);
}

/* The records between what the station said that it holds and what it asked for, as the peer has
 * them; then those that were made here for that log. */
static size_t answer(struct scene *scene, const struct sync_message *want, struct buffer *records) {
    struct error err;
    size_t count = 0;
    bool more = false;
    enum error_code code = ledger_read_run(scene->all, &want->log, want->target, want->point,
                                           want->point_count, 60000, records, &count, &more, &err);
    if (code == ERR_OK) {
        return count;
    }
    for (size_t i = 0; i < scene->made_count; i++) {
        const struct made *made = &scene->made[i];
        if (ID_EQUAL(scene->tail[made->author].log, want->log)) {
            buffer_append_slice(records, buffer_slice(&made->raw));
            count++;
        }
    }
    return count;
}

/* Puts up to `most` of the records (0: all) into a batch. */
static void fill_batch(struct slice records, size_t count, uint8_t most, struct buffer *list,
                       struct sync_message *batch) {
    for (size_t i = 0; i < count && (most == 0 || i < most); i++) {
        bool whole = false;
        size_t size = record_size_at(records, &whole);
        if (size == 0) {
            break;
        }
        canon_put_bytes(list, slice_of(records.data, size));
        records = slice_of(records.data + size, records.size - size);
        batch->list_count++;
    }
    batch->list = buffer_slice(list);
}

/* The first want has been answered. */
static void next_want(struct peer *peer) {
    peer->want_count -= peer->want_count > 0;
    peer->part = 0;
    memmove(peer->want, peer->want + 1, peer->want_count * sizeof peer->want[0]);
}

static void act_batch(struct scene *scene, size_t from, struct fuzz_input *input) {
    struct peer *peer = &scene->peer[from];
    struct sync_message batch = compose(scene, from, SYNC_MESSAGE_BATCH);
    uint8_t how = fuzz_u8(input), most = fuzz_u8(input);
    struct buffer records, list;
    buffer_init(&records);
    buffer_init(&list);
    batch.log = peer->want[0].log;
    memcpy(batch.target, peer->want[0].target, sizeof batch.target);
    batch.part = peer->part;
    size_t count =
        peer->want_count > 0 && !(how & BATCH_EMPTY) ? answer(scene, &peer->want[0], &records) : 0;
    fill_batch(buffer_slice(&records), count, most, &list, &batch);
    bool more = batch.list_count > 0 && how & BATCH_MORE;
    batch.more = more                                        ? SYNC_MESSAGE_FOLLOWS
                 : batch.list_count > 0 && (how & BATCH_ASK) ? SYNC_MESSAGE_ASK
                                                             : SYNC_MESSAGE_DONE;
    if (more) {
        peer->part = (uint8_t)((peer->part + 1) % SYNC_MESSAGE_PARTS_MAX);
    } else {
        next_want(peer);
    }
    say(scene, from, &batch);
    buffer_release(&records);
    buffer_release(&list);
}

static void act_push(struct scene *scene, size_t from, struct fuzz_input *input) {
    const struct fuzz_event *event = fuzz_event();
    struct sync_message push = compose(scene, from, SYNC_MESSAGE_PUSH);
    size_t first = fuzz_u16(input) % event->count, most = fuzz_u8(input) % 16 + 1U;
    struct record record;
    struct buffer list;
    struct error err;
    buffer_init(&list);
    fuzz_must(record_decode(event->record[first], &record, &err), &err);
    push.log = record.log;
    for (size_t i = first; i < event->count && push.list_count < most; i++) {
        canon_put_bytes(&list, event->record[i]);
        push.list_count++;
    }
    push.list = buffer_slice(&list);
    say(scene, from, &push);
    buffer_release(&list);
}

static void act_beat(struct scene *scene, size_t from, bool same) {
    struct sync_message beat = compose(scene, from, SYNC_MESSAGE_BEAT);
    beat.hash = ledger_heads_hash(same ? scene->ledger : scene->all);
    say(scene, from, &beat);
}

static void act_roads(struct scene *scene, size_t from, struct fuzz_input *input) {
    struct sync_message roads = compose(scene, from, SYNC_MESSAGE_ROADS);
    struct sync_message_road road = {
        .curve = scene->peer[fuzz_u8(input) % PEER_COUNT].keys.curve_public};
    struct slice text = fuzz_take(input, SYNC_ADDRESS_MAX);
    struct buffer list;
    buffer_init(&list);
    memcpy(road.address, text.size > 0 ? text.data : (const uint8_t *)"", text.size);
    sync_message_put_road(&road, &list);
    roads.list_count = 1;
    roads.list = buffer_slice(&list);
    say(scene, from, &roads);
    buffer_release(&list);
}

/* ---- records that peers make ---- */

static const struct station_keys *author_keys(const struct scene *scene, size_t author) {
    return author == AUTHOR_ROOT ? &fuzz_event()->world.root : &scene->peer[author].keys;
}

/* A record of the event, or one that was made. */
static struct record_id some_id(const struct scene *scene, uint16_t which) {
    const struct fuzz_event *event = fuzz_event();
    if (which >= 0x8000 && scene->made_count > 0) {
        return scene->made[which % scene->made_count].id;
    }
    return identity_record(event->record[which % event->count]);
}

static void put_issue(const struct scene *scene, struct fuzz_input *input, struct buffer *body) {
    struct record_issue issue = {.tag_count = 1, .how = ISSUE_SCAN, .tag[0].epc.size = 12};
    uint8_t number = fuzz_u8(input), tag = fuzz_u8(input), names = fuzz_u8(input);
    issue.bib.text[0] = (char)('1' + number % 9);
    issue.bib.text[1] = number >= 128 ? '0' : '\0';
    issue.tag[0].epc.data[11] = tag;
    if (tag % 2 == 1) {
        issue.tag[0].tid.size = 12;
        issue.tag[0].tid.data[0] = 0xE2;
        issue.tag[0].tid.data[11] = tag;
    }
    for (; names % 4 > issue.replaces_count;) {
        issue.replaces[issue.replaces_count++] = some_id(scene, fuzz_u16(input));
    }
    for (; names / 4 % 4 > (int)issue.extra_count;) {
        issue.extra[issue.extra_count++] = some_id(scene, fuzz_u16(input));
    }
    record_issue_write(&issue, body);
}

static void put_void(const struct scene *scene, struct fuzz_input *input, struct buffer *body) {
    struct record_void v = {.chip = CHIP_LOST};
    size_t count = fuzz_u8(input) % 8 + 1U;
    while (v.target_count < count) {
        v.target[v.target_count++] = some_id(scene, fuzz_u16(input));
    }
    record_void_write(&v, body);
}

static void put_admit(const struct scene *scene, struct fuzz_input *input, struct buffer *body) {
    /* Never the stranger: whether it hears anything is what is checked. */
    const struct station_keys *keys = &scene->peer[fuzz_u8(input) % PEER_STRANGER].keys;
    struct record_admit admit = {.key = keys->sign_public,
                                 .curve = keys->curve_public,
                                 .name = slice_text("Table X"),
                                 .role = (enum role)(1 + fuzz_u8(input) % 3)};
    record_admit_write(&admit, body);
}

static void put_retire(const struct scene *scene, struct fuzz_input *input, struct buffer *body) {
    size_t whom = fuzz_u8(input) % PEER_COUNT;
    struct record_retire retire = {.key = scene->peer[whom].keys.sign_public,
                                   .how = fuzz_u8(input) % 2 ? RETIRE_DEAD : RETIRE_STOLEN};
    size_t count = fuzz_u8(input) % 4;
    while (retire.cutoff_count < count) {
        struct record_head *head = &retire.cutoff[retire.cutoff_count++];
        head->log = scene->tail[whom].log;
        head->number = 1 + fuzz_u8(input);
        head->id = some_id(scene, fuzz_u16(input));
    }
    record_retire_write(&retire, body);
}

static void put_allot(const struct scene *scene, struct fuzz_input *input, struct buffer *body) {
    struct record_allot allot = {.key = scene->peer[fuzz_u8(input) % PEER_COUNT].keys.sign_public,
                                 .bibs.count = 1};
    struct bib_range *range = &allot.bibs.range[0];
    range->first = fuzz_u8(input);
    uint8_t wide = fuzz_u8(input);
    range->last = range->first + (wide < 64 ? (UINT64_C(1) << wide) - 1 : wide);
    range->last = range->last < range->first ? UINT64_MAX : range->last;
    record_allot_write(&allot, body);
}

static void put_open(const struct scene *scene, size_t author, struct fuzz_input *input,
                     struct buffer *body) {
    struct record_open open = {.key = author_keys(scene, author)->sign_public,
                               .incarnation = {{fuzz_u8(input), (uint8_t)author, 9}}};
    open.has_follows = fuzz_u8(input) % 2 == 1;
    open.follows = (struct record_head){scene->tail[author].log, scene->tail[author].number,
                                        scene->tail[author].head};
    record_open_write(&open, body);
}

static void put_body(const struct scene *scene, size_t author, uint64_t kind, bool raw,
                     struct fuzz_input *input, struct buffer *body) {
    if (raw) {
        buffer_append_slice(body, fuzz_rest(input));
    } else if (kind == RECORD_ISSUE) {
        put_issue(scene, input, body);
    } else if (kind == RECORD_VOID) {
        put_void(scene, input, body);
    } else if (kind == RECORD_ADMIT) {
        put_admit(scene, input, body);
    } else if (kind == RECORD_RETIRE) {
        put_retire(scene, input, body);
    } else if (kind == RECORD_ALLOT) {
        put_allot(scene, input, body);
    } else if (kind == RECORD_OPEN) {
        put_open(scene, author, input, body);
    } else {
        canon_put_map(body, 1);
        canon_put_uint(body, 1);
        canon_put_uint(body, fuzz_u8(input));
    }
}

static size_t put_seen(const struct scene *scene, struct fuzz_input *input,
                       struct record_seen *seen) {
    size_t count = fuzz_u8(input) % 4;
    for (size_t i = 0; i < count; i++) {
        struct record record;
        struct error err;
        const struct fuzz_event *event = fuzz_event();
        struct slice raw = event->record[fuzz_u16(input) % event->count];
        struct record_id id = identity_record(raw);
        (void)scene;
        fuzz_must(record_decode(raw, &record, &err), &err);
        seen[i].number = record.number;
        memcpy(seen[i].id, id.bytes, sizeof seen[i].id);
    }
    return count;
}

/* The fields of the next record of an author: going on, forking, leaving one out, or opening. */
static struct record next_record(struct scene *scene, size_t author, uint64_t kind, uint8_t how,
                                 struct slice body) {
    struct tail *tail = &scene->tail[author];
    struct record record = {.log = tail->log, .kind = kind, .body = body, .wall = {1800000000000}};
    struct record_open open;
    if (kind == RECORD_OPEN && record_open_read(body, &open)) {
        tail->log = identity_log(&open.key, &open.incarnation);
        tail->number = 0;
        record.log = tail->log;
    }
    bool fork = how & MADE_FORK && tail->number > 1;
    record.number = tail->number + (fork ? 0 : 1) + (how & MADE_GAP ? 1 : 0);
    record.has_previous = record.number > 1;
    record.previous = fork ? tail->before : tail->head;
    return record;
}

static bool sign_record(const struct scene *scene, size_t author, const struct record *record,
                        const struct record_seen *seen, size_t count, struct buffer *out) {
    const struct station_keys *keys = author_keys(scene, author);
    struct record made;
    struct error err;
    struct buffer raw, payload;
    buffer_init(&raw);
    buffer_init(&payload);
    bool good = record_encode(record, seen, count, &fuzz_event()->world.event.event,
                              &keys->sign_secret, &raw, &err) == ERR_OK &&
                record_decode(buffer_slice(&raw), &made, &err) == ERR_OK;
    if (good) {
        buffer_append_slice(&payload, made.payload);
        tampered(scene, payload.data, payload.size);
        fuzz_sign(buffer_slice(&payload), keys, out);
    }
    buffer_release(&raw);
    buffer_release(&payload);
    return good;
}

static void announce(struct scene *scene, size_t from, const struct tail *tail) {
    struct sync_message have = compose(scene, from, SYNC_MESSAGE_HAVE);
    struct ledger_head head = {.log = tail->log, .number = tail->number, .id = tail->head};
    struct buffer list;
    buffer_init(&list);
    sync_message_put_log(&head, 1, &list);
    have.list_count = 1;
    have.list = buffer_slice(&list);
    say(scene, from, &have);
    buffer_release(&list);
}

static void push_made(struct scene *scene, size_t from, const struct made *made) {
    struct sync_message push = compose(scene, from, SYNC_MESSAGE_PUSH);
    struct buffer list;
    buffer_init(&list);
    canon_put_bytes(&list, buffer_slice(&made->raw));
    push.log = scene->tail[made->author].log;
    push.list = buffer_slice(&list);
    push.list_count = 1;
    say(scene, from, &push);
    buffer_release(&list);
}

static bool make_one(struct scene *scene, size_t author, uint64_t kind, uint8_t how,
                     struct fuzz_input *input) {
    struct made *made = &scene->made[scene->made_count];
    struct tail *tail = &scene->tail[author];
    struct record_seen seen[4];
    struct buffer body;
    if (scene->made_count == MADE_MAX) {
        return false;
    }
    buffer_init(&body);
    buffer_init(&made->raw);
    size_t count = how & MADE_SEEN ? put_seen(scene, input, seen) : 0;
    put_body(scene, author, kind, how & MADE_RAW_BODY, input, &body);
    struct record record = next_record(scene, author, kind, how, buffer_slice(&body));
    bool good = sign_record(scene, author, &record, seen, count, &made->raw);
    if (good) {
        made->author = author;
        made->id = identity_record(buffer_slice(&made->raw));
        scene->made_count++;
        tail->before = record.previous;
        tail->head = made->id;
        tail->number = record.number;
    }
    buffer_release(&body);
    return good;
}

static void act_made(struct scene *scene, size_t from, struct fuzz_input *input) {
    static const uint64_t kinds[] = {
        RECORD_ISSUE, RECORD_VOID, RECORD_ADMIT, RECORD_RETIRE, RECORD_ALLOT,
        RECORD_CLOSE, RECORD_OPEN, RECORD_FOUND, RECORD_ISSUE,  77};
    size_t author = fuzz_u8(input) % (AUTHOR_ROOT + 1);
    uint64_t kind = kinds[fuzz_u8(input) % (sizeof kinds / sizeof kinds[0])];
    uint8_t how = fuzz_u8(input);
    struct fuzz_input again = *input;
    if (author == EVENT_SELF) {
        return; /* nobody else has its key */
    }
    for (int i = 0; i < (how & MADE_TEN ? 10 : 1); i++) {
        struct fuzz_input same = again;
        if (!make_one(scene, author, kind, how, &same)) {
            return;
        }
        scene->tamper = NULL; /* it was meant for the payload */
        if (how & MADE_HAVE) {
            announce(scene, from, &scene->tail[author]);
        } else {
            push_made(scene, from, &scene->made[scene->made_count - 1]);
        }
    }
}

/* ---- what happens at the station ---- */

static void store_first(struct scene *scene, bool tried) {
    struct order order = scene->order[0];
    struct pairs_taken taken = {0};
    struct error err;
    scene->order_count--;
    memmove(scene->order, scene->order + 1, scene->order_count * sizeof *scene->order);
    if (tried) {
        fuzz_must(pairs_begin(scene->ledger, &err), &err);
        fuzz_must(pairs_take(scene->ledger, order.record, order.count, &taken, &err), &err);
        fuzz_must(pairs_commit(scene->ledger, &err), &err);
        order.event.taken = &taken;
    }
    for (size_t i = 0; i < order.count; i++) {
        free((void *)(uintptr_t)order.record[i].data);
    }
    free(order.record);
    step(scene, order.event);
}

static void open_again(struct scene *scene) {
    struct incarnation incarnation = {{(uint8_t)++scene->incarnations, EVENT_SELF, 7}};
    const struct station_keys *keys = &scene->peer[EVENT_SELF].keys;
    struct record_head follows = {scene->author.log, scene->author.number, scene->author.head};
    struct error err;
    fuzz_must(pairs_begin(scene->ledger, &err), &err);
    fuzz_must(pairs_author_open(scene->ledger, keys, &incarnation, &follows,
                                (struct wall_ms){1800000000000}, scene->now, &scene->author, &err),
              &err);
    fuzz_must(pairs_commit(scene->ledger, &err), &err);
    sync_log_changed(scene->sync, &scene->author.log);
}

static void act_append(struct scene *scene, uint8_t bib) {
    struct record_issue issue = {.tag_count = 1, .how = ISSUE_TYPED, .tag[0].epc.size = 12};
    struct record_id id;
    struct buffer body;
    struct error err;
    if (pairs_author_forked(scene->ledger, &scene->author)) {
        open_again(scene);
    }
    buffer_init(&body);
    issue.bib.text[0] = (char)('1' + bib % 9);
    issue.tag[0].epc.data[11] = bib;
    record_issue_write(&issue, &body);
    fuzz_must(pairs_begin(scene->ledger, &err), &err);
    fuzz_must(pairs_append(scene->ledger, &scene->author, RECORD_ISSUE, buffer_slice(&body),
                           (struct wall_ms){1800000000000}, scene->now, &id, &err),
              &err);
    fuzz_must(pairs_commit(scene->ledger, &err), &err);
    buffer_release(&body);
    step(scene, (struct sync_event){.kind = SYNC_APPENDED, .log = scene->author.log});
}

static void act_carry(struct scene *scene, uint16_t which) {
    const struct fuzz_event *event = fuzz_event();
    struct record record, earlier;
    struct pairs_taken taken;
    struct error err;
    size_t last = which % event->count, first = last;
    fuzz_must(record_decode(event->record[last], &record, &err), &err);
    while (first > 0 && record_decode(event->record[first - 1], &earlier, &err) == ERR_OK &&
           ID_EQUAL(earlier.log, record.log)) {
        first--;
    }
    fuzz_must(pairs_begin(scene->ledger, &err), &err);
    fuzz_must(pairs_take(scene->ledger, event->record + first, last - first + 1, &taken, &err),
              &err);
    fuzz_must(pairs_commit(scene->ledger, &err), &err);
    step(scene, (struct sync_event){.kind = SYNC_TICK});
}

static void act_reached(struct scene *scene, size_t peer, struct fuzz_input *input) {
    char address[80] = "";
    struct slice text = fuzz_take(input, sizeof address - 1);
    memcpy(address, text.size > 0 ? text.data : (const uint8_t *)"", text.size);
    sync_road(scene->sync, &scene->peer[peer].keys.curve_public, address);
}

static void act_road(struct scene *scene, size_t peer, bool up) {
    if (peer == PEER_STRANGER) {
        return; /* nobody dials a stranger */
    }
    scene->peer[peer].up = scene->peer[peer].up || up;
    step(scene, (struct sync_event){.kind = up ? SYNC_PEER_UP : SYNC_PEER_DOWN,
                                    .peer = scene->peer[peer].keys.curve_public});
}

/* ---- the script ---- */

static void act_at_station(struct scene *scene, uint8_t code, struct fuzz_input *input) {
    uint16_t number = fuzz_u16(input);
    switch (code) {
    case ACT_TICK:
        scene->now.ms += number;
        step(scene, (struct sync_event){.kind = SYNC_TICK});
        break;
    case ACT_STORE:
        for (int i = 0; i < number % 256 && scene->order_count > 0; i++) {
            store_first(scene, number < 256);
        }
        break;
    case ACT_APPEND:
        act_append(scene, (uint8_t)number);
        break;
    default:
        act_carry(scene, number);
        break;
    }
}

static void act_of_peer(struct scene *scene, uint8_t code, struct fuzz_input *input) {
    size_t peer = fuzz_u8(input) % PEER_COUNT;
    switch (code) {
    case ACT_RAW:
        deliver(scene, peer, fuzz_rest(input));
        break;
    case ACT_HELLO:
        act_hello(scene, peer, fuzz_u8(input));
        break;
    case ACT_HAVE:
        act_have(scene, peer, input);
        break;
    case ACT_MANY:
        act_many(scene, peer, input);
        break;
    case ACT_WANT:
        act_want(scene, peer, input);
        break;
    case ACT_BATCH:
        act_batch(scene, peer, input);
        break;
    case ACT_PUSH:
        act_push(scene, peer, input);
        break;
    case ACT_BEAT:
        act_beat(scene, peer, fuzz_u8(input) == 1);
        break;
    case ACT_ROADS:
        act_roads(scene, peer, input);
        break;
    case ACT_MADE:
        act_made(scene, peer, input);
        break;
    case ACT_REACHED:
        act_reached(scene, peer, input);
        break;
    default:
        act_road(scene, peer, code == ACT_UP);
        break;
    }
}

static void act(struct scene *scene, struct fuzz_input *script) {
    uint8_t code = fuzz_u8(script);
    uint16_t length = fuzz_u16(script);
    struct slice bytes = fuzz_take(script, length);
    struct fuzz_input input = {bytes.data, bytes.size};
    scene->tamper = NULL;
    if (code & ACT_TAMPER && bytes.size >= 3) {
        scene->tamper = fuzz_take(&input, 3).data;
    }
    code = (uint8_t)((code & ~ACT_TAMPER) % ACT_COUNT);
    bool at_station =
        code == ACT_TICK || code == ACT_STORE || code == ACT_APPEND || code == ACT_CARRY;
    (at_station ? act_at_station : act_of_peer)(scene, code, &input);
    scene->tamper = NULL;
}

/* ---- beginning and end ---- */

static void begin(struct scene *scene) {
    const struct fuzz_event *event = fuzz_event();
    const struct world *world = &event->world;
    struct error err;
    memset(scene, 0, sizeof *scene);
    scene->now.ms = 1000;
    scene->all = world->station[EVENT_LEAD].ledger;
    scene->ledger = fuzz_ledger(event->early, event->early_count);
    for (size_t i = 0; i < PEER_COUNT; i++) {
        struct peer *peer = &scene->peer[i];
        peer->keys = i == PEER_STRANGER ? event->stranger : world->station[i].keys;
        peer->nonce = 0x1000 + i;
        if (i != PEER_STRANGER) {
            const struct pairs_author *author = &world->station[i].author;
            scene->tail[i] = (struct tail){author->log, author->head, author->head, author->number};
        }
    }
    const struct pairs_author *root = &world->root_author;
    scene->tail[AUTHOR_ROOT] = (struct tail){root->log, root->head, root->head, root->number};
    struct sync_config config = {
        .ledger = scene->ledger, .keys = scene->peer[EVENT_SELF].keys, .seed = {1}, .port = 7000};
    fuzz_must(
        pairs_author_resume(scene->ledger, &config.keys, &event->at_head, &scene->author, &err),
        &err);
    fuzz_must(sync_new(&config, &scene->sync, &err), &err);
    sync_log_changed(scene->sync, &scene->author.log);
    look_at_ledger(scene);
}

/* Every record that is held is one that the event's stations wrote, or that was made and signed in
 * this scene. Own ones carry the station's key, which nobody else has. */
static void check_origin(const struct scene *scene) {
    size_t count = 0;
    struct slice *raw = world_records(scene->ledger, &count);
    for (size_t i = 0; i < count; i++) {
        struct record_id id = identity_record(raw[i]);
        struct record record;
        struct sign_public key;
        struct error err;
        bool known = ledger_holds(scene->all, id.bytes);
        for (size_t j = 0; !known && j < scene->made_count; j++) {
            known = ID_EQUAL(scene->made[j].id, id);
        }
        fuzz_must(record_decode(raw[i], &record, &err), &err);
        known = known || (ledger_log_key(scene->ledger, &record.log, &key) &&
                          ID_EQUAL(key, scene->peer[EVENT_SELF].keys.sign_public));
        FUZZ_CHECK(known, "a record that nobody wrote: number %llu, kind %llu",
                   (unsigned long long)record.number, (unsigned long long)record.kind);
    }
    world_records_free(raw, count);
}

static void end(struct scene *scene) {
    struct error err;
    static struct sync_peer peers[SYNC_PEERS_MAX];
    while (scene->order_count > 0) {
        store_first(scene, true);
    }
    for (int i = 0; i < 20; i++) {
        int64_t wanted = sync_deadline(scene->sync).ms;
        scene->now.ms = wanted < scene->now.ms + 4000 ? wanted : scene->now.ms + 4000;
        step(scene, (struct sync_event){.kind = SYNC_TICK});
    }
    (void)sync_peers(scene->sync, peers, SYNC_PEERS_MAX);
    check_origin(scene);
    fuzz_must(pairs_verify(scene->ledger, false, &err), &err);
    sync_free(scene->sync);
    ledger_close(scene->ledger);
    for (size_t i = 0; i < scene->made_count; i++) {
        buffer_release(&scene->made[i].raw);
    }
    free(scene->order);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    static struct scene scene;
    struct fuzz_input script = {data, size};
    begin(&scene);
    for (int i = 0; i < ACTS_MAX && script.left > 0; i++) {
        act(&scene, &script);
    }
    end(&scene);
    return 0;
}
