/* replay_mutate.c: what a mutator calls, for programs that are not linked with libFuzzer. */
#include "tests/fuzz/fuzz.h"

size_t LLVMFuzzerMutate(uint8_t *data, size_t size, size_t size_max) {
    (void)data;
    return size < size_max ? size : size_max;
}
