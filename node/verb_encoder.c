/*
 * verb_encoder.c: `bibweave encoder NAME ARGS`: the encoders in the box, each in a process of its
 * own that a node starts. Must never open a station's folder.
 */
#include <stdio.h>
#include <string.h>

#include "node/encoder.h"
#include "node/encoder_llrp.h"
#include "node/verb.h"

static const struct {
    const char *name;
    int (*run)(const char *args);
} in_the_box[] = {
    {"rehearse", encoder_rehearse},
    {"keys", encoder_keys},
    {"llrp", encoder_llrp},
};
enum { COUNT = sizeof in_the_box / sizeof in_the_box[0] };

bool encoder_in_the_box(const char *name) {
    bool found = false;
    for (size_t i = 0; i < COUNT; i++) {
        found = found || strcmp(in_the_box[i].name, name) == 0;
    }
    return found;
}

void verb_encoder(struct verb_call *call) {
    struct error err;
    const char *name = call->argument_count > 0 ? call->arguments[0] : "";
    const char *args = call->argument_count > 1 ? call->arguments[1] : "";
    for (size_t i = 0; i < COUNT; i++) {
        if (strcmp(in_the_box[i].name, name) == 0) {
            call->status = in_the_box[i].run(args);
            return;
        }
    }
    error_set(&err, ERR_USAGE, "encoder %.60s", name);
    error_say(&err, "There is no encoder of that name in this program. A node starts it: "
                    "bibweave run --encoder NAME.");
    verb_fail(call, &err);
}
