/*
 * manual.c: the man page, written from the table of commands, so that the two cannot differ.
 * Must never print: it fills a buffer (`bibweave --manual`, which the build calls).
 */
#include "node/verb.h"

#include <string.h>

/* Text as troff wants it: no line begins with a dot or an apostrophe, backslashes and hyphens are
 * plain characters. */
static void put_text(struct buffer *out, const char *text, size_t length) {
    for (size_t i = 0; i < length; i++) {
        bool begins = i == 0 || text[i - 1] == '\n';
        if (begins && (text[i] == '.' || text[i] == '\'')) {
            buffer_print(out, "\\&");
        }
        if (text[i] == '\\') {
            buffer_print(out, "\\e");
        } else if (text[i] == '-') {
            buffer_print(out, "\\-");
        } else {
            buffer_append(out, &text[i], 1);
        }
    }
}

static void put_line(struct buffer *out, const char *text) {
    put_text(out, text, strlen(text));
    buffer_print(out, "\n");
}

static void put_usage(struct buffer *out, const char *usage) {
    buffer_print(out, ".PP\n.nf\n");
    for (const char *line = usage; *line != '\0';) {
        size_t length = strcspn(line, "\n");
        put_text(out, line[0] == ' ' ? "         " : "bibweave ", 9);
        put_text(out, line, length);
        buffer_print(out, "\n");
        line += length + (line[length] == '\n' ? 1 : 0);
    }
    buffer_print(out, ".fi\n");
}

void verb_manual(struct buffer *out) {
    buffer_print(out, ".TH BIBWEAVE 1 \"\" \"bibweave\" \"User commands\"\n.SH NAME\n"
                      "bibweave \\- which chip is on which bib, at many tables at once\n"
                      ".SH SYNOPSIS\n.B bibweave\n[\\-\\-dir FOLDER] VERB ... [\\-\\-json]\n"
                      ".SH DESCRIPTION\n");
    put_line(out,
             "Records which UHF chip is on which bib at each table of an expo, without waiting "
             "for a network; exchanges the records with the other tables whenever one of them "
             "can be reached; shows bibs that were chipped twice; and writes one list for the "
             "timing crew. A node (run) holds a station's folder while it runs; all other "
             "verbs then go through it, and do the same without one.");
    buffer_print(out, ".SH OPTIONS\n.TP\n.B \\-\\-dir FOLDER\n");
    put_line(out,
             "The station's data folder; else BIBWEAVE_DIR; else bibweave in XDG_STATE_HOME or "
             "in ~/.local/state.");
    buffer_print(out, ".TP\n.B \\-\\-json\nAnswers for programs.\n.TP\n.B \\-\\-help\n"
                      "Behind a verb: how that verb is written.\n.SH VERBS\n");
    for (const struct verb *verb = verb_table; verb->name != NULL; verb++) {
        if (verb->summary[0] == '\0') {
            continue; /* nobody is meant to type it */
        }
        buffer_print(out, ".SS %s\n", verb->name);
        put_line(out, verb->summary);
        put_usage(out, verb->usage);
        if (verb->more[0] != '\0') {
            buffer_print(out, ".PP\n");
            put_text(out, verb->more, strlen(verb->more));
        }
    }
    buffer_print(out, ".SH EXIT STATUS\n.TP\n.B 0\nDone.\n.TP\n.B 1\n"
                      "It cannot be done as things stand: chipped already, chipped twice, tables "
                      "not closed.\n.TP\n.B 2\nThe input is wrong.\n.TP\n.B 3\n"
                      "The machine does not do it: disk, permission, socket.\n"
                      ".SH ENVIRONMENT\n.TP\n.B BIBWEAVE_DIR\nThe data folder.\n");
}
