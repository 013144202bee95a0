/*
 * sample.c: answers on samples, one line for each line, for sample.mjs, which counts the same in
 * whole numbers of any size.
 *
 *   needed COUNT WRONG CONFIDENCE           looks that rule out WRONG of COUNT, all being right
 *   most COUNT N K CONFIDENCE               most of COUNT that may be wrong, K of N being wrong
 *   rules COUNT WRONG N K CONFIDENCE        1 or 0
 *   confidence COUNT WRONG N K              in hundredths of a millionth, rounded down
 */
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "common/sample.h"

enum { LINE_MAX_SIZE = 256, WORDS_MAX = 8 };

static bool share_of(const char *text, struct sample_share *share) {
    struct error err;
    return sample_share_parse(slice_text(text), share, &err) == ERR_OK;
}

static uint64_t number(const char *text) {
    uint64_t value = 0;
    return sscanf(text, "%" SCNu64, &value) == 1 ? value : 0;
}

static void answer(char *word[WORDS_MAX], size_t count) {
    struct sample_share share;
    uint64_t a = count > 1 ? number(word[1]) : 0, b = count > 2 ? number(word[2]) : 0;
    if (count == 4 && strcmp(word[0], "needed") == 0 && share_of(word[3], &share)) {
        printf("%" PRIu64 "\n", sample_needed(a, b, &share));
    } else if (count == 5 && strcmp(word[0], "most") == 0 && share_of(word[4], &share)) {
        printf("%" PRIu64 "\n", sample_most_wrong(a, b, number(word[3]), &share));
    } else if (count == 6 && strcmp(word[0], "rules") == 0 && share_of(word[5], &share)) {
        printf("%d\n", sample_rules_out(a, b, number(word[3]), number(word[4]), &share));
    } else if (count == 5 && strcmp(word[0], "confidence") == 0) {
        double confidence = sample_confidence(a, b, number(word[3]), number(word[4]));
        printf("%" PRIu64 "\n", (uint64_t)(confidence * 1e8));
    } else {
        puts("?");
    }
}

int main(void) {
    char line[LINE_MAX_SIZE];
    while (fgets(line, sizeof(line), stdin) != NULL) {
        char *word[WORDS_MAX];
        size_t count = 0;
        for (char *w = strtok(line, " \n"); w != NULL && count < WORDS_MAX;
             w = strtok(NULL, " \n")) {
            word[count++] = w;
        }
        answer(word, count);
    }
    return 0;
}
