/*
 * desk_rig.h: one table in the world of world.h: a real desk over a real ledger, an antenna with
 * chips that can be written, and whoever sits there. Orders are carried out as the node does it.
 */
#ifndef BIBWEAVE_TESTS_DESK_RIG_H
#define BIBWEAVE_TESTS_DESK_RIG_H

#include "common/canon.h"
#include "common/desk.h"
#include "tests/unit/world.h"

enum { RIG_TAGS_MAX = 64 };

struct rig_tag {
    struct desk_tag tag;
    bool there; /* on the antenna */
};
struct rig;
struct rig {
    struct world world;
    size_t at; /* the station */
    struct desk *desk;
    bool encoder, no_tids;
    int64_t zone_ms;
    uint8_t kept[DESK_KEPT_MAX];
    size_t kept_size;
    struct rig_tag tag[RIG_TAGS_MAX];
    size_t tag_count;
    bool has_order; /* the encoder has one that it did not answer */
    struct desk_order order;
    bool forgotten;
    bool disk_full; /* records are refused */
    bool by_hand;   /* tests answer writes themselves */
    size_t records, writes, keeps;
    /* What must hold at each record and each write; NULL for nothing. */
    void (*at_record)(struct rig *rig, const struct desk_order *order);
    void (*at_write)(struct rig *rig, const struct desk_order *order);
    bool kept_failed, record_failed; /* the last of them */
    /* NULL, or instead of desk_step. The node stops when it fails: what follows until rig_restart
     * happens without it. */
    enum error_code (*step)(struct desk *desk, const struct desk_event *event, struct error *err);
    bool stopped;
    int64_t now;
    struct record_id last; /* of the last record */
};

/* An event with `per_bib` tags a bib, with the scheme; station 1 is the table, 0 the lead. */
void rig_new(struct rig *rig, bool encoder, unsigned per_bib, bool as_read);
void rig_free(struct rig *rig);
/* The power goes and comes back: a new desk with what was kept. */
void rig_restart(struct rig *rig);

void rig_step(struct rig *rig, struct desk_event event);
void rig_scan(struct rig *rig, const char *text);
void rig_type(struct rig *rig, const char *text);
/* Answers the open question with a word; the question must offer it. */
void rig_answer(struct rig *rig, const char *word);
void rig_command(struct rig *rig, enum desk_command command);
void rig_range(struct rig *rig, enum desk_command command, uint64_t first, uint64_t last,
               uint64_t step, uint64_t check_every);
void rig_tick(struct rig *rig, int64_t ms);
void rig_news(struct rig *rig);

/* A new blank chip; returns its index. rig_put and rig_take tell the desk. */
size_t rig_blank(struct rig *rig);
void rig_put(struct rig *rig, size_t tag);
void rig_away(struct rig *rig, size_t tag);
void rig_clear(struct rig *rig);
void rig_field(struct rig *rig); /* tells what lies there, again */
/* The encoder answers what it was ordered: written, or failed. */
void rig_written(struct rig *rig);
void rig_failed(struct rig *rig, enum desk_failure why, bool changed);

const struct desk_view *rig_view(const struct rig *rig);
void rig_says(const struct rig *rig, enum desk_tone tone, const char *words);
void rig_aside(const struct rig *rig, const char *words);
/* Live issues of a bib at the table's ledger, and the tags on them. */
size_t rig_live(const struct rig *rig, const char *bib);
/* The last issue of a bib. */
struct pairs_issue rig_issue(const struct rig *rig, const char *bib);
uint64_t rig_number(const struct rig *rig, size_t tag); /* that the chip carries; 0: none */

#endif
