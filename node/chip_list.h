/*
 * chip_list.h: the chip list for the timing crew, and what goes with it, as `export` and `handover`
 * write it. For verb_export.c and verb_handover.c alone.
 *
 * Three files: the list, chips that are on two bibs, and chips that no longer count.
 */
#ifndef BIBWEAVE_CHIP_LIST_H
#define BIBWEAVE_CHIP_LIST_H

#include "node/files.h"
#include "node/verb_parts.h"

enum { CHIP_LIST_LIVE, CHIP_LIST_TWO_BIBS, CHIP_LIST_DEAD };
enum { CHIP_LIST_MARK_SIZE = 96 };

/* A tag as it is compared: 1 and the EPC, or 2 and the TID. */
struct tag_name {
    uint8_t kind;
    uint8_t size;
    uint8_t data[EPC_SIZE_MAX];
};

struct chip_list {
    struct verb_call *call;
    struct ledger *ledger;
    char path[3][FILES_PATH_MAX]; /* list, two bibs, dead */
    struct buffer csv[3];
    uint64_t rows[3];
    struct tag_name *shared; /* sorted */
    size_t shared_count, shared_capacity;
    struct bib bib; /* of the rows being written, and what they have in common */
    unsigned position;
    char mark[CHIP_LIST_MARK_SIZE];
    uint64_t doubled, doubt, half; /* bibs */
    uint64_t unseen;               /* chips of a supplier's list that nobody has read */
    uint64_t dead_live;            /* chips that do not count, with EPC or TID of one that does */
    json_t *not_closed;
    uint64_t not_closed_count;
    struct parts_holds holds;
    bool is_since; /* only bibs that changed since the last handed-over list */
    struct pairs_handover handover;
    struct bib *changed; /* sorted by their bytes */
    size_t changed_count, changed_capacity;
    struct buffer warnings;
    bool failed;          /* memory ran out */
    enum error_code code; /* of what a callback asked for */
    struct error err;
};

/* `list` is zeroed, and malloc'd; chip_list_free frees it. */
void chip_list_begin(struct chip_list *list, struct verb_call *call) __attribute__((nonnull));
void chip_list_free(struct chip_list *list) __attribute__((nonnull));
/* Where the three files go: "list.csv" gives "list-two-bibs.csv" and "list-dead.csv". Errors:
 * ERR_USAGE. */
enum error_code chip_list_paths(struct chip_list *list, const char *name, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Reads all from the ledger, which the caller has verified. With is_since, ERR_NOT_FOUND where no
 * list was handed over. */
enum error_code chip_list_gather(struct chip_list *list, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* All three are looked at before the first is written, so that no half set is left. Errors:
 * ERR_EXISTS, and those of files.h. */
enum error_code chip_list_write(struct chip_list *list, bool force, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* Nothing is left to be settled, and all tables are closed. */
bool chip_list_is_clean(const struct chip_list *list) __attribute__((nonnull));
json_t *chip_list_json(struct chip_list *list, struct digest32 heads, struct digest32 state)
    __attribute__((nonnull));
void chip_list_text(struct chip_list *list) __attribute__((nonnull));

#endif
