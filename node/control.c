/*
 * control.c: the node's side of the control socket. It must never block and never run a verb.
 */
#include "node/control.h"

#include "common/canon.h"
#include "node/control_wire.h"

#include <errno.h>
#include <sodium.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

struct connection {
    int fd; /* -1: slot is free */
    uint64_t number;
    bool owed;   /* a request was handed to the loop and has no answer yet */
    bool ending; /* close once what is queued has been written */
    struct buffer in, out;
    struct mono_ms
        since;   /* of the first byte of an unfinished request, or of progress in writing */
    char *words; /* the request in hand: its texts, NUL-terminated, one after another */
    const char **arguments;
    uint8_t secret[CONTROL_SECRET]; /* of the request in hand, or zeros */
};
struct control {
    int fd;
    char *path;
    int folder; /* see control_wire_path */
    struct mono_ms now;
    uint64_t last_number;
    size_t turn; /* where the next look for a request begins */
    struct connection connection[CONTROL_CONNECTIONS_MAX];
};

/* ---- opening and closing ---- */

static void drop(struct connection *connection) {
    if (connection->fd >= 0) {
        close(connection->fd);
    }
    buffer_release(&connection->in);
    buffer_release(&connection->out);
    free(connection->words);
    free(connection->arguments);
    sodium_memzero(connection->secret, sizeof connection->secret);
    *connection = (struct connection){.fd = -1};
}

static enum error_code bind_socket(const char *dir, struct control *control, struct error *err) {
    struct sockaddr_un address;
    if (!control_wire_path(dir, &address, &control->folder)) {
        return error_set(err, ERR_SOCKET, "%.200s: %s", dir, strerror(errno));
    }
    control->path = strdup(address.sun_path);
    control->fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (control->path == NULL || control->fd < 0) {
        return error_set(err, ERR_SOCKET, "control socket: %s", strerror(errno));
    }
    unlink(control->path); /* a killed node leaves its socket behind */
    if (bind(control->fd, (const struct sockaddr *)&address, (socklen_t)sizeof address) != 0 ||
        chmod(control->path, S_IRUSR | S_IWUSR) != 0 || listen(control->fd, SOMAXCONN) != 0) {
        return error_set(err, ERR_SOCKET, "control socket in %.200s: %s", dir, strerror(errno));
    }
    return ERR_OK;
}

enum error_code control_listen(const char *dir, struct control **out, struct error *err) {
    struct control *control = calloc(1, sizeof *control);
    *out = NULL;
    if (control == NULL) {
        return error_set(err, ERR_MEMORY, "control socket");
    }
    control->fd = -1;
    control->folder = -1;
    for (size_t i = 0; i < CONTROL_CONNECTIONS_MAX; i++) {
        control->connection[i].fd = -1;
    }
    if (bind_socket(dir, control, err) != ERR_OK) {
        control_close(control);
        return err->code;
    }
    *out = control;
    return ERR_OK;
}

void control_close(struct control *control) {
    if (control == NULL) {
        return;
    }
    for (size_t i = 0; i < CONTROL_CONNECTIONS_MAX; i++) {
        drop(&control->connection[i]);
    }
    if (control->fd >= 0) {
        close(control->fd);
        unlink(control->path);
    }
    if (control->folder >= 0) {
        close(control->folder);
    }
    free(control->path);
    free(control);
}

size_t control_poll(const struct control *control, zmq_pollitem_t *items, size_t max) {
    size_t count = 0;
    if (max > 0) {
        items[count++] = (zmq_pollitem_t){.fd = control->fd, .events = ZMQ_POLLIN};
    }
    for (size_t i = 0; i < CONTROL_CONNECTIONS_MAX && count < max; i++) {
        const struct connection *connection = &control->connection[i];
        if (connection->fd >= 0) {
            /* Readable while an answer is owed too, to learn that the asker has gone; but no more
             * is taken in than one request's worth. */
            bool room = connection->in.size < CONTROL_REQUEST_MAX + CONTROL_WIRE_LENGTH;
            short events = room ? ZMQ_POLLIN : 0;
            if (connection->out.size > 0) {
                events |= ZMQ_POLLOUT;
            }
            items[count++] = (zmq_pollitem_t){.fd = connection->fd, .events = events};
        }
    }
    return count;
}

/* ---- accepting ---- */

static bool same_user(int fd) {
    struct ucred other;
    socklen_t size = sizeof other;
    return getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &other, &size) == 0 &&
           (other.uid == geteuid() || other.uid == 0);
}

static void put_part(struct buffer *out, int status, struct slice text, struct slice say,
                     bool more) {
    size_t start = control_wire_begin(out);
    canon_put_array(out, 4);
    canon_put_uint(out, (uint64_t)status);
    canon_put_bytes(out, text);
    canon_put_bytes(out, say);
    canon_put_bool(out, more);
    control_wire_end(out, start);
}

/* One clear answer, and then the end of the connection. */
static void refuse(struct connection *connection, int status, const char *sentence) {
    buffer_clear(&connection->in);
    put_part(&connection->out, status, slice_of("", 0), slice_text(sentence), false);
    connection->ending = true;
}

/* One attempt to say so; who does not read it is closed all the same. */
static void turn_away(int fd, const char *sentence) {
    struct buffer out;
    buffer_init(&out);
    put_part(&out, ERROR_CLASS_MACHINE, slice_of("", 0), slice_text(sentence), false);
    ssize_t ignored = send(fd, out.data, out.size, MSG_NOSIGNAL | MSG_DONTWAIT);
    (void)ignored;
    buffer_release(&out);
    close(fd);
}

static void accept_all(struct control *control) {
    for (int rounds = 0; rounds < CONTROL_CONNECTIONS_MAX; rounds++) {
        int fd = accept4(control->fd, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
        if (fd < 0) {
            return;
        }
        struct connection *connection = NULL;
        for (size_t i = 0; i < CONTROL_CONNECTIONS_MAX && connection == NULL; i++) {
            connection = control->connection[i].fd < 0 ? &control->connection[i] : NULL;
        }
        if (!same_user(fd)) {
            turn_away(fd, "This node belongs to another user of this machine.\n");
            continue;
        }
        if (connection == NULL) {
            turn_away(fd, "Too many commands at once: try again a little later.\n");
            continue;
        }
        *connection = (struct connection){.fd = fd, .number = ++control->last_number};
        buffer_init(&connection->in);
        buffer_init(&connection->out);
    }
}

/* ---- bytes in and out ---- */

static bool read_some(struct connection *connection, struct mono_ms now) {
    enum { CHUNK = 16384 };
    while (connection->in.size < CONTROL_REQUEST_MAX + CONTROL_WIRE_LENGTH) {
        if (!buffer_reserve(&connection->in, CHUNK)) {
            return false;
        }
        ssize_t n = recv(connection->fd, connection->in.data + connection->in.size, CHUNK, 0);
        if (n < 0 && (errno == EAGAIN || errno == EINTR)) {
            return true;
        }
        if (n <= 0) {
            return false;
        }
        if (connection->in.size == 0) {
            connection->since = now;
        }
        connection->in.size += (size_t)n;
        if (n < CHUNK) {
            return true;
        }
    }
    return true;
}

static bool write_some(struct connection *connection, struct mono_ms now) {
    while (connection->out.size > 0) {
        ssize_t n = send(connection->fd, connection->out.data, connection->out.size, MSG_NOSIGNAL);
        if (n < 0 && (errno == EAGAIN || errno == EINTR)) {
            return now.ms - connection->since.ms < CONTROL_STUCK_MS;
        }
        if (n <= 0) {
            return false;
        }
        connection->since = now;
        buffer_drop(&connection->out, (size_t)n);
    }
    return !connection->ending && !connection->out.failed;
}

static bool whole(const struct connection *connection) {
    return connection->in.size >= CONTROL_WIRE_LENGTH &&
           connection->in.size - CONTROL_WIRE_LENGTH >= control_wire_length(connection->in.data);
}

static void check_request(struct connection *connection, struct mono_ms now) {
    if (connection->ending || connection->in.size == 0) {
        return;
    }
    if (connection->in.size >= CONTROL_WIRE_LENGTH &&
        control_wire_length(connection->in.data) > CONTROL_REQUEST_MAX) {
        refuse(connection, ERROR_CLASS_INPUT, "That is no request, or one over 65536 bytes.\n");
    } else if (!connection->owed && !whole(connection) &&
               now.ms - connection->since.ms >= CONTROL_REQUEST_MS) {
        refuse(connection, ERROR_CLASS_INPUT, "The request stopped in the middle.\n");
    }
}

void control_step(struct control *control, struct mono_ms now) {
    control->now = now;
    accept_all(control);
    for (size_t i = 0; i < CONTROL_CONNECTIONS_MAX; i++) {
        struct connection *connection = &control->connection[i];
        if (connection->fd < 0) {
            continue;
        }
        bool alive = read_some(connection, now);
        if (alive) {
            check_request(connection, now);
            alive = write_some(connection, now);
        }
        if (!alive) {
            drop(connection);
        }
    }
}

struct mono_ms control_deadline(const struct control *control) {
    struct mono_ms deadline = {INT64_MAX};
    for (size_t i = 0; i < CONTROL_CONNECTIONS_MAX; i++) {
        const struct connection *connection = &control->connection[i];
        bool unfinished = connection->in.size > 0 && !connection->owed && !whole(connection);
        if (connection->fd < 0 || (!unfinished && connection->out.size == 0)) {
            continue;
        }
        int64_t limit = connection->out.size > 0 ? CONTROL_STUCK_MS : CONTROL_REQUEST_MS;
        if (connection->since.ms + limit < deadline.ms) {
            deadline.ms = connection->since.ms + limit;
        }
    }
    return deadline;
}

/* ---- requests and answers ---- */

static const char *keep_text(char **at, struct slice text) {
    char *begin = *at;
    memcpy(begin, text.data, text.size);
    begin[text.size] = 0;
    *at += text.size + 1;
    return begin;
}

static bool get_text(struct canon_reader *reader, struct slice *text) {
    return canon_get_text(reader, text) && memchr(text->data, 0, text->size) == NULL;
}

/* Copies the texts out of the item, so that the input buffer can go on filling. */
static bool parse(struct connection *connection, struct slice item,
                  struct control_request *request) {
    struct canon_reader reader = canon_read(item);
    size_t items = 0, count = 0;
    struct slice text = {0};
    /* Each text has a head of at least one byte, which becomes its NUL. */
    connection->words = malloc(item.size + 1);
    char *at = connection->words;
    if (at == NULL || !canon_get_array(&reader, &items) || items < 4 || items > 5 ||
        !get_text(&reader, &text)) {
        return false;
    }
    request->verb = keep_text(&at, text);
    if (!canon_get_array(&reader, &count) || count > CONTROL_ARGUMENTS_MAX) {
        return false;
    }
    connection->arguments = calloc(count + 1, sizeof *connection->arguments);
    if (connection->arguments == NULL) {
        return false;
    }
    for (size_t i = 0; i < count; i++) {
        if (!get_text(&reader, &text)) {
            return false;
        }
        connection->arguments[i] = keep_text(&at, text);
    }
    if (!canon_get_bool(&reader, &request->json) || !get_text(&reader, &text)) {
        return false;
    }
    request->cwd = keep_text(&at, text);
    if (items == 5) {
        request->secret = connection->secret;
        if (!canon_get_exact(&reader, connection->secret, sizeof connection->secret)) {
            return false;
        }
    }
    if (!canon_done(&reader)) {
        return false;
    }
    request->arguments = connection->arguments;
    request->argument_count = count;
    request->connection = connection->number;
    return true;
}

static void forget_request(struct connection *connection) {
    free(connection->words);
    free(connection->arguments);
    connection->words = NULL;
    connection->arguments = NULL;
    connection->owed = false;
    sodium_memzero(connection->secret, sizeof connection->secret);
}

static bool take_request(struct control *control, struct connection *connection,
                         struct control_request *request) {
    if (connection->fd < 0 || connection->owed || connection->ending || !whole(connection)) {
        return false;
    }
    /* An answer that is not being read holds up the next request, not the node's memory. */
    if (connection->out.size > 0) {
        return false;
    }
    uint32_t size = control_wire_length(connection->in.data);
    struct slice item = slice_of(connection->in.data + CONTROL_WIRE_LENGTH, size);
    *request = (struct control_request){0};
    bool good = parse(connection, item, request);
    connection->since = control->now;
    if (!good) {
        forget_request(connection);
        refuse(connection, ERROR_CLASS_INPUT, "That is no request.\n");
        return false;
    }
    if (request->secret != NULL) { /* its text was copied; nothing of it stays behind */
        sodium_memzero(connection->in.data + CONTROL_WIRE_LENGTH, size);
    }
    buffer_drop(&connection->in, CONTROL_WIRE_LENGTH + (size_t)size);
    connection->owed = true;
    return true;
}

bool control_next(struct control *control, struct control_request *request) {
    for (size_t i = 0; i < CONTROL_CONNECTIONS_MAX; i++) {
        size_t slot = (control->turn + i) % CONTROL_CONNECTIONS_MAX;
        if (take_request(control, &control->connection[slot], request)) {
            control->turn = slot + 1;
            return true;
        }
    }
    return false;
}

static struct connection *find(struct control *control, uint64_t number) {
    for (size_t i = 0; i < CONTROL_CONNECTIONS_MAX; i++) {
        if (control->connection[i].fd >= 0 && control->connection[i].number == number) {
            return &control->connection[i];
        }
    }
    return NULL;
}

bool control_alive(const struct control *control, uint64_t connection) {
    for (size_t i = 0; i < CONTROL_CONNECTIONS_MAX; i++) {
        if (control->connection[i].fd >= 0 && control->connection[i].number == connection) {
            return true;
        }
    }
    return false;
}

static struct slice cut(struct slice *rest, size_t *room) {
    struct slice part = slice_of(rest->data, rest->size < *room ? rest->size : *room);
    *rest = slice_of(part.size > 0 ? rest->data + part.size : rest->data, rest->size - part.size);
    *room -= part.size;
    return part;
}

void control_answer(struct control *control, uint64_t number, int status, struct slice out,
                    struct slice err) {
    struct connection *connection = find(control, number);
    if (connection == NULL) {
        return;
    }
    forget_request(connection);
    connection->since = control->now;
    do {
        size_t room = CONTROL_PART_MAX;
        struct slice text = cut(&out, &room);
        struct slice say = cut(&err, &room);
        put_part(&connection->out, status, text, say, out.size > 0 || err.size > 0);
    } while (out.size > 0 || err.size > 0);
    if (!write_some(connection, control->now)) {
        drop(connection);
    }
}
