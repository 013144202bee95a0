/*
 * encoder_llrp_order.c: one order to write a tag; see the header. Never does I/O.
 *
 * Result codes: LLRP 1.0.1 15.3.1.5, and those that 1.1 added. Memory: EPC bank word 0 is the
 * StoredCRC, which may be stale until the tag is powered anew, word 1 the PC, the EPC from word 2.
 */
#include "node/encoder_llrp_order.h"

#include <stdio.h>
#include <string.h>

/* Ids of the OpSpecs. */
enum { OP_WRITE = 1, OP_READ = 2, OP_TID = 3, OP_PASSWORD = 5, OP_LOCK = 6 };
enum { WORD_PC = 1, BIT_EPC = 0x20, WORD_ACCESS_PASSWORD = 2 };

static enum encoder_llrp_verdict fail(struct encoder_llrp_order *order, const char *why,
                                      const char *text) {
    order->why = why;
    snprintf(order->text, sizeof order->text, "%s", text);
    return ENCODER_LLRP_FAILED;
}

bool encoder_llrp_order_begin(struct encoder_llrp_order *order) {
    order->phase = ENCODER_LLRP_WRITE;
    order->open = order->lock;
    order->changed = false;
    if (order->pc >> 11 != order->epc.size / 2) {
        fail(order, "reader", "the length in the PC is not the EPC's");
        return false;
    }
    if (order->old.size == 0 && order->tid.size == 0) {
        fail(order, "two", "a tag without EPC and TID cannot be told from others");
        return false;
    }
    return true;
}

static struct llrp_access_op *add(struct llrp_access *access, enum llrp_op op, uint16_t id) {
    struct llrp_access_op *added = &access->ops[access->op_count++];
    *added = (struct llrp_access_op){.op = op, .id = id};
    return added;
}

static void add_read(struct llrp_access *access, uint16_t id, enum llrp_bank bank, unsigned word,
                     unsigned words) {
    struct llrp_access_op *op = add(access, LLRP_OP_READ, id);
    op->bank = bank;
    op->word = (uint16_t)word;
    op->words = (uint16_t)words;
}

static void add_write(struct llrp_access *access, uint16_t id, enum llrp_bank bank, unsigned word,
                      struct slice data, uint32_t password) {
    struct llrp_access_op *op = add(access, LLRP_OP_WRITE, id);
    op->bank = bank;
    op->word = (uint16_t)word;
    op->data = data;
    op->password = password;
}

/* In two, because TIDs of four words are common, and a reading beyond a tag's end fails as a whole.
 */
void encoder_llrp_order_read_tid(struct llrp_access *access, uint16_t first) {
    add_read(access, first, LLRP_BANK_TID, 0, 4);
    add_read(access, (uint16_t)(first + 1), LLRP_BANK_TID, 4, 2);
}

static const struct llrp_result *result_of(const struct llrp_report *report, uint16_t id) {
    for (size_t i = 0; i < report->result_count; i++) {
        if (report->results[i].id == id) {
            return &report->results[i];
        }
    }
    return NULL;
}

static bool was_read(const struct llrp_result *result, size_t size) {
    return result != NULL && result->op == LLRP_OP_READ && result->result == LLRP_READ_OK &&
           result->data.size == size;
}

/* Whether four words are only the part of a TID that all chips of the model have in common: class
 * E2h, XTID bit set, and an XTID header (20h) whose top three bits announce a serial number from
 * 30h on (GS1 TDS 16.1 to 16.3). */
static bool serial_beyond(const uint8_t *head) {
    return head[0] == 0xe2 && (head[1] & 0x80) != 0 && head[4] >> 5 != 0;
}

void encoder_llrp_order_tid(const struct llrp_report *report, uint16_t first, struct tid *tid) {
    const struct llrp_result *head = result_of(report, first);
    const struct llrp_result *tail = result_of(report, (uint16_t)(first + 1));
    tid->size = 0;
    if (!was_read(head, 8)) {
        return;
    }
    memcpy(tid->data, head->data.data, 8);
    if (was_read(tail, 4)) {
        memcpy(tid->data + 8, tail->data.data, 4);
        tid->size = 12;
    } else if (!serial_beyond(tid->data) && tail != NULL && tail->op == LLRP_OP_READ &&
               (tail->result == LLRP_READ_TAG_ERROR || tail->result == LLRP_READ_OVERRUN)) {
        tid->size = 8; /* there is no more; silence would not say so */
    }
}

static void aim(struct llrp_access *access, const struct tid *tid, const struct epc *epc) {
    if (tid->size > 0) {
        access->bank = LLRP_BANK_TID;
        access->match = slice_of(tid->data, tid->size);
    } else {
        access->bank = LLRP_BANK_EPC;
        access->bit = BIT_EPC;
        access->match = slice_of(epc->data, epc->size);
    }
}

void encoder_llrp_order_access(struct encoder_llrp_order *order, struct llrp_access *access) {
    unsigned words = order->epc.size / 2U + 1;
    uint32_t password = order->has_password && !order->open ? order->password : 0;
    *access = (struct llrp_access){.once = true};
    aim(access, &order->tid, order->phase == ENCODER_LLRP_LOCK ? &order->epc : &order->old);
    if (order->phase == ENCODER_LLRP_LOCK) {
        for (int i = 0; i < 4; i++) {
            order->secret[i] = (uint8_t)(order->password >> (24 - 8 * i));
        }
        if (order->open) {
            add_write(access, OP_PASSWORD, LLRP_BANK_RESERVED, WORD_ACCESS_PASSWORD,
                      slice_of(order->secret, sizeof order->secret), 0);
        }
        add(access, LLRP_OP_LOCK, OP_LOCK)->password = order->password;
        return;
    }
    if (order->phase == ENCODER_LLRP_WRITE) {
        order->image[0] = (uint8_t)(order->pc >> 8);
        order->image[1] = (uint8_t)order->pc;
        memcpy(order->image + 2, order->epc.data, order->epc.size);
        add_write(access, OP_WRITE, LLRP_BANK_EPC, WORD_PC,
                  slice_of(order->image, order->epc.size + 2U), password);
    }
    add_read(access, OP_READ, LLRP_BANK_EPC, WORD_PC, words);
    encoder_llrp_order_read_tid(access, OP_TID);
    if (order->ops_max > 0 && access->op_count > order->ops_max) {
        access->op_count = order->ops_max; /* the TID comes last and can be done without */
    }
}

/* Takes what was read at OP_READ; true if it is what was to be written. */
static bool take_read(struct encoder_llrp_order *order, const struct llrp_report *report) {
    const struct llrp_result *result = result_of(report, OP_READ);
    if (!was_read(result, order->epc.size + 2U)) {
        return false;
    }
    order->read_pc = (uint16_t)(result->data.data[0] << 8 | result->data.data[1]);
    order->read.size = order->epc.size;
    memcpy(order->read.data, result->data.data + 2, order->epc.size);
    return order->read_pc == order->pc && encoder_llrp_epc_equal(&order->read, &order->epc);
}

static enum encoder_llrp_verdict right(struct encoder_llrp_order *order) {
    order->changed = true;
    if (order->lock) {
        order->phase = ENCODER_LLRP_LOCK;
        return ENCODER_LLRP_GO_ON;
    }
    return ENCODER_LLRP_WRITTEN;
}

/* Not certain: the tag has to be read again, if it can be found by what is known of it. */
static enum encoder_llrp_verdict look(struct encoder_llrp_order *order, bool half) {
    order->changed = true;
    if (half && order->tid.size == 0) {
        return ENCODER_LLRP_FAILED; /* its EPC is neither the old nor the new one */
    }
    order->phase = ENCODER_LLRP_LOOK;
    return ENCODER_LLRP_GO_ON;
}

/* The write went well, says the reader. */
static enum encoder_llrp_verdict read_back(struct encoder_llrp_order *order,
                                           const struct llrp_report *report) {
    struct tid tid;
    encoder_llrp_order_tid(report, OP_TID, &tid);
    if (order->tid.size > 0 && tid.size > 0 && !encoder_llrp_tid_equal(&order->tid, &tid)) {
        order->changed = true;
        return fail(order, "two", "another tag answered than the one that was meant");
    }
    order->tid = tid.size > 0 ? tid : order->tid;
    if (take_read(order, report)) {
        return right(order);
    }
    fail(order, "weak", "written, but not read back as written");
    return look(order, true);
}

static enum encoder_llrp_verdict after_write(struct encoder_llrp_order *order,
                                             const struct llrp_report *report) {
    /* `certain`: the tag itself has said that it did not write the word */
    static const struct {
        const char *why;
        bool certain;
        const char *text;
    } meanings[] = {
        [LLRP_WRITE_OVERRUN] = {"locked", true, "the chip's memory is too small for this EPC"},
        [LLRP_WRITE_LOCKED] = {"locked", true, "the chip's EPC is locked"},
        [LLRP_WRITE_LOW_POWER] = {"weak", true, "the chip has too little power to write"},
        [LLRP_WRITE_TAG_ERROR] = {"weak", false, "the chip did not write"},
        [LLRP_WRITE_NO_RESPONSE] = {"gone", false, "the chip fell silent"},
        [LLRP_WRITE_READER_ERROR] = {"reader", false, "the reader failed"},
        [LLRP_WRITE_PASSWORD] = {"password", true, "the chip refuses the access password"},
    };
    const struct llrp_result *write = result_of(report, OP_WRITE);
    if (write == NULL || write->op != LLRP_OP_WRITE) {
        fail(order, "reader", "the reader gave no result of the write");
        return look(order, false);
    }
    if (write->result == LLRP_WRITE_OK) {
        return read_back(order, report);
    }
    bool half = write->words > 0;
    if (write->result == LLRP_WRITE_LOCKED && order->open && !half) {
        order->open = false; /* it was locked before: with this password, or it stays so */
        return ENCODER_LLRP_GO_ON;
    }
    size_t known = sizeof meanings / sizeof meanings[0];
    size_t meaning = write->result < known ? write->result : LLRP_WRITE_READER_ERROR;
    fail(order, meanings[meaning].why, "");
    snprintf(order->text, sizeof order->text, "%s: result %u, %u of %u words written",
             meanings[meaning].text, write->result, write->words, order->epc.size / 2U + 1);
    return half || !meanings[meaning].certain ? look(order, half) : ENCODER_LLRP_FAILED;
}

static bool as_before(const struct encoder_llrp_order *order) {
    size_t size = order->old.size < order->read.size ? order->old.size : order->read.size;
    return (!order->has_old_pc || order->read_pc == order->old_pc) &&
           order->read_pc >> 11 == order->old.size / 2 &&
           memcmp(order->read.data, order->old.data, size) == 0;
}

static enum encoder_llrp_verdict after_look(struct encoder_llrp_order *order,
                                            const struct llrp_report *report) {
    if (take_read(order, report)) {
        return right(order);
    }
    const struct llrp_result *read = result_of(report, OP_READ);
    if (!was_read(read, order->epc.size + 2U)) {
        return ENCODER_LLRP_FAILED; /* why and text are those of the write */
    }
    order->changed = !as_before(order);
    if (strcmp(order->why, "gone") != 0) {
        return ENCODER_LLRP_FAILED;
    }
    if (!order->changed && order->has_password && !order->open) {
        /* it answers, but not after the password: LLRP 1.0.1 has no code for that */
        return fail(order, "password", "the chip does not answer after the access password");
    }
    order->why = "weak"; /* it fell silent, and is there */
    return ENCODER_LLRP_FAILED;
}

static enum encoder_llrp_verdict after_lock(struct encoder_llrp_order *order,
                                            const struct llrp_report *report) {
    static const char *const whys[] = {"",       "weak",     "weak",   "gone",
                                       "reader", "password", "locked", "locked"};
    const struct llrp_result *lock = result_of(report, OP_LOCK);
    if (lock != NULL && lock->op == LLRP_OP_LOCK) {
        if (lock->result == LLRP_LOCK_OK) {
            return ENCODER_LLRP_WRITTEN;
        }
        fail(order, lock->result < sizeof whys / sizeof whys[0] ? whys[lock->result] : "reader",
             "");
        snprintf(order->text, sizeof order->text,
                 "written and read back right, but not locked: result %u", lock->result);
        return ENCODER_LLRP_FAILED;
    }
    const struct llrp_result *password = result_of(report, OP_PASSWORD);
    bool locked = password != NULL && password->result == LLRP_WRITE_LOCKED;
    return fail(order, locked ? "locked" : "weak",
                "written and read back right, but it did not take the access password");
}

enum encoder_llrp_verdict encoder_llrp_order_report(struct encoder_llrp_order *order,
                                                    const struct llrp_report *report) {
    switch (order->phase) {
    case ENCODER_LLRP_WRITE:
        return after_write(order, report);
    case ENCODER_LLRP_LOOK:
        return after_look(order, report);
    case ENCODER_LLRP_LOCK:
    default:
        return after_lock(order, report);
    }
}

enum encoder_llrp_verdict encoder_llrp_order_unmet(struct encoder_llrp_order *order,
                                                   bool vanished) {
    switch (order->phase) {
    case ENCODER_LLRP_WRITE:
        if (vanished) {
            fail(order, "reader", "the reader dropped the order without a result");
            return look(order, true);
        }
        return fail(order, "gone", "the tag was not heard, nothing was written");
    case ENCODER_LLRP_LOOK:
        return ENCODER_LLRP_FAILED;
    case ENCODER_LLRP_LOCK:
    default:
        return fail(order, vanished ? "reader" : "gone",
                    "written and read back right, but the tag left before it was locked");
    }
}
