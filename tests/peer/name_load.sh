#!/bin/sh
# A name that a person gives a load reaches the gateway by way of the record: one left while none ran, one given
# while it runs; both are kept. name_load.sh BUILD
set -u
. tests/lib.sh
b=$1
demo_site "$(free_port)" "$(free_port)"
rm -f "$dir/site/delivery.cfg"
mkdir "$dir/state"
"$b/foretrip-house" --config "$dir/site" --house "$dir/site/house.cfg" --start 14:00 --seconds 1800 \
    --record "$dir/readings.csv" --log "$dir/house.log" > /dev/null || fail "no record"
db=$dir/state/foretrip.db
"$b/foretrip" replay --config "$dir/site" --readings "$dir/readings.csv" --database "$db" 2> "$dir/replay.log" || fail "replay"
tool() { "$b/foretrip" "$@" --config "$dir/site" --database "$db"; }

tool loads --json > "$dir/loads.json" || fail "loads"
loads=$(sed -n 's/.*"load": "\([^"]*\)".*/\1/p' "$dir/loads.json" | head -n 2)
first=$(echo "$loads" | sed -n 1p)
second=$(echo "$loads" | sed -n 2p)
[ -n "$second" ] || fail "fewer than two loads are known"
grep -A 2 '"circuit_is"' "$dir/loads.json" | grep -q '"appliance": "not_judged"' || fail "half an hour tells what a circuit is"
tool loads | grep -q "taken whole: not judged .*(0.5 h so far)" || fail "it is not said what is lacking"

tool name "$first" "Old lamp" | grep -q "^$first .* is now called Old lamp$" || fail "naming while no gateway runs"
tool loads | grep -q "^  $first .*Old lamp" || fail "a waiting name is not shown"
tool name nowhere/1 X 2> "$dir/err.log" && fail "a load that is not there was named"
grep -q 'there is no load nowhere/1' "$dir/err.log" || fail "which load? $(cat "$dir/err.log")"
tool name "$first" "$(printf '%050d' 0)" 2> "$dir/err.log" && fail "a name of 50 bytes was taken"
tool name "$first" 2> "$dir/err.log"
[ $? -eq 2 ] || fail "no name is no usage error"

start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
gateway=$started
until_true 20 grep -q "$first is called \"Old lamp\"" "$dir/gateway.log" || fail "the waiting name is not taken over"
tool name "$second" "Kettle" --json | grep -q '"name": "Kettle"' || fail "naming while the gateway runs"
until_true 20 grep -q "$second is called \"Kettle\"" "$dir/gateway.log" || fail "the running gateway does not take the name"
kill "$gateway"
wait "$gateway" || fail "it does not end with 0"
tool loads | grep -q "^  $first .*Old lamp" || fail "the first name is not kept"
tool loads | grep -q "^  $second .*Kettle" || fail "the second name is not kept"
grep -c 'is called' "$dir/gateway.log" | grep -qx 2 || fail "a name was taken over twice"
