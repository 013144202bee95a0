/*
 * keyfile.h: `station.key`: the seeds of a station's keys, and of which event it is.
 *
 * One deterministic CBOR map, 0600. What is read here is secret: callers wipe it.
 */
#ifndef BIBWEAVE_KEYFILE_H
#define BIBWEAVE_KEYFILE_H

#include "common/ledger.h"

enum keyfile_kind { KEYFILE_STATION = 1 };
struct keyfile {
    enum keyfile_kind kind;
    char name[RECORD_TEXT_MAX + 1]; /* of the station */
    uint8_t sign_seed[32];
    uint8_t curve_seed[32];
    bool has_event; /* false until a grant has come */
    struct ledger_event event;
};

/* Draws both seeds; the caller fills in the rest. */
void keyfile_draw(enum keyfile_kind kind, struct keyfile *key) __attribute__((nonnull));
void keyfile_keys(const struct keyfile *key, struct station_keys *keys) __attribute__((nonnull));
void keyfile_wipe(struct keyfile *key) __attribute__((nonnull));

/* Errors: those of files_read_secret; ERR_DAMAGED (not such a file), ERR_TOO_NEW. Nothing is left
 * in *key then. */
enum error_code keyfile_read(const char *path, enum keyfile_kind kind, struct keyfile *key,
                             struct error *err) __attribute__((nonnull, warn_unused_result));
/* Writes it durably; an existing one is replaced only with `replace`. Errors: files_write's. */
enum error_code keyfile_write(const char *path, const struct keyfile *key, bool replace,
                              struct error *err) __attribute__((nonnull, warn_unused_result));

#endif
