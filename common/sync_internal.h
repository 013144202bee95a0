/*
 * sync_internal.h: the inside of the sync machine, for sync*.c alone.
 *
 *   sync.c           events in, orders out, timers
 *   sync_order.c     the queue of work orders
 *   sync_peer.c      who may speak
 *   sync_session.c   hello, beats, and the end of a session
 *   sync_logs.c      which logs there are, and what each peer holds of them
 *   sync_announce.c  `have` both ways, receipts, pushes of own records
 *   sync_fetch.c     `want` and `batch`: what is lacked, from whom, and when to ask another
 *   sync_answer.c    answering the wants of others
 *   sync_road.c      addresses at which peers can be reached
 *   sync_message.c   the messages' form
 *
 * Nothing here is believed for good: all of it is hints about peers, made again from hello on, and
 * a lost hint costs time, never a record. The time of a step is `now`; nobody asks a clock.
 */
#ifndef BIBWEAVE_SYNC_INTERNAL_H
#define BIBWEAVE_SYNC_INTERNAL_H

#include "common/sync_message.h"

enum {
    SYNC_HELLO_MS_MIN = 500,     /* an unanswered hello is repeated after this long, */
    SYNC_HELLO_MS_MAX = 4000,    /* then after twice as long, up to this */
    SYNC_HELLO_GAP_MS = 100,     /* the same hello is not said again within this */
    SYNC_BACKOFF_MS_MIN = 1000,  /* a peer whose answer was of no use is not asked for that log, */
    SYNC_BACKOFF_MS_MAX = 64000, /* for a time that doubles up to this */
    SYNC_COMPARE_MS_MAX = 16000, /* full `have`s to a peer that stays different */
    SYNC_PATIENCE_MS_MAX = 4000, /* a slow peer's fetches time out after at most this */
    SYNC_OVERTAKEN_MS = 500,     /* an answer may still come this long after that to a later want */
    SYNC_FIRST_CREDIT = 16384, /* bytes asked for of a log that is not held, which may be refused */
    SYNC_START_CREDIT = 65536, /* of a peer at first */
    SYNC_ALARMED_LOGS = 16,    /* logs of a peer about which people have been told */
    SYNC_PUSHED_MAX = 512,  /* own records whose sizes are kept for counting what is unreceipted */
    SYNC_STORES_MAX = 1024, /* STORE orders without their answer: beyond, nothing more is asked */
    SYNC_STORE_BYTES = 8 * 1024 * 1024, /* records in them */
    SYNC_STEP_BYTES = 4 * 1024 * 1024,  /* orders that timers of one step may make */
    SYNC_HAVE_BYTES = 60000, /* entries of one `have`; the largest entry has 1756 bytes */
    SYNC_VOUCHERS_MAX = 4,   /* leads in a proof of admission */

    /* Token buckets: per second, and at once. Generous for a healthy station, and bounds for a
     * broken one that is admitted. */
    SYNC_ANSWER_RATE = 64 * 1024 * 1024, /* bytes read for one peer's wants */
    SYNC_ANSWER_BURST = 4 * 1024 * 1024,
    SYNC_PUSH_RATE = 4 * 1024 * 1024, /* bytes of pushes and addresses taken from one peer */
    SYNC_PUSH_BURST = 1024 * 1024,
    SYNC_SESSION_RATE = 4, /* new sessions with one peer: each has it told all there is */
    SYNC_SESSION_BURST = 16,
    SYNC_TROUBLE_RATE =
        1, /* runs of records of one peer that do not hold, each looked at in vain; */
    SYNC_TROUBLE_BURST = 16,
    SYNC_TROUBLE_MS = 1000,   /* beyond that its pushes are not looked at for this long */
    SYNC_DISTRUST_MS = 30000, /* nobody waits for the admits of a peer that let a fetch time out */
    SYNC_STRANGER_RATE = 200, /* messages of unknown keys that are looked at */
    SYNC_PROOF_RATE = 20,     /* proofs of admission that are checked */
    SYNC_FOREIGN_MS = 60000,  /* people are told of strangers of another event this often */
};

struct sync_bucket {
    int64_t level; /* thousandths of what it counts */
    struct mono_ms at;
};

/* The leads in a proof of admission, beside the root. */
struct sync_vouchers {
    size_t count;
    struct sign_public key[SYNC_VOUCHERS_MAX];
};

struct sync_peer_state;
struct sync_known;

/* A fetch of one log: one want and its batches. */
struct sync_fetch {
    struct sync_peer_state *from; /* NULL: nobody is asked now */
    uint64_t serial;              /* of the want, to know which stores belong to it */
    uint8_t target[16];
    struct mono_ms moved_at; /* asked, or its last batch came */
    int64_t patience;        /* ms without progress until another is asked */
    bool overtaken;          /* a later want was answered first, at: */
    struct mono_ms overtaken_at;
    size_t bytes;   /* of batches so far */
    size_t stores;  /* STORE orders of it without their answer */
    size_t stored;  /* new records so far */
    bool denied;    /* its author is not admitted, as far as was known */
    uint32_t parts; /* batches that have come, a bit each */
    uint32_t whole; /* all of them; 0 until the last one has come and told */
};

enum sync_rank { SYNC_RANK_ROOT, SYNC_RANK_LEAD, SYNC_RANK_REST, SYNC_RANK_COUNT };

/* A log that is held here or that a peer named. */
struct sync_log {
    struct log_id id;
    /* held here: */
    uint64_t changed;               /* place in the order of changes; 0: not held */
    uint8_t mark[16];               /* the ids of its heads, folded: differs when they do */
    struct sync_log *older, *newer; /* in the order of changes */
    struct sign_public key;
    enum sync_rank rank;
    uint64_t rank_epoch; /* the admit epoch of `rank` */
    /* at peers: */
    struct sync_known *known; /* who named it, and what of it */
    bool wanted;              /* in the list of wanted logs */
    bool denied;              /* its author was not admitted, as far as known in `denied_epoch` */
    uint64_t denied_epoch;
    size_t stores; /* STORE orders of it without their answer */
    struct sync_fetch fetch;
};

/* A head that a peer named. */
struct sync_tip {
    struct record_seen at;
    bool held;        /* here; once true it stays so */
    uint64_t checked; /* the log's `changed` when it was last found missing, plus one */
};

/* What one peer said of one log. */
struct sync_known {
    struct sync_log *log;
    struct sync_peer_state *peer;
    struct sync_known *previous, *next; /* others of the log */
    size_t count;
    struct sync_tip one;     /* a log without a fork needs no further memory */
    struct sync_tip *many;   /* when count is over 1 */
    uint32_t timeouts;       /* wants that it left unanswered */
    struct mono_ms retry_at; /* not asked before */
    int64_t retry_delay;
};

/* Fields stand by what they are about, which costs some padding. */
struct sync_peer_state { /* NOLINT(clang-analyzer-optin.performance.Padding) */
    struct curve_public curve;
    struct sign_public key;
    char name[RECORD_TEXT_MAX + 1];

    /* Who it is, as far as known at `looked`; see sync_peer.c. */
    uint64_t looked;
    bool allowed;
    bool barred; /* retired as stolen: hears nothing */
    bool proven; /* its hello proved its admission */
    struct sync_vouchers vouchers;

    /* Session. */
    bool road; /* the transport can send to it, as far as known */
    bool open;
    uint64_t own_nonce;
    bool has_nonce;
    uint64_t nonce;
    struct log_id log;
    uint16_t port;
    struct mono_ms last_heard;
    struct mono_ms hello_at; /* the next one */
    int64_t hello_wait;
    /* The last hello: when, and which nonces it said. */
    bool greeted, greeted_to;
    struct mono_ms greeted_at;
    uint64_t greeted_own_nonce, greeted_nonce;
    int64_t clock_offset_ms;

    /* What it has been told. */
    uint64_t announced; /* changes up to here */
    bool announcing;
    struct mono_ms announce_at;
    struct mono_ms announced_at;
    bool full_due;
    uint64_t pushed;    /* own records up to here were sent to it or are known to be there */
    uint64_t receipted; /* own records up to here are known to be there */

    /* Slow comparison. */
    bool has_hash;
    struct digest32 hash;
    bool differs;
    struct mono_ms differs_since;
    int64_t compare_wait;
    struct digest32 compared_ours, compared_theirs; /* when all was told last */

    /* What it holds, in the order of log ids. */
    struct sync_known **known;
    size_t known_count, known_capacity, tips;
    size_t room_at; /* where room was looked for last */

    /* Fetches from it. */
    size_t wants;
    int64_t patience; /* ms that an answer may take */
    size_t credit;    /* bytes asked for at once: less where answers were lost */
    struct mono_ms progress_at;
    struct sync_bucket answers, pushes, sessions, troubles;
    struct mono_ms pushes_after; /* pushes before this are not looked at */
    struct mono_ms timed_out_at; /* of the last fetch from it that did, in whatever session */
    struct log_id alarmed[SYNC_ALARMED_LOGS];
    size_t alarmed_count;
    bool version_told, foreign_told;

    /* Roads. */
    char address[SYNC_ADDRESS_MAX + 1]; /* where the transport reached it; "" when nowhere yet */
    uint64_t address_serial;
    uint64_t roads_told; /* addresses up to this serial */
};

/* A STORE order without its answer. */
struct sync_store {
    struct curve_public peer;
    struct log_id log;
    uint64_t fetch; /* serial of the fetch; 0: a push */
    uint64_t epoch; /* admit epoch when it was made */
    size_t bytes;
};

struct sync_queued {
    enum sync_order_kind kind;
    struct curve_public peer;
    struct log_id log;
    size_t offset, size; /* of the bytes, text or alarm */
    size_t first_record, record_count;
};
struct sync_span {
    size_t offset, size;
};
struct sync_orders {
    struct sync_queued *order;
    size_t count, capacity, taken;
    struct buffer bytes; /* what all orders borrow from */
    struct sync_span *record;
    size_t record_count, record_capacity;
    struct slice *slice; /* records of the order that was taken last */
    size_t slice_capacity;
    struct pairs_alarm alarm;
    struct sync_order out;
};

/* Own records: what was pushed, and how large. */
struct sync_own {
    struct log_id log;
    uint64_t number; /* last one that was looked at */
    uint8_t id[16];
    uint64_t first;                /* `end` and `ids` are known from here on */
    uint64_t end[SYNC_PUSHED_MAX]; /* bytes up to and with a record, by number */
    uint8_t ids[SYNC_PUSHED_MAX][16];
};

struct sync { /* NOLINT(clang-analyzer-optin.performance.Padding): as above */
    struct ledger *ledger;
    struct station_keys keys;
    uint8_t seed[32];
    uint16_t port;
    uint64_t draws;
    struct mono_ms now; /* of the step */
    struct wall_ms wall;
    struct mono_ms wake; /* no timer is due before */
    struct mono_ms beat_at;
    struct sync_own own;

    struct sync_peer_state **peer; /* in the order of CURVE keys; SYNC_PEERS_MAX of them at most */
    size_t peer_count;
    struct sync_bucket strangers, proofs;
    bool foreign_told;
    struct mono_ms foreign_told_at;
    struct buffer proof; /* of this station's admission */
    uint64_t proof_epoch;
    uint64_t addresses; /* serial of the newest address */
    bool roads_due;
    struct mono_ms roads_at;

    struct sync_log **log; /* in the order of ids */
    size_t log_count, log_capacity;
    struct sync_log *oldest, *newest; /* of those held, in the order of changes */
    uint64_t changes;
    uint64_t counted;         /* records in the ledger when all heads were last compared */
    uint64_t epoch;           /* ledger_admit_epoch as last seen, plus one */
    uint64_t authority;       /* rises when it may have changed who is allowed in */
    struct sync_log **wanted; /* in the order in which they became so */
    size_t wanted_count, wanted_capacity;
    bool fetch_due;
    uint64_t lot;             /* drawn for a run of fetches: decides among equals */
    bool authority_is_coming; /* in this run; see sync_fetch.c */
    uint64_t fetches;         /* serial of the newest fetch */
    struct sync_store *store;
    size_t store_count, store_capacity, store_bytes;

    struct sync_orders orders;
    struct buffer scratch, list; /* for one function's use at a time, never across calls */
    struct sync_counts counts;
    bool starved;       /* memory ran out in this step */
    struct error fault; /* what else went wrong in this step, first thing only */
};

/* ---- sync.c ---- */

/* A number below `below` (at least 1), for nonces and jitter. */
uint64_t sync_draw(struct sync *sync);
int64_t sync_jitter(struct sync *sync, int64_t below);
struct mono_ms sync_after(const struct sync *sync, int64_t ms); /* that long after now */
bool sync_due(const struct sync *sync, struct mono_ms when);
void sync_wake_at(struct sync *sync, struct mono_ms when);
/* Takes `cost` from a bucket; false, and nothing taken, when it does not hold that much. */
bool sync_bucket_take(const struct sync *sync, struct sync_bucket *bucket, int64_t cost,
                      int64_t per_second, int64_t burst);
/* Keeps what went wrong, to be returned at the end of the step. */
void sync_fault(struct sync *sync, const struct error *err);
/* Makes room for one more element of `size` bytes in a growing array; false (and starved) when
 * there is no memory, the array unchanged. */
bool sync_grow(struct sync *sync, void **array, size_t count, size_t *capacity, size_t size);

/* ---- sync_order.c ---- */

void sync_order_send(struct sync *sync, const struct sync_peer_state *peer,
                     const struct sync_message *message);
/* The records of `list`, a list of raw records. False when there is no memory. */
bool sync_order_store(struct sync *sync, const struct sync_peer_state *peer,
                      const struct log_id *log, struct slice list);
void sync_order_alarm(struct sync *sync, const char *name, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
void sync_order_road(struct sync *sync, const struct sync_message_road *road);
void sync_order_clear(struct sync_orders *orders); /* forgets orders that were taken */
void sync_order_release(struct sync_orders *orders);
/* Whether timers have made so many orders that the rest waits for the next step. */
bool sync_order_full(const struct sync *sync);

/* ---- sync_peer.c ---- */

struct sync_peer_state *sync_peer_find(const struct sync *sync, const struct curve_public *curve);
/* Finds or adds; NULL when the table is full of peers in session, or memory ran out. */
struct sync_peer_state *sync_peer_add(struct sync *sync, const struct curve_public *curve);
/* Whether the peer may speak; looked up again when that may have changed. */
bool sync_peer_may_speak(struct sync *sync, struct sync_peer_state *peer);
/* A message came: asks whether the sender may speak, and hands it on. */
void sync_peer_message(struct sync *sync, const struct curve_public *curve, struct slice bytes);
/* Whether the ledger knows this CURVE key as that of a station that is to be talked to. */
bool sync_peer_is_admitted(struct sync *sync, const struct curve_public *curve);
/* Tells people of a caller of another event; `peer` is NULL for a stranger. */
void sync_peer_tell_foreign(struct sync *sync, struct sync_peer_state *peer);
/* How people know the peer: its name, or the beginning of its CURVE key. */
void sync_peer_label(const struct sync_peer_state *peer, char out[RECORD_TEXT_MAX + 1]);

/* ---- sync_session.c ---- */

void sync_session_up(struct sync *sync, const struct curve_public *curve);
void sync_session_down(struct sync *sync, const struct curve_public *curve);
void sync_session_reset(struct sync *sync, struct sync_peer_state *peer); /* beliefs are gone */
void sync_session_end(struct sync *sync, struct sync_peer_state *peer); /* and a new nonce drawn */
void sync_session_restart_all(struct sync *sync);
/* A hello, or another message, of a peer that may speak. */
void sync_session_hello(struct sync *sync, struct sync_peer_state *peer,
                        const struct sync_message *hello);
void sync_session_message(struct sync *sync, struct sync_peer_state *peer,
                          const struct sync_message *message);
/* A message in the session with `peer`, with kind and nonces filled in. */
struct sync_message sync_session_compose(const struct sync_peer_state *peer,
                                         enum sync_message_kind kind);
void sync_session_timers(struct sync *sync); /* hello, beat, silence */

/* ---- sync_logs.c ---- */

struct sync_log *sync_logs_find(const struct sync *sync, const struct log_id *id);
/* The log's heads here changed: it goes to the end of the order of changes. */
void sync_logs_touch(struct sync *sync, const struct log_id *id);
/* Compares all heads with what was last seen of them, when anything was stored at all. */
void sync_logs_scan(struct sync *sync);
/* Notices that further stations may have been admitted. */
void sync_logs_watch_admits(struct sync *sync);
enum sync_rank sync_logs_rank(struct sync *sync, struct sync_log *log);
bool sync_logs_is_own(const struct sync *sync, const struct sync_log *log);
void sync_logs_tidy(struct sync *sync, struct sync_log *log); /* frees it if nothing needs it */
void sync_logs_free(struct sync *sync);

struct sync_known *sync_logs_known(const struct sync_peer_state *peer, const struct sync_log *log);
struct sync_tip *sync_logs_tips(struct sync_known *known);
/* The peer holds exactly these heads of the log. NULL when it named too many, or memory ran out. */
struct sync_known *sync_logs_set(struct sync *sync, struct sync_peer_state *peer,
                                 const struct log_id *id, const struct record_seen *heads,
                                 size_t count);
/* The peer's log has grown by a record that follows `previous` (NULL for number 1). */
struct sync_known *sync_logs_raise(struct sync *sync, struct sync_peer_state *peer,
                                   const struct log_id *id, const uint8_t *previous,
                                   const struct record_seen *head);
void sync_logs_drop(struct sync *sync, struct sync_peer_state *peer, struct sync_log *log);
void sync_logs_drop_all(struct sync *sync, struct sync_peer_state *peer);
/* The peer's newest head that is missing here, or NULL. */
struct sync_tip *sync_logs_missing(struct sync *sync, struct sync_known *known);
/* Whether the peer is known to hold every head of the log that is held here, or has one that is
 * not understood yet, so that telling can wait until it is fetched. */
bool sync_logs_peer_has_ours(struct sync *sync, const struct sync_peer_state *peer,
                             const struct sync_log *log);
/* Records known to be at the peer and not here; a lower bound where logs have forked. */
uint64_t sync_logs_behind(const struct sync *sync, const struct sync_peer_state *peer);

/* ---- sync_announce.c ---- */

void sync_announce_changed(struct sync *sync, const struct sync_log *log);
void sync_announce_full(struct sync *sync, struct sync_peer_state *peer);
void sync_announce_timers(struct sync *sync);
void sync_announce_have(struct sync *sync, struct sync_peer_state *peer,
                        const struct sync_message *message);
void sync_announce_appended(struct sync *sync, const struct log_id *log);
void sync_announce_log(struct sync *sync, const struct log_id *log); /* own log from now on */

/* ---- sync_fetch.c ---- */

/* The log is lacked in part: to be asked for when its turn comes. */
void sync_fetch_want(struct sync *sync, struct sync_log *log);
void sync_fetch_run(struct sync *sync); /* asks for what can be asked for now */
void sync_fetch_timers(struct sync *sync);
void sync_fetch_batch(struct sync *sync, struct sync_peer_state *peer,
                      const struct sync_message *message);
void sync_fetch_push(struct sync *sync, struct sync_peer_state *peer,
                     const struct sync_message *message);
void sync_fetch_stored(struct sync *sync, const struct sync_event *event);
void sync_fetch_abandon(struct sync *sync, const struct sync_peer_state *peer);

/* ---- sync_answer.c ---- */

void sync_answer_want(struct sync *sync, struct sync_peer_state *peer,
                      const struct sync_message *message);

/* ---- sync_road.c ---- */

void sync_road_schedule(struct sync *sync); /* somebody has not been told all addresses */
void sync_road_timers(struct sync *sync);
void sync_road_heard(struct sync *sync, struct sync_peer_state *peer,
                     const struct sync_message *message);

#endif
