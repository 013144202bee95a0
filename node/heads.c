/* heads.c: see heads.h. */
#include "node/heads.h"

#include <stdlib.h>
#include <string.h>

struct ledger_head *heads_of(struct ledger *ledger, const struct sign_public *key, size_t *count) {
    size_t all = 0;
    const struct ledger_head *heads = ledger_heads(ledger, &all);
    struct ledger_head *own = calloc(all + 1, sizeof(*own));
    *count = 0;
    for (size_t i = 0; own != NULL && i < all; i++) {
        struct sign_public author;
        if (ledger_log_key(ledger, &heads[i].log, &author) && ID_EQUAL(author, *key)) {
            own[(*count)++] = heads[i];
        }
    }
    return own;
}

int64_t heads_wall(struct ledger *ledger, const struct record_id *id) {
    struct buffer raw;
    struct record record;
    struct error unused;
    buffer_init(&raw);
    int64_t wall = ledger_read(ledger, id, &raw, &unused) == ERR_OK &&
                           record_decode(buffer_slice(&raw), &record, &unused) == ERR_OK
                       ? record.wall.ms
                       : -1;
    buffer_release(&raw);
    return wall;
}
