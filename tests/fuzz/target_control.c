/*
 * target_control.c: any bytes on the control socket of a node, in any pieces, from several clients
 * at once, some of whom do not read their answers. A request is handed out only whole and in its
 * form; each is answered once and in order; nobody can make the node hold more than a bounded
 * number of bytes for it.
 *
 * The real socket in a folder of its own, under the system's folder for temporary files; client and
 * server take turns in one thread, so nothing waits.
 */
#include "tests/fuzz/fuzz.h"

#include "common/canon.h"
#include "node/control.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { CLIENTS = 3, ACTS_MAX = 200 };

static char folder[64];

static void remove_folder(void) {
    if (rmdir(folder) != 0) {
        fprintf(stderr, "%s stays behind: %s\n", folder, strerror(errno));
    }
}

static const char *own_folder(void) {
    if (folder[0] == '\0') {
        const char *tmp = getenv("TMPDIR");
        snprintf(folder, sizeof folder, "%.40s/fuzz-XXXXXX", tmp == NULL ? "/tmp" : tmp);
        FUZZ_CHECK(mkdtemp(folder) != NULL, "%s: %s", folder, strerror(errno));
        atexit(remove_folder);
    }
    return folder;
}

struct scene {
    struct control *control;
    struct control_client client[CLIENTS];
    struct mono_ms now;
    struct fuzz_input input;
};

static void check_text(const char *text) {
    FUZZ_CHECK(utf8_valid(slice_text(text)), "a text that is not UTF-8");
}

static void check_request(const struct control_request *request) {
    check_text(request->verb);
    check_text(request->cwd);
    FUZZ_CHECK(request->argument_count <= CONTROL_ARGUMENTS_MAX, "%zu arguments",
               request->argument_count);
    for (size_t i = 0; i < request->argument_count; i++) {
        check_text(request->arguments[i]);
    }
    FUZZ_CHECK(request->arguments[request->argument_count] == NULL, "no NULL at the end");
}

/* Takes what requests there are; answers each, or leaves it for later, or answers nobody. */
static void take_requests(struct scene *scene, uint8_t how) {
    struct control_request request;
    static const char text[300000];
    for (int i = 0; i < 2 * CLIENTS && control_next(scene->control, &request); i++) {
        check_request(&request);
        FUZZ_CHECK(control_alive(scene->control, request.connection), "a request of nobody");
        if (how % 4 == 3) {
            continue; /* owed: no further request may come of this connection */
        }
        size_t size = how % 4 == 2 ? sizeof text : how;
        control_answer(scene->control, request.connection, how % 3, slice_of(text, size),
                       slice_of(text, how));
        control_answer(scene->control, request.connection + 1000, 0, slice_of(text, 1),
                       slice_of(text, 1));
    }
}

static void read_some(int fd, size_t max) {
    uint8_t bytes[65536];
    if (fd >= 0) {
        ssize_t ignored = recv(fd, bytes, max < sizeof bytes ? max : sizeof bytes, MSG_DONTWAIT);
        (void)ignored;
    }
}

/* The node's memory for a connection is bounded by what it lets itself be told to poll for: no
 * more is read while a whole request's worth is there. */
static void check_polls(const struct scene *scene) {
    zmq_pollitem_t items[CONTROL_CONNECTIONS_MAX + 1];
    size_t count = control_poll(scene->control, items, CONTROL_CONNECTIONS_MAX + 1);
    FUZZ_CHECK(count >= 1 && count <= CLIENTS + 1 + ACTS_MAX, "%zu items", count);
    FUZZ_CHECK(control_deadline(scene->control).ms > 0, "a deadline before the beginning");
}

static void act(struct scene *scene) {
    struct error err;
    uint8_t what = fuzz_u8(&scene->input), who = fuzz_u8(&scene->input) % CLIENTS;
    struct control_client *client = &scene->client[who];
    struct slice bytes;
    switch (what % 6) {
    case 0:
    case 1:
        bytes = fuzz_take(&scene->input,
                          what % 6 == 0 ? fuzz_u8(&scene->input) : fuzz_u16(&scene->input));
        if (client->fd >= 0 && bytes.size > 0) {
            ssize_t ignored = send(client->fd, bytes.data, bytes.size, MSG_DONTWAIT | MSG_NOSIGNAL);
            (void)ignored;
        }
        break;
    case 2:
        take_requests(scene, fuzz_u8(&scene->input));
        break;
    case 3:
        scene->now.ms += (int64_t)fuzz_u16(&scene->input);
        break;
    case 4:
        read_some(client->fd, fuzz_u16(&scene->input));
        break;
    default:
        control_disconnect(client);
        if (what & 0x40) {
            enum error_code code = control_connect(own_folder(), client, &err);
            FUZZ_CHECK(code == ERR_OK || code == ERR_NOT_FOUND, "%s", err.cause);
        }
        break;
    }
    control_step(scene->control, scene->now);
    check_polls(scene);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct scene scene = {.now = {1000}, .input = {data, size}};
    struct error err;
    enum error_code code = control_listen(own_folder(), &scene.control, &err);
    FUZZ_CHECK(code == ERR_OK, "%s", err.cause);
    for (size_t i = 0; i < CLIENTS; i++) {
        code = control_connect(own_folder(), &scene.client[i], &err);
        FUZZ_CHECK(code == ERR_OK, "%s", err.cause);
    }
    for (int i = 0; i < ACTS_MAX && scene.input.left > 0; i++) {
        act(&scene);
    }
    take_requests(&scene, 1);
    for (size_t i = 0; i < CLIENTS; i++) {
        control_disconnect(&scene.client[i]);
    }
    control_step(scene.control, scene.now);
    control_close(scene.control);
    return 0;
}

/* Requests are CBOR behind four bytes of length, so the input is best changed as it is, or a whole
 * request is put in at some place. */
static void put_request(struct buffer *out, struct fuzz_chance *chance) {
    struct buffer item;
    buffer_init(&item);
    canon_put_array(&item, 4);
    canon_put_text(&item, slice_text("issue"));
    canon_put_array(&item, 2);
    canon_put_text(&item, slice_text("57"));
    canon_put_text(&item, slice_text("--json"));
    canon_put_bool(&item, true);
    canon_put_text(&item, slice_text("/"));
    if (fuzz_below(chance, 2) == 0) {
        fuzz_mutate_cbor(&item, chance);
    }
    size_t size = item.size + 4;
    uint8_t head[] = {1,
                      (uint8_t)fuzz_below(chance, CLIENTS),
                      (uint8_t)size,
                      (uint8_t)(size >> 8),
                      0,
                      (uint8_t)(item.size >> 16),
                      (uint8_t)(item.size >> 8),
                      (uint8_t)item.size};
    buffer_append(out, head, sizeof head);
    buffer_append_slice(out, buffer_slice(&item));
    buffer_release(&item);
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t size_max, unsigned seed) {
    struct fuzz_chance chance = fuzz_chance_of(seed);
    struct buffer changed, request;
    if (fuzz_below(&chance, 3) > 0) {
        return LLVMFuzzerMutate(data, size, size_max);
    }
    buffer_init(&changed);
    buffer_init(&request);
    buffer_append(&changed, data, size);
    put_request(&request, &chance);
    fuzz_splice(&changed, size == 0 ? 0 : fuzz_below(&chance, (uint32_t)size), 0,
                buffer_slice(&request));
    size_t made = fuzz_hand_back(&changed, data, size_max);
    buffer_release(&changed);
    buffer_release(&request);
    return made;
}
