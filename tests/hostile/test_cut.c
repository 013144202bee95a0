/*
 * test_cut.c: a station that is cut off, or cuts itself off, while what it sent still waits to be
 * read: because the loop is at the disk, say. With a full queue libzmq 4.3.4 ends the process at
 * the next heartbeat (see node/link.c), so this test program would end, too. Real sockets, real
 * CURVE.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <sodium.h>
#include <string.h>

#include "node/station.h"
#include "node/transport.h"

enum { SENT = 100, WAIT_MS = 8000, BEATS_MS = 2500 /* two heartbeats and more */ };

static void make_keys(uint8_t salt, struct station_keys *keys) {
    uint8_t seed[2][32];
    memset(seed[0], salt, sizeof seed[0]);
    memset(seed[1], salt ^ 0x80, sizeof seed[1]);
    identity_keys(seed[0], seed[1], keys);
}

/* The transport does all but read messages. */
static void step(struct transport *transport, long ms) {
    zmq_pollitem_t items[16];
    size_t count = transport_poll(transport, false, items, 16);
    zmq_poll(items, (int)count, ms);
    transport_step(transport, station_now());
}

static bool opened(void *monitor) {
    int event = 0;
    uint32_t value = 0;
    return link_monitor_next(monitor, &event, &value) && event == ZMQ_EVENT_HANDSHAKE_SUCCEEDED;
}

static void cut_while_messages_wait(void **state) {
    static uint8_t message[LINK_BODY_MAX];
    struct transport_config config = {.silence_ms = 60000, .listen_count = 1};
    struct station_keys own, other;
    struct transport *transport = NULL;
    struct transport_event event;
    struct address address;
    struct error err;
    char endpoint[ADDRESS_TEXT_MAX + 8] = "tcp://";
    const int no_limit = 0;
    (void)state;
    make_keys(1, &own);
    make_keys(2, &other);
    config.curve_public = own.curve_public;
    config.curve_secret = own.curve_secret;
    assert_int_equal(address_parse("127.0.0.1:0", &config.listen[0], &err), ERR_OK);
    assert_int_equal(transport_open(&config, &transport, &err), ERR_OK);
    assert_int_equal(transport_listening(transport, &address, 1), 1);
    strcat(endpoint, address.text);

    void *context = zmq_ctx_new();
    void *socket = link_socket(context, ZMQ_DEALER, &other.curve_public, &other.curve_secret,
                               &own.curve_public);
    assert_non_null(socket);
    void *monitor = link_monitor(context, socket, ZMQ_EVENT_HANDSHAKE_SUCCEEDED);
    zmq_setsockopt(socket, ZMQ_SNDHWM, &no_limit, sizeof no_limit);
    assert_int_equal(zmq_connect(socket, endpoint), 0);
    bool open = false;
    for (int64_t end = station_now().ms + WAIT_MS; !open && station_now().ms < end;) {
        step(transport, 2);
        open = opened(monitor);
    }
    assert_true(open);
    for (size_t i = 0; i < SENT; i++) {
        memcpy(message, &i, sizeof i);
        assert_int_equal(zmq_send(socket, message, sizeof message, 0), sizeof message);
    }
    for (int64_t end = station_now().ms + 500; station_now().ms < end;) {
        step(transport, 10); /* they arrive, and wait */
    }
    link_close(socket, monitor, endpoint);
    zmq_ctx_term(context);
    for (int64_t end = station_now().ms + BEATS_MS; station_now().ms < end;) {
        step(transport, 10);
    }
    size_t read = 0;
    while (transport_next(transport, true, station_now(), &event)) {
        if (event.kind == TRANSPORT_MESSAGE) {
            assert_memory_equal(event.message.data, &read, sizeof read);
            read++;
        }
    }
    assert_int_equal(read, SENT);
    transport_close(transport);
}

static int set_up(void **state) {
    (void)state;
    return sodium_init() < 0 ? -1 : 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(cut_while_messages_wait)};
    return cmocka_run_group_tests(tests, set_up, NULL);
}
