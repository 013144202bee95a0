/*
 * test_llrp_message.c: what is sent to an LLRP reader, byte for byte, and what is read from it.
 *
 * The samples were laid out by hand after EPCglobal LLRP 1.0.1, sections 16 and 17; the LLRP
 * dissector of tshark 4.0.17 decodes each of them, and an independent C toolkit gives the same
 * bytes when it encodes what it decoded. In the last tests they are cut and damaged.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <stdlib.h>
#include <string.h>

#include "node/llrp_request.h"
#include "tests/from_hex.h"

#define CONNECTED "043f000000200000000000f600160080000c00060a24181e4000010000060000"
#define ANSWER    "041e0000001200000005011f000800000000"
#define REPORT_OK                                                                                  \
    "043d0000008c0000000000f000828de2004216cb60601500951ed6890000000181000186d18200060a24182d8240" \
    "8400060a24182e45908800018c30008bb91f9000000001015d00150000010006e28011052000000012345678015e" \
    "00090000020007015d0019000003000876f43000350007ab70425d4000000586015e000900000400020160000700" \
    "0005"
#define REPORT_FAILED                                                                              \
    "043d000000410000000000f000378de2004216cb60601500951ed68100019000000001015d00150000010006e280" \
    "11052000000012345678015e00090500020003"
#define KEEPALIVE     "043e0000000a0000004d"
#define CLOSED        "0404000000120000000a011f000800000000"
#define VERSION_ERROR "0464000000150000000b011f000b006e0003766572"

/* A capabilities answer: four antennas, power levels 1 (10 dBm) and 2 (30 dBm), six OpSpecs. From
 * memory of the standard's layout, and decoded by tshark in tests/llrp. */
#define CAPABILITIES                                                                               \
    "040b000000b20000000c011f0008000000000089002e0004000000000000000000010003312e30008b000800"     \
    "010000008d000800000000008c00090001000101008e001c0001000000000001000000010000000100000002"     \
    "00000008008f004f000000020090004700910008000103e80091000800020bb80092000f000094000a000100"     \
    "0d3a1c014800240149002000000001000002020009c400000005dc00001c5200001c52000000000147000700"     \
    "0000"

struct given {
    uint8_t space[512];
    struct slice bytes;
    struct llrp_message message;
    struct error err;
};

static const struct llrp_message *message(struct given *given, const char *hex) {
    size_t size;
    given->bytes = from_hex(hex, given->space, sizeof given->space);
    assert_int_equal(llrp_message_next(given->bytes, &given->message, &size, &given->err),
                     LLRP_FRAME_WHOLE);
    assert_int_equal(size, given->bytes.size);
    return &given->message;
}

static void assert_sent(struct buffer *out, const char *hex) {
    char *sent = malloc(out->size * 2 + 1);
    assert_non_null(sent);
    assert_false(out->failed);
    hex_encode(out->data, out->size, sent);
    assert_string_equal(sent, hex);
    free(sent);
    buffer_release(out);
}

static struct llrp_head head(uint32_t id) {
    return (struct llrp_head){LLRP_1_0_1, id};
}

static void requests_are_the_standard_s_bytes(void **state) {
    (void)state;
    struct buffer out;
    buffer_init(&out);
    llrp_request_capabilities(&out, head(1));
    assert_sent(&out, "04010000000b0000000100");
    llrp_request_configure(&out, head(2), 5000);
    assert_sent(&out, "040300000049000000020000f4001900f5000700028000f5000700048000f5000700060000ed"
                      "001201000100ee000b97c0015c0005c000ef00050100dc0009010000138800e2000500");
    llrp_request_spec(&out, head(3), LLRP_DELETE_ROSPEC, 0);
    assert_sent(&out, "04150000000e0000000300000000");
    llrp_request_inventory(&out, head(5), &(struct llrp_inventory){.spec = 1, .antenna = 1});
    assert_sent(&out,
                "04140000003e0000000500b1003400000001000000b2001200b300050000b60009000000000000"
                "b700180001000100b80009000000000000ba0007000101");
    llrp_request_plain(&out, head(0x4d), LLRP_KEEPALIVE_ACK);
    assert_sent(&out, "04480000000a0000004d");
    llrp_request_plain(&out, head(10), LLRP_CLOSE);
    assert_sent(&out, "040e0000000a0000000a");
}

static void an_access_spec_is_the_standard_s_bytes(void **state) {
    (void)state;
    uint8_t tid[12], data[14], password[4];
    struct buffer out;
    buffer_init(&out);
    const struct llrp_access access = {
        .spec = 1,
        .antenna = 1,
        .rospec = 1,
        .once = true,
        .bank = LLRP_BANK_TID,
        .match = from_hex("e28011052000000012345678", tid, sizeof tid),
        .op_count = 5,
        .ops = {{LLRP_OP_READ, 1, 0, LLRP_BANK_TID, 0, 6, {0}},
                {LLRP_OP_WRITE, 2, 0, LLRP_BANK_EPC, 1, 0,
                 from_hex("3000350007ab70425d4000000586", data, sizeof data)},
                {LLRP_OP_READ, 3, 0, LLRP_BANK_EPC, 0, 8, {0}},
                {LLRP_OP_WRITE, 4, 0, LLRP_BANK_RESERVED, 2, 0,
                 from_hex("1a2b3c4d", password, sizeof password)},
                {.op = LLRP_OP_LOCK, .id = 5, .password = 0x1a2b3c4d}},
    };
    llrp_request_access(&out, head(8), &access);
    assert_sent(
        &out, "0428000000b50000000800cf00ab00000001000101000000000100d0000701000100d1008f015200270"
              "1530023a000000060ffffffffffffffffffffffff0060e280110520000000123456780155000f000100"
              "00000080000000060156001d00020000000040000100073000350007ab70425d40000005860155000f0"
              "0030000000040000000080156001300040000000000000200021a2b3c4d0158001600051a2b3c4d0159"
              "0006000201590006000100ef000501");
}

/* No published bytes: layouts from memory of sections 16.2.5.4 and LLRP 1.1's 17.1; tests/llrp has
 * tshark decode them. */
static void what_differs_from_the_reader_s_settings_is_in_the_rospec_alone(void **state) {
    (void)state;
    struct buffer out;
    buffer_init(&out);
    const struct llrp_transmitter low = {.hop_table = 1, .channel = 2, .power = 3};
    llrp_request_inventory(&out, (struct llrp_head){LLRP_1_1, 9},
                           &(struct llrp_inventory){1, 4, &low, true});
    assert_sent(
        &out,
        "08140000005e0000000900b1005400000001000000b2001200b300050000b60009000000000000b700380001"
        "000400b80009000000000000ba002700010100de0020000400e0000a000100020003014a0010000150000b00"
        "000400000000");
    llrp_request_set_version(&out, (struct llrp_head){LLRP_1_1, 1}, LLRP_1_1);
    assert_sent(&out, "082f0000000b0000000102");
    llrp_request_antenna(&out, head(6), 2);
    assert_sent(&out, "0402000000110000000600020300000000");
}

static void events_and_answers_are_read(void **state) {
    (void)state;
    struct given given;
    struct llrp_event event;
    struct llrp_status status;
    const struct llrp_message *got = message(&given, CONNECTED);
    assert_int_equal(got->type, LLRP_EVENT);
    assert_int_equal(got->version, LLRP_1_0_1);
    assert_int_equal(llrp_message_event(got, &event, &given.err), ERR_OK);
    assert_true(event.connection);
    assert_int_equal(event.attempt, 0);
    assert_false(event.closing || event.exception || event.antenna || event.rospec);

    got = message(&given, ANSWER);
    assert_int_equal(got->type, LLRP_ADD_ROSPEC + LLRP_ROSPEC_ANSWER);
    assert_int_equal(got->id, 5);
    assert_int_equal(llrp_message_status(got, &status, &given.err), ERR_OK);
    assert_int_equal(status.code, LLRP_OK);
    got = message(&given, KEEPALIVE);
    assert_int_equal(got->type, LLRP_KEEPALIVE);
    assert_int_equal(got->id, 77);
    assert_int_equal(message(&given, CLOSED)->type, LLRP_CLOSE_ANSWER);

    got = message(&given, VERSION_ERROR);
    assert_int_equal(got->type, LLRP_ERROR);
    assert_int_equal(llrp_message_status(got, &status, &given.err), ERR_OK);
    assert_int_equal(status.code, LLRP_UNSUPPORTED_VERSION);
    assert_string_equal(status.text, "ver");

    uint8_t current, supported; /* from memory of LLRP 1.1, 17.1.2: the status comes last */
    got = message(&given, "0838000000140000000b0102011f000800000000");
    assert_int_equal(llrp_message_versions(got, &current, &supported, &given.err), ERR_OK);
    assert_int_equal(current, LLRP_1_0_1);
    assert_int_equal(supported, LLRP_1_1);
    assert_int_equal(llrp_message_status(got, &status, &given.err), ERR_OK);
    assert_int_equal(status.code, LLRP_OK);
}

static void assert_bytes(struct slice got, const char *hex) {
    uint8_t space[64];
    struct slice wanted = from_hex(hex, space, sizeof space);
    assert_int_equal(got.size, wanted.size);
    assert_memory_equal(got.data, wanted.data, wanted.size);
}

static void a_report_is_read_with_all_results(void **state) {
    (void)state;
    struct given given;
    struct llrp_report report;
    bool got;
    struct slice rest = message(&given, REPORT_OK)->body;
    assert_int_equal(llrp_message_report(&rest, &report, &got, &given.err), ERR_OK);
    assert_true(got);
    assert_bytes(slice_of(report.epc.data, report.epc.size), "e2004216cb60601500951ed6");
    assert_true(report.has_rssi && report.has_pc);
    assert_int_equal(report.rssi, -47);
    assert_int_equal(report.pc, 0x3000);
    assert_int_equal(report.antenna, 1);
    assert_int_equal(report.rospec, 1);
    assert_int_equal(report.access_spec, 1);
    assert_int_equal(report.result_count, 5);
    const struct llrp_result *results = report.results;
    const enum llrp_op ops[] = {LLRP_OP_READ, LLRP_OP_WRITE, LLRP_OP_READ, LLRP_OP_WRITE,
                                LLRP_OP_LOCK};
    for (size_t i = 0; i < 5; i++) {
        assert_int_equal(results[i].op, ops[i]);
        assert_int_equal(results[i].id, i + 1);
        assert_int_equal(results[i].result, 0);
    }
    assert_bytes(results[0].data, "e28011052000000012345678");
    assert_int_equal(results[1].words, 7);
    assert_bytes(results[2].data, "76f43000350007ab70425d4000000586");
    assert_int_equal(results[3].words, 2);
    assert_int_equal(llrp_message_report(&rest, &report, &got, &given.err), ERR_OK);
    assert_false(got);

    rest = message(&given, REPORT_FAILED)->body;
    assert_int_equal(llrp_message_report(&rest, &report, &got, &given.err), ERR_OK);
    assert_true(got);
    assert_false(report.has_rssi || report.has_pc);
    assert_int_equal(report.result_count, 2);
    assert_int_equal(report.results[1].op, LLRP_OP_WRITE);
    assert_int_equal(report.results[1].result, LLRP_WRITE_NO_RESPONSE);
    assert_int_equal(report.results[1].words, 3);
}

static void what_is_not_llrp_is_refused(void **state) {
    (void)state;
    static const struct {
        const char *hex;
        enum llrp_frame frame;
        enum error_code code;
    } cases[] = {
        {"", LLRP_FRAME_PART, ERR_OK},
        {"043f0000002000", LLRP_FRAME_PART, ERR_OK},
        {"043f000000200000000000f60016", LLRP_FRAME_PART, ERR_OK},
        {"48", LLRP_FRAME_BROKEN, ERR_FORM},                   /* H, of HTTP */
        {"003f0000000a00000000", LLRP_FRAME_BROKEN, ERR_FORM}, /* version 0 */
        {"0c3f0000000a00000000", LLRP_FRAME_BROKEN, ERR_FORM}, /* version 3 */
        {"043f0000000900000000", LLRP_FRAME_BROKEN, ERR_FORM}, /* shorter than its header */
        {"043f0004000100000000", LLRP_FRAME_BROKEN, ERR_LIMIT},
        {"043fffffffff00000000", LLRP_FRAME_BROKEN, ERR_LIMIT},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct given given = {0};
        size_t size;
        given.bytes = from_hex(cases[i].hex, given.space, sizeof given.space);
        assert_int_equal(llrp_message_next(given.bytes, &given.message, &size, &given.err),
                         cases[i].frame);
        assert_int_equal(given.err.code, cases[i].code);
    }
}

static void parameters_with_wrong_lengths_are_refused(void **state) {
    (void)state;
    static const char *const reports[] = {
        "043d0000000b0000000000",                   /* one byte of a parameter */
        "043d0000000e0000000000f00003",             /* shorter than its own head */
        "043d0000000e0000000000f00005",             /* beyond the message */
        "043d0000000e0000000000f00004",             /* no EPC */
        "043d000000100000000000f000068de2",         /* half an EPC */
        "043d0000000f0000000000f00005ff",           /* a TV of no known size */
        "043d000000140000000000f0000a00f100060010", /* an EPC of 16 bits, of which none is there */
        "043d000000160000000000f0000c00f100080008ab00",     /* half a word */
        "043d000000180000000000f0000e00f100060000015e0004", /* a result without its fields */
        "043d0000001d0000000000f0001300f100060000015d00090000010001", /* a word that is not there */
    };
    for (size_t i = 0; i < sizeof reports / sizeof reports[0]; i++) {
        struct given given;
        struct llrp_report report;
        bool got;
        struct slice rest = message(&given, reports[i])->body;
        error_clear(&given.err);
        assert_int_equal(llrp_message_report(&rest, &report, &got, &given.err), ERR_FORM);
        assert_int_equal(given.err.code, ERR_FORM);
        assert_string_not_equal(given.err.say, "");
    }
    struct given given;
    struct llrp_status status;
    assert_int_equal(
        llrp_message_status(message(&given, "041e0000000a00000005"), &status, &given.err),
        ERR_FORM);
    assert_int_equal(llrp_message_status(message(&given, "0464000000120000000b011f0008006e0003"),
                                         &status, &given.err),
                     ERR_FORM);
}

static void an_epc_of_no_words_is_a_tag(void **state) {
    (void)state;
    struct given given;
    struct llrp_report report;
    bool got;
    struct slice rest = message(&given, "043d000000140000000000f0000a00f100060000")->body;
    assert_int_equal(llrp_message_report(&rest, &report, &got, &given.err), ERR_OK);
    assert_true(got);
    assert_int_equal(report.epc.size, 0);
}

static void the_power_table_and_the_limits_are_read(void **state) {
    (void)state;
    struct given given;
    struct llrp_capabilities capabilities;
    struct llrp_transmitter transmitter;
    const struct llrp_message *got = message(&given, CAPABILITIES);
    assert_int_equal(llrp_message_capabilities(got, &capabilities, &given.err), ERR_OK);
    assert_int_equal(capabilities.antenna_count, 4);
    assert_int_equal(capabilities.access_specs_max, 2);
    assert_int_equal(capabilities.ops_per_access_max, 8);
    assert_int_equal(capabilities.power_count, 2);
    assert_int_equal(capabilities.power[0].index, 1);
    assert_int_equal(capabilities.power[0].power, 1000);
    assert_int_equal(capabilities.power[1].index, 2);
    assert_int_equal(capabilities.power[1].power, 3000);
    got = message(
        &given, /* two antennas */
        "040c000000320000000c011f00080000000000de0010000100e0000a00010002000300de0010000200e0000a"
        "000400050006");
    assert_int_equal(llrp_message_transmitter(got, 2, &transmitter, &given.err), ERR_OK);
    assert_int_equal(transmitter.hop_table, 4);
    assert_int_equal(transmitter.channel, 5);
    assert_int_equal(transmitter.power, 6);
    assert_int_equal(llrp_message_transmitter(got, 3, &transmitter, &given.err), ERR_NOT_FOUND);
}

/* Reads the bytes in every way there is. They lie at the end of their own allocation, so that a
 * sanitizer or valgrind sees a read beyond them. What it adds up must be read, or it is not done.
 */
static unsigned read_all(struct slice bytes) {
    uint8_t *own = malloc(bytes.size + 1);
    assert_non_null(own);
    memcpy(own + 1, bytes.data, bytes.size);
    struct slice rest = slice_of(own + 1, bytes.size);
    struct llrp_message got;
    struct error err;
    size_t size;
    unsigned sum = 0;
    while (llrp_message_next(rest, &got, &size, &err) == LLRP_FRAME_WHOLE) {
        struct llrp_status status;
        struct llrp_event event;
        struct llrp_transmitter transmitter;
        struct llrp_report report;
        static struct llrp_capabilities capabilities;
        uint8_t current, supported;
        bool more;
        struct slice reports = got.body;
        sum += llrp_message_status(&got, &status, &err) == ERR_OK;
        sum += llrp_message_event(&got, &event, &err) == ERR_OK;
        sum += llrp_message_versions(&got, &current, &supported, &err) == ERR_OK;
        sum += llrp_message_capabilities(&got, &capabilities, &err) == ERR_OK;
        sum += llrp_message_transmitter(&got, 1, &transmitter, &err) == ERR_OK;
        while (llrp_message_report(&reports, &report, &more, &err) == ERR_OK && more) {
            for (size_t i = 0; i < report.result_count; i++) {
                struct slice data = report.results[i].data;
                sum += data.size > 0 ? data.data[0] + data.data[data.size - 1] : 0u;
            }
        }
        rest = slice_of(rest.data + size, rest.size - size);
    }
    free(own);
    return sum;
}

static void damaged_messages_do_no_harm(void **state) {
    (void)state;
    static const char *const samples[] = {CONNECTED,     ANSWER,    REPORT_OK, REPORT_FAILED,
                                          VERSION_ERROR, KEEPALIVE, CLOSED,    CAPABILITIES};
    uint8_t space[512], changed[512];
    uint32_t lot = 1;
    unsigned sum = 0;
    for (size_t i = 0; i < sizeof samples / sizeof samples[0]; i++) {
        struct slice whole = from_hex(samples[i], space, sizeof space);
        for (size_t cut = 0; cut <= whole.size; cut++) {
            memcpy(changed, whole.data, cut);
            if (cut >= 6) { /* as a whole message that ends here */
                changed[4] = (uint8_t)(cut >> 8);
                changed[5] = (uint8_t)cut;
            }
            sum += read_all(slice_of(changed, cut));
        }
        for (int round = 0; round < 20000; round++) {
            memcpy(changed, whole.data, whole.size);
            for (int hits = 1 + round % 4; hits > 0; hits--) {
                lot = lot * 1664525 + 1013904223;
                changed[(lot >> 8) % whole.size] = (uint8_t)(lot >> 24);
            }
            sum += read_all(slice_of(changed, whole.size));
        }
    }
    assert_true(sum > 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(requests_are_the_standard_s_bytes),
        cmocka_unit_test(an_access_spec_is_the_standard_s_bytes),
        cmocka_unit_test(what_differs_from_the_reader_s_settings_is_in_the_rospec_alone),
        cmocka_unit_test(events_and_answers_are_read),
        cmocka_unit_test(a_report_is_read_with_all_results),
        cmocka_unit_test(what_is_not_llrp_is_refused),
        cmocka_unit_test(parameters_with_wrong_lengths_are_refused),
        cmocka_unit_test(an_epc_of_no_words_is_a_tag),
        cmocka_unit_test(the_power_table_and_the_limits_are_read),
        cmocka_unit_test(damaged_messages_do_no_harm),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
