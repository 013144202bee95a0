/*
 * tags.c: answers questions on EPCs, one line for each line, for tags.mjs, which asks a library
 * that shares no code with the program the same.
 *
 *   make SCHEME BIB       the EPC in hex, or "refused"
 *   number SCHEME EPC     the number that it carries, or "none"
 *   sight SCHEME EPC      the kind of tag as a number, and its name
 */
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "common/tag.h"

enum { LINE_MAX_SIZE = 256 };

static void make(const struct epc_scheme *scheme, const char *bib_text) {
    struct bib bib;
    struct epc epc;
    struct error err;
    char hex[2 * EPC_SIZE_MAX + 1];
    if (bib_parse(slice_text(bib_text), false, &bib, &err) != ERR_OK ||
        epc_for_bib(scheme, &bib, &epc, &err) != ERR_OK) {
        puts("refused");
        return;
    }
    hex_encode(epc.data, epc.size, hex);
    puts(hex);
}

static void read_back(const struct epc_scheme *scheme, const struct epc *epc) {
    uint64_t number = 0;
    if (epc_number(scheme, epc, &number)) {
        printf("%" PRIu64 "\n", number);
    } else {
        puts("none");
    }
}

static void recognise(const struct epc_scheme *scheme, const struct epc *epc) {
    static struct record_found found;
    struct tag_sight sight;
    found.category_count = 1;
    found.category[0].scheme = *scheme;
    tag_recognise(&found, epc, NULL, &sight);
    printf("%d %s\n", (int)sight.kind, sight.name);
}

static void answer(char *line) {
    const char *what = strtok(line, " \n");
    const char *scheme_text = strtok(NULL, " \n");
    const char *value = strtok(NULL, " \n");
    struct epc_scheme scheme;
    struct epc epc;
    struct error err;
    if (what == NULL || scheme_text == NULL || value == NULL ||
        epc_scheme_parse(slice_text(scheme_text), &scheme, &err) != ERR_OK) {
        puts("refused");
    } else if (strcmp(what, "make") == 0) {
        make(&scheme, value);
    } else if (epc_parse(slice_text(value), &epc, &err) != ERR_OK) {
        puts("refused");
    } else if (strcmp(what, "number") == 0) {
        read_back(&scheme, &epc);
    } else {
        recognise(&scheme, &epc);
    }
}

int main(void) {
    char line[LINE_MAX_SIZE];
    while (fgets(line, sizeof(line), stdin) != NULL) {
        answer(line);
    }
    return 0;
}
