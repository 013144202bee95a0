/*
 * desk_out.c: the desk of a station that was put out of the event: it closes itself.
 * Must never forget what was in the making, for a lead may find that the wrong one was put out.
 */
#include "common/desk_state.h"

#include <string.h>

static bool making(const struct desk *desk) {
    const struct desk_lasting *lasting = &desk->lasting;
    return lasting->out.active || lasting->job.made_count > (lasting->job.good ? 1U : 0U);
}

static void close_up(struct desk *desk, const char *how) {
    char chip[80] = "";
    if (making(desk)) {
        desk_print(chip, sizeof(chip), " Throw the chip for bib %s away.",
                   desk->lasting.job.bib.text);
    }
    desk_print(desk->out_say, sizeof(desk->out_say),
               "This table was put out by the lead (%s). Take another laptop; hand this one to "
               "the lead.%s",
               how, chip);
    desk->aside[0] = desk->news[0] = '\0';
    if (desk->lasting.out.active) {
        desk_forget(desk);
    }
}

enum error_code desk_out_check(struct desk *desk, struct error *err) {
    struct pairs_station self;
    enum error_code code = pairs_station(desk->config.ledger, &desk->config.self, &self, err);
    if (code == ERR_NOT_FOUND) {
        return ERR_OK;
    }
    if (code != ERR_OK) {
        return code;
    }
    bool out = self.dead || self.stolen;
    if (out && !desk_is_out(desk)) {
        close_up(desk, self.stolen ? "stolen" : "dead");
    } else if (!out) {
        desk->out_say[0] = '\0';
    }
    return ERR_OK;
}

bool desk_is_out(const struct desk *desk) {
    return desk->out_say[0] != '\0';
}

bool desk_out_refuses(struct desk *desk, const struct desk_event *event) {
    bool person =
        event->kind == DESK_TEXT || event->kind == DESK_ANSWER || event->kind == DESK_COMMAND;
    if (!person || !desk_is_out(desk)) {
        return false;
    }
    desk_refuse(desk, "Nothing is taken here any more.");
    return true;
}
