#!/bin/sh
# Line coverage of common/ by the tests that need no second machine: unit, outside, sim and the
# replayed corpus of the fuzzers. Prints a line for each file, the total, and with --lines every
# line that no test reaches.
# usage: sh tests/coverage.sh [--lines]
#
# Builds build-coverage/ with clang's source-based coverage. Not a verdict: what is not covered is to
# be looked at by a person.
set -u
cd "$(dirname -- "$0")/.." || exit 2
sh deploy/packages.sh build tests coverage || exit $?
jobs=$(nproc 2>/dev/null || echo 2)
build="build-coverage"
cmake -G Ninja -S . -B $build -DCMAKE_C_COMPILER=clang -DCMAKE_BUILD_TYPE=RelWithDebInfo \
  -DCMAKE_C_FLAGS='-fprofile-instr-generate -fcoverage-mapping -mllvm -runtime-counter-relocation' \
  >/dev/null || exit 2
cmake --build $build -j "$jobs" >$build/build.log || {
  tail -40 $build/build.log
  exit 2
}
rm -rf $build/raw
mkdir -p $build/raw
# A profile for each process, or those that run at once would overwrite each other's; written as it
# runs (%c), because children of the simulator end without ceremony.
LLVM_PROFILE_FILE=$PWD/$build/raw/%p-%m%c.profraw \
  ctest --test-dir $build -j "$jobs" --output-on-failure --no-tests=error \
  -R '^(unit|outside|sim|fuzz)_' >$build/tests.log
status=$?
tail -3 $build/tests.log

# The first program stands by itself, the others behind -object.
objects=
for program in "$build"/tests/test_* "$build"/tests/fuzz/fuzz_* "$build"/tests/sim* \
  "$build"/tests/make_log; do
  [ -f "$program" ] && [ -x "$program" ] && objects="$objects${objects:+ -object }$program"
done
llvm-profdata merge -sparse -o $build/all.profdata $build/raw/*.profraw || exit 2
# shellcheck disable=SC2086  # words, on purpose
llvm-cov export -format=lcov -instr-profile=$build/all.profdata $objects common/*.c \
  >$build/all.lcov || exit 2
awk -v lines="${1:-}" '
  /^SF:/ { file = $0; sub(/.*\/common\//, "common/", file) }
  /^DA:/ {
    split(substr($0, 4), at, ",")
    key = file SUBSEP at[1]
    if (!(key in seen)) { seen[key] = 1; all[file]++ ; order[++n] = key; hit[key] = 0 }
    if (at[2] > 0) hit[key] = 1
  }
  END {
    for (i = 1; i <= n; i++) {
      split(order[i], part, SUBSEP)
      covered[part[1]] += hit[order[i]]
      if (!hit[order[i]]) missed[part[1]] = missed[part[1]] " " part[2]
    }
    for (file in all) {
      total += all[file]; reached += covered[file]
      printf "%-32s %5d of %5d lines %6.1f %%\n", file, covered[file], all[file],
        100 * covered[file] / all[file] | "sort"
      if (lines == "--lines" && missed[file] != "") print file " not reached:" missed[file] | "sort"
    }
    close("sort")
    printf "%-32s %5d of %5d lines %6.1f %%\n", "total", reached, total, 100 * reached / total
  }' $build/all.lcov
exit $status
