#!/bin/sh
# SIGHUP takes a right configuration over and leaves the old one in force when the new one is faulty. reload.sh BUILD
set -u
. tests/lib.sh
b=$1
meter=$(free_port)
broker=$(free_port)
demo_site "$meter" "$broker"
start_broker "$broker"
start_house "$meter"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
gateway=$started
start sub stdbuf -oL mosquitto_sub -p "$broker" -q 1 -t 'foretrip/+/circuit/+/state' -F '%t %p'
until_true 20 grep -q '"state"' "$dir/sub.log" || fail "no circuit state is published"

name=$(sed -n 's/.*position = "1";.*name = "\([^"]*\)".*/\1/p' "$dir/site/site.cfg" | head -n 1)
[ -n "$name" ] || fail "the demonstration site has no position 1"
sed -i "s/name = \"$name\"/name = \"Renamed by hand\"/" "$dir/site/site.cfg"
kill -HUP "$gateway"
until_true 20 grep -q 'Renamed by hand' "$dir/sub.log" || fail "the new configuration is not in force"

sed -i 's/breaker_amps = 15/breaker_amsp = 15/' "$dir/site/site.cfg"
kill -HUP "$gateway"
until_true 20 grep -q 'not usable: the old one stays' "$dir/gateway.log" || fail "a faulty configuration is not said"
grep -q 'site.cfg:[0-9]*:.*breaker_amsp' "$dir/gateway.log" || fail "the fault's place is not named"
lines=$(wc -l < "$dir/sub.log")
more_lines() { [ "$(wc -l < "$dir/sub.log")" -gt "$lines" ]; }
until_true 20 more_lines || fail "it does not go on after a faulty configuration"
kill "$gateway"
wait "$gateway" || fail "it does not end with 0"
