/*
 * encoder_llrp.h: the encoder process for LLRP readers.
 *
 * A process of its own: one thread, one connection to a reader, JSON lines on stdin and stdout (the
 * encoder protocol, version 1). It keeps nothing on disk. It never raises the reader's power above
 * what the reader is set to, and never touches its region.
 */
#ifndef BIBWEAVE_ENCODER_LLRP_H
#define BIBWEAVE_ENCODER_LLRP_H

/* Serves until stdin ends; gives the exit status: 0, or 2 for wrong `args`, which are
 *   ADDR[:PORT][,antenna=1][,power=INDEX][,password-file=FILE][,lock][,gone=1500]
 * ADDR is numeric. `power` is an index of the reader's own table. FILE holds the tags' access
 * password, 8 hex digits. With `lock` tags come without a password: each is given this one, and its
 * EPC and password are locked with it after the read-back was right. `gone`: after how many
 * milliseconds a tag that is not heard has left. */
int encoder_llrp(const char *args) __attribute__((nonnull));

#endif
