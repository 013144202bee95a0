/*
 * encoder_llrp_step.c: what is asked of an LLRP reader, and what its answers mean; see the header.
 */
#include "node/encoder_llrp_step.h"

#include <stdio.h>
#include <string.h>

enum { ANSWER_MS = 3000, MEET_MS = 2000, KEEPALIVE_MS = 1000, STRANGE_MAX = 50 };
enum { ROSPEC = 1, ACCESSSPEC_TIDS = 1, ACCESSSPEC_FIRST = 2 };
enum { OP_TID = 1 };

static struct llrp_head head(struct encoder_llrp_link *link) {
    link->id = link->id % 0x7fffffff + 1;
    link->deadline.ms = link->now.ms + ANSWER_MS;
    return (struct llrp_head){link->version, link->id};
}

/* The two version requests are of LLRP 1.1, and a reader that knows it not says so. */
static struct llrp_head head_1_1(struct encoder_llrp_link *link) {
    struct llrp_head made = head(link);
    made.version = LLRP_1_1;
    return made;
}

static void ask_access_tids(struct encoder_llrp_link *link) {
    struct llrp_access access = {.spec = ACCESSSPEC_TIDS,
                                 .antenna = link->options->antenna,
                                 .rospec = ROSPEC,
                                 .bank = LLRP_BANK_EPC};
    encoder_llrp_order_read_tid(&access, OP_TID);
    if (link->ops_max == 1) {
        access.op_count = 1;
    }
    llrp_request_access(&link->out, head(link), &access);
}

static void ask_access_order(struct encoder_llrp_link *link) {
    struct llrp_access access;
    encoder_llrp_order_access(&link->order, &access);
    link->spec = link->spec % 0x7fffffff + 1;
    link->spec = link->spec < ACCESSSPEC_FIRST ? ACCESSSPEC_FIRST : link->spec;
    link->reported = false;
    access.spec = link->spec;
    access.antenna = link->options->antenna;
    access.rospec = ROSPEC;
    llrp_request_access(&link->out, head(link), &access);
}

static void ask_inventory(struct encoder_llrp_link *link) {
    const struct llrp_inventory inventory = {
        .spec = ROSPEC,
        .antenna = link->options->antenna,
        .transmitter = link->options->has_power ? &link->transmitter : NULL,
        .singulation = true,
    };
    llrp_request_inventory(&link->out, head(link), &inventory);
}

/* The steps that ask for one thing of a spec: with which message, and of which. */
enum whose { NOT_SO, ALL, INVENTORY, TIDS, ORDER };
static const struct {
    enum llrp_type type;
    enum whose whose;
} of_specs[STEP_COUNT] = {
    [STEP_DROP_ACCESS] = {LLRP_DELETE_ACCESSSPEC, ALL},
    [STEP_DROP_INVENTORY] = {LLRP_DELETE_ROSPEC, ALL},
    [STEP_ENABLE_INVENTORY] = {LLRP_ENABLE_ROSPEC, INVENTORY},
    [STEP_START_INVENTORY] = {LLRP_START_ROSPEC, INVENTORY},
    [STEP_READ_TIDS] = {LLRP_ENABLE_ACCESSSPEC, TIDS},
    [STEP_PAUSE_TIDS] = {LLRP_DISABLE_ACCESSSPEC, TIDS},
    [STEP_RESUME_TIDS] = {LLRP_ENABLE_ACCESSSPEC, TIDS},
    [STEP_ENABLE] = {LLRP_ENABLE_ACCESSSPEC, ORDER},
    [STEP_DROP] = {LLRP_DELETE_ACCESSSPEC, ORDER},
};

static void ask_of_spec(struct encoder_llrp_link *link, enum encoder_llrp_step step) {
    enum whose whose = of_specs[step].whose;
    uint32_t spec = whose == INVENTORY ? ROSPEC
                    : whose == TIDS    ? ACCESSSPEC_TIDS
                    : whose == ORDER   ? link->spec
                                       : 0;
    llrp_request_spec(&link->out, head(link), of_specs[step].type, spec);
}

static void go(struct encoder_llrp_link *link, enum encoder_llrp_step step) {
    struct buffer *out = &link->out;
    link->step = step;
    if (of_specs[step].whose != NOT_SO) {
        ask_of_spec(link, step);
    } else if (step == STEP_VERSION) {
        llrp_request_plain(out, head_1_1(link), LLRP_GET_VERSION);
    } else if (step == STEP_SET_VERSION) {
        llrp_request_set_version(out, head_1_1(link), LLRP_1_1);
    } else if (step == STEP_CAPABILITIES) {
        llrp_request_capabilities(out, head(link));
    } else if (step == STEP_ANTENNA) {
        llrp_request_antenna(out, head(link), link->options->antenna);
    } else if (step == STEP_CONFIGURE) {
        llrp_request_configure(out, head(link), KEEPALIVE_MS);
    } else if (step == STEP_ADD_INVENTORY) {
        ask_inventory(link);
    } else if (step == STEP_ADD_TIDS) {
        ask_access_tids(link);
    } else if (step == STEP_ADD) {
        ask_access_order(link);
    } else {
        link->deadline.ms = step == STEP_WAIT ? link->now.ms + MEET_MS : INT64_MAX;
    }
    encoder_llrp_link_flush(link);
}

/* The type of the answer that the step waits for; 0: none. */
static unsigned answer_type(enum encoder_llrp_step step) {
    static const uint16_t others[STEP_COUNT] = {
        [STEP_VERSION] = LLRP_VERSION,
        [STEP_SET_VERSION] = LLRP_SET_VERSION_ANSWER,
        [STEP_CAPABILITIES] = LLRP_CAPABILITIES,
        [STEP_ANTENNA] = LLRP_CONFIG,
        [STEP_CONFIGURE] = LLRP_SET_CONFIG_ANSWER,
        [STEP_ADD_INVENTORY] = LLRP_ADD_ROSPEC + LLRP_ROSPEC_ANSWER,
        [STEP_ADD_TIDS] = LLRP_ADD_ACCESSSPEC + LLRP_ROSPEC_ANSWER,
        [STEP_ADD] = LLRP_ADD_ACCESSSPEC + LLRP_ROSPEC_ANSWER,
    };
    return of_specs[step].whose != NOT_SO ? (unsigned)of_specs[step].type + LLRP_ROSPEC_ANSWER
                                          : others[step];
}

static const int16_t *power_of(const struct llrp_capabilities *capabilities, uint16_t index) {
    for (size_t i = 0; i < capabilities->power_count; i++) {
        if (capabilities->power[i].index == index) {
            return &capabilities->power[i].power;
        }
    }
    return NULL;
}

static void after_capabilities(struct encoder_llrp_link *link, const struct llrp_message *message) {
    struct llrp_capabilities *found = &link->capabilities;
    struct error err;
    if (llrp_message_capabilities(message, found, &err) != ERR_OK) {
        encoder_llrp_link_down(link, "%s (%s)", err.say, err.cause);
        return;
    }
    link->ops_max = found->limits ? found->ops_per_access_max : 0;
    link->specs_max = found->limits ? found->access_specs_max : 0;
    link->tid_spec = link->specs_max != 1;
    if (found->general && link->options->antenna > found->antenna_count) {
        encoder_llrp_link_down(link, "the reader has no antenna %u", link->options->antenna);
    } else if (link->ops_max == 1) {
        encoder_llrp_link_down(link, "the reader cannot write and read back in one go");
    } else if (!link->options->has_power) {
        go(link, STEP_DROP_ACCESS);
    } else if (power_of(found, link->options->power) == NULL) {
        encoder_llrp_link_down(link, "the reader's table has no power %u", link->options->power);
    } else {
        go(link, STEP_ANTENNA);
    }
}

/* Only ever lower than the reader is set to: how far it may go is not for this program to say. */
static void after_antenna(struct encoder_llrp_link *link, const struct llrp_message *message) {
    struct llrp_transmitter *set = &link->transmitter;
    struct error err;
    if (llrp_message_transmitter(message, link->options->antenna, set, &err) != ERR_OK) {
        encoder_llrp_link_down(link, "%s (%s)", err.say, err.cause);
        return;
    }
    const int16_t *now = power_of(&link->capabilities, set->power);
    const int16_t *wanted = power_of(&link->capabilities, link->options->power);
    if (now == NULL || wanted == NULL || *wanted > *now) {
        encoder_llrp_link_down(link, "power %u is more than the reader is set to (%u)",
                               link->options->power, set->power);
        return;
    }
    set->power = link->options->power;
    go(link, STEP_DROP_ACCESS);
}

static void after_version(struct encoder_llrp_link *link, const struct llrp_message *message) {
    uint8_t current, supported;
    struct error err;
    if (message->type == LLRP_ERROR ||
        llrp_message_versions(message, &current, &supported, &err) != ERR_OK ||
        supported < LLRP_1_1) {
        go(link, STEP_CAPABILITIES);
    } else if (current == LLRP_1_1) {
        link->version = LLRP_1_1;
        go(link, STEP_CAPABILITIES);
    } else {
        go(link, STEP_SET_VERSION);
    }
}

static void say_outcome(struct encoder_llrp_link *link, enum encoder_llrp_verdict verdict) {
    struct encoder_llrp_order *order = &link->order;
    if (verdict == ENCODER_LLRP_WRITTEN) {
        encoder_llrp_talk_written(order);
        const struct encoder_llrp_tag now = {.epc = order->read,
                                             .tid = order->tid,
                                             .has_pc = true,
                                             .pc = order->read_pc,
                                             .heard = link->now};
        encoder_llrp_field_written(&link->field, &order->old, &now);
    } else {
        encoder_llrp_talk_failed(order->order, order->why, order->changed, order->text);
    }
    link->answered = true;
}

static void settle(struct encoder_llrp_link *link, enum encoder_llrp_verdict verdict) {
    if (verdict != ENCODER_LLRP_GO_ON) {
        say_outcome(link, verdict);
    }
}

/* The AccessSpec is gone, with or without a report; `known`: the reader still knew it. */
static void after_drop(struct encoder_llrp_link *link, bool known) {
    if (!link->reported) {
        settle(link, encoder_llrp_order_unmet(&link->order, !known));
    }
    if (!link->answered) {
        go(link, STEP_ADD);
        return;
    }
    link->busy = false;
    go(link, link->tid_spec ? STEP_RESUME_TIDS : STEP_REST);
}

/* The answer to the step was favourable. */
static void advance(struct encoder_llrp_link *link) {
    enum encoder_llrp_step next = link->step + 1;
    if (link->step == STEP_SET_VERSION) {
        link->version = LLRP_1_1;
    } else if (link->step == STEP_ENABLE_INVENTORY && !link->tid_spec) {
        next = STEP_START_INVENTORY;
    } else if (link->step == STEP_ENABLE && link->reported) {
        next = STEP_DROP; /* the report has come before the answer */
    } else if (link->step == STEP_RESUME_TIDS) {
        next = STEP_REST;
    }
    go(link, next);
    if (next == STEP_REST && link->state == LINK_SETTING_UP) {
        encoder_llrp_link_ready(link);
    }
}

/* The reader does not take the order's AccessSpec; it is of use for other things. */
static void refuse_order(struct encoder_llrp_link *link, const struct llrp_status *status) {
    char text[240];
    snprintf(text, sizeof text, "the reader refuses it: %u %s", status->code, status->text);
    encoder_llrp_talk_failed(link->order.order, "reader", link->order.changed, text);
    link->answered = true;
    link->reported = true; /* nothing is waited for any more */
    go(link, STEP_DROP);
}

/* The answer to the step was not favourable. */
static void refused(struct encoder_llrp_link *link, const struct llrp_status *status) {
    if (link->step == STEP_SET_VERSION) {
        go(link, STEP_CAPABILITIES); /* it stays with 1.0.1 */
    } else if (link->step == STEP_ADD_TIDS) {
        encoder_llrp_talk_log("the reader does not read TIDs by itself: %u %s", status->code,
                              status->text);
        link->tid_spec = false;
        go(link, STEP_START_INVENTORY);
    } else if (link->step == STEP_ADD || link->step == STEP_ENABLE) {
        refuse_order(link, status);
    } else {
        encoder_llrp_link_down(link, "the reader refuses step %d: %u %s", (int)link->step,
                               status->code, status->text);
    }
}

static void answer(struct encoder_llrp_link *link, const struct llrp_message *message) {
    struct llrp_status status;
    struct error err;
    if (llrp_message_status(message, &status, &err) != ERR_OK) {
        encoder_llrp_link_down(link, "%s (%s)", err.say, err.cause);
        return;
    }
    bool ok = status.code == LLRP_OK && message->type != LLRP_ERROR;
    if (link->step == STEP_DROP) {
        after_drop(link, ok);
    } else if (link->step == STEP_VERSION) {
        after_version(link, message);
    } else if (!ok) {
        refused(link, &status);
    } else if (link->step == STEP_CAPABILITIES) {
        after_capabilities(link, message);
    } else if (link->step == STEP_ANTENNA) {
        after_antenna(link, message);
    } else {
        advance(link);
    }
}

static void take_report(struct encoder_llrp_link *link, const struct llrp_report *report) {
    struct encoder_llrp_tag heard = {.epc = report->epc,
                                     .has_pc = report->has_pc,
                                     .has_rssi = report->has_rssi,
                                     .pc = report->pc,
                                     .rssi = report->rssi,
                                     .heard = link->now};
    if (report->antenna != 0 && report->antenna != link->options->antenna) {
        return;
    }
    if (report->access_spec == ACCESSSPEC_TIDS && link->tid_spec) {
        encoder_llrp_order_tid(report, OP_TID, &heard.tid);
    }
    bool ours = link->busy && !link->reported && report->access_spec == link->spec &&
                (link->step == STEP_ENABLE || link->step == STEP_WAIT || link->step == STEP_DROP);
    if (!ours) {
        bool tids_paused = link->tid_spec && link->step > STEP_REST;
        encoder_llrp_field_hear(&link->field, &heard, tids_paused && heard.tid.size == 0);
        return;
    }
    link->reported = true;
    settle(link, encoder_llrp_order_report(&link->order, report));
    if (link->step == STEP_WAIT) {
        go(link, STEP_DROP);
    }
}

static void take_reports(struct encoder_llrp_link *link, const struct llrp_message *message) {
    struct slice rest = message->body;
    struct llrp_report report;
    struct error err;
    bool got = true;
    while (got && link->state >= LINK_GREETING) {
        if (llrp_message_report(&rest, &report, &got, &err) != ERR_OK) {
            encoder_llrp_link_down(link, "%s (%s)", err.say, err.cause);
            return;
        }
        if (got) {
            take_report(link, &report);
        }
    }
}

static void take_event(struct encoder_llrp_link *link, const struct llrp_message *message) {
    struct llrp_event event;
    struct error err;
    if (llrp_message_event(message, &event, &err) != ERR_OK) {
        encoder_llrp_link_down(link, "%s (%s)", err.say, err.cause);
        return;
    }
    if (event.exception && link->strange++ < STRANGE_MAX) {
        encoder_llrp_talk_log("the reader says: %s", event.text);
    }
    if (event.closing) {
        encoder_llrp_link_down(link, "the reader says that it hangs up");
    } else if (event.rospec && event.rospec_what != 0 && event.rospec_id == ROSPEC &&
               link->state == LINK_READY) { /* before, it was an earlier client's */
        encoder_llrp_link_down(link, "the reader has stopped looking for tags");
    } else if (link->state != LINK_GREETING || !event.connection) {
        return;
    } else if (event.attempt == 1 || event.attempt == 2) {
        encoder_llrp_link_down(link, "the reader is in use by another program");
    } else if (event.attempt != 0) {
        encoder_llrp_link_down(link, "the reader refuses the connection (%u)", event.attempt);
    } else {
        link->state = LINK_SETTING_UP;
        link->version = LLRP_1_0_1;
        snprintf(link->trouble, sizeof link->trouble, "the reader is being set up");
        go(link, link->old ? STEP_CAPABILITIES : STEP_VERSION);
    }
}

void encoder_llrp_step_message(struct encoder_llrp_link *link, const struct llrp_message *message) {
    if (message->type == LLRP_KEEPALIVE) {
        llrp_request_plain(&link->out, (struct llrp_head){link->version, message->id},
                           LLRP_KEEPALIVE_ACK);
        encoder_llrp_link_flush(link);
    } else if (message->type == LLRP_EVENT) {
        take_event(link, message);
    } else if (message->type == LLRP_REPORT && link->state >= LINK_SETTING_UP) {
        take_reports(link, message);
    } else if (link->state >= LINK_SETTING_UP && message->id == link->id &&
               answer_type(link->step) != 0 &&
               (message->type == answer_type(link->step) || message->type == LLRP_ERROR)) {
        answer(link, message);
    } else if (link->strange++ < STRANGE_MAX) {
        encoder_llrp_talk_log("a message of type %u, id %u, that was not asked for", message->type,
                              message->id);
    } else {
        encoder_llrp_link_down(link, "the reader sends too much that was not asked for");
    }
}

bool encoder_llrp_step_late(struct encoder_llrp_link *link) {
    if (link->state < LINK_SETTING_UP) {
        return false;
    }
    if (link->step == STEP_WAIT) {
        go(link, STEP_DROP);
        return true;
    }
    if (link->step == STEP_VERSION) { /* it leaves unanswered what it does not know */
        go(link, STEP_CAPABILITIES);
        return true;
    }
    return false;
}

void encoder_llrp_step_hung_up(struct encoder_llrp_link *link) {
    if (link->state == LINK_SETTING_UP && link->step == STEP_VERSION) {
        link->old = true;
    }
}

void encoder_llrp_step_lost(struct encoder_llrp_link *link) {
    if (link->busy && !link->answered) {
        bool begun =
            link->step > STEP_ADD || link->order.phase != ENCODER_LLRP_WRITE || link->order.changed;
        encoder_llrp_talk_failed(link->order.order, "reader", begun, link->trouble);
    }
    link->busy = false;
    link->strange = 0;
    for (size_t i = 0; i < link->waiting_count; i++) {
        encoder_llrp_talk_failed(link->waiting[i].order, "reader", false, link->trouble);
    }
    link->waiting_count = 0;
}

void encoder_llrp_step_close(struct encoder_llrp_link *link) {
    llrp_request_spec(&link->out, head(link), LLRP_DELETE_ACCESSSPEC, 0);
    llrp_request_spec(&link->out, head(link), LLRP_DELETE_ROSPEC, 0);
    llrp_request_plain(&link->out, head(link), LLRP_CLOSE);
}

void encoder_llrp_step_order(struct encoder_llrp_link *link, const struct encoder_llrp_line *line) {
    if (link->state != LINK_READY) {
        encoder_llrp_talk_failed(line->order, "reader", false, link->trouble);
    } else if (link->waiting_count == ENCODER_LLRP_QUEUE) {
        encoder_llrp_talk_failed(line->order, "reader", false, "too many orders at once");
    } else {
        link->waiting[link->waiting_count++] = *line;
    }
}

static void drop_waiting(struct encoder_llrp_link *link, size_t i) {
    link->waiting_count -= 1;
    memmove(&link->waiting[i], &link->waiting[i + 1],
            (link->waiting_count - i) * sizeof link->waiting[0]);
}

void encoder_llrp_step_forget(struct encoder_llrp_link *link, int64_t order) {
    for (size_t i = 0; i < link->waiting_count; i++) {
        if (link->waiting[i].order == order) {
            drop_waiting(link, i);
            encoder_llrp_talk_failed(order, "stopped", false, "taken back before it was begun");
            return;
        }
    }
}

/* What the field knows of the tag that is meant; false if there are several. */
static bool find_tag(struct encoder_llrp_link *link, struct encoder_llrp_order *order) {
    bool several = false;
    const struct encoder_llrp_tag *tag =
        encoder_llrp_field_only(&link->field, &order->old, &several);
    if (order->tid.size == 0 && several) {
        return false;
    }
    if (tag != NULL && (order->tid.size == 0 || encoder_llrp_tid_equal(&tag->tid, &order->tid))) {
        order->tid = tag->tid;
        order->has_old_pc = tag->has_pc;
        order->old_pc = tag->pc;
    }
    return true;
}

void encoder_llrp_step_orders(struct encoder_llrp_link *link) {
    while (link->state == LINK_READY && link->step == STEP_REST && link->waiting_count > 0) {
        const struct encoder_llrp_line line = link->waiting[0];
        struct encoder_llrp_order *order = &link->order;
        drop_waiting(link, 0);
        *order = (struct encoder_llrp_order){
            .order = line.order,
            .old = line.old,
            .tid = line.tid,
            .epc = line.epc,
            .pc = line.pc,
            .has_password = link->options->has_password,
            .password = link->options->password,
            .lock = link->options->lock,
            .ops_max = link->ops_max,
        };
        if (!find_tag(link, order)) {
            encoder_llrp_talk_failed(line.order, "two", false,
                                     "several tags have this EPC, and the TID was not said");
        } else if (!encoder_llrp_order_begin(order)) {
            encoder_llrp_talk_failed(line.order, order->why, false, order->text);
        } else {
            link->busy = true;
            link->answered = false;
            go(link, link->tid_spec ? STEP_PAUSE_TIDS : STEP_ADD);
        }
    }
}
