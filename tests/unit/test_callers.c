/*
 * test_callers.c: who gives way when there are too many connections, and who is hung up on for what
 * it sends. Real connections on loopback; the time is made up. The bounds are this project's own.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <arpa/inet.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "node/callers.h"

enum { MAX = 8, LINES = 2 * MAX };

/* Connections from 127.0.0.`from` to a listening socket of this test. */
struct line {
    int near, far; /* near: the one that was accepted */
};
static int listening = -1;
static struct sockaddr_in where;

static int set_up(void **state) {
    socklen_t size = sizeof where;
    (void)state;
    where = (struct sockaddr_in){.sin_family = AF_INET, .sin_addr = {htonl(INADDR_LOOPBACK)}};
    listening = socket(AF_INET, SOCK_STREAM, 0);
    return listening < 0 || bind(listening, (struct sockaddr *)&where, sizeof where) != 0 ||
                   listen(listening, LINES) != 0 ||
                   getsockname(listening, (struct sockaddr *)&where, &size) != 0
               ? -1
               : 0;
}

static int tear_down(void **state) {
    (void)state;
    close(listening);
    return 0;
}

static struct line make_line(uint8_t from) {
    struct sockaddr_in own = {.sin_family = AF_INET, .sin_addr = {htonl(0x7f000000U + from)}};
    struct line line = {.far = socket(AF_INET, SOCK_STREAM, 0)};
    assert_true(line.far >= 0);
    assert_int_equal(bind(line.far, (struct sockaddr *)&own, sizeof own), 0);
    assert_int_equal(connect(line.far, (struct sockaddr *)&where, sizeof where), 0);
    line.near = accept(listening, NULL, NULL);
    assert_true(line.near >= 0);
    return line;
}

static void close_line(struct line *line) {
    close(line->near);
    close(line->far);
}

/* Whether the other side was hung up on: it reads the end. */
static bool ended(const struct line *line) {
    char byte;
    return recv(line->far, &byte, 1, MSG_DONTWAIT) == 0;
}

static struct callers *open_callers(void) {
    struct callers *callers = NULL;
    struct error err;
    assert_int_equal(callers_new(MAX, &callers, &err), ERR_OK);
    return callers;
}

static void assert_hung_up(struct callers *callers, enum callers_why why, const char *ip) {
    struct callers_hung_up said;
    assert_true(callers_hung_up(callers, &said));
    assert_int_equal(said.why, why);
    assert_string_equal(said.ip, ip);
    assert_false(callers_hung_up(callers, &said));
}

static void one_address_has_half_of_all(void **state) {
    struct callers *callers = open_callers();
    struct callers_hung_up said;
    struct line line[MAX];
    (void)state;
    for (size_t i = 0; i < MAX; i++) {
        line[i] = make_line(i < MAX / 2 + 1 ? 2 : 3);
        callers_came(callers, line[i].near, false, (struct mono_ms){1000});
        callers_step(callers, (struct mono_ms){1000});
        /* All came just now, so it is the newcomer that is too much. */
        assert_int_equal(ended(&line[i]), i == MAX / 2);
        if (i == MAX / 2) {
            assert_hung_up(callers, CALLERS_CROWD, "127.0.0.2");
        }
    }
    assert_false(callers_hung_up(callers, &said));
    for (size_t i = 0; i < MAX; i++) {
        close_line(&line[i]);
    }
    callers_free(callers);
}

static void stations_stay_and_strangers_give_way(void **state) {
    struct callers *callers = open_callers();
    struct line line[MAX + 2];
    (void)state;
    for (size_t i = 0; i < MAX; i++) { /* each from an address of its own; the second speaks */
        line[i] = make_line((uint8_t)(10 + i));
        callers_came(callers, line[i].near, i == 0, (struct mono_ms){1000 + (int64_t)i});
    }
    callers_heard(callers, line[1].near, 100, &(struct curve_public){{1}}, true);
    callers_heard(callers, line[2].near, 100, NULL, false);
    line[MAX] = make_line(30); /* the first is our own call, and does not count */
    callers_came(callers, line[MAX].near, false, (struct mono_ms){9000});
    callers_step(callers, (struct mono_ms){9000});
    for (size_t i = 0; i <= MAX; i++) {
        assert_false(ended(&line[i]));
    }
    line[MAX + 1] = make_line(31);
    callers_came(callers, line[MAX + 1].near, false, (struct mono_ms){9000});
    callers_step(callers, (struct mono_ms){9000});
    for (size_t i = 0; i < MAX + 2; i++) {
        assert_int_equal(ended(&line[i]), i == 2); /* the oldest that is no station's */
    }
    assert_hung_up(callers, CALLERS_CROWD, "127.0.0.12");
    assert_int_equal(callers_count(callers), MAX + 2);
    callers_gone(callers, line[2].near);
    callers_gone(callers, line[2].near); /* twice is once */
    assert_int_equal(callers_count(callers), MAX + 1);
    for (size_t i = 0; i < MAX + 2; i++) {
        close_line(&line[i]);
    }
    callers_free(callers);
}

/* Sends more than may be unread, in both cases; in one it is read. */
static void what_is_never_read_ends_the_connection(void **state) {
    enum { CHUNK = 65536 };
    static uint8_t chunk[CHUNK];
    struct callers *callers = open_callers();
    struct line line[2] = {make_line(2), make_line(3)};
    (void)state;
    for (size_t i = 0; i < 2; i++) {
        callers_came(callers, line[i].near, false, (struct mono_ms){0});
        callers_heard(callers, line[i].near, 100, &(struct curve_public){{5}}, true);
    }
    for (size_t sent = 0; sent <= CALLERS_UNREAD_MAX; sent += CHUNK) {
        for (size_t i = 0; i < 2; i++) {
            assert_int_equal(send(line[i].far, chunk, CHUNK, 0), CHUNK);
            assert_int_equal(recv(line[i].near, chunk, CHUNK, MSG_WAITALL), CHUNK);
        }
        callers_heard(callers, line[1].near, CHUNK, &(struct curve_public){{6}}, true);
    }
    callers_step(callers, (struct mono_ms){0}); /* not looked at before its time */
    assert_false(ended(&line[0]));
    assert_int_equal(callers_deadline(callers).ms, CALLERS_SLEEP_MS);
    callers_step(callers, (struct mono_ms){CALLERS_LOOK_MS});
    assert_true(ended(&line[0]));
    assert_false(ended(&line[1]));
    struct callers_hung_up said;
    assert_true(callers_hung_up(callers, &said));
    assert_int_equal(said.why, CALLERS_FLOOD);
    assert_string_equal(said.ip, "127.0.0.2");
    assert_true(said.heard && said.key.bytes[0] == 5);
    close_line(&line[0]);
    close_line(&line[1]);
    callers_free(callers);
}

/* A descriptor that was closed and is another connection's now, before the end of the first was
 * told of: the newcomer is not taken for the one that was to be hung up on. */
static void a_descriptor_that_is_anothers_by_now(void **state) {
    struct callers *callers = open_callers();
    struct line line[MAX / 2 + 1];
    (void)state;
    for (size_t i = 0; i <= MAX / 2; i++) {
        line[i] = make_line(2);
        callers_came(callers, line[i].near, false, (struct mono_ms){1000});
    }
    callers_gone(callers, line[MAX / 2].near); /* the monitor tells of both before the step */
    callers_came(callers, line[MAX / 2].near, true, (struct mono_ms){1000});
    callers_step(callers, (struct mono_ms){1000});
    assert_false(ended(&line[MAX / 2]));
    for (size_t i = 0; i <= MAX / 2; i++) {
        close_line(&line[i]);
    }
    assert_true(callers_deadline(callers).ms < INT64_MAX);
    callers_free(callers);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_address_has_half_of_all),
        cmocka_unit_test(stations_stay_and_strangers_give_way),
        cmocka_unit_test(what_is_never_read_ends_the_connection),
        cmocka_unit_test(a_descriptor_that_is_anothers_by_now),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
