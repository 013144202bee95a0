/*
 * control_client.c: the command line's side of the control socket: send, wait, print nothing.
 */
#include "node/control.h"

#include "common/canon.h"
#include "node/control_wire.h"

#include <errno.h>
#include <sodium.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

/* An answer's part: out and err, and room for the heads around them. */
enum { CONTROL_ANSWER_MAX = CONTROL_PART_MAX + 64 };

enum error_code control_connect(const char *dir, struct control_client *client, struct error *err) {
    struct sockaddr_un address;
    int folder = -1;
    *client = (struct control_client){.fd = -1};
    if (!control_wire_path(dir, &address, &folder)) {
        return error_set(err, ERR_NOT_FOUND, "%.200s: %s", dir, strerror(errno));
    }
    client->fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    int rc = client->fd < 0 ? -1
                            : connect(client->fd, (const struct sockaddr *)&address,
                                      (socklen_t)sizeof address);
    int why = errno;
    if (folder >= 0) {
        close(folder);
    }
    if (rc == 0) {
        return ERR_OK;
    }
    control_disconnect(client);
    enum error_code code = why == ENOENT || why == ECONNREFUSED || why == EAGAIN ? ERR_NOT_FOUND
                           : why == EACCES || why == EPERM                       ? ERR_PERMISSION
                                                                                 : ERR_SOCKET;
    return error_set(err, code, "control socket of %.200s: %s", dir, strerror(why));
}

void control_disconnect(struct control_client *client) {
    if (client->fd >= 0) {
        close(client->fd);
        client->fd = -1;
    }
}

static enum error_code lost(struct error *err, int why) {
    error_set(err, ERR_SOCKET, "control socket: %s",
              why == 0 ? "closed by the node" : strerror(why));
    return error_say(err, "The node ended before it answered: look whether this was done, and do "
                          "it again if not.");
}

static enum error_code send_all(int fd, struct slice bytes, struct error *err) {
    while (bytes.size > 0) {
        ssize_t n = send(fd, bytes.data, bytes.size, MSG_NOSIGNAL);
        if (n < 0 && errno == EINTR) {
            continue;
        }
        if (n < 0) {
            return lost(err, errno);
        }
        bytes = slice_of(bytes.data + n, bytes.size - (size_t)n);
    }
    return ERR_OK;
}

static enum error_code receive_all(int fd, uint8_t *data, size_t size, struct error *err) {
    while (size > 0) {
        ssize_t n = recv(fd, data, size, 0);
        if (n < 0 && errno == EINTR) {
            continue;
        }
        if (n <= 0) {
            return lost(err, n == 0 ? 0 : errno);
        }
        data += n;
        size -= (size_t)n;
    }
    return ERR_OK;
}

static enum error_code write_request(struct buffer *out, const char *verb,
                                     const char *const *arguments, size_t argument_count, bool json,
                                     const char *cwd, const uint8_t *secret, struct error *err) {
    bool valid = utf8_valid(slice_text(verb)) && utf8_valid(slice_text(cwd));
    size_t start = control_wire_begin(out);
    canon_put_array(out, secret == NULL ? 4 : 5);
    canon_put_text(out, slice_text(verb));
    canon_put_array(out, argument_count);
    for (size_t i = 0; i < argument_count; i++) {
        valid = valid && utf8_valid(slice_text(arguments[i]));
        canon_put_text(out, slice_text(arguments[i]));
    }
    canon_put_bool(out, json);
    canon_put_text(out, slice_text(cwd));
    if (secret != NULL) {
        canon_put_bytes(out, slice_of(secret, CONTROL_SECRET));
    }
    control_wire_end(out, start);
    if (!valid) {
        error_set(err, ERR_USAGE, "an argument or the folder's name is not UTF-8");
        return error_say(err, "Write the command's words in UTF-8.");
    }
    if (out->failed) {
        return error_set(err, ERR_MEMORY, "request");
    }
    if (out->size > CONTROL_REQUEST_MAX || argument_count > CONTROL_ARGUMENTS_MAX) {
        error_set(err, ERR_LIMIT, "request of %zu bytes, %zu words", out->size, argument_count);
        return error_say(err, "This command is too long for a running node: cut it into parts.");
    }
    return ERR_OK;
}

/* One part of an answer: appends to out and say, and tells whether more parts follow. */
static enum error_code read_part(int fd, int *status, struct buffer *out, struct buffer *say,
                                 bool *more, struct error *err) {
    uint8_t head[CONTROL_WIRE_LENGTH];
    if (receive_all(fd, head, sizeof head, err) != ERR_OK) {
        return err->code;
    }
    uint32_t size = control_wire_length(head);
    struct buffer part;
    buffer_init(&part);
    if (size > CONTROL_ANSWER_MAX) {
        error_set(err, ERR_FORM, "answer of %u bytes", size);
    } else if (!buffer_reserve(&part, size)) {
        error_set(err, ERR_MEMORY, "answer");
    } else if (receive_all(fd, part.data, size, err) == ERR_OK) {
        struct canon_reader reader = canon_read(slice_of(part.data, size));
        size_t items = 0;
        uint64_t value = 0;
        struct slice text, words;
        bool good = canon_get_array(&reader, &items) && items == 4 &&
                    canon_get_uint(&reader, &value) && value <= 255 &&
                    canon_get_bytes(&reader, &text) && canon_get_bytes(&reader, &words) &&
                    canon_get_bool(&reader, more) && canon_done(&reader);
        if (good) {
            *status = (int)value;
            buffer_append_slice(out, text);
            buffer_append_slice(say, words);
        } else {
            error_set(err, ERR_FORM, "answer on the control socket");
        }
    }
    buffer_release(&part);
    return err->code;
}

enum error_code control_ask(struct control_client *client, const char *verb,
                            const char *const *arguments, size_t argument_count, bool json,
                            const char *cwd, int *status, struct buffer *out, struct buffer *say,
                            struct error *err) {
    struct buffer request;
    bool more = true;
    error_clear(err);
    buffer_init(&request);
    /* Room at once, so that growing leaves no copy of a secret behind. */
    if (client->secret != NULL) {
        buffer_reserve(&request, CONTROL_REQUEST_MAX);
    }
    if (write_request(&request, verb, arguments, argument_count, json, cwd, client->secret, err) ==
            ERR_OK &&
        send_all(client->fd, buffer_slice(&request), err) == ERR_OK) {
        while (more && err->code == ERR_OK) {
            if (read_part(client->fd, status, out, say, &more, err) == ERR_OK &&
                (out->failed || say->failed)) {
                error_set(err, ERR_MEMORY, "answer");
            }
        }
    }
    if (client->secret != NULL && request.data != NULL) {
        sodium_memzero(request.data, request.capacity);
    }
    client->secret = NULL;
    buffer_release(&request);
    return err->code;
}
