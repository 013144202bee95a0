/*
 * verb_handover.c: `handover`: the timing crew gets the chip list.
 *
 * A list that is handed over has a number, which a record keeps with its hash, so that the crew can
 * be told what changed since. Must never record a list that is not on the disk.
 */
#include <sodium.h>
#include <stdlib.h>
#include <string.h>

#include "node/chip_list.h"
#include "node/show.h"

/* The ledger is verified in one step; the list is made, written and recorded in the next, so that
 * nothing is taken in between and the record's clock says exactly what the list has. */
struct handing {
    struct verb_job job; /* first, so that a job is its handing */
    struct chip_list *list;
    bool force, verified;
    char helper[RECORD_HELPER_MAX + 1];
    struct record_handover body;
    struct record_id id;
};

static void free_handing(struct verb_job *job) {
    struct handing *handing = (struct handing *)job;
    chip_list_free(handing->list);
    free(handing);
}

static enum error_code next_number(struct handing *handing, struct error *err) {
    struct pairs_handover last;
    enum error_code code = pairs_last_handover(handing->list->ledger, &last, err);
    if (code != ERR_OK && code != ERR_NOT_FOUND) {
        return code;
    }
    bool full = code == ERR_OK && last.number == RECORD_NUMBER_MAX; /* no lead counts so far */
    handing->body.number = code != ERR_OK ? 1 : full ? last.number : last.number + 1;
    return ERR_OK;
}

static enum error_code append_handover(struct handing *handing, struct error *err) {
    struct chip_list *list = handing->list;
    struct record_handover *body = &handing->body;
    struct buffer bytes;
    body->state = pairs_state_hash(list->ledger);
    body->bibs = list->rows[CHIP_LIST_LIVE];
    crypto_generichash(body->list.bytes, sizeof(body->list.bytes), list->csv[CHIP_LIST_LIVE].data,
                       list->csv[CHIP_LIST_LIVE].size, NULL, 0);
    memcpy(list->call->station->author.helper, handing->helper, sizeof(handing->helper));
    buffer_init(&bytes);
    record_handover_write(body, &bytes);
    enum error_code code = bytes.failed ? error_set(err, ERR_MEMORY, "a handover")
                                        : station_append(list->call->station, RECORD_HANDOVER,
                                                         buffer_slice(&bytes), &handing->id, err);
    buffer_release(&bytes);
    return code;
}

static void tell_handed(struct handing *handing) {
    struct chip_list *list = handing->list;
    struct verb_call *call = list->call;
    const struct record_handover *body = &handing->body;
    struct digest32 heads = ledger_heads_hash(list->ledger);
    if (call->json) {
        json_t *object = chip_list_json(list, heads, body->state);
        json_object_set_new(object, "number", json_integer((json_int_t)body->number));
        json_object_set_new(object, "record",
                            show_hex_json(handing->id.bytes, sizeof(handing->id.bytes)));
        json_object_set_new(object, "list_hash",
                            show_hex_json(body->list.bytes, sizeof(body->list.bytes)));
        show_json(&call->out, object);
    } else {
        chip_list_text(list);
        buffer_print(&call->out,
                     "This is list %llu. Give it to the timing crew; what changes from "
                     "now on: export --since-handover.\n",
                     (unsigned long long)body->number);
    }
    if (!chip_list_is_clean(list)) {
        call->status = (int)ERROR_CLASS_STATE;
    }
}

static bool step_handing(struct verb_job *job) {
    struct handing *handing = (struct handing *)job;
    struct chip_list *list = handing->list;
    struct error err;
    enum error_code code = ERR_OK;
    if (!handing->verified) {
        handing->verified = true;
        code = pairs_verify(list->ledger, false, &err);
        if (code == ERR_OK) {
            return true;
        }
    }
    if (code == ERR_OK) {
        code = next_number(handing, &err);
    }
    if (code == ERR_OK) {
        code = chip_list_gather(list, &err);
    }
    if (code == ERR_OK) {
        code = chip_list_write(list, handing->force, &err);
    }
    if (code == ERR_OK) {
        code = append_handover(handing, &err);
    }
    if (code == ERR_OK) {
        tell_handed(handing);
    } else {
        verb_fail(list->call, &err);
    }
    return false;
}

static enum error_code check_lead(const struct pairs_station *self, struct error *err) {
    if (self->role >= ROLE_LEAD) {
        return ERR_OK;
    }
    error_set(err, ERR_NOT_ALLOWED, "this station is no lead");
    return error_say(err, "Only a lead hands the chip list over. Use export for one to look at.");
}

static enum error_code begin_handing(struct verb_call *call, const struct options *options,
                                     const struct pairs_station *self, struct error *err) {
    const char *name = NULL;
    enum error_code code = check_lead(self, err);
    if (code == ERR_OK) {
        code = parts_needed(options, "--out", &name, err);
    }
    if (code == ERR_OK) {
        code = parts_helper(call, options, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    struct handing *handing = calloc(1, sizeof(*handing));
    struct chip_list *list = calloc(1, sizeof(*list));
    if (handing == NULL || list == NULL) {
        free(handing);
        free(list);
        return error_set(err, ERR_MEMORY, "handover");
    }
    chip_list_begin(list, call);
    handing->job = (struct verb_job){.step = step_handing, .free = free_handing};
    handing->list = list;
    memcpy(handing->helper, call->station->author.helper, sizeof(handing->helper));
    handing->force = options_has(options, "--force");
    code = chip_list_paths(list, name, err);
    if (code != ERR_OK) {
        free_handing(&handing->job);
        return code;
    }
    call->job = &handing->job;
    return ERR_OK;
}

void verb_handover(struct verb_call *call) {
    struct options options;
    struct error err;
    struct pairs_station self;
    enum error_code code = parts_words(call, "handover", 0, 0, "", &options, &err);
    if (code == ERR_OK && verb_may_write(call, &self)) {
        code = begin_handing(call, &options, &self, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    }
    options_release(&options);
}
