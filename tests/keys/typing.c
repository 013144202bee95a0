/*
 * typing.c: what tests/keys needs besides the program. One process, one job:
 *   typing serial           a pseudo terminal in the place of a serial scanner: prints its path,
 * and what comes in goes out of the scanner; ends, as if unplugged, with it typing events GAP TEXT
 * the input events (struct input_event, this machine's) that a keyboard with the US layout gives
 * for TEXT, GAP milliseconds from key to key typing codes CODE:VALUE...   those events as they
 * stand
 */
#include <fcntl.h>
#include <linux/input.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static int serial(void) {
    char bytes[4096];
    int fd = posix_openpt(O_RDWR | O_NOCTTY);
    if (fd < 0 || grantpt(fd) != 0 || unlockpt(fd) != 0) {
        perror("posix_openpt");
        return 3;
    }
    printf("%s\n", ptsname(fd));
    fflush(stdout);
    for (ssize_t size; (size = read(STDIN_FILENO, bytes, sizeof(bytes))) > 0;) {
        if (write(fd, bytes, (size_t)size) != size) {
            return 3;
        }
    }
    return 0;
}

static long clock_us = 1000000;

static void put(unsigned type, unsigned code, int value) {
    struct input_event event;
    memset(&event, 0, sizeof(event));
    event.input_event_sec = clock_us / 1000000;
    event.input_event_usec = clock_us % 1000000;
    event.type = (__u16)type;
    event.code = (__u16)code;
    event.value = value;
    fwrite(&event, sizeof(event), 1, stdout);
}

static void put_key(unsigned code, bool shift) {
    if (shift) {
        put(EV_KEY, KEY_LEFTSHIFT, 1);
    }
    put(EV_MSC, MSC_SCAN, 0x70000);
    put(EV_KEY, code, 1);
    put(EV_SYN, SYN_REPORT, 0);
    put(EV_KEY, code, 0);
    if (shift) {
        put(EV_KEY, KEY_LEFTSHIFT, 0);
    }
    put(EV_SYN, SYN_REPORT, 0);
}

/* The rows of a US keyboard, written down apart from the program's own table. */
static int type_text(long gap_us, const char *text) {
    static const struct {
        unsigned first;
        const char *plain, *shifted;
    } rows[] = {{KEY_1, "1234567890-=", "!@#$%^&*()_+"},
                {KEY_Q, "qwertyuiop[]", "QWERTYUIOP{}"},
                {KEY_A, "asdfghjkl;'`", "ASDFGHJKL:\"~"},
                {KEY_BACKSLASH, "\\zxcvbnm,./", "|ZXCVBNM<>?"},
                {KEY_ENTER, "\r", ""},
                {KEY_TAB, "\t", ""},
                {KEY_SPACE, " ", ""}};
    for (const char *at = text; *at != '\0'; at++) {
        clock_us += gap_us;
        for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
            const char *plain = strchr(rows[i].plain, *at);
            const char *shifted = strchr(rows[i].shifted, *at);
            if (plain != NULL) {
                put_key(rows[i].first + (unsigned)(plain - rows[i].plain), false);
            } else if (shifted != NULL) {
                put_key(rows[i].first + (unsigned)(shifted - rows[i].shifted), true);
            }
        }
    }
    return 0;
}

static int put_codes(int count, char **words) {
    for (int i = 0; i < count; i++) {
        unsigned type = EV_KEY, code = 0;
        int value = 0;
        if (sscanf(words[i], "%u:%d", &code, &value) != 2) {
            return 2;
        }
        if (value == 3) { /* the kernel's own word for lost events */
            type = EV_SYN;
            value = 0;
        }
        clock_us += 8000;
        put(type, code, value);
    }
    return 0;
}

int main(int argc, char **argv) {
    if (argc == 2 && strcmp(argv[1], "serial") == 0) {
        return serial();
    }
    if (argc == 4 && strcmp(argv[1], "events") == 0) {
        return type_text(1000 * strtol(argv[2], NULL, 10), argv[3]);
    }
    if (argc > 2 && strcmp(argv[1], "codes") == 0) {
        return put_codes(argc - 2, argv + 2);
    }
    fprintf(stderr, "see the top of typing.c\n");
    return 2;
}
