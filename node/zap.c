/*
 * zap.c: the ZAP handler. It must never wait: a mute handler stalls every handshake.
 */
#include "node/zap.h"

#include "common/bytes.h"

#include <errno.h>
#include <string.h>
#include <zmq.h>

enum { ZAP_FRAMES = 7, ZAP_KEY_BYTES = 32, ZAP_REQUEST_ID_MAX = 64, ZAP_SERVE_MAX = 64 };

/* request = version, request id, domain, address, routing id, mechanism, credentials (a CURVE
 * client's key). */
struct request {
    size_t frames;
    uint8_t id[ZAP_REQUEST_ID_MAX];
    size_t id_size;
    bool version, domain, curve, keyed;
    uint8_t key[ZAP_KEY_BYTES];
};

enum error_code zap_open(void *context, struct zap *zap, struct error *err) {
    const int no_linger = 0;
    *zap = (struct zap){0};
    zap->socket = zmq_socket(context, ZMQ_REP);
    if (zap->socket == NULL ||
        zmq_setsockopt(zap->socket, ZMQ_LINGER, &no_linger, sizeof no_linger) != 0 ||
        zmq_bind(zap->socket, "inproc://zeromq.zap.01") != 0) {
        error_set(err, ERR_SOCKET, "ZAP handler: %s", zmq_strerror(errno));
        zap_close(zap);
        return err->code;
    }
    return ERR_OK;
}

void zap_close(struct zap *zap) {
    if (zap->socket != NULL) {
        zmq_close(zap->socket);
        zap->socket = NULL;
    }
}

static bool is_text(const void *data, size_t size, const char *text) {
    return size == strlen(text) && memcmp(data, text, size) == 0;
}

static void read_frame(struct request *request, const void *data, size_t size) {
    switch (request->frames++) {
    case 0:
        request->version = is_text(data, size, "1.0");
        break;
    case 1:
        if (size <= sizeof request->id) {
            memcpy(request->id, data, size);
            request->id_size = size;
        }
        break;
    case 2:
        request->domain = is_text(data, size, ZAP_DOMAIN);
        break;
    case 5:
        request->curve = is_text(data, size, "CURVE");
        break;
    case 6:
        if (size == sizeof request->key) {
            memcpy(request->key, data, size);
            request->keyed = true;
        }
        break;
    default:
        break;
    }
}

/* False when no request waits. */
static bool receive(void *socket, struct request *request) {
    bool more = true;
    *request = (struct request){0};
    while (more) {
        zmq_msg_t frame;
        zmq_msg_init(&frame);
        if (zmq_msg_recv(&frame, socket, ZMQ_DONTWAIT) < 0) {
            zmq_msg_close(&frame);
            return false;
        }
        read_frame(request, zmq_msg_data(&frame), zmq_msg_size(&frame));
        more = zmq_msg_more(&frame) != 0;
        zmq_msg_close(&frame);
    }
    return true;
}

static void reply(void *socket, const struct request *request, bool good) {
    char user[2 * ZAP_KEY_BYTES + 1] = "";
    if (good) {
        hex_encode(request->key, sizeof request->key, user);
    }
    const struct slice frames[] = {
        slice_text("1.0"),
        slice_of(request->id, request->id_size),
        slice_text(good ? "200" : "400"),
        slice_text(good ? "OK" : "CURVE only"),
        slice_text(user),
        slice_of("", 0),
    };
    const size_t count = sizeof frames / sizeof frames[0];
    for (size_t i = 0; i < count; i++) {
        zmq_send(socket, frames[i].data, frames[i].size,
                 ZMQ_DONTWAIT | (i + 1 < count ? ZMQ_SNDMORE : 0));
    }
}

bool zap_serve(struct zap *zap) {
    struct request request;
    for (int i = 0; i < ZAP_SERVE_MAX; i++) {
        if (!receive(zap->socket, &request)) {
            return false;
        }
        bool good = request.frames == ZAP_FRAMES && request.version && request.domain &&
                    request.curve && request.keyed;
        *(good ? &zap->accepted : &zap->refused) += 1;
        reply(zap->socket, &request, good);
    }
    return true;
}
