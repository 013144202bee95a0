#!/bin/sh
# Fuzzes each target for a few seconds, from the kept corpus and from seeds that the program makes.
# usage: sh tests/fuzz/short.sh [SECONDS [TARGET...]]     (10 seconds each; all targets)
# Exit status: 0 no finding; 1 a finding, which is kept in build-fuzz/findings/ and named with the
# command that shows it; 2 it could not be built.
#
# Builds build-fuzz/ with clang, libFuzzer, Address- and UndefinedBehaviourSanitizer. What was worth
# keeping goes to build-fuzz/corpus/, from where the next run goes on; keep.sh brings it here.
set -u
cd "$(dirname -- "$0")/../.." || exit 2
seconds=${1:-10}
[ $# -gt 0 ] && shift
[ $# -gt 0 ] || set -- record message text join carry sync control llrp lines
jobs=$(nproc 2>/dev/null || echo 2)

build=build-fuzz
wanted=make_seeds
for target; do wanted="$wanted fuzz_$target"; done
# shellcheck disable=SC2086  # words, on purpose
cmake -G Ninja -S . -B $build -DCMAKE_C_COMPILER=clang -DBIBWEAVE_FUZZ=ON >/dev/null &&
  cmake --build $build -j "$jobs" --target $wanted >$build/fuzz-build.log || {
  cat $build/fuzz-build.log
  exit 2
}
rm -rf $build/seeds
mkdir -p $build/seeds $build/findings
$build/tests/fuzz/make_seeds $build/seeds || exit 2
for target; do mkdir -p $build/seeds/"$target"; done # some have kept inputs alone

fuzz() {
  target=$1
  case $target in
    carry) max=12000 ;; # longer files only cost time
    sync) max=3000 ;;
    *) max=4096 ;;
  esac
  mkdir -p $build/corpus/"$target"
  kept=
  for folder in corpus regress; do
    [ -d tests/fuzz/$folder/"$target" ] && kept="$kept tests/fuzz/$folder/$target"
  done
  # shellcheck disable=SC2086
  $build/tests/fuzz/fuzz_"$target" -max_total_time="$seconds" -max_len=$max -timeout=20 \
    -rss_limit_mb=2048 -print_final_stats=1 -artifact_prefix=$build/findings/"$target"- \
    $build/corpus/"$target" $kept $build/seeds/"$target" >$build/fuzz-"$target".log 2>&1
  status=$?
  runs=$(sed -n 's/^stat::number_of_executed_units: *//p' $build/fuzz-"$target".log)
  if [ $status = 0 ]; then
    echo "fuzz_$target: $runs runs in $seconds s, no finding"
  else
    echo "fuzz_$target: A FINDING"
    grep -E '^finding|broken invariant|^SUMMARY|runtime error|^==.*ERROR' $build/fuzz-"$target".log
    found=$(sed -n 's/.*Test unit written to //p' $build/fuzz-"$target".log)
    echo "  shown by: $build/tests/fuzz/fuzz_$target $found"
    : >$build/findings/failed
  fi
}

rm -f $build/findings/failed
running=0
for target; do
  fuzz "$target" &
  running=$((running + 1))
  if [ $running -ge "$jobs" ]; then
    wait
    running=0
  fi
done
wait
[ ! -e $build/findings/failed ]
