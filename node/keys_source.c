/*
 * keys_source.c: see keys_source.h.
 * Must never go on with an input device that could not be grabbed: its keys would also go to
 * whatever window is in front.
 *
 * The tests run serial lines (on a pseudo terminal), FIFOs, and recorded input events through a
 * FIFO. Grabbing, names and hot-plugging of real input devices were not run on hardware.
 */
#include "node/keys_source.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

static const char devices[] = "/dev/input";

/* ---- the words behind `keys:` ---- */

static enum error_code read_baud(const char *value, speed_t *speed, struct error *err) {
    static const struct {
        const char *baud;
        speed_t speed;
    } known[] = {{"1200", B1200},   {"2400", B2400},   {"4800", B4800},   {"9600", B9600},
                 {"19200", B19200}, {"38400", B38400}, {"57600", B57600}, {"115200", B115200}};
    for (size_t i = 0; i < sizeof(known) / sizeof(known[0]); i++) {
        if (strcmp(known[i].baud, value) == 0) {
            *speed = known[i].speed;
            return ERR_OK;
        }
    }
    error_set(err, ERR_USAGE, "baud=%.40s", value);
    return error_say(err, "The speed of a serial scanner is 1200, 2400, 4800, 9600, 19200, 38400, "
                          "57600 or 115200 baud.");
}

static enum error_code read_word(const char *word, struct keys_place *place, struct error *err) {
    if (strncmp(word, "baud=", 5) == 0) {
        return read_baud(word + 5, &place->speed, err);
    }
    if (strcmp(word, "recorded") == 0) {
        place->recorded = true;
        return ERR_OK;
    }
    if (strncmp(word, "scanner=", 8) == 0 && word[8] != '\0') {
        int size = snprintf(place->scanner, sizeof(place->scanner), "%s", word + 8);
        return size < (int)sizeof(place->scanner)
                   ? ERR_OK
                   : error_set(err, ERR_LIMIT, "a scanner's name of %d bytes", size);
    }
    if (word[0] == '/') {
        int size = snprintf(place->device, sizeof(place->device), "%s", word);
        return size < (int)sizeof(place->device)
                   ? ERR_OK
                   : error_set(err, ERR_LIMIT, "a path of %d bytes", size);
    }
    if (strncmp(word, "prefix=", 7) == 0 || strncmp(word, "suffix=", 7) == 0 ||
        strncmp(word, "gap=", 4) == 0) {
        return keys_config_word(slice_text(word), &place->keys, err);
    }
    error_set(err, ERR_USAGE, "the word %.60s", word);
    return error_say(err, "A scanner is named by its device, like /dev/input/by-id/..., or by "
                          "scanner=NAME; behind commas go prefix=, suffix=, gap= and baud=.");
}

enum error_code keys_place_parse(const char *args, struct keys_place *place, struct error *err) {
    *place = (struct keys_place){.speed = B9600, .keys = keys_config_plain()};
    char *words = strdup(args);
    if (words == NULL) {
        return error_set(err, ERR_MEMORY, "keys:%.60s", args);
    }
    enum error_code code = ERR_OK;
    char *rest = words;
    for (char *word; code == ERR_OK && (word = strsep(&rest, ",")) != NULL;) {
        code = word[0] == '\0' ? ERR_OK : read_word(word, place, err);
    }
    if (code == ERR_OK && place->device[0] != '\0' && place->scanner[0] != '\0') {
        error_set(err, ERR_USAGE, "a device and scanner=");
        code = error_say(err, "Name the scanner by its device or by scanner=NAME, not by both.");
    }
    free(words);
    return code;
}

/* ---- input devices ---- */

static bool has_bit(const uint8_t *bits, unsigned bit) {
    return ((bits[bit / 8] >> (bit % 8)) & 1U) != 0;
}

/* Whether it can type a number and Enter, which keeps a scanner's other parts out. */
static bool can_type(int fd) {
    uint8_t keys[KEY_CNT / 8 + 1] = {0};
    return ioctl(fd, EVIOCGBIT(EV_KEY, sizeof(keys)), keys) >= 0 && has_bit(keys, KEY_1) &&
           has_bit(keys, KEY_0) && (has_bit(keys, KEY_ENTER) || has_bit(keys, KEY_TAB));
}

static void name_of(int fd, char *name, size_t size) {
    memset(name, 0, size);
    if (ioctl(fd, EVIOCGNAME(size - 1), name) < 0) {
        snprintf(name, size, "a device without a name");
    }
}

struct search {
    const char *part; /* "" matches all */
    size_t found;
    char device[300]; /* the last found */
    struct buffer names;
};

static void look_at(struct search *search, const char *entry) {
    char path[300], name[128];
    snprintf(path, sizeof(path), "%s/%s", devices, entry);
    int fd = open(path, O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0) {
        return;
    }
    name_of(fd, name, sizeof(name));
    if (can_type(fd) && strcasestr(name, search->part) != NULL) {
        search->found++;
        memcpy(search->device, path, sizeof(path));
        buffer_print(&search->names, "%s\"%s\"", search->names.size > 0 ? ", " : "", name);
    }
    close(fd);
}

static void look_at_all(struct search *search) {
    DIR *folder = opendir(devices);
    for (struct dirent *entry; folder != NULL && (entry = readdir(folder)) != NULL;) {
        if (strncmp(entry->d_name, "event", 5) == 0) {
            look_at(search, entry->d_name);
        }
    }
    if (folder != NULL) {
        closedir(folder);
    }
}

/* The device whose name holds place->scanner. Without a name it is not guessed which of the
 * keyboards is meant: grabbing the laptop's own would lock people out. */
static enum error_code find(const struct keys_place *place, char *device, size_t size,
                            struct error *err) {
    struct search search = {.part = place->scanner};
    buffer_init(&search.names);
    look_at_all(&search);
    int shown = search.names.size < 160 ? (int)search.names.size : 160;
    const char *names = shown > 0 ? (const char *)search.names.data : "none that may be read";
    enum error_code code = ERR_OK;
    if (place->scanner[0] == '\0') {
        error_set(err, ERR_USAGE, "seen here: %.*s", shown > 0 ? shown : 30, names);
        code = error_say(err, "Say which scanner: keys:/dev/input/by-id/... or keys:scanner=NAME.");
    } else if (search.found == 0) {
        error_set(err, ERR_NOT_FOUND, "no device in %s that types is named %.60s", devices,
                  place->scanner);
        code = error_say(err, "The scanner is not there. Plug it in.");
    } else if (search.found > 1) {
        error_set(err, ERR_USAGE, "%zu devices: %.*s", search.found, shown, names);
        code = error_say(err, "More than one device has that name. Give its path under "
                              "/dev/input/by-id instead.");
    } else {
        snprintf(device, size, "%s", search.device);
    }
    buffer_release(&search.names);
    return code;
}

static enum error_code grab(struct keys_source *source, const char *device, struct error *err) {
    int clock = CLOCK_MONOTONIC;
    if (!can_type(source->fd)) {
        error_set(err, ERR_USAGE, "%.200s has no digits and Enter", device);
        return error_say(err, "This device does not type. Choose another one.");
    }
    if (ioctl(source->fd, EVIOCGRAB, 1) < 0) {
        error_set(err, ERR_BUSY, "EVIOCGRAB on %.200s: %s", device, strerror(errno));
        return error_say(err, "Another program has taken the scanner for itself. End that one.");
    }
    /* Where the clock cannot be set its times still tell how fast the keys came. */
    (void)ioctl(source->fd, EVIOCSCLOCKID, &clock);
    source->grabbed = true;
    name_of(source->fd, source->name, sizeof(source->name));
    return ERR_OK;
}

/* ---- opening ---- */

static enum error_code open_error(const char *device, struct error *err) {
    int number = errno;
    files_error(err, number, "open", device);
    if (number == ENOENT || number == ENODEV || number == ENXIO || number == EIO) {
        error_set(err, ERR_NOT_FOUND, "%.200s: %s", device, strerror(number));
        return error_say(err, "The scanner is not there. Plug it in.");
    }
    if (number == EBUSY) {
        error_set(err, ERR_BUSY, "%.200s: %s", device, strerror(number));
        return error_say(err, "Another program has taken the scanner for itself. End that one.");
    }
    if (number == EACCES || number == EPERM) {
        return error_say(err, "The system does not let this user read the scanner. Put the user "
                              "into the group `input`, or `dialout` for a serial one, and log in "
                              "again.");
    }
    return err->code;
}

static enum error_code set_raw(int fd, speed_t speed, const char *device, struct error *err) {
    struct termios mode;
    if (tcgetattr(fd, &mode) != 0) {
        return open_error(device, err);
    }
    cfmakeraw(&mode);
    mode.c_cflag |= CLOCAL | CREAD;
    mode.c_cc[VMIN] = 1;
    mode.c_cc[VTIME] = 0;
    if (cfsetspeed(&mode, speed) != 0 || tcsetattr(fd, TCSANOW, &mode) != 0) {
        return open_error(device, err);
    }
    /* Nobody else shall take bytes away; where that is not known, nothing is lost. */
    (void)ioctl(fd, TIOCEXCL);
    (void)tcflush(fd, TCIFLUSH);
    return ERR_OK;
}

static enum error_code not_a_device(const char *device, struct error *err) {
    error_set(err, ERR_USAGE, "%.200s is no input device, serial line or FIFO", device);
    return error_say(err, "This is nothing that a scanner types into. Give its device, like "
                          "/dev/input/by-id/... or /dev/ttyACM0.");
}

/* A FIFO is opened for writing too: then it stays open when one who wrote to it ends. */
static enum error_code open_kind(const struct keys_place *place, const char *device,
                                 struct keys_source *source, struct error *err) {
    struct stat about;
    int version = 0;
    if (stat(device, &about) != 0) {
        return open_error(device, err);
    }
    if (!S_ISCHR(about.st_mode) && !S_ISFIFO(about.st_mode)) {
        return not_a_device(device, err);
    }
    source->fd = open(device, O_RDWR | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (source->fd < 0 && S_ISCHR(about.st_mode) && (errno == EACCES || errno == EROFS)) {
        source->fd = open(device, O_RDONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    }
    if (source->fd < 0) {
        return open_error(device, err);
    }
    snprintf(source->name, sizeof(source->name), "%.150s", device);
    if (S_ISFIFO(about.st_mode)) {
        source->events = place->recorded;
        return ERR_OK;
    }
    if (ioctl(source->fd, EVIOCGVERSION, &version) >= 0) {
        source->events = true;
        return grab(source, device, err);
    }
    return isatty(source->fd) != 0 ? set_raw(source->fd, place->speed, device, err)
                                   : not_a_device(device, err);
}

enum error_code keys_source_open(const struct keys_place *place, struct keys_source *source,
                                 struct error *err) {
    char found[FILES_PATH_MAX];
    const char *device = place->device;
    *source = (struct keys_source){.fd = -1};
    keys_init(&source->keys, &place->keys);
    if (device[0] == '\0') {
        enum error_code code = find(place, found, sizeof(found), err);
        if (code != ERR_OK) {
            return code;
        }
        device = found;
    }
    enum error_code code = open_kind(place, device, source, err);
    if (code != ERR_OK) {
        keys_source_close(source);
    }
    return code;
}

void keys_source_close(struct keys_source *source) {
    if (source->fd >= 0) {
        close(source->fd); /* which also ends the grab */
    }
    source->fd = -1;
}

/* ---- reading ---- */

static void take_byte(struct keys_source *source, uint8_t byte, struct mono_ms now,
                      keys_source_line *take, void *context) {
    struct keys_line line;
    if (keys_take(&source->keys, byte, now, &line)) {
        take(context, &line);
    }
}

static void take_event(struct keys_source *source, keys_source_line *take, void *context) {
    struct input_event event;
    uint8_t byte = 0;
    memcpy(&event, source->part, sizeof(event));
    struct mono_ms when = {(int64_t)event.input_event_sec * 1000 +
                           (int64_t)event.input_event_usec / 1000};
    switch (keyboard_take(&source->keyboard, event.type, event.code, event.value, &byte)) {
    case KEYBOARD_BYTE:
        take_byte(source, byte, when, take, context);
        break;
    case KEYBOARD_STRANGE:
    case KEYBOARD_LOST:
        keys_spoil(&source->keys, when);
        break;
    case KEYBOARD_NOTHING:
        break;
    }
}

enum error_code keys_source_read(struct keys_source *source, bool sparing, struct mono_ms now,
                                 keys_source_line *take, void *context, struct error *err) {
    /* Little at a time, so that whoever floods is met by the caller's count of lines. */
    uint8_t bytes[16 * sizeof(struct input_event)];
    size_t one = source->events ? sizeof(struct input_event) : 1;
    size_t room = sparing ? one : source->events ? sizeof(bytes) : 64;
    ssize_t size = read(source->fd, bytes, room);
    if (size < 0 && (errno == EAGAIN || errno == EINTR)) {
        return ERR_OK;
    }
    if (size <= 0) {
        error_set(err, ERR_NOT_FOUND, "%.200s: %s", source->name,
                  size == 0 ? "its line was hung up" : strerror(errno));
        return error_say(err, "The scanner was unplugged. Plug it in again.");
    }
    for (ssize_t i = 0; i < size; i++) {
        if (!source->events) {
            take_byte(source, bytes[i], now, take, context);
            continue;
        }
        source->part[source->part_size++] = bytes[i];
        if (source->part_size == sizeof(source->part)) {
            source->part_size = 0;
            take_event(source, take, context);
        }
    }
    return ERR_OK;
}
