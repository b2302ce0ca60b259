#!/bin/sh
# npm's modbus-serial and jsmodbus (two Modbus libraries that nobody here wrote) as meters: every type in every order,
# all eight meter models of SunSpec at each of its addresses, and every shipped map by the words of its comments; every value read must be the one held. npm_meters.sh BUILD
set -u
cd "$(dirname "$0")/../.." || exit 1
b=$1
command -v node > /dev/null || { echo "node is not installed"; exit 77; }
. tests/peer/npm.inc
python=/usr/bin/python3
work=$(mktemp -d)
server=
finish() {
    [ -n "$server" ] && kill "$server" 2>/dev/null && wait "$server" 2>/dev/null
    rm -rf "$work"
}
trap finish EXIT
trap 'exit 1' INT TERM
for library in modbus-serial jsmodbus; do
    rm -rf "$work/config" "$work/ready"
    mkdir -p "$work/config/maps"
    node tests/peer/npm_meters.mjs "$library" "$work/config" "$work/ready" "$work/expected" > "$work/log" 2>&1 &
    server=$!
    for _ in $(seq 300); do
        [ -e "$work/ready" ] && break
        sleep 0.1
    done
    [ -e "$work/ready" ] || { echo "$library did not start"; cat "$work/log"; exit 1; }
    "$b/foretrip" check --config "$work/config" > "$work/check" || { cat "$work/check"; exit 1; }
    shapes=0
    for m in $(cut -d' ' -f1 "$work/expected" | sort -u); do
        "$b/foretrip" read "$m" --config "$work/config" > "$work/read" || { cat "$work/log"; exit 1; }
        "$python" tests/peer/pymodbus_compare.py "$m" "$work/expected" "$work/read" || exit 1
        shapes=$((shapes + 1))
    done
    # every shipped map that has points is among them
    for map in config/maps/*.cfg; do
        grep -q '^sunspec = true' "$map" || grep -q "map = \"$(basename "$map" .cfg)\"" "$work/config/site.cfg" ||
            { echo "$map is not among those that are read"; exit 1; }
    done
    kill "$server"
    wait "$server" 2>/dev/null
    server=
    echo "$library: $shapes meters read"
done
