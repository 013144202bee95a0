/*
 * keyboard.c: see keyboard.h. Codes are those of linux/input-event-codes.h.
 * Must never leave out a key in silence that might have been a character: a shorter number would
 * be another number.
 */
#include "node/keyboard.h"

#include <linux/input-event-codes.h>
#include <stddef.h>
#include <string.h>

static const struct {
    char plain, shifted;
} layout[KEY_KPDOT + 1] = {
    [KEY_1] = {'1', '!'},          [KEY_2] = {'2', '@'},           [KEY_3] = {'3', '#'},
    [KEY_4] = {'4', '$'},          [KEY_5] = {'5', '%'},           [KEY_6] = {'6', '^'},
    [KEY_7] = {'7', '&'},          [KEY_8] = {'8', '*'},           [KEY_9] = {'9', '('},
    [KEY_0] = {'0', ')'},          [KEY_MINUS] = {'-', '_'},       [KEY_EQUAL] = {'=', '+'},
    [KEY_Q] = {'q', 'Q'},          [KEY_W] = {'w', 'W'},           [KEY_E] = {'e', 'E'},
    [KEY_R] = {'r', 'R'},          [KEY_T] = {'t', 'T'},           [KEY_Y] = {'y', 'Y'},
    [KEY_U] = {'u', 'U'},          [KEY_I] = {'i', 'I'},           [KEY_O] = {'o', 'O'},
    [KEY_P] = {'p', 'P'},          [KEY_LEFTBRACE] = {'[', '{'},   [KEY_RIGHTBRACE] = {']', '}'},
    [KEY_A] = {'a', 'A'},          [KEY_S] = {'s', 'S'},           [KEY_D] = {'d', 'D'},
    [KEY_F] = {'f', 'F'},          [KEY_G] = {'g', 'G'},           [KEY_H] = {'h', 'H'},
    [KEY_J] = {'j', 'J'},          [KEY_K] = {'k', 'K'},           [KEY_L] = {'l', 'L'},
    [KEY_SEMICOLON] = {';', ':'},  [KEY_APOSTROPHE] = {'\'', '"'}, [KEY_GRAVE] = {'`', '~'},
    [KEY_BACKSLASH] = {'\\', '|'}, [KEY_Z] = {'z', 'Z'},           [KEY_X] = {'x', 'X'},
    [KEY_C] = {'c', 'C'},          [KEY_V] = {'v', 'V'},           [KEY_B] = {'b', 'B'},
    [KEY_N] = {'n', 'N'},          [KEY_M] = {'m', 'M'},           [KEY_COMMA] = {',', '<'},
    [KEY_DOT] = {'.', '>'},        [KEY_SLASH] = {'/', '?'},       [KEY_SPACE] = {' ', ' '},
    [KEY_ENTER] = {'\r', '\r'},    [KEY_TAB] = {'\t', '\t'},       [KEY_BACKSPACE] = {'\b', '\b'},
    [KEY_ESC] = {'\x1B', '\x1B'},  [KEY_KPASTERISK] = {'*', '*'},  [KEY_KP7] = {'7', '7'},
    [KEY_KP8] = {'8', '8'},        [KEY_KP9] = {'9', '9'},         [KEY_KPMINUS] = {'-', '-'},
    [KEY_KP4] = {'4', '4'},        [KEY_KP5] = {'5', '5'},         [KEY_KP6] = {'6', '6'},
    [KEY_KPPLUS] = {'+', '+'},     [KEY_KP1] = {'1', '1'},         [KEY_KP2] = {'2', '2'},
    [KEY_KP3] = {'3', '3'},        [KEY_KP0] = {'0', '0'},         [KEY_KPDOT] = {'.', '.'},
};

/* The place of a key that is held in keyboard->held; -1 for others. */
static int held_key(uint16_t code) {
    static const uint16_t keys[] = {KEY_LEFTSHIFT, KEY_RIGHTSHIFT, KEY_LEFTCTRL,
                                    KEY_RIGHTCTRL, KEY_LEFTALT,    KEY_RIGHTALT};
    for (int i = 0; i < (int)(sizeof(keys) / sizeof(keys[0])); i++) {
        if (keys[i] == code) {
            return i;
        }
    }
    return -1;
}

/* Keys that never stand for a character: locks, function keys, and those of media and windows. */
static bool means_nothing(uint16_t code) {
    return code == KEY_CAPSLOCK || code == KEY_NUMLOCK || code == KEY_SCROLLLOCK ||
           (code >= KEY_F1 && code <= KEY_F10) || code == KEY_F11 || code == KEY_F12 ||
           code == KEY_LEFTMETA || code == KEY_RIGHTMETA || code >= BTN_MISC ||
           (code >= KEY_MUTE && code <= KEY_POWER) || code == KEY_RESERVED;
}

static char character(uint16_t code, bool shift) {
    switch (code) {
    case KEY_KPENTER:
        return '\r';
    case KEY_KPSLASH:
        return '/';
    default:
        break;
    }
    if (code >= sizeof(layout) / sizeof(layout[0])) {
        return '\0';
    }
    return shift ? layout[code].shifted : layout[code].plain;
}

enum keyboard_says keyboard_take(struct keyboard *keyboard, uint16_t type, uint16_t code,
                                 int32_t value, uint8_t *byte) {
    if (type == EV_SYN && code == SYN_DROPPED) {
        memset(keyboard, 0, sizeof(*keyboard));
        return KEYBOARD_LOST;
    }
    int held = type == EV_KEY ? held_key(code) : -1;
    if (held >= 0) {
        keyboard->held[held] = value != 0;
    }
    if (type != EV_KEY || held >= 0 || value != 1 || means_nothing(code)) {
        return KEYBOARD_NOTHING;
    }
    bool shift = keyboard->held[0] || keyboard->held[1];
    bool control = keyboard->held[2] || keyboard->held[3];
    bool alt = keyboard->held[4] || keyboard->held[5];
    char plain = character(code, shift);
    if (plain == '\0' || alt) {
        return KEYBOARD_STRANGE;
    }
    *byte = control ? (uint8_t)((unsigned char)plain & 0x1FU) : (uint8_t)plain;
    return KEYBOARD_BYTE;
}
