/*
 * carrying.c: see carrying.h.
 */
#include "node/carrying.h"

static unsigned long long number(uint64_t value) {
    return (unsigned long long)value;
}

static enum error_code judge_input(const struct carry_report *report, uint64_t bytes,
                                   struct error *err) {
    unsigned long long taken = number(report->stored);
    if (bytes == 0) {
        error_set(err, ERR_TRUNCATED, "0 bytes");
        return error_say(err, "The file is empty: it was pulled out too early. Write it again.");
    }
    if (report->records == 0 && !report->truncated) {
        error_set(err, ERR_FORM, "no record in %llu bytes", number(bytes));
        return error_say(err, "This is not a carry file, or it is damaged from end to end.");
    }
    if (report->foreign > 0) {
        error_set(err, ERR_FOREIGN, "%llu of %llu records", number(report->foreign),
                  number(report->records));
        return error_say(err,
                         "The file has records of another event, which were left out. New "
                         "here: %llu.",
                         taken);
    }
    if (report->damaged > 0) {
        error_set(err, ERR_FORM, "%llu places that are no record, or do not verify",
                  number(report->damaged));
        return error_say(err,
                         "The file is damaged. What is good in it was taken (new here: %llu). "
                         "Write it again at the station that it came from.",
                         taken);
    }
    if (report->truncated) {
        error_set(err, ERR_TRUNCATED, "it ends in the middle of a record");
        return error_say(err,
                         "The file stops in the middle. What is whole in it was taken (new here: "
                         "%llu). Write it again at the station that it came from.",
                         taken);
    }
    return ERR_OK;
}

enum error_code carrying_judge(const struct carry_report *report, uint64_t bytes,
                               struct error *err) {
    error_clear(err);
    enum error_code code = judge_input(report, bytes, err);
    if (code != ERR_OK) {
        return code;
    }
    if (report->denied > 0) {
        error_set(err, ERR_NOT_ALLOWED, "%llu records", number(report->denied));
        return error_say(err,
                         "The file has records of a station that is not let in, as far as is "
                         "known here. Carry in the lead's file too. New here: %llu.",
                         number(report->stored));
    }
    if (report->gaps > 0) {
        error_set(err, ERR_UNSETTLED, "%llu records without the one before them",
                  number(report->gaps));
        return error_say(err,
                         "The file begins in the middle of a table's records. Carry in a whole "
                         "file of that table too. New here: %llu.",
                         number(report->stored));
    }
    return ERR_OK;
}

void carrying_json(const struct carry_report *report, json_t *object) {
    json_object_set_new(object, "records", json_integer((json_int_t)report->records));
    json_object_set_new(object, "stored", json_integer((json_int_t)report->stored));
    json_object_set_new(object, "foreign", json_integer((json_int_t)report->foreign));
    json_object_set_new(object, "denied", json_integer((json_int_t)report->denied));
    json_object_set_new(object, "damaged", json_integer((json_int_t)report->damaged));
    json_object_set_new(object, "gaps", json_integer((json_int_t)report->gaps));
    json_object_set_new(object, "truncated", json_boolean(report->truncated));
}
