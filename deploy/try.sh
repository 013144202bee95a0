#!/bin/sh
# Builds bibweave and shows the main job once, from nothing: an invented event, three stations as
# real processes, one of them really cut off, and one list at the end that all of them agree on.
# usage: sh deploy/try.sh [--stay]     --stay leaves the three stations running
# Exit status: 0 all was as it says; 1 something was not; 3 packages missing, or the build failed.
#
# Works in a folder of its own under $TMPDIR (or /tmp), removes it, and ends only what it started.
set -eu
PATH=$PATH:/usr/sbin:/sbin
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
example=$root/examples/kettle-hill
bw=$root/build-try/node/bibweave

usage() {
  sed -n '2,5s/^# \{0,1\}//p' "$0"
}

# ---- outside: packages, build, and how the third table will be cut off

build() {
  echo "Building (into build-try/) ..."
  mkdir -p "$root/build-try"
  log=$root/build-try/try.log
  if ! { cmake -G Ninja -S "$root" -B "$root/build-try" -DCMAKE_BUILD_TYPE=RelWithDebInfo \
           -DBIBWEAVE_TESTS=OFF && cmake --build "$root/build-try"; } >"$log" 2>&1; then
    tail -n 40 "$log" >&2
    echo "The build failed; all of it is in $log." >&2
    exit 3
  fi
}

# Network namespaces give each station a host of its own, with a cable that can be pulled. They
# need root, or a kernel that lets users make them; without either, sockets are closed instead.
namespaces() {
  for try in -nm -Urnm; do
    if unshare $try sh -c 'mount -t tmpfs none /run && ip netns add probe &&
         nsenter --net=/run/netns/probe ip link set lo up &&
         ip link add bridge0 type bridge && ip link add veth0 type veth peer name veth1' >/dev/null 2>&1; then
      echo "$try"
      return
    fi
  done
}

outside() {
  stay=
  for word; do
    case $word in
      --stay) stay=--stay ;;
      --help | -h) usage; exit 0 ;;
      *) usage >&2; exit 2 ;;
    esac
  done
  sh "$root/deploy/packages.sh" build || exit $?
  build
  work=$(mktemp -d "${TMPDIR:-/tmp}/bibweave-try.XXXXXX")
  trap 'exit 130' INT
  trap 'exit 143' TERM
  trap 'exit 129' HUP
  trap 'exit 141' PIPE
  status=0
  how=$(namespaces)
  if [ -n "$how" ]; then
    unshare "$how" sh "$0" --inside hosts "$work" "$stay" || status=$?
  else
    sh "$0" --inside sockets "$work" "$stay" || status=$?
  fi
  [ -e "$work/stay" ] || rm -rf "$work"
  exit $status
}

# ---- inside: the main job

step=0
say() {
  step=$((step + 1))
  printf '\n%2d. %s\n' "$step" "$*"
}
show() { sed 's/^/      /'; }
note() { printf '      %s\n' "$*"; }
fail() {
  printf '\nNot as it should be: %s\n' "$*" >&2
  for station in lead table1 table2; do
    [ -s "$work/$station.log" ] || continue
    printf '%s\n' "-- last words of $station:" >&2
    tail -n 8 "$work/$station.log" >&2
  done
  exit 1
}
# must WORDS...: a command that has to work; its output is shown.
must() {
  "$@" >"$work/said" 2>&1 || { cat "$work/said" >&2; fail "this command failed: $*"; }
  show <"$work/said"
}

# text KEY, number KEY: the value of a key in the JSON on standard input.
text() { sed -n 's/.*"'"$1"'" *: *"\([^"]*\)".*/\1/p'; }
number() { sed -n 's/.*"'"$1"'" *: *\([0-9][0-9]*\).*/\1/p'; }
at() {
  folder=$work/$1
  shift
  "$bw" --dir "$folder" "$@"
}
now() { date +%s%3N; }
connected() { at "$1" status --json | grep -o '"connected" *: *true' | wc -l; }
state() { at "$1" status --json | text state_hash; }

# until SECONDS WHAT COMMAND...: waits for a command to succeed.
until_true() {
  limit=$(($(now) + $1 * 1000))
  what=$2
  shift 2
  until "$@"; do
    [ "$(now)" -lt "$limit" ] || fail "$what, not within the time given"
    sleep 0.1
  done
}
all_same() {
  one=$(state lead)
  [ -n "$one" ] && [ "$one" = "$(state table1)" ] && [ "$one" = "$(state table2)" ]
}
all_connected() {
  [ "$(connected lead)" -ge 2 ] && [ "$(connected table1)" -ge 2 ] &&
    [ "$(connected table2)" -ge 2 ]
}
table2_alone() { [ "$(connected table2)" = 0 ] && [ "$(connected lead)" -le 1 ]; }

# One host for each station, and a bridge between them: the switch in the hall.
make_hosts() {
  [ "$how" = hosts ] || return 0
  mount -t tmpfs none /run
  ip link add hall type bridge
  ip link set hall up
  host=1
  for station in lead table1 table2; do
    ip netns add "$station"
    ip link add "port$host" type veth peer name eth0 netns "$station"
    ip link set "port$host" master hall
    ip link set "port$host" up
    ip -n "$station" addr add "10.77.0.$host/24" dev eth0
    ip -n "$station" link set lo up
    ip -n "$station" link set eth0 up
    host=$((host + 1))
  done
}
address() {
  case $how,$1 in
    hosts,lead) echo 10.77.0.1:7117 ;;
    hosts,table1) echo 10.77.0.2:7117 ;;
    hosts,table2) echo 10.77.0.3:7117 ;;
    *) echo 127.0.0.1:0 ;;
  esac
}
# Where stations are to be found goes into the event only if it is known beforehand.
listens() { [ "$how" = hosts ] && echo "--listen $(address "$1")"; true; }

# start STATION WORDS...: the node of a station, as a process in its host.
start() {
  node=$1
  shift
  : >"$work/$node.ready"
  if [ "$how" = hosts ]; then
    nsenter --net="/run/netns/$node" "$bw" --dir "$work/$node" run \
      --listen "$(address "$node")" "$@" >"$work/$node.ready" 2>>"$work/$node.log" &
  else
    "$bw" --dir "$work/$node" run --listen "$(address "$node")" "$@" \
      >"$work/$node.ready" 2>>"$work/$node.log" &
  fi
  echo $! >"$work/$node.pid"
  until_true 20 "$node did not start" grep -q '^ready ' "$work/$node.ready"
}
ready_at() { sed -n 's/^ready //p' "$work/$1.ready"; }
stop() {
  [ -s "$work/$1.pid" ] || return 0
  pid=$(cat "$work/$1.pid")
  rm -f "$work/$1.pid"
  kill "$pid" 2>/dev/null || return 0
  wait "$pid" 2>/dev/null || true
}
tidy_up() {
  status=$?
  trap - EXIT
  [ -e "$work/stay" ] && exit $status
  for station in lead table1 table2; do
    stop "$station"
  done
  exit $status
}

cut_off() {
  if [ "$how" = hosts ]; then
    ip link set port3 down
  else
    stop table2
    start table2
  fi
}
put_back() {
  if [ "$how" = hosts ]; then
    ip link set port3 up
  else
    stop table2
    start table2 --peer "$(ready_at lead)" --peer "$(ready_at table1)"
  fi
}

# name_of STATION and bibs_of STATION, from the example's table plan.
name_of() {
  case $1 in lead) echo Lead ;; table1) echo "Table 1" ;; table2) echo "Table 2" ;; esac
}
bibs_of() {
  tr -d '\r' <"$example/tables.csv" | awk -F, -v name="$(name_of "$1")" '$1 == name { print $2 }'
}
# stack_of STATION FROM TO: its bibs in the order in which they lie in the boxes, counting down.
stack_of() {
  tr -d '\r' <"$example/bibs.csv" | awk -F, -v name="$(name_of "$1")" -v from="$2" -v to="$3" \
    '$3 == name && $1 >= from && $1 <= to { print $1 }'
}
# work_through STATION FROM TO: a stack of bibs, one durable issue each.
work_through() {
  stack_of "$1" "$2" "$3" | at "$1" issue - >"$work/said" 2>&1 ||
    { cat "$work/said" >&2; fail "issuing"; }
  lines=$(wc -l <"$work/said")
  [ "$lines" = $(($3 - $2 + 1)) ] || fail "$lines answers for bibs $2 to $3 at $1"
  note "$1: bibs $2 to $3 chipped, the last answer being:"
  tail -n 1 "$work/said" | show
}
# The EPC that scheme own:4711 gives: event code, then the bib number.
epc() { printf '%08X%016X' 4711 "$1"; }

inside() {
  how=$1 work=$2 stay=$3
  trap tidy_up EXIT
  trap 'exit 130' INT
  trap 'exit 143' TERM
  trap 'exit 129' HUP
  trap 'exit 141' PIPE
  make_hosts

  say "The lead makes an invented event, Kettle Hill Run, of 2,000 bibs; 1901 to 2000 are for late entries."
  # shellcheck disable=SC2046  # words, on purpose
  must "$bw" --dir "$work/lead" event new --name "Kettle Hill Run" --bibs 1-2000 --late 1901-2000 \
    --scheme own:4711 --start 2027-05-16 --station Lead --unsealed --no-second-lead $(listens lead)
  must at lead allot Lead "$(bibs_of lead)"

  say "Two tables join without a network: each writes a request to a stick, the lead answers with a grant."
  for station in table1 table2; do
    name=$(name_of "$station") bibs=$(bibs_of "$station")
    # shellcheck disable=SC2046
    must at "$station" join --name "$name" --request "$work/$station.request" $(listens "$station")
    must at lead admit "$work/$station.request" --out "$work/$station.grant" --bibs "$bibs"
    must at "$station" join --grant "$work/$station.grant"
  done

  say "All three start, each a process of its own, and find each other."
  start lead
  start table1 --peer "$(ready_at lead)"
  start table2 --peer "$(ready_at lead)" --peer "$(ready_at table1)"
  until_true 20 "the stations did not find each other" all_connected
  for station in lead table1 table2; do
    note "$station listens at $(ready_at $station)"
  done

  say "Each issues from its own range."
  work_through lead 1 30
  work_through table1 101 130
  work_through table2 1001 1030
  until_true 10 "the stations do not agree" all_same
  note "All three hold the same: state $(state lead | cut -c1-16)..."

  cut_from=$(now)
  if [ "$how" = hosts ]; then
    say "Table 2 is cut off: its cable is pulled (the link of its own network host goes down)."
  else
    say "Table 2 is cut off: its sockets are closed, and it opens others that nobody knows."
    note "(This machine lets nobody but root make network hosts of its own, so no cable is pulled.)"
  fi
  cut_off
  until_true 20 "Table 2 still counts as connected" table2_alone
  note "Noticed on both sides after $(($(now) - cut_from)) ms. Table 2 goes on alone:"

  say "Both sides go on chipping."
  work_through lead 31 40
  work_through table1 131 150
  work_through table2 1031 1050
  [ "$(at table1 ask 1050 --json | text state)" = unissued ] ||
    fail "Table 1 knows of a chip that was made while Table 2 was cut off"
  note "Table 1 has not heard of bib 1050: the line is really cut."

  say "A late entry goes wrong: bib 1950 is chipped at Table 1, and at Table 2 too. Neither can know."
  kept=$(at table1 issue 1950 --tag "$(epc 1950)/E28011052000000000001950" --json | text record)
  other=$(at table2 issue 1950 --tag "$(epc 1950)/E28011052000000000002950" --json | text record)
  if [ -z "$kept" ] || [ -z "$other" ]; then fail "bib 1950 could not be issued"; fi
  note "Table 1's is record $(echo "$kept" | cut -c1-12), Table 2's $(echo "$other" | cut -c1-12)."

  say "At Table 1 the chip of bib 105 does not answer. Asked for again, it stops; told why, it goes on."
  status=0
  at table1 issue 105 >"$work/said" 2>&1 || status=$?
  [ "$status" = 1 ] || fail "a second chip for bib 105 was not stopped (status $status)"
  show <"$work/said"
  must at table1 issue 105 --replace "does not answer" --chip destroyed

  say "At Table 2 the chip of bib 1005 is taken back: the runner does not start."
  record=$(at table2 ask 1005 --json | text record)
  must at table2 void "$record" --reason "does not start" --chip destroyed

  back=$(now)
  if [ "$how" = hosts ]; then
    say "The cable is put back."
  else
    say "Table 2 opens its sockets to the others again."
  fi
  put_back
  until_true 20 "the stations do not agree after the line came back" all_same
  note "All three agree again $(($(now) - back)) ms later:"
  for station in lead table1 table2; do
    note "$station  $(state $station)"
  done

  say "All three show the same double, with both tables, times and chips."
  for station in lead table1 table2; do
    status=0
    at $station doubles --json >"$work/$station.doubles" || status=$?
    [ "$status" = 1 ] || fail "doubles at $station ended with status $status"
    cmp -s "$work/lead.doubles" "$work/$station.doubles" || fail "$station shows other doubles"
  done
  for part in '"1950"' unaware "$kept" "$other" 'Table 1' 'Table 2' \
    E28011052000000000001950 E28011052000000000002950; do
    grep -qi "$part" "$work/lead.doubles" || fail "the double does not show $part"
  done
  [ "$(at lead status --json | number doubles)" = 1 ] || fail "there is not exactly one double"
  { at lead doubles || true; } | show

  say "The lead fetches the bib and reads its chip: it is Table 1's. That one counts."
  must at lead settle 1950 --keep "$kept" --reason "read its chip" --chip destroyed
  until_true 10 "the stations do not agree after settling" all_same
  for station in lead table1 table2; do
    at $station doubles >"$work/said" 2>&1 || fail "$station still shows a double"
  done
  must at table2 ask 1950

  say "Evening: each table closes, and its log leaves on a stick."
  for station in lead table1 table2; do
    must at $station close
  done
  until_true 10 "the stations do not agree after closing" all_same
  for station in lead table1 table2; do
    must at $station carry out "$work/$station.carry"
  done

  say "The three logs are merged into one ledger, which has the same state."
  must "$bw" merge --out "$work/merged" "$work/lead.carry" "$work/table1.carry" "$work/table2.carry"
  merged=$("$bw" --dir "$work/merged" verify --json | text state_hash)
  note "stations  $(state lead)"
  note "merged    $merged"
  [ "$merged" = "$(state lead)" ] || fail "the merge has another state"

  say "The chip list for the timing crew:"
  must "$bw" --dir "$work/merged" export "$work/chips.csv"
  # 40 at the lead's, 50 at each table, 1950; less 1005, which was taken back.
  rows=$(($(wc -l <"$work/chips.csv") - 1))
  [ "$rows" = 140 ] || fail "the chip list has $rows rows, and 140 chips count"
  head -n 5 "$work/chips.csv" | show
  note "... $rows chips in all"
  # The replaced chip of 105, the one of 1005, and Table 2's of 1950.
  dead=$(($(wc -l <"$work/chips-dead.csv") - 1))
  [ "$dead" = 3 ] || fail "the list of dead chips has $dead rows, and there are 3"
  note "and those that no longer count, with where they are:"
  tail -n 3 "$work/chips-dead.csv" | show

  printf '\nAll of it was as it should be.\n'
  [ -n "$stay" ] || return 0
  : >"$work/stay"
  cat <<TXT

The three stations are still running. Talk to them like this:
    $bw --dir $work/lead status
    $bw --dir $work/table1 issue 151
    $bw --dir $work/table2 ask 151
(names: lead, table1, table2; the chip list is $work/chips.csv)
Stop them, and remove all that was made:
    kill $(cat "$work/lead.pid" "$work/table1.pid" "$work/table2.pid" | tr '\n' ' ')
    rm -r $work
TXT
}

if [ "${1:-}" = --inside ]; then
  shift
  inside "$@"
else
  outside "$@"
fi
