#!/bin/sh
# One seed plays one history: the same output twice, also of a failure's counts.
# usage: sh tests/sim/replay.sh SIM
set -u
first=$(mktemp) && second=$(mktemp) || exit 2
trap 'rm -f "$first" "$second"' EXIT
"$1" --no-shrink --seed 4711 --seeds 2 --stations 8 --seconds 10 >"$first" || exit 1
"$1" --no-shrink --seed 4711 --seeds 2 --stations 8 --seconds 10 >"$second" || exit 1
[ -s "$first" ] && cmp "$first" "$second"
