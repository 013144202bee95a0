/*
 * keyboard.h: what keys of a keyboard with the US layout mean, for scanners that pose as one.
 *
 * A scanner set to another layout sends other keys for the same barcode, and no program can tell:
 * it must be set to US. Caps Lock and Num Lock do not matter here. One thread; no I/O.
 */
#ifndef BIBWEAVE_KEYBOARD_H
#define BIBWEAVE_KEYBOARD_H

#include <stdbool.h>
#include <stdint.h>

struct keyboard {
    bool held[6]; /* both Shift, both Ctrl, both Alt */
};

enum keyboard_says {
    KEYBOARD_NOTHING = 0,
    KEYBOARD_BYTE,
    KEYBOARD_STRANGE, /* a key that is no character: what is being typed is not to be trusted */
    KEYBOARD_LOST,    /* the kernel dropped keys, which is the same */
};

/* Takes one event of linux/input.h. With KEYBOARD_BYTE *byte is a character, or CR, Tab, Backspace,
 * Escape, or with Ctrl a control character. A key that repeats because it is held counts once. */
enum keyboard_says keyboard_take(struct keyboard *keyboard, uint16_t type, uint16_t code,
                                 int32_t value, uint8_t *byte) __attribute__((nonnull));

#endif
