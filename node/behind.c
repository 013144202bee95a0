/*
 * behind.c: see behind.h. Must never say that all is known where no other station is heard.
 */
#include "node/behind.h"

#include <string.h>

struct others {
    const struct sign_public *self;
    size_t count;
};

static bool count_other(void *context, const struct pairs_station *station) {
    struct others *others = context;
    others->count += station->role >= ROLE_TABLE && !station->dead && !station->stolen &&
                     !ID_EQUAL(station->key, *others->self);
    return true;
}

enum error_code behind_others(struct ledger *ledger, const struct sign_public *self, bool *others,
                              struct error *err) {
    struct others count = {self, 0};
    enum error_code code = pairs_each_station(ledger, count_other, &count, err);
    *others = count.count > 0;
    return code;
}

bool behind_peers(const struct sync_peer *peers, size_t count) {
    bool connected = false, behind = false;
    for (size_t i = 0; i < count; i++) {
        connected = connected || peers[i].connected;
        behind = behind || peers[i].behind > 0;
    }
    return behind || !connected;
}
