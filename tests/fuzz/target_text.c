/*
 * target_text.c: what people, scanners and command lines type, and the CSV that spreadsheets get.
 * The first byte says which; the rest is the text. What is taken must read back from what is
 * written of it.
 */
#include "tests/fuzz/fuzz.h"

#include "common/bib.h"
#include "common/csv.h"
#include "common/epc.h"
#include "common/sync_message.h"
#include "common/ticket.h"
#include "node/address.h"
#include "node/options.h"
#include "node/ticket_file.h"

#include <stdlib.h>
#include <string.h>

enum { FIELDS_MAX = 16, TEXT_MAX = 4096 };

/* ---- CSV: a tiny reader of RFC 4180 that shares nothing with the writer ---- */

/* Reads one field at *at into out and steps over what ends it; `*last` when that is the row's end.
 * Dies on anything that RFC 4180 does not allow. */
static void read_field(struct slice csv, size_t *at, struct buffer *out, bool *last) {
    buffer_clear(out);
    bool quoted = *at < csv.size && csv.data[*at] == '"';
    if (quoted) {
        (*at)++;
    }
    for (;; (*at)++) {
        FUZZ_CHECK(*at < csv.size, "the row has no end");
        uint8_t c = csv.data[*at];
        if (quoted && c == '"') {
            bool twice = *at + 1 < csv.size && csv.data[*at + 1] == '"';
            (*at)++;
            if (!twice) {
                break;
            }
        } else if (!quoted && (c == ',' || c == '\r')) {
            break;
        } else {
            FUZZ_CHECK(quoted || (c != '"' && c != '\n'), "byte %02x stands bare", c);
        }
        buffer_append(out, &c, 1);
    }
    FUZZ_CHECK(*at < csv.size, "the row has no end");
    *last = csv.data[*at] != ',';
    FUZZ_CHECK(!*last || (csv.size - *at >= 2 && memcmp(csv.data + *at, "\r\n", 2) == 0),
               "no CRLF at the end of a row");
    *at += *last ? 2 : 1;
}

/* The apostrophe of csv.h stands exactly where a spreadsheet would see a formula. */
static void check_field(const char *field, struct slice read) {
    bool formula = field[0] != '\0' && strchr("=+-@\t\r", field[0]) != NULL;
    FUZZ_CHECK(read.size == 0 || strchr("=+-@\t\r", read.data[0]) == NULL, "a formula");
    if (formula) {
        FUZZ_CHECK(read.size > 0 && read.data[0] == '\'', "no apostrophe");
        read = slice_of(read.data + 1, read.size - 1);
    }
    FUZZ_CHECK(slice_equal(read, slice_text(field)), "field \"%s\" reads otherwise", field);
}

static void check_csv(const char *text, size_t size) {
    const char *field[FIELDS_MAX];
    struct buffer csv, read;
    size_t count = 0, at = 0;
    bool last = false;
    for (size_t i = 0; i < size && count < FIELDS_MAX; i += strlen(text + i) + 1) {
        field[count++] = text + i;
    }
    if (count == 0) {
        return;
    }
    buffer_init(&csv);
    buffer_init(&read);
    csv_row(&csv, field, count);
    for (size_t i = 0; i < count; i++) {
        FUZZ_CHECK(!last, "%zu fields of %zu", i, count);
        read_field(buffer_slice(&csv), &at, &read, &last);
        check_field(field[i], buffer_slice(&read));
    }
    FUZZ_CHECK(last && at == csv.size, "more than one row");
    buffer_release(&csv);
    buffer_release(&read);
}

/* ---- bibs ---- */

static void check_bib(struct slice text) {
    for (int zeros = 0; zeros < 2; zeros++) {
        struct bib bib, again;
        struct error err;
        uint64_t number = 0;
        enum error_code code = bib_parse(text, zeros == 1, &bib, &err);
        FUZZ_CHECK(code == ERR_OK || code == ERR_BIB, "%s", error_name(code));
        if (code != ERR_OK) {
            continue;
        }
        struct slice stored = slice_text(bib.text);
        FUZZ_CHECK(bib_is_stored_form(stored, zeros == 1), "%s is not in its stored form",
                   bib.text);
        FUZZ_CHECK(bib_parse(stored, zeros == 1, &again, &err) == ERR_OK &&
                       bib_compare(&bib, &again) == 0,
                   "%s reads otherwise", bib.text);
        if (bib_number(&bib, &number)) {
            FUZZ_CHECK(number == strtoull(bib.text, NULL, 10), "%s", bib.text);
        }
    }
    FUZZ_CHECK(!bib_is_stored_form(text, false) || bib_is_stored_form(text, true), "stored form");
}

static void check_ranges(struct slice text) {
    struct bib_ranges ranges, again;
    struct error err;
    char written[BIB_RANGES_MAX * 32];
    enum error_code code = bib_ranges_parse(text, &ranges, &err);
    FUZZ_CHECK(code == ERR_OK || code == ERR_BIB, "%s", error_name(code));
    if (code != ERR_OK) {
        return;
    }
    bib_ranges_text(&ranges, written, sizeof written);
    FUZZ_CHECK(bib_ranges_parse(slice_text(written), &again, &err) == ERR_OK &&
                   again.count == ranges.count,
               "%s", written);
    for (size_t i = 0; i < ranges.count; i++) {
        const struct bib_range *range = &ranges.range[i];
        FUZZ_CHECK(range->first <= range->last && again.range[i].first == range->first &&
                       again.range[i].last == range->last,
                   "range %zu of %s", i, written);
        FUZZ_CHECK(bib_ranges_hold(&ranges, range->first) && bib_ranges_hold(&ranges, range->last),
                   "range %zu of %s", i, written);
    }
}

/* ---- tags ---- */

static void check_tag(struct slice text) {
    struct epc epc, epc_again;
    struct tid tid;
    struct error err;
    char hex[2 * EPC_SIZE_MAX + 1];
    if (epc_parse(text, &epc, &err) == ERR_OK) {
        FUZZ_CHECK(epc.size >= 2 && epc.size % 2 == 0 && epc.size <= EPC_SIZE_MAX, "%d bytes",
                   (int)epc.size);
        hex_encode(epc.data, epc.size, hex);
        FUZZ_CHECK(epc_parse(slice_text(hex), &epc_again, &err) == ERR_OK &&
                       memcmp(&epc, &epc_again, sizeof epc) == 0,
                   "%s", hex);
    }
    if (tid_parse(text, &tid, &err) == ERR_OK) {
        FUZZ_CHECK(tid.size >= 2 && tid.size % 2 == 0 && tid.size <= TID_SIZE_MAX, "%d bytes",
                   (int)tid.size);
    }
}

/* "SCHEME BIB": a scheme reads back from its text, and a bib from its EPC. */
static void check_scheme(struct slice text) {
    struct epc_scheme scheme, again;
    struct error err;
    struct bib bib;
    struct epc epc;
    char written[40];
    const uint8_t *space = text.size == 0 ? NULL : memchr(text.data, ' ', text.size);
    size_t length = space == NULL ? text.size : (size_t)(space - text.data);
    if (epc_scheme_parse(slice_of(text.data, length), &scheme, &err) != ERR_OK) {
        return;
    }
    epc_scheme_text(&scheme, written, sizeof written);
    FUZZ_CHECK(epc_scheme_parse(slice_text(written), &again, &err) == ERR_OK &&
                   again.kind == scheme.kind && again.manager == scheme.manager &&
                   again.class_ == scheme.class_ && again.code == scheme.code,
               "%s", written);
    if (space == NULL ||
        bib_parse(slice_of(space, text.size - length), false, &bib, &err) != ERR_OK ||
        epc_for_bib(&scheme, &bib, &epc, &err) != ERR_OK) {
        return;
    }
    uint64_t number = 0, wanted = 0;
    FUZZ_CHECK(epc_number(&scheme, &epc, &number) && bib_number(&bib, &wanted) && number == wanted,
               "bib %s under %s", bib.text, written);
    FUZZ_CHECK(epc_fits(&scheme, &bib, &epc, &err) == ERR_OK, "bib %s under %s", bib.text, written);
}

/* ---- addresses, options, times ---- */

static void check_address(const char *text) {
    struct address address, again;
    struct error err;
    enum error_code code = address_parse(text, &address, &err);
    FUZZ_CHECK(code == ERR_OK || code == ERR_USAGE, "%s", error_name(code));
    if (code == ERR_OK && !address.any && address.port != 0) {
        FUZZ_CHECK(sync_message_is_address(slice_text(address.text)), "%s", address.text);
        FUZZ_CHECK(address_parse(address.text, &again, &err) == ERR_OK &&
                       address_equal(&address, &again),
                   "%s reads otherwise", address.text);
    }
    (void)address_of(text, 7117, &again);
}

static void check_options(const char *text, size_t size) {
    static const struct verb_option known[] = {{"--tag", true}, {"--json", false}, {NULL, false}};
    const char *word[FIELDS_MAX];
    struct options options;
    struct error err;
    size_t count = 0;
    for (size_t i = 0; i < size && count < FIELDS_MAX; i += strlen(text + i) + 1) {
        word[count++] = text + i;
    }
    enum error_code code = options_read(known, word, count, &options, &err);
    FUZZ_CHECK(code == ERR_OK || code == ERR_USAGE, "%s", error_name(code));
    if (code == ERR_OK) {
        size_t used = options.rest_count + options.given_count;
        FUZZ_CHECK(used <= count, "%zu words became %zu", count, used);
        FUZZ_CHECK((options_value_at(&options, "--tag", 0) != NULL) ==
                       options_has(&options, "--tag"),
                   "an option without its value");
        code = options_text("--tag", text, 200, &err);
        FUZZ_CHECK(code == ERR_OK || code == ERR_USAGE || code == ERR_LIMIT, "%s",
                   error_name(code));
    }
    options_release(&options);
}

/* A ticket reads back from what is written of it, and no two texts are the same ticket but for
 * blanks, case and letters that look alike. */
static void check_ticket(struct slice text) {
    struct ticket ticket, again;
    struct error err;
    char written[TICKET_TEXT_MAX + 1], twice[TICKET_TEXT_MAX + 1];
    enum error_code code = ticket_get(text, &ticket, &err);
    FUZZ_CHECK(code == ERR_OK || code == ERR_FORM || code == ERR_TOO_NEW, "%s", error_name(code));
    if (code == ERR_OK) {
        ticket_put(&ticket, written);
        FUZZ_CHECK(ticket_get(slice_text(written), &again, &err) == ERR_OK, "%s", written);
        ticket_put(&again, twice);
        FUZZ_CHECK(strcmp(written, twice) == 0, "%s became %s", written, twice);
    }
}

static void check_ticket_file(struct slice text) {
    struct ticket ticket;
    struct enter_place places[4];
    struct error err;
    size_t count = 0;
    enum error_code code = ticket_file_get(text, &ticket, places, 4, &count, &err);
    FUZZ_CHECK(count <= 4, "%zu places", count);
    FUZZ_CHECK(code == ERR_OK || err.say[0] != '\0', "no words for people");
}

static void check_bytes(struct slice text) {
    struct wall_ms wall = {0};
    char when[21];
    memcpy(&wall.ms, text.data, text.size < sizeof wall.ms ? text.size : sizeof wall.ms);
    wall_text(wall, when);
    FUZZ_CHECK(strlen(when) == 20 && when[4] == '-' && when[10] == 'T' && when[19] == 'Z', "%s",
               when);
    struct slice trimmed = slice_trimmed(text);
    FUZZ_CHECK(trimmed.size <= text.size && slice_equal(slice_trimmed(trimmed), trimmed), "blanks");
    (void)utf8_valid(text);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    static char text[TEXT_MAX + 1];
    struct fuzz_input input = {data, size < TEXT_MAX ? size : TEXT_MAX};
    uint8_t which = fuzz_u8(&input);
    struct slice rest = fuzz_rest(&input);
    memset(text, 0, sizeof text);
    if (rest.size > 0) {
        memcpy(text, rest.data, rest.size);
    }
    switch (which % 10) {
    case 0:
        check_csv(text, rest.size);
        break;
    case 1:
        check_bib(rest);
        break;
    case 2:
        check_ranges(rest);
        break;
    case 3:
        check_tag(rest);
        break;
    case 4:
        check_scheme(rest);
        break;
    case 5:
        check_address(text);
        break;
    case 6:
        check_options(text, rest.size);
        break;
    case 8:
        check_ticket(rest);
        break;
    case 9:
        check_ticket_file(rest);
        break;
    default:
        check_bytes(slice_of(text, rest.size));
        break;
    }
    return 0;
}
