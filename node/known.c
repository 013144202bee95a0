/*
 * known.c: the file `peers`. It must never fail loudly: it holds hints.
 */
#include "node/known.h"

#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

void known_load(struct known *known, const char *dir) {
    char line[ADDRESS_TEXT_MAX + 80], address[ADDRESS_TEXT_MAX], hex[65];
    struct error ignored;
    *known = (struct known){0};
    if (dir == NULL ||
        snprintf(known->path, sizeof known->path, "%s/peers", dir) >= (int)sizeof known->path - 8) {
        known->path[0] = 0;
        return;
    }
    int fd = open(known->path, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    FILE *file = fd < 0 ? NULL : fdopen(fd, "r");
    if (file == NULL) {
        return;
    }
    while (known->count < KNOWN_MAX && fgets(line, sizeof line, file) != NULL) {
        if (sscanf(line, "%63s %64s", address, hex) == 2 &&
            address_parse(address, &known->entry[known->count].address, &ignored) == ERR_OK &&
            hex_decode(hex, strlen(hex), known->entry[known->count].key.bytes, 32)) {
            known->count++;
        }
    }
    fclose(file);
}

static size_t find(const struct known *known, const struct address *address) {
    size_t i = 0;
    while (i < known->count && !address_equal(&known->entry[i].address, address)) {
        i++;
    }
    return i;
}

bool known_find(const struct known *known, const struct address *address,
                struct curve_public *key) {
    size_t i = find(known, address);
    if (i < known->count) {
        *key = known->entry[i].key;
    }
    return i < known->count;
}

/* By a temporary name, so that a crash leaves the old file or the new one. Not synced: a hint. */
static void save(const struct known *known) {
    char temporary[sizeof known->path + 8], hex[65];
    if (known->path[0] == 0) {
        return;
    }
    snprintf(temporary, sizeof temporary, "%s.new", known->path);
    unlink(temporary);
    int fd = open(temporary, O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, 0600);
    FILE *file = fd < 0 ? NULL : fdopen(fd, "w");
    if (file == NULL) {
        return;
    }
    for (size_t i = 0; i < known->count; i++) {
        hex_encode(known->entry[i].key.bytes, 32, hex);
        fprintf(file, "%s %s\n", known->entry[i].address.text, hex);
    }
    bool good = ferror(file) == 0;
    good = fclose(file) == 0 && good;
    if (!good || rename(temporary, known->path) != 0) {
        unlink(temporary);
    }
}

void known_put(struct known *known, const struct address *address, const struct curve_public *key) {
    size_t i = find(known, address);
    if (i < known->count && ID_EQUAL(known->entry[i].key, *key)) {
        return;
    }
    if (i == KNOWN_MAX) {
        memmove(&known->entry[0], &known->entry[1], (KNOWN_MAX - 1) * sizeof known->entry[0]);
        i--;
    } else if (i == known->count) {
        known->count++;
    }
    known->entry[i].address = *address;
    known->entry[i].key = *key;
    save(known);
}
