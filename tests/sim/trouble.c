/* trouble.c: see trouble.h. */
#include "tests/sim/trouble.h"

#include <stdlib.h>
#include <string.h>

#include "tests/sim/check.h"
#include "tests/sim/fleet_internal.h"

static const char *const names[TROUBLE_COUNT] = {
    [TROUBLE_CUT] = "cut",
    [TROUBLE_CUT_ONE_WAY] = "one-way cut",
    [TROUBLE_RESTART] = "restart",
    [TROUBLE_KILL] = "kill",
    [TROUBLE_POWER] = "power cut",
    [TROUBLE_KILL_POWER] = "kill and power cut",
    [TROUBLE_BAD_WRITES] = "bad writes",
    [TROUBLE_BAD_SYNCS] = "bad syncs",
    [TROUBLE_FULL] = "full disk",
    [TROUBLE_RESTORE] = "restored folder",
    [TROUBLE_REWIND] = "unknowing restore",
    [TROUBLE_TWIN] = "copied folder",
    [TROUBLE_VM] = "unknowing copy",
    [TROUBLE_LIAR] = "two-faced station",
    [TROUBLE_RETIRE] = "retired station",
    [TROUBLE_CLOCK] = "jumping clock",
    [TROUBLE_CARRY] = "carry file",
    [TROUBLE_MANGLE] = "spoilt messages",
    [TROUBLE_STRANGER] = "stranger",
    [TROUBLE_SETTLE] = "settled twice",
    [TROUBLE_JOIN] = "late station",
};

const char *trouble_name(enum trouble trouble) {
    return names[trouble] == NULL ? "" : names[trouble];
}

static void plan(struct world *world, int64_t when, enum trouble trouble) {
    struct happening happening = {.kind = HAPPENS_TROUBLE, .from = trouble};
    net_plan(&world->net, when, &happening);
}

static int64_t pause(struct troubles *troubles) {
    return 50 + (int64_t)dice_below(&troubles->dice, 4000);
}

/* ---- whom it strikes ---- */

static bool is_plain(const struct world *world, size_t at) {
    const struct fleet_station *station = &world->fleet.station[at];
    return at != FLEET_LEAD && at != FLEET_SECOND && station->here && !station->stolen &&
           world_is_up(world, at);
}

/* Any table but the two whose places are special; SIZE_MAX when chance finds none. */
static size_t pick_plain(struct world *world, struct troubles *troubles) {
    for (int tries = 0; tries < 40; tries++) {
        size_t at = 1 + (size_t)dice_below(&troubles->dice, world->fleet.count - 1);
        if (is_plain(world, at) && at != world->cellar && at != world->stairs) {
            return at;
        }
    }
    return SIZE_MAX;
}

/* A table whose folder was never copied. */
static size_t pick_single(struct world *world, struct troubles *troubles) {
    size_t at = pick_plain(world, troubles);
    return at == SIZE_MAX || world->fleet.station[at].twinned ? SIZE_MAX : at;
}

/* Any station that is up, leads too. */
static size_t pick_any(struct world *world, struct troubles *troubles) {
    for (int tries = 0; tries < 40; tries++) {
        size_t at = (size_t)dice_below(&troubles->dice, world->fleet.count);
        if (world_is_up(world, at) && !world->fleet.station[at].stolen) {
            return at;
        }
    }
    return SIZE_MAX;
}

/* ---- the network ---- */

static void cut(struct world *world, struct troubles *troubles, bool one_way) {
    bool *inside = fleet_must(calloc(world->net.count, sizeof(bool)));
    uint64_t share = 10 + dice_below(&troubles->dice, 50);
    for (size_t i = 0; i < world->net.count; i++) {
        inside[i] = dice_percent(&troubles->dice, share);
    }
    inside[FLEET_LEAD] = false;
    inside[world->stairs] = true;
    net_cut(&world->net, inside, one_way);
    world_plan_links(world, HAPPENS_DOWN);
    free(inside);
}

static void heal(struct world *world) {
    net_heal(&world->net);
    world_plan_links(world, HAPPENS_UP);
}

static bool join(struct world *world, struct troubles *troubles) {
    size_t at = world->fleet.count - 1;
    size_t other = pick_plain(world, troubles);
    struct error err;
    if (!world_is_up(world, FLEET_LEAD)) {
        plan(world, world->net.now + 300, TROUBLE_JOIN);
        return false;
    }
    enum error_code code = fleet_join(&world->fleet, at, world->net.now, &err);
    if (!world_survives(world, FLEET_LEAD, code, &err) || code != ERR_OK) {
        plan(world, world->net.now + 300, TROUBLE_JOIN);
        return false;
    }
    world_appended(world, FLEET_LEAD);
    world_start(world, at);
    world_dial(world, at, world->stairs); /* who has not heard of it yet, perhaps */
    if (other != SIZE_MAX) {
        world_dial(world, at, other);
    }
    return true;
}

/* ---- disks ---- */

static const char *folder(const struct world *world, size_t at) {
    return world->fleet.station[at].folder;
}

static bool kill(struct world *world, struct troubles *troubles, bool power) {
    size_t at = pick_any(world, troubles);
    if (at == SIZE_MAX) {
        return false;
    }
    world->host[at].cut_power = power;
    if (power && dice_percent(&troubles->dice, 30)) {
        world_crash(world, at, true, pause(troubles));
    } else {
        disk_kill_after(world->disk, folder(world, at), dice_below(&troubles->dice, 40));
    }
    return true;
}

/* Dies in a sync, starts again at once, and loses its power soon after. */
static bool kill_power(struct world *world, struct troubles *troubles) {
    size_t at = pick_any(world, troubles);
    if (at == SIZE_MAX) {
        return false;
    }
    world->host[at].cut_power = false;
    world->host[at].power_soon = true;
    disk_kill_after(world->disk, folder(world, at), dice_below(&troubles->dice, 40));
    return true;
}

static bool spoil_disk(struct world *world, struct troubles *troubles, enum disk_trouble trouble) {
    size_t at = pick_any(world, troubles);
    if (at == SIZE_MAX) {
        return false;
    }
    disk_set_trouble(world->disk, folder(world, at), trouble, dice_below(&troubles->dice, 20));
    world->fleet.station[at].full = trouble == DISK_FULL;
    plan(world, world->net.now + pause(troubles), TROUBLE_MEND);
    return true;
}

static void mend(struct world *world) {
    for (size_t i = 0; i < world->places; i++) {
        disk_set_trouble(world->disk, folder(world, i), DISK_WELL, 0);
        world->fleet.station[i].full = false;
    }
}

static bool back_up(struct world *world, struct troubles *troubles) {
    size_t at = pick_single(world, troubles);
    if (at == SIZE_MAX || !disk_copy(world->disk, folder(world, at), "backup")) {
        return false;
    }
    troubles->backup = at;
    return true;
}

static bool restore(struct world *world, struct troubles *troubles, bool knows) {
    size_t at = troubles->backup;
    if (at == SIZE_MAX || !is_plain(world, at) || world->fleet.station[at].twinned) {
        return false;
    }
    check_losing(world, at);
    world_stop(world, at, true);
    disk_erase(world->disk, folder(world, at));
    if (!disk_copy(world->disk, "backup", folder(world, at))) {
        fleet_fail("memory", "no memory");
    }
    world->host[at].afresh = knows;
    world->host[at].unclean = true; /* the copy was made of a folder in use */
    world->fleet.station[at].may_fork = world->fleet.station[at].may_fork || !knows;
    world_rise(world, at, pause(troubles));
    return true;
}

/* ---- folders that live twice ---- */

/* Half of the stations hear the one, half the other. */
static void part(struct world *world, size_t original, size_t twin) {
    for (size_t i = 0; i < world->fleet.count; i++) {
        size_t deaf = i % 2 == 0 ? original : twin;
        if (i != original && i != world->cellar) {
            world->net.never[i * world->net.count + deaf] = true;
            world->net.never[deaf * world->net.count + i] = true;
        }
    }
}

static void join_again(struct world *world, size_t original) {
    for (size_t i = 0; i < world->fleet.count; i++) {
        if (i != world->cellar) {
            world->net.never[i * world->net.count + original] = false;
            world->net.never[original * world->net.count + i] = false;
        }
    }
}

static bool twin(struct world *world, struct troubles *troubles, enum trouble how) {
    size_t at = pick_single(world, troubles);
    size_t place = world->fleet.count;
    struct fleet_station *original = at == SIZE_MAX ? NULL : &world->fleet.station[at];
    struct fleet_station *copy = &world->fleet.station[place];
    if (original == NULL || copy->twinned || at == troubles->backup ||
        !disk_copy(world->disk, original->folder, copy->folder)) {
        return false;
    }
    copy->keys = original->keys;
    copy->author = original->author;
    copy->own_bibs = original->own_bibs;
    copy->desk = original->desk;
    copy->here = copy->twinned = original->twinned = true;
    original->may_fork = copy->may_fork = original->may_fork || how != TROUBLE_TWIN;
    original->liar = copy->liar = how == TROUBLE_LIAR;
    world->host[place].afresh = how == TROUBLE_TWIN;
    world->host[place].unclean = true;
    troubles->original = at;
    for (size_t i = 0; i < world->fleet.count; i++) {
        if (i != at && (how == TROUBLE_LIAR || dice_percent(&troubles->dice, 50))) {
            world_dial(world, place, i);
        }
    }
    world_dial(world, place, world->stairs);
    if (how == TROUBLE_LIAR) {
        part(world, at, place);
    }
    world_rise(world, place, 10);
    return true;
}

static struct buffer all_records(struct world *world, size_t at) {
    size_t count = 0;
    struct slice *records = fleet_records(world->fleet.station[at].ledger, &count);
    struct buffer file;
    buffer_init(&file);
    for (size_t i = 0; i < count; i++) {
        buffer_append_slice(&file, records[i]);
    }
    fleet_records_free(records, count);
    return file;
}

static bool holds_all(struct world *world, size_t at, struct slice file) {
    bool whole = false;
    for (size_t size; (size = record_size_at(file, &whole)) > 0;
         file = slice_of(file.data + size, file.size - size)) {
        struct record_id id = identity_record(slice_of(file.data, size));
        if (!ledger_holds(world->fleet.station[at].ledger, id.bytes)) {
            return false;
        }
    }
    return true;
}

/* The copy is put away, and what it holds goes round by stick. */
static void end_twin(struct world *world, struct troubles *troubles) {
    size_t place = world->fleet.count;
    size_t to = pick_any(world, troubles);
    if (!world->fleet.station[place].here) {
        return;
    }
    if (!world_is_up(world, place) || to == SIZE_MAX) {
        plan(world, world->net.now + 200, TROUBLE_TWIN_END);
        return;
    }
    struct buffer file = all_records(world, place);
    world_carry_in(world, to, buffer_slice(&file));
    if (world_is_up(world, to) && holds_all(world, to, buffer_slice(&file))) {
        world_stop(world, place, true);
        world->fleet.station[place].here = false;
        if (world->fleet.station[place].liar) {
            join_again(world, troubles->original);
        }
    } else {
        plan(world, world->net.now + 200, TROUBLE_TWIN_END);
    }
    buffer_release(&file);
}

/* ---- people and attackers ---- */

static bool retire(struct world *world, struct troubles *troubles) {
    size_t at = pick_single(world, troubles);
    struct error err;
    if (at == SIZE_MAX || !world_is_up(world, FLEET_LEAD)) {
        return false;
    }
    enum error_code code =
        fleet_retire(&world->fleet, at, world->seed % 3 != 0, world->net.now, &err);
    if (!world_survives(world, FLEET_LEAD, code, &err) || code != ERR_OK) {
        return false;
    }
    world_appended(world, FLEET_LEAD);
    return true;
}

static bool jump(struct world *world, struct troubles *troubles) {
    size_t at = (size_t)dice_below(&troubles->dice, world->fleet.count);
    const int64_t days = 5LL * 24 * 3600 * 1000;
    world->fleet.station[at].wall_off =
        (int64_t)dice_below(&troubles->dice, (uint64_t)(2 * days)) - days;
    return true;
}

static bool carry(struct world *world, struct troubles *troubles) {
    size_t from = pick_any(world, troubles);
    size_t to = pick_any(world, troubles);
    if (from == SIZE_MAX || to == SIZE_MAX || from == to) {
        return false;
    }
    struct buffer file = all_records(world, from);
    if (dice_percent(&troubles->dice, 40)) {
        file.size = (size_t)dice_below(&troubles->dice, file.size);
        world_carry_in(world, to, buffer_slice(&file));
        troubles->carried_cut++;
    } else {
        bool had_trouble = disk_has_struck(world->disk, folder(world, to));
        world_carry_in(world, to, buffer_slice(&file));
        had_trouble = had_trouble || disk_has_struck(world->disk, folder(world, to));
        if (world_is_up(world, to) && !had_trouble) {
            check_holds_all_of(world, to, buffer_slice(&file));
            troubles->carried_whole++;
        }
    }
    buffer_release(&file);
    return true;
}

static bool spoil_messages(struct world *world, struct troubles *troubles) {
    size_t at = pick_plain(world, troubles);
    if (at == SIZE_MAX) {
        return false;
    }
    world->hostile = true;
    world->host[at].mangles = true;
    fleet_poison(&world->fleet, at, &world->poison);
    return true;
}

static bool call_as_stranger(struct world *world, struct troubles *troubles) {
    size_t place = world->fleet.count + 1;
    size_t to = pick_any(world, troubles);
    size_t from = pick_any(world, troubles);
    struct error err;
    size_t count = 0;
    if (to == SIZE_MAX || world_is_up(world, place)) {
        return false;
    }
    world->hostile = true;
    struct slice *records = fleet_records(world->fleet.station[from].ledger, &count);
    fleet_check(fleet_open(&world->fleet, place, true, &err), &err);
    fleet_take_all(world->fleet.station[place].ledger, records, count);
    fleet_records_free(records, count);
    fleet_check(fleet_open_log(&world->fleet, place, NULL, world->net.now, &err), &err);
    for (int i = 0; i < 3; i++) {
        fleet_check(fleet_issue_own(&world->fleet, place, world->net.now, &err), &err);
    }
    for (size_t i = 0; i < world->fleet.count; i++) {
        if (dice_percent(&troubles->dice, 50)) {
            world_dial(world, place, i);
        }
    }
    world_start(world, place);
    struct buffer file = all_records(world, place);
    fleet_poison(&world->fleet, from, &file);
    world_carry_in(world, to, buffer_slice(&file));
    buffer_release(&file);
    return true;
}

static bool settle_twice(struct world *world) {
    enum error_code code = ERR_OK;
    struct error err;
    if (!world_is_up(world, FLEET_LEAD) || !world_is_up(world, FLEET_SECOND)) {
        return false;
    }
    bool did = fleet_settle_twice(&world->fleet, world->net.now, &code, &err);
    size_t at = code != ERR_OK && disk_is_dead(world->disk, folder(world, FLEET_SECOND))
                    ? FLEET_SECOND
                    : FLEET_LEAD;
    if (code != ERR_OK && !disk_is_dead(world->disk, folder(world, at)) &&
        disk_has_struck(world->disk, folder(world, FLEET_SECOND))) {
        at = FLEET_SECOND;
    }
    (void)world_survives(world, at, code, &err);
    if (world_is_up(world, FLEET_LEAD)) {
        world_appended(world, FLEET_LEAD);
    }
    if (world_is_up(world, FLEET_SECOND)) {
        world_appended(world, FLEET_SECOND);
    }
    return did;
}

/* ---- the end of all troubles ---- */

static void end(struct world *world, struct troubles *troubles) {
    mend(world);
    for (size_t i = 0; i < world->places; i++) {
        disk_kill_after(world->disk, folder(world, i), UINT64_MAX);
        world->host[i].mangles = false;
        world->host[i].power_soon = false;
    }
    if (world_is_up(world, world->fleet.count + 1)) {
        world_stop(world, world->fleet.count + 1, true);
    }
    end_twin(world, troubles);
    heal(world);
}

/* Whether the trouble came about. */
static bool strike(struct world *world, struct troubles *troubles, enum trouble trouble) {
    size_t at = SIZE_MAX;
    switch (trouble) {
    case TROUBLE_CUT:
    case TROUBLE_CUT_ONE_WAY:
        cut(world, troubles, trouble == TROUBLE_CUT_ONE_WAY);
        return true;
    case TROUBLE_RESTART:
        at = pick_any(world, troubles);
        if (at != SIZE_MAX) {
            world_stop(world, at, true);
            world_rise(world, at, pause(troubles));
        }
        return at != SIZE_MAX;
    case TROUBLE_KILL:
    case TROUBLE_POWER:
        return kill(world, troubles, trouble == TROUBLE_POWER);
    case TROUBLE_KILL_POWER:
        return kill_power(world, troubles);
    case TROUBLE_BAD_WRITES:
        return spoil_disk(world, troubles, DISK_BAD_WRITES);
    case TROUBLE_BAD_SYNCS:
        return spoil_disk(world, troubles, DISK_BAD_SYNCS);
    case TROUBLE_FULL:
        return spoil_disk(world, troubles, DISK_FULL);
    case TROUBLE_RESTORE:
    case TROUBLE_REWIND:
        return restore(world, troubles, trouble == TROUBLE_RESTORE);
    case TROUBLE_TWIN:
    case TROUBLE_VM:
    case TROUBLE_LIAR:
        return twin(world, troubles, trouble);
    case TROUBLE_RETIRE:
        return retire(world, troubles);
    case TROUBLE_CLOCK:
        return jump(world, troubles);
    case TROUBLE_CARRY:
        return carry(world, troubles);
    case TROUBLE_MANGLE:
        return spoil_messages(world, troubles);
    case TROUBLE_STRANGER:
        return call_as_stranger(world, troubles);
    case TROUBLE_SETTLE:
        return settle_twice(world);
    case TROUBLE_JOIN:
        return join(world, troubles);
    case TROUBLE_HEAL:
        heal(world);
        return true;
    case TROUBLE_BACKUP:
        return back_up(world, troubles);
    case TROUBLE_MEND:
        mend(world);
        return true;
    case TROUBLE_TWIN_END:
        end_twin(world, troubles);
        return true;
    case TROUBLE_END:
        end(world, troubles);
        return true;
    case TROUBLE_CHECK:
    case TROUBLE_CHECK_DEEP:
        check_running(world, &troubles->dice, trouble == TROUBLE_CHECK_DEEP);
        return true;
    case TROUBLE_COUNT:
        break;
    }
    return false;
}

static void on_trouble(struct world *world, size_t which) {
    struct troubles *troubles = world->context;
    troubles->struck[which] += strike(world, troubles, (enum trouble)which);
}

static void on_act(struct world *world) {
    struct troubles *troubles = world->context;
    size_t at = (size_t)dice_below(&world->net.dice, world->fleet.count + 1);
    struct happening act = {.kind = HAPPENS_ACT};
    struct error err;
    if (world_is_up(world, at)) {
        world_check_fork(world, at);
    }
    if (world_is_up(world, at)) {
        enum error_code code = fleet_act(&world->fleet, at, world->net.now, &err);
        if (world_survives(world, at, code, &err) && code == ERR_OK) {
            world->acts++;
            world_appended(world, at);
        } else {
            world->failed_acts++;
        }
    }
    if (world->net.now < troubles->work_ms) {
        net_plan(&world->net,
                 world->net.now +
                     (int64_t)dice_below(&world->net.dice, (uint64_t)(2 * troubles->act_ms)),
                 &act);
    }
}

/* Each history has about half of the troubles: those that are missing let others come out that
 * they would hide (Groce et al., Swarm Testing, ISSTA 2012). */
void trouble_plan(struct world *world, struct troubles *troubles, uint32_t mask, int64_t work_ms) {
    struct happening act = {.kind = HAPPENS_ACT};
    memset(troubles, 0, sizeof(*troubles));
    troubles->dice.state = world->seed ^ 0x74726f75626c65;
    troubles->mask = mask;
    troubles->work_ms = work_ms;
    troubles->act_ms = 30;
    troubles->backup = SIZE_MAX;
    world->context = troubles;
    world->act = on_act;
    world->trouble = on_trouble;
    net_plan(&world->net, 100, &act);
    plan(world, work_ms / 5, TROUBLE_JOIN);
    for (enum trouble i = 0; i < TROUBLE_CHOSEN; i++) {
        uint64_t times = dice_below(&troubles->dice, 4);
        for (uint64_t j = 0; j < 3; j++) {
            int64_t when =
                work_ms / 20 + (int64_t)dice_below(&troubles->dice, (uint64_t)work_ms * 9 / 10);
            if (j >= times || (mask >> i & 1) == 0) {
                continue;
            }
            plan(world, when, i);
            if (i == TROUBLE_RESTORE || i == TROUBLE_REWIND) {
                plan(world, when - work_ms / 10, TROUBLE_BACKUP);
            } else if (i == TROUBLE_TWIN || i == TROUBLE_VM || i == TROUBLE_LIAR) {
                plan(world, when + work_ms / 5, TROUBLE_TWIN_END);
            }
        }
    }
    plan(world, work_ms * 3 / 10, TROUBLE_HEAL);
    plan(world, work_ms * 3 / 4, TROUBLE_HEAL);
    for (int64_t when = 500; when < work_ms; when += 1000) {
        plan(world, when, TROUBLE_CHECK);
    }
    plan(world, work_ms * 2 / 5, TROUBLE_CHECK_DEEP);
    plan(world, work_ms * 7 / 10, TROUBLE_CHECK_DEEP);
    plan(world, work_ms, TROUBLE_END);
}
