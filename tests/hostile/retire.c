/*
 * retire.c: writes a retire record into a lead's folder (no node running), so that tests need not
 * wait for a verb: `stolen` with cut-offs at all that the lead holds of the station now.
 * usage: retire FOLDER NAME dead|stolen
 */
#include <sodium.h>
#include <stdio.h>
#include <string.h>

#include "node/station.h"

static bool cut_here(struct station *lead, const struct sign_public *key,
                     struct record_retire *retire) {
    size_t count = 0;
    const struct ledger_head *heads = ledger_heads(lead->ledger, &count);
    for (size_t i = 0; i < count; i++) {
        struct sign_public author;
        if (!ledger_log_key(lead->ledger, &heads[i].log, &author) || !ID_EQUAL(author, *key)) {
            continue;
        }
        if (retire->cutoff_count == RECORD_CUTOFFS_MAX) {
            return false;
        }
        retire->cutoff[retire->cutoff_count++] =
            (struct record_head){heads[i].log, heads[i].number, heads[i].id};
    }
    return true;
}

int main(int count, char **words) {
    struct station lead;
    struct pairs_station station;
    struct record_id id;
    struct buffer body;
    struct error err;
    if (count != 4 || sodium_init() < 0) {
        return 2;
    }
    enum error_code code = station_open(words[1], &lead, &err);
    if (code == ERR_OK) {
        code = pairs_station_by_name(lead.ledger, words[2], &station, &err);
    }
    if (code == ERR_OK) {
        bool stolen = strcmp(words[3], "stolen") == 0;
        struct record_retire retire = {.key = station.key,
                                       .how = stolen ? RETIRE_STOLEN : RETIRE_DEAD,
                                       .reason = slice_text("a test")};
        if (stolen && !cut_here(&lead, &station.key, &retire)) {
            return 3;
        }
        buffer_init(&body);
        record_retire_write(&retire, &body);
        code = station.role == ROLE_LEAD
                   ? station_append_root(&lead, RECORD_RETIRE, buffer_slice(&body), &id, &err)
                   : station_append(&lead, RECORD_RETIRE, buffer_slice(&body), &id, &err);
        buffer_release(&body);
    }
    if (code != ERR_OK) {
        fprintf(stderr, "%s (%s)\n", err.say, err.cause);
        return 3;
    }
    station_close(&lead);
    return 0;
}
