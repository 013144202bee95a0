#!/bin/sh
# Plays the histories of regressions.txt.
# usage: sh tests/sim/regressions.sh SIM        exit status 0 only if all hold
set -u
sim=$1
status=0
while read -r seed stations seconds troubles why; do
  case $seed in '#'* | '') continue ;; esac
  "$sim" --no-shrink --seed "$seed" --stations "$stations" --seconds "$seconds" \
    --troubles "$troubles" || {
    echo "was wrong once: ${why#| }"
    status=1
  }
done <"$(dirname -- "$0")/regressions.txt"
exit $status
