/*
 * target_llrp.c: what an LLRP reader sends: a stream of bytes, cut into messages, each of them read
 * in every way there is. No state.
 */
#include "tests/fuzz/fuzz.h"

#include "node/llrp_message.h"

#include <string.h>

static bool inside(struct slice part, struct slice whole) {
    return part.size == 0 || (part.data >= whole.data && part.size <= whole.size &&
                              (size_t)(part.data - whole.data) <= whole.size - part.size);
}

static void read_reports(struct slice body) {
    struct llrp_report report;
    struct error err;
    struct slice rest = body;
    bool got;
    size_t count = 0;
    while (llrp_message_report(&rest, &report, &got, &err) == ERR_OK && got) {
        FUZZ_CHECK(++count <= body.size / 4, "%zu reports in %zu bytes", count, body.size);
        FUZZ_CHECK(report.epc.size <= EPC_SIZE_MAX && report.epc.size % 2 == 0, "EPC of %u bytes",
                   report.epc.size);
        FUZZ_CHECK(report.result_count <= LLRP_RESULTS_MAX, "%zu results", report.result_count);
        for (size_t i = 0; i < report.result_count; i++) {
            struct slice data = report.results[i].data;
            FUZZ_CHECK(inside(data, body) && data.size % 2 == 0, "%zu bytes read", data.size);
        }
    }
}

static void read_message(const struct llrp_message *message) {
    static struct llrp_capabilities capabilities;
    struct llrp_status status;
    struct llrp_event event;
    struct llrp_transmitter transmitter;
    struct error err;
    uint8_t current, supported;
    if (llrp_message_status(message, &status, &err) == ERR_OK) {
        FUZZ_CHECK(utf8_valid(slice_text(status.text)), "%s", "status");
    }
    if (llrp_message_event(message, &event, &err) == ERR_OK) {
        FUZZ_CHECK(utf8_valid(slice_text(event.text)), "%s", "event");
    }
    if (llrp_message_capabilities(message, &capabilities, &err) == ERR_OK) {
        FUZZ_CHECK(capabilities.power_count <= LLRP_POWER_MAX, "%zu", capabilities.power_count);
    }
    if (llrp_message_transmitter(message, 1, &transmitter, &err) != ERR_OK) {
        FUZZ_CHECK(err.code == ERR_FORM || err.code == ERR_NOT_FOUND, "%d", (int)err.code);
    }
    if (llrp_message_versions(message, &current, &supported, &err) != ERR_OK) {
        FUZZ_CHECK(err.code == ERR_FORM && err.say[0] != '\0', "%d", (int)err.code);
    }
    read_reports(message->body);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct slice rest = slice_of(data, size);
    struct llrp_message message;
    struct error err;
    size_t used;
    while (llrp_message_next(rest, &message, &used, &err) == LLRP_FRAME_WHOLE) {
        FUZZ_CHECK(used >= LLRP_HEADER && used <= rest.size, "%zu bytes", used);
        FUZZ_CHECK(message.body.size == used - LLRP_HEADER, "%zu bytes", message.body.size);
        read_message(&message);
        rest = slice_of(rest.data + used, rest.size - used);
    }
    return 0;
}
