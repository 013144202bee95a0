#!/bin/sh
# Installs the Debian packages of one or more sections of packages.txt, and only those that are
# missing. Asks nothing; needs no network when all of them are there.
# usage: sh deploy/packages.sh SECTION...    (sections: build, tests, tidy)
# Exit status: 0 all there; 2 no such section; 3 they could not be installed.
set -u
list=$(dirname -- "$0")/packages.txt

wanted=
for section; do
  # A section begins with the line "# [name] ..." and ends where the next one begins. In the line
  # "npm command:npm" the package is not wanted where that command is there already.
  found=$(awk -v wanted="[$section]" '
    $1 == "#" && $2 ~ /^\[/ { inside = ($2 == wanted) }
    inside && NF && $1 !~ /^#/ { print $1 "," $2 }' "$list")
  if [ -z "$found" ]; then
    echo "packages.sh: $list has no section [$section]." >&2
    exit 2
  fi
  for line in $found; do
    package=${line%%,*}
    command=${line#*,command:}
    [ "$command" != "$line" ] && command -v "$command" >/dev/null && continue
    wanted="$wanted $package"
  done
done

if ! command -v apt-get >/dev/null || ! command -v dpkg-query >/dev/null; then
  echo "This machine has no apt-get. What is needed goes by these names in Debian 12:"
  echo "   $wanted"
  echo "Going on with what is here."
  exit 0
fi

missing=
for package in $wanted; do
  state=$(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null)
  [ "$state" = installed ] || missing="$missing $package"
done
[ -n "$missing" ] || exit 0

if [ "$(id -u)" = 0 ]; then
  as_root=
elif sudo -n true 2>/dev/null; then
  as_root='sudo -n'
else
  echo "Some packages are missing, and only root can install them. As root, run" >&2
  echo "    apt-get install$missing" >&2
  echo "and then start this again." >&2
  exit 3
fi

install() {
  # shellcheck disable=SC2086  # words, on purpose
  $as_root env DEBIAN_FRONTEND=noninteractive apt-get -q -y \
    -o DPkg::Lock::Timeout=120 -o Dpkg::Use-Pty=0 install --no-install-recommends $missing
}
echo "Installing:$missing"
if ! install; then
  echo "That did not work with the package lists that are here. Fetching new ones, once."
  $as_root apt-get -q update
  if ! install; then
    echo "The packages could not be installed. Is this machine online? Missing:$missing" >&2
    exit 3
  fi
fi
