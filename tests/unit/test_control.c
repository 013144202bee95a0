/*
 * test_control.c: both sides of the control socket: whole conversations between a server and a
 * client in a process of its own, and a server against bytes that no client of ours sends. The
 * bounds are those of node/control.h; the message forms are this project's own.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include "node/control.h"

enum { ROUNDS_MAX = 4000, LARGE = 1000000 };

struct place {
    char top[32];  /* to be removed */
    char dir[256]; /* the folder: its name is longer than a socket's may be */
    struct control *control;
    struct mono_ms now;
};

static int open_place(void **state) {
    struct place *place = calloc(1, sizeof *place);
    struct error err;
    char name[128];
    assert_non_null(place);
    memset(name, 'x', sizeof name);
    name[sizeof name - 1] = 0;
    strcpy(place->top, "/tmp/bw-control-XXXXXX");
    assert_non_null(mkdtemp(place->top));
    snprintf(place->dir, sizeof place->dir, "%s/%s", place->top, name);
    assert_int_equal(mkdir(place->dir, 0700), 0);
    place->now.ms = 1000;
    assert_int_equal(control_listen(place->dir, &place->control, &err), ERR_OK);
    *state = place;
    return 0;
}

static int close_place(void **state) {
    struct place *place = *state;
    control_close(place->control);
    rmdir(place->dir); /* fails, and so does the next, if the socket was left */
    int rc = rmdir(place->top);
    free(place);
    return rc;
}

/* A connection of the test's own, past the client. */
static int call(const struct place *place) {
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    char link[64];
    snprintf(link, sizeof link, "%s/s", place->top);
    int rc = symlink(place->dir, link);
    assert_int_equal(rc, 0);
    snprintf(address.sun_path, sizeof address.sun_path, "%s/control", link);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_int_equal(connect(fd, (struct sockaddr *)&address, sizeof address), 0);
    unlink(link);
    return fd;
}

static void put(int fd, const void *bytes, size_t size) {
    assert_int_equal(send(fd, bytes, size, MSG_NOSIGNAL), (ssize_t)size);
}

static void step(struct place *place) {
    control_step(place->control, place->now);
}

/* The status of the one answer that is there, and then the end of the connection. */
static void assert_refused(struct place *place, int fd, uint8_t status) {
    uint8_t answer[512];
    step(place);
    struct control_request request;
    assert_false(control_next(place->control, &request));
    step(place);
    ssize_t size = recv(fd, answer, sizeof answer, MSG_DONTWAIT);
    assert_true(size > 8);
    assert_int_equal(answer[3], size - 4); /* length, big-endian */
    assert_int_equal(answer[4], 0x84);     /* an array of four */
    assert_int_equal(answer[5], status);
    assert_int_equal(recv(fd, answer, sizeof answer, MSG_DONTWAIT), 0);
    close(fd);
}

static void bytes_that_are_no_request_get_one_answer_and_the_end(void **state) {
    static const struct {
        size_t size;
        const char *bytes;
    } cases[] = {
        {16, "GET / HTTP/1.1\r\n"},
        {4, "\x00\x01\x00\x01"},                                   /* a byte over the limit */
        {4, "\x00\x00\x00\x00"},                                   /* nothing */
        {5, "\x00\x00\x00\x01\x80"},                               /* [] */
        {10, "\x00\x00\x00\x06\x84\x61x\x80\xf4"},                 /* cut short inside */
        {12, "\x00\x00\x00\x08\x84\x61x\x80\xf4\x61/\xf6"},        /* something behind it */
        {13, "\x00\x00\x00\x09\x84\x61x\x81\x61\x00\xf4\x61/"},    /* NUL in an argument */
        {12, "\x00\x00\x00\x08\x84\x78\x01x\x80\xf4\x61/"},        /* not the shortest form */
        {13, "\x00\x00\x00\x09\x84\x61x\x9b\xff\xff\xff\xff\xff"}, /* more arguments than bytes */
        {11, "\x00\x00\x00\x07\x84\x61x\x80\xf4\x61\xff"},         /* not UTF-8 */
    };
    struct place *place = *state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        print_message("case %zu\n", i);
        int fd = call(place);
        put(fd, cases[i].bytes, cases[i].size);
        assert_refused(place, fd, ERROR_CLASS_INPUT);
    }
}

static void half_a_request_times_out_and_an_idle_connection_does_not(void **state) {
    struct place *place = *state;
    int idle = call(place);
    int fd = call(place);
    put(fd, "\x00\x00\x00\x08\x84", 5);
    step(place);
    assert_int_equal(control_deadline(place->control).ms, place->now.ms + CONTROL_REQUEST_MS);
    place->now.ms += CONTROL_REQUEST_MS;
    assert_refused(place, fd, ERROR_CLASS_INPUT);
    assert_int_equal(control_deadline(place->control).ms, INT64_MAX);
    put(idle, "\x00\x00\x00\x07\x84\x61x\x80\xf4\x61/", 11);
    step(place);
    struct control_request request;
    assert_true(control_next(place->control, &request));
    assert_string_equal(request.verb, "x");
    assert_string_equal(request.cwd, "/");
    assert_int_equal(request.argument_count, 0);
    close(idle);
}

static void one_connection_too_many_is_told(void **state) {
    struct place *place = *state;
    int fds[CONTROL_CONNECTIONS_MAX + 1];
    uint8_t answer[256];
    for (size_t i = 0; i <= CONTROL_CONNECTIONS_MAX; i++) {
        fds[i] = call(place);
        step(place);
    }
    assert_true(recv(fds[CONTROL_CONNECTIONS_MAX], answer, sizeof answer, MSG_DONTWAIT) > 6);
    assert_int_equal(answer[5], ERROR_CLASS_MACHINE);
    assert_int_equal(recv(fds[0], answer, sizeof answer, MSG_DONTWAIT), -1); /* still open */
    for (size_t i = 0; i <= CONTROL_CONNECTIONS_MAX; i++) {
        close(fds[i]);
    }
    step(place);
    step(place);
    int fd = call(place);
    put(fd, "\x00\x00\x00\x07\x84\x61x\x80\xf4\x61/", 11);
    step(place);
    struct control_request request;
    assert_true(control_next(place->control, &request));
    close(fd);
}

static void requests_of_one_connection_wait_for_their_turn(void **state) {
    struct place *place = *state;
    struct control_request first, second;
    int fd = call(place);
    put(fd, "\x00\x00\x00\x07\x84\x61x\x80\xf4\x61/\x00\x00\x00\x07\x84\x61y\x80\xf5\x61/", 22);
    step(place);
    assert_true(control_next(place->control, &first));
    assert_string_equal(first.verb, "x");
    assert_false(first.json);
    assert_false(control_next(place->control, &second));
    control_answer(place->control, first.connection, 0, slice_text("done"), slice_text(""));
    assert_true(control_next(place->control, &second));
    assert_string_equal(second.verb, "y");
    assert_true(second.json);
    /* the asker goes: nobody is there to answer, and that does no harm */
    assert_true(control_alive(place->control, second.connection));
    close(fd);
    step(place);
    assert_false(control_alive(place->control, second.connection));
    control_answer(place->control, second.connection, 0, slice_text("done"), slice_text(""));
}

static void who_does_not_read_is_dropped(void **state) {
    struct place *place = *state;
    struct control_request request;
    uint8_t *large = calloc(1, 8 * LARGE);
    int fd = call(place);
    assert_non_null(large);
    put(fd, "\x00\x00\x00\x07\x84\x61x\x80\xf4\x61/", 11);
    step(place);
    assert_true(control_next(place->control, &request));
    control_answer(place->control, request.connection, 0, slice_of(large, 8 * LARGE),
                   slice_text(""));
    assert_true(control_alive(place->control, request.connection));
    place->now.ms += CONTROL_STUCK_MS;
    step(place);
    assert_false(control_alive(place->control, request.connection));
    close(fd);
    free(large);
}

/* The client's side, in a process of its own; its exit status says which line was not as it
 * should be. */
static int client(const char *dir) {
    struct control_client client;
    struct buffer out, say;
    struct error err;
    const char *const words[] = {"7", "--reason", "z\xc3\xa4hlt", ""};
    const char *const bad[] = {"\xff"};
    int status = -1;
    buffer_init(&out);
    buffer_init(&say);
    if (control_connect(dir, &client, &err) != ERR_OK) {
        return 1;
    }
    for (int i = 0; i < 3; i++) {
        buffer_clear(&out);
        buffer_clear(&say);
        if (control_ask(&client, "issue", words, 4, true, "/tmp", &status, &out, &say, &err) !=
                ERR_OK ||
            status != 1 || out.size != LARGE || say.size != 5 ||
            memcmp(say.data, "sorry", 5) != 0) {
            return 2;
        }
        for (size_t k = 0; k < out.size; k++) {
            if (out.data[k] != (uint8_t)(k % 251)) {
                return 3;
            }
        }
    }
    if (control_ask(&client, "issue", bad, 1, false, "/", &status, &out, &say, &err) != ERR_USAGE) {
        return 4;
    }
    char *large = malloc(CONTROL_REQUEST_MAX + 1);
    memset(large, 'a', CONTROL_REQUEST_MAX);
    large[CONTROL_REQUEST_MAX] = 0;
    const char *const long_words[] = {large};
    if (control_ask(&client, "issue", long_words, 1, false, "/", &status, &out, &say, &err) !=
        ERR_LIMIT) {
        return 5;
    }
    /* this one is not answered */
    if (control_ask(&client, "end", words, 0, false, "/", &status, &out, &say, &err) !=
        ERR_SOCKET) {
        return 6;
    }
    free(large);
    buffer_release(&out);
    buffer_release(&say);
    control_disconnect(&client);
    return 0;
}

static void whole_conversations(void **state) {
    struct place *place = *state;
    static uint8_t large[LARGE];
    zmq_pollitem_t items[CONTROL_CONNECTIONS_MAX + 1];
    int status = -1, served = 0;
    for (size_t i = 0; i < sizeof large; i++) {
        large[i] = (uint8_t)(i % 251);
    }
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        _exit(client(place->dir));
    }
    for (int i = 0; i < ROUNDS_MAX && waitpid(child, &status, WNOHANG) == 0; i++) {
        struct control_request request;
        size_t count = control_poll(place->control, items, CONTROL_CONNECTIONS_MAX + 1);
        zmq_poll(items, (int)count, 10);
        step(place);
        while (control_next(place->control, &request)) {
            if (strcmp(request.verb, "end") == 0) {
                struct error err;
                control_close(place->control);
                assert_int_equal(control_listen(place->dir, &place->control, &err), ERR_OK);
                break;
            }
            served++;
            assert_string_equal(request.verb, "issue");
            assert_int_equal(request.argument_count, 4);
            assert_string_equal(request.arguments[0], "7");
            assert_string_equal(request.arguments[2], "z\xc3\xa4hlt");
            assert_string_equal(request.arguments[3], "");
            assert_null(request.arguments[4]);
            assert_string_equal(request.cwd, "/tmp");
            assert_true(request.json);
            control_answer(place->control, request.connection, 1, slice_of(large, sizeof large),
                           slice_text("sorry"));
        }
    }
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
    assert_int_equal(served, 3);
}

static void a_socket_that_was_left_is_replaced_and_nobody_behind_it_is_told(void **state) {
    struct place *place = *state;
    struct control_client client;
    struct stat info;
    struct error err;
    char path[sizeof place->dir + 16];
    snprintf(path, sizeof path, "%s/control", place->dir);
    assert_int_equal(stat(path, &info), 0);
    assert_int_equal(info.st_mode & 0777, 0600);
    control_close(place->control);
    place->control = NULL;
    assert_int_equal(stat(path, &info), -1);
    assert_int_equal(control_connect(place->dir, &client, &err), ERR_NOT_FOUND);
    FILE *left = fopen(path, "w");
    assert_non_null(left);
    fclose(left);
    assert_int_equal(control_connect(place->dir, &client, &err), ERR_NOT_FOUND);
    assert_int_equal(control_listen(place->dir, &place->control, &err), ERR_OK);
    assert_int_equal(control_connect(place->dir, &client, &err), ERR_OK);
    control_disconnect(&client);
}

int main(void) {
#define IN_PLACE(test) cmocka_unit_test_setup_teardown(test, open_place, close_place)
    const struct CMUnitTest tests[] = {
        IN_PLACE(bytes_that_are_no_request_get_one_answer_and_the_end),
        IN_PLACE(half_a_request_times_out_and_an_idle_connection_does_not),
        IN_PLACE(one_connection_too_many_is_told),
        IN_PLACE(requests_of_one_connection_wait_for_their_turn),
        IN_PLACE(who_does_not_read_is_dropped),
        IN_PLACE(whole_conversations),
        IN_PLACE(a_socket_that_was_left_is_replaced_and_nobody_behind_it_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
