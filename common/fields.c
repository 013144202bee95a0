/*
 * fields.c: the walk over a map with integer keys.
 * Must never take a map whose keys are out of order: it would have a second byte form.
 */
#include "common/fields.h"

bool fields_read(struct canon_reader *reader, uint64_t required, fields_take *take, void *into) {
    struct canon_reader ahead = *reader;
    struct slice previous = {NULL, 0};
    uint64_t found = 0;
    size_t pairs = 0;
    if (!canon_get_map(&ahead, &pairs)) {
        return false;
    }
    for (size_t i = 0; i < pairs; i++) {
        const uint8_t *start = ahead.at;
        uint64_t key = UINT64_MAX;
        bool numbered = canon_get_uint(&ahead, &key);
        if (!numbered && !canon_skip_within(&ahead, 1, NULL)) {
            return false;
        }
        struct slice encoded = slice_of(start, (size_t)(ahead.at - start));
        if (i > 0 && slice_compare(previous, encoded) >= 0) {
            return false;
        }
        previous = encoded;
        if (!(numbered ? take(&ahead, key, into) : canon_skip_within(&ahead, 1, NULL))) {
            return false;
        }
        found |= key < 64 ? FIELDS_BIT(key) : 0;
    }
    if ((found & required) != required) {
        return false;
    }
    *reader = ahead;
    return true;
}

bool fields_read_all(struct slice map, uint64_t required, fields_take *take, void *into) {
    struct canon_reader reader = canon_read(map);
    return fields_read(&reader, required, take, into) && canon_done(&reader);
}
