/*
 * record_bodies.c: the bodies of the known kinds, read and written as record.cddl says.
 * Must never judge more than shape: whether a body makes sense in its event is asked elsewhere.
 */
#include "common/record.h"

#include <string.h>

#include "common/canon.h"
#include "common/fields.h"
#include "common/record_parts.h"

/* ---- open ---- */

static bool take_open(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_open *open = into;
    switch (key) {
    case 1:
        return part_get_key(reader, &open->key);
    case 2:
        return canon_get_exact(reader, open->incarnation.bytes, sizeof(open->incarnation.bytes));
    case 3:
        open->has_follows = true;
        return part_get_head(reader, &open->follows);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_open_read(struct slice body, struct record_open *open) {
    memset(open, 0, sizeof(*open));
    return fields_read_all(body, FIELDS_BIT(1) | FIELDS_BIT(2), take_open, open);
}

void record_open_write(const struct record_open *open, struct buffer *out) {
    canon_put_map(out, open->has_follows ? 3 : 2);
    canon_put_uint(out, 1);
    part_put_key(out, &open->key);
    canon_put_uint(out, 2);
    canon_put_bytes(out, slice_of(open->incarnation.bytes, sizeof(open->incarnation.bytes)));
    if (open->has_follows) {
        canon_put_uint(out, 3);
        part_put_head(out, &open->follows);
    }
}

/* ---- found ---- */

/* A number of at most `max`, so that it fits its bits in an EPC. */
static bool get_uint32(struct canon_reader *reader, uint32_t max, uint32_t *number) {
    uint64_t value = 0;
    if (!canon_get_uint(reader, &value) || value > max) {
        return false;
    }
    *number = (uint32_t)value;
    return true;
}

/* The usual AFI is not written: one form for one event. */
static bool get_afi(struct canon_reader *reader, uint8_t *afi) {
    uint32_t value = 0;
    if (!get_uint32(reader, UINT8_MAX, &value) || !epc_afi_fits((uint8_t)value)) {
        return false;
    }
    *afi = (uint8_t)value;
    return true;
}

static bool get_scheme(struct canon_reader *reader, struct epc_scheme *scheme) {
    size_t count = 0;
    unsigned kind = 0;
    if (!canon_get_array(reader, &count) || !part_get_choice(reader, EPC_AS_READ, &kind)) {
        return false;
    }
    scheme->kind = (enum epc_scheme_kind)kind;
    switch (scheme->kind) {
    case EPC_GID96:
        return count == 3 && get_uint32(reader, 268435455, &scheme->manager) &&
               get_uint32(reader, 16777215, &scheme->class_);
    case EPC_OWN:
        return (count == 2 || count == 3) && get_uint32(reader, UINT32_MAX, &scheme->code) &&
               scheme->code > 0 && (count == 2 || get_afi(reader, &scheme->afi));
    case EPC_AS_READ:
        break;
    }
    return count == 1;
}

static bool take_category(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_category *category = into;
    unsigned tags = 0;
    switch (key) {
    case 1:
        return part_get_short_text(reader, &category->name);
    case 2:
        return get_scheme(reader, &category->scheme);
    case 3:
        if (!part_get_choice(reader, RECORD_TAGS_MAX, &tags)) {
            return false;
        }
        category->tags_per_bib = (uint8_t)tags;
        return true;
    case 4:
        return part_get_ranges(reader, 0, &category->bibs);
    default:
        return canon_skip(reader, NULL);
    }
}

static bool get_categories(struct canon_reader *reader, struct record_found *found) {
    const uint64_t required = FIELDS_BIT(1) | FIELDS_BIT(2) | FIELDS_BIT(3) | FIELDS_BIT(4);
    if (!part_get_count(reader, 1, RECORD_CATEGORIES_MAX, &found->category_count)) {
        return false;
    }
    for (size_t i = 0; i < found->category_count; i++) {
        if (!fields_read(reader, required, take_category, &found->category[i])) {
            return false;
        }
    }
    return true;
}

static bool take_found(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_found *found = into;
    switch (key) {
    case 1:
        return part_get_short_text(reader, &found->name);
    case 2:
        return part_get_short_text(reader, &found->start);
    case 3:
        return part_get_ranges(reader, 1, &found->bibs);
    case 4:
        return part_get_ranges(reader, 0, &found->late);
    case 5:
        return get_categories(reader, found);
    case 6:
        return canon_get_bool(reader, &found->zeros_count);
    case 7:
        return canon_get_bool(reader, &found->epc_unique);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_found_read(struct slice body, struct record_found *found) {
    const uint64_t required = FIELDS_BIT(1) | FIELDS_BIT(2) | FIELDS_BIT(3) | FIELDS_BIT(4) |
                              FIELDS_BIT(5) | FIELDS_BIT(6) | FIELDS_BIT(7);
    memset(found, 0, sizeof(*found));
    return fields_read_all(body, required, take_found, found);
}

static void put_scheme(struct buffer *out, const struct epc_scheme *scheme) {
    size_t own = scheme->afi == 0 ? 2 : 3;
    canon_put_array(out, scheme->kind == EPC_GID96 ? 3 : scheme->kind == EPC_OWN ? own : 1);
    canon_put_uint(out, scheme->kind);
    if (scheme->kind == EPC_GID96) {
        canon_put_uint(out, scheme->manager);
        canon_put_uint(out, scheme->class_);
    } else if (scheme->kind == EPC_OWN) {
        canon_put_uint(out, scheme->code);
        if (scheme->afi != 0) {
            canon_put_uint(out, scheme->afi);
        }
    }
}

static void put_category(struct buffer *out, const struct record_category *category) {
    canon_put_map(out, 4);
    canon_put_uint(out, 1);
    canon_put_text(out, category->name);
    canon_put_uint(out, 2);
    put_scheme(out, &category->scheme);
    canon_put_uint(out, 3);
    canon_put_uint(out, category->tags_per_bib);
    canon_put_uint(out, 4);
    part_put_ranges(out, &category->bibs);
}

void record_found_write(const struct record_found *found, struct buffer *out) {
    canon_put_map(out, 7);
    canon_put_uint(out, 1);
    canon_put_text(out, found->name);
    canon_put_uint(out, 2);
    canon_put_text(out, found->start);
    canon_put_uint(out, 3);
    part_put_ranges(out, &found->bibs);
    canon_put_uint(out, 4);
    part_put_ranges(out, &found->late);
    canon_put_uint(out, 5);
    canon_put_array(out, found->category_count);
    for (size_t i = 0; i < found->category_count; i++) {
        put_category(out, &found->category[i]);
    }
    canon_put_uint(out, 6);
    canon_put_bool(out, found->zeros_count);
    canon_put_uint(out, 7);
    canon_put_bool(out, found->epc_unique);
}

const struct record_category *record_found_category(const struct record_found *found,
                                                    const struct bib *bib) {
    uint64_t number = 0;
    bool numeric = bib_number(bib, &number);
    const struct record_category *rest = NULL;
    for (size_t i = 0; i < found->category_count; i++) {
        const struct record_category *category = &found->category[i];
        if (numeric && bib_ranges_hold(&category->bibs, number)) {
            return category;
        }
        if (rest == NULL && category->bibs.count == 0) {
            rest = category;
        }
    }
    return rest != NULL ? rest : &found->category[0];
}

/* ---- admit ---- */

static bool get_addresses(struct canon_reader *reader, struct record_admit *admit) {
    if (!part_get_count(reader, 0, RECORD_ADDRESSES_MAX, &admit->address_count)) {
        return false;
    }
    for (size_t i = 0; i < admit->address_count; i++) {
        if (!part_get_short_text(reader, &admit->address[i])) {
            return false;
        }
    }
    return true;
}

static bool take_admit(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_admit *admit = into;
    unsigned role = 0;
    switch (key) {
    case 1:
        return part_get_key(reader, &admit->key);
    case 2:
        return canon_get_exact(reader, admit->curve.bytes, sizeof(admit->curve.bytes));
    case 3:
        return part_get_short_text(reader, &admit->name);
    case 4:
        if (!part_get_choice(reader, ROLE_LEAD, &role)) {
            return false;
        }
        admit->role = (enum role)role;
        return true;
    case 5:
        return get_addresses(reader, admit);
    case 6:
        admit->has_ticket = true;
        return part_get_ticket_id(reader, &admit->ticket);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_admit_read(struct slice body, struct record_admit *admit) {
    const uint64_t required =
        FIELDS_BIT(1) | FIELDS_BIT(2) | FIELDS_BIT(3) | FIELDS_BIT(4) | FIELDS_BIT(5);
    memset(admit, 0, sizeof(*admit));
    return fields_read_all(body, required, take_admit, admit);
}

void record_admit_write(const struct record_admit *admit, struct buffer *out) {
    canon_put_map(out, admit->has_ticket ? 6 : 5);
    canon_put_uint(out, 1);
    part_put_key(out, &admit->key);
    canon_put_uint(out, 2);
    canon_put_bytes(out, slice_of(admit->curve.bytes, sizeof(admit->curve.bytes)));
    canon_put_uint(out, 3);
    canon_put_text(out, admit->name);
    canon_put_uint(out, 4);
    canon_put_uint(out, admit->role);
    canon_put_uint(out, 5);
    canon_put_array(out, admit->address_count);
    for (size_t i = 0; i < admit->address_count; i++) {
        canon_put_text(out, admit->address[i]);
    }
    if (admit->has_ticket) {
        canon_put_uint(out, 6);
        part_put_ticket_id(out, &admit->ticket);
    }
}

/* ---- retire ---- */

static bool get_cutoffs(struct canon_reader *reader, struct record_retire *retire) {
    if (!part_get_count(reader, 0, RECORD_CUTOFFS_MAX, &retire->cutoff_count)) {
        return false;
    }
    for (size_t i = 0; i < retire->cutoff_count; i++) {
        if (!part_get_head(reader, &retire->cutoff[i])) {
            return false;
        }
    }
    return true;
}

static bool take_retire(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_retire *retire = into;
    unsigned how = 0;
    switch (key) {
    case 1:
        return part_get_key(reader, &retire->key);
    case 2:
        if (!part_get_choice(reader, RETIRE_STOLEN, &how)) {
            return false;
        }
        retire->how = (enum retire_how)how;
        return true;
    case 3:
        return get_cutoffs(reader, retire);
    case 4:
        return part_get_short_text(reader, &retire->reason);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_retire_read(struct slice body, struct record_retire *retire) {
    const uint64_t required = FIELDS_BIT(1) | FIELDS_BIT(2) | FIELDS_BIT(3) | FIELDS_BIT(4);
    memset(retire, 0, sizeof(*retire));
    return fields_read_all(body, required, take_retire, retire);
}

void record_retire_write(const struct record_retire *retire, struct buffer *out) {
    canon_put_map(out, 4);
    canon_put_uint(out, 1);
    part_put_key(out, &retire->key);
    canon_put_uint(out, 2);
    canon_put_uint(out, retire->how);
    canon_put_uint(out, 3);
    canon_put_array(out, retire->cutoff_count);
    for (size_t i = 0; i < retire->cutoff_count; i++) {
        part_put_head(out, &retire->cutoff[i]);
    }
    canon_put_uint(out, 4);
    canon_put_text(out, retire->reason);
}

/* ---- allot ---- */

static bool take_allot(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_allot *allot = into;
    switch (key) {
    case 1:
        return part_get_key(reader, &allot->key);
    case 2:
        return part_get_ranges(reader, 1, &allot->bibs);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_allot_read(struct slice body, struct record_allot *allot) {
    memset(allot, 0, sizeof(*allot));
    return fields_read_all(body, FIELDS_BIT(1) | FIELDS_BIT(2), take_allot, allot);
}

void record_allot_write(const struct record_allot *allot, struct buffer *out) {
    canon_put_map(out, 2);
    canon_put_uint(out, 1);
    part_put_key(out, &allot->key);
    canon_put_uint(out, 2);
    part_put_ranges(out, &allot->bibs);
}

/* ---- issue ---- */

static bool take_issue(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_issue *issue = into;
    unsigned how = 0;
    switch (key) {
    case 1:
        return part_get_bib(reader, &issue->bib);
    case 2:
        return part_get_tags(reader, 1, &issue->tag_count, issue->tag);
    case 3:
        if (!part_get_choice(reader, ISSUE_FILE, &how)) {
            return false;
        }
        issue->how = (enum issue_how)how;
        return true;
    case 4:
        return part_get_ids(reader, ISSUE_NAMES_MAX, &issue->replaces_count, issue->replaces);
    case 5:
        return part_get_ids(reader, ISSUE_NAMES_MAX, &issue->extra_count, issue->extra);
    case 6:
        return part_get_true(reader, &issue->half);
    case 7:
        return part_get_short_text(reader, &issue->reason);
    case 8:
        return part_get_chip(reader, &issue->chip);
    case 9:
        issue->has_chip_bib = true;
        return part_get_bib(reader, &issue->chip_bib);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_issue_read(struct slice body, struct record_issue *issue) {
    memset(issue, 0, sizeof(*issue));
    return fields_read_all(body, FIELDS_BIT(1) | FIELDS_BIT(2) | FIELDS_BIT(3), take_issue, issue);
}

/* The keys of an issue that are absent when they say nothing. */
static void put_issue_options(struct buffer *out, const struct record_issue *issue) {
    if (issue->replaces_count > 0) {
        canon_put_uint(out, 4);
        part_put_ids(out, issue->replaces_count, issue->replaces);
    }
    if (issue->extra_count > 0) {
        canon_put_uint(out, 5);
        part_put_ids(out, issue->extra_count, issue->extra);
    }
    if (issue->half) {
        canon_put_uint(out, 6);
        canon_put_bool(out, true);
    }
    if (issue->reason.size > 0) {
        canon_put_uint(out, 7);
        canon_put_text(out, issue->reason);
    }
    if (issue->chip != CHIP_UNSAID) {
        canon_put_uint(out, 8);
        canon_put_uint(out, issue->chip);
    }
    if (issue->has_chip_bib) {
        canon_put_uint(out, 9);
        canon_put_text(out, slice_text(issue->chip_bib.text));
    }
}

void record_issue_write(const struct record_issue *issue, struct buffer *out) {
    size_t options = (issue->replaces_count > 0 ? 1U : 0U) + (issue->extra_count > 0 ? 1U : 0U) +
                     (issue->half ? 1U : 0U) + (issue->reason.size > 0 ? 1U : 0U) +
                     (issue->chip != CHIP_UNSAID ? 1U : 0U) + (issue->has_chip_bib ? 1U : 0U);
    canon_put_map(out, 3 + options);
    canon_put_uint(out, 1);
    canon_put_text(out, slice_text(issue->bib.text));
    canon_put_uint(out, 2);
    part_put_tags(out, issue->tag_count, issue->tag);
    canon_put_uint(out, 3);
    canon_put_uint(out, issue->how);
    put_issue_options(out, issue);
}

/* ---- void ---- */

static bool take_void(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_void *v = into;
    switch (key) {
    case 1:
        return part_get_ids(reader, RECORD_NAMES_MAX, &v->target_count, v->target);
    case 2:
        return part_get_short_text(reader, &v->reason);
    case 3:
        return part_get_chip(reader, &v->chip);
    case 4:
        v->has_chip_bib = true;
        return part_get_bib(reader, &v->chip_bib);
    case 5:
        return part_get_true(reader, &v->unseen);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_void_read(struct slice body, struct record_void *v) {
    memset(v, 0, sizeof(*v));
    return fields_read_all(body, FIELDS_BIT(1) | FIELDS_BIT(2) | FIELDS_BIT(3), take_void, v);
}

void record_void_write(const struct record_void *v, struct buffer *out) {
    canon_put_map(out, 3U + (v->has_chip_bib ? 1U : 0U) + (v->unseen ? 1U : 0U));
    canon_put_uint(out, 1);
    part_put_ids(out, v->target_count, v->target);
    canon_put_uint(out, 2);
    canon_put_text(out, v->reason);
    canon_put_uint(out, 3);
    canon_put_uint(out, v->chip);
    if (v->has_chip_bib) {
        canon_put_uint(out, 4);
        canon_put_text(out, slice_text(v->chip_bib.text));
    }
    if (v->unseen) {
        canon_put_uint(out, 5);
        canon_put_bool(out, true);
    }
}

/* ---- close ---- */

static bool take_close(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_close *close = into;
    return key == 1 ? part_get_number(reader, &close->number) : canon_skip(reader, NULL);
}

bool record_close_read(struct slice body, struct record_close *close) {
    memset(close, 0, sizeof(*close));
    return fields_read_all(body, FIELDS_BIT(1), take_close, close);
}

void record_close_write(const struct record_close *close, struct buffer *out) {
    canon_put_map(out, 1);
    canon_put_uint(out, 1);
    canon_put_uint(out, close->number);
}

/* ---- ticket ---- */

static bool take_ticket_entry(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_ticket_entry *entry = into;
    unsigned role = 0;
    switch (key) {
    case 1:
        return part_get_ticket_id(reader, &entry->id);
    case 2:
        return canon_get_exact(reader, entry->hash.bytes, sizeof(entry->hash.bytes));
    case 3:
        return part_get_short_text(reader, &entry->name);
    case 4:
        if (!part_get_choice(reader, ROLE_TABLE, &role)) {
            return false;
        }
        entry->role = (enum role)role;
        return true;
    case 5:
        return part_get_ranges(reader, 1, &entry->bibs);
    default:
        return canon_skip(reader, NULL);
    }
}

static bool get_ticket_entries(struct canon_reader *reader, struct record_ticket *ticket) {
    const uint64_t required = FIELDS_BIT(1) | FIELDS_BIT(2) | FIELDS_BIT(3) | FIELDS_BIT(4);
    if (!part_get_count(reader, 1, RECORD_TICKETS_MAX, &ticket->entry_count)) {
        return false;
    }
    for (size_t i = 0; i < ticket->entry_count; i++) {
        if (!fields_read(reader, required, take_ticket_entry, &ticket->entry[i])) {
            return false;
        }
    }
    return true;
}

static bool take_ticket(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_ticket *ticket = into;
    uint64_t wall = 0;
    switch (key) {
    case 1:
        return get_ticket_entries(reader, ticket);
    case 2:
        if (!canon_get_uint(reader, &wall) || wall > INT64_MAX) {
            return false;
        }
        ticket->expires.ms = (int64_t)wall;
        return true;
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_ticket_read(struct slice body, struct record_ticket *ticket) {
    memset(ticket, 0, sizeof(*ticket));
    return fields_read_all(body, FIELDS_BIT(1) | FIELDS_BIT(2), take_ticket, ticket);
}

void record_ticket_write(const struct record_ticket *ticket, struct buffer *out) {
    canon_put_map(out, 2);
    canon_put_uint(out, 1);
    canon_put_array(out, ticket->entry_count);
    for (size_t i = 0; i < ticket->entry_count; i++) {
        const struct record_ticket_entry *entry = &ticket->entry[i];
        canon_put_map(out, entry->bibs.count > 0 ? 5 : 4);
        canon_put_uint(out, 1);
        part_put_ticket_id(out, &entry->id);
        canon_put_uint(out, 2);
        canon_put_bytes(out, slice_of(entry->hash.bytes, sizeof(entry->hash.bytes)));
        canon_put_uint(out, 3);
        canon_put_text(out, entry->name);
        canon_put_uint(out, 4);
        canon_put_uint(out, entry->role);
        if (entry->bibs.count > 0) {
            canon_put_uint(out, 5);
            part_put_ranges(out, &entry->bibs);
        }
    }
    canon_put_uint(out, 2);
    canon_put_uint(out, (uint64_t)ticket->expires.ms);
}

/* ---- cancel ---- */

static bool take_cancel(struct canon_reader *reader, uint64_t key, void *into) {
    struct record_cancel *cancel = into;
    switch (key) {
    case 1:
        if (!part_get_count(reader, 1, RECORD_TICKETS_MAX, &cancel->ticket_count)) {
            return false;
        }
        for (size_t i = 0; i < cancel->ticket_count; i++) {
            if (!part_get_ticket_id(reader, &cancel->ticket[i])) {
                return false;
            }
        }
        return true;
    case 2:
        return part_get_short_text(reader, &cancel->reason);
    default:
        return canon_skip(reader, NULL);
    }
}

bool record_cancel_read(struct slice body, struct record_cancel *cancel) {
    memset(cancel, 0, sizeof(*cancel));
    return fields_read_all(body, FIELDS_BIT(1) | FIELDS_BIT(2), take_cancel, cancel);
}

void record_cancel_write(const struct record_cancel *cancel, struct buffer *out) {
    canon_put_map(out, 2);
    canon_put_uint(out, 1);
    canon_put_array(out, cancel->ticket_count);
    for (size_t i = 0; i < cancel->ticket_count; i++) {
        part_put_ticket_id(out, &cancel->ticket[i]);
    }
    canon_put_uint(out, 2);
    canon_put_text(out, cancel->reason);
}
