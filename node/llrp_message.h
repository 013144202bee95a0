/*
 * llrp_message.h: the messages that an LLRP reader sends, and the frame that all messages have.
 *
 * Layouts after EPCglobal LLRP 1.0.1 and 1.1; the section numbers are those of 1.0.1. All numbers
 * are big-endian. A message (16.1) is
 *   3 bits reserved, 3 bits version, 10 bits type, u32 length of the whole, u32 id, then its body;
 * a body is fields and then parameters (16.2.1), each of them either
 *   TLV: 6 bits reserved, 10 bits type, u16 length with these four bytes, then its body; or
 *   TV:  1 bit set, 7 bits type, then a value whose size the type says.
 *
 * What is decoded comes from a network: every length is checked, nothing is read outside the bytes
 * given, and no loop runs longer than they are. Slices in results are borrowed from those bytes.
 * Never does I/O. Any thread.
 */
#ifndef BIBWEAVE_LLRP_MESSAGE_H
#define BIBWEAVE_LLRP_MESSAGE_H

#include "common/bytes.h"
#include "common/epc.h"
#include "common/error.h"

enum { LLRP_PORT = 5084, LLRP_HEADER = 10, LLRP_MESSAGE_MAX = 262144 };

enum llrp_version { LLRP_1_0_1 = 1, LLRP_1_1 = 2 };

enum llrp_type {
    LLRP_GET_CAPABILITIES = 1,
    LLRP_GET_CONFIG = 2,
    LLRP_SET_CONFIG = 3,
    LLRP_CLOSE_ANSWER = 4,
    LLRP_CAPABILITIES = 11,
    LLRP_CONFIG = 12,
    LLRP_SET_CONFIG_ANSWER = 13,
    LLRP_CLOSE = 14,
    LLRP_ADD_ROSPEC = 20,
    LLRP_DELETE_ROSPEC = 21,
    LLRP_START_ROSPEC = 22,
    LLRP_ENABLE_ROSPEC = 24,
    LLRP_ADD_ACCESSSPEC = 40,
    LLRP_DELETE_ACCESSSPEC = 41,
    LLRP_ENABLE_ACCESSSPEC = 42,
    LLRP_DISABLE_ACCESSSPEC = 43,
    LLRP_GET_VERSION = 46,
    LLRP_SET_VERSION = 47,
    LLRP_VERSION = 56,
    LLRP_SET_VERSION_ANSWER = 57,
    LLRP_REPORT = 61,
    LLRP_KEEPALIVE = 62,
    LLRP_EVENT = 63,
    LLRP_KEEPALIVE_ACK = 72,
    LLRP_ERROR = 100,
    LLRP_ROSPEC_ANSWER =
        10, /* what is added to 20 ... 24, and to 40 ... 43, for the answer's type */
};

/* Status codes of answers (14.2.2) that the program tells apart. */
enum llrp_status_code {
    LLRP_OK = 0,
    LLRP_UNSUPPORTED_MESSAGE = 109,
    LLRP_UNSUPPORTED_VERSION = 110,
};

struct llrp_message {
    enum llrp_version version;
    uint16_t type;
    uint32_t id;
    struct slice body;
};

enum llrp_frame { LLRP_FRAME_PART, LLRP_FRAME_WHOLE, LLRP_FRAME_BROKEN };

/* Looks at the start of `bytes`. WHOLE: *message is filled, its body borrowed, and *size bytes are
 * used up. PART: more bytes are needed. BROKEN: this is not LLRP, or longer than LLRP_MESSAGE_MAX;
 * *err is filled (ERR_FORM, ERR_LIMIT) and the connection is of no more use. */
enum llrp_frame llrp_message_next(struct slice bytes, struct llrp_message *message, size_t *size,
                                  struct error *err) __attribute__((nonnull));

struct llrp_status {
    uint16_t code;
    char text[160]; /* the reader's own words, cut; "" where it has none; ASCII */
};
/* The LLRPStatus of an answer or of ERROR_MESSAGE. Errors: ERR_FORM. */
enum error_code llrp_message_status(const struct llrp_message *message, struct llrp_status *status,
                                    struct error *err) __attribute__((nonnull, warn_unused_result));

/* Of GET_SUPPORTED_VERSION_RESPONSE. Errors: ERR_FORM. */
enum error_code llrp_message_versions(const struct llrp_message *message, uint8_t *current,
                                      uint8_t *supported, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* What READER_EVENT_NOTIFICATION tells; the events the program has no use for are checked for
 * their form and left out. */
struct llrp_event {
    bool connection; /* a ConnectionAttemptEvent is in it */
    uint16_t
        attempt;  /* its status: 0 accepted, 1 and 2 taken by another, 3 other, 4 another came */
    bool closing; /* the reader hangs up */
    bool rospec;  /* a ROSpecEvent is in it */
    uint8_t rospec_what; /* 0 started, 1 ended, 2 preempted */
    uint32_t rospec_id;
    bool antenna;        /* an AntennaEvent is in it */
    bool antenna_there;  /* connected; false: not */
    uint16_t antenna_id; /* from 1 */
    bool exception;      /* a ReaderExceptionEvent is in it */
    char text[160];      /* its message, cut; ASCII */
};
enum error_code llrp_message_event(const struct llrp_message *message, struct llrp_event *event,
                                   struct error *err) __attribute__((nonnull, warn_unused_result));

enum { LLRP_POWER_MAX = 256 };
struct llrp_capabilities {
    bool general; /* GeneralDeviceCapabilities was in the answer */
    uint16_t antenna_count;
    bool limits;                 /* LLRPCapabilities was */
    uint32_t access_specs_max;   /* 0: no limit */
    uint32_t ops_per_access_max; /* 0: no limit */
    size_t power_count;          /* entries of the transmit power table of the reader's region */
    struct {
        uint16_t index;
        int16_t power; /* hundredths of dBm */
    } power[LLRP_POWER_MAX];
};
/* Of GET_READER_CAPABILITIES_RESPONSE. A table longer than LLRP_POWER_MAX is cut. */
enum error_code llrp_message_capabilities(const struct llrp_message *message,
                                          struct llrp_capabilities *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* How an antenna sends, from an AntennaConfiguration's RFTransmitter (16.2.5.4 and on). */
struct llrp_transmitter {
    uint16_t hop_table;
    uint16_t channel;
    uint16_t power; /* index into the capabilities' table */
};
/* Of GET_READER_CONFIG_RESPONSE. Errors: ERR_FORM; ERR_NOT_FOUND where it says nothing of it. */
enum error_code llrp_message_transmitter(const struct llrp_message *message, uint16_t antenna,
                                         struct llrp_transmitter *out, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* Results of one OpSpec (15.3.1.5). The codes of reading, writing and locking differ; see each. */
enum llrp_op { LLRP_OP_READ = 1, LLRP_OP_WRITE, LLRP_OP_LOCK, LLRP_OP_OTHER };
enum llrp_read_result {
    LLRP_READ_OK = 0,
    LLRP_READ_TAG_ERROR = 1,
    LLRP_READ_NO_RESPONSE = 2,
    LLRP_READ_READER_ERROR = 3,
    LLRP_READ_OVERRUN = 4, /* from here on LLRP 1.1 */
    LLRP_READ_LOCKED = 5,
    LLRP_READ_PASSWORD = 6,
};
enum llrp_write_result {
    LLRP_WRITE_OK = 0,
    LLRP_WRITE_OVERRUN = 1,
    LLRP_WRITE_LOCKED = 2,
    LLRP_WRITE_LOW_POWER = 3,
    LLRP_WRITE_TAG_ERROR = 4,
    LLRP_WRITE_NO_RESPONSE = 5,
    LLRP_WRITE_READER_ERROR = 6,
    LLRP_WRITE_PASSWORD = 7, /* LLRP 1.1 */
};
enum llrp_lock_result {
    LLRP_LOCK_OK = 0,
    LLRP_LOCK_LOW_POWER = 1,
    LLRP_LOCK_TAG_ERROR = 2,
    LLRP_LOCK_NO_RESPONSE = 3,
    LLRP_LOCK_READER_ERROR = 4,
    LLRP_LOCK_PASSWORD = 5, /* from here on LLRP 1.1 */
    LLRP_LOCK_OVERRUN = 6,
    LLRP_LOCK_LOCKED = 7,
};
struct llrp_result {
    enum llrp_op op;
    uint16_t id;       /* of the OpSpec */
    uint8_t result;    /* one of the above */
    uint16_t words;    /* LLRP_OP_WRITE: how many were written */
    struct slice data; /* LLRP_OP_READ: whole words */
};

enum { LLRP_RESULTS_MAX = 16 };
struct llrp_report {
    struct epc epc; /* size 0: the tag sends an EPC of no words */
    bool has_rssi, has_pc;
    int8_t rssi; /* dBm */
    uint16_t pc;
    uint16_t antenna;     /* 0 where not told */
    uint32_t rospec;      /* 0 where not told */
    uint32_t access_spec; /* 0: none was carried out */
    size_t result_count;
    struct llrp_result results[LLRP_RESULTS_MAX];
};
/* Takes the next TagReportData out of *rest, which begins as the body of RO_ACCESS_REPORT; other
 * parameters are stepped over. *got is false at the end. Errors: ERR_FORM; ERR_LIMIT for more
 * results than LLRP_RESULTS_MAX. */
enum error_code llrp_message_report(struct slice *rest, struct llrp_report *report, bool *got,
                                    struct error *err) __attribute__((nonnull, warn_unused_result));

#endif
