/*
 * verb_export.c: `export`: the chip list for the timing crew, or what changed since one was handed
 * over.
 * Must never write a list from a state that does not follow from the records.
 */
#include "node/chip_list.h"
#include "node/show.h"

static void tell(struct chip_list *list) {
    struct digest32 heads = ledger_heads_hash(list->ledger);
    struct digest32 state = pairs_state_hash(list->ledger);
    if (list->call->json) {
        show_json(&list->call->out, chip_list_json(list, heads, state));
    } else {
        chip_list_text(list);
    }
    if (!chip_list_is_clean(list)) {
        list->call->status = (int)ERROR_CLASS_STATE;
    }
}

void verb_export(struct verb_call *call) {
    struct options options;
    struct error err;
    struct chip_list *list = parts_room(call, sizeof(*list));
    if (list == NULL) {
        return;
    }
    chip_list_begin(list, call);
    enum error_code code = parts_words(call, "export", 1, 1, "a file name", &options, &err);
    if (code == ERR_OK) {
        list->is_since = options_has(&options, "--since-handover");
        code = chip_list_paths(list, options.rest[0], &err);
    }
    if (code == ERR_OK) {
        code = pairs_verify(list->ledger, false, &err);
    }
    if (code == ERR_OK) {
        code = chip_list_gather(list, &err);
    }
    if (code == ERR_OK) {
        code = chip_list_write(list, options_has(&options, "--force"), &err);
    }
    if (code == ERR_OK) {
        tell(list);
    } else {
        verb_fail(call, &err);
    }
    chip_list_free(list);
    options_release(&options);
}
