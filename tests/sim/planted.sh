#!/bin/sh
# Shows that the simulator can fail: plants known faults in the core, one at a time, and demands that
# a named invariant finds each. Prints a table. Takes some minutes, so tests/run.sh leaves it out.
# usage: sh tests/sim/planted.sh [BUILD] [NUMBER...]     (BUILD: build; a plain one, no sanitizers)
set -u
cd "$(dirname -- "$0")/../.." || exit 2
build=${1:-build}
[ $# -gt 0 ] && shift
cmake -G Ninja -S . -B "$build" >/dev/null && cmake --build "$build" --target sim || exit 2
exec node tests/sim/planted.mjs "$build" "$@"
