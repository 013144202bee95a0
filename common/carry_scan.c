/*
 * carry_scan.c: see carry_scan.h.
 * Must never read behind the end of the file, whatever its bytes claim.
 */
#include "common/carry_scan.h"

#include <string.h>

/* How every record begins: tag 18, array of 4, protected header, empty unprotected map. */
static const uint8_t envelope_start[] = {0xD2, 0x84, 0x43, 0xA1, 0x01, 0x27, 0xA0};

enum { SEARCHES_MAX = 64 };

struct carry_scan carry_scan_of(struct slice file) {
    return (struct carry_scan){.file = file};
}

/* Where the next envelope begins, at or behind `from`; the file's size if there is none. */
static size_t next_envelope(struct slice file, size_t from) {
    if (from >= file.size) {
        return file.size;
    }
    const uint8_t *found =
        memmem(file.data + from, file.size - from, envelope_start, sizeof(envelope_start));
    return found == NULL ? file.size : (size_t)(found - file.data);
}

/* A length that was damaged can point behind the end of the file, so the file is called cut only
 * when no other record begins in what would be the last one. */
static enum carry_found step_over(struct carry_scan *scan, bool may_be_cut) {
    size_t next = next_envelope(scan->file, scan->at + 1);
    if (may_be_cut && next == scan->file.size) {
        scan->truncated = true;
        scan->at = next;
        return CARRY_END;
    }
    scan->damaged++;
    scan->at = next;
    return CARRY_SKIPPED;
}

enum carry_found carry_scan_next(struct carry_scan *scan, struct record *record) {
    if (scan->at >= scan->file.size) {
        return CARRY_END;
    }
    struct slice rest = slice_of(scan->file.data + scan->at, scan->file.size - scan->at);
    struct error unused;
    bool whole = false;
    size_t size = record_size_at(rest, &whole);
    if (size == 0) {
        return step_over(scan, !whole);
    }
    if (record_decode(slice_of(rest.data, size), record, &unused) != ERR_OK) {
        return step_over(scan, false);
    }
    scan->at += size;
    scan->records++;
    return CARRY_RECORD;
}

/* The key in the `open` of a log, wherever in the file it stands. */
static bool find_open(struct slice file, const struct log_id *log, struct sign_public *key) {
    struct carry_scan scan = carry_scan_of(file);
    struct record record;
    struct record_open open;
    for (enum carry_found found; (found = carry_scan_next(&scan, &record)) != CARRY_END;) {
        if (found == CARRY_RECORD && record.number == 1 && ID_EQUAL(record.log, *log) &&
            record.kind == RECORD_OPEN && record_open_read(record.body, &open)) {
            struct log_id made = identity_log(&open.key, &open.incarnation);
            if (ID_EQUAL(made, *log)) {
                *key = open.key;
                return true;
            }
        }
    }
    return false;
}

/* Each `found` costs a search, so a file full of them that lead nowhere is not searched for ever.
 */
bool carry_scan_event(struct carry_scan *scan, struct sign_public *root, struct event_id *event) {
    struct record record;
    for (enum carry_found found; (found = carry_scan_next(scan, &record)) != CARRY_END;) {
        if (found != CARRY_RECORD || record.kind != RECORD_FOUND || record.number != 2 ||
            scan->searches == SEARCHES_MAX) {
            continue;
        }
        scan->searches++;
        if (find_open(scan->file, &record.log, root)) {
            *event = identity_event(root, record.body);
            if (record_verify(&record, event, root)) {
                return true;
            }
        }
    }
    return false;
}
