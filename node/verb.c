/*
 * verb.c: the table of commands, their help, and how a command ends badly.
 * Must never print: a verb may run inside a node, for somebody at the other end of a socket.
 */
#include "node/verb.h"

#include <stdio.h>
#include <string.h>

#include "node/show.h"

static const struct verb_option no_options[] = {{NULL, false}};
static const struct verb_option event_new_options[] = {{"--name", true},
                                                       {"--bibs", true},
                                                       {"--late", true},
                                                       {"--tags-per-bib", true},
                                                       {"--scheme", true},
                                                       {"--start", true},
                                                       {"--zeros-count", false},
                                                       {"--epc-unique", false},
                                                       {"--epc-repeats", false},
                                                       {"--station", true},
                                                       {"--listen", true},
                                                       {"--passphrase-file", true},
                                                       {"--unsealed", false},
                                                       {"--second-lead", true},
                                                       {"--no-second-lead", false},
                                                       {NULL, false}};
static const struct verb_option recovery_options[] = {
    {"--out", true}, {"--passphrase-file", true}, {"--force", false}, {NULL, false}};
static const struct verb_option restore_root_options[] = {
    {"--from", true}, {"--passphrase-file", true}, {NULL, false}};
static const struct verb_option retire_options[] = {
    {"--dead", false}, {"--stolen", false},         {"--replacement", true}, {"--reason", true},
    {"--at", true},    {"--passphrase-file", true}, {"--helper", true},      {NULL, false}};
static const struct verb_option join_options[] = {
    {"--name", true},   {"--request", true}, {"--listen", true},
    {"--force", false}, {"--grant", true},   {"--peer", true},
    {"--lead", true},   {"--beacon", true},  {NULL, false}};
static const struct verb_option ticket_options[] = {
    {"--bibs", true},  {"--role", true},      {"--expires", true}, {"--out", true},
    {"--svg", true},   {"--address", true},   {"--tables", true},  {"--spare", true},
    {"--sheet", true}, {"--bibs-each", true}, {"--force", false},  {"--inline", false},
    {NULL, false}};
static const struct verb_option ticket_cancel_options[] = {{"--reason", true}, {NULL, false}};
static const struct verb_option ticket_lead_options[] = {{"--address", true}, {NULL, false}};
static const struct verb_option admit_options[] = {{"--out", true},
                                                   {"--role", true},
                                                   {"--bibs", true},
                                                   {"--force", false},
                                                   {"--passphrase-file", true},
                                                   {NULL, false}};
static const struct verb_option run_options[] = {
    {"--listen", true}, {"--peer", true}, {"--beacon", true}, {"--encoder", true},
    {"--gone", true},   {"--page", true}, {NULL, false}};
static const struct verb_option desk_options[] = {
    {"--view", false}, {"--input", true},       {"--series", true},
    {"--step", true},  {"--check-every", true}, {"--helper", true},
    {"--roll", true},  {"--pair", false},       {NULL, false}};
static const struct verb_option issue_options[] = {
    {"--tag", true}, {"--replace", true}, {"--chip", true},   {"--extra", true}, {"--reason", true},
    {"--how", true}, {"--half", false},   {"--helper", true}, {"--from", true},  {NULL, false}};
static const struct verb_option void_options[] = {
    {"--reason", true}, {"--chip", true}, {"--helper", true}, {NULL, false}};
static const struct verb_option settle_options[] = {{"--keep", true},   {"--unseen", false},
                                                    {"--reason", true}, {"--chip", true},
                                                    {"--helper", true}, {NULL, false}};
static const struct verb_option change_options[] = {
    {"--tag", true}, {"--chip", true}, {"--reason", true}, {"--helper", true}, {NULL, false}};
static const struct verb_option redo_options[] = {
    {"--reason", true}, {"--chip", true}, {"--helper", true}, {NULL, false}};
static const struct verb_option hold_options[] = {{"--missing", false},
                                                  {"--reprint", false},
                                                  {"--reason", true},
                                                  {"--helper", true},
                                                  {NULL, false}};
static const struct verb_option unhold_options[] = {
    {"--reason", true}, {"--helper", true}, {NULL, false}};
static const struct verb_option look_options[] = {
    {"--tag", true}, {"--helper", true}, {"--stack", true}, {NULL, false}};
static const struct verb_option roll_options[] = {
    {"--loaded", false}, {"--removed", false}, {"--scrapped", false}, {"--pair", false},
    {"--count", true},   {"--helper", true},   {NULL, false}};
static const struct verb_option note_options[] = {
    {"--bib", true}, {"--table", true}, {"--helper", true}, {NULL, false}};
static const struct verb_option close_options[] = {{"--helper", true}, {NULL, false}};
static const struct verb_option verify_options[] = {{"--every", false}, {NULL, false}};
static const struct verb_option force_options[] = {{"--force", false}, {NULL, false}};
static const struct verb_option export_options[] = {
    {"--since-handover", false}, {"--force", false}, {NULL, false}};
static const struct verb_option handover_options[] = {
    {"--out", true}, {"--force", false}, {"--helper", true}, {NULL, false}};
static const struct verb_option recover_options[] = {
    {"--peer", true}, {"--from", true}, {"--listen", true}, {"--wait", true}, {NULL, false}};
static const struct verb_option proof_options[] = {
    {"--stack", true}, {"--wrong-at-most", true}, {"--confidence", true}, {NULL, false}};
static const struct verb_option proof_plan_options[] = {{"--stack", true},
                                                        {"--wrong-at-most", true},
                                                        {"--confidence", true},
                                                        {"--seed", true},
                                                        {NULL, false}};
static const struct verb_option barcodes_options[] = {
    {"--bibs", true},   {"--out", true},    {"--code", true}, {"--card", false},
    {"--badges", true}, {"--force", false}, {NULL, false}};
static const struct verb_option merge_options[] = {{"--out", true}, {NULL, false}};

const struct verb verb_table[] = {
    {"event new",
     "event new --name NAME --bibs RANGES --scheme SCHEME [--tags-per-bib N] [--late RANGES]\n"
     "          [--start DATE] [--station NAME] [--listen ADDR:PORT]... [--zeros-count]\n"
     "          [--epc-unique | --epc-repeats] [--passphrase-file FILE | --unsealed]\n"
     "          [--second-lead NAME | --no-second-lead]",
     "Makes an event, and this folder's station as its lead.",
     "RANGES are like 1-700,900. SCHEME is gid96:MANAGER:CLASS, own:CODE[:AFI], or as-read for\n"
     "chips that come written; AFI is two hex digits in place of 0F. --late names numbers for\n"
     "late entries, which are never asked about.\n"
     "--tags-per-bib is 1 to 4, else 1. --zeros-count makes 007 another bib than 7.\n"
     "--epc-unique says that no two chips have the same EPC (else only with as-read);\n"
     "--epc-repeats says that they may. --listen is where other stations can reach this one.\n"
     "The event's key is sealed with a passphrase: typed at a terminal, or the first line of "
     "FILE.\n",
     event_new_options, verb_event_new, VERB_MAKES_FOLDER, 0},
    {"event recovery", "event recovery --out FILE [--passphrase-file FILE] [--force]",
     "Writes the event's key, sealed, to a file to be kept elsewhere.",
     "Where the key in the folder is not sealed, the passphrase is for the file.\n",
     recovery_options, verb_event_recovery, VERB_MAKES_FOLDER, 0},
    {"event restore-root", "event restore-root --from FILE [--passphrase-file FILE]",
     "Takes the event's key from a recovery file into a lead's folder, sealed.",
     "That station can then let in leads and put them out, with the passphrase.\n",
     restore_root_options, verb_event_restore_root, VERB_STATION, VERB_ASKS_ROOT},
    {"join",
     "join TICKET [--name NAME] [--listen ADDR:PORT]... [--peer ADDR:PORT]... [--lead CODE]\n"
     "join --name NAME --request FILE [--listen ADDR:PORT]... [--force]\n"
     "join --grant FILE",
     "Makes this folder's station, and has it let in: with a ticket, or by files.",
     "TICKET is a file or its text, in quotes; blanks, small letters, O for 0 and I or L for 1 do "
     "not\n"
     "matter. The lead's `run` must be going. --peer is where the lead is, if not where the ticket "
     "says;\n"
     "--lead CODE is another lead of the event (`ticket lead` there shows it). Doing it again is "
     "safe.\n"
     "Without a network: take the request FILE to the lead's station (`admit`), and bring the "
     "grant "
     "back.\n"
     "Neither file is secret. --force replaces an old request file.\n",
     join_options, verb_join, VERB_MAKES_FOLDER, 0},
    {"ticket",
     "ticket NAME [--bibs RANGES] [--role table|reader] [--expires WHEN] [--out FILE]\n"
     "       [--svg FILE.svg] [--address ADDR:PORT] [--force]\n"
     "ticket --tables 1-20 [--spare N] [--bibs-each N] [--sheet FILE.svg] [--out FOLDER] ...",
     "Makes tickets with which stations join over the network (see also: ticket list, cancel, "
     "lead).",
     "A ticket lets one station in, once. It is good for 14 days, or --expires: hours (36), a day\n"
     "(2027-05-16), or a day and a time (2027-05-16T20:00). --bibs are numbers that the station "
     "gets.\n"
     "--address is where this laptop will be called; else what its admit says, else its own "
     "address\n"
     "now. The file also names the other leads, who know each ticket as soon as they have heard of "
     "it.\n"
     "--sheet makes pages to print, eight tickets on each, and --out of a folder both files and "
     "pages.\n"
     "With --bibs-each, each table (and no spare) gets the next N numbers that nobody has.\n"
     "With --json --inline, the pages to print stand in the answer as SVG, and in no file.\n",
     ticket_options, verb_ticket, VERB_STATION, 0},
    {"ticket list", "ticket list", "Lists the tickets: open, used by whom, cancelled, over.", "",
     no_options, verb_ticket_list, VERB_STATION, 0},
    {"ticket cancel", "ticket cancel NAME-or-NUMBER [--reason TEXT]",
     "Takes a ticket back that was not used yet.", "", ticket_cancel_options, verb_ticket_cancel,
     VERB_STATION, 0},
    {"ticket lead", "ticket lead [--address ADDR:PORT]",
     "Shows this lead's code, for join TICKET --lead CODE.",
     "For the tickets of another lead of the event, whose laptop is dead.\n", ticket_lead_options,
     verb_ticket_lead, VERB_STATION, 0},
    {"admit",
     "admit REQUEST --out GRANT [--role table|lead|reader] [--bibs RANGES] [--force]\n"
     "      [--passphrase-file FILE]",
     "Lets a station in, on the lead's station.",
     "--bibs also gives it its numbers. The role is table unless said; a reader may ask, and\n"
     "writes nothing. Letting in a lead needs the event's key, and its passphrase if it is "
     "sealed.\n"
     "Doing it again writes the grant again.\n",
     admit_options, verb_admit, VERB_STATION, VERB_ASKS_ROOT},
    {"retire",
     "retire NAME --dead|--stolen [--replacement NAME] [--reason TEXT] [--at NUMBER]\n"
     "       [--passphrase-file FILE] [--helper INITIALS]",
     "Puts a station out, on a lead's station.",
     "--dead: nobody can use that laptop any more; what is found on it later counts. --stolen, or\n"
     "lost: it is refused, and only what is held of it here counts (with --at, up to that record "
     "of\n"
     "the log that it wrote last). --replacement gets its numbers. It is final; a laptop that "
     "comes\n"
     "back joins with another folder. Putting out a lead needs the event's key.\n",
     retire_options, verb_retire, VERB_STATION, VERB_ASKS_HOW | VERB_ASKS_ROOT},
    {"allot", "allot NAME RANGES", "Gives bib numbers to a station.", "", no_options, verb_allot,
     VERB_STATION, 0},
    {"run",
     "run [--listen ADDR:PORT]... [--peer ADDR:PORT]... [--beacon PORT|off] [--page PORT|off]\n"
     "    [--encoder NAME[:ARGS]]... [--gone MS]",
     "Runs the station: it exchanges records with the others until it is stopped.",
     "Others are found by their admits, by what they were reached at before, and by small "
     "messages\n"
     "on the network (UDP port 7117, or --beacon); where those are blocked, one --peer is enough.\n"
     "Its pages are at http://127.0.0.1:7118/, or --page, for browsers on this machine alone.\n"
     "Prints `ready ADDR:PORT` once it serves, and `page URL`. Port 0 is any free port. Ends "
     "cleanly on SIGTERM "
     "or\n"
     "Ctrl-C.\n"
     "--encoder is what writes and reads chips at this table: `rehearse` (none: for training),\n"
     "llrp:ADDR[:PORT][,antenna=1][,power=INDEX][,password-file=FILE][,lock] for an LLRP reader, "
     "or\n"
     "program:COMMAND for any program that speaks as DEVELOPERS.md says under Encoders. It can be\n"
     "given several times: what is typed at any of them is taken, and the first writes the chips.\n"
     "keys:DEVICE is a scanner that types: its device under /dev/input/by-id, a serial line, or\n"
     "scanner=PART OF ITS NAME; behind commas prefix=, suffix=, gap=MS, baud=. It must be set to\n"
     "the US layout, and nothing else gets its keys.\n"
     "--gone is how long a chip may be unheard before it counts as taken away (1500).\n",
     run_options, run_node, VERB_NODE, 0},
    {"encoder", "encoder NAME [ARGS]", "", "A node starts this: see run --encoder.\n", no_options,
     verb_encoder, VERB_MAKES_FOLDER, 0},
    {"desk",
     "desk [--series FIRST-LAST [--step N] [--check-every N]] [--helper INITIALS]\n"
     "     [--roll NAME [--pair]]\n"
     "desk --view\n"
     "desk --input JSON",
     "Works at this table in a terminal: scan or type a bib, stick the chip on, next.",
     "Needs the station's running `run`. FIRST may lie above LAST. F1 to F6 answer a question, F7\n"
     "stops a series, F8 says that this bib is not here or spoiled, F9 takes the last chip back, "
     "F10\n"
     "looks at what is on the antenna, F11 goes back to one bib at a time; Ctrl-D leaves. --view\n"
     "prints what the desk says now; --input gives it one input, as DEVELOPERS.md says under "
     "Desk.\n",
     desk_options, verb_desk, VERB_STATION, 0},
    {"issue",
     "issue BIB [--tag EPC[/TID]]... [--replace REASON [--chip WHERE] | --extra REASON]\n"
     "      [--reason TEXT] [--how scan|typed|series] [--half] [--helper INITIALS]\n"
     "issue - [OPTIONS]\n"
     "issue --from FILE [--helper INITIALS]",
     "Records that a bib has got its chip, or its pair of chips.",
     "Without --tag, the chips carry what the event's scheme gives to the bib. WHERE is where the\n"
     "old chip is: destroyed, lost, or on:BIB. --reason says that an unusual number or chip is\n"
     "meant. With `-`, bibs come from standard input, one a line, each with its chips behind it "
     "if\n"
     "they are named, and each is on disk before the next is read. --from takes a supplier's list\n"
     "of chips that came written: a CSV file whose first line names the columns bib, epc and tid. "
     "If\n"
     "a line is wrong nothing is recorded; what was recorded before is passed over.\n",
     issue_options, verb_issue, VERB_STATION, VERB_ASKS_CHIP},
    {"void", "void RECORD --reason TEXT [--chip WHERE] [--helper INITIALS]",
     "Takes a chip back: that record no longer counts.",
     "RECORD is at least 8 digits of its number, as `ask` shows it. WHERE is destroyed, lost or\n"
     "on:BIB; a script that does not say means lost.\n",
     void_options, verb_void, VERB_STATION, VERB_ASKS_CHIP},
    {"settle",
     "settle BIB --keep RECORD [--unseen] [--reason TEXT] [--chip WHERE] [--helper INITIALS]",
     "Settles a bib that was chipped twice: RECORD stays, its other chips no longer count.",
     "Scan the bib and read its chip first; --unseen says that nobody looked.\n", settle_options,
     verb_settle, VERB_STATION, VERB_ASKS_CHIP},
    {"change",
     "change OLD NEW [--tag EPC[/TID]]... [--chip WHERE] [--reason TEXT] [--helper INITIALS]",
     "Gives a runner another bib: bib NEW gets the chip, bib OLD has none any more.",
     "One act, so that nobody starts with both numbers or with none. Where chips are taken as "
     "they\n"
     "come the same chip goes on; else the new bib gets a new one, and WHERE is where the old "
     "chip\n"
     "is: destroyed, lost, or on:BIB. --reason says that an unusual number is meant.\n",
     change_options, verb_change, VERB_STATION, 0},
    {"redo", "redo FROM-TO --reason TEXT [--chip WHERE] [--helper INITIALS]",
     "Takes back what this table chipped in a run of bibs, to be done again.",
     "When a stack got out of step. All or nothing; what other tables chipped in that run stays.\n",
     redo_options, verb_redo, VERB_STATION, VERB_ASKS_CHIP},
    {"hold", "hold BIB... [--missing | --reprint] --reason TEXT [--helper INITIALS]",
     "Says that a bib is not to be chipped for now.",
     "--missing: it is not in the box; --reprint: it is to be printed again. What a lead holds "
     "back,\n"
     "only a lead gives free; what is missing or to be reprinted, whoever has it in hand.\n",
     hold_options, verb_hold, VERB_STATION, 0},
    {"unhold", "unhold BIB... [--reason TEXT] [--helper INITIALS]", "Gives a bib free again.", "",
     unhold_options, verb_unhold, VERB_STATION, 0},
    {"look",
     "look BIB [--tag EPC[/TID]]... [--stack FIRST-LAST] [--helper INITIALS]\n"
     "look --tag EPC[/TID]...",
     "Tells whether a bib carries the chips that the list says, and keeps what was seen.",
     "Without --tag: nothing was heard on it. Without BIB it tells what the chip is, and keeps\n"
     "nothing. Ends with status 1 if anything is wrong.\n",
     look_options, verb_look, VERB_STATION, 0},
    {"roll",
     "roll [ROLL [--loaded | --removed | --scrapped] [--pair] [--count N] [--helper INITIALS]]",
     "Records which roll of chips is loaded at this table, or that it is not any more.",
     "ROLL is what is written on it. --pair: its chips come in pairs. N is how many chips are on\n"
     "it; with --scrapped, how many were spoiled (without it: the whole roll). Without ROLL:\n"
     "lists how many chips of each roll were used and scrapped, by table, and how many are left.\n",
     roll_options, verb_roll, VERB_STATION, 0},
    {"note", "note [TEXT] [--bib BIB] [--table NAME] [--helper INITIALS]",
     "Keeps a sentence, for all tables to read.", "Without TEXT: lists what was noted.\n",
     note_options, verb_note, VERB_STATION, 0},
    {"ask", "ask BIB-or-EPC-or-TID", "Tells all that is known of a bib or a chip.", "", no_options,
     verb_ask, VERB_STATION, 0},
    {"doubles", "doubles", "Lists bibs that were chipped twice, and chips on two bibs.",
     "Ends with status 1 if there are any.\n", no_options, verb_doubles, VERB_STATION, 0},
    {"status", "status", "Tells how this station is, and how far the others are.",
     "With --json: last_heard_ms is how long ago a station was last heard, alone_since_ms is the\n"
     "time (ms since 1970) since when none is; both are null where that is not known.\n",
     no_options, verb_status, VERB_STATION, 0},
    {"proof plan",
     "proof plan --stack FIRST-LAST|N [--wrong-at-most SHARE] [--confidence SHARE] [--seed TEXT]",
     "Says how many bibs of a stack to look at, and which, to prove it right.",
     "The last bib of the stack is always among them, the others are drawn. SHARE is like 1% or "
     "0.01:\n"
     "if all that are looked at are right, then with that confidence (else 95%) no more than that\n"
     "share (else 5%) is wrong. Bibs that are not chipped or on hold are left out. The same "
     "--seed\n"
     "draws the same bibs. Keep each look with `look BIB --tag EPC --stack FIRST-LAST`.\n",
     proof_plan_options, verb_proof_plan, VERB_COPY, 0},
    {"proof", "proof --stack FIRST-LAST [--wrong-at-most SHARE] [--confidence SHARE]",
     "Says what the looks at a stack prove so far, and where it went wrong.",
     "Where bibs carry their neighbours' chips, it says which bib to look at next, until it is\n"
     "known where that shift begins and ends, and what to redo. A look counts until the bib gets\n"
     "another chip. Ends with status 1 if a bib is wrong, or not enough were looked at.\n",
     proof_options, verb_proof, VERB_COPY, 0},
    {"close", "close [--helper INITIALS]",
     "Says that this table has packed; later work opens it again.", "", close_options, verb_close,
     VERB_STATION, 0},
    {"verify", "verify [--every]", "Proves that the folder is sound.",
     "Makes everything again from the signed records and compares. --every checks each "
     "signature.\n",
     verify_options, verb_verify, VERB_COPY, 0},
    {"carry out", "carry out FILE [--force]", "Writes all records to a file, for a USB stick.",
     "An older carry file is replaced; anything else only with --force.\n", force_options,
     verb_carry_out, VERB_COPY, 0},
    {"carry in", "carry in FILE", "Takes the records of a file in.",
     "Ends with status 0 only if all of it was taken or was here already.\n", no_options,
     verb_carry_in, VERB_STATION, 0},
    {"merge", "merge --out FOLDER FILE-or-FOLDER...",
     "Makes one folder, for reading, from carry files and from the folders of stations.", "",
     merge_options, verb_merge, VERB_MAKES_FOLDER, 0},
    {"recover",
     "recover [--peer ADDR:PORT]... [--from FILE]... [--listen ADDR:PORT]... [--wait SECONDS]",
     "Gets a damaged folder back: from what is whole in it, from files, from the other tables.",
     "The folder's keys must be whole. The damaged files are kept in the folder, under "
     "damaged-DATE.\n"
     "FILE is a carry file or a grant. Then other stations are waited for, at most --wait SECONDS\n"
     "(else 20; 0: not at all), until all that are heard hold the same. Names what is missing "
     "then,\n"
     "and ends with status 1 if anything is.\n",
     recover_options, verb_recover, VERB_MAKES_FOLDER, 0},
    {"export", "export FILE.csv [--since-handover] [--force]",
     "Writes the chip list for the timing crew.",
     "Beside it, FILE-two-bibs.csv has chips that are on two bibs, and FILE-dead.csv chips that "
     "no\n"
     "longer count: what one of these shares with a chip that counts (EPC, TID) stands in columns\n"
     "of its own there, and must not be blocked. Chips from a supplier's list that nobody has "
     "read\n"
     "are marked \"not seen yet\".\n"
     "Names tables that are not closed first. Ends with status 1 if there are any, or doubles, or\n"
     "bibs in doubt, or bibs that lack a chip of their pair. --since-handover: only bibs that "
     "something was recorded of\n"
     "since the last list that was handed over.\n",
     export_options, verb_export, VERB_COPY, 0},
    {"handover", "handover --out FILE.csv [--force] [--helper INITIALS]",
     "Hands the chip list over to the timing crew, on a lead's station.",
     "Writes what `export` writes, and records that the crew has it: its number, and hashes of "
     "the\n"
     "list and of the state that it was made at. Ends with status 1 as `export` does.\n",
     handover_options, verb_handover, VERB_STATION, 0},
    {"barcodes",
     "barcodes --bibs RANGES|all --out FILE.pdf|FILE.svg [--code 128|39|qr] [--card] [--force]\n"
     "barcodes [--card] [--badges AB,CD] --out FILE.pdf|FILE.svg [--code 128|qr] [--force]",
     "Makes barcodes to print: of bibs that have none, and the card of answers for a table.",
     "24 labels of 70 x 37 mm on a page in A4. Several pages are one PDF, or FILE-1.svg, "
     "FILE-2.svg\n"
     "and so on. --card: what a table answers and says, for its scanner. --badges: one for each\n"
     "helper, who signs on at a table by having it scanned.\n",
     barcodes_options, verb_barcodes, VERB_COPY, 0},
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
        if (verb->summary[0] != '\0') { /* else nobody is meant to type it */
            buffer_print(out, "  %-18s  %s\n", verb->name, verb->summary);
        }
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
    call->status = err->code == ERR_SEALED ? (int)VERB_STATUS_SEALED : (int)error_class(err->code);
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
        error_say(&err,
                  "This station was put out of the event. Ask the lead; a laptop that comes back "
                  "joins again, with another folder.");
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
