/*
 * encoder_llrp_main.c: the LLRP encoder alone, for llrp.mjs: encoder_llrp ARGS.
 */
#include "node/encoder_llrp.h"

int main(int argc, char **argv) {
    return argc == 2 ? encoder_llrp(argv[1]) : 2;
}
