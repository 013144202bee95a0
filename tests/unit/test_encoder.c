/*
 * test_encoder.c: the node's side of an encoder process, with small shell scripts as encoders. Time
 * is the test's own, so that five seconds of silence and half a minute of back-off take none.
 */
#include <poll.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "node/encoder.h"
#include "node/log.h"

enum { GONE_MS = 1500, PATIENCE_MS = 20000 };

#define READY "echo '{\"say\":\"ready\",\"protocol\":1,\"name\":\"script\",\"can\":[\"write\"]}'\n"
#define FIELD "echo '{\"say\":\"field\",\"tags\":[{\"epc\":\"0000\"}]}'\n"

static struct mono_ms now;
static int64_t passes_ms; /* of `now`, with each 5 ms of real time */
static const struct encoder_event *event;

static struct encoder *encoder_of(const char *script) {
    struct encoder *encoder = NULL;
    struct error err;
    char spec[ENCODER_SPEC_MAX];
    snprintf(spec, sizeof spec, "program:%s", script);
    assert_int_equal(encoder_new(spec, GONE_MS, &encoder, &err), ERR_OK);
    now.ms = 1000;
    return encoder;
}

/* Real time passes while the script runs. False: nothing came for long. */
static bool next_event(struct encoder *encoder) {
    for (int waited = 0; waited < PATIENCE_MS; waited += 5) {
        encoder_step(encoder, now);
        if (encoder_next(encoder, now, &event)) {
            return true;
        }
        poll(NULL, 0, 5);
        now.ms += passes_ms;
    }
    return false;
}

static void expect(struct encoder *encoder, enum encoder_event_kind kind) {
    assert_true(next_event(encoder));
    assert_int_equal(event->kind, kind);
}

/* Steps until the process's end is dealt with, and says when the next is started. */
static int64_t next_start(struct encoder *encoder) {
    expect(encoder, ENCODER_DOWN);
    return encoder_deadline(encoder).ms - now.ms;
}

static void test_says(void **state) {
    struct encoder *encoder = encoder_of(
        "read start; " READY "echo "
        "'{\"say\":\"field\",\"tags\":[{\"epc\":\"35000000\",\"tid\":\"E2801234\",\"pc\":\"3000\","
        "\"rssi\":-41},{\"epc\":\"\"}],\"more\":[1]}'\n" FIELD FIELD
        "echo '{\"say\":\"typed\",\"text\":\"00042\"}'\nread write; echo \"$start $write\" >&2\n"
        "echo "
        "'{\"say\":\"failed\",\"order\":17,\"why\":\"weak\",\"changed\":false,\"text\":\"x\"}'\n"
        "sleep 60");
    struct desk_tag tag = {.epc = {.size = 2, .data = {0}}};
    struct epc epc = {.size = 2, .data = {0x35, 0x01}};
    (void)state;
    assert_false(encoder_write(encoder, 17, &tag, &epc, 0x0800, now)); /* it is not there yet */
    expect(encoder, ENCODER_UP);
    assert_string_equal(event->text, "script");
    assert_true(event->can_write);
    expect(encoder, ENCODER_FIELD);
    assert_int_equal(event->tag_count, 2);
    assert_int_equal(event->tag[0].epc.size, 4);
    assert_int_equal(event->tag[0].epc.data[0], 0x35);
    assert_int_equal(event->tag[0].tid.size, 4);
    assert_true(event->tag[0].has_pc);
    assert_int_equal(event->tag[0].pc, 0x3000);
    assert_int_equal(event->tag[1].epc.size, 0);
    assert_false(event->tag[1].has_pc);
    expect(encoder, ENCODER_FIELD); /* and the same again is none */
    expect(encoder, ENCODER_TYPED);
    assert_string_equal(event->text, "00042");
    assert_true(encoder_write(encoder, 17, &tag, &epc, 0x0800, now));
    expect(encoder, ENCODER_FAILED);
    assert_int_equal(event->order, 17);
    assert_int_equal(event->why, DESK_FAILED_WEAK);
    assert_false(event->changed);
    encoder_free(encoder);
}

static void test_back_off(void **state) {
    struct encoder *encoder = encoder_of(READY "exit 3");
    static const int64_t waits[] = {500, 1000, 2000, 4000, 8000, 16000, 30000, 30000};
    (void)state;
    for (size_t i = 0; i < sizeof waits / sizeof waits[0]; i++) {
        expect(encoder, ENCODER_UP);
        assert_int_equal(next_start(encoder), waits[i]);
        assert_string_equal(event->text, "it ended with status 3");
        now = encoder_deadline(encoder);
    }
    encoder_free(encoder);
}

static void test_silence(void **state) {
    struct encoder *encoder = encoder_of(READY "exec sleep 60");
    (void)state;
    expect(encoder, ENCODER_UP);
    assert_int_equal(encoder_deadline(encoder).ms - now.ms, ENCODER_SILENCE_MS);
    now.ms += ENCODER_SILENCE_MS - 1;
    encoder_step(encoder, now);
    assert_false(encoder_next(encoder, now, &event));
    now.ms += 1;
    expect(encoder, ENCODER_DOWN);
    assert_string_equal(event->text, "it has said nothing for 5 seconds");
    encoder_free(encoder);
}

/* An encoder that gives signs of life and never answers is no better than one that is silent. */
static void test_no_answer(void **state) {
    struct encoder *encoder = encoder_of(
        READY "while :; do " FIELD "sleep 0.05\n echo '{\"say\":\"field\",\"tags\":[]}'\n"
              "sleep 0.05; done");
    struct desk_tag tag = {.epc = {.size = 2}};
    struct epc epc = {.size = 2};
    int64_t end;
    (void)state;
    expect(encoder, ENCODER_UP);
    assert_true(encoder_write(encoder, 1, &tag, &epc, 0x0800, now));
    end = now.ms + ENCODER_ANSWER_MS;
    while (now.ms < end) {
        expect(encoder, ENCODER_FIELD);
        now.ms += 1000;
    }
    while (next_event(encoder) && event->kind == ENCODER_FIELD) {
    }
    assert_int_equal(event->kind, ENCODER_DOWN);
    assert_non_null(strstr(event->text, "has not answered"));
    encoder_free(encoder);
}

static void ends_with(const char *script, const char *why) {
    struct encoder *encoder = encoder_of(script);
    passes_ms = 5;
    do {
        assert_true(next_event(encoder));
    } while (event->kind != ENCODER_DOWN);
    if (strstr(event->text, why) == NULL) {
        fail_msg("\"%s\" instead of \"%s\"", event->text, why);
    }
    passes_ms = 0;
    encoder_free(encoder);
}

static void test_nonsense(void **state) {
    (void)state;
    ends_with(READY "while :; do echo nonsense; done", "not of the protocol");
    ends_with(READY "while :; do echo '{\"say\":\"field\"}'; done", "not of the protocol");
    ends_with(READY "while :; do echo '{\"say\":\"typed\",\"text\":\"1\"}'; done", "more lines");
    ends_with(READY "while :; do head -c 100000 /dev/zero | tr '\\0' x; done", "too long");
    ends_with(READY "while :; do head -c 100000 /dev/zero >&2; done", "more than can be read");
    ends_with("echo '{\"say\":\"ready\",\"protocol\":2}'; exec 1>&-; sleep 60",
              "closed its output");
    ends_with(READY "kill -9 $$", "signal 9");
}

/* A few bad lines are dropped, and those around them are heard. */
static void test_bad_lines(void **state) {
    struct encoder *encoder = encoder_of(
        READY "echo nonsense\necho '{\"say\":\"written\",\"order\":5,\"tag\":{\"epc\":\"0000\"}}'\n"
              "echo '[1]'\necho '{\"say\":\"field\",\"tags\":[{\"epc\":\"0\"}]}'\n"
              "echo '{\"say\":\"typed\",\"text\":\"7\",\"text\":\"8\"}'\n" FIELD "exec sleep 60");
    (void)state;
    expect(encoder, ENCODER_UP);
    expect(encoder, ENCODER_FIELD);
    assert_int_equal(event->tag_count, 1);
    encoder_free(encoder);
}

/* What was said before the end counts. */
static void test_last_words(void **state) {
    struct encoder *encoder = encoder_of(
        READY "read start; read order\n"
              "echo '{\"say\":\"written\",\"order\":9,\"tag\":{\"epc\":\"3501\"}}'; exit 0");
    struct desk_tag tag = {.epc = {.size = 2}};
    struct epc epc = {.size = 2, .data = {0x35, 0x01}};
    (void)state;
    expect(encoder, ENCODER_UP);
    assert_true(encoder_write(encoder, 9, &tag, &epc, 0x0800, now));
    expect(encoder, ENCODER_WRITTEN);
    assert_int_equal(event->order, 9);
    assert_int_equal(event->tag[0].epc.data[1], 0x01);
    expect(encoder, ENCODER_DOWN);
    encoder_free(encoder);
}

/* Orders to one that reads nothing are bounded: in the end it is ended. */
static void test_never_reads(void **state) {
    struct encoder *encoder = encoder_of(READY "exec sleep 60");
    size_t told = 0;
    (void)state;
    expect(encoder, ENCODER_UP);
    while (told < 100000 && encoder_forget(encoder, told + 1)) {
        told++;
    }
    print_message("%zu orders were taken\n", told);
    assert_in_range(told, 100, 20000); /* a pipe and ENCODER_OUT_MAX hold no more */
    expect(encoder, ENCODER_DOWN);
    assert_string_equal(event->text, "it does not read what it is told");
    encoder_free(encoder);
}

static void test_closes_its_input(void **state) {
    struct encoder *encoder = encoder_of("exec 0<&-; " READY "exec sleep 60");
    struct desk_tag tag = {.epc = {.size = 2}};
    struct epc epc = {.size = 2};
    (void)state;
    expect(encoder, ENCODER_UP);
    encoder_forget(encoder, 1);
    assert_false(encoder_write(encoder, 2, &tag, &epc, 0x0800, now));
    passes_ms = 5;
    expect(encoder, ENCODER_DOWN);
    passes_ms = 0;
    assert_string_equal(event->text, "it has closed its input");
    encoder_free(encoder);
}

/* It has its three pipes and nothing else of ours, and its whole group ends with it. */
static void test_alone(void **state) {
    char script[200];
    int secret = dup(STDIN_FILENO); /* not closed on exec */
    struct encoder *encoder;
    (void)state;
    assert_true(secret > 2);
    snprintf(script, sizeof script,
             "n=0; for i in /proc/$$/fd/*; do [ -e $i ] && n=$((n+1)); done; sleep 60 & " READY
             "echo '{\"say\":\"typed\",\"text\":\"'$n $!'\"}'; wait");
    encoder = encoder_of(script);
    expect(encoder, ENCODER_UP);
    expect(encoder, ENCODER_TYPED);
    long count = 0, child = 0;
    assert_int_equal(sscanf(event->text, "%ld %ld", &count, &child), 2);
    assert_int_equal(count, 3);
    assert_int_equal(kill((pid_t)child, 0), 0);
    encoder_free(encoder);
    for (int waited = 0; waited < PATIENCE_MS && kill((pid_t)child, 0) == 0; waited += 5) {
        char path[64], status[256] = "";
        snprintf(path, sizeof path, "/proc/%ld/stat", child);
        FILE *file = fopen(path, "r");
        bool zombie = file == NULL || (fgets(status, sizeof status, file) != NULL &&
                                       strstr(status, ") Z ") != NULL);
        if (file != NULL) {
            fclose(file);
        }
        if (zombie) {
            break; /* killed; whoever inherits it has not looked yet */
        }
        assert_true(waited + 5 < PATIENCE_MS);
        poll(NULL, 0, 5);
    }
    close(secret);
}

static void test_trouble(void **state) {
    struct encoder *encoder =
        encoder_of("echo '{\"say\":\"trouble\",\"text\":\"no reader\"}'\n"
                   "echo '{\"say\":\"trouble\",\"text\":\"no reader\"}'\n" READY FIELD
                   "echo '{\"say\":\"trouble\",\"text\":\"lost\"}'\n" READY FIELD "exec sleep 60");
    (void)state;
    expect(encoder, ENCODER_DOWN);
    assert_string_equal(event->text, "no reader");
    expect(encoder, ENCODER_UP);
    expect(encoder, ENCODER_FIELD);
    expect(encoder, ENCODER_DOWN);
    assert_string_equal(event->text, "lost");
    expect(encoder, ENCODER_UP);
    expect(encoder, ENCODER_FIELD); /* told again, though it is the same */
    encoder_free(encoder);
}

static void test_names(void **state) {
    struct encoder *encoder = NULL;
    struct error err;
    (void)state;
    assert_int_equal(encoder_new("nothing", GONE_MS, &encoder, &err), ERR_USAGE);
    assert_int_equal(encoder_new("program:", GONE_MS, &encoder, &err), ERR_USAGE);
    assert_int_equal(encoder_new("", GONE_MS, &encoder, &err), ERR_USAGE);
    assert_int_equal(encoder_new("rehearse:slow=10", GONE_MS, &encoder, &err), ERR_OK);
    encoder_free(encoder); /* never started */
}

static bool is_alarmed(const char *words) {
    struct pairs_alarm alarms[LOG_ALARMS_MAX];
    size_t count = log_alarms(alarms, LOG_ALARMS_MAX);
    for (size_t i = 0; i < count; i++) {
        if (strstr(alarms[i].say, words) != NULL) {
            return true;
        }
    }
    return false;
}

/* However long the name, what was said of it is over when it works. */
static void test_alarm_is_over(void **state) {
    char path[] = "/tmp/bw-encoder-XXXXXX", script[400];
    int fd = mkstemp(path);
    (void)state;
    assert_true(fd >= 0);
    snprintf(script, sizeof script,
             ": a command with a name that is longer than what of it can be shown in an alarm of "
             "one line\nif [ -e %s ]; then rm %s; exit 1; fi\n" READY "exec sleep 60",
             path, path);
    struct encoder *encoder = encoder_of(script);
    passes_ms = 5;
    expect(encoder, ENCODER_DOWN);
    assert_true(is_alarmed("a command with a name"));
    expect(encoder, ENCODER_UP);
    passes_ms = 0;
    assert_false(is_alarmed("a command with a name"));
    encoder_free(encoder);
    close(fd);
}

/* main() is the encoder here, and ends at once. */
static void test_password_is_not_told(void **state) {
    struct encoder *encoder = NULL;
    struct error err;
    (void)state;
    assert_int_equal(
        encoder_new("llrp:127.0.0.1:1,password=1234ABCD,lock", GONE_MS, &encoder, &err), ERR_OK);
    now.ms = 1000;
    expect(encoder, ENCODER_DOWN);
    assert_true(is_alarmed("llrp:127.0.0.1:1,password=********,lock"));
    assert_false(is_alarmed("1234ABCD"));
    encoder_free(encoder);
}

int main(int argc, char **argv) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_says),          cmocka_unit_test(test_back_off),
        cmocka_unit_test(test_silence),       cmocka_unit_test(test_no_answer),
        cmocka_unit_test(test_nonsense),      cmocka_unit_test(test_bad_lines),
        cmocka_unit_test(test_last_words),    cmocka_unit_test(test_never_reads),
        cmocka_unit_test(test_alone),         cmocka_unit_test(test_trouble),
        cmocka_unit_test(test_names),         cmocka_unit_test(test_closes_its_input),
        cmocka_unit_test(test_alarm_is_over), cmocka_unit_test(test_password_is_not_told),
    };
    (void)argv;
    if (argc > 1) {
        return 1;
    }
    signal(SIGPIPE, SIG_IGN);
    return cmocka_run_group_tests(tests, NULL, NULL);
}
