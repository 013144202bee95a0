#!/bin/sh
# Makes the kept corpus anew: of what is kept, the program's own seeds, and what short.sh and
# soak.sh found, the few inputs that together reach most of what any of them reaches. Seconds of a
# test run are worth more than the last line.
# usage: sh tests/fuzz/keep.sh [TARGET...]       (after short.sh or soak.sh)
set -eu
cd "$(dirname -- "$0")/../.."
most=48 # files for each target
[ $# -gt 0 ] || set -- record message text join carry sync control
for target; do
  made=$(mktemp -d)
  kept=tests/fuzz/corpus/$target
  mkdir -p "$kept" build-fuzz/corpus/"$target"
  # Chosen one after the other, each for what it adds; the first ones add most.
  build-fuzz/tests/fuzz/fuzz_"$target" -set_cover_merge=1 -use_counters=0 -max_len=8000 "$made" \
    build-fuzz/seeds/"$target" "$kept" build-fuzz/corpus/"$target" \
    >build-fuzz/merge-"$target".log 2>&1
  rm -f "$kept"/*
  find "$made" -type f -printf '%T@ %p\n' | sort -n | head -n $most | while read -r _ file; do
    cp "$file" "$kept"/
  done
  rm -rf "$made"
  echo "$kept: $(find "$kept" -type f | wc -l) files, $(du -sk --apparent-size "$kept" | cut -f1) KiB"
done
