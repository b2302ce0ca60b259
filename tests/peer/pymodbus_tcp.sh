#!/bin/sh
# Debian's pymodbus as eleven meters behind one TCP endpoint; every value read must be the one held.
set -u
. "$(dirname "$0")/pymodbus.inc"
mkdir -p "$work/config"
serve tcp
# another master on the same endpoint, all the while
if command -v mbpoll > /dev/null; then
    port=$(sed -n 's/.*port = \([0-9]*\);.*/\1/p' "$work/config/site.cfg")
    stdbuf -oL mbpoll -0 -a 1 -t 3 -r 0 -c 42 -l 100 -p "$port" 127.0.0.1 > "$work/other" 2>&1 &
    pids="$pids $!"
fi
compare_all
for _ in 1 2 3 4 5 6 7 8 9 10; do # it may have to wait for its turn
    [ -e "$work/other" ] && ! grep -q '^\[41\]:' "$work/other" && sleep 1
done
[ ! -e "$work/other" ] || grep -q '^\[41\]:' "$work/other" || { echo "the other master read nothing"; tail -5 "$work/other"; exit 1; }
# a unit that is not there gets no answer from this server: a sentence and exit code 1
sed -i 's/unit = 17;/unit = 99;/' "$work/config/site.cfg"
if "$b/foretrip" read m3 --config "$work/config" > "$work/read" 2> "$work/said"; then
    echo "a meter that is not there was read"
    exit 1
fi
grep -qx 'foretrip read: meter m3 does not answer (timeout)' "$work/said" || { cat "$work/said"; exit 1; }
[ ! -s "$work/read" ] || { echo "values of a meter that is not there"; cat "$work/read"; exit 1; }
echo "pymodbus over TCP: all meters read"
