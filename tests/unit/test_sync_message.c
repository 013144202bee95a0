/* The messages of sync.cddl: its worked examples are read from the file itself, so that grammar
 * and parser cannot part. No outside source: the protocol is this project's own. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "common/sync_message.h"

enum { EXAMPLES_MAX = 32 };

struct example {
    char name[100];
    uint8_t bytes[1024];
    size_t size;
};

static struct example examples[EXAMPLES_MAX];
static size_t example_count;

static void add_hex(struct example *example, const char *text) {
    size_t length = strspn(text, "0123456789abcdef");
    assert_true(length % 2 == 0 && example->size + length / 2 <= sizeof example->bytes);
    assert_true(hex_decode(text, length, example->bytes + example->size, length / 2));
    example->size += length / 2;
}

/* "; example NAME" and the lines "; HEX" behind it. */
static int read_examples(void **state) {
    char line[256];
    FILE *file = fopen(SYNC_CDDL, "r");
    (void)state;
    assert_non_null(file);
    while (fgets(line, sizeof line, file) != NULL) {
        line[strcspn(line, "\n")] = '\0';
        if (strncmp(line, "; example ", 10) == 0) {
            assert_true(example_count < EXAMPLES_MAX);
            snprintf(examples[example_count++].name, 100, "%.99s", line + 10);
        } else if (example_count > 0 && strncmp(line, ";   ", 4) == 0) {
            add_hex(&examples[example_count - 1], line + 4);
        }
    }
    fclose(file);
    return 0;
}

static struct sync_message read_example(const char *name) {
    struct sync_message message = {0};
    for (size_t i = 0; i < example_count; i++)
        if (strcmp(examples[i].name, name) == 0) {
            assert_true(sync_message_read(slice_of(examples[i].bytes, examples[i].size), &message));
            return message;
        }
    fail_msg("sync.cddl has no example named \"%s\"", name);
    return message;
}

static void all_read_and_write_back(void **state) {
    bool seen[SYNC_MESSAGE_OTHER] = {false};
    (void)state;
    for (size_t i = 0; i < example_count; i++) {
        struct sync_message message;
        struct buffer out;
        struct slice bytes = slice_of(examples[i].bytes, examples[i].size);
        if (!sync_message_read(bytes, &message))
            fail_msg("example \"%s\" does not read", examples[i].name);
        buffer_init(&out);
        sync_message_write(&message, &out);
        assert_int_equal(out.size, bytes.size);
        assert_memory_equal(out.data, bytes.data, bytes.size);
        buffer_release(&out);
        seen[message.kind] = true;
    }
    for (size_t kind = 0; kind < SYNC_MESSAGE_OTHER; kind++)
        if (!seen[kind])
            fail_msg("sync.cddl has no example of kind %zu", kind);
}

static void hello_says_what_it_says(void **state) {
    struct sync_message first = read_example("hello: first words, without a proof");
    struct sync_message answer = read_example("hello: the answer, which knows the other's nonce");
    (void)state;
    assert_int_equal(first.version, 1);
    assert_int_equal(first.from, 7);
    assert_false(first.has_to);
    assert_int_equal(first.event.bytes[31], 0xe0);
    assert_int_equal(first.key.bytes[0], 0xa1);
    assert_int_equal(first.log.bytes[15], 0xb1);
    assert_int_equal(first.wall.ms, 1800000000000);
    assert_int_equal(first.port, 7117);
    assert_int_equal(first.proof.size, 0);
    assert_true(answer.has_to);
    assert_int_equal(answer.to, 9);
}

static void have_lists_heads(void **state) {
    struct sync_message have = read_example("have: one log with one head, one that forked");
    struct canon_reader list = canon_read(have.list);
    struct sync_message_log entry;
    (void)state;
    assert_int_equal(have.list_count, 2);
    assert_true(sync_message_next_log(&list, &entry));
    assert_int_equal(entry.head_count, 1);
    assert_int_equal(entry.head[0].number, 258);
    assert_int_equal(entry.head[0].id[0], 0xc1);
    assert_true(sync_message_next_log(&list, &entry));
    assert_int_equal(entry.log.bytes[0], 0xb2);
    assert_int_equal(entry.head_count, 2);
    assert_int_equal(entry.head[1].number, 6);
    assert_false(sync_message_next_log(&list, &entry));
}

static void the_rest_says_what_it_says(void **state) {
    struct sync_message want = read_example("want");
    struct sync_message batch =
        read_example("batch: two (shortened) records, and the credit is used up");
    struct sync_message roads = read_example("roads");
    struct canon_reader list = canon_read(batch.list);
    struct slice raw;
    struct sync_message_road road;
    (void)state;
    assert_int_equal(want.point_count, 2);
    assert_int_equal(want.point[1].number, 199);
    assert_int_equal(want.credit, 262144);
    assert_int_equal(want.target[0], 0xc1);
    assert_int_equal(batch.more, SYNC_MESSAGE_ASK);
    assert_true(sync_message_next_raw(&list, &raw));
    assert_true(slice_equal(raw, slice_text("raw")));
    assert_true(sync_message_next_raw(&list, &raw));
    assert_false(sync_message_next_raw(&list, &raw));
    list = canon_read(roads.list);
    assert_true(sync_message_next_road(&list, &road));
    assert_string_equal(road.address, "192.0.2.7:7117");
    assert_int_equal(read_example("beat").hash.bytes[31], 0xf1);
}

static bool reads(const char *hex) {
    struct sync_message message;
    uint8_t bytes[256];
    size_t size = strlen(hex) / 2;
    assert_true(hex_decode(hex, strlen(hex), bytes, size));
    return sync_message_read(slice_of(bytes, size), &message);
}

/* Each line is a good message with one thing wrong. */
static void what_is_refused(void **state) {
    (void)state;
#define LOG "50b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1"
#define ID  "50c1c1c1c1c1c1c1c1c1c1c1c1c1c1c1c1"
    assert_true(reads("84010709818250b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1818201" ID));
    assert_false(reads("84010709818250b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1818200" ID)); /* number 0 */
    assert_false(reads("84010709818250b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1b180"));        /* no head */
    assert_false(reads("84010709818250b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1b181821b0001000000000000" ID));
    assert_true(reads("84010709818250b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1b181821b0000ffffffffffff" ID));
    assert_true(reads("8803090750b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1" ID "008000"));
    assert_false(
        reads("8803090750b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1" ID "008001")); /* empty, yet more */
    assert_false(
        reads("8803090750b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1" ID "00814003")); /* empty record */
    assert_false(reads("8803090750b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1" ID "0081416103"));
    assert_true(reads("8803090750b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1b1" ID "0081416102"));
    assert_true(reads("85040709" LOG "814161"));
    assert_false(reads("85040709" LOG "80"));       /* a push of nothing */
    assert_false(reads("86040709" LOG "81416100")); /* one item too many */
    assert_false(reads("85040709" LOG "81416100")); /* bytes behind */
    assert_false(reads("8504071809" LOG "814161")); /* 9 in two bytes */
    assert_false(reads("9f040709" LOG "814161ff")); /* indefinite */
    assert_false(reads("85042009" LOG "814161"));   /* a nonce below zero */
    assert_false(reads("85050709f6" LOG));          /* a beat without a time */
    assert_false(reads("8406070981825820"
                       "a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2a2"
                       "63612062")); /* a blank in an address */
    assert_false(reads("80"));
    assert_false(reads("00"));
    assert_false(reads(""));
    assert_true(reads("8107"));    /* a kind yet to come */
    assert_true(reads("820007"));  /* a version yet to come */
    assert_false(reads("820001")); /* this version, and nothing in it */
    assert_false(reads("8120"));
#undef LOG
#undef ID
}

/* Any number of items may be claimed; they are not believed before they are read. */
static void claimed_counts_are_not_believed(void **state) {
    (void)state;
    assert_false(reads("840107099bffffffffffffffff"));
    assert_false(reads("9bffffffffffffffff01"));
    assert_false(reads("8701"));
}

/* The largest batch that the writers make fits into a message, with records of the least size. */
static void full_batch_fits(void **state) {
    struct sync_message batch = {.kind = SYNC_MESSAGE_BATCH, .from = UINT64_MAX, .to = UINT64_MAX};
    static const uint8_t record[100];
    struct buffer list, out;
    (void)state;
    buffer_init(&list);
    buffer_init(&out);
    for (size_t bytes = 0; bytes + sizeof record <= SYNC_MESSAGE_RECORD_BYTES;
         bytes += sizeof record) {
        canon_put_bytes(&list, slice_of(record, sizeof record));
        batch.list_count++;
    }
    batch.list = buffer_slice(&list);
    sync_message_write(&batch, &out);
    assert_in_range(out.size, SYNC_MESSAGE_RECORD_BYTES, SYNC_MESSAGE_MAX);
    struct sync_message back;
    assert_true(sync_message_read(buffer_slice(&out), &back));
    assert_int_equal(back.list_count, batch.list_count);
    buffer_release(&list);
    buffer_release(&out);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(all_read_and_write_back),
        cmocka_unit_test(hello_says_what_it_says),
        cmocka_unit_test(have_lists_heads),
        cmocka_unit_test(the_rest_says_what_it_says),
        cmocka_unit_test(what_is_refused),
        cmocka_unit_test(claimed_counts_are_not_believed),
        cmocka_unit_test(full_batch_fits),
    };
    return cmocka_run_group_tests(tests, read_examples, NULL);
}
