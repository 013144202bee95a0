#!/bin/sh
# The long run, for a night: fresh seeds of the simulator, and the fuzzers.
# usage: sh tests/soak.sh [--minutes M]      (60; half for each part)
# Exit status 0 only if neither part found anything. What was found is named with the command that
# shows it again.
set -u
cd "$(dirname -- "$0")/.." || exit 2
minutes=60
while [ $# -gt 0 ]; do
  case $1 in
    --minutes) minutes=${2:-} && shift ;;
    --minutes=*) minutes=${1#*=} ;;
    *) minutes= ;;
  esac
  shift
done
case $minutes in
  '' | 0 | *[!0-9]*)
    echo "usage: sh tests/soak.sh [--minutes M]" >&2
    exit 2
    ;;
esac
sh deploy/packages.sh build tests || exit $?
say() { printf '\n== %s\n' "$*"; }
status=0
seconds=$((minutes * 60))

# ---- the simulator: its own script takes the seconds that it may use ----
if [ -f tests/sim/soak.sh ]; then
  seconds=$((seconds / 2))
  say "simulator, $seconds seconds of fresh seeds"
  sh tests/sim/soak.sh $seconds || status=1
fi

# ---- the fuzzers: as many at once as there are processors, the slow targets longer ----
jobs=$(nproc 2>/dev/null || echo 2)
fuzz() {
  share=$1
  shift
  say "fuzzing $*, $((seconds * share / 100)) seconds each"
  sh tests/fuzz/short.sh $((seconds * share / 100)) "$@" || status=1
}
# Shares of the time for each target: 2 x 29 + 2 x 10 + 2 x 8 + 3 x 2, 100 per cent on one processor.
[ "$jobs" -gt 1 ] && seconds=$((seconds * 2))
fuzz 29 sync carry
fuzz 10 record control
fuzz 8 message text
fuzz 2 join llrp lines
exit $status
