/*
 * cose.h: COSE_Sign1 (RFC 9052, 4.2) with EdDSA over Ed25519 and attached payload.
 *
 * General form: any protected and unprotected header in deterministic CBOR. What a record demands
 * of them is said in record.h. Any thread; no I/O.
 */
#ifndef BIBWEAVE_COSE_H
#define BIBWEAVE_COSE_H

#include "common/error.h"
#include "common/identity.h"

/* What is signed beside the payload (head, context, headers, external_aad) has to fit in
 * COSE_OVERHEAD_MAX, and the payload in COSE_PAYLOAD_MAX bytes. */
enum { COSE_OVERHEAD_MAX = 256, COSE_PAYLOAD_MAX = 16384 };

/* Slices borrow from the bytes that were parsed. */
struct cose_sign1 {
    struct slice protected_; /* the encoded map inside its byte string; may be empty */
    struct slice unprotected;
    struct slice payload;
    const uint8_t *signature; /* 64 bytes */
};

/* Errors: ERR_FORM, *cose unchanged. */
enum error_code cose_parse(struct slice raw, struct cose_sign1 *cose, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* Whether the signature holds over the Sig_structure ["Signature1", protected, external_aad,
 * payload]. False too for what is over the sizes above. */
bool cose_verify(struct slice protected_, struct slice external_aad, struct slice payload,
                 const uint8_t signature[64], const struct sign_public *key)
    __attribute__((nonnull));

/* Signs the same structure. Errors: ERR_LIMIT (over the sizes above), signature unchanged. */
enum error_code cose_sign(struct slice protected_, struct slice external_aad, struct slice payload,
                          const struct sign_secret *secret, uint8_t signature[64],
                          struct error *err) __attribute__((nonnull, warn_unused_result));

#endif
