/*
 * llrp_message.c: reads what an LLRP reader sends; see the header. Never does I/O.
 */
#include "node/llrp_message.h"

#include <string.h>

/* Parameter types (16.3 and on). TV types are below 128. */
enum {
    TV_ANTENNA = 1,
    TV_RSSI = 6,
    TV_ROSPEC = 9,
    TV_PC = 12,
    TV_EPC_96 = 13,
    TV_ACCESSSPEC = 16,
    P_UTC = 128,
    P_UPTIME = 129,
    P_GENERAL = 137,
    P_LIMITS = 142,
    P_REGULATORY = 143,
    P_UHF = 144,
    P_POWER = 145,
    P_ANTENNA_CONFIGURATION = 222,
    P_TRANSMITTER = 224,
    P_TAG_REPORT = 240,
    P_EPC = 241,
    P_EVENTS = 246,
    P_ROSPEC_EVENT = 249,
    P_EXCEPTION = 252,
    P_ANTENNA_EVENT = 255,
    P_ATTEMPT = 256,
    P_CLOSING = 257,
    P_STATUS = 287,
    P_READ_RESULT = 349,
    P_WRITE_RESULT = 350,
    P_LOCK_RESULT = 352,
};

/* Sizes of the values of TV parameters; without its size a parameter cannot be stepped over. */
static const uint8_t tv_sizes[] = {
    [1] = 2,  [2] = 8,  [3] = 8,  [4] = 8,  [5] = 8,  [6] = 1,   [7] = 2,
    [8] = 2,  [9] = 4,  [10] = 2, [11] = 2, [12] = 2, [13] = 12, [14] = 2,
    [15] = 2, [16] = 4, [17] = 2, [18] = 4, [19] = 2, [20] = 2,
};

struct parameter {
    uint16_t type;
    struct slice body;
};

static uint16_t u16(const uint8_t *at) {
    return (uint16_t)(at[0] << 8 | at[1]);
}
static uint32_t u32(const uint8_t *at) {
    return (uint32_t)u16(at) << 16 | u16(at + 2);
}
static struct slice from(struct slice bytes, size_t start) {
    return slice_of(bytes.data + start, bytes.size - start);
}

static enum error_code misshapen(struct error *err, const char *what, size_t size) {
    error_set(err, ERR_FORM, "%s of %zu bytes", what, size);
    error_say(err, "The reader sends something that is not LLRP: check its address and port.");
    return ERR_FORM;
}

enum llrp_frame llrp_message_next(struct slice bytes, struct llrp_message *message, size_t *size,
                                  struct error *err) {
    if (bytes.size >= 1) {
        unsigned version = bytes.data[0] >> 2; /* with the reserved bits, which are 0 */
        if (version != LLRP_1_0_1 && version != LLRP_1_1) {
            error_set(err, ERR_FORM, "a message of LLRP version %u", version);
            error_say(err, "The reader speaks something other than LLRP 1.0.1 or 1.1: check its "
                           "address and port.");
            return LLRP_FRAME_BROKEN;
        }
    }
    if (bytes.size < LLRP_HEADER) {
        return LLRP_FRAME_PART;
    }
    uint32_t length = u32(bytes.data + 2);
    if (length < LLRP_HEADER) {
        misshapen(err, "a message", length);
        return LLRP_FRAME_BROKEN;
    }
    if (length > LLRP_MESSAGE_MAX) {
        error_set(err, ERR_LIMIT, "a message of %u bytes", length);
        error_say(err, "The reader announces a message longer than any it needs: start it again.");
        return LLRP_FRAME_BROKEN;
    }
    if (bytes.size < length) {
        return LLRP_FRAME_PART;
    }
    *message = (struct llrp_message){
        .version = (enum llrp_version)(bytes.data[0] >> 2 & 7),
        .type = u16(bytes.data) & 0x3ff,
        .id = u32(bytes.data + 6),
        .body = slice_of(bytes.data + LLRP_HEADER, length - LLRP_HEADER),
    };
    *size = length;
    return LLRP_FRAME_WHOLE;
}

/* Takes the next parameter out of *rest, which is not empty. */
static enum error_code next(struct slice *rest, struct parameter *out, struct error *err) {
    const uint8_t *at = rest->data;
    if (at[0] & 0x80) {
        uint16_t type = at[0] & 0x7f;
        size_t value = type < sizeof tv_sizes ? tv_sizes[type] : 0;
        if (value == 0 || rest->size < 1 + value) {
            return misshapen(err, "the last parameter,", rest->size);
        }
        *out = (struct parameter){.type = type, .body = slice_of(at + 1, value)};
        *rest = from(*rest, 1 + value);
        return ERR_OK;
    }
    if (rest->size < 4) {
        return misshapen(err, "a parameter", rest->size);
    }
    size_t length = u16(at + 2);
    if (length < 4 || length > rest->size) {
        return misshapen(err, "a parameter with a wrong length,", length);
    }
    *out = (struct parameter){.type = u16(at) & 0x3ff, .body = slice_of(at + 4, length - 4)};
    *rest = from(*rest, length);
    return ERR_OK;
}

/* Copies a text field (u16 length, UTF-8) that starts at `at`, cut to the room. It is for a log:
 * what is not ASCII becomes "?". */
static enum error_code text_at(struct slice body, size_t at, char *out, size_t room,
                               struct error *err) {
    if (body.size < at + 2 || body.size - at - 2 < u16(body.data + at)) {
        return misshapen(err, "a text", body.size);
    }
    size_t length = u16(body.data + at);
    length = length < room ? length : room - 1;
    for (size_t i = 0; i < length; i++) {
        uint8_t letter = body.data[at + 2 + i];
        out[i] = '?';
        if (letter >= 0x20 && letter < 0x7f) {
            out[i] = (char)letter;
        }
    }
    out[length] = '\0';
    return ERR_OK;
}

enum error_code llrp_message_status(const struct llrp_message *message, struct llrp_status *status,
                                    struct error *err) {
    size_t fields = message->type == LLRP_VERSION ? 2 : 0;
    if (message->body.size < fields) {
        return misshapen(err, "an answer", message->body.size);
    }
    struct slice rest = from(message->body, fields);
    while (rest.size > 0) {
        struct parameter p;
        if (next(&rest, &p, err) != ERR_OK) {
            return err->code;
        }
        if (p.type != P_STATUS) {
            continue;
        }
        if (p.body.size < 4) {
            return misshapen(err, "a status", p.body.size);
        }
        *status = (struct llrp_status){.code = u16(p.body.data)};
        return text_at(p.body, 2, status->text, sizeof status->text, err);
    }
    return misshapen(err, "an answer without a status,", message->body.size);
}

enum error_code llrp_message_versions(const struct llrp_message *message, uint8_t *current,
                                      uint8_t *supported, struct error *err) {
    if (message->body.size < 2) {
        return misshapen(err, "versions", message->body.size);
    }
    *current = message->body.data[0];
    *supported = message->body.data[1];
    return ERR_OK;
}

static enum error_code event_parameter(const struct parameter *p, struct llrp_event *event,
                                       struct error *err) {
    const uint8_t *at = p->body.data;
    size_t size = p->body.size;
    switch (p->type) {
    case P_ATTEMPT:
        if (size < 2) {
            return misshapen(err, "a connection event", size);
        }
        event->connection = true;
        event->attempt = u16(at);
        return ERR_OK;
    case P_CLOSING:
        event->closing = true;
        return ERR_OK;
    case P_ROSPEC_EVENT:
        if (size < 9) {
            return misshapen(err, "a ROSpec event", size);
        }
        event->rospec = true;
        event->rospec_what = at[0];
        event->rospec_id = u32(at + 1);
        return ERR_OK;
    case P_ANTENNA_EVENT:
        if (size < 3) {
            return misshapen(err, "an antenna event", size);
        }
        event->antenna = true;
        event->antenna_there = at[0] != 0;
        event->antenna_id = u16(at + 1);
        return ERR_OK;
    case P_EXCEPTION:
        event->exception = true;
        return text_at(p->body, 0, event->text, sizeof event->text, err);
    default:
        return ERR_OK;
    }
}

enum error_code llrp_message_event(const struct llrp_message *message, struct llrp_event *event,
                                   struct error *err) {
    struct slice rest = message->body;
    *event = (struct llrp_event){0};
    while (rest.size > 0) {
        struct parameter outer, p;
        if (next(&rest, &outer, err) != ERR_OK) {
            return err->code;
        }
        struct slice inner = outer.type == P_EVENTS ? outer.body : slice_of(NULL, 0);
        while (inner.size > 0) {
            if (next(&inner, &p, err) != ERR_OK || event_parameter(&p, event, err) != ERR_OK) {
                return err->code;
            }
        }
    }
    return ERR_OK;
}

/* The transmit power table, in UHFBandCapabilities of RegulatoryCapabilities. */
static enum error_code power_table(struct slice regulatory, struct llrp_capabilities *out,
                                   struct error *err) {
    if (regulatory.size < 4) {
        return misshapen(err, "regulatory capabilities", regulatory.size);
    }
    struct slice rest = from(regulatory, 4); /* country, standard */
    while (rest.size > 0) {
        struct parameter band, p;
        if (next(&rest, &band, err) != ERR_OK) {
            return err->code;
        }
        struct slice inner = band.type == P_UHF ? band.body : slice_of(NULL, 0);
        while (inner.size > 0) {
            if (next(&inner, &p, err) != ERR_OK) {
                return err->code;
            }
            if (p.type != P_POWER) {
                continue;
            }
            if (p.body.size < 4) {
                return misshapen(err, "a power level", p.body.size);
            }
            if (out->power_count < LLRP_POWER_MAX) {
                out->power[out->power_count].index = u16(p.body.data);
                out->power[out->power_count].power = (int16_t)u16(p.body.data + 2);
                out->power_count += 1;
            }
        }
    }
    return ERR_OK;
}

enum error_code llrp_message_capabilities(const struct llrp_message *message,
                                          struct llrp_capabilities *out, struct error *err) {
    struct slice rest = message->body;
    memset(out, 0, sizeof *out);
    while (rest.size > 0) {
        struct parameter p;
        if (next(&rest, &p, err) != ERR_OK) {
            return err->code;
        }
        if (p.type == P_GENERAL) {
            if (p.body.size < 14) {
                return misshapen(err, "general capabilities", p.body.size);
            }
            out->general = true;
            out->antenna_count = u16(p.body.data);
        } else if (p.type == P_LIMITS) {
            if (p.body.size < 24) {
                return misshapen(err, "LLRP capabilities", p.body.size);
            }
            out->limits = true;
            out->access_specs_max = u32(p.body.data + 16);
            out->ops_per_access_max = u32(p.body.data + 20);
        } else if (p.type == P_REGULATORY && power_table(p.body, out, err) != ERR_OK) {
            return err->code;
        }
    }
    return ERR_OK;
}

enum error_code llrp_message_transmitter(const struct llrp_message *message, uint16_t antenna,
                                         struct llrp_transmitter *out, struct error *err) {
    struct slice rest = message->body;
    while (rest.size > 0) {
        struct parameter outer, p;
        if (next(&rest, &outer, err) != ERR_OK) {
            return err->code;
        }
        if (outer.type != P_ANTENNA_CONFIGURATION) {
            continue;
        }
        if (outer.body.size < 2) {
            return misshapen(err, "an antenna's configuration", outer.body.size);
        }
        if (u16(outer.body.data) != antenna) {
            continue;
        }
        struct slice inner = from(outer.body, 2);
        while (inner.size > 0) {
            if (next(&inner, &p, err) != ERR_OK) {
                return err->code;
            }
            if (p.type == P_TRANSMITTER && p.body.size >= 6) {
                const uint8_t *at = p.body.data;
                *out = (struct llrp_transmitter){u16(at), u16(at + 2), u16(at + 4)};
                return ERR_OK;
            }
        }
    }
    error_set(err, ERR_NOT_FOUND, "no RFTransmitter of antenna %u in the configuration", antenna);
    return error_say(err, "The reader does not say how antenna %u is set: leave out power=.",
                     antenna);
}

/* A result of an OpSpec: u8 result, u16 OpSpec id, then what the kind has. */
static enum error_code result_parameter(const struct parameter *p, struct llrp_report *report,
                                        struct error *err) {
    const uint8_t *at = p->body.data;
    size_t size = p->body.size;
    enum llrp_op op = p->type == P_READ_RESULT    ? LLRP_OP_READ
                      : p->type == P_WRITE_RESULT ? LLRP_OP_WRITE
                      : p->type == P_LOCK_RESULT  ? LLRP_OP_LOCK
                                                  : LLRP_OP_OTHER;
    if (size < (op == LLRP_OP_READ || op == LLRP_OP_WRITE ? 5U : 3U)) {
        return misshapen(err, "a result", size);
    }
    if (report->result_count == LLRP_RESULTS_MAX) {
        return error_set(err, ERR_LIMIT, "more than %d results for one tag", LLRP_RESULTS_MAX);
    }
    struct llrp_result *result = &report->results[report->result_count++];
    *result = (struct llrp_result){.op = op, .result = at[0], .id = u16(at + 1)};
    if (op == LLRP_OP_WRITE) {
        result->words = u16(at + 3);
    } else if (op == LLRP_OP_READ) {
        if ((size - 5) / 2 < u16(at + 3)) {
            return misshapen(err, "what was read from a tag,", size);
        }
        result->data = slice_of(at + 5, (size_t)u16(at + 3) * 2);
    }
    return ERR_OK;
}

static enum error_code epc_parameter(struct slice body, struct epc *epc, struct error *err) {
    size_t bits = body.size < 2 ? SIZE_MAX : u16(body.data);
    if (bits % 16 != 0 || bits / 8 > EPC_SIZE_MAX || bits / 8 > body.size - 2) {
        return misshapen(err, "an EPC", body.size);
    }
    *epc = (struct epc){.size = (uint8_t)(bits / 8)};
    memcpy(epc->data, body.data + 2, bits / 8);
    return ERR_OK;
}

static enum error_code report_parameter(const struct parameter *p, struct llrp_report *report,
                                        bool *epc, struct error *err) {
    const uint8_t *at = p->body.data;
    switch (p->type) {
    case TV_EPC_96:
        *epc = true;
        report->epc = (struct epc){.size = EPC_96_SIZE};
        memcpy(report->epc.data, at, EPC_96_SIZE);
        return ERR_OK;
    case P_EPC:
        *epc = true;
        return epc_parameter(p->body, &report->epc, err);
    case TV_ANTENNA:
        report->antenna = u16(at);
        return ERR_OK;
    case TV_RSSI:
        report->has_rssi = true;
        report->rssi = (int8_t)at[0];
        return ERR_OK;
    case TV_PC:
        report->has_pc = true;
        report->pc = u16(at);
        return ERR_OK;
    case TV_ROSPEC:
        report->rospec = u32(at);
        return ERR_OK;
    case TV_ACCESSSPEC:
        report->access_spec = u32(at);
        return ERR_OK;
    default: /* 349 to 354 are the results of OpSpecs on Gen2 tags */
        return p->type >= P_READ_RESULT && p->type <= 354 ? result_parameter(p, report, err)
                                                          : ERR_OK;
    }
}

enum error_code llrp_message_report(struct slice *rest, struct llrp_report *report, bool *got,
                                    struct error *err) {
    *got = false;
    while (rest->size > 0) {
        struct parameter outer, p;
        if (next(rest, &outer, err) != ERR_OK) {
            return err->code;
        }
        if (outer.type != P_TAG_REPORT) {
            continue;
        }
        struct slice inner = outer.body;
        bool epc = false;
        memset(report, 0, sizeof *report);
        while (inner.size > 0) {
            if (next(&inner, &p, err) != ERR_OK ||
                report_parameter(&p, report, &epc, err) != ERR_OK) {
                return err->code;
            }
        }
        if (!epc) {
            return misshapen(err, "a tag's report without an EPC,", outer.body.size);
        }
        *got = true;
        return ERR_OK;
    }
    return ERR_OK;
}
