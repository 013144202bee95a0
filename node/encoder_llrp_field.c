/*
 * encoder_llrp_field.c: which tags are on the antenna; see the header. Never does I/O.
 */
#include "node/encoder_llrp_field.h"

#include <string.h>

bool encoder_llrp_epc_equal(const struct epc *a, const struct epc *b) {
    return slice_equal(slice_of(a->data, a->size), slice_of(b->data, b->size));
}

bool encoder_llrp_tid_equal(const struct tid *a, const struct tid *b) {
    return slice_equal(slice_of(a->data, a->size), slice_of(b->data, b->size));
}

static void drop(struct encoder_llrp_field *field, size_t i) {
    field->count -= 1;
    memmove(&field->tags[i], &field->tags[i + 1], (field->count - i) * sizeof field->tags[0]);
    field->changed = true;
}

/* The place of the tag with this TID, or field->count. */
static size_t with_tid(const struct encoder_llrp_field *field, const struct tid *tid) {
    size_t i = 0;
    while (i < field->count && !encoder_llrp_tid_equal(&field->tags[i].tid, tid)) {
        i++;
    }
    return i;
}

/* The place of the tag with this EPC whose TID was not read, or field->count. */
static size_t without_tid(const struct encoder_llrp_field *field, const struct epc *epc) {
    size_t i = 0;
    while (i < field->count &&
           (field->tags[i].tid.size > 0 || !encoder_llrp_epc_equal(&field->tags[i].epc, epc))) {
        i++;
    }
    return i;
}

static void refresh(struct encoder_llrp_field *field, struct encoder_llrp_tag *tag,
                    const struct encoder_llrp_tag *heard) {
    if (!encoder_llrp_epc_equal(&tag->epc, &heard->epc)) {
        tag->epc = heard->epc;
        tag->has_pc = false; /* it was the other EPC's */
        field->changed = true;
    }
    if (heard->tid.size > 0 && tag->tid.size == 0) {
        tag->tid = heard->tid;
        field->changed = true;
    }
    if (heard->has_pc) {
        tag->has_pc = true;
        tag->pc = heard->pc;
    }
    if (heard->has_rssi) {
        tag->has_rssi = true;
        tag->rssi = heard->rssi;
    }
    tag->heard = heard->heard;
}

/* Which of several was heard cannot be told: all that it may be are still there. */
static void refresh_all(struct encoder_llrp_field *field, const struct encoder_llrp_tag *heard) {
    for (size_t i = 0; i < field->count; i++) {
        if (encoder_llrp_epc_equal(&field->tags[i].epc, &heard->epc)) {
            field->tags[i].heard = heard->heard;
        }
    }
}

void encoder_llrp_field_hear(struct encoder_llrp_field *field, const struct encoder_llrp_tag *heard,
                             bool known_only) {
    size_t nameless = without_tid(field, &heard->epc);
    size_t at = nameless;
    if (heard->tid.size > 0) {
        size_t known = with_tid(field, &heard->tid);
        if (known < field->count && nameless < field->count) {
            drop(field, nameless); /* it is this one, heard before its TID was read */
            known = with_tid(field, &heard->tid);
        }
        at = known < field->count ? known : nameless;
    } else if (nameless == field->count) {
        bool several = false;
        const struct encoder_llrp_tag *only = encoder_llrp_field_only(field, &heard->epc, &several);
        if (several) {
            refresh_all(field, heard);
            return;
        }
        at = only != NULL ? (size_t)(only - field->tags) : field->count;
    }
    if (at < field->count) {
        refresh(field, &field->tags[at], heard);
    } else if (field->count < ENCODER_LLRP_FIELD_MAX && !known_only) {
        field->tags[field->count++] = *heard;
        field->changed = true;
    }
}

void encoder_llrp_field_written(struct encoder_llrp_field *field, const struct epc *old,
                                const struct encoder_llrp_tag *tag) {
    size_t nameless = without_tid(field, old);
    if (nameless < field->count) {
        drop(field, nameless);
    }
    encoder_llrp_field_hear(field, tag, false);
}

void encoder_llrp_field_age(struct encoder_llrp_field *field, struct mono_ms now, int64_t gone_ms) {
    for (size_t i = field->count; i > 0; i--) {
        if (now.ms - field->tags[i - 1].heard.ms > gone_ms) {
            drop(field, i - 1);
        }
    }
}

const struct encoder_llrp_tag *encoder_llrp_field_only(const struct encoder_llrp_field *field,
                                                       const struct epc *epc, bool *several) {
    const struct encoder_llrp_tag *found = NULL;
    *several = false;
    for (size_t i = 0; i < field->count; i++) {
        if (encoder_llrp_epc_equal(&field->tags[i].epc, epc)) {
            *several = found != NULL || *several;
            found = &field->tags[i];
        }
    }
    return *several ? NULL : found;
}
