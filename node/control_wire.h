/*
 * control_wire.h: what both sides of the control socket share: framing, and where the socket is.
 * For control.c and control_client.c alone.
 */
#ifndef BIBWEAVE_CONTROL_WIRE_H
#define BIBWEAVE_CONTROL_WIRE_H

#include "common/bytes.h"

#include <sys/un.h>

enum { CONTROL_WIRE_LENGTH = 4 };

/* Begins a frame in an empty place of *out and returns where; the item is appended after it. */
size_t control_wire_begin(struct buffer *out) __attribute__((nonnull));
/* Writes the length of the frame that begins at `start`. */
void control_wire_end(struct buffer *out, size_t start) __attribute__((nonnull));
/* The item's size from the four bytes of length. */
uint32_t control_wire_length(const uint8_t bytes[CONTROL_WIRE_LENGTH]) __attribute__((nonnull));

/* The socket's address. sun_path has room for 108 bytes, so a long folder name goes by way of an
 * open descriptor of the folder, *folder, which the caller closes (-1 when none was needed).
 * False when the folder cannot be opened. */
bool control_wire_path(const char *dir, struct sockaddr_un *address, int *folder)
    __attribute__((nonnull));

#endif
