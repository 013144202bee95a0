/*
 * script_mutate.c: libFuzzer's mutator for scripts: acts are put in, taken out, doubled, moved, and
 * changed inside, so that the rest of a script keeps its meaning.
 */
#include "tests/fuzz/fuzz.h"
#include "tests/fuzz/script.h"

#include <string.h>

enum { ACTS_CUT_MAX = 256, FRESH_MAX = 12 };

struct cut {
    struct {
        size_t start, end;
    } act[ACTS_CUT_MAX];
    size_t count;
};

static struct cut cut_script(struct slice script) {
    struct cut cut = {.count = 0};
    size_t at = 0;
    while (script.size - at >= 3 && cut.count < ACTS_CUT_MAX) {
        size_t length = (size_t)(script.data[at + 1] | script.data[at + 2] << 8);
        size_t left = script.size - at - 3;
        cut.act[cut.count].start = at;
        at += 3 + (length < left ? length : left);
        cut.act[cut.count++].end = at;
    }
    return cut;
}

static void put_act(struct buffer *out, uint8_t code, struct slice bytes) {
    uint8_t head[3] = {code, (uint8_t)bytes.size, (uint8_t)(bytes.size >> 8)};
    buffer_append(out, head, sizeof head);
    buffer_append_slice(out, bytes);
}

static void put_fresh(struct buffer *out, struct fuzz_chance *chance) {
    uint8_t bytes[FRESH_MAX];
    for (size_t i = 0; i < sizeof bytes; i++) {
        bytes[i] = (uint8_t)fuzz_below(chance, fuzz_below(chance, 3) == 0 ? 256 : 9);
    }
    uint8_t code = (uint8_t)fuzz_below(chance, ACT_COUNT);
    code |= fuzz_below(chance, 8) == 0 ? ACT_TAMPER : 0;
    put_act(out, code, slice_of(bytes, fuzz_below(chance, sizeof bytes + 1)));
}

/* The act's bytes change; its length follows. Raw messages are CBOR. */
static void change_act(struct buffer *script, size_t start, size_t end,
                       struct fuzz_chance *chance) {
    struct buffer bytes, act;
    uint8_t code = script->data[start];
    buffer_init(&bytes);
    buffer_init(&act);
    buffer_append(&bytes, script->data + start + 3, end - start - 3);
    if (code % ACT_COUNT == ACT_RAW && bytes.size > 2 && fuzz_below(chance, 4) > 0) {
        struct buffer message;
        buffer_init(&message);
        buffer_append(&message, bytes.data + 1, bytes.size - 1);
        fuzz_mutate_cbor(&message, chance);
        bytes.size = 1;
        buffer_append_slice(&bytes, buffer_slice(&message));
        buffer_release(&message);
    } else if (buffer_reserve(&bytes, 16)) {
        bytes.size = LLVMFuzzerMutate(bytes.data, bytes.size, bytes.size + 16);
    }
    bytes.size = bytes.size > UINT16_MAX ? UINT16_MAX : bytes.size;
    put_act(&act, code, buffer_slice(&bytes));
    fuzz_splice(script, start, end - start, buffer_slice(&act));
    buffer_release(&bytes);
    buffer_release(&act);
}

static void change_script(struct buffer *script, struct fuzz_chance *chance) {
    struct cut cut = cut_script(buffer_slice(script));
    struct buffer piece;
    buffer_init(&piece);
    size_t at = fuzz_below(chance, (uint32_t)cut.count + 1);
    size_t other = cut.count == 0 ? 0 : fuzz_below(chance, (uint32_t)cut.count);
    size_t place =
        at == cut.count ? (cut.count == 0 ? 0 : cut.act[cut.count - 1].end) : cut.act[at].start;
    switch (fuzz_below(chance, at == cut.count ? 2 : 6)) {
    case 0:
        put_fresh(&piece, chance);
        fuzz_splice(script, place, 0, buffer_slice(&piece));
        break;
    case 1:
        if (cut.count > 0) {
            buffer_append(&piece, script->data + cut.act[other].start,
                          cut.act[other].end - cut.act[other].start);
            fuzz_splice(script, place, 0, buffer_slice(&piece));
        }
        break;
    case 2:
        fuzz_splice(script, place, cut.act[at].end - place, slice_of(NULL, 0));
        break;
    default:
        change_act(script, place, cut.act[at].end, chance);
        break;
    }
    buffer_release(&piece);
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t size_max, unsigned seed) {
    struct fuzz_chance chance = fuzz_chance_of(seed);
    struct buffer script;
    if (fuzz_below(&chance, 10) == 0) {
        return LLVMFuzzerMutate(data, size, size_max);
    }
    buffer_init(&script);
    buffer_append(&script, data, size);
    for (uint32_t i = fuzz_below(&chance, 3) + 1; i > 0; i--) {
        change_script(&script, &chance);
    }
    size_t made = fuzz_hand_back(&script, data, size_max);
    buffer_release(&script);
    return made;
}
