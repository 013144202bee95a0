#!/bin/sh
# The core needs no clock, no randomness, no socket, no file, no thread: what it calls is looked at.
# usage: sh tests/sim/symbols.sh libbibweave_core.a
set -u
called=$(nm -u "$1" | awk 'NF == 2 && $1 == "U" { print $2 }' | sort -u)
# That the question is answered at all: it does call SQLite and libsodium.
for needed in sqlite3_step crypto_sign_verify_detached crypto_generichash; do
  echo "$called" | grep -qx "$needed" || {
    echo "$needed is not called: was the right file looked at?"
    exit 1
  }
done
forbidden='time|times|gettimeofday|clock|clock_gettime|timespec_get|localtime(_r)?|gmtime(_r)?|nanosleep|usleep|sleep|rand(_r)?|random(_r)?|s?rand48|arc4random.*|getrandom|getentropy|randombytes.*|crypto_(box|sign|kx)_keypair|crypto_[a-z0-9_]*keygen|socket|connect|bind|listen|accept4?|send(to|msg)?|recv(from|msg)?|poll|epoll.*|select|zmq_.*|open(64|at)?|fopen(64)?|creat|getenv|pthread_create|thrd_create|fork|exec.*|system|popen'
found=$(echo "$called" | grep -Ex "$forbidden")
[ -z "$found" ] && exit 0
echo "the core calls:" $found
exit 1
