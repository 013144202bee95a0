/*
 * target_message.c: what comes from outside in one piece and is not a record: messages between
 * stations, proofs of admission, requests and grants, asks and answers of who joins, beacons, and
 * sealed secrets. The first byte says which. No state.
 */
#include "tests/fuzz/event.h"

#include "common/admission.h"
#include "common/canon.h"
#include "common/sync_message.h"
#include "node/beacon.h"
#include "node/grant.h"
#include "node/seal.h"

#include <string.h>

enum { IS_MESSAGE, IS_PROOF, IS_REQUEST, IS_GRANT, IS_ASK, IS_ANSWER, IS_BEACON, IS_SEAL, KINDS };

/* ---- messages ---- */

static size_t walk_list(const struct sync_message *message) {
    struct canon_reader list = canon_read(message->list);
    struct sync_message_log log;
    struct sync_message_road road;
    struct slice raw;
    size_t count = 0;
    switch (message->kind) {
    case SYNC_MESSAGE_HAVE:
        while (sync_message_next_log(&list, &log)) {
            FUZZ_CHECK(log.head_count >= 1 && log.head_count <= LEDGER_HEADS_PER_LOG_MAX,
                       "%zu heads", log.head_count);
            count++;
        }
        break;
    case SYNC_MESSAGE_BATCH:
    case SYNC_MESSAGE_PUSH:
        while (sync_message_next_raw(&list, &raw)) {
            FUZZ_CHECK(raw.size >= 1 && raw.size <= RECORD_SIZE_MAX, "%zu bytes", raw.size);
            count++;
        }
        break;
    case SYNC_MESSAGE_ROADS:
        while (sync_message_next_road(&list, &road)) {
            FUZZ_CHECK(sync_message_is_address(slice_text(road.address)), "%s", road.address);
            count++;
        }
        break;
    case SYNC_MESSAGE_HELLO:
    case SYNC_MESSAGE_WANT:
    case SYNC_MESSAGE_BEAT:
    case SYNC_MESSAGE_OTHER:
        return message->list_count;
    }
    FUZZ_CHECK(canon_done(&list), "a list that does not read to its end");
    return count;
}

static void check_message(struct slice bytes) {
    struct sync_message message;
    struct buffer again;
    if (!sync_message_read(bytes, &message)) {
        return;
    }
    FUZZ_CHECK(canon_check(bytes) && fuzz_cbor_is_canonical(bytes), "a second byte form");
    size_t count = walk_list(&message);
    FUZZ_CHECK(count == message.list_count, "%zu of %zu items", count, message.list_count);
    if (message.kind == SYNC_MESSAGE_OTHER ||
        (message.kind == SYNC_MESSAGE_HELLO && message.version != SYNC_VERSION)) {
        return;
    }
    buffer_init(&again);
    sync_message_write(&message, &again);
    FUZZ_CHECK(slice_equal(bytes, buffer_slice(&again)), "message %d is written otherwise",
               (int)message.kind);
    buffer_release(&again);
}

/* ---- proofs, requests, grants ---- */

static void check_proof(struct slice bytes) {
    const struct fuzz_event *event = fuzz_event();
    struct record_admit admit;
    struct error err;
    if (pairs_admit_proven(&event->world.event, bytes, &admit, &err) != ERR_OK) {
        return;
    }
    /* Only the event's own keys sign here, and they never let the stranger in. */
    FUZZ_CHECK(!ID_EQUAL(admit.key, event->stranger.sign_public), "the stranger is let in");
    FUZZ_CHECK(admit.role >= ROLE_READER && admit.role <= ROLE_LEAD, "role %d", (int)admit.role);
}

static void check_request(struct slice bytes) {
    struct record_admit admit;
    struct error err;
    enum error_code code = grant_request_get(bytes, &admit, &err);
    FUZZ_CHECK(code == ERR_OK || code == ERR_FORM || code == ERR_SIGNATURE || code == ERR_TOO_NEW ||
                   code == ERR_USAGE,
               "%s", error_name(code));
    FUZZ_CHECK(err.say[0] != '\0' || code == ERR_OK, "no words for people");
}

static void check_grant(struct slice bytes) {
    struct ledger_event event;
    struct sign_public station;
    struct slice records;
    struct error err;
    enum error_code code = grant_head_get(bytes, &event, &station, &records, &err);
    FUZZ_CHECK(code == ERR_OK || code == ERR_FORM || code == ERR_TOO_NEW || code == ERR_USAGE, "%s",
               error_name(code));
    FUZZ_CHECK(code != ERR_OK || records.size < bytes.size, "%zu bytes of records", records.size);
}

/* ---- joining over the network ---- */

static void check_ask(struct slice bytes) {
    const struct fuzz_event *event = fuzz_event();
    struct admission_ask ask;
    struct error err;
    enum error_code code =
        admission_ask_get(bytes, &event->world.station[EVENT_LEAD].keys.curve_public,
                          &event->stranger.curve_public, &ask, &err);
    FUZZ_CHECK(code == ERR_OK || code == ERR_FORM || code == ERR_SIGNATURE ||
                   code == ERR_NOT_ALLOWED || code == ERR_TOO_NEW || code == ERR_LIMIT,
               "%s", error_name(code));
    FUZZ_CHECK(code != ERR_OK || (fuzz_cbor_is_canonical(bytes) && admission_is_ask(bytes) &&
                                  ID_EQUAL(ask.key, event->stranger.sign_public)),
               "an ask of nobody");
}

static void check_answer(struct slice bytes) {
    struct admission_answer answer, second;
    struct buffer once, again;
    struct error err;
    enum error_code code = admission_answer_get(bytes, &answer, &err);
    FUZZ_CHECK(code == ERR_OK || code == ERR_FORM || code == ERR_TOO_NEW, "%s", error_name(code));
    if (code != ERR_OK) {
        return;
    }
    buffer_init(&once);
    buffer_init(&again);
    admission_answer_put(&answer, &once);
    FUZZ_CHECK(admission_is_answer(buffer_slice(&once)), "an answer that does not look like one");
    fuzz_must(admission_answer_get(buffer_slice(&once), &second, &err), &err);
    admission_answer_put(&second, &again);
    FUZZ_CHECK(slice_equal(buffer_slice(&once), buffer_slice(&again)), "an answer read twice");
    buffer_release(&once);
    buffer_release(&again);
}

static void check_beacon(struct slice bytes) {
    const struct fuzz_event *event = fuzz_event();
    struct beacon_said said;
    if (beacon_get(bytes, &said)) {
        FUZZ_CHECK(bytes.size <= BEACON_SIZE_MAX && said.port != 0, "port %u", said.port);
        FUZZ_CHECK(!beacon_verify(&said, &event->world.event.event, &event->stranger.sign_public),
                   "a beacon of somebody who sends none");
    }
}

static void check_seal(struct slice bytes) {
    struct canon_reader reader = canon_read(bytes);
    struct seal seal;
    if (seal_get(&reader, &seal)) {
        FUZZ_CHECK(seal.passes <= 16 && seal.memory <= (uint64_t)1 << 30, "it would take for ever");
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct fuzz_input input = {data, size};
    uint8_t kind = fuzz_u8(&input) % KINDS;
    struct slice bytes = fuzz_rest(&input);
    switch (kind) {
    case IS_MESSAGE:
        check_message(bytes);
        break;
    case IS_PROOF:
        check_proof(bytes);
        break;
    case IS_REQUEST:
        check_request(bytes);
        break;
    case IS_GRANT:
        check_grant(bytes);
        break;
    case IS_ASK:
        check_ask(bytes);
        break;
    case IS_ANSWER:
        check_answer(bytes);
        break;
    case IS_BEACON:
        check_beacon(bytes);
        break;
    default:
        check_seal(bytes);
        break;
    }
    return 0;
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t size_max, unsigned seed) {
    struct fuzz_chance chance = fuzz_chance_of(seed);
    struct buffer changed;
    if (size < 2 || fuzz_below(&chance, 4) == 0) {
        return LLVMFuzzerMutate(data, size, size_max);
    }
    buffer_init(&changed);
    buffer_append(&changed, data + 1, size - 1);
    fuzz_mutate_cbor(&changed, &chance);
    size_t made = fuzz_hand_back(&changed, data + 1, size_max - 1);
    buffer_release(&changed);
    return made + 1;
}
