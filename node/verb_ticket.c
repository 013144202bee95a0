/*
 * verb_ticket.c: `ticket`: makes tickets with which stations join over the network.
 * Must never leave a ticket good whose text nobody has got.
 */
#include <errno.h>
#include <sodium.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <time.h>

#include "node/files.h"
#include "node/qr.h"
#include "node/show.h"
#include "node/ticket_bibs.h"
#include "node/ticket_make.h"
#include "node/ticket_sheet.h"

enum {
    TICKETS_AT_ONCE = 512,
    ENTRIES_PER_RECORD = 8, /* each with up to 64 stretches of numbers: under 16 KiB */
    DEFAULT_DAYS = 14,
    HOURS_MAX = 24 * 366,
    CODES_ON_SHEET = 2,
};
#define HOUR_MS INT64_C(3600000)

struct slot {
    char name[RECORD_TEXT_MAX + 1];
    struct bib_ranges bibs;
    struct ticket_id id;
    uint8_t secret[TICKET_SECRET_SIZE];
    char text[TICKET_TEXT_MAX + 1];
    char about[300];
    char file[FILES_PATH_MAX]; /* that was written, or "" */
};
struct making {
    enum role role;
    struct wall_ms expires;
    char until[TICKET_WHEN_SIZE];
    size_t place_count, own_places;
    struct enter_place place[ENTER_PLACES_MAX];
    bool many, in_json; /* in_json: the sheets stand in the answer, and in no file */
    char out[FILES_PATH_MAX], svg[FILES_PATH_MAX]; /* or "" */
    enum files_over over;
    size_t count;
    struct slot *slot;
    struct buffer files; /* names of sheets and SVG files, each with a NUL */
    json_t *pages;       /* the sheets, if they are wanted in the answer */
};

/* ---- reading the command ---- */

static enum error_code read_role(const char *value, enum role *role, struct error *err) {
    *role = value != NULL && strcmp(value, "reader") == 0 ? ROLE_READER : ROLE_TABLE;
    if (value == NULL || strcmp(value, "table") == 0 || *role == ROLE_READER) {
        return ERR_OK;
    }
    error_set(err, ERR_USAGE, "--role %.60s", value);
    return error_say(err, "A ticket lets in a table or a reader; a lead is let in by files: join "
                          "--request, admit --role lead, join --grant.");
}

static bool all_digits(const char *text) {
    return text[0] != '\0' && strspn(text, "0123456789") == strlen(text);
}

/* A day ends when it ends, by this machine's time zone. */
static bool read_day(const char *value, struct wall_ms *when) {
    struct tm day = {.tm_isdst = -1, .tm_hour = 23, .tm_min = 59, .tm_sec = 59};
    const char *rest = strptime(value, "%Y-%m-%d", &day);
    if (rest != NULL && *rest != '\0') {
        rest = strptime(rest, *rest == 'T' ? "T%H:%M" : " %H:%M", &day);
        day.tm_sec = 0;
    }
    day.tm_isdst = -1;
    time_t seconds = rest != NULL && *rest == '\0' ? mktime(&day) : -1;
    when->ms = (int64_t)seconds * 1000;
    return seconds > 0;
}

static enum error_code read_expires(const char *value, struct wall_ms *when, struct error *err) {
    struct wall_ms now = station_wall();
    when->ms = now.ms + INT64_C(24) * DEFAULT_DAYS * HOUR_MS;
    if (value == NULL) {
        return ERR_OK;
    }
    bool good = false;
    if (all_digits(value) && strlen(value) <= 5) {
        long hours = strtol(value, NULL, 10);
        when->ms = now.ms + hours * HOUR_MS;
        good = hours > 0 && hours <= HOURS_MAX;
    } else {
        good = read_day(value, when) && when->ms > now.ms &&
               when->ms <= now.ms + (int64_t)HOURS_MAX * HOUR_MS;
    }
    if (good) {
        return ERR_OK;
    }
    error_set(err, ERR_USAGE, "--expires %.60s", value);
    return error_say(err, "A ticket ends within a year, and not in the past: --expires takes hours "
                          "(36), or a day (2027-05-16), or a day and a time (2027-05-16T20:00).");
}

static enum error_code read_count(const char *name, const char *value, uint64_t *count,
                                  struct error *err) {
    *count = 0;
    if (value == NULL) {
        return ERR_OK;
    }
    if (all_digits(value) && strlen(value) <= 9) {
        *count = strtoull(value, NULL, 10);
        return ERR_OK;
    }
    error_set(err, ERR_USAGE, "%s %.60s", name, value);
    return error_say(err, "%s takes a number.", name);
}

static enum error_code add_slot(struct making *making, const char *name, struct error *err) {
    if (making->count == TICKETS_AT_ONCE) {
        error_set(err, ERR_LIMIT, "more than %d tickets", TICKETS_AT_ONCE);
        return error_say(err, "At most %d tickets can be made at once.", TICKETS_AT_ONCE);
    }
    snprintf(making->slot[making->count++].name, RECORD_TEXT_MAX + 1, "%s", name);
    return ERR_OK;
}

static enum error_code add_tables(struct making *making, const char *tables, uint64_t spare,
                                  struct error *err) {
    struct bib_ranges ranges = {0};
    char name[40];
    enum error_code code =
        tables == NULL ? ERR_OK : bib_ranges_parse(slice_text(tables), &ranges, err);
    if (code != ERR_OK) {
        return error_say(err, "--tables takes the tables' numbers, like 1-20.");
    }
    for (size_t i = 0; i < ranges.count; i++) {
        for (uint64_t n = ranges.range[i].first; code == ERR_OK && n <= ranges.range[i].last; n++) {
            snprintf(name, sizeof(name), "Table %llu", (unsigned long long)n);
            code = add_slot(making, name, err);
        }
    }
    for (uint64_t n = 1; code == ERR_OK && n <= spare; n++) {
        snprintf(name, sizeof(name), "Spare %llu", (unsigned long long)n);
        code = add_slot(making, name, err);
    }
    return code;
}

/* What goes into --out and --svg or --sheet, as whole paths. */
static enum error_code read_files(struct verb_call *call, const struct options *options,
                                  struct making *making, struct error *err) {
    const char *out = options_value(options, "--out");
    const char *svg = options_value(options, making->many ? "--sheet" : "--svg");
    const char *wrong = making->many ? "--svg" : "--sheet";
    enum error_code code = ERR_OK;
    making->over = options_has(options, "--force") ? FILES_REPLACE : FILES_NEW;
    making->in_json = call->json && options_has(options, "--inline");
    if (options_has(options, wrong)) {
        error_set(err, ERR_USAGE, "%s", wrong);
        return error_say(err, making->many ? "For several tickets it is --sheet FILE.svg."
                                           : "For one ticket it is --svg FILE.svg.");
    }
    if (out != NULL) {
        code = files_path(call->cwd, out, making->out, err);
    }
    if (code == ERR_OK && svg != NULL) {
        code = files_path(call->cwd, svg, making->svg, err);
    }
    if (code == ERR_OK && options_has(options, "--inline") && !making->in_json) {
        error_set(err, ERR_USAGE, "--inline without --json");
        code = error_say(err, "--inline puts the pages to print into the answer for programs: add "
                              "--json, or take --sheet FILE.svg.");
    }
    return code;
}

static enum error_code read_names(const struct options *options, struct making *making,
                                  struct error *err) {
    const char *tables = options_value(options, "--tables");
    uint64_t spare = 0;
    enum error_code code = read_count("--spare", options_value(options, "--spare"), &spare, err);
    making->many = tables != NULL || spare > 0;
    if (code == ERR_OK && making->many == (options->rest_count > 0)) {
        error_set(err, ERR_USAGE, making->many ? "a name and --tables" : "no name");
        code = error_say(err, "Say whom the ticket is for (ticket \"Table 3\"), or make several "
                              "with --tables 1-20 --spare 3.");
    }
    if (code == ERR_OK && making->many && options_has(options, "--bibs")) {
        error_set(err, ERR_USAGE, "--bibs and --tables");
        code = error_say(err, "With --tables, numbers are given with --bibs-each N.");
    }
    if (code == ERR_OK && !making->many && options_has(options, "--bibs-each")) {
        error_set(err, ERR_USAGE, "--bibs-each without --tables");
        code = error_say(err, "For one ticket, numbers are given with --bibs RANGES.");
    }
    if (code == ERR_OK && making->many) {
        code = add_tables(making, tables, spare, err);
    } else if (code == ERR_OK) {
        code = options_text("the station's name", options->rest[0], RECORD_TEXT_MAX, err);
        if (code == ERR_OK) {
            code = add_slot(making, options->rest[0], err);
        }
    }
    if (code == ERR_OK && making->count == 0) {
        error_set(err, ERR_USAGE, "no ticket");
        code = error_say(err, "That would be no ticket at all.");
    }
    return code;
}

static enum error_code read_words(struct verb_call *call, const struct options *options,
                                  struct making *making, struct error *err) {
    const char *bibs = options_value(options, "--bibs");
    enum error_code code = read_role(options_value(options, "--role"), &making->role, err);
    if (code == ERR_OK) {
        code = read_expires(options_value(options, "--expires"), &making->expires, err);
    }
    if (code == ERR_OK) {
        code = read_names(options, making, err);
    }
    if (code == ERR_OK && bibs != NULL) {
        code = bib_ranges_parse(slice_text(bibs), &making->slot[0].bibs, err);
    }
    if (code == ERR_OK) {
        code = read_files(call, options, making, err);
    }
    ticket_when(making->expires, making->until);
    return code;
}

/* ---- what is there already ---- */

struct names {
    const struct making *making;
    struct wall_ms now;
    const char *taken; /* points into making */
    bool by_ticket;
};

static bool check_ticket(void *context, const struct pairs_ticket *ticket) {
    struct names *names = context;
    bool open = ticket->used == 0 && !ticket->cancelled && names->now.ms < ticket->expires.ms;
    for (size_t i = 0; open && names->taken == NULL && i < names->making->count; i++) {
        if (strcasecmp(names->making->slot[i].name, ticket->name) == 0) {
            names->taken = names->making->slot[i].name;
            names->by_ticket = true;
        }
    }
    return names->taken == NULL;
}

static bool check_station(void *context, const struct pairs_station *station) {
    struct names *names = context;
    bool in = station->role != ROLE_NONE && !station->dead && !station->stolen;
    for (size_t i = 0; in && names->taken == NULL && i < names->making->count; i++) {
        if (strcasecmp(names->making->slot[i].name, station->name) == 0) {
            names->taken = names->making->slot[i].name;
        }
    }
    return names->taken == NULL;
}

/* Two tables of one name could not be told apart, and the second to come would be refused. */
static enum error_code check_names(struct verb_call *call, const struct making *making,
                                   struct error *err) {
    struct names names = {.making = making, .now = station_wall()};
    struct ledger *ledger = call->station->ledger;
    enum error_code code = pairs_each_station(ledger, check_station, &names, err);
    if (code == ERR_OK && names.taken == NULL) {
        code = pairs_each_ticket(ledger, check_ticket, &names, err);
    }
    if (code != ERR_OK || names.taken == NULL) {
        return code;
    }
    error_set(err, ERR_EXISTS, "the name %.100s", names.taken);
    return names.by_ticket
               ? error_say(err,
                           "There is a ticket for %.100s that was not used yet. Cancel it (ticket "
                           "cancel), or give another name.",
                           names.taken)
               : error_say(err, "There is a station called %.100s already. Give another name.",
                           names.taken);
}

static enum error_code give_bibs(struct verb_call *call, const struct options *options,
                                 struct making *making, struct error *err) {
    struct ticket_bibs *left = NULL;
    uint64_t each = 0;
    enum error_code code =
        read_count("--bibs-each", options_value(options, "--bibs-each"), &each, err);
    if (code != ERR_OK || each == 0) {
        return code;
    }
    code = ticket_bibs_new(call->station->ledger, station_wall(), &left, err);
    for (size_t i = 0; code == ERR_OK && i < making->count; i++) {
        if (strncmp(making->slot[i].name, "Spare", 5) != 0) {
            code = ticket_bibs_take(left, each, &making->slot[i].bibs, err);
        }
    }
    ticket_bibs_free(left);
    return code;
}

/* ---- making ---- */

static void describe(struct verb_call *call, const struct making *making, struct slot *slot) {
    const struct record_found *found = pairs_found(call->station->ledger);
    char numbers[120] = "";
    char event[80] = "";
    if (slot->bibs.count > 0) {
        bib_ranges_text(&slot->bibs, numbers, sizeof(numbers));
    }
    if (found != NULL) {
        snprintf(event, sizeof(event), "%.*s", (int)(found->name.size < 79 ? found->name.size : 79),
                 (const char *)found->name.data);
    }
    snprintf(slot->about, sizeof(slot->about), "%s%s%s%s, until %s, at %.63s", event,
             numbers[0] == '\0' ? "" : ", bibs ", numbers,
             making->role == ROLE_READER ? ", may only read" : "", making->until,
             making->place[0].address.text);
}

static enum error_code draw(struct verb_call *call, struct making *making, struct error *err) {
    struct ticket ticket = {.lead = making->place[0].lead};
    if (!ticket_set_address(&ticket, &making->place[0].address)) {
        return error_set(err, ERR_USAGE, "the address %s", making->place[0].address.text);
    }
    for (size_t i = 0; i < making->count; i++) {
        struct slot *slot = &making->slot[i];
        randombytes_buf(slot->id.bytes, sizeof(slot->id.bytes));
        randombytes_buf(slot->secret, sizeof(slot->secret));
        memcpy(ticket.secret, slot->secret, sizeof(ticket.secret));
        ticket_put(&ticket, slot->text);
        describe(call, making, slot);
    }
    sodium_memzero(&ticket, sizeof(ticket));
    return ERR_OK;
}

static void put_record(const struct verb_call *call, const struct making *making, size_t first,
                       struct record_ticket *record, struct buffer *out) {
    *record = (struct record_ticket){.expires = making->expires};
    for (size_t i = first; i < making->count && record->entry_count < ENTRIES_PER_RECORD; i++) {
        const struct slot *slot = &making->slot[i];
        record->entry[record->entry_count++] = (struct record_ticket_entry){
            .id = slot->id,
            .hash = ticket_hash(&call->station->event.event, slot->secret),
            .name = slice_text(slot->name),
            .role = making->role,
            .bibs = slot->bibs};
    }
    record_ticket_write(record, out);
}

/* All of them in one transaction. */
static enum error_code write_down(struct verb_call *call, const struct making *making,
                                  struct error *err) {
    enum { RECORDS_MAX = (TICKETS_AT_ONCE + ENTRIES_PER_RECORD - 1) / ENTRIES_PER_RECORD };
    struct buffer body[RECORDS_MAX];
    struct station_act act[RECORDS_MAX];
    struct record_id unused;
    size_t records = 0;
    enum error_code code = ERR_OK;
    struct record_ticket *record = calloc(1, sizeof(*record));
    for (size_t i = 0; record != NULL && i < making->count; i += ENTRIES_PER_RECORD) {
        buffer_init(&body[records]);
        put_record(call, making, i, record, &body[records]);
        code = body[records].failed ? ERR_MEMORY : code;
        act[records] = (struct station_act){RECORD_TICKET, buffer_slice(&body[records])};
        records++;
    }
    code = record == NULL || code != ERR_OK
               ? error_set(err, ERR_MEMORY, "tickets")
               : station_append_all(call->station, act, records, &unused, err);
    for (size_t i = 0; i < records; i++) {
        buffer_release(&body[i]);
    }
    free(record);
    return code;
}

/* ---- files ---- */

static enum error_code put_file(struct making *making, const char *path, const struct buffer *bytes,
                                struct error *err) {
    if (bytes->failed) {
        return error_set(err, ERR_MEMORY, "%.200s", path);
    }
    return files_write(path, 0600, making->over, buffer_slice(bytes), err);
}

static void note_file(struct making *making, const char *path) {
    buffer_append(&making->files, path, strlen(path) + 1);
}

static enum error_code put_ticket_file(struct making *making, struct slot *slot, const char *path,
                                       struct error *err) {
    struct buffer bytes;
    char about[RECORD_TEXT_MAX + 320];
    buffer_init(&bytes);
    snprintf(about, sizeof(about), "%s, %s", slot->name, slot->about);
    ticket_file_put(about, slot->text, making->place, making->place_count, &bytes);
    enum error_code code = put_file(making, path, &bytes, err);
    if (code == ERR_OK) {
        snprintf(slot->file, sizeof(slot->file), "%s", path);
    }
    buffer_release(&bytes);
    return code;
}

/* A name as a file's: letters, digits and hyphens. */
static void file_name(const char *name, char out[FILES_NAME_MAX + 1]) {
    size_t size = 0;
    for (; *name != '\0' && size < 100; name++) {
        bool plain = (*name >= '0' && *name <= '9') || (*name >= 'A' && *name <= 'Z') ||
                     (*name >= 'a' && *name <= 'z');
        out[size] = '-';
        if (plain) {
            out[size] = *name;
        }
        size++;
    }
    snprintf(out + size, 16, ".ticket");
}

static enum error_code put_folder(struct making *making, struct error *err) {
    char name[FILES_NAME_MAX + 1];
    char path[FILES_PATH_MAX];
    enum error_code code = ERR_OK;
    if (mkdir(making->out, 0700) != 0 && errno != EEXIST) {
        return files_error(err, errno, "making", making->out);
    }
    for (size_t i = 0; code == ERR_OK && i < making->count; i++) {
        file_name(making->slot[i].name, name);
        code = files_inside(making->out, name, path, err);
        if (code == ERR_OK) {
            code = put_ticket_file(making, &making->slot[i], path, err);
        }
    }
    return code;
}

/* What stands at the bottom of a sheet: how the other leads can be asked with these tickets. */
static void put_foot(const struct making *making, struct buffer *foot) {
    buffer_print(foot,
                 "The lead is called at %s. If it is elsewhere now: join TICKET --peer "
                 "ADDR:PORT",
                 making->place[0].address.text);
    for (size_t i = making->own_places, said = 0; i < making->place_count && said < CODES_ON_SHEET;
         i++, said++) {
        char code[TICKET_TEXT_MAX + 1];
        ticket_code(&making->place[i], code);
        buffer_print(foot, "\nIf that laptop is dead: join TICKET --lead CODE, where CODE is\n");
        ticket_lines(code, "  ", TICKET_GROUPS_MAX, foot);
        foot->size -= foot->size > 0 ? 1 : 0; /* the line's end */
    }
    buffer_append(foot, "", 1);
}

/* "FILE.svg" for one page, else "FILE-1.svg", "FILE-2.svg", ... */
static enum error_code page_path(const struct making *making, const char *base, size_t page,
                                 size_t pages, char out[FILES_PATH_MAX], struct error *err) {
    size_t length = strlen(base);
    bool ends = length > 4 && strcasecmp(base + length - 4, ".svg") == 0;
    char number[24] = "";
    (void)making;
    if (pages > 1) {
        snprintf(number, sizeof(number), "-%zu", page + 1);
    }
    int size = snprintf(out, FILES_PATH_MAX, "%.*s%s.svg", (int)(ends ? length - 4 : length), base,
                        number);
    return size > 0 && size < FILES_PATH_MAX
               ? ERR_OK
               : error_set(err, ERR_USAGE, "a path of %d bytes", size);
}

static enum error_code put_page(struct making *making, const char *base, size_t page, size_t pages,
                                const char *foot, struct error *err) {
    struct ticket_slip slip[TICKET_SHEET_SIZE];
    char path[FILES_PATH_MAX];
    struct buffer bytes;
    size_t count = 0;
    for (size_t i = page * TICKET_SHEET_SIZE; i < making->count && count < TICKET_SHEET_SIZE; i++) {
        const struct slot *slot = &making->slot[i];
        slip[count++] = (struct ticket_slip){slot->name, slot->about, slot->text};
    }
    buffer_init(&bytes);
    enum error_code code = ticket_sheet_page(slip, count, foot, &bytes, err);
    if (code == ERR_OK && base == NULL) {
        json_array_append_new(making->pages, json_stringn((const char *)bytes.data, bytes.size));
    } else if (code == ERR_OK) {
        code = page_path(making, base, page, pages, path, err);
        if (code == ERR_OK) {
            code = put_file(making, path, &bytes, err);
        }
        if (code == ERR_OK) {
            note_file(making, path);
        }
    }
    sodium_memzero(bytes.data, bytes.size);
    buffer_release(&bytes);
    return code;
}

/* Into files that are called like `base`, or, where that is NULL, into the answer. */
static enum error_code put_sheets(struct making *making, const char *base, struct error *err) {
    size_t pages = (making->count + TICKET_SHEET_SIZE - 1) / TICKET_SHEET_SIZE;
    struct buffer foot;
    buffer_init(&foot);
    put_foot(making, &foot);
    enum error_code code = foot.failed ? error_set(err, ERR_MEMORY, "a sheet") : ERR_OK;
    for (size_t page = 0; code == ERR_OK && page < pages; page++) {
        code = put_page(making, base, page, pages, (const char *)foot.data, err);
    }
    buffer_release(&foot);
    return code;
}

static enum error_code put_one_svg(struct making *making, struct error *err) {
    const struct slot *slot = &making->slot[0];
    struct ticket_slip slip = {slot->name, slot->about, slot->text};
    struct buffer bytes;
    buffer_init(&bytes);
    enum error_code code = ticket_sheet_one(&slip, &bytes, err);
    if (code == ERR_OK) {
        code = put_file(making, making->svg, &bytes, err);
    }
    if (code == ERR_OK) {
        note_file(making, making->svg);
    }
    buffer_release(&bytes);
    return code;
}

static enum error_code put_files(struct making *making, struct error *err) {
    char base[FILES_PATH_MAX];
    enum error_code code = ERR_OK;
    if (making->out[0] != '\0') {
        code = making->many ? put_folder(making, err)
                            : put_ticket_file(making, &making->slot[0], making->out, err);
    }
    if (code == ERR_OK && making->many && making->out[0] != '\0') {
        code = files_inside(making->out, "sheet", base, err);
        if (code == ERR_OK) {
            code = put_sheets(making, base, err);
        }
    }
    if (code == ERR_OK && making->in_json) {
        code = put_sheets(making, NULL, err);
    }
    if (code == ERR_OK && making->svg[0] != '\0') {
        code = making->many ? put_sheets(making, making->svg, err) : put_one_svg(making, err);
    }
    return code;
}

/* The files could not be written: nobody has the tickets, so they are taken back. */
static void take_back(struct verb_call *call, const struct making *making) {
    struct record_cancel cancel = {.reason = slice_text("its file could not be written")};
    struct record_id unused;
    struct error ignored;
    for (size_t i = 0; i < making->count; i++) {
        cancel.ticket[cancel.ticket_count++] = making->slot[i].id;
        if (cancel.ticket_count < RECORD_TICKETS_MAX && i + 1 < making->count) {
            continue;
        }
        struct buffer body;
        buffer_init(&body);
        record_cancel_write(&cancel, &body);
        if (!body.failed) {
            (void)!station_append(call->station, RECORD_CANCEL, buffer_slice(&body), &unused,
                                  &ignored);
        }
        buffer_release(&body);
        cancel.ticket_count = 0;
    }
}

/* ---- telling ---- */

static json_t *slot_json(const struct making *making, const struct slot *slot) {
    char numbers[400] = "";
    if (slot->bibs.count > 0) {
        bib_ranges_text(&slot->bibs, numbers, sizeof(numbers));
    }
    return json_pack("{s:o, s:o, s:s, s:s, s:s, s:o}", "name", show_text_json(slot->name), "id",
                     show_hex_json(slot->id.bytes, sizeof(slot->id.bytes)), "text", slot->text,
                     "role", making->role == ROLE_READER ? "reader" : "table", "bibs", numbers,
                     "file", slot->file[0] == '\0' ? json_null() : show_text_json(slot->file));
}

static void tell_json(struct verb_call *call, const struct making *making) {
    json_t *tickets = json_array();
    json_t *files = json_array();
    for (size_t i = 0; i < making->count; i++) {
        json_array_append_new(tickets, slot_json(making, &making->slot[i]));
    }
    for (size_t at = 0; at < making->files.size;
         at += strlen((const char *)making->files.data + at) + 1) {
        json_array_append_new(files, show_text_json((const char *)making->files.data + at));
    }
    show_json(&call->out, json_pack("{s:o, s:o, s:o, s:s, s:O}", "tickets", tickets, "expires",
                                    show_time_json(making->expires), "sheets", files, "address",
                                    making->place[0].address.text, "pages", making->pages));
}

static void tell_one(struct verb_call *call, const struct making *making) {
    const struct slot *slot = &making->slot[0];
    struct qr qr;
    struct error ignored;
    buffer_print(&call->out, "A ticket for ");
    show_plain(&call->out, slice_text(slot->name));
    buffer_print(&call->out, ", good once, until %s.\n\n", making->until);
    if (qr_make(slot->text, &qr, &ignored) == ERR_OK) {
        qr_terminal(&qr, &call->out);
        qr_release(&qr);
    }
    buffer_print(&call->out, "\n");
    ticket_lines(slot->text, "    ", 5, &call->out);
    buffer_print(
        &call->out,
        "\nOn the laptop that joins: bibweave join \"TICKET\" (these groups, or the file).\n"
        "It calls this laptop at %s, where `bibweave run` has to be running.\n",
        making->place[0].address.text);
}

static void tell_many(struct verb_call *call, const struct making *making) {
    buffer_print(&call->out, "%zu %s, good once each, until %s, with %s as the lead's address.\n",
                 making->count, making->count == 1 ? "ticket" : "tickets", making->until,
                 making->place[0].address.text);
    for (size_t i = 0; i < making->count; i++) {
        const struct slot *slot = &making->slot[i];
        char numbers[400] = "";
        if (slot->bibs.count > 0) {
            bib_ranges_text(&slot->bibs, numbers, sizeof(numbers));
        }
        buffer_print(&call->out, "  ");
        show_plain(&call->out, slice_text(slot->name));
        buffer_print(&call->out, "%s%s\n", numbers[0] == '\0' ? "" : ", bibs ", numbers);
        if (making->files.size == 0) {
            ticket_lines(slot->text, "    ", 10, &call->out);
        }
    }
}

static void tell(struct verb_call *call, const struct making *making) {
    if (call->json) {
        tell_json(call, making);
        return;
    }
    if (making->many) {
        tell_many(call, making);
    } else {
        tell_one(call, making);
    }
    if (making->out[0] != '\0') {
        buffer_print(&call->out, "Written: ");
        show_plain(&call->out, slice_text(making->out));
        buffer_print(&call->out, "\n");
    }
    for (size_t at = 0; at < making->files.size;
         at += strlen((const char *)making->files.data + at) + 1) {
        buffer_print(&call->out, "To print: ");
        show_plain(&call->out, slice_text((const char *)making->files.data + at));
        buffer_print(&call->out, "\n");
    }
}

/* ---- the verb ---- */

static enum error_code make(struct verb_call *call, const struct options *options,
                            struct making *making, struct error *err) {
    enum error_code code = check_names(call, making, err);
    if (code == ERR_OK) {
        code = give_bibs(call, options, making, err);
    }
    if (code == ERR_OK) {
        code = ticket_places(call, options, making->place, &making->place_count,
                             &making->own_places, err);
    }
    if (code == ERR_OK) {
        code = draw(call, making, err);
    }
    if (code == ERR_OK) {
        code = write_down(call, making, err);
    }
    if (code != ERR_OK) {
        return code;
    }
    code = put_files(making, err);
    if (code != ERR_OK) {
        take_back(call, making);
    }
    return code;
}

void verb_ticket(struct verb_call *call) {
    struct options options;
    struct error err;
    struct making *making = parts_room(call, sizeof(*making));
    if (making == NULL) {
        return;
    }
    buffer_init(&making->files);
    making->pages = json_array();
    making->slot = calloc(TICKETS_AT_ONCE, sizeof(*making->slot));
    enum error_code code =
        parts_words(call, "ticket", 0, 1, "whom the ticket is for", &options, &err);
    if (code == ERR_OK && making->slot == NULL) {
        code = error_set(&err, ERR_MEMORY, "tickets");
    }
    if (code == ERR_OK) {
        code = read_words(call, &options, making, &err);
    }
    bool may = code != ERR_OK || ticket_may_make(call);
    if (code == ERR_OK && may) {
        code = make(call, &options, making, &err);
    }
    if (code != ERR_OK) {
        verb_fail(call, &err);
    } else if (may) {
        tell(call, making);
    }
    buffer_release(&making->files);
    json_decref(making->pages);
    if (making->slot != NULL) {
        sodium_memzero(making->slot, TICKETS_AT_ONCE * sizeof(*making->slot));
    }
    free(making->slot);
    free(making);
    options_release(&options);
}
