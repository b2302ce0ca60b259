#!/bin/sh
# The build for the small boxes (arm64), under qemu: the programs run there, the unit programs of what depends on the machine pass there
# (numbers out of text, heat, blocks, packed history, the kept state, threads and buses), and recordings give the same events as on this
# machine, byte for byte.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
case $b in *sanitize*) echo "has programs of its own, without a sanitizer"; exit 77 ;; esac
units="test_base test_cells test_decode test_heat test_breaker test_history test_queue test_pulse test_bus test_bus_thread test_recorded test_store"
out=build-arm64
targets=$(for u in $units; do echo "$out/tests/unit/$u"; done)
emulator=$(command -v qemu-aarch64-static || command -v qemu-aarch64) || {
    echo "no qemu-aarch64 is there (qemu-user-static): nothing was run for arm64"
    exit 77
}
# shellcheck disable=SC2086
FETCH=no sh deploy/cross-arm64.sh $out all $targets > "$dir/build.log" 2>&1
rc=$?
[ $rc = 77 ] && { tail -n 1 "$dir/build.log"; exit 77; }
[ $rc = 0 ] || fail "it is not built"
there() { "$emulator" -L / -E "LD_LIBRARY_PATH=$PWD/$out/root/usr/lib/aarch64-linux-gnu" "$@"; }

there $out/foretripd --version > "$dir/version.log" 2>&1 || fail "foretripd does not run"
file -L $out/foretripd 2> /dev/null | grep -q "x86" && fail "that is no build for arm64"
for u in $units; do
    there "$out/tests/unit/$u" > "$dir/$u.log" 2>&1 || fail "$u does not pass on arm64"
    rm "$dir/$u.log"
done
for s in overload-and-reset worn-breaker freezer-without-supply refrigerator feeder-opens; do
    readings=tests/scenario/$s/readings.csv
    if [ -f "tests/scenario/$s/readings.gen" ]; then
        readings=$dir/readings.csv
        awk -f tests/scenario/readings.awk -f "tests/scenario/$s/readings.gen" > "$readings"
    fi
    "$b/foretrip" replay --config "tests/scenario/$s" --readings "$readings" --events "$dir/here.jsonl" 2> "$dir/here.log" || fail "replay here: $s"
    there $out/foretrip replay --config "tests/scenario/$s" --readings "$readings" --events "$dir/there.jsonl" 2> "$dir/there.log" || fail "replay there: $s"
    [ -s "$dir/here.jsonl" ] || fail "$s has no events"
    cmp "$dir/here.jsonl" "$dir/there.jsonl" > "$dir/cmp.log" || fail "$s has other events on arm64"
done
exit 0
