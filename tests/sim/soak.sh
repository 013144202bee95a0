#!/bin/sh
# Fresh seeds of the simulator for a stated time: called by tests/soak.sh.
# usage: sh tests/sim/soak.sh SECONDS
# Prints how many histories were played; what fails is named with the command that plays it again.
set -u
cd "$(dirname -- "$0")/../.." || exit 2
seconds=${1:-600}
cmake -G Ninja -S . -B build >/dev/null && cmake --build build --target sim >/dev/null || exit 2
seed=$(date +%s)000
status=0
log=$(mktemp) || exit 2
trap 'rm -f "$log"' EXIT
# usage: play PERCENT STATIONS SECONDS_OF_HISTORY
play() {
  build/tests/sim --seed "$seed" --seeds 1000000 --for $((seconds * $1 / 100)) --stations "$2" \
    --seconds "$3" >"$log" || status=1
  echo "$2 stations, $3 s, seeds from $seed: $(tail -n 1 "$log")"
}
play 60 8 10
play 15 8 120
play 10 20 30
play 15 50 15
exit $status
