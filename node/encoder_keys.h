/*
 * encoder_keys.h: the encoder `keys`, for a table whose scanner or desktop reader types.
 */
#ifndef BIBWEAVE_ENCODER_KEYS_H
#define BIBWEAVE_ENCODER_KEYS_H

/* The main of its process: the protocol on standard input and output, keys from where `args` say
 * (keys_place_parse). Ends at the end of its input. Returns the exit status. */
int encoder_keys(const char *args) __attribute__((nonnull));

#endif
