#!/bin/sh
# The one command that tests everything that is tested at every change: it installs what is
# missing, builds three times, fuzzes for a minute, and runs the tests of two builds through ctest.
# usage: sh tests/run.sh
# Exit status 0 only if all of it passed. The last lines are ctest's own.
#
# build/       gcc, as it ships: all tests
# build-asan/  clang, with Address- and UndefinedBehaviourSanitizer: all tests but those labelled
#              `once` (what they use does not get on with sanitizers, or once is enough)
# build-fuzz/  clang, with libFuzzer: each target of tests/fuzz for ten seconds
# Both compilers build everything, with warnings as errors. Long things have commands of their own:
# tests/tidy.sh, tests/soak.sh, tests/coverage.sh, and the benchmarks in tests/bench.
set -u
cd "$(dirname -- "$0")/.." || exit 2
jobs=$(nproc 2>/dev/null || echo 2)
say() { printf '\n== %s\n' "$*"; }

say "packages"
sh deploy/packages.sh build tests || exit $?

say "layout of the C files (clang-format)"
find common node tests -name '*.[ch]' -exec clang-format --dry-run -Werror {} + || exit 1

make() {
  folder=$1
  shift
  cmake -G Ninja -S . -B "$folder" "$@" >/dev/null && cmake --build "$folder" -j "$jobs"
}
say "build with gcc, into build/"
make build -DCMAKE_C_COMPILER=gcc -DCMAKE_BUILD_TYPE=RelWithDebInfo || exit 1
say "build with clang and sanitizers, into build-asan/"
make build-asan -DCMAKE_C_COMPILER=clang -DCMAKE_BUILD_TYPE=RelWithDebInfo \
  -DBIBWEAVE_SANITIZE=ON || exit 1

status=0
say "fuzzers, ten seconds each"
sh tests/fuzz/short.sh 10 || status=1

say "tests of the sanitized build"
closing=$(mktemp) || exit 2
trap 'rm -f "$closing"' EXIT
{
  ctest --test-dir build-asan -j "$jobs" --output-on-failure --no-tests=error \
    --label-exclude 'once|net|bench'
  echo $? >"$closing.status"
} 2>&1 | tee "$closing"
[ "$(cat "$closing.status")" = 0 ] || status=1
rm -f "$closing.status"

say "tests of the plain build"
ctest --test-dir build -j "$jobs" --output-on-failure --no-tests=error --label-exclude bench ||
  status=1

if [ $status != 0 ]; then
  say "not all is well. The sanitized build ended with"
  grep -A 1000 'tests passed' "$closing"
fi
exit $status
