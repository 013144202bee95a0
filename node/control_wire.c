/*
 * control_wire.c: framing and the socket's path. No state.
 */
#include "node/control_wire.h"

#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>

size_t control_wire_begin(struct buffer *out) {
    static const uint8_t none[CONTROL_WIRE_LENGTH];
    size_t start = out->size;
    buffer_append(out, none, sizeof none);
    return start;
}

void control_wire_end(struct buffer *out, size_t start) {
    if (out->failed) {
        return;
    }
    uint32_t size = (uint32_t)(out->size - start - CONTROL_WIRE_LENGTH);
    for (int i = 0; i < CONTROL_WIRE_LENGTH; i++) {
        out->data[start + (size_t)i] = (uint8_t)(size >> (24 - 8 * i));
    }
}

uint32_t control_wire_length(const uint8_t bytes[CONTROL_WIRE_LENGTH]) {
    return (uint32_t)bytes[0] << 24 | (uint32_t)bytes[1] << 16 | (uint32_t)bytes[2] << 8 | bytes[3];
}

bool control_wire_path(const char *dir, struct sockaddr_un *address, int *folder) {
    *address = (struct sockaddr_un){.sun_family = AF_UNIX};
    *folder = -1;
    int length = snprintf(address->sun_path, sizeof address->sun_path, "%s/control", dir);
    if (length > 0 && (size_t)length < sizeof address->sun_path) {
        return true;
    }
    *folder = open(dir, O_PATH | O_DIRECTORY | O_CLOEXEC);
    if (*folder < 0) {
        return false;
    }
    snprintf(address->sun_path, sizeof address->sun_path, "/proc/self/fd/%d/control", *folder);
    return true;
}
