/* The messages of admission.cddl: its worked examples are read from the file itself, so that
 * grammar and parser cannot part. No outside source: the protocol is this project's own. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <sodium.h>

#include "common/admission.h"
#include "common/sync_message.h"

enum { EXAMPLES_MAX = 16 };

struct example {
    char name[100];
    uint8_t bytes[1024];
    size_t size;
};
static struct example examples[EXAMPLES_MAX];
static size_t example_count;
static struct station_keys keys;
static struct curve_public lead;

static int read_examples(void **state) {
    char line[256];
    uint8_t sign[32], curve[32];
    FILE *file = fopen(ADMISSION_CDDL, "r");
    (void)state;
    assert_non_null(file);
    while (fgets(line, sizeof(line), file) != NULL) {
        line[strcspn(line, "\n")] = '\0';
        if (strncmp(line, "; example ", 10) == 0) {
            assert_true(example_count < EXAMPLES_MAX);
            snprintf(examples[example_count++].name, 100, "%.99s", line + 10);
        } else if (example_count > 0 && strncmp(line, ";   ", 4) == 0) {
            struct example *example = &examples[example_count - 1];
            size_t length = strlen(line + 4);
            assert_true(example->size + length / 2 <= sizeof(example->bytes));
            assert_true(hex_decode(line + 4, length, example->bytes + example->size, length / 2));
            example->size += length / 2;
        }
    }
    fclose(file);
    memset(sign, 1, sizeof(sign));
    memset(curve, 3, sizeof(curve));
    identity_keys(sign, curve, &keys);
    memset(&lead, 2, sizeof(lead));
    return 0;
}

static struct slice example(const char *name) {
    for (size_t i = 0; i < example_count; i++) {
        if (strcmp(examples[i].name, name) == 0) {
            return slice_of(examples[i].bytes, examples[i].size);
        }
    }
    fail_msg("admission.cddl has no example named \"%s\"", name);
    return slice_of("", 0);
}

static void expect_bytes(const struct buffer *got, struct slice wanted) {
    assert_false(got->failed);
    assert_int_equal(got->size, wanted.size);
    assert_memory_equal(got->data, wanted.data, wanted.size);
}

static void all_read_and_write_back(void **state) {
    size_t asks = 0;
    (void)state;
    for (size_t i = 0; i < example_count; i++) {
        struct slice bytes = slice_of(examples[i].bytes, examples[i].size);
        struct admission_answer answer;
        struct admission_ask ask;
        struct sync_message message;
        struct buffer again;
        struct error err;
        buffer_init(&again);
        if (admission_is_ask(bytes)) {
            assert_false(admission_is_answer(bytes));
            assert_int_equal(admission_ask_get(bytes, &lead, &keys.curve_public, &ask, &err),
                             ERR_OK);
            admission_ask_put(&ask, &lead, &keys, &again);
            asks++;
        } else {
            assert_true(admission_is_answer(bytes));
            assert_int_equal(admission_answer_get(bytes, &answer, &err), ERR_OK);
            admission_answer_put(&answer, &again);
        }
        expect_bytes(&again, bytes);
        /* the machine of sync.h steps over both */
        assert_true(sync_message_read(bytes, &message));
        assert_int_equal(message.kind, SYNC_MESSAGE_OTHER);
        buffer_release(&again);
    }
    assert_int_equal(asks, 2);
    assert_int_equal(example_count, 5);
}

static void they_say_what_they_say(void **state) {
    struct admission_ask ask;
    struct admission_answer answer;
    struct error err;
    (void)state;
    assert_int_equal(admission_ask_get(example("ask: with a name and an address"), &lead,
                                       &keys.curve_public, &ask, &err),
                     ERR_OK);
    assert_int_equal(ask.secret[9], 0x11);
    assert_memory_equal(ask.key.bytes, keys.sign_public.bytes, 32);
    assert_true(slice_equal(ask.name, slice_text("Table 3")));
    assert_int_equal(ask.address_count, 1);
    assert_true(slice_equal(ask.address[0], slice_text("192.0.2.7:7117")));
    assert_int_equal(ask.wall.ms, 1800000000000);
    assert_int_equal(admission_answer_get(example("answer: granted"), &answer, &err), ERR_OK);
    assert_int_equal(answer.verdict, ADMISSION_GRANTED);
    assert_int_equal(answer.event.event.bytes[0], 0xe0);
    assert_int_equal(answer.event.root.bytes[31], 0xa0);
    assert_int_equal(answer.last.bytes[1], 0xc0);
    assert_int_equal(admission_answer_get(example("answer: used"), &answer, &err), ERR_OK);
    assert_int_equal(answer.verdict, ADMISSION_USED);
    assert_true(slice_equal(answer.name, slice_text("Table 3")));
    assert_int_equal(answer.when.ms, 1800000000000);
    assert_int_equal(answer.wall.ms, 1800000060000);
    assert_int_equal(admission_answer_get(example("answer: not known"), &answer, &err), ERR_OK);
    assert_int_equal(answer.verdict, ADMISSION_UNKNOWN);
}

/* What an eavesdropper of one lead could hand to another, or under another key. */
static void an_ask_is_for_one_connection(void **state) {
    struct slice bytes = example("ask: with a name and an address");
    struct curve_public other = {{9}};
    struct admission_ask ask;
    struct error err;
    (void)state;
    assert_int_equal(admission_ask_get(bytes, &other, &keys.curve_public, &ask, &err),
                     ERR_SIGNATURE);
    assert_int_equal(admission_ask_get(bytes, &lead, &other, &ask, &err), ERR_SIGNATURE);
}

static void each_flipped_bit_is_refused(void **state) {
    struct slice bytes = example("ask: with a name and an address");
    (void)state;
    for (size_t at = 0; at < bytes.size * 8; at++) {
        uint8_t broken[1024];
        struct admission_ask ask;
        struct error err;
        memcpy(broken, bytes.data, bytes.size);
        broken[at / 8] = (uint8_t)(broken[at / 8] ^ 1U << at % 8);
        enum error_code code =
            admission_ask_get(slice_of(broken, bytes.size), &lead, &keys.curve_public, &ask, &err);
        if (code != ERR_FORM && code != ERR_SIGNATURE) {
            fail_msg("bit %zu: %s", at, error_name(code));
        }
    }
    for (size_t size = 0; size < bytes.size; size++) {
        struct admission_ask ask;
        struct error err;
        assert_int_equal(
            admission_ask_get(slice_of(bytes.data, size), &lead, &keys.curve_public, &ask, &err),
            ERR_FORM);
    }
}

static void asks_are_bounded(void **state) {
    static char text[RECORD_TEXT_MAX + 2];
    struct admission_ask ask = {.key = keys.sign_public, .wall = {1}};
    struct admission_ask back;
    struct buffer out;
    struct error err;
    (void)state;
    memset(text, 'a', RECORD_TEXT_MAX);
    buffer_init(&out);
    ask.name = slice_text(text);
    ask.address_count = RECORD_ADDRESSES_MAX;
    for (size_t i = 0; i < RECORD_ADDRESSES_MAX; i++) {
        ask.address[i] = slice_text(text);
    }
    admission_ask_put(&ask, &lead, &keys, &out);
    assert_in_range(out.size, 1800, SYNC_STRANGER_BYTES);
    assert_int_equal(admission_ask_get(buffer_slice(&out), &lead, &keys.curve_public, &back, &err),
                     ERR_OK);
    assert_int_equal(back.address_count, RECORD_ADDRESSES_MAX);
    text[RECORD_TEXT_MAX] = 'a';
    ask.name = slice_text(text);
    buffer_clear(&out);
    admission_ask_put(&ask, &lead, &keys, &out);
    assert_int_equal(admission_ask_get(buffer_slice(&out), &lead, &keys.curve_public, &back, &err),
                     ERR_FORM);
    buffer_release(&out);
}

/* A verdict of a later program is no grant; a grant without its ids is none either. */
static void answers_of_other_shapes(void **state) {
    static const struct {
        const char *hex;
        enum error_code code;
        enum admission_verdict verdict;
    } cases[] = {
        {"84080118FFA0", ERR_OK, ADMISSION_TROUBLE},
        {"84080109A11863F6", ERR_OK, ADMISSION_TROUBLE},
        {"84080100A0", ERR_FORM, 0},
        {"84080200A0", ERR_TOO_NEW, 0},
        {"840801F6A0", ERR_FORM, 0},
        {"84080101A10520", ERR_FORM, 0},
        {"84080101A104420102", ERR_FORM, 0},
        {"84080101A000", ERR_FORM, 0},
        {"8408010180", ERR_FORM, 0},
        {"83080101", ERR_FORM, 0},
    };
    (void)state;
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        uint8_t bytes[64];
        struct admission_answer answer;
        struct error err;
        size_t size = strlen(cases[i].hex) / 2;
        assert_true(hex_decode(cases[i].hex, 2 * size, bytes, size));
        enum error_code code = admission_answer_get(slice_of(bytes, size), &answer, &err);
        if (code != cases[i].code || (code == ERR_OK && answer.verdict != cases[i].verdict)) {
            fail_msg("%s: %s, verdict %d", cases[i].hex, error_name(code), (int)answer.verdict);
        }
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(all_read_and_write_back),
        cmocka_unit_test(they_say_what_they_say),
        cmocka_unit_test(an_ask_is_for_one_connection),
        cmocka_unit_test(each_flipped_bit_is_refused),
        cmocka_unit_test(asks_are_bounded),
        cmocka_unit_test(answers_of_other_shapes),
    };
    return sodium_init() < 0 ? 1 : cmocka_run_group_tests(tests, read_examples, NULL);
}
