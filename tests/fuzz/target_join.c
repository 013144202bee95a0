/*
 * target_join.c: what a stranger or a clumsy person hands to the parts that join stations: a
 * ticket's text, a ticket's file, an ask, an answer, a beacon. The first byte says which. What is
 * taken reads back the same; what is refused has a sentence.
 */
#include "tests/fuzz/fuzz.h"

#include <sodium.h>
#include <string.h>

#include "common/admission.h"
#include "node/beacon.h"
#include "node/ticket_file.h"

static void check_refused(const struct error *err, enum error_code code) {
    FUZZ_CHECK(err->code == code && err->say[0] != '\0' &&
                   memchr(err->say, 0, sizeof(err->say)) != NULL,
               "%s without a sentence", error_name(code));
}

static void try_text(struct slice bytes) {
    struct ticket ticket;
    struct ticket again;
    struct error err;
    char text[TICKET_TEXT_MAX + 1];
    enum error_code code = ticket_get(bytes, &ticket, &err);
    if (code != ERR_OK) {
        check_refused(&err, code);
        return;
    }
    ticket_put(&ticket, text);
    FUZZ_CHECK(ticket_get(slice_text(text), &again, &err) == ERR_OK, "%s", err.cause);
    FUZZ_CHECK(memcmp(again.secret, ticket.secret, sizeof(ticket.secret)) == 0 &&
                   ID_EQUAL(again.lead, ticket.lead) && again.port == ticket.port &&
                   memcmp(again.ip, ticket.ip, sizeof(ticket.ip)) == 0,
               "%s reads as another ticket", text);
}

static void try_file(struct slice bytes) {
    enum { MAX = 3 };
    struct enter_place places[MAX];
    struct ticket ticket;
    struct error err;
    size_t count = 0;
    enum error_code code = ticket_file_get(bytes, &ticket, places, MAX, &count, &err);
    FUZZ_CHECK(count <= MAX, "%zu places", count);
    if (code != ERR_OK) {
        FUZZ_CHECK(count == 0, "%zu places of a file that is none", count);
        check_refused(&err, code);
    }
    for (size_t i = 0; i < count; i++) {
        struct address same;
        FUZZ_CHECK(address_parse(places[i].address.text, &same, &err) == ERR_OK &&
                       address_equal(&same, &places[i].address) && !same.any && same.port != 0,
                   "place %s", places[i].address.text);
    }
}

/* With the keys of the worked examples in admission.cddl, so that some are signed well. */
static void try_ask(struct slice bytes) {
    static struct station_keys keys;
    static bool made;
    struct curve_public lead;
    struct admission_ask ask;
    struct buffer again;
    struct error err;
    if (!made) {
        uint8_t sign[32], curve[32];
        memset(sign, 1, sizeof(sign));
        memset(curve, 3, sizeof(curve));
        identity_keys(sign, curve, &keys);
        made = true;
    }
    memset(&lead, 2, sizeof(lead));
    enum error_code code = admission_ask_get(bytes, &lead, &keys.curve_public, &ask, &err);
    if (code != ERR_OK) {
        check_refused(&err, code);
        return;
    }
    FUZZ_CHECK(admission_is_ask(bytes) && bytes.size <= ADMISSION_SIZE_MAX, "an ask by its form");
    FUZZ_CHECK(ID_EQUAL(ask.key, keys.sign_public), "an ask that nobody signed");
    buffer_init(&again);
    admission_ask_put(&ask, &lead, &keys, &again);
    FUZZ_CHECK(slice_equal(buffer_slice(&again), bytes), "an ask has two forms");
    buffer_release(&again);
}

static void try_answer(struct slice bytes) {
    struct admission_answer answer;
    struct error err;
    enum error_code code = admission_answer_get(bytes, &answer, &err);
    if (code != ERR_OK) {
        check_refused(&err, code);
        return;
    }
    FUZZ_CHECK(admission_is_answer(bytes) && answer.verdict <= ADMISSION_TROUBLE, "verdict %d",
               (int)answer.verdict);
    FUZZ_CHECK(answer.when.ms >= 0 && answer.wall.ms >= 0 && answer.name.size <= RECORD_TEXT_MAX &&
                   utf8_valid(answer.name),
               "an answer beyond its bounds");
}

static void try_beacon(struct slice bytes) {
    static const struct event_id event = {{1}};
    static const struct sign_public key = {{2}};
    struct beacon_said said;
    if (beacon_get(bytes, &said)) {
        FUZZ_CHECK(bytes.size <= BEACON_SIZE_MAX && said.port != 0, "port %u", said.port);
        FUZZ_CHECK(!beacon_verify(&said, &event, &key), "a beacon that nobody signed");
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    if (size == 0 || sodium_init() < 0) {
        return 0;
    }
    struct slice rest = slice_of(data + 1, size - 1);
    switch (data[0] % 5) {
    case 0:
        try_text(rest);
        break;
    case 1:
        try_file(rest);
        break;
    case 2:
        try_ask(rest);
        break;
    case 3:
        try_answer(rest);
        break;
    default:
        try_beacon(rest);
        break;
    }
    return 0;
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t size_max, unsigned seed) {
    struct fuzz_chance chance = fuzz_chance_of(seed);
    struct buffer buffer;
    if (size < 2 || data[0] % 5 < 2 || fuzz_below(&chance, 2) == 0) {
        return LLVMFuzzerMutate(data, size, size_max);
    }
    buffer_init(&buffer);
    buffer_append(&buffer, data + 1, size - 1);
    fuzz_mutate_cbor(&buffer, &chance);
    size_t kept = size_max < 1 ? 0 : 1 + fuzz_hand_back(&buffer, data + 1, size_max - 1);
    buffer_release(&buffer);
    return kept;
}
