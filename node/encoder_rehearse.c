/*
 * encoder_rehearse.c: an encoder without hardware, for training and tests: blank tags with invented
 * TIDs lie on an antenna that is not there, are written, taken away, and followed by the next.
 *
 * `rehearse:KEY=NUMBER,...`: away=MS a written tag is taken away after that time (600), next=MS
 * later the next lies there (300), slow=MS a write takes (40), idle=MS a blank tag that nobody
 * wants is taken away after that time (12000), for a desk may want another tag than the one it has
 * looked at; and faults, each at the N-th order to write: fail=N too weak, nothing changed; torn=N
 * changed in part (both are lifted and laid down again); two=N two tags lie there for two seconds;
 * leave=N the tag leaves during the write, and is laid down again; die=N the process ends after the
 * tag was written and before it says so; mute=N it says nothing any more after the tag was written;
 * hang=N the same before; deaf=N it goes on saying what lies there and answers nothing; junk=N it
 * talks nonsense; flood=N it talks without end. state=FILE keeps what lies there and how many
 * orders there were, over the ends of the process. Its own process; it must never touch a station's
 * folder.
 */
#include <inttypes.h>
#include <jansson.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <time.h>
#include <unistd.h>

#include "node/encoder_line.h"

enum { FIELD_MS = 500, TWO_MS = 2000, LINE_MAX_BYTES = 4096, EPC_DIGITS = 2 * EPC_SIZE_MAX };

struct settings {
    long away, next, slow, idle, fail, torn, two, leave, die, mute, hang, deaf, junk, flood;
    char state[256];
};
struct lying {
    bool there;
    uint64_t serial;
    char epc[EPC_DIGITS + 1], pc[5];
};
struct rehearsal {
    struct settings settings;
    struct lying tag;
    bool lifted;     /* the same tag is laid down again, as a person does after a failure */
    uint64_t orders; /* to write, since ever */
    int64_t laid_at, written_at, taken_at, two_until, field_at;
    json_t *open; /* the order in hand */
    int64_t open_until;
};

static int64_t now_ms(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* ---- settings and what is kept ---- */

static bool read_setting(struct settings *settings, const char *word) {
    const struct {
        const char *name;
        long *value;
    } numbers[] = {
        {"away", &settings->away}, {"next", &settings->next},   {"slow", &settings->slow},
        {"idle", &settings->idle}, {"fail", &settings->fail},   {"torn", &settings->torn},
        {"two", &settings->two},   {"leave", &settings->leave}, {"mute", &settings->mute},
        {"die", &settings->die},   {"hang", &settings->hang},   {"deaf", &settings->deaf},
        {"junk", &settings->junk}, {"flood", &settings->flood},
    };
    const char *value = strchr(word, '=');
    size_t length = value == NULL ? 0 : (size_t)(value - word);
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
        if (strlen(numbers[i].name) == length && strncmp(word, numbers[i].name, length) == 0) {
            *numbers[i].value = strtol(value + 1, NULL, 10);
            return true;
        }
    }
    if (length == 5 && strncmp(word, "state", length) == 0) {
        snprintf(settings->state, sizeof settings->state, "%s", value + 1);
        return true;
    }
    return false;
}

static bool read_settings(struct settings *settings, const char *args) {
    char words[ENCODER_SPEC_MAX];
    char *rest = NULL;
    bool good = true;
    *settings = (struct settings){.away = 600, .next = 300, .slow = 40, .idle = 12000};
    snprintf(words, sizeof words, "%s", args);
    for (char *word = strtok_r(words, ",", &rest); word != NULL;
         word = strtok_r(NULL, ",", &rest)) {
        if (!read_setting(settings, word)) {
            fprintf(stderr, "There is no setting %s.\n", word);
            good = false;
        }
    }
    return good;
}

/* So that what lies on the antenna outlives the process, as a real tag does. */
static void keep(const struct rehearsal *rehearsal) {
    if (rehearsal->settings.state[0] == '\0') {
        return;
    }
    FILE *file = fopen(rehearsal->settings.state, "w");
    if (file != NULL) {
        fprintf(file, "%" PRIu64 " %d %" PRIu64 " %s %s\n", rehearsal->orders,
                rehearsal->tag.there ? 1 : 0, rehearsal->tag.serial, rehearsal->tag.epc,
                rehearsal->tag.pc);
        fclose(file);
    }
}

static void lay_next(struct rehearsal *rehearsal) {
    rehearsal->tag.there = true;
    rehearsal->laid_at = now_ms();
    if (rehearsal->lifted) {
        rehearsal->lifted = false;
        keep(rehearsal);
        return;
    }
    rehearsal->tag.serial++;
    snprintf(rehearsal->tag.epc, sizeof rehearsal->tag.epc, "%024d", 0);
    snprintf(rehearsal->tag.pc, sizeof rehearsal->tag.pc, "3000");
    keep(rehearsal);
}

static bool is_blank(const struct lying *tag) {
    return strspn(tag->epc, "0") == strlen(tag->epc);
}

static void recall(struct rehearsal *rehearsal) {
    struct timespec now;
    int there = 0;
    FILE *file =
        rehearsal->settings.state[0] == '\0' ? NULL : fopen(rehearsal->settings.state, "r");
    struct lying *tag = &rehearsal->tag;
    bool kept =
        file != NULL && fscanf(file, "%" SCNu64 " %d %" SCNu64 " %124s %4s", &rehearsal->orders,
                               &there, &tag->serial, tag->epc, tag->pc) == 5;
    if (file != NULL) {
        fclose(file);
    }
    tag->there = there != 0;
    rehearsal->laid_at = now_ms();
    if (!kept) { /* serials that no earlier rehearsal has given */
        clock_gettime(CLOCK_REALTIME, &now);
        tag->serial = ((uint64_t)now.tv_sec << 16) + (uint64_t)(now.tv_nsec / 1000000);
        lay_next(rehearsal);
    }
    if (!tag->there || !is_blank(tag)) {
        rehearsal->written_at = now_ms();
    }
}

/* ---- words ---- */

static void say(json_t *object) {
    json_dumpf(object, stdout, JSON_COMPACT);
    fputc('\n', stdout);
    fflush(stdout);
    json_decref(object);
}

/* Class E2h, no designer, model FFFh: of no chip that exists. */
static json_t *tag_json(const struct lying *tag, uint64_t further) {
    char tid[32];
    snprintf(tid, sizeof tid, "E2000FFF%016" PRIX64, tag->serial + further);
    return json_pack("{s:s, s:s, s:s}", "epc", further == 0 ? tag->epc : "000000000000000000000000",
                     "tid", tid, "pc", further == 0 ? tag->pc : "3000");
}

static void say_field(struct rehearsal *rehearsal, int64_t now) {
    json_t *tags = json_array();
    if (rehearsal->tag.there) {
        json_array_append_new(tags, tag_json(&rehearsal->tag, 0));
    }
    if (now < rehearsal->two_until) {
        json_array_append_new(tags, tag_json(&rehearsal->tag, 1000000));
    }
    say(json_pack("{s:s, s:o}", "say", "field", "tags", tags));
    rehearsal->field_at = now + FIELD_MS;
}

static void say_failed(json_int_t order, const char *why, bool changed, const char *text) {
    say(json_pack("{s:s, s:I, s:s, s:b, s:s}", "say", "failed", "order", order, "why", why,
                  "changed", changed, "text", text));
}

/* ---- faults ---- */

static bool is_due(const struct rehearsal *rehearsal, long at) {
    return at > 0 && rehearsal->orders == (uint64_t)at;
}

static void stop_speaking(void) {
    prctl(PR_SET_PDEATHSIG, SIGKILL); /* who does not read its input must not outlive the node */
    for (;;) {
        pause();
    }
}

static void misbehave(struct rehearsal *rehearsal) {
    const struct settings *settings = &rehearsal->settings;
    if (is_due(rehearsal, settings->hang)) {
        stop_speaking();
    }
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    while (is_due(rehearsal, settings->deaf)) {
        say_field(rehearsal, now_ms());
        poll(NULL, 0, FIELD_MS);
    }
    while (is_due(rehearsal, settings->junk)) {
        printf("%%%% not a line of the protocol\n");
        fflush(stdout);
        poll(NULL, 0, 20);
    }
    while (is_due(rehearsal, settings->flood)) {
        say(json_pack("{s:s, s:s}", "say", "typed", "text", "1"));
    }
}

/* ---- writing ---- */

static void put_on_tag(struct rehearsal *rehearsal, const char *epc, const char *pc) {
    snprintf(rehearsal->tag.epc, sizeof rehearsal->tag.epc, "%s", epc == NULL ? "" : epc);
    snprintf(rehearsal->tag.pc, sizeof rehearsal->tag.pc, "%s", pc == NULL ? "3000" : pc);
    keep(rehearsal);
}

/* The time that a write takes is over. */
static void finish_order(struct rehearsal *rehearsal, int64_t now) {
    const struct settings *settings = &rehearsal->settings;
    json_t *order = rehearsal->open;
    json_int_t number = json_integer_value(json_object_get(order, "order"));
    const char *epc = json_string_value(json_object_get(order, "epc"));
    rehearsal->open = NULL;
    if (is_due(rehearsal, settings->fail)) {
        rehearsal->lifted = true;
        rehearsal->written_at = now;
        say_failed(number, "weak", false, "rehearsed: too weak");
    } else if (is_due(rehearsal, settings->torn)) {
        put_on_tag(rehearsal, "FFFF00000000000000000000", "3000");
        rehearsal->lifted = true;
        rehearsal->written_at = now;
        say_failed(number, "weak", true, "rehearsed: torn in the middle");
    } else if (is_due(rehearsal, settings->leave)) {
        rehearsal->tag.there = false;
        rehearsal->lifted = true;
        rehearsal->taken_at = now;
        keep(rehearsal);
        say_failed(number, "gone", true, "rehearsed: it left during the write");
    } else {
        rehearsal->lifted = false;
        put_on_tag(rehearsal, epc, json_string_value(json_object_get(order, "pc")));
        if (is_due(rehearsal, settings->die)) {
            _exit(1);
        }
        if (is_due(rehearsal, settings->mute)) {
            stop_speaking();
        }
        say(json_pack("{s:s, s:I, s:o}", "say", "written", "order", number, "tag",
                      tag_json(&rehearsal->tag, 0)));
        rehearsal->written_at = now;
    }
    json_decref(order);
    say_field(rehearsal, now);
}

static void take_order(struct rehearsal *rehearsal, json_t *order, int64_t now) {
    json_int_t number = json_integer_value(json_object_get(order, "order"));
    rehearsal->orders++;
    rehearsal->laid_at = now;
    keep(rehearsal);
    misbehave(rehearsal);
    if (is_due(rehearsal, rehearsal->settings.two)) {
        rehearsal->two_until = now + TWO_MS;
        say_failed(number, "two", false, "rehearsed: two tags answer");
        say_field(rehearsal, now);
    } else if (!rehearsal->tag.there) {
        say_failed(number, "gone", false, "nothing lies there");
    } else if (rehearsal->open != NULL) {
        say_failed(number, "reader", false, "one order at a time");
    } else {
        rehearsal->open = json_incref(order);
        rehearsal->open_until = now + rehearsal->settings.slow;
    }
}

static void take_line(struct rehearsal *rehearsal, const char *line, size_t size, int64_t now) {
    json_t *order = json_loadb(line, size, 0, NULL);
    const char *what = json_string_value(json_object_get(order, "do"));
    if (what != NULL && strcmp(what, "start") == 0) {
        say(json_pack("{s:s, s:i, s:s, s:[s, s]}", "say", "ready", "protocol",
                      (int)ENCODER_PROTOCOL, "name", "rehearsal without hardware", "can", "write",
                      "tid"));
        say_field(rehearsal, now);
    } else if (what != NULL && strcmp(what, "write") == 0) {
        take_order(rehearsal, order, now);
    } else if (what != NULL && strcmp(what, "forget") == 0) {
        json_int_t number = json_integer_value(json_object_get(order, "order"));
        if (rehearsal->open != NULL &&
            json_integer_value(json_object_get(rehearsal->open, "order")) == number) {
            json_decref(rehearsal->open);
            rehearsal->open = NULL;
            say_failed(number, "stopped", false, "called back in time");
        }
    }
    json_decref(order);
}

/* ---- time ---- */

/* The desk may wait for another tag than this one, and whoever rehearses cannot take it away. */
static bool is_idle(const struct rehearsal *rehearsal, int64_t now) {
    return rehearsal->tag.there && rehearsal->open == NULL && rehearsal->written_at == 0 &&
           is_blank(&rehearsal->tag) && now >= rehearsal->laid_at + rehearsal->settings.idle;
}

static void pass_time(struct rehearsal *rehearsal, int64_t now) {
    const struct settings *settings = &rehearsal->settings;
    if (rehearsal->open != NULL && now >= rehearsal->open_until) {
        finish_order(rehearsal, now);
    }
    bool taken = rehearsal->tag.there && rehearsal->written_at != 0 &&
                 now >= rehearsal->written_at + settings->away;
    if (taken || is_idle(rehearsal, now)) {
        rehearsal->tag.there = false;
        rehearsal->written_at = 0;
        rehearsal->taken_at = now;
        keep(rehearsal);
        say_field(rehearsal, now);
    }
    if (!rehearsal->tag.there && now >= rehearsal->taken_at + settings->next) {
        lay_next(rehearsal);
        say_field(rehearsal, now);
    }
    if (now >= rehearsal->field_at) {
        say_field(rehearsal, now);
    }
}

static int until_due(const struct rehearsal *rehearsal, int64_t now) {
    int64_t due = rehearsal->field_at;
    if (rehearsal->open != NULL && rehearsal->open_until < due) {
        due = rehearsal->open_until;
    }
    if (rehearsal->tag.there && rehearsal->written_at != 0 &&
        rehearsal->written_at + rehearsal->settings.away < due) {
        due = rehearsal->written_at + rehearsal->settings.away;
    }
    if (!rehearsal->tag.there && rehearsal->taken_at + rehearsal->settings.next < due) {
        due = rehearsal->taken_at + rehearsal->settings.next;
    }
    return due <= now ? 0 : (int)(due - now);
}

/* Reads what is there and takes its whole lines; false at the end of the input. */
static bool read_lines(struct rehearsal *rehearsal, char *line, size_t *used) {
    ssize_t n = read(STDIN_FILENO, line + *used, LINE_MAX_BYTES - *used);
    if (n <= 0) {
        return false;
    }
    *used += (size_t)n;
    char *end = NULL;
    while ((end = memchr(line, '\n', *used)) != NULL) {
        size_t size = (size_t)(end - line);
        take_line(rehearsal, line, size, now_ms());
        *used -= size + 1;
        memmove(line, end + 1, *used);
    }
    return *used < LINE_MAX_BYTES;
}

int encoder_rehearse(const char *args) {
    struct rehearsal rehearsal = {0};
    char line[LINE_MAX_BYTES];
    size_t used = 0;
    bool goes_on = read_settings(&rehearsal.settings, args);
    if (!goes_on) {
        return (int)ERROR_CLASS_INPUT;
    }
    rehearsal.field_at = INT64_MAX; /* nothing is said before the first line has come */
    recall(&rehearsal);
    while (goes_on) {
        struct pollfd input = {.fd = STDIN_FILENO, .events = POLLIN};
        int64_t now = now_ms();
        int wait = rehearsal.field_at == INT64_MAX ? -1 : until_due(&rehearsal, now);
        if (poll(&input, 1, wait) > 0) {
            goes_on = read_lines(&rehearsal, line, &used);
        }
        if (rehearsal.field_at != INT64_MAX) {
            pass_time(&rehearsal, now_ms());
        }
    }
    json_decref(rehearsal.open);
    return 0;
}
