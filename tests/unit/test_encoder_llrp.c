/*
 * test_encoder_llrp.c: the parts of the LLRP encoder that need no reader: the field of tags, what
 * the results of an order mean, and that a reader gone mad does no harm. The whole is in
 * tests/llrp.
 *
 * Result codes after EPCglobal LLRP 1.0.1 15.3.1.5; those of 1.1 from memory.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "node/encoder_llrp_step.h"
#include "tests/from_hex.h"

#define BLANK "e2004216cb60601500951ed6"
#define OURS  "350007ab70425d4000000586"
#define TID   "e28011052000000012345678"

static struct epc epc_of(const char *hex) {
    struct epc epc = {.size = (uint8_t)(strlen(hex) / 2)};
    from_hex(hex, epc.data, sizeof epc.data);
    return epc;
}
static struct tid tid_of(const char *hex) {
    struct tid tid = {.size = (uint8_t)(strlen(hex) / 2)};
    from_hex(hex, tid.data, sizeof tid.data);
    return tid;
}
static struct encoder_llrp_tag tag_of(const char *epc, const char *tid, int64_t heard) {
    return (struct encoder_llrp_tag){
        .epc = epc_of(epc), .tid = tid_of(tid), .heard = {.ms = heard}};
}

static void hear(struct encoder_llrp_field *field, const char *epc, const char *tid, int64_t at) {
    const struct encoder_llrp_tag tag = tag_of(epc, tid, at);
    field->changed = false;
    encoder_llrp_field_hear(field, &tag, false);
}

static void a_tag_is_known_by_its_tid(void **state) {
    (void)state;
    struct encoder_llrp_field field = {0};
    hear(&field, BLANK, "", 0);
    assert_int_equal(field.count, 1);
    hear(&field, BLANK, TID, 1); /* the same, and now its TID was read */
    assert_true(field.changed);
    assert_int_equal(field.count, 1);
    hear(&field, BLANK, TID, 2);
    assert_false(field.changed);
    hear(&field, BLANK, "e280110520000001", 3); /* another one with the same EPC */
    assert_int_equal(field.count, 2);
    bool several;
    const struct epc blank = epc_of(BLANK), ours = epc_of(OURS);
    assert_null(encoder_llrp_field_only(&field, &blank, &several));
    assert_true(several);
    hear(&field, OURS, TID, 4); /* it was written */
    assert_true(field.changed);
    assert_int_equal(field.count, 2);
    assert_non_null(encoder_llrp_field_only(&field, &ours, &several));
    assert_non_null(encoder_llrp_field_only(&field, &blank, &several));
    assert_false(several);
}

static void a_tag_leaves_when_it_is_not_heard(void **state) {
    (void)state;
    struct encoder_llrp_field field = {0};
    hear(&field, BLANK, TID, 1000);
    hear(&field, BLANK, "e280110520000001", 1000);
    encoder_llrp_field_age(&field, (struct mono_ms){2500}, 1500);
    assert_int_equal(field.count, 2);
    hear(&field, BLANK, "", 2500); /* either of them: both stay */
    hear(&field, OURS, "", 2600);
    encoder_llrp_field_age(&field, (struct mono_ms){4001}, 1500);
    assert_int_equal(field.count, 1);
    assert_true(field.changed);
    const struct encoder_llrp_tag stranger = tag_of("aabb", "", 4001);
    encoder_llrp_field_hear(&field, &stranger, true);
    assert_int_equal(field.count, 1);
}

static struct encoder_llrp_order order(bool tid, bool password) {
    struct encoder_llrp_order made = {.old = epc_of(BLANK),
                                      .tid = tid_of(tid ? TID : ""),
                                      .epc = epc_of(OURS),
                                      .pc = 0x3000,
                                      .has_password = password,
                                      .password = password ? 0x1a2b3c4d : 0};
    assert_true(encoder_llrp_order_begin(&made));
    return made;
}

/* A report with the result of the write, and, where it was, of what was read back. */
static struct llrp_report report(uint8_t result, uint16_t words, struct slice read,
                                 struct slice tid) {
    struct llrp_report made = {.result_count = 1,
                               .results = {{LLRP_OP_WRITE, 1, result, words, {0}}}};
    if (read.size > 0) {
        made.results[made.result_count++] =
            (struct llrp_result){LLRP_OP_READ, 2, LLRP_READ_OK, 0, read};
    }
    if (tid.size == 12) {
        made.results[made.result_count++] =
            (struct llrp_result){LLRP_OP_READ, 3, LLRP_READ_OK, 0, slice_of(tid.data, 8)};
        made.results[made.result_count++] =
            (struct llrp_result){LLRP_OP_READ, 4, LLRP_READ_OK, 0, slice_of(tid.data + 8, 4)};
    }
    return made;
}

static void results_of_a_write(void **state) {
    (void)state;
    static const struct {
        uint8_t result;
        uint16_t words;
        bool tid;
        enum encoder_llrp_verdict verdict;
        const char *why;
        bool changed;
    } cases[] = {
        {LLRP_WRITE_OVERRUN, 0, true, ENCODER_LLRP_FAILED, "locked", false},
        {LLRP_WRITE_OVERRUN, 6, true, ENCODER_LLRP_GO_ON, "locked", true},
        {LLRP_WRITE_LOCKED, 0, true, ENCODER_LLRP_FAILED, "locked", false},
        {LLRP_WRITE_LOW_POWER, 0, true, ENCODER_LLRP_FAILED, "weak", false},
        {LLRP_WRITE_LOW_POWER, 1, true, ENCODER_LLRP_GO_ON, "weak", true},
        {LLRP_WRITE_LOW_POWER, 1, false, ENCODER_LLRP_FAILED, "weak", true},
        {LLRP_WRITE_TAG_ERROR, 0, false, ENCODER_LLRP_GO_ON, "weak", true},
        {LLRP_WRITE_NO_RESPONSE, 0, true, ENCODER_LLRP_GO_ON, "gone", true},
        {LLRP_WRITE_NO_RESPONSE, 2, false, ENCODER_LLRP_FAILED, "gone", true},
        {LLRP_WRITE_READER_ERROR, 0, true, ENCODER_LLRP_GO_ON, "reader", true},
        {LLRP_WRITE_PASSWORD, 0, true, ENCODER_LLRP_FAILED, "password", false},
        {99, 0, true, ENCODER_LLRP_GO_ON, "reader", true},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct encoder_llrp_order done = order(cases[i].tid, false);
        const struct llrp_report given =
            report(cases[i].result, cases[i].words, slice_of(NULL, 0), slice_of(NULL, 0));
        assert_int_equal(encoder_llrp_order_report(&done, &given), cases[i].verdict);
        assert_string_equal(done.why, cases[i].why);
        assert_int_equal(done.changed, cases[i].changed);
        if (cases[i].verdict == ENCODER_LLRP_GO_ON) {
            assert_int_equal(done.phase, ENCODER_LLRP_LOOK);
        }
    }
}

static void what_is_read_back_decides(void **state) {
    (void)state;
    uint8_t right[14], tid[12], other[12];
    const struct slice read = from_hex("3000" OURS, right, sizeof right);
    const struct slice own = from_hex(TID, tid, sizeof tid);
    const struct slice others = from_hex("e28011052000000012345679", other, sizeof other);
    struct encoder_llrp_order done = order(true, false);
    struct llrp_report given = report(LLRP_WRITE_OK, 7, read, own);
    assert_int_equal(encoder_llrp_order_report(&done, &given), ENCODER_LLRP_WRITTEN);
    assert_int_equal(done.read_pc, 0x3000);

    done = order(true, false); /* a tag that is not the one that was meant */
    given = report(LLRP_WRITE_OK, 7, read, others);
    assert_int_equal(encoder_llrp_order_report(&done, &given), ENCODER_LLRP_FAILED);
    assert_string_equal(done.why, "two");
    assert_true(done.changed);

    done = order(true, false); /* one bit is wrong, and is so again at the second look */
    right[13] ^= 1;
    given = report(LLRP_WRITE_OK, 7, read, own);
    assert_int_equal(encoder_llrp_order_report(&done, &given), ENCODER_LLRP_GO_ON);
    assert_int_equal(encoder_llrp_order_report(&done, &given), ENCODER_LLRP_FAILED);
    assert_string_equal(done.why, "weak");
    assert_true(done.changed);

    done = order(true, false); /* no result of the write at all, and then the tag is not met */
    given.result_count = 0;
    assert_int_equal(encoder_llrp_order_report(&done, &given), ENCODER_LLRP_GO_ON);
    assert_int_equal(encoder_llrp_order_unmet(&done, false), ENCODER_LLRP_FAILED);
    assert_string_equal(done.why, "reader");
    assert_true(done.changed);
}

/* TID layout: GS1 TDS 16.1 to 16.3, as in the chip of the first case: XTID, serial of 48 bits. */
static void a_tid_is_taken_whole_or_not_at_all(void **state) {
    (void)state;
    static const struct {
        const char *head;
        uint8_t tail; /* result of reading words 4 and 5 */
        uint8_t size;
    } cases[] = {
        {"e280110520000000", LLRP_READ_OK, 12},
        {"e280110520000000", LLRP_READ_TAG_ERROR, 0}, /* its serial number is not read */
        {"e280110520000000", LLRP_READ_NO_RESPONSE, 0},
        {"e280110500000000", LLRP_READ_OVERRUN, 8}, /* an XTID without a serial number */
        {"e200110520000000", LLRP_READ_TAG_ERROR, 8},
        {"e004010012345678", LLRP_READ_OVERRUN, 8}, /* ISO/IEC 7816-6 class: 64 bits in all */
        {"e004010012345678", LLRP_READ_NO_RESPONSE, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        uint8_t head[8];
        struct slice tail = slice_of("abcd", cases[i].tail == LLRP_READ_OK ? 4 : 0);
        const struct llrp_report given = {
            .result_count = 2,
            .results = {{LLRP_OP_READ, 3, 0, 0, from_hex(cases[i].head, head, sizeof head)},
                        {LLRP_OP_READ, 4, cases[i].tail, 0, tail}}};
        struct tid tid;
        encoder_llrp_order_tid(&given, 3, &tid);
        assert_int_equal(tid.size, cases[i].size);
    }
}

static void results_of_locking(void **state) {
    (void)state;
    static const char *const whys[] = {NULL,     "weak",     "weak",   "gone",
                                       "reader", "password", "locked", "locked"};
    for (uint8_t result = 0; result < 10; result++) {
        struct encoder_llrp_order done = order(true, true);
        done.phase = ENCODER_LLRP_LOCK;
        done.changed = true;
        const struct llrp_report given = {.result_count = 1,
                                          .results = {{LLRP_OP_LOCK, 6, result, 0, {0}}}};
        bool ok = result == 0;
        assert_int_equal(encoder_llrp_order_report(&done, &given),
                         ok ? ENCODER_LLRP_WRITTEN : ENCODER_LLRP_FAILED);
        if (!ok) {
            assert_string_equal(done.why, result < 8 ? whys[result] : "reader");
            assert_true(done.changed);
        }
    }
}

static void orders_that_cannot_be_done(void **state) {
    (void)state;
    struct encoder_llrp_order made = order(true, false);
    made.pc = 0x2800; /* five words */
    assert_false(encoder_llrp_order_begin(&made));
    assert_string_equal(made.why, "reader");
    made = order(false, false);
    made.old.size = 0;
    assert_false(encoder_llrp_order_begin(&made));
    assert_string_equal(made.why, "two");
}

/* ---- a reader gone mad ---- */

struct mad {
    struct encoder_llrp_link *link;
    int fd; /* the reader's end */
    uint32_t lot;
    struct mono_ms now;
};

static unsigned lot(struct mad *mad, unsigned below) {
    mad->lot = mad->lot * 1664525 + 1013904223;
    return (mad->lot >> 8) % below;
}

/* Sends one message, most often as it should be. */
static void send_message(struct mad *mad, unsigned type, uint32_t id, const char *body_hex) {
    uint8_t bytes[512];
    struct slice body = from_hex(body_hex, bytes + LLRP_HEADER, sizeof bytes - LLRP_HEADER);
    size_t size = LLRP_HEADER + body.size;
    const uint8_t head[] = {(uint8_t)(4 | type >> 8),
                            (uint8_t)type,
                            0,
                            0,
                            (uint8_t)(size >> 8),
                            (uint8_t)size,
                            (uint8_t)(id >> 24),
                            (uint8_t)(id >> 16),
                            (uint8_t)(id >> 8),
                            (uint8_t)id};
    memcpy(bytes, head, sizeof head);
    if (lot(mad, 60) == 0) {
        bytes[lot(mad, (unsigned)size)] = (uint8_t)lot(mad, 256);
    }
    if (lot(mad, 300) == 0) {
        size = lot(mad, (unsigned)size);
    }
    assert_int_equal(write(mad->fd, bytes, size), (ssize_t)size);
}

#define ANSWERED_OK "011f000800000000"
/* Antennas 4, OpSpecs up to 8; power 1 is 10 dBm. */
#define CAPABILITIES                                                                               \
    ANSWERED_OK "008900120004000000000000000000010000008e001c000100000000000100000001000000010000" \
                "000200000008008f0014000000020090000c00910008000103e8"

static void answer_to(struct mad *mad, const uint8_t *head) {
    unsigned type = (head[0] & 3u) << 8 | head[1];
    uint32_t id =
        (uint32_t)head[6] << 24 | (uint32_t)head[7] << 16 | (uint32_t)head[8] << 8 | head[9];
    if (type == LLRP_GET_VERSION) {
        send_message(mad, LLRP_VERSION, id, "0102" ANSWERED_OK);
    } else if (type == LLRP_GET_CAPABILITIES) {
        send_message(mad, LLRP_CAPABILITIES, id, CAPABILITIES);
    } else if (type != LLRP_KEEPALIVE_ACK) {
        send_message(mad, type + LLRP_ROSPEC_ANSWER, id,
                     lot(mad, 30) == 0 ? "011f000800650000" : ANSWERED_OK);
    }
}

static void answer_all(struct mad *mad) {
    uint8_t bytes[8192];
    ssize_t n = recv(mad->fd, bytes, sizeof bytes, MSG_DONTWAIT);
    for (size_t at = 0; n > 0 && at + LLRP_HEADER <= (size_t)n;) {
        answer_to(mad, bytes + at);
        at += (size_t)bytes[at + 4] << 8 | bytes[at + 5];
    }
}

static void speak_unasked(struct mad *mad) {
    char body[256];
    switch (lot(mad, 5)) {
    case 0:
        send_message(mad, LLRP_KEEPALIVE, lot(mad, 1000), "");
        break;
    case 1: /* the TID, by the AccessSpec that reads them all */
        send_message(mad, LLRP_REPORT, 0,
                     "00f0003c8de2004216cb60601500951ed689000000018100019000000001015d001100"
                     "00010004e280110520000000015d000d000002000212345678");
        break;
    case 2: /* written, by the order's AccessSpec */
        snprintf(body, sizeof body,
                 "00f0003e8de2004216cb60601500951ed6890000000181000190%08x"
                 "015e0009%02x00010007015d001700000200073000350007ab70425d4000000586",
                 (unsigned)mad->link->spec, lot(mad, 4) == 0 ? lot(mad, 9) : 0);
        send_message(mad, LLRP_REPORT, 0, body);
        break;
    case 3: /* the ROSpec has begun, or an exception */
        send_message(mad, LLRP_EVENT, 0,
                     lot(mad, 2) == 0 ? "00f6001d0080000c00060a24181e400000f9000d000000000100000000"
                                      : "00f600180080000c00060a24181e400000fc000800026869");
        break;
    default:
        break;
    }
}

static void play(struct mad *mad, uint32_t seed, unsigned *ready, unsigned *orders) {
    static const struct encoder_llrp_options options = {.antenna = 1, .gone_ms = 500};
    int pair[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, pair), 0);
    *mad = (struct mad){encoder_llrp_link_new(&options), pair[1], seed, {1000}};
    assert_non_null(mad->link);
    mad->link->fd = pair[0];
    mad->link->state = LINK_GREETING;
    mad->link->heard = mad->now;
    mad->link->deadline.ms = mad->now.ms + 3000;
    send_message(mad, LLRP_EVENT, 0, "00f600160080000c00060a24181e4000010000060000");
    for (int i = 0; i < 200 && mad->link->state != LINK_DOWN; i++) {
        encoder_llrp_link_drive(mad->link, mad->now);
        if (mad->link->state == LINK_DOWN) {
            break;
        }
        *ready += mad->link->state == LINK_READY;
        *orders += mad->link->state == LINK_READY && mad->link->reported;
        if (lot(mad, 8) == 0) {
            const struct encoder_llrp_line line = {.what = lot(mad, 4) == 0 ? ENCODER_LLRP_DO_FORGET
                                                                            : ENCODER_LLRP_DO_WRITE,
                                                   .order = i + 1,
                                                   .old = epc_of(BLANK),
                                                   .tid = tid_of(TID),
                                                   .epc = epc_of(OURS),
                                                   .pc = 0x3000};
            encoder_llrp_link_take(mad->link, &line);
        }
        answer_all(mad);
        speak_unasked(mad);
        mad->now.ms += lot(mad, 150);
    }
    close(mad->fd); /* so that parting from it does not wait */
    encoder_llrp_link_free(mad->link);
}

static void a_reader_gone_mad_does_no_harm(void **state) {
    (void)state;
    int out = dup(STDOUT_FILENO), err = dup(STDERR_FILENO), null = open("/dev/null", O_WRONLY);
    struct mad mad;
    unsigned ready = 0, orders = 0;
    fflush(stdout);
    dup2(null, STDOUT_FILENO); /* what it says to the node is not looked at here */
    dup2(null, STDERR_FILENO);
    for (uint32_t seed = 1; seed <= 3000; seed++) {
        play(&mad, seed, &ready, &orders);
    }
    fflush(stdout);
    dup2(out, STDOUT_FILENO);
    dup2(err, STDERR_FILENO);
    close(out);
    close(err);
    close(null);
    print_message("%u steps of a reader that is ready, %u with a result\n", ready, orders);
    assert_true(ready > 60000 && orders > 6000); /* most were played beyond the setting-up */
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_tag_is_known_by_its_tid),
        cmocka_unit_test(a_tag_leaves_when_it_is_not_heard),
        cmocka_unit_test(results_of_a_write),
        cmocka_unit_test(what_is_read_back_decides),
        cmocka_unit_test(a_tid_is_taken_whole_or_not_at_all),
        cmocka_unit_test(results_of_locking),
        cmocka_unit_test(orders_that_cannot_be_done),
        cmocka_unit_test(a_reader_gone_mad_does_no_harm),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
