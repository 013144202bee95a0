/*
 * desk_kept.c: what a desk keeps over a restart, as one deterministic CBOR map.
 * Must never give back what it did not read whole: a half-read desk would chip the wrong bib.
 */
#include "common/desk_state.h"

#include <string.h>

#include "common/canon.h"
#include "common/fields.h"

enum { KEPT_FORM = 1, KEPT_ROLL_PAIR = 1, KEPT_STRANGE_OK = 2 };
enum { JOB_READ_GOOD = 1, JOB_GOOD = 2, JOB_HOLD_OK = 4 };
enum { LINE_PAUSED = 1, LINE_ENDED = 2, LINE_CHECK = 4, LINE_CHECKED = 8, LINE_MADE = 16 };
enum { DONE_HALF = 1, DONE_UNDONE = 2, DONE_ID = 4 };

/* ---- writing ---- */

static void put_words(struct buffer *out, const char *text) {
    canon_put_text(out, slice_text(text));
}

static void put_ids(struct buffer *out, const struct record_id *ids, size_t count) {
    canon_put_array(out, count);
    for (size_t i = 0; i < count; i++) {
        canon_put_bytes(out, slice_of(ids[i].bytes, sizeof(ids[i].bytes)));
    }
}

static void put_epc(struct buffer *out, const struct epc *epc) {
    canon_put_bytes(out, slice_of(epc->data, epc->size));
}

static void put_tid(struct buffer *out, const struct tid *tid) {
    canon_put_bytes(out, slice_of(tid->data, tid->size));
}

static void put_job(struct buffer *out, const struct desk_job *job) {
    canon_put_array(out, 11);
    canon_put_uint(out, (job->read_good ? JOB_READ_GOOD : 0U) | (job->good ? JOB_GOOD : 0U) |
                            (job->hold_ok ? JOB_HOLD_OK : 0U));
    put_words(out, job->bib.text);
    canon_put_uint(out, job->how);
    canon_put_uint(out, job->wanted);
    canon_put_uint(out, job->beside);
    canon_put_array(out, job->made_count);
    for (size_t i = 0; i < job->made_count; i++) {
        canon_put_array(out, 3);
        put_epc(out, &job->made[i].epc);
        put_tid(out, &job->made[i].tid);
        canon_put_bool(out, job->made[i].seen);
    }
    put_ids(out, job->replaces, job->replaces_count);
    put_ids(out, job->extra, job->extra_count);
    canon_put_uint(out, job->chip);
    put_words(out, job->chip_bib.text);
    put_words(out, job->reason);
}

static void put_out(struct buffer *out, const struct desk_out *order) {
    canon_put_array(out, 7);
    canon_put_uint(out, order->number);
    put_epc(out, &order->tag.epc);
    put_tid(out, &order->tag.tid);
    canon_put_bool(out, order->tag.has_pc);
    canon_put_uint(out, order->tag.pc);
    put_epc(out, &order->epc);
    canon_put_uint(out, order->pc);
}

static void put_line(struct buffer *out, const struct desk_line *line) {
    canon_put_array(out, 10);
    canon_put_uint(out, (line->paused ? LINE_PAUSED : 0U) | (line->ended ? LINE_ENDED : 0U) |
                            (line->force_check ? LINE_CHECK : 0U) |
                            (line->has_checked ? LINE_CHECKED : 0U) |
                            (line->has_made ? LINE_MADE : 0U));
    canon_put_uint(out, line->first);
    canon_put_uint(out, line->last);
    canon_put_uint(out, line->step);
    canon_put_uint(out, line->next);
    canon_put_uint(out, line->done);
    canon_put_uint(out, line->skipped);
    canon_put_uint(out, line->check_every);
    canon_put_uint(out, line->checked);
    canon_put_uint(out, line->made);
}

static void put_latest(struct buffer *out, const struct desk_lasting *lasting) {
    canon_put_array(out, lasting->last_count);
    for (size_t i = 0; i < lasting->last_count; i++) {
        const struct desk_done *done = &lasting->latest[i];
        canon_put_array(out, 6);
        canon_put_uint(out, (done->half ? DONE_HALF : 0U) | (done->undone ? DONE_UNDONE : 0U) |
                                (lasting->latest_id[i] ? DONE_ID : 0U));
        put_words(out, done->bib.text);
        canon_put_bytes(out, slice_of(done->id.bytes, sizeof(done->id.bytes)));
        canon_put_int(out, done->wall.ms);
        canon_put_uint(out, done->chips);
        put_words(out, done->say);
    }
}

void desk_kept_write(const struct desk_lasting *lasting, struct buffer *out) {
    canon_put_map(out, 6U + (lasting->job.active ? 1U : 0U) + (lasting->out.active ? 1U : 0U) +
                           (lasting->line.active ? 1U : 0U) +
                           (lasting->aside_line.active ? 1U : 0U));
    canon_put_uint(out, 1);
    canon_put_uint(out, KEPT_FORM);
    canon_put_uint(out, 2);
    canon_put_uint(out, lasting->orders);
    canon_put_uint(out, 3);
    put_words(out, lasting->helper);
    canon_put_uint(out, 4);
    put_words(out, lasting->roll);
    canon_put_uint(out, 5);
    canon_put_uint(out, (lasting->roll_pair ? KEPT_ROLL_PAIR : 0U) |
                            (lasting->strange_ok ? KEPT_STRANGE_OK : 0U));
    canon_put_uint(out, 6);
    put_latest(out, lasting);
    if (lasting->job.active) {
        canon_put_uint(out, 7);
        put_job(out, &lasting->job);
    }
    if (lasting->out.active) {
        canon_put_uint(out, 8);
        put_out(out, &lasting->out);
    }
    if (lasting->line.active) {
        canon_put_uint(out, 9);
        put_line(out, &lasting->line);
    }
    if (lasting->aside_line.active) {
        canon_put_uint(out, 10);
        put_line(out, &lasting->aside_line);
    }
}

/* ---- reading ---- */

static bool get_words(struct canon_reader *reader, char *out, size_t size) {
    struct slice text;
    if (!canon_get_text(reader, &text) || text.size >= size ||
        (text.size > 0 && memchr(text.data, 0, text.size) != NULL)) {
        return false;
    }
    memset(out, 0, size);
    if (text.size > 0) {
        memcpy(out, text.data, text.size);
    }
    return true;
}

static bool get_label(struct canon_reader *reader, bool empty, struct bib *bib) {
    return get_words(reader, bib->text, sizeof(bib->text)) &&
           ((empty && bib->text[0] == '\0') || bib_is_stored_form(slice_text(bib->text), true));
}

static bool get_bounded(struct canon_reader *reader, uint64_t max, size_t *value) {
    uint64_t number = 0;
    if (!canon_get_uint(reader, &number) || number > max) {
        return false;
    }
    *value = (size_t)number;
    return true;
}

static bool get_items(struct canon_reader *reader, size_t count) {
    size_t found = 0;
    return canon_get_array(reader, &found) && found == count;
}

static bool get_ids(struct canon_reader *reader, struct record_id *ids, size_t *count) {
    if (!canon_get_array(reader, count) || *count > ISSUE_NAMES_MAX) {
        return false;
    }
    for (size_t i = 0; i < *count; i++) {
        if (!canon_get_exact(reader, ids[i].bytes, sizeof(ids[i].bytes))) {
            return false;
        }
    }
    return true;
}

static bool get_epc(struct canon_reader *reader, struct epc *epc) {
    struct slice bytes;
    if (!canon_get_bytes(reader, &bytes) || bytes.size < 2 || bytes.size > EPC_SIZE_MAX ||
        bytes.size % 2 != 0) {
        return false;
    }
    epc->size = (uint8_t)bytes.size;
    memcpy(epc->data, bytes.data, bytes.size);
    return true;
}

static bool get_tid(struct canon_reader *reader, struct tid *tid) {
    struct slice bytes;
    if (!canon_get_bytes(reader, &bytes) || bytes.size > TID_SIZE_MAX || bytes.size % 2 != 0) {
        return false;
    }
    tid->size = (uint8_t)bytes.size;
    if (bytes.size > 0) {
        memcpy(tid->data, bytes.data, bytes.size);
    }
    return true;
}

static bool get_made(struct canon_reader *reader, struct desk_job *job) {
    if (!canon_get_array(reader, &job->made_count) || job->made_count > RECORD_TAGS_MAX) {
        return false;
    }
    for (size_t i = 0; i < job->made_count; i++) {
        struct desk_chip *chip = &job->made[i];
        if (!get_items(reader, 3) || !get_epc(reader, &chip->epc) || !get_tid(reader, &chip->tid) ||
            !canon_get_bool(reader, &chip->seen)) {
            return false;
        }
    }
    return true;
}

static bool get_job(struct canon_reader *reader, struct desk_job *job) {
    size_t flags = 0, how = 0, chip = 0;
    if (!get_items(reader, 11) || !get_bounded(reader, 7, &flags) ||
        !get_label(reader, false, &job->bib) || !get_bounded(reader, ISSUE_SERIES, &how) ||
        how < ISSUE_SCAN || !get_bounded(reader, RECORD_TAGS_MAX, &job->wanted) ||
        job->wanted == 0 || !get_bounded(reader, 1000000, &job->beside) || !get_made(reader, job) ||
        job->made_count > job->wanted || !get_ids(reader, job->replaces, &job->replaces_count) ||
        !get_ids(reader, job->extra, &job->extra_count) ||
        !get_bounded(reader, CHIP_ON_BIB, &chip) || !get_label(reader, true, &job->chip_bib) ||
        !get_words(reader, job->reason, sizeof(job->reason))) {
        return false;
    }
    job->active = true;
    job->read_good = (flags & JOB_READ_GOOD) != 0;
    job->good = (flags & JOB_GOOD) != 0;
    job->hold_ok = (flags & JOB_HOLD_OK) != 0;
    job->how = (enum issue_how)how;
    job->chip = (enum chip_where)chip;
    return (job->chip == CHIP_ON_BIB) == (job->chip_bib.text[0] != '\0') &&
           !(job->good && job->made_count == 0);
}

static bool get_out(struct canon_reader *reader, struct desk_out *out) {
    size_t old_pc = 0, pc = 0;
    if (!get_items(reader, 7) || !canon_get_uint(reader, &out->number) ||
        !get_epc(reader, &out->tag.epc) || !get_tid(reader, &out->tag.tid) ||
        !canon_get_bool(reader, &out->tag.has_pc) || !get_bounded(reader, UINT16_MAX, &old_pc) ||
        !get_epc(reader, &out->epc) || !get_bounded(reader, UINT16_MAX, &pc)) {
        return false;
    }
    out->active = true;
    out->tag.pc = (uint16_t)old_pc;
    out->pc = (uint16_t)pc;
    return true;
}

static bool within(const struct desk_line *line, uint64_t number) {
    uint64_t low = line->first < line->last ? line->first : line->last;
    uint64_t high = line->first < line->last ? line->last : line->first;
    return number >= low && number <= high;
}

static bool get_line(struct canon_reader *reader, struct desk_line *line) {
    size_t flags = 0;
    if (!get_items(reader, 10) || !get_bounded(reader, 31, &flags) ||
        !canon_get_uint(reader, &line->first) || !canon_get_uint(reader, &line->last) ||
        !canon_get_uint(reader, &line->step) || !canon_get_uint(reader, &line->next) ||
        !canon_get_uint(reader, &line->done) || !canon_get_uint(reader, &line->skipped) ||
        !canon_get_uint(reader, &line->check_every) || !canon_get_uint(reader, &line->checked) ||
        !canon_get_uint(reader, &line->made)) {
        return false;
    }
    line->active = true;
    line->paused = (flags & LINE_PAUSED) != 0;
    line->ended = (flags & LINE_ENDED) != 0;
    line->force_check = (flags & LINE_CHECK) != 0;
    line->has_checked = (flags & LINE_CHECKED) != 0;
    line->has_made = (flags & LINE_MADE) != 0;
    return line->first > 0 && line->last > 0 && line->step > 0 && line->check_every > 0 &&
           within(line, line->next) && (!line->has_checked || within(line, line->checked)) &&
           (!line->has_made || within(line, line->made));
}

static bool get_done(struct canon_reader *reader, struct desk_done *done, bool *has_id) {
    size_t flags = 0;
    if (!get_items(reader, 6) || !get_bounded(reader, 7, &flags) ||
        !get_label(reader, false, &done->bib) ||
        !canon_get_exact(reader, done->id.bytes, sizeof(done->id.bytes)) ||
        !canon_get_int(reader, &done->wall.ms) ||
        !get_bounded(reader, RECORD_TAGS_MAX, &done->chips) ||
        !get_words(reader, done->say, sizeof(done->say))) {
        return false;
    }
    done->half = (flags & DONE_HALF) != 0;
    done->undone = (flags & DONE_UNDONE) != 0;
    *has_id = (flags & DONE_ID) != 0;
    return true;
}

static bool get_latest(struct canon_reader *reader, struct desk_lasting *lasting) {
    if (!canon_get_array(reader, &lasting->last_count) || lasting->last_count > DESK_LAST_MAX) {
        return false;
    }
    for (size_t i = 0; i < lasting->last_count; i++) {
        if (!get_done(reader, &lasting->latest[i], &lasting->latest_id[i])) {
            return false;
        }
    }
    return true;
}

static bool take(struct canon_reader *reader, uint64_t key, void *into) {
    struct desk_lasting *lasting = into;
    uint64_t form = 0;
    size_t flags = 0;
    switch (key) {
    case 1:
        return canon_get_uint(reader, &form) && form == KEPT_FORM;
    case 2:
        return canon_get_uint(reader, &lasting->orders);
    case 3:
        return get_words(reader, lasting->helper, sizeof(lasting->helper));
    case 4:
        return get_words(reader, lasting->roll, sizeof(lasting->roll));
    case 5:
        if (!get_bounded(reader, 3, &flags)) {
            return false;
        }
        lasting->roll_pair = (flags & KEPT_ROLL_PAIR) != 0;
        lasting->strange_ok = (flags & KEPT_STRANGE_OK) != 0;
        return true;
    case 6:
        return get_latest(reader, lasting);
    case 7:
        return get_job(reader, &lasting->job);
    case 8:
        return get_out(reader, &lasting->out);
    case 9:
        return get_line(reader, &lasting->line);
    case 10:
        return get_line(reader, &lasting->aside_line);
    default:
        return canon_skip(reader, NULL);
    }
}

bool desk_kept_read(struct slice kept, struct desk_lasting *lasting) {
    const uint64_t required = FIELDS_BIT(1) | FIELDS_BIT(2) | FIELDS_BIT(3) | FIELDS_BIT(4) |
                              FIELDS_BIT(5) | FIELDS_BIT(6);
    memset(lasting, 0, sizeof(*lasting));
    return kept.size <= DESK_KEPT_MAX && fields_read_all(kept, required, take, lasting) &&
           (!lasting->out.active ||
            (lasting->job.active && lasting->job.made_count < lasting->job.wanted &&
             lasting->out.number <= lasting->orders));
}
