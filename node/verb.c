/*
 * verb.c: the table of commands, their help, and how a command ends badly.
 * Must never print: a verb may run inside a node, for somebody at the other end of a socket.
 */
#include "node/verb.h"

#include <stdio.h>
#include <string.h>

#include "node/show.h"

static const struct verb_option no_options[] = {{NULL, false}};
static const struct verb_option event_new_options[] = {
    {"--name", true},         {"--bibs", true},        {"--late", true},
    {"--tags-per-bib", true}, {"--scheme", true},      {"--start", true},
    {"--zeros-count", false}, {"--epc-unique", false}, {"--epc-repeats", false},
    {"--station", true},      {"--listen", true},      {NULL, false}};
static const struct verb_option join_options[] = {{"--name", true},   {"--request", true},
                                                  {"--listen", true}, {"--force", false},
                                                  {"--grant", true},  {NULL, false}};
static const struct verb_option admit_options[] = {
    {"--out", true}, {"--role", true}, {"--bibs", true}, {"--force", false}, {NULL, false}};
static const struct verb_option run_options[] = {
    {"--listen", true}, {"--peer", true}, {NULL, false}};
static const struct verb_option issue_options[] = {
    {"--tag", true}, {"--replace", true}, {"--chip", true},   {"--extra", true}, {"--reason", true},
    {"--how", true}, {"--half", false},   {"--helper", true}, {NULL, false}};
static const struct verb_option void_options[] = {
    {"--reason", true}, {"--chip", true}, {"--helper", true}, {NULL, false}};
static const struct verb_option settle_options[] = {{"--keep", true},   {"--unseen", false},
                                                    {"--reason", true}, {"--chip", true},
                                                    {"--helper", true}, {NULL, false}};
static const struct verb_option close_options[] = {{"--helper", true}, {NULL, false}};
static const struct verb_option verify_options[] = {{"--every", false}, {NULL, false}};
static const struct verb_option force_options[] = {{"--force", false}, {NULL, false}};
static const struct verb_option merge_options[] = {{"--out", true}, {NULL, false}};

const struct verb verb_table[] = {
    {"event new",
     "event new --name NAME --bibs RANGES --scheme SCHEME [--tags-per-bib N] [--late RANGES]\n"
     "          [--start DATE] [--station NAME] [--listen ADDR:PORT]... [--zeros-count]\n"
     "          [--epc-unique | --epc-repeats]",
     "Makes an event, and this folder's station as its lead.",
     "RANGES are like 1-700,900. SCHEME is gid96:MANAGER:CLASS, own:CODE, or as-read for chips "
     "that\n"
     "come written. --late names numbers for late entries, which are never asked about.\n"
     "--tags-per-bib is 1 to 4, else 1. --zeros-count makes 007 another bib than 7.\n"
     "--epc-unique says that no two chips have the same EPC (else only with as-read);\n"
     "--epc-repeats says that they may. --listen is where other stations can reach this one.\n",
     VERB_MAKES_FOLDER, event_new_options, false, verb_event_new},
    {"join",
     "join --name NAME --request FILE [--listen ADDR:PORT]... [--force]\n"
     "join --grant FILE",
     "Makes a station and a request to be let in; then takes the lead's grant.",
     "Take FILE to the lead's station (`admit`), and bring the grant back. Neither file is "
     "secret.\n"
     "--force replaces an old request file.\n",
     VERB_MAKES_FOLDER, join_options, false, verb_join},
    {"admit", "admit REQUEST --out GRANT [--role table|lead|reader] [--bibs RANGES] [--force]",
     "Lets a station in, on the lead's station.",
     "--bibs also gives it its numbers. The role is table unless said. Doing it again writes the\n"
     "grant again.\n",
     VERB_STATION, admit_options, false, verb_admit},
    {"allot", "allot NAME RANGES", "Gives bib numbers to a station.", "", VERB_STATION, no_options,
     false, verb_allot},
    {"run", "run [--listen ADDR:PORT]... [--peer ADDR:PORT]...",
     "Runs the station: it exchanges records with the others until it is stopped.",
     "Prints `ready ADDR:PORT` once it serves. Port 0 is any free port. Ends cleanly on SIGTERM "
     "or\n"
     "Ctrl-C.\n",
     VERB_NODE, run_options, false, run_node},
    {"issue",
     "issue BIB [--tag EPC[/TID]]... [--replace REASON [--chip WHERE] | --extra REASON]\n"
     "      [--reason TEXT] [--how scan|typed|series] [--half] [--helper INITIALS]\n"
     "issue - [OPTIONS]",
     "Records that a bib has got its chip, or its pair of chips.",
     "Without --tag, the chips carry what the event's scheme gives to the bib. WHERE is where the\n"
     "old chip is: destroyed, lost, or on:BIB. --reason says that an unusual number or chip is\n"
     "meant. With `-`, bibs come from standard input, one a line, each with its chips behind it "
     "if\n"
     "they are named, and each is on disk before the next is read.\n",
     VERB_STATION, issue_options, true, verb_issue},
    {"void", "void RECORD --reason TEXT [--chip WHERE] [--helper INITIALS]",
     "Takes a chip back: that record no longer counts.",
     "RECORD is at least 8 digits of its number, as `ask` shows it. WHERE is destroyed, lost or\n"
     "on:BIB; a script that does not say means lost.\n",
     VERB_STATION, void_options, true, verb_void},
    {"settle",
     "settle BIB --keep RECORD [--unseen] [--reason TEXT] [--chip WHERE] [--helper INITIALS]",
     "Settles a bib that was chipped twice: RECORD stays, its other chips no longer count.",
     "Scan the bib and read its chip first; --unseen says that nobody looked.\n", VERB_STATION,
     settle_options, true, verb_settle},
    {"ask", "ask BIB-or-EPC-or-TID", "Tells all that is known of a bib or a chip.", "",
     VERB_STATION, no_options, false, verb_ask},
    {"doubles", "doubles", "Lists bibs that were chipped twice, and chips on two bibs.",
     "Ends with status 1 if there are any.\n", VERB_STATION, no_options, false, verb_doubles},
    {"status", "status", "Tells how this station is, and how far the others are.",
     "With --json: last_heard_ms is how long ago a station was last heard, alone_since_ms is the\n"
     "time (ms since 1970) since when none is; both are null where that is not known.\n",
     VERB_STATION, no_options, false, verb_status},
    {"close", "close [--helper INITIALS]",
     "Says that this table has packed; later work opens it again.", "", VERB_STATION, close_options,
     false, verb_close},
    {"verify", "verify [--every]", "Proves that the folder is sound.",
     "Makes everything again from the signed records and compares. --every checks each "
     "signature.\n",
     VERB_COPY, verify_options, false, verb_verify},
    {"carry out", "carry out FILE [--force]", "Writes all records to a file, for a USB stick.",
     "An older carry file is replaced; anything else only with --force.\n", VERB_COPY,
     force_options, false, verb_carry_out},
    {"carry in", "carry in FILE", "Takes the records of a file in.",
     "Ends with status 0 only if all of it was taken or was here already.\n", VERB_STATION,
     no_options, false, verb_carry_in},
    {"merge", "merge --out FOLDER FILE-or-FOLDER...",
     "Makes one folder, for reading, from carry files and from the folders of stations.", "",
     VERB_MAKES_FOLDER, merge_options, false, verb_merge},
    {"export", "export FILE.csv [--force]", "Writes the chip list for the timing crew.",
     "Beside it, FILE-two-bibs.csv has chips that are on two bibs, and FILE-dead.csv chips that "
     "no\n"
     "longer count. Names tables that are not closed first. Ends with status 1 if there are any,\n"
     "or doubles, or bibs in doubt.\n",
     VERB_COPY, force_options, false, verb_export},
    {0}};

const struct verb *verb_find(const char *name) {
    for (const struct verb *verb = verb_table; verb->name != NULL; verb++) {
        if (strcmp(verb->name, name) == 0) {
            return verb;
        }
    }
    return NULL;
}

/* Whether `word` is the first of the verb's two words, or all of its name. */
static bool begins(const struct verb *verb, const char *word) {
    size_t length = strlen(word);
    return strncmp(verb->name, word, length) == 0 &&
           (verb->name[length] == ' ' || verb->name[length] == '\0');
}

bool verb_begins(const char *word) {
    for (const struct verb *verb = verb_table; verb->name != NULL; verb++) {
        if (begins(verb, word) && strchr(verb->name, ' ') != NULL) {
            return true;
        }
    }
    return false;
}

static void help_all(struct buffer *out) {
    buffer_print(out, "bibweave: which chip is on which bib, at many tables at once.\n\n"
                      "bibweave [--dir FOLDER] VERB ... [--json]\n\n");
    for (const struct verb *verb = verb_table; verb->name != NULL; verb++) {
        buffer_print(out, "  %-10s  %s\n", verb->name, verb->summary);
    }
    buffer_print(out,
                 "\n--dir FOLDER  the station's data folder, else BIBWEAVE_DIR, else\n"
                 "              ~/.local/state/bibweave\n"
                 "--json        answers for programs\n"
                 "--help        behind a verb, how that verb is written\n"
                 "--version\n\n"
                 "Exit status: 0 done; 1 it cannot be done as things stand; 2 the input is wrong;\n"
                 "3 the machine does not do it.\n");
}

/* Each line of a usage gets the program's name, but for lines that go on. */
static void help_usage(const char *usage, struct buffer *out) {
    for (const char *line = usage; *line != '\0';) {
        size_t length = strcspn(line, "\n");
        buffer_print(out, "  %s%.*s\n", line[0] == ' ' ? "         " : "bibweave ", (int)length,
                     line);
        line += length + (line[length] == '\n' ? 1 : 0);
    }
}

void verb_help(const char *word, struct buffer *out) {
    bool found = false;
    for (const struct verb *verb = verb_table; word != NULL && verb->name != NULL; verb++) {
        if (!begins(verb, word)) {
            continue;
        }
        buffer_print(out, "%s%s\n\n", found ? "\n" : "", verb->summary);
        help_usage(verb->usage, out);
        buffer_print(out, "%s%s", verb->more[0] == '\0' ? "" : "\n", verb->more);
        found = true;
    }
    if (!found) {
        help_all(out);
    }
}

/* ---- how a call ends badly ---- */

void verb_complain(struct verb_call *call, const struct error *err) {
    show_plain(&call->err, slice_text(err->say));
    buffer_print(&call->err, "\n");
    if (err->cause[0] != '\0') {
        buffer_print(&call->err, "  cause: ");
        show_plain(&call->err, slice_text(err->cause));
        buffer_print(&call->err, "\n");
    }
    call->status = (int)error_class(err->code);
}

void verb_fail(struct verb_call *call, const struct error *err) {
    verb_complain(call, err);
    if (call->json) {
        show_json(&call->out,
                  json_pack("{s:s, s:o, s:o}", "error", error_name(err->code), "say",
                            show_text_json(err->say), "cause", show_text_json(err->cause)));
    }
}

bool verb_may_write(struct verb_call *call, struct pairs_station *self) {
    struct error err;
    const struct station *station = call->station;
    if (station->author.number == 0 && !station->must_open) {
        error_set(&err, ERR_NOT_ALLOWED, "no station.key in %.200s", station->dir);
        error_say(&err, "This folder is for reading only. Use the folder of a station.");
    } else if (pairs_station(station->ledger, &station->keys.sign_public, self, &err) != ERR_OK) {
        if (err.code == ERR_NOT_FOUND) {
            error_set(&err, ERR_NOT_ALLOWED, "no admit of this station is held");
        }
    } else if (self->dead || self->stolen) {
        error_set(&err, ERR_NOT_ALLOWED, "this station was retired");
        error_say(&err, "This station was put out of the event. Ask the lead for a new grant.");
    } else if (self->role == ROLE_NONE || self->role == ROLE_READER) {
        error_set(&err, ERR_NOT_ALLOWED, "this station's role is %s",
                  self->role == ROLE_NONE ? "none" : "reader");
        error_say(&err, "This station may only read. Ask the lead.");
    } else {
        return true;
    }
    verb_fail(call, &err);
    return false;
}
