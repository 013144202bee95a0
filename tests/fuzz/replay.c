/*
 * replay.c: main() of a fuzz target that is not linked with libFuzzer: runs each file that is
 * named, and each file in each folder that is named, through the target, once.
 * usage: fuzz_TARGET FILE-OR-FOLDER...
 */
#include "tests/fuzz/fuzz.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void run_file(const char *path) {
    FILE *file = fopen(path, "rb");
    struct buffer bytes;
    char chunk[4096];
    size_t got = 0;
    FUZZ_CHECK(file != NULL, "%s cannot be read", path);
    buffer_init(&bytes);
    while ((got = fread(chunk, 1, sizeof chunk, file)) > 0) {
        buffer_append(&bytes, chunk, got);
    }
    fclose(file);
    FUZZ_CHECK(!bytes.failed, "%s: out of memory", path);
    /* The exact size in a block of its own, so that a sanitizer sees a step behind its end. */
    uint8_t *data = malloc(bytes.size + (bytes.size == 0));
    FUZZ_CHECK(data != NULL, "%s: out of memory", path);
    memcpy(data, bytes.size == 0 ? (const uint8_t *)"" : bytes.data, bytes.size);
    fprintf(stderr, "%s\n", path);
    LLVMFuzzerTestOneInput(data, bytes.size);
    free(data);
    buffer_release(&bytes);
}

static size_t run_folder(const char *path) {
    DIR *folder = opendir(path);
    size_t count = 0;
    if (folder == NULL) {
        run_file(path);
        return 1;
    }
    for (const struct dirent *entry; (entry = readdir(folder)) != NULL;) {
        char name[4096];
        int length = snprintf(name, sizeof name, "%s/%s", path, entry->d_name);
        FUZZ_CHECK(length > 0 && (size_t)length < sizeof name, "%s: too long a name", path);
        if (entry->d_name[0] != '.') {
            count += run_folder(name);
        }
    }
    closedir(folder);
    return count;
}

int main(int argc, char **argv) {
    size_t count = 0;
    for (int i = 1; i < argc; i++) {
        count += run_folder(argv[i]);
    }
    FUZZ_CHECK(count > 0, "no input: a replay that runs nothing proves nothing");
    printf("%zu inputs, no finding\n", count);
    return 0;
}
