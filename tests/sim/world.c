/* world.c: see world.h. */
#include "tests/sim/world.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "common/carry.h"
#include "tests/sim/check.h"
#include "tests/sim/fleet_internal.h"
#include "tests/sim/mangle.h"

/* A STORE order on its way to the disk. */
struct store {
    struct curve_public peer;
    struct log_id log;
    size_t count;
    struct slice record[]; /* and behind them their bytes */
};

bool world_is_up(const struct world *world, size_t at) {
    return world->host[at].sync != NULL;
}

static size_t station_of(const struct world *world, const struct curve_public *curve) {
    for (size_t i = 0; i < world->places; i++) {
        if (ID_EQUAL(world->fleet.station[i].keys.curve_public, *curve)) {
            return i;
        }
    }
    return SIZE_MAX;
}

void world_dial(struct world *world, size_t from, size_t to) {
    bool *dialled = &world->net.dialled[from * world->net.count + to];
    if (from == to || *dialled || !world->fleet.station[to].here) {
        return;
    }
    *dialled = true;
    struct happening up = {.kind = HAPPENS_UP, .at = from, .from = to};
    net_plan(&world->net, world->net.now + 1 + (int64_t)dice_below(&world->net.dice, 500), &up);
}

/* ---- carrying out orders ---- */

static void plan_store(struct world *world, size_t at, const struct sync_order *order) {
    size_t bytes = 0;
    for (size_t i = 0; i < order->record_count; i++) {
        bytes += order->records[i].size;
    }
    struct store *store =
        fleet_must(malloc(sizeof(*store) + order->record_count * sizeof(struct slice) + bytes));
    uint8_t *to = (uint8_t *)&store->record[order->record_count];
    store->peer = order->peer;
    store->log = order->log;
    store->count = order->record_count;
    for (size_t i = 0; i < order->record_count; i++) {
        memcpy(to, order->records[i].data, order->records[i].size);
        store->record[i] = slice_of(to, order->records[i].size);
        to += order->records[i].size;
    }
    struct host *host = &world->host[at];
    struct happening stored = {
        .kind = HAPPENS_STORED, .at = at, .life = host->life, .order = store};
    int64_t busy =
        (int64_t)dice_below(&world->net.dice, dice_percent(&world->net.dice, 2) ? 500 : 10);
    host->store_until =
        (host->store_until > world->net.now ? host->store_until : world->net.now) + busy;
    net_plan(&world->net, host->store_until, &stored);
}

/* To every machine that has this key: a folder may live twice. */
static void send(struct world *world, size_t at, const struct sync_order *order) {
    struct buffer bytes;
    buffer_init(&bytes);
    buffer_append_slice(&bytes, order->bytes);
    if (world->host[at].mangles && mangle(&world->net.dice, &world->poison, &bytes)) {
        world->mangled++;
        world->host[at].mangled = true;
    }
    for (size_t i = 0; i < world->places; i++) {
        if (i != at && bytes.size > 1 &&
            ID_EQUAL(world->fleet.station[i].keys.curve_public, order->peer) &&
            (i < world->fleet.count || world_is_up(world, i))) {
            net_send(&world->net, at, i, bytes.data, bytes.size);
        }
    }
    buffer_release(&bytes);
}

static void take_order(struct world *world, size_t at, const struct sync_order *order) {
    size_t peer = station_of(world, &order->peer);
    switch (order->kind) {
    case SYNC_SEND:
        send(world, at, order);
        break;
    case SYNC_STORE:
        plan_store(world, at, order);
        break;
    case SYNC_ALARM: /* everybody else is honest and of one version */
        world->alarms++;
        if (!world->hostile) {
            fleet_fail("no-alarm", "alarm %s: %s", order->alarm->name, order->alarm->say);
        }
        break;
    case SYNC_ROAD:
        if (peer < world->fleet.count) {
            world_dial(world, at, peer);
        }
        break;
    }
}

static void plan_tick(struct world *world, size_t at) {
    struct host *host = &world->host[at];
    if (host->sync == NULL) {
        return;
    }
    int64_t deadline = sync_deadline(host->sync).ms;
    if (deadline < host->tick_at && deadline < INT64_MAX) {
        struct happening tick = {.kind = HAPPENS_TICK, .at = at, .life = ++host->tick_life};
        host->tick_at = deadline;
        net_plan(&world->net, deadline, &tick);
    }
}

static void step(struct world *world, size_t at, struct sync_event event) {
    struct host *host = &world->host[at];
    struct error err;
    event.now.ms = world->net.now;
    event.wall = fleet_wall(&world->fleet, at, world->net.now);
    enum error_code code = sync_step(host->sync, &event, &err);
    for (const struct sync_order *order; (order = sync_next(host->sync)) != NULL;) {
        take_order(world, at, order);
    }
    plan_tick(world, at);
    (void)world_survives(world, at, code, &err);
}

static struct sync_event peer_event(const struct world *world, enum sync_event_kind kind,
                                    size_t peer) {
    return (struct sync_event){.kind = kind, .peer = world->fleet.station[peer].keys.curve_public};
}

/* ---- machines ---- */

void world_start(struct world *world, size_t at) {
    struct fleet_station *station = &world->fleet.station[at];
    struct host *host = &world->host[at];
    struct sync_config config = {
        .ledger = station->ledger, .keys = station->keys, .port = (uint16_t)(7000 + at)};
    struct error err;
    for (size_t i = 0; i < sizeof(config.seed); i++) {
        config.seed[i] = (uint8_t)dice_roll(&world->net.dice);
    }
    enum error_code code = sync_new(&config, &host->sync, &err);
    if (code != ERR_OK) {
        (void)world_survives(world, at, code, &err);
        return;
    }
    sync_log_changed(host->sync, &station->author.log);
    host->life++;
    host->tick_life++;
    host->tick_at = INT64_MAX;
    host->store_until = 0;
    host->rising = false;
    host->committed = ledger_count(station->ledger);
    memset(host->told, 0, world->places * sizeof(bool));
    for (size_t i = 0; i < world->places; i++) {
        struct happening up = {.kind = HAPPENS_UP, .at = at, .from = i};
        struct happening back = {.kind = HAPPENS_UP, .at = i, .from = at};
        if (world->net.dialled[at * world->net.count + i]) {
            net_plan(&world->net, world->net.now + (int64_t)dice_below(&world->net.dice, 2000),
                     &up);
        }
        if (world->net.dialled[i * world->net.count + at]) {
            net_plan(&world->net, world->net.now + (int64_t)dice_below(&world->net.dice, 2000),
                     &back);
        }
    }
}

void world_stop(struct world *world, size_t at, bool clean) {
    struct host *host = &world->host[at];
    struct fleet_station *station = &world->fleet.station[at];
    sync_free(host->sync);
    host->sync = NULL;
    host->life++;
    host->tick_life++;
    host->unclean = host->unclean || !clean;
    ledger_close(station->ledger);
    station->ledger = NULL;
}

void world_rise(struct world *world, size_t at, int64_t pause) {
    struct happening rise = {.kind = HAPPENS_RISE, .at = at, .life = world->host[at].life};
    world->host[at].rising = true;
    net_plan(&world->net, world->net.now + pause, &rise);
}

void world_crash(struct world *world, size_t at, bool power, int64_t pause) {
    struct fleet_station *station = &world->fleet.station[at];
    disk_kill(world->disk, station->folder);
    world_stop(world, at, false);
    if (power) {
        disk_power_cut(world->disk, station->folder);
    }
    world->host[at].cut_power = false;
    world->crashes++;
    world_rise(world, at, pause);
}

static bool is_troubled(const struct world *world, size_t at) {
    return world->disk != NULL && disk_has_struck(world->disk, world->fleet.station[at].folder);
}

bool world_survives(struct world *world, size_t at, enum error_code code, const struct error *err) {
    struct host *host = &world->host[at];
    if (code == ERR_OK) {
        return true;
    }
    if (world->disk != NULL && disk_is_dead(world->disk, world->fleet.station[at].folder)) {
        world_crash(world, at, host->cut_power, 200);
        return false;
    }
    if (code == ERR_DISK_FULL && is_troubled(world, at)) {
        return true;
    }
    if (code == ERR_DISK && is_troubled(world, at)) { /* stop, reopen, verify */
        world_stop(world, at, false);
        world->stops++;
        world_rise(world, at, 1000);
        return false;
    }
    fleet_check(code, err);
    return false;
}

/* The station opens its folder again, looks it over, and goes on. */
static void on_rise(struct world *world, size_t at) {
    struct host *host = &world->host[at];
    struct fleet_station *station = &world->fleet.station[at];
    struct error err;
    host->rising = false;
    enum error_code code = fleet_open(&world->fleet, at, false, &err);
    if (code == ERR_NOT_FOUND) {
        fleet_fail("acknowledged", "station %zu finds its ledger empty", at);
    }
    if (code == ERR_OK && host->unclean) {
        code = pairs_verify(station->ledger, false, &err);
        if (code == ERR_DAMAGED) {
            fleet_fail("verify", "station %zu after an unclean stop: %s", at, err.cause);
        }
    }
    if (code == ERR_OK) {
        check_reopened(world, at);
        code = fleet_wake(&world->fleet, at, host->afresh, world->net.now, &err);
    }
    if (code != ERR_OK && station->ledger == NULL && is_troubled(world, at) &&
        !disk_is_dead(world->disk, station->folder)) {
        world_rise(world, at, 1000); /* its disk is still bad, or full */
        return;
    }
    if (code == ERR_DISK_FULL && is_troubled(world, at)) {
        world_stop(world, at, true);
        world_rise(world, at, 1000);
        return;
    }
    if (!world_survives(world, at, code, &err)) {
        return;
    }
    host->unclean = false;
    host->afresh = false;
    world->restarts++;
    world_start(world, at);
    if (host->power_soon && host->sync != NULL) {
        struct happening cut = {.kind = HAPPENS_POWER, .at = at, .life = host->life};
        host->power_soon = false;
        net_plan(&world->net, world->net.now + (int64_t)dice_below(&world->net.dice, 100), &cut);
    }
}

void world_check_fork(struct world *world, size_t at) {
    struct error err;
    bool did = false;
    enum error_code code = fleet_reincarnate(&world->fleet, at, world->net.now, &did, &err);
    if (!world_survives(world, at, code, &err) || !did) {
        return;
    }
    world->reincarnations++;
    world->host[at].committed = ledger_count(world->fleet.station[at].ledger);
    sync_log_changed(world->host[at].sync, &world->fleet.station[at].author.log);
    plan_tick(world, at);
}

void world_appended(struct world *world, size_t at) {
    struct host *host = &world->host[at];
    struct happening appended = {.kind = HAPPENS_APPENDED, .at = at, .life = host->life};
    host->committed = ledger_count(world->fleet.station[at].ledger);
    net_plan(&world->net, world->net.now + (int64_t)dice_below(&world->net.dice, 5), &appended);
}

void world_carry_in(struct world *world, size_t at, struct slice file) {
    struct carry_in *in = NULL;
    struct error err;
    bool done = false;
    enum error_code code = carry_in_new(world->fleet.station[at].ledger, file, &in, &err);
    while (code == ERR_OK && !done) {
        code = carry_in_step(in, 100, &done, &err);
    }
    carry_in_free(in);
    if (world_survives(world, at, code, &err)) {
        world->host[at].committed = ledger_count(world->fleet.station[at].ledger);
        step(world, at, (struct sync_event){.kind = SYNC_TICK});
    }
}

/* ---- what happens ---- */

/* As a transport does that learns from a hello on which port its caller listens. */
static void tell_address(struct world *world, size_t at, size_t peer) {
    const struct curve_public *curve = &world->fleet.station[peer].keys.curve_public;
    char address[SYNC_ADDRESS_MAX + 1];
    if (!world_is_up(world, at) || world->host[at].told[peer]) {
        return;
    }
    uint16_t port = sync_port(world->host[at].sync, curve);
    if (port == 0) {
        return;
    }
    world->host[at].told[peer] = true;
    snprintf(address, sizeof(address), "192.0.2.%zu:%u", peer, port);
    sync_road(world->host[at].sync, curve, address);
    plan_tick(world, at);
}

static void on_message(struct world *world, const struct happening *message) {
    struct sync_event event = peer_event(world, SYNC_MESSAGE, message->from);
    event.message = slice_of(message->bytes, message->size);
    step(world, message->at, event);
    tell_address(world, message->at, message->from);
}

static void on_stored(struct world *world, const struct happening *stored) {
    const struct store *store = stored->order;
    size_t at = stored->at;
    struct ledger *ledger = world->fleet.station[at].ledger;
    struct sync_event event = {.kind = SYNC_STORED, .peer = store->peer, .log = store->log};
    struct pairs_taken taken;
    struct error err;
    if (stored->life != world->host[at].life) {
        world->stale_stores++;
        return; /* the machine that asked is gone, and so is what it had not stored */
    }
    enum error_code code = pairs_begin(ledger, &err);
    if (code == ERR_OK) {
        code = pairs_take(ledger, store->record, store->count, &taken, &err);
    }
    if (code == ERR_OK) {
        code = pairs_commit(ledger, &err);
    }
    if (!world_survives(world, at, code, &err)) {
        return;
    }
    if (code == ERR_OK) {
        if (taken.outcome >= PAIRS_PENDING && !world->hostile) {
            fleet_fail("no-refusal", "station %zu refused a run of %zu records: outcome %d, %s", at,
                       store->count, taken.outcome, taken.why.cause);
        }
        world->outcome[taken.outcome]++;
        world->stored_records += taken.stored;
        world->host[at].committed = ledger_count(ledger);
        event.taken = &taken;
    }
    step(world, at, event);
    if (world_is_up(world, at) && code == ERR_OK) {
        world_check_fork(world, at);
    }
}

void world_plan_links(struct world *world, enum happening_kind kind) {
    for (size_t i = 0; i < world->net.count; i++) {
        for (size_t j = 0; j < world->net.count; j++) {
            struct happening link = {.kind = kind, .at = i, .from = j};
            bool dead = !net_is_open(&world->net, i, j) || !net_is_open(&world->net, j, i);
            if (world->net.dialled[i * world->net.count + j] &&
                (kind == HAPPENS_UP || (dead && dice_percent(&world->net.dice, 50)))) {
                net_plan(&world->net, world->net.now + (int64_t)dice_below(&world->net.dice, 4000),
                         &link);
            }
        }
    }
}

static void happen_at_machine(struct world *world, struct happening *happening) {
    size_t at = happening->at;
    struct host *host = &world->host[at];
    bool open = net_is_open(&world->net, at, happening->from);
    if (happening->kind == HAPPENS_MESSAGE) {
        on_message(world, happening);
    } else if (happening->kind == HAPPENS_STORED) {
        on_stored(world, happening);
    } else if (happening->kind == HAPPENS_APPENDED && happening->life == host->life) {
        step(
            world, at,
            (struct sync_event){.kind = SYNC_APPENDED, .log = world->fleet.station[at].author.log});
    } else if (happening->kind == HAPPENS_TICK && happening->life == host->tick_life) {
        host->tick_at = INT64_MAX;
        step(world, at, (struct sync_event){.kind = SYNC_TICK});
    } else if (happening->kind == HAPPENS_UP && open) {
        step(world, at, peer_event(world, SYNC_PEER_UP, happening->from));
    } else if (happening->kind == HAPPENS_DOWN && !open) {
        step(world, at, peer_event(world, SYNC_PEER_DOWN, happening->from));
    }
}

static void happen(struct world *world, struct happening *happening) {
    if (happening->kind == HAPPENS_ACT) {
        world->act(world);
    } else if (happening->kind == HAPPENS_TROUBLE) {
        world->trouble(world, happening->from);
    } else if (happening->kind == HAPPENS_RISE) {
        if (happening->life == world->host[happening->at].life &&
            world->fleet.station[happening->at].ledger == NULL) {
            on_rise(world, happening->at);
        }
    } else if (happening->kind == HAPPENS_POWER) {
        if (happening->life == world->host[happening->at].life) {
            world_crash(world, happening->at, true, 100);
        }
    } else if (world_is_up(world, happening->at)) {
        happen_at_machine(world, happening);
    }
    free(happening->bytes);
    free(happening->order);
}

void world_run_until(struct world *world, int64_t until) {
    struct happening happening;
    int64_t last = -1;
    uint64_t at_once = 0;
    while (net_next(&world->net, until, &happening)) {
        at_once = world->net.now == last ? at_once + 1 : 0;
        last = world->net.now;
        if (at_once > 1000000) {
            fleet_fail("quiet", "there is no end of what happens at %lld ms", (long long)last);
        }
        happen(world, &happening);
    }
}

/* ---- begin and end ---- */

void world_new(struct world *world, uint64_t seed, size_t stations, bool on_disk) {
    memset(world, 0, sizeof(*world));
    world->seed = seed;
    world->places = stations + FLEET_SPARE;
    buffer_init(&world->poison);
    world->host = fleet_must(calloc(world->places, sizeof(*world->host)));
    for (size_t i = 0; i < world->places; i++) {
        world->host[i].told = fleet_must(calloc(world->places, sizeof(bool)));
    }
    if (on_disk) {
        world->disk = fleet_must(disk_new("simulated", seed ^ 0x6469736b));
    }
    fleet_new(&world->fleet, seed, stations, seed % 2 == 0, on_disk ? "simulated" : NULL);
    net_new(&world->net, seed, world->places);
    world->stairs = 1;
    world->cellar = 2;
}

void world_free(struct world *world) {
    for (size_t i = 0; i < world->places; i++) {
        sync_free(world->host[i].sync);
        free(world->host[i].told);
    }
    free(world->host);
    buffer_release(&world->poison);
    net_free(&world->net);
    fleet_free(&world->fleet);
    disk_free(world->disk);
}
