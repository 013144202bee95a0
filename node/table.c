/*
 * table.c: see table.h. Must never give an encoder an order whose keeping is not committed, and
 * never tell the desk that something is recorded before its transaction is on disk.
 */
#include "node/table.h"

#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "common/keys.h"
#include "node/log.h"

enum { ACTS_MAX = 64, FOLLOW_MAX = 16 };

/* What an order led to, to be fed when all orders of this step are taken. */
struct follow {
    enum desk_event_kind kind;
    uint64_t order;
    enum desk_failure why;
    struct record_id id;
    struct error fault; /* code ERR_OK: none */
};
struct table {
    struct station *station;
    struct desk *desk;
    size_t encoder_count;
    struct encoder *encoder[TABLE_ENCODERS_MAX];
    struct encoder *writer;  /* one of them, or NULL */
    bool can_write;          /* as the writer says */
    bool behind;             /* as the desk was told */
    bool begun;              /* the desk has been told that its encoder is not there yet */
    bool kept_failed;        /* the last DESK_KEEP was not committed: nothing may be written */
    struct error fault_kept; /* and why */
    size_t follow_count;
    struct follow follow[FOLLOW_MAX];
    struct error fault;  /* for which the node has to stop */
    uint64_t count_seen; /* records held when the desk last looked */
    struct mono_ms news_at;
    size_t turn; /* which encoder comes first */
};

/* ---- making one ---- */

static enum error_code make_encoders(struct table *table, const struct table_config *config,
                                     struct error *err) {
    enum error_code code = ERR_OK;
    if (config->encoder_count > TABLE_ENCODERS_MAX) {
        return error_set(err, ERR_LIMIT, "%zu encoders", config->encoder_count);
    }
    for (size_t i = 0; code == ERR_OK && i < config->encoder_count; i++) {
        code = encoder_new(config->encoder[i], config->gone_ms, &table->encoder[i], err);
        if (code == ERR_OK) {
            table->encoder_count++;
            if (table->writer == NULL && !encoder_only_types(config->encoder[i])) {
                table->writer = table->encoder[i];
            }
        }
    }
    return code;
}

/* Local time less UTC, as this machine has it now. */
static int64_t zone_ms(void) {
    time_t seconds = (time_t)(station_wall().ms / 1000);
    struct tm local;
    return localtime_r(&seconds, &local) == NULL ? 0 : (int64_t)local.tm_gmtoff * 1000;
}

static enum error_code make_desk(struct table *table, struct error *err) {
    struct buffer kept;
    struct desk_config config = {.ledger = table->station->ledger,
                                 .self = table->station->keys.sign_public,
                                 .has_encoder = table->writer != NULL,
                                 .zone_ms = zone_ms()};
    buffer_init(&kept);
    enum error_code code = ledger_kept_load(table->station->ledger, &kept, err);
    if (code == ERR_OK) {
        code = desk_new(&config, buffer_slice(&kept), &table->desk, err);
    }
    buffer_release(&kept);
    return code;
}

enum error_code table_new(const struct table_config *config, struct table **out,
                          struct error *err) {
    struct table *table = calloc(1, sizeof *table);
    *out = NULL;
    if (table == NULL) {
        return error_set(err, ERR_MEMORY, "desk");
    }
    table->station = config->station;
    table->count_seen = ledger_count(config->station->ledger);
    enum error_code code = make_encoders(table, config, err);
    if (code == ERR_OK) {
        code = make_desk(table, err);
    }
    if (code == ERR_OK) {
        *out = table;
    } else {
        table_free(table);
    }
    return code;
}

void table_free(struct table *table) {
    if (table == NULL) {
        return;
    }
    for (size_t i = 0; i < table->encoder_count; i++) {
        encoder_free(table->encoder[i]);
    }
    desk_free(table->desk);
    free(table);
}

/* ---- orders ---- */

static void follow(struct table *table, struct follow next) {
    if (table->follow_count < FOLLOW_MAX) {
        table->follow[table->follow_count++] = next;
    }
}

/* A full disk is the table's trouble and not the node's end: it goes on when there is room. */
static bool is_fatal(enum error_code code) {
    return code == ERR_DISK || code == ERR_DAMAGED;
}

/* Whether what the desk keeps is on the disk: nothing is written on a chip before it is. */
static void note_kept(struct table *table, enum error_code code, const struct error *err) {
    table->kept_failed = code != ERR_OK;
    if (code == ERR_OK) {
        log_alarm_over("desk", NULL);
        return;
    }
    table->fault_kept = *err;
    log_alarm_say("desk", "The desk cannot record: %.200s No chip is written meanwhile.", err->say);
}

static enum error_code keep(struct table *table, const struct desk_order *order,
                            struct error *err) {
    struct record_id none;
    enum error_code code =
        station_append_kept(table->station, NULL, 0, &order->kept, NULL, &none, err);
    note_kept(table, code, err);
    return code;
}

static enum error_code record(struct table *table, const struct desk_order *order,
                              struct error *err) {
    struct follow next = {.kind = DESK_RECORDED};
    struct station_act acts[ACTS_MAX];
    uint64_t held = ledger_count(table->station->ledger);
    enum error_code code = ERR_OK;
    if (order->act_count > ACTS_MAX) {
        code = error_set(err, ERR_LIMIT, "%zu records in one go", order->act_count);
    }
    for (size_t i = 0; code == ERR_OK && i < order->act_count; i++) {
        acts[i] = (struct station_act){order->acts[i].kind, order->acts[i].body};
    }
    if (code == ERR_OK) {
        code = station_append_kept(table->station, acts, order->act_count, &order->kept,
                                   order->helper, &next.id, err);
    }
    note_kept(table, code, err);
    if (code != ERR_OK) {
        next.kind = DESK_NOT_RECORDED;
        next.fault = *err;
    } else { /* its own records are no news to it */
        table->count_seen += ledger_count(table->station->ledger) - held;
    }
    follow(table, next);
    return code;
}

static void order_write(struct table *table, const struct desk_order *order, struct mono_ms now) {
    struct follow failed = {.kind = DESK_FAILED, .order = order->order, .why = DESK_FAILED_READER};
    if (table->kept_failed) {
        failed.why = DESK_FAILED_STOPPED;
        failed.fault = table->fault_kept;
        follow(table, failed);
        if (table->writer != NULL) { /* so that it is tried again */
            encoder_tell_anew(table->writer);
        }
    } else if (table->writer == NULL || !table->can_write ||
               !encoder_write(table->writer, order->order, &order->tag, &order->epc, order->pc,
                              now)) {
        follow(table, failed);
    }
}

static enum error_code carry_out(struct table *table, const struct desk_order *order,
                                 struct mono_ms now, struct error *err) {
    enum error_code code = ERR_OK;
    switch (order->kind) {
    case DESK_KEEP:
        code = keep(table, order, err);
        break;
    case DESK_RECORD:
        code = record(table, order, err);
        break;
    case DESK_WRITE:
        order_write(table, order, now);
        break;
    case DESK_FORGET:
        if (table->writer != NULL) {
            encoder_forget(table->writer, order->order);
        }
        break;
    }
    return is_fatal(code) ? code : ERR_OK;
}

/* The first of what is to follow becomes an event; what was recorded comes before all else, as the
 * desk takes orders before it asks for the next. */
static void next_event(struct table *table, struct follow *next, struct desk_event *event) {
    *next = table->follow[0];
    table->follow_count--;
    memmove(&table->follow[0], &table->follow[1], table->follow_count * sizeof table->follow[0]);
    *event = (struct desk_event){.kind = next->kind,
                                 .order = next->order,
                                 .id = next->id,
                                 .fault = next->fault.code == ERR_OK ? NULL : &next->fault,
                                 .why = next->why};
}

/* Feeds an event, carries out what it leads to, and feeds what that leads to, until all is done. */
static enum error_code feed(struct table *table, struct desk_event *event, struct error *err) {
    struct follow next;
    struct desk_event following;
    for (;;) {
        const struct desk_order *order = NULL;
        event->now = station_now();
        event->wall = station_wall();
        enum error_code code = desk_step(table->desk, event, err);
        while (code == ERR_OK && (order = desk_next(table->desk)) != NULL) {
            code = carry_out(table, order, event->now, err);
        }
        if (code != ERR_OK) {
            table->fault = *err;
        }
        if (code != ERR_OK || table->follow_count == 0) {
            return code;
        }
        next_event(table, &next, &following);
        event = &following;
    }
}

/* What was typed or scanned, without what a scanner puts around it; nothing is left of an empty
 * line. */
static enum error_code feed_text(struct table *table, struct desk_event *event, struct error *err) {
    struct keys_config plain = keys_config_plain();
    struct keys_line line;
    if (!keys_read(&plain, event->text, event->scanned, &line)) {
        return ERR_OK;
    }
    event->text = slice_text(line.text);
    event->scanned = line.scanned;
    event->spoilt = line.fault;
    enum error_code code = feed(table, event, err);
    event->text = slice_text("");
    return code;
}

enum error_code table_input(struct table *table, struct desk_event *event, struct error *err) {
    return event->kind == DESK_TEXT ? feed_text(table, event, err) : feed(table, event, err);
}

enum error_code table_behind(struct table *table, bool maybe, struct error *err) {
    struct desk_event event = {.kind = DESK_BEHIND, .behind = maybe};
    if (table->fault.code != ERR_OK) {
        *err = table->fault;
        return err->code;
    }
    if (table->behind == maybe) {
        return ERR_OK;
    }
    table->behind = maybe;
    return feed(table, &event, err);
}

const struct desk_view *table_view(const struct table *table) {
    return desk_view(table->desk);
}

/* ---- encoders ---- */

static enum error_code take(struct table *table, const struct encoder *encoder,
                            const struct encoder_event *said, struct error *err) {
    struct desk_event event = {.text = slice_text(said->text),
                               .order = said->order,
                               .why = said->why,
                               .changed = said->changed,
                               .tag = said->tag,
                               .tag_count = said->tag_count};
    if (said->kind == ENCODER_TYPED) {
        event.kind = DESK_TEXT;
        event.scanned = said->scanned;
        return feed_text(table, &event, err);
    }
    if (encoder != table->writer) {
        return ERR_OK; /* one antenna at a table */
    }
    switch (said->kind) {
    case ENCODER_UP:
        table->can_write = said->can_write;
        event.kind = DESK_ENCODER_UP;
        break;
    case ENCODER_DOWN:
        event.kind = DESK_ENCODER_DOWN;
        break;
    case ENCODER_FIELD:
        event.kind = DESK_FIELD;
        break;
    case ENCODER_WRITTEN:
        event.kind = DESK_WRITTEN;
        break;
    case ENCODER_FAILED:
        event.kind = DESK_FAILED;
        break;
    case ENCODER_TYPED:
        return ERR_OK;
    }
    return feed(table, &event, err);
}

/* Each in turn, so that one that floods does not keep the others from being heard. */
static enum error_code serve_encoders(struct table *table, struct mono_ms now, struct error *err) {
    enum error_code code = ERR_OK;
    for (size_t i = 0; i < table->encoder_count; i++) {
        encoder_step(table->encoder[i], now);
    }
    for (size_t i = 0; code == ERR_OK && i < TABLE_EVENTS_MAX; i++) {
        const struct encoder_event *said = NULL;
        size_t tried = 0;
        while (tried < table->encoder_count &&
               !encoder_next(table->encoder[table->turn], now, &said)) {
            table->turn = (table->turn + 1) % table->encoder_count;
            tried++;
        }
        if (tried == table->encoder_count) {
            break;
        }
        const struct encoder *encoder = table->encoder[table->turn];
        table->turn = (table->turn + 1) % table->encoder_count;
        code = take(table, encoder, said, err);
    }
    return code;
}

/* ---- turns ---- */

size_t table_poll(const struct table *table, zmq_pollitem_t *items, size_t max) {
    size_t count = 0;
    for (size_t i = 0; i < table->encoder_count; i++) {
        count += encoder_poll(table->encoder[i], items + count, max - count);
    }
    return count;
}

bool table_waiting(const struct table *table) {
    bool waiting = false;
    for (size_t i = 0; i < table->encoder_count; i++) {
        waiting = waiting || encoder_waiting(table->encoder[i]);
    }
    return waiting;
}

static bool has_news(const struct table *table) {
    return ledger_count(table->station->ledger) != table->count_seen;
}

struct mono_ms table_deadline(const struct table *table) {
    struct mono_ms deadline = desk_deadline(table->desk);
    for (size_t i = 0; i < table->encoder_count; i++) {
        struct mono_ms other = encoder_deadline(table->encoder[i]);
        deadline = other.ms < deadline.ms ? other : deadline;
    }
    if (has_news(table) && table->news_at.ms < deadline.ms) {
        deadline = table->news_at;
    }
    return deadline;
}

/* An order of the node before this one is in doubt, and stays so where there is no encoder now. */
static enum error_code begin(struct table *table, struct error *err) {
    const char *why = table->writer == NULL ? "there is none here" : "it is being started";
    struct desk_event event = {.kind = DESK_ENCODER_DOWN, .text = slice_text(why)};
    table->begun = true;
    return feed(table, &event, err);
}

enum error_code table_step(struct table *table, struct mono_ms now, struct error *err) {
    enum error_code code = table->fault.code; /* also of an input between two steps */
    *err = table->fault;
    if (code == ERR_OK && !table->begun) {
        code = begin(table, err);
    }
    if (code == ERR_OK && has_news(table) && now.ms >= table->news_at.ms) {
        table->news_at.ms = now.ms + TABLE_NEWS_MS;
        table->count_seen = ledger_count(table->station->ledger);
        code = feed(table, &(struct desk_event){.kind = DESK_NEWS}, err);
    }
    if (code == ERR_OK) {
        code = serve_encoders(table, now, err);
    }
    if (code == ERR_OK && desk_deadline(table->desk).ms <= now.ms) {
        code = feed(table, &(struct desk_event){.kind = DESK_TICK}, err);
    }
    return code;
}
