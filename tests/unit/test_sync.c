/* The gossip between stations, by hand: two or three machines over real ledgers. The simulator in
 * tests/sim runs many of them under chance. No outside source: the protocol is this project's own;
 * the worked examples of sync.cddl are checked in test_sync_message.c. */
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/rig.h"

enum { LEAD = 0, ONE = 1, TWO = 2, THREE = 3 };

static void issue(struct rig *rig, size_t at, unsigned bib) {
    char text[16];
    snprintf(text, sizeof text, "%u", bib);
    world_issue(&rig->world, at, text, 0, 0, NULL, NULL);
}

static struct ledger *ledger_of(const struct rig *rig, size_t at) {
    return rig->world.station[at].ledger;
}

static void start_and_join(struct rig *rig, size_t a, size_t b) {
    rig_start(rig, a);
    rig_start(rig, b);
    rig_join(rig, a, b);
}

/* ---- the main road ---- */

static void hello_have_want_batch(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    for (unsigned i = 1; i <= 5; i++)
        issue(&rig, ONE, i);
    issue(&rig, TWO, 700);
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    assert_true(rig_peer(&rig, ONE, TWO).connected);
    assert_true(rig_peer(&rig, TWO, ONE).connected);
    assert_string_equal(rig_peer(&rig, ONE, TWO).name, "Table 2");
    assert_int_equal(rig_peer(&rig, ONE, TWO).behind, 0);
    assert_int_equal(rig_peer(&rig, ONE, TWO).clock_offset_ms, 1000);
    assert_int_equal(sync_port(rig.sync[ONE], rig_curve(&rig, TWO)), 7100 + TWO);
    assert_int_equal(rig.sent[TWO][SYNC_MESSAGE_WANT], 1);
    assert_int_equal(rig.sent[ONE][SYNC_MESSAGE_BATCH], 1);
    rig_free(&rig);
}

/* `behind` counts what the peer said it holds and is not here. */
static bool drop_batches(void *context, const struct rig_message *from,
                         const struct sync_message *message) {
    (void)context;
    (void)from;
    return message->kind != SYNC_MESSAGE_BATCH;
}

static void behind_is_counted(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    for (unsigned i = 1; i <= 5; i++)
        issue(&rig, ONE, i);
    rig.pass = drop_batches;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 100);
    assert_int_equal(rig_peer(&rig, TWO, ONE).behind, 5);
    rig_free(&rig);
}

static void push_goes_at_once(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    issue(&rig, ONE, 7);
    rig_appended(&rig, ONE);
    rig_deliver(&rig); /* no time passes */
    assert_int_equal(world_bib(ledger_of(&rig, TWO), "7").state, PAIRS_ISSUED);
    assert_int_equal(rig.sent[ONE][SYNC_MESSAGE_PUSH], 1);
    uint64_t haves = rig.sent[ONE][SYNC_MESSAGE_HAVE];
    rig_run(&rig, 200);
    assert_int_equal(rig.sent[ONE][SYNC_MESSAGE_HAVE], haves); /* not said a second time */
    assert_int_equal(ledger_copies(ledger_of(&rig, ONE), &rig.world.station[ONE].author.log, 2), 1);
    assert_int_equal(ledger_unsafe(ledger_of(&rig, ONE), &rig.world.station[ONE].keys.sign_public),
                     0);
    rig_free(&rig);
}

/* What is pushed ahead of receipts is bounded: beyond, it is announced, and nothing is lost. */
static bool drop_from_two(void *context, const struct rig_message *message,
                          const struct sync_message *read) {
    (void)context;
    (void)read;
    return message->from != TWO;
}

static void push_is_bounded(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    rig.pass = drop_from_two;
    uint64_t haves = rig.sent[ONE][SYNC_MESSAGE_HAVE];
    issue(&rig, ONE, 1);
    rig_appended(&rig, ONE);
    rig_run(&rig, 300);
    assert_int_equal(rig.sent[ONE][SYNC_MESSAGE_HAVE], haves); /* what was pushed needs no word */
    for (unsigned i = 2; i <= 600; i++) {
        issue(&rig, ONE, i);
        rig_appended(&rig, ONE);
        rig_deliver(&rig);
    }
    uint64_t pushed = rig.sent[ONE][SYNC_MESSAGE_PUSH];
    assert_in_range(pushed, 100, 500);
    rig.pass = NULL;
    rig_run(&rig, 10000);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

/* Who lacks what comes before is told of the head, and spared the record. */
static void no_push_over_a_gap(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    issue(&rig, ONE, 1);
    rig.pass = drop_batches;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    issue(&rig, ONE, 2);
    rig_appended(&rig, ONE);
    rig_run(&rig, 500);
    assert_int_equal(rig.sent[ONE][SYNC_MESSAGE_PUSH], 0);
    assert_int_equal(rig_peer(&rig, TWO, ONE).behind, 2);
    rig_free(&rig);
}

/* A push that was lost leaves a gap; the next one shows it, and it is fetched. */
static bool drop_one_push(void *context, const struct rig_message *from,
                          const struct sync_message *message) {
    int *left = context;
    (void)from;
    return message->kind != SYNC_MESSAGE_PUSH || (*left)-- <= 0;
}

static void lost_push_is_fetched(void **state) {
    struct rig rig;
    int drop = 1;
    (void)state;
    rig_new(&rig, 2);
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    rig.pass = drop_one_push;
    rig.context = &drop;
    issue(&rig, ONE, 1);
    rig_appended(&rig, ONE);
    issue(&rig, ONE, 2);
    rig_appended(&rig, ONE);
    rig_deliver(&rig);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

/* Even the last push of the day, with nothing after it. */
static void lost_last_push_is_healed(void **state) {
    struct rig rig;
    int drop = 1;
    (void)state;
    rig_new(&rig, 2);
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    rig.pass = drop_one_push;
    rig.context = &drop;
    issue(&rig, ONE, 1);
    rig_appended(&rig, ONE);
    rig_run(&rig, 6000);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

/* Between Table 1 and Table 3 there is no road: Table 2 carries. */
static void relayed_by_a_third(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 3);
    start_and_join(&rig, ONE, TWO);
    rig_start(&rig, THREE);
    rig_join(&rig, TWO, THREE);
    rig_run(&rig, 500);
    issue(&rig, ONE, 1);
    rig_appended(&rig, ONE);
    rig_run(&rig, 200);
    assert_int_equal(world_bib(ledger_of(&rig, THREE), "1").state, PAIRS_ISSUED);
    rig_free(&rig);
}

/* `have` says what changed, not what was said before. */
struct largest {
    size_t from, entries;
};

static bool note_largest(void *context, const struct rig_message *passing,
                         const struct sync_message *message) {
    struct largest *largest = context;
    if (message->kind == SYNC_MESSAGE_HAVE && passing->from == largest->from &&
        message->list_count > largest->entries)
        largest->entries = message->list_count;
    return true;
}

static void only_changes_are_announced(void **state) {
    struct rig rig;
    struct largest largest = {.from = TWO};
    (void)state;
    rig_new(&rig, 3);
    start_and_join(&rig, ONE, TWO);
    rig_start(&rig, THREE);
    rig_join(&rig, TWO, THREE);
    rig_run(&rig, 500);
    rig.pass = note_largest;
    rig.context = &largest;
    for (unsigned i = 1; i <= 5; i++) {
        size_t at = i % 2 == 0 ? ONE : THREE;
        issue(&rig, at, i);
        rig_appended(&rig, at);
        rig_run(&rig, 500);
    }
    assert_int_equal(largest.entries, 1);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, THREE));
    rig_free(&rig);
}

/* Receipts come from who holds the record, not from who passes the word on. */
static void receipts_are_counted_for_each(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 3);
    start_and_join(&rig, ONE, TWO);
    rig_start(&rig, THREE);
    rig_join(&rig, ONE, THREE);
    issue(&rig, ONE, 1);
    rig_run(&rig, 1000);
    const struct log_id *log = &rig.world.station[ONE].author.log;
    assert_int_equal(ledger_copies(ledger_of(&rig, ONE), log, 2), 2);
    assert_int_equal(ledger_copies(ledger_of(&rig, TWO), log, 2), 0);
    rig_free(&rig);
}

static void quiet_when_all_have_all(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 3);
    start_and_join(&rig, ONE, TWO);
    rig_start(&rig, THREE);
    rig_join(&rig, TWO, THREE);
    rig_join(&rig, ONE, THREE);
    issue(&rig, ONE, 1);
    issue(&rig, TWO, 2);
    rig_run(&rig, 5000);
    memset(rig.sent, 0, sizeof rig.sent);
    rig_run(&rig, 60000);
    for (size_t at = ONE; at <= THREE; at++) {
        for (size_t kind = 0; kind < RIG_KINDS; kind++)
            if (kind != SYNC_MESSAGE_BEAT && rig.sent[at][kind] != 0)
                fail_msg("station %zu sent %llu messages of kind %zu", at,
                         (unsigned long long)rig.sent[at][kind], kind);
        assert_in_range(rig.sent[at][SYNC_MESSAGE_BEAT], 2 * 58, 2 * 61);
    }
    rig_free(&rig);
}

/* A long log goes in credits of a bounded number of bytes, each answered by bounded messages. */
static void long_log(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    for (unsigned i = 1; i <= 1900; i++)
        issue(&rig, ONE, i);
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    assert_in_range(rig.sent[TWO][SYNC_MESSAGE_WANT], 2, 6);
    assert_in_range(rig.sent[ONE][SYNC_MESSAGE_BATCH], 5, 20);
    rig_free(&rig);
}

/* ---- sessions ---- */

static void silence_ends_a_session(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    rig.cut[ONE][TWO] = rig.cut[TWO][ONE] = true;
    rig_run(&rig, SYNC_SILENCE_MS + 2000);
    assert_false(rig_peer(&rig, ONE, TWO).connected);
    issue(&rig, ONE, 1);
    rig_appended(&rig, ONE);
    rig.cut[ONE][TWO] = rig.cut[TWO][ONE] = false;
    rig_run(&rig, 5000);
    assert_true(rig_peer(&rig, ONE, TWO).connected);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

static void one_direction_is_no_session(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    rig.cut[ONE][TWO] = true;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 10000);
    assert_false(rig_peer(&rig, ONE, TWO).connected);
    assert_int_equal(rig.sent[ONE][SYNC_MESSAGE_HAVE], 0);
    rig.cut[ONE][TWO] = false;
    rig_run(&rig, 5000);
    assert_true(rig_peer(&rig, ONE, TWO).connected);
    rig_free(&rig);
}

/* A station that starts again is known by its new nonce, and is told everything anew. */
static void restart_begins_anew(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    issue(&rig, ONE, 1);
    rig_start(&rig, TWO);
    rig_step(&rig, TWO, (struct sync_event){.kind = SYNC_PEER_UP, .peer = *rig_curve(&rig, ONE)});
    rig_appended(&rig, ONE);
    rig_run(&rig, 1000);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

/* The last message that passed from `from` to `to`, kept for playing again. */
struct recorder {
    size_t from, to;
    enum sync_message_kind kind;
    uint8_t bytes[SYNC_MESSAGE_MAX];
    size_t size;
};

static bool record_one(void *context, const struct rig_message *passing,
                       const struct sync_message *message) {
    struct recorder *recorder = context;
    if (passing->from == recorder->from && passing->to == recorder->to &&
        message->kind == recorder->kind) {
        memcpy(recorder->bytes, passing->bytes.data, passing->bytes.size);
        recorder->size = passing->bytes.size;
    }
    return true;
}

static void stale_nonce_is_ignored(void **state) {
    struct rig rig;
    static struct recorder recorder = {.from = ONE, .to = TWO, .kind = SYNC_MESSAGE_BEAT};
    (void)state;
    rig_new(&rig, 2);
    rig.pass = record_one;
    rig.context = &recorder;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 1500);
    assert_true(recorder.size > 0);
    rig.pass = NULL;
    rig_start(&rig, ONE);
    rig_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    struct sync_counts before = sync_counts(rig.sync[TWO]);
    uint64_t hellos = rig.sent[TWO][SYNC_MESSAGE_HELLO];
    rig_message(&rig, TWO, rig_curve(&rig, ONE), slice_of(recorder.bytes, recorder.size));
    struct sync_counts after = sync_counts(rig.sync[TWO]);
    assert_int_equal(after.stale - before.stale, 1);
    assert_int_equal(rig.sent[TWO][SYNC_MESSAGE_HELLO], hellos); /* not worth an answer */
    assert_int_equal(after.refused - before.refused, 0);
    rig_free(&rig);
}

/* The same, from a peer that still believes in the session: it is greeted, and finds out. */
static void who_missed_the_end_is_greeted(void **state) {
    struct rig rig;
    static struct recorder recorder = {.from = ONE, .to = TWO, .kind = SYNC_MESSAGE_BEAT};
    (void)state;
    rig_new(&rig, 2);
    rig.pass = record_one;
    rig.context = &recorder;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 1500);
    rig_step(&rig, TWO, (struct sync_event){.kind = SYNC_PEER_DOWN, .peer = *rig_curve(&rig, ONE)});
    assert_false(rig_peer(&rig, TWO, ONE).connected);
    rig_message(&rig, TWO, rig_curve(&rig, ONE), slice_of(recorder.bytes, recorder.size));
    rig_run(&rig, 200);
    assert_true(rig_peer(&rig, TWO, ONE).connected);
    /* In the new session the sender's nonce is the same, but ours is not. */
    uint64_t stale = sync_counts(rig.sync[TWO]).stale;
    rig_message(&rig, TWO, rig_curve(&rig, ONE), slice_of(recorder.bytes, recorder.size));
    assert_int_equal(sync_counts(rig.sync[TWO]).stale, stale + 1);
    rig_free(&rig);
}

/* ---- who may not speak ---- */

static void put_hello(struct rig *rig, size_t as, struct sync_message *hello) {
    memset(hello, 0, sizeof *hello);
    hello->kind = SYNC_MESSAGE_HELLO;
    hello->version = SYNC_VERSION;
    hello->event = rig->world.event.event;
    hello->from = 4711;
    hello->key = rig->world.station[as].keys.sign_public;
    hello->log = rig->world.station[as].author.log;
    hello->wall.ms = 1800000000000;
}

static void say(struct rig *rig, size_t to, const struct curve_public *from,
                const struct sync_message *message) {
    struct buffer bytes;
    buffer_init(&bytes);
    sync_message_write(message, &bytes);
    rig_message(rig, to, from, buffer_slice(&bytes));
    buffer_release(&bytes);
}

static void another_version(void **state) {
    struct rig rig;
    struct sync_message hello;
    (void)state;
    rig_new(&rig, 2);
    rig_start(&rig, ONE);
    put_hello(&rig, TWO, &hello);
    hello.version = SYNC_VERSION + 1;
    say(&rig, ONE, rig_curve(&rig, TWO), &hello);
    say(&rig, ONE, rig_curve(&rig, TWO), &hello);
    assert_int_equal(rig.alarms, 1); /* once */
    assert_string_equal(rig.alarm[0].name, "version");
    assert_non_null(strstr(rig.alarm[0].say, "Table 2 runs a newer version"));
    assert_non_null(strstr(rig.alarm[0].say, "update this station"));
    assert_false(rig_peer(&rig, ONE, TWO).connected);
    assert_int_equal(rig.sent[ONE][SYNC_MESSAGE_HELLO], 0);
    rig_free(&rig);
}

/* What is behind the version is that version's business, as long as it is CBOR. */
static void an_older_version_of_another_form(void **state) {
    struct rig rig;
    const uint8_t bytes[] = {0x83, 0x00, 0x00, 0x61, 'x'}; /* [0, 0, "x"] */
    (void)state;
    rig_new(&rig, 2);
    rig_start(&rig, ONE);
    rig_message(&rig, ONE, rig_curve(&rig, TWO), slice_of(bytes, sizeof bytes));
    assert_int_equal(rig.alarms, 1);
    assert_non_null(strstr(rig.alarm[0].say, "an older version"));
    assert_non_null(strstr(rig.alarm[0].say, "update Table 2"));
    rig_free(&rig);
}

static void another_event(void **state) {
    struct rig rig;
    struct sync_message hello;
    struct station_keys stranger;
    (void)state;
    rig_new(&rig, 2);
    rig_start(&rig, ONE);
    put_hello(&rig, TWO, &hello);
    hello.event.bytes[0] ^= 1;
    say(&rig, ONE, rig_curve(&rig, TWO), &hello);
    assert_int_equal(rig.alarms, 1);
    assert_string_equal(rig.alarm[0].name, "foreign");
    assert_non_null(strstr(rig.alarm[0].say, "Table 2 calls with the folder of another event"));
    world_keys(77, &stranger);
    say(&rig, ONE, &stranger.curve_public, &hello);
    say(&rig, ONE, &stranger.curve_public, &hello);
    assert_int_equal(rig.alarms, 2); /* strangers: once a minute */
    assert_int_equal(rig.queued, 0);
    rig_free(&rig);
}

static void strangers_hear_nothing(void **state) {
    struct rig rig;
    struct sync_message hello, beat = {.kind = SYNC_MESSAGE_BEAT};
    struct station_keys stranger;
    static const uint8_t large[SYNC_STRANGER_BYTES + 1] = {0x59, 0x0f, 0xfe}; /* one byte string */
    (void)state;
    rig_new(&rig, 2);
    rig_start(&rig, ONE);
    world_keys(77, &stranger);
    struct sync_counts before = sync_counts(rig.sync[ONE]);
    put_hello(&rig, TWO, &hello);
    say(&rig, ONE, &stranger.curve_public, &hello); /* another's signing key, and no proof */
    hello.key = stranger.sign_public;
    say(&rig, ONE, &stranger.curve_public, &hello);
    hello.proof = slice_text("not a proof");
    say(&rig, ONE, &stranger.curve_public, &hello);
    hello.version = 2;
    say(&rig, ONE, &stranger.curve_public, &hello);
    say(&rig, ONE, &stranger.curve_public, &beat);
    rig_message(&rig, ONE, &stranger.curve_public, slice_text("garbage"));
    rig_message(&rig, ONE, &stranger.curve_public, slice_of(large, sizeof large));
    rig_run(&rig, 10000);
    struct sync_counts after = sync_counts(rig.sync[ONE]);
    assert_int_equal(after.refused - before.refused, 7);
    assert_int_equal(after.messages_out, 0);
    assert_int_equal(after.memory, before.memory);
    assert_int_equal(rig.alarms, 0);
    struct sync_peer peers[4];
    assert_int_equal(sync_peers(rig.sync[ONE], peers, 4), 0);
    rig_free(&rig);
}

/* Another's proof opens nothing: it names another CURVE key. */
static void a_proof_is_for_one_key(void **state) {
    struct rig rig;
    struct sync_message hello;
    struct station_keys stranger;
    struct buffer proof;
    struct error err;
    (void)state;
    rig_new(&rig, 2);
    rig_start(&rig, ONE);
    world_keys(77, &stranger);
    put_hello(&rig, TWO, &hello);
    buffer_init(&proof);
    assert_int_equal(pairs_admit_proof(ledger_of(&rig, LEAD), &hello.key, &proof, &err), ERR_OK);
    hello.proof = buffer_slice(&proof);
    say(&rig, ONE, &stranger.curve_public, &hello);
    assert_int_equal(rig.queued, 0);
    assert_int_equal(sync_counts(rig.sync[ONE]).refused, 1);
    buffer_release(&proof);
    rig_free(&rig);
}

/* Table 3 was admitted while Table 1 was alone: its proof lets it in, and brings its admit. */
static void a_proof_opens_a_session(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 1);
    size_t late = world_join(&rig.world, "Table 9", ROLE_TABLE);
    struct pairs_station station;
    struct error err;
    assert_int_equal(
        pairs_station_by_curve(ledger_of(&rig, ONE), rig_curve(&rig, late), &station, &err),
        ERR_NOT_FOUND);
    issue(&rig, late, 1);
    rig_start(&rig, ONE);
    rig_start(&rig, late);
    rig_step(&rig, late, (struct sync_event){.kind = SYNC_PEER_UP, .peer = *rig_curve(&rig, ONE)});
    rig_run(&rig, 1000);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, late));
    assert_string_equal(rig_peer(&rig, ONE, late).name, "Table 9");
    rig_free(&rig);
}

/* Many logs, so that there is much that an author could say it has seen. */
static void open_logs(struct rig *rig, size_t at, unsigned count) {
    struct world_station *station = &rig->world.station[at];
    for (unsigned i = 0; i < count; i++) {
        struct incarnation incarnation = {{(uint8_t)(i + 1), 0x77}};
        struct wall_ms wall = {rig->world.wall++};
        struct error err;
        assert_int_equal(pairs_begin(station->ledger, &err), ERR_OK);
        assert_int_equal(pairs_author_open(station->ledger, &station->keys, &incarnation, NULL,
                                           wall, (struct mono_ms){0}, &station->author, &err),
                         ERR_OK);
        assert_int_equal(pairs_commit(station->ledger, &err), ERR_OK);
    }
}

/* An admit as long as this program writes one: the longest name, and eight addresses. */
static void put_long_admit(const struct station_keys *keys, enum role role, struct buffer *body) {
    static char text[RECORD_TEXT_MAX + 1];
    memset(text, '1', RECORD_TEXT_MAX);
    struct record_admit admit = {.key = keys->sign_public,
                                 .curve = keys->curve_public,
                                 .name = slice_text(text),
                                 .role = role,
                                 .address_count = RECORD_ADDRESSES_MAX,
                                 .has_ticket = true};
    for (size_t i = 0; i < RECORD_ADDRESSES_MAX; i++)
        admit.address[i] = slice_of((const uint8_t *)text, SYNC_ADDRESS_MAX);
    buffer_init(body);
    record_admit_write(&admit, body);
}

/* The longest proof fits into what a stranger may say, however many logs the leads knew of when
 * they signed, and though it was time to name them all. */
static void the_longest_proof_opens_a_session(void **state) {
    struct rig rig;
    struct sync_message hello;
    struct station_keys second, late;
    struct buffer body, proof;
    struct error err;
    (void)state;
    rig_new(&rig, 2);
    struct world *world = &rig.world;
    size_t lead = world_join(world, "Second", ROLE_TABLE); /* and becomes a lead below */
    open_logs(&rig, TWO, 70);
    world_give(world, TWO, LEAD);
    second = world->station[lead].keys;
    put_long_admit(&second, ROLE_LEAD, &body);
    world->root_author.refreshed_number = 0;
    world_root_write(world, RECORD_ADMIT, buffer_slice(&body));
    buffer_release(&body);
    world_give(world, LEAD, lead);
    world_keys(77, &late);
    put_long_admit(&late, ROLE_TABLE, &body);
    world->station[lead].author.refreshed_number = 0;
    world_write(world, lead, RECORD_ADMIT, buffer_slice(&body));
    buffer_release(&body);
    buffer_init(&proof);
    assert_int_equal(pairs_admit_proof(ledger_of(&rig, lead), &late.sign_public, &proof, &err),
                     ERR_OK);
    assert_true(proof.size > 1408); /* both admits are the long ones */
    put_hello(&rig, ONE, &hello);
    hello.key = late.sign_public;
    hello.proof = buffer_slice(&proof);
    rig_start(&rig, ONE);
    say(&rig, ONE, &late.curve_public, &hello);
    assert_int_equal(rig.queued, 1); /* a hello back */
    buffer_release(&proof);
    rig_free(&rig);
}

/* A lead that was stolen admits nobody any more, whatever it signs. */
static void a_stolen_lead_vouches_for_nobody(void **state) {
    struct rig rig;
    struct sync_message hello;
    struct station_keys late;
    struct buffer proof;
    struct error err;
    (void)state;
    rig_new(&rig, 1);
    size_t second = world_join(&rig.world, "Second lead", ROLE_LEAD);
    world_keys(77, &late);
    world_admit(&rig.world, second, &late, "Table 9", ROLE_TABLE);
    buffer_init(&proof);
    assert_int_equal(pairs_admit_proof(ledger_of(&rig, second), &late.sign_public, &proof, &err),
                     ERR_OK);
    put_hello(&rig, ONE, &hello);
    hello.key = late.sign_public;
    hello.proof = buffer_slice(&proof);
    rig_start(&rig, ONE);
    say(&rig, ONE, &late.curve_public, &hello);
    assert_int_equal(rig.queued, 1); /* nothing is known against it: a hello back */
    rig_deliver(&rig);
    world_retire(&rig.world, SIZE_MAX, &rig.world.station[second].keys.sign_public, NULL, 0, true);
    world_give(&rig.world, LEAD, ONE);
    rig_start(&rig, ONE);
    struct sync_counts before = sync_counts(rig.sync[ONE]);
    say(&rig, ONE, &late.curve_public, &hello);
    assert_int_equal(rig.queued, 0);
    assert_int_equal(sync_counts(rig.sync[ONE]).refused - before.refused, 1);
    assert_int_equal(sync_counts(rig.sync[ONE]).memory, before.memory);
    buffer_release(&proof);
    rig_free(&rig);
}

/* ... but not when this station knows that it was stolen. */
static void the_stolen_stay_out(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    rig_start(&rig, LEAD);
    start_and_join(&rig, ONE, TWO);
    rig_join(&rig, LEAD, ONE);
    rig_run(&rig, 500);
    assert_true(rig_peer(&rig, ONE, TWO).connected);
    world_retire(&rig.world, 0, &rig.world.station[TWO].keys.sign_public, NULL, 0, true);
    rig_appended(&rig, LEAD);
    rig.cut[ONE][TWO] = true; /* or it would learn its own end */
    rig_run(&rig, 500);
    assert_false(rig_peer(&rig, ONE, TWO).connected);
    issue(&rig, TWO, 5);
    rig_appended(&rig, TWO);
    memset(rig.sent[ONE], 0, sizeof rig.sent[ONE]);
    size_t before = ledger_count(ledger_of(&rig, ONE));
    rig.cut[LEAD][ONE] = rig.cut[ONE][LEAD] = true;
    rig_step(&rig, ONE,
             (struct sync_event){.kind = SYNC_PEER_DOWN, .peer = *rig_curve(&rig, LEAD)});
    rig_run(&rig, 20000);
    for (size_t kind = 0; kind < RIG_KINDS; kind++)
        assert_int_equal(rig.sent[ONE][kind], 0);
    assert_int_equal(ledger_count(ledger_of(&rig, ONE)), before);
    rig_free(&rig);
}

/* Records of a station that is not known as admitted are refused, then taken when its admit comes:
 * here what the lead wrote is held up on the way. */
static bool drop_the_leads(void *context, const struct rig_message *passing,
                           const struct sync_message *message) {
    struct rig *rig = context;
    (void)passing;
    return message->kind != SYNC_MESSAGE_BATCH ||
           !ID_EQUAL(message->log, rig->world.station[LEAD].author.log);
}

static void denied_until_admitted(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    size_t late = world_join(&rig.world, "Table 9", ROLE_TABLE);
    issue(&rig, late, 1);
    world_give(&rig.world, late, ONE);
    rig.pass = drop_the_leads;
    rig.context = &rig;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 10000);
    assert_int_equal(rig.sent[TWO][SYNC_MESSAGE_BATCH], 0);
    assert_true(rig.sent[ONE][SYNC_MESSAGE_BATCH] >= 2);  /* the late table's log came, */
    assert_int_equal(rig.stored[TWO], 0);                 /* and was not taken */
    assert_int_equal(rig_peer(&rig, TWO, ONE).behind, 1); /* the admit; the rest is not known */
    rig.pass = NULL;
    rig_run(&rig, 20000);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

/* The admit comes by stick between the order and its answer: the refusal is out of date. */
static void refused_just_before_the_admit(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    size_t late = world_join(&rig.world, "Table 9", ROLE_TABLE);
    issue(&rig, late, 1);
    world_give(&rig.world, late, ONE);
    rig.pass = drop_the_leads;
    rig.context = &rig;
    start_and_join(&rig, ONE, TWO);
    rig.hold = true;
    for (int i = 0; i < 100 && rig.held_count == 0; i++)
        rig_run(&rig, 100);
    assert_int_equal(rig.held_count, 1);
    assert_int_equal(rig.held[0].taken.outcome, PAIRS_DENIED);
    world_give(&rig.world, LEAD, TWO);
    rig_step(&rig, TWO, (struct sync_event){.kind = SYNC_TICK});
    rig_release(&rig);
    rig_run(&rig, 500);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

/* Admits are fetched first: a station that comes back to many new tables fetches nothing in vain.
 */
static void admits_come_first(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    for (unsigned i = 0; i < 6; i++) {
        char name[32];
        snprintf(name, sizeof name, "Late %u", i);
        size_t late = world_join(&rig.world, name, ROLE_TABLE);
        issue(&rig, late, 100 + i);
        world_give(&rig.world, late, ONE);
    }
    rig.pass = drop_the_leads;
    rig.context = &rig;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 1000);
    assert_int_equal(rig.sent[TWO][SYNC_MESSAGE_WANT], 1); /* the rest waits for the lead's log, */
    rig.pass = NULL;
    rig_run(&rig, 5000); /* though not for ever */
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

/* ---- bad input ---- */

static bool feed_all(void *context, const struct rig_message *passing,
                     const struct sync_message *message) {
    struct rig *rig = context;
    (void)message;
    rig->pass = NULL; /* the steps below send too */
    for (size_t size = 0; size < passing->bytes.size; size += size < 400 ? 1 : 97)
        rig_message(rig, passing->to, rig_curve(rig, passing->from),
                    slice_of(passing->bytes.data, size));
    rig->pass = feed_all;
    return true;
}

/* Every truncation of every message that two stations say is refused, and does no harm. */
static void truncations_are_refused(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    issue(&rig, ONE, 1);
    rig.pass = feed_all;
    rig.context = &rig;
    rig_start(&rig, ONE);
    rig_start(&rig, TWO);
    sync_road(rig.sync[ONE], rig_curve(&rig, TWO), "192.0.2.2:7102");
    rig_join(&rig, ONE, TWO);
    rig_run(&rig, 1500);
    issue(&rig, ONE, 2);
    rig_appended(&rig, ONE);
    rig_run(&rig, 1500);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    struct sync_counts counts = sync_counts(rig.sync[TWO]);
    assert_true(counts.refused > 1000);
    assert_int_equal(rig.alarms, 0);
    rig_free(&rig);
}

static uint64_t next_random(uint64_t *state) {
    *state ^= *state << 13; /* xorshift64 (Marsaglia 2003) */
    *state ^= *state >> 7;
    *state ^= *state << 17;
    return *state;
}

struct vandal {
    struct rig *rig;
    uint64_t random;
};

static bool feed_flips(void *context, const struct rig_message *passing,
                       const struct sync_message *message) {
    struct vandal *vandal = context;
    uint8_t *bytes = malloc(passing->bytes.size);
    (void)message;
    assert_non_null(bytes);
    vandal->rig->pass = NULL;
    for (int i = 0; i < 40; i++) {
        memcpy(bytes, passing->bytes.data, passing->bytes.size);
        size_t flips = 1 + next_random(&vandal->random) % 3;
        while (flips-- > 0)
            bytes[next_random(&vandal->random) % passing->bytes.size] ^=
                (uint8_t)(1u << next_random(&vandal->random) % 8);
        rig_message(vandal->rig, passing->to, rig_curve(vandal->rig, passing->from),
                    slice_of(bytes, passing->bytes.size));
    }
    vandal->rig->pass = feed_flips;
    free(bytes);
    return true;
}

/* Flipped bits: what still reads may confuse beliefs, but never the records, and passes. */
static void flipped_bits_do_no_harm(void **state) {
    struct rig rig;
    struct vandal vandal = {&rig, 88172645463325252};
    (void)state;
    rig_new(&rig, 2);
    issue(&rig, ONE, 1);
    issue(&rig, TWO, 2);
    rig.pass = feed_flips;
    rig.context = &vandal;
    start_and_join(&rig, ONE, TWO);
    for (unsigned i = 3; i < 8; i++) {
        rig_run(&rig, 1000);
        issue(&rig, i % 2 == 0 ? ONE : TWO, i);
        rig_appended(&rig, i % 2 == 0 ? ONE : TWO);
    }
    rig.pass = NULL;
    rig_run(&rig, 60000);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

static void random_bytes_are_refused(void **state) {
    struct rig rig;
    uint64_t random = 2463534242;
    uint8_t bytes[512];
    (void)state;
    rig_new(&rig, 2);
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    struct sync_counts before = sync_counts(rig.sync[ONE]);
    for (int i = 0; i < 20000; i++) {
        size_t size = next_random(&random) % sizeof bytes;
        for (size_t j = 0; j < size; j++)
            bytes[j] = (uint8_t)next_random(&random);
        bytes[0] = (uint8_t)(0x80 | (bytes[0] & 0x1f)); /* an array, more often than by chance */
        rig_message(&rig, ONE, rig_curve(&rig, TWO), slice_of(bytes, size));
    }
    struct sync_counts after = sync_counts(rig.sync[ONE]);
    assert_true(after.refused - before.refused > 19000);
    assert_int_equal(after.memory, before.memory);
    assert_true(rig_peer(&rig, ONE, TWO).connected);
    rig_free(&rig);
}

static void oversized_is_refused(void **state) {
    struct rig rig;
    static uint8_t bytes[SYNC_MESSAGE_MAX + 1];
    (void)state;
    rig_new(&rig, 2);
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    struct sync_counts before = sync_counts(rig.sync[ONE]);
    /* A well-formed message of a kind yet to come: [7, bytes], one byte over the limit. */
    const uint8_t head[] = {0x82, 0x07, 0x59, 0xff, 0xfc};
    memcpy(bytes, head, sizeof head);
    rig_message(&rig, ONE, rig_curve(&rig, TWO), slice_of(bytes, sizeof bytes));
    assert_int_equal(sync_counts(rig.sync[ONE]).refused - before.refused, 1);
    bytes[4] = 0xfb; /* exactly at the limit: ignored in peace */
    rig_message(&rig, ONE, rig_curve(&rig, TWO), slice_of(bytes, sizeof bytes - 1));
    assert_int_equal(sync_counts(rig.sync[ONE]).refused - before.refused, 1);
    assert_true(rig_peer(&rig, ONE, TWO).connected);
    rig_free(&rig);
}

/* A peer may name only so many logs, however many it invents. */
static void invented_logs_are_bounded(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    static struct recorder recorder = {.from = TWO, .to = ONE, .kind = SYNC_MESSAGE_BEAT};
    rig.pass = record_one;
    rig.context = &recorder;
    rig_run(&rig, 1500);
    struct sync_message have;
    assert_true(sync_message_read(slice_of(recorder.bytes, recorder.size), &have));
    have.kind = SYNC_MESSAGE_HAVE;
    for (uint32_t part = 0; part < 40; part++) {
        struct buffer list;
        buffer_init(&list);
        for (uint32_t i = 0; i < 500; i++) {
            struct ledger_head head = {.number = 9};
            uint32_t name = part * 500 + i;
            memcpy(head.log.bytes, &name, sizeof name);
            memcpy(head.id.bytes, &name, sizeof name);
            sync_message_put_log(&head, 1, &list);
        }
        have.list = buffer_slice(&list);
        have.list_count = 500;
        say(&rig, ONE, rig_curve(&rig, TWO), &have);
        buffer_release(&list);
    }
    struct sync_counts counts = sync_counts(rig.sync[ONE]);
    assert_in_range(counts.memory, 0, 4 * 1024 * 1024);
    assert_true(counts.refused >= 20000 - SYNC_LOGS_PER_PEER);
    assert_true(counts.wants <= 2 * SYNC_WANTS_PER_PEER);
    issue(&rig, TWO, 1);
    rig_appended(&rig, TWO);
    rig_run(&rig, 20000); /* and it still works with it */
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

/* A flood of wants is answered at a bounded rate, from the flooder's own allowance. */
static void want_floods_are_bounded(void **state) {
    struct rig rig;
    static struct recorder recorder = {.from = TWO, .to = ONE, .kind = SYNC_MESSAGE_WANT};
    (void)state;
    rig_new(&rig, 2);
    for (unsigned i = 1; i <= 1500; i++)
        issue(&rig, ONE, i);
    rig.pass = record_one;
    rig.context = &recorder;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    assert_true(recorder.size > 0);
    rig.pass = NULL;
    rig.cut[ONE][TWO] = true;
    uint64_t before = sync_counts(rig.sync[ONE]).bytes_out;
    for (int i = 0; i < 200; i++) {
        rig_message(&rig, ONE, rig_curve(&rig, TWO), slice_of(recorder.bytes, recorder.size));
        rig_deliver(&rig);
    }
    uint64_t answered = sync_counts(rig.sync[ONE]).bytes_out - before;
    assert_in_range(answered, 1, 5 * 1024 * 1024);
    assert_true(sync_counts(rig.sync[ONE]).refused > 0);
    rig_free(&rig);
}

/* ---- fetching ---- */

struct deaf {
    size_t first; /* who was asked first: its batches are lost */
    size_t asked[WORLD_STATIONS_MAX];
};

static bool drop_first_asked(void *context, const struct rig_message *passing,
                             const struct sync_message *message) {
    struct deaf *deaf = context;
    if (message->kind == SYNC_MESSAGE_WANT) {
        deaf->asked[passing->to]++;
        if (deaf->first == 0)
            deaf->first = passing->to;
    }
    return !(message->kind == SYNC_MESSAGE_BATCH && passing->from == deaf->first);
}

static void timeout_goes_to_another(void **state) {
    struct rig rig;
    struct deaf deaf = {0};
    (void)state;
    rig_new(&rig, 3);
    for (unsigned i = 1; i <= 5; i++)
        issue(&rig, ONE, i);
    world_give(&rig.world, ONE, TWO);
    rig.pass = drop_first_asked;
    rig.context = &deaf;
    rig_start(&rig, ONE);
    rig_start(&rig, TWO);
    rig_start(&rig, THREE);
    rig_join(&rig, ONE, THREE);
    rig_join(&rig, TWO, THREE);
    rig_run(&rig, SYNC_FETCH_TIMEOUT_MS - 100);
    assert_int_equal(deaf.asked[ONE] + deaf.asked[TWO], 1); /* one at a time */
    assert_int_equal(rig.stored[THREE], 0);
    rig_run(&rig, SYNC_FETCH_TIMEOUT_MS);
    assert_int_equal(deaf.asked[ONE], 1);
    assert_int_equal(deaf.asked[TWO], 1);
    assert_int_equal(rig.stored[THREE], 5);
    assert_same_state(ledger_of(&rig, THREE), ledger_of(&rig, ONE));
    rig_free(&rig);
}

static bool drop_first_batch(void *context, const struct rig_message *passing,
                             const struct sync_message *message) {
    size_t *batches = context;
    (void)passing;
    return message->kind != SYNC_MESSAGE_BATCH || (*batches)++ > 0;
}

/* A lost answer is asked for again soon after a later one has come: on a road that loses much, the
 * few wants to a peer would else all be lost ones most of the time. */
static void overtaken_answer_is_asked_for_again(void **state) {
    struct rig rig;
    size_t batches = 0;
    (void)state;
    rig_new(&rig, 3);
    for (unsigned i = 1; i <= 5; i++) {
        issue(&rig, ONE, i);
        issue(&rig, TWO, i + 10);
    }
    world_give(&rig.world, TWO, ONE);
    rig.pass = drop_first_batch;
    rig.context = &batches;
    rig_start(&rig, ONE);
    rig_start(&rig, THREE);
    rig_join(&rig, ONE, THREE);
    rig_run(&rig, 100);
    assert_int_equal(rig.stored[THREE], 5); /* of one log; the other one's answer was lost */
    rig_run(&rig, SYNC_FETCH_TIMEOUT_MS / 2);
    assert_int_equal(rig.stored[THREE], 10);
    assert_int_equal(batches, 3);
    rig_free(&rig);
}

static bool drop_news_of_two(void *context, const struct rig_message *passing,
                             const struct sync_message *message) {
    const bool *drop = context;
    return !*drop || passing->from != TWO ||
           (message->kind != SYNC_MESSAGE_HAVE && message->kind != SYNC_MESSAGE_PUSH);
}

/* Comparisons of those who stay different come seldom in the end. When all of one's own were lost,
 * the other's says so, and is answered. */
static void what_the_other_lacks_is_told_again(void **state) {
    struct rig rig;
    bool drop = false;
    (void)state;
    rig_new(&rig, 2);
    rig.pass = drop_news_of_two;
    rig.context = &drop;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    drop = true;
    issue(&rig, TWO, 5);
    rig_appended(&rig, TWO);
    rig_run(&rig, 60000);
    uint64_t told = rig.sent[ONE][SYNC_MESSAGE_HAVE];
    uint64_t own = rig.sent[TWO][SYNC_MESSAGE_HAVE];
    for (int i = 0; i < 300 && rig.sent[ONE][SYNC_MESSAGE_HAVE] == told; i++) {
        drop = true;
        rig_run(&rig, 100);
        own = rig.sent[ONE][SYNC_MESSAGE_HAVE] == told ? rig.sent[TWO][SYNC_MESSAGE_HAVE] : own;
    }
    assert_int_equal(rig.sent[TWO][SYNC_MESSAGE_HAVE], own + 1); /* the answer: lost, too */
    drop = false;
    told = rig.sent[ONE][SYNC_MESSAGE_HAVE];
    for (int i = 0; i < 300 && rig.sent[ONE][SYNC_MESSAGE_HAVE] == told; i++)
        rig_run(&rig, 100);
    rig_run(&rig, 200);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

/* The first part of an answer overtaken by the second: both are awaited. */
static bool swap_parts(void *context, const struct rig_message *passing,
                       const struct sync_message *message) {
    struct rig *rig = context;
    static uint8_t kept[SYNC_MESSAGE_MAX];
    static size_t kept_size;
    if (message->kind != SYNC_MESSAGE_BATCH)
        return true;
    if (message->part == 0 && message->more == SYNC_MESSAGE_FOLLOWS) {
        memcpy(kept, passing->bytes.data, passing->bytes.size);
        kept_size = passing->bytes.size;
        return false;
    }
    if (message->part == 1 && kept_size > 0) {
        size_t size = kept_size;
        kept_size = 0;
        rig->pass = NULL;
        rig_message(rig, passing->to, rig_curve(rig, passing->from), passing->bytes);
        rig_message(rig, passing->to, rig_curve(rig, passing->from), slice_of(kept, size));
        rig->pass = swap_parts;
        return false;
    }
    return true;
}

static void overtaken_parts_are_awaited(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    for (unsigned i = 1; i <= 1000; i++)
        issue(&rig, ONE, i);
    rig.pass = swap_parts;
    rig.context = &rig;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    assert_true(rig.outcome[PAIRS_GAP] > 0); /* it did happen */
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

static void peer_that_goes_is_replaced_at_once(void **state) {
    struct rig rig;
    struct deaf deaf = {0};
    (void)state;
    rig_new(&rig, 3);
    issue(&rig, ONE, 1);
    world_give(&rig.world, ONE, TWO);
    rig.pass = drop_first_asked;
    rig.context = &deaf;
    rig_start(&rig, ONE);
    rig_start(&rig, TWO);
    rig_start(&rig, THREE);
    rig_join(&rig, ONE, THREE);
    rig_join(&rig, TWO, THREE);
    rig_run(&rig, 300);
    assert_int_equal(rig.stored[THREE], 0);
    rig_step(&rig, THREE,
             (struct sync_event){.kind = SYNC_PEER_DOWN, .peer = *rig_curve(&rig, deaf.first)});
    rig_deliver(&rig);
    assert_int_equal(rig.stored[THREE], 1);
    rig_free(&rig);
}

/* Two copies of one laptop wrote under one number: both branches reach both sides. */
static void fork_is_healed_from_both_sides(void **state) {
    struct rig rig;
    struct pairs_author twin;
    struct error err;
    (void)state;
    rig_new(&rig, 3);
    for (unsigned i = 1; i <= 20; i++)
        issue(&rig, THREE, i);
    world_give(&rig.world, THREE, ONE);
    world_give(&rig.world, THREE, TWO);
    /* One branch of Table 3's log at Table 1, another at Table 2. */
    twin = rig.world.station[THREE].author;
    for (unsigned i = 21; i <= 25; i++)
        issue(&rig, THREE, i);
    world_give(&rig.world, THREE, ONE);
    struct world_station copy = {
        .keys = rig.world.station[THREE].keys, .ledger = ledger_of(&rig, TWO), .author = twin};
    assert_int_equal(pairs_author_resume(copy.ledger, &copy.keys, &twin.head, &copy.author, &err),
                     ERR_OK);
    struct world_station kept = rig.world.station[TWO];
    rig.world.station[TWO].author = copy.author;
    for (unsigned i = 31; i <= 40; i++)
        issue(&rig, TWO, i);
    rig.world.station[TWO].author = kept.author;

    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 1000);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    size_t heads = 0;
    ledger_heads_of(ledger_of(&rig, ONE), &twin.log, &heads);
    assert_int_equal(heads, 2);
    assert_int_equal(world_bib(ledger_of(&rig, ONE), "40").state, PAIRS_ISSUED);
    assert_int_equal(world_bib(ledger_of(&rig, TWO), "25").state, PAIRS_ISSUED);
    assert_int_equal(rig.stored[ONE], 10); /* each sent its branch and no more */
    assert_int_equal(rig.stored[TWO], 5);
    rig_free(&rig);
}

/* A machine restored from an old copy: its own log is longer at a peer than at home. */
static void own_lost_tail_comes_back(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    for (unsigned i = 1; i <= 10; i++)
        issue(&rig, ONE, i);
    world_give(&rig.world, ONE, TWO);
    struct ledger *old = world_ledger(&rig.world);
    world_give_ledger(ledger_of(&rig, LEAD), old);
    ledger_close(rig.world.station[ONE].ledger);
    rig.world.station[ONE].ledger = old;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    assert_int_equal(rig.stored[ONE], 10);
    rig_free(&rig);
}

/* A branch that does not verify: told once, and the peer is left alone for longer and longer. */
static bool spoil_batches(void *context, const struct rig_message *passing,
                          const struct sync_message *message) {
    struct rig *rig = context;
    if (message->kind != SYNC_MESSAGE_BATCH || passing->from != ONE)
        return true;
    uint8_t *bytes = malloc(passing->bytes.size);
    assert_non_null(bytes);
    memcpy(bytes, passing->bytes.data, passing->bytes.size);
    bytes[passing->bytes.size - 2] ^= 1; /* the last byte of the last signature */
    rig->pass = NULL;
    rig_message(rig, passing->to, rig_curve(rig, passing->from),
                slice_of(bytes, passing->bytes.size));
    rig->pass = spoil_batches;
    free(bytes);
    return false;
}

static void what_does_not_verify_is_told_once(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 2);
    issue(&rig, ONE, 1);
    rig.pass = spoil_batches;
    rig.context = &rig;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 100000);
    assert_int_equal(rig.alarms, 1);
    assert_string_equal(rig.alarm[0].name, "unsound");
    assert_non_null(strstr(rig.alarm[0].say, "Table 1"));
    assert_in_range(rig.sent[TWO][SYNC_MESSAGE_WANT], 3, 10);
    rig.pass = NULL;
    rig_run(&rig, 2 * 64000);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

/* A receipt for a record that does not exist counts for nothing. */
static void invented_receipts_do_not_count(void **state) {
    struct rig rig;
    static struct recorder recorder = {.from = TWO, .to = ONE, .kind = SYNC_MESSAGE_BEAT};
    (void)state;
    rig_new(&rig, 2);
    rig.pass = record_one;
    rig.context = &recorder;
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 1500);
    rig.cut[ONE][TWO] = true;
    issue(&rig, ONE, 1);
    rig_appended(&rig, ONE);
    rig_deliver(&rig);
    struct sync_message have;
    assert_true(sync_message_read(slice_of(recorder.bytes, recorder.size), &have));
    have.kind = SYNC_MESSAGE_HAVE;
    struct buffer list;
    buffer_init(&list);
    struct ledger_head head = {.log = rig.world.station[ONE].author.log, .number = 2};
    sync_message_put_log(&head, 1, &list);
    have.list = buffer_slice(&list);
    have.list_count = 1;
    say(&rig, ONE, rig_curve(&rig, TWO), &have);
    assert_int_equal(ledger_copies(ledger_of(&rig, ONE), &head.log, 2), 0);
    /* The right record under a wrong number neither. */
    buffer_clear(&list);
    head.id = rig.world.station[ONE].author.head;
    head.number = 5;
    sync_message_put_log(&head, 1, &list);
    have.list = buffer_slice(&list);
    say(&rig, ONE, rig_curve(&rig, TWO), &have);
    assert_int_equal(ledger_copies(ledger_of(&rig, ONE), &head.log, 2), 0);
    head.number = 2;
    buffer_clear(&list);
    sync_message_put_log(&head, 1, &list);
    have.list = buffer_slice(&list);
    say(&rig, ONE, rig_curve(&rig, TWO), &have);
    assert_int_equal(ledger_copies(ledger_of(&rig, ONE), &head.log, 2), 1);
    buffer_release(&list);
    rig_free(&rig);
}

/* ---- roads ---- */

static void addresses_spread(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 3);
    start_and_join(&rig, ONE, TWO);
    rig_start(&rig, THREE);
    rig_join(&rig, ONE, THREE);
    rig_run(&rig, 500);
    sync_road(rig.sync[ONE], rig_curve(&rig, THREE), "192.0.2.3:7103");
    sync_road(rig.sync[ONE], rig_curve(&rig, THREE), "two words"); /* no address: ignored */
    rig_run(&rig, 2000);
    assert_int_equal(rig.roads, 1);
    assert_string_equal(rig.road, "192.0.2.3:7103");
    assert_true(ID_EQUAL(rig.road_peer, *rig_curve(&rig, THREE)));
    /* Who talks with the station already needs no road to it. */
    rig_join(&rig, TWO, THREE);
    rig_run(&rig, 500);
    sync_road(rig.sync[ONE], rig_curve(&rig, THREE), "192.0.2.3:7777");
    rig_run(&rig, 2000);
    assert_int_equal(rig.roads, 1);
    rig_free(&rig);
}

/* What was carried in by stick is noticed at the next tick. */
static void carried_in_is_announced(void **state) {
    struct rig rig;
    (void)state;
    rig_new(&rig, 3);
    start_and_join(&rig, ONE, TWO);
    rig_run(&rig, 500);
    issue(&rig, THREE, 1);
    world_give(&rig.world, THREE, ONE);
    rig_step(&rig, ONE, (struct sync_event){.kind = SYNC_TICK});
    rig_run(&rig, 300);
    assert_same_state(ledger_of(&rig, ONE), ledger_of(&rig, TWO));
    rig_free(&rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(hello_have_want_batch),
        cmocka_unit_test(behind_is_counted),
        cmocka_unit_test(push_goes_at_once),
        cmocka_unit_test(push_is_bounded),
        cmocka_unit_test(no_push_over_a_gap),
        cmocka_unit_test(lost_push_is_fetched),
        cmocka_unit_test(lost_last_push_is_healed),
        cmocka_unit_test(relayed_by_a_third),
        cmocka_unit_test(only_changes_are_announced),
        cmocka_unit_test(receipts_are_counted_for_each),
        cmocka_unit_test(quiet_when_all_have_all),
        cmocka_unit_test(long_log),
        cmocka_unit_test(silence_ends_a_session),
        cmocka_unit_test(one_direction_is_no_session),
        cmocka_unit_test(restart_begins_anew),
        cmocka_unit_test(stale_nonce_is_ignored),
        cmocka_unit_test(who_missed_the_end_is_greeted),
        cmocka_unit_test(another_version),
        cmocka_unit_test(an_older_version_of_another_form),
        cmocka_unit_test(another_event),
        cmocka_unit_test(strangers_hear_nothing),
        cmocka_unit_test(a_proof_is_for_one_key),
        cmocka_unit_test(a_proof_opens_a_session),
        cmocka_unit_test(the_longest_proof_opens_a_session),
        cmocka_unit_test(a_stolen_lead_vouches_for_nobody),
        cmocka_unit_test(the_stolen_stay_out),
        cmocka_unit_test(denied_until_admitted),
        cmocka_unit_test(refused_just_before_the_admit),
        cmocka_unit_test(admits_come_first),
        cmocka_unit_test(truncations_are_refused),
        cmocka_unit_test(flipped_bits_do_no_harm),
        cmocka_unit_test(random_bytes_are_refused),
        cmocka_unit_test(oversized_is_refused),
        cmocka_unit_test(invented_logs_are_bounded),
        cmocka_unit_test(want_floods_are_bounded),
        cmocka_unit_test(timeout_goes_to_another),
        cmocka_unit_test(overtaken_answer_is_asked_for_again),
        cmocka_unit_test(what_the_other_lacks_is_told_again),
        cmocka_unit_test(overtaken_parts_are_awaited),
        cmocka_unit_test(peer_that_goes_is_replaced_at_once),
        cmocka_unit_test(fork_is_healed_from_both_sides),
        cmocka_unit_test(own_lost_tail_comes_back),
        cmocka_unit_test(what_does_not_verify_is_told_once),
        cmocka_unit_test(invented_receipts_do_not_count),
        cmocka_unit_test(addresses_spread),
        cmocka_unit_test(carried_in_is_announced),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
