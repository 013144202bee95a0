#!/bin/sh
# Runs clang-tidy over the core and the program. A command of its own, because it takes minutes;
# tests/run.sh does not call it. Configures build-clang/ for the list of compile commands.
# usage: sh tests/tidy.sh [FILE.c...]
set -eu
cd "$(dirname -- "$0")/.."
sh deploy/packages.sh build tests tidy
[ $# -gt 0 ] || set -- common/*.c node/*.c
cmake -G Ninja -S . -B build-clang -DCMAKE_C_COMPILER=clang >/dev/null
printf '%s\n' "$@" | xargs -P "$(nproc)" -n 4 clang-tidy -p build-clang --quiet
