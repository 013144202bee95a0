/*
 * llrp_request.c: writes what is sent to an LLRP reader; see the header. Never does I/O.
 */
#include "node/llrp_request.h"

/* Parameter types (16.3 and on). */
enum {
    P_ROSPEC = 177,
    P_RO_BOUNDARY = 178,
    P_RO_START = 179,
    P_RO_STOP = 182,
    P_AISPEC = 183,
    P_AI_STOP = 184,
    P_INVENTORY = 186,
    P_ACCESSSPEC = 207,
    P_ACCESS_STOP = 208,
    P_ACCESS_COMMAND = 209,
    P_KEEPALIVE = 220,
    P_ANTENNA_CONFIGURATION = 222,
    P_TRANSMITTER = 224,
    P_HOLD = 226,
    P_RO_REPORT = 237,
    P_REPORT_CONTENT = 238,
    P_ACCESS_REPORT = 239,
    P_NOTIFICATIONS = 244,
    P_NOTIFICATION = 245,
    P_C1G2_INVENTORY = 330,
    P_C1G2_SINGULATION = 336,
    P_C1G2_TAG_SPEC = 338,
    P_C1G2_TARGET = 339,
    P_C1G2_READ = 341,
    P_C1G2_WRITE = 342,
    P_C1G2_LOCK = 344,
    P_C1G2_LOCK_PAYLOAD = 345,
    P_C1G2_CONTENT = 348,
};
enum { PROTOCOL_GEN2 = 1 };

static void put8(struct buffer *out, unsigned value) {
    uint8_t byte = (uint8_t)value;
    buffer_append(out, &byte, 1);
}
static void put16(struct buffer *out, unsigned value) {
    put8(out, value >> 8);
    put8(out, value);
}
static void put32(struct buffer *out, uint32_t value) {
    put16(out, value >> 16);
    put16(out, value & 0xffff);
}

/* Both begin with a length of 0, which the matching end fills in. They return where it starts. */
static size_t begin(struct buffer *out, struct llrp_head head, enum llrp_type type) {
    size_t start = out->size;
    put16(out, (unsigned)head.version << 10 | (unsigned)type);
    put32(out, 0);
    put32(out, head.id);
    return start;
}
static size_t parameter(struct buffer *out, unsigned type) {
    size_t start = out->size;
    put16(out, type);
    put16(out, 0);
    return start;
}
static void end(struct buffer *out, size_t start) {
    if (!out->failed) {
        size_t length = out->size - start;
        for (int i = 0; i < 4; i++) {
            out->data[start + 2 + (size_t)i] = (uint8_t)(length >> (24 - 8 * i));
        }
    }
}
static void parameter_end(struct buffer *out, size_t start) {
    if (!out->failed) {
        size_t length = out->size - start;
        out->data[start + 2] = (uint8_t)(length >> 8);
        out->data[start + 3] = (uint8_t)length;
    }
}

void llrp_request_plain(struct buffer *out, struct llrp_head head, enum llrp_type type) {
    end(out, begin(out, head, type));
}

void llrp_request_set_version(struct buffer *out, struct llrp_head head,
                              enum llrp_version version) {
    size_t message = begin(out, head, LLRP_SET_VERSION);
    put8(out, version);
    end(out, message);
}

void llrp_request_capabilities(struct buffer *out, struct llrp_head head) {
    size_t message = begin(out, head, LLRP_GET_CAPABILITIES);
    put8(out, 0);
    end(out, message);
}

void llrp_request_antenna(struct buffer *out, struct llrp_head head, uint16_t antenna) {
    enum { ANTENNA_CONFIGURATION = 3 };
    size_t message = begin(out, head, LLRP_GET_CONFIG);
    put16(out, antenna);
    put8(out, ANTENNA_CONFIGURATION);
    put16(out, 0); /* GPI and GPO ports: not asked for */
    put16(out, 0);
    end(out, message);
}

static void put_notification(struct buffer *out, unsigned event, bool wanted) {
    size_t p = parameter(out, P_NOTIFICATION);
    put16(out, event);
    put8(out, wanted ? 0x80 : 0);
    parameter_end(out, p);
}

static void put_report_spec(struct buffer *out) {
    enum { UPON_N_TAGS_OR_END_OF_AISPEC = 1 };
    /* ROSpec, antenna, RSSI, first and last seen, count, AccessSpec; CRC and PC */
    enum { CONTENT = 0x97c0, GEN2_CONTENT = 0xc0 };
    size_t report = parameter(out, P_RO_REPORT);
    put8(out, UPON_N_TAGS_OR_END_OF_AISPEC);
    put16(out, 1);
    size_t content = parameter(out, P_REPORT_CONTENT);
    put16(out, CONTENT);
    size_t gen2 = parameter(out, P_C1G2_CONTENT);
    put8(out, GEN2_CONTENT);
    parameter_end(out, gen2);
    parameter_end(out, content);
    parameter_end(out, report);
}

static void put_access_report(struct buffer *out) {
    enum { END_OF_ACCESSSPEC = 1 };
    size_t p = parameter(out, P_ACCESS_REPORT);
    put8(out, END_OF_ACCESSSPEC);
    parameter_end(out, p);
}

void llrp_request_configure(struct buffer *out, struct llrp_head head, uint32_t keepalive_ms) {
    enum { EVENT_ROSPEC = 2, EVENT_EXCEPTION = 4, EVENT_AISPEC = 6 };
    enum { PERIODIC = 1 };
    size_t message = begin(out, head, LLRP_SET_CONFIG);
    put8(out, 0); /* no return to the factory's settings */
    size_t p = parameter(out, P_NOTIFICATIONS);
    put_notification(out, EVENT_ROSPEC, true);
    put_notification(out, EVENT_EXCEPTION, true);
    put_notification(out, EVENT_AISPEC, false);
    parameter_end(out, p);
    put_report_spec(out);
    put_access_report(out);
    p = parameter(out, P_KEEPALIVE);
    put8(out, PERIODIC);
    put32(out, keepalive_ms);
    parameter_end(out, p);
    p = parameter(out, P_HOLD);
    put8(out, 0);
    parameter_end(out, p);
    end(out, message);
}

void llrp_request_spec(struct buffer *out, struct llrp_head head, enum llrp_type type,
                       uint32_t spec) {
    size_t message = begin(out, head, type);
    put32(out, spec);
    end(out, message);
}

/* What differs from the reader's own settings while this ROSpec runs. */
static void put_antenna(struct buffer *out, const struct llrp_inventory *inventory) {
    size_t antenna = parameter(out, P_ANTENNA_CONFIGURATION);
    put16(out, inventory->antenna);
    if (inventory->transmitter != NULL) {
        size_t transmitter = parameter(out, P_TRANSMITTER);
        put16(out, inventory->transmitter->hop_table);
        put16(out, inventory->transmitter->channel);
        put16(out, inventory->transmitter->power);
        parameter_end(out, transmitter);
    }
    if (inventory->singulation) {
        enum { SESSION_0 = 0, POPULATION = 4 };
        size_t command = parameter(out, P_C1G2_INVENTORY);
        put8(out, 0); /* the reader minds the tags' states itself */
        size_t singulation = parameter(out, P_C1G2_SINGULATION);
        put8(out, SESSION_0 << 6);
        put16(out, POPULATION);
        put32(out, 0); /* how long a tag stays is not known */
        parameter_end(out, singulation);
        parameter_end(out, command);
    }
    parameter_end(out, antenna);
}

static void put_aispec(struct buffer *out, const struct llrp_inventory *inventory) {
    size_t aispec = parameter(out, P_AISPEC);
    put16(out, 1);
    put16(out, inventory->antenna);
    size_t stop = parameter(out, P_AI_STOP);
    put8(out, 0); /* with the ROSpec */
    put32(out, 0);
    parameter_end(out, stop);
    size_t parameters = parameter(out, P_INVENTORY);
    put16(out, 1); /* id */
    put8(out, PROTOCOL_GEN2);
    if (inventory->transmitter != NULL || inventory->singulation) {
        put_antenna(out, inventory);
    }
    parameter_end(out, parameters);
    parameter_end(out, aispec);
}

void llrp_request_inventory(struct buffer *out, struct llrp_head head,
                            const struct llrp_inventory *inventory) {
    size_t message = begin(out, head, LLRP_ADD_ROSPEC);
    size_t rospec = parameter(out, P_ROSPEC);
    put32(out, inventory->spec);
    put8(out, 0); /* priority: the highest */
    put8(out, 0); /* disabled, as it must be added */
    size_t boundary = parameter(out, P_RO_BOUNDARY);
    size_t start = parameter(out, P_RO_START);
    put8(out, 0); /* by START_ROSPEC */
    parameter_end(out, start);
    size_t stop = parameter(out, P_RO_STOP);
    put8(out, 0); /* by being stopped */
    put32(out, 0);
    parameter_end(out, stop);
    parameter_end(out, boundary);
    put_aispec(out, inventory);
    parameter_end(out, rospec);
    end(out, message);
}

static void put_target(struct buffer *out, const struct llrp_access *access) {
    enum { MATCH = 0x20 };
    size_t spec = parameter(out, P_C1G2_TAG_SPEC);
    size_t target = parameter(out, P_C1G2_TARGET);
    unsigned bits = (unsigned)access->match.size * 8;
    put8(out, (unsigned)access->bank << 6 | MATCH);
    put16(out, access->bit);
    put16(out, bits);
    for (size_t i = 0; i < access->match.size; i++) {
        put8(out, 0xff);
    }
    put16(out, bits);
    buffer_append_slice(out, access->match);
    parameter_end(out, target);
    parameter_end(out, spec);
}

static void put_lock(struct buffer *out, unsigned field) {
    enum { READ_WRITE = 0 }; /* locked, and open to who knows the password */
    size_t payload = parameter(out, P_C1G2_LOCK_PAYLOAD);
    put8(out, READ_WRITE);
    put8(out, field);
    parameter_end(out, payload);
}

static void put_op(struct buffer *out, const struct llrp_access_op *op) {
    enum { FIELD_ACCESS_PASSWORD = 1, FIELD_EPC = 2 };
    size_t p = parameter(out, op->op == LLRP_OP_READ    ? P_C1G2_READ
                              : op->op == LLRP_OP_WRITE ? P_C1G2_WRITE
                                                        : P_C1G2_LOCK);
    put16(out, op->id);
    put32(out, op->password);
    if (op->op == LLRP_OP_LOCK) {
        put_lock(out, FIELD_EPC);
        put_lock(out, FIELD_ACCESS_PASSWORD);
    } else {
        put8(out, (unsigned)op->bank << 6);
        put16(out, op->word);
        put16(out, op->op == LLRP_OP_READ ? op->words : (unsigned)op->data.size / 2);
    }
    if (op->op == LLRP_OP_WRITE) {
        buffer_append_slice(out, op->data);
    }
    parameter_end(out, p);
}

void llrp_request_access(struct buffer *out, struct llrp_head head,
                         const struct llrp_access *access) {
    enum { NONE = 0, OPERATION_COUNT = 1 };
    size_t message = begin(out, head, LLRP_ADD_ACCESSSPEC);
    size_t spec = parameter(out, P_ACCESSSPEC);
    put32(out, access->spec);
    put16(out, access->antenna);
    put8(out, PROTOCOL_GEN2);
    put8(out, 0); /* disabled, as it must be added */
    put32(out, access->rospec);
    size_t stop = parameter(out, P_ACCESS_STOP);
    put8(out, access->once ? OPERATION_COUNT : NONE);
    put16(out, access->once ? 1 : 0);
    parameter_end(out, stop);
    size_t command = parameter(out, P_ACCESS_COMMAND);
    put_target(out, access);
    for (size_t i = 0; i < access->op_count; i++) {
        put_op(out, &access->ops[i]);
    }
    parameter_end(out, command);
    put_access_report(out);
    parameter_end(out, spec);
    end(out, message);
}
