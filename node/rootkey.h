/*
 * rootkey.h: the event's root key on disk: `root.key` in a lead's folder, sealed with a passphrase
 * or not, and the recovery file, which is always sealed and can be carried anywhere.
 *
 * Both are one map of deterministic CBOR:
 *   {1: "bibweave root key" / "bibweave recovery", 2: 1, 3: event id, 4: root key, 5: event name,
 *    6: the raw record `found`, ? 7: seed, ? 8: seal}      with exactly one of 7 and 8
 * The event id is made of the root key and of what is in `found`, so that either file says by
 * itself which event it is of. What is read here may be secret: callers wipe it.
 */
#ifndef BIBWEAVE_ROOTKEY_H
#define BIBWEAVE_ROOTKEY_H

#include "common/ledger.h"
#include "node/seal.h"

enum { ROOTKEY_SEED = SEAL_SECRET };
struct rootkey {
    struct ledger_event event;
    char name[RECORD_TEXT_MAX + 1]; /* of the event */
    bool sealed;
    uint8_t seed[ROOTKEY_SEED]; /* when not sealed */
    struct seal seal;           /* when sealed */
    size_t found_size;
    uint8_t found[RECORD_SIZE_MAX];
};

enum rootkey_file { ROOTKEY_FOLDER, ROOTKEY_RECOVERY };

/* `root.key` must be ours and closed to others, as it may hold the key; a recovery file comes from
 * wherever it was kept. Errors: those of files_read and files_read_secret; ERR_DAMAGED or ERR_FORM
 * (no such file, or it contradicts itself), ERR_TOO_NEW. Zeros then. */
enum error_code rootkey_read(const char *path, enum rootkey_file file, struct rootkey *key,
                             struct error *err) __attribute__((nonnull, warn_unused_result));
/* Writes it durably, 0600; an existing one is replaced only with `replace`. A recovery file must be
 * sealed. Errors: files_write's. */
enum error_code rootkey_write(const char *path, enum rootkey_file file, const struct rootkey *key,
                              bool replace, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* Puts the seed under the passphrase and wipes it; a key that is sealed stays as it is. */
enum error_code rootkey_seal(struct rootkey *key, struct slice passphrase, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* The seed of a sealed key. Errors: seal_open's; ERR_DAMAGED (it is not this root's seed). */
enum error_code rootkey_unseal(const struct rootkey *key, struct slice passphrase,
                               uint8_t seed[ROOTKEY_SEED], struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* The signing pair of a seed; false (zeros) when it is not that of this event's root. */
bool rootkey_keys(const struct ledger_event *event, const uint8_t seed[ROOTKEY_SEED],
                  struct station_keys *keys) __attribute__((nonnull));
void rootkey_wipe(struct rootkey *key) __attribute__((nonnull));

#endif
