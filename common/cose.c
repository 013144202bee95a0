/*
 * cose.c: the envelope and what is signed.
 * Must never allocate: an envelope is checked for every record that arrives.
 */
#include "common/cose.h"

#include "common/canon.h"

enum { COSE_TAG = 18, SIGNATURE_SIZE = 64 };

enum error_code cose_parse(struct slice raw, struct cose_sign1 *cose, struct error *err) {
    struct canon_reader reader = canon_read(raw);
    struct cose_sign1 made = {0};
    struct slice signature = {NULL, 0};
    uint64_t tag = 0;
    size_t count = 0;
    if (!canon_get_tag(&reader, &tag) || tag != COSE_TAG || !canon_get_array(&reader, &count) ||
        count != 4) {
        return error_set(err, ERR_FORM, "not a COSE_Sign1");
    }
    if (!canon_get_bytes(&reader, &made.protected_) ||
        (made.protected_.size > 0 && !canon_check(made.protected_))) {
        return error_set(err, ERR_FORM, "protected header malformed");
    }
    if (canon_peek(&reader) != CANON_MAP || !canon_skip(&reader, &made.unprotected)) {
        return error_set(err, ERR_FORM, "unprotected header malformed");
    }
    if (!canon_get_bytes(&reader, &made.payload)) {
        return error_set(err, ERR_FORM, "payload is not a byte string, or not whole");
    }
    if (!canon_get_bytes(&reader, &signature) || signature.size != SIGNATURE_SIZE) {
        return error_set(err, ERR_FORM, "signature is not a byte string of %d", SIGNATURE_SIZE);
    }
    if (!canon_done(&reader)) {
        return error_set(err, ERR_FORM, "bytes after the end");
    }
    made.signature = signature.data;
    *cose = made;
    return ERR_OK;
}

/* Writes the Sig_structure (RFC 9052, 4.4) into `space`. The buffer never grows, because its
 * largest size is reserved beforehand: so it may stand on the stack. */
static bool sig_structure(struct slice protected_, struct slice external_aad, struct slice payload,
                          struct buffer *space) {
    const size_t heads = 64; /* array, context text and three byte string heads take less */
    if (protected_.size > COSE_OVERHEAD_MAX - heads ||
        external_aad.size > COSE_OVERHEAD_MAX - heads - protected_.size ||
        payload.size > COSE_PAYLOAD_MAX) {
        return false;
    }
    canon_put_array(space, 4);
    canon_put_text(space, slice_text("Signature1"));
    canon_put_bytes(space, protected_);
    canon_put_bytes(space, external_aad);
    canon_put_bytes(space, payload);
    return true;
}

bool cose_verify(struct slice protected_, struct slice external_aad, struct slice payload,
                 const uint8_t signature[64], const struct sign_public *key) {
    uint8_t bytes[COSE_OVERHEAD_MAX + COSE_PAYLOAD_MAX];
    struct buffer space = {.data = bytes, .capacity = sizeof(bytes)};
    return sig_structure(protected_, external_aad, payload, &space) &&
           identity_verify(key, buffer_slice(&space), signature);
}

enum error_code cose_sign(struct slice protected_, struct slice external_aad, struct slice payload,
                          const struct sign_secret *secret, uint8_t signature[64],
                          struct error *err) {
    uint8_t bytes[COSE_OVERHEAD_MAX + COSE_PAYLOAD_MAX];
    struct buffer space = {.data = bytes, .capacity = sizeof(bytes)};
    if (!sig_structure(protected_, external_aad, payload, &space)) {
        return error_set(err, ERR_LIMIT, "%zu bytes to sign", payload.size);
    }
    identity_sign(secret, buffer_slice(&space), signature);
    return ERR_OK;
}
