#!/bin/sh
# The gateway as a device of Homie 5, with a simulated house behind it: life cycle, description, datatypes and formats of every
# value, alerts, what an earlier configuration left behind; everything a subscriber hears is held against the convention's
# rules. homie.sh BUILD
set -u
. tests/lib.sh
b=$1
for program in mosquitto mosquitto_sub; do
    command -v $program > /dev/null || { echo "$program is not installed"; exit 77; }
done
meter=$(free_port)
broker=$(free_port)
demo_site "$meter" "$broker"
sed -i 's|; };$|; homie = { }; };|' "$dir/site/delivery.cfg"
echo 'page = { off = true; };' > "$dir/site/page.cfg"
echo 'site = { meter_lost_seconds = 2; };' > "$dir/site/rules.cfg"
"$b/foretrip" check --config "$dir/site" > "$dir/check.log" 2>&1 || fail "the configuration"
start_broker "$broker"
base=homie/5/alder-31
# left by an earlier configuration
for topic in old-circuit/amps house/old '$alert/old-trip'; do
    mosquitto_pub -p "$broker" -q 1 -r -t "$base/$topic" -m 7 || fail "mosquitto_pub"
done
listen() { start heard stdbuf -oL mosquitto_sub -p "$broker" -V 5 -q 2 -t "$base/#" --retain-as-published \
    -F '%t\t%q\t%r\t%x'; }
listen
heard=$dir/heard.log
three_came() { [ "$(wc -l < "$heard")" = 3 ]; }
until_true 10 three_came || fail "nobody listens"
: > "$heard" # appended to: what comes from here on is the gateway's
hex() { printf '%s' "$1" | od -An -tx1 | tr -d ' \n'; }
said() { [ "$(grep -c "^$base/$1	1	1	$(hex "$2")\$" "$heard")" -ge "${3:-1}" ]; }
cleared() { grep -q "^$base/$1	1	1	\$" "$heard"; }

start_house "$meter"
house=$started
until_true 10 listening "$meter" || fail "the house does not listen"
gateway() {
    start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
    gateway=$started
}
gateway
until_true 20 said '$state' ready || fail "never ready"
until_true 20 said main-07/measured true || fail "no value of the bath's circuit"
for topic in old-circuit/amps house/old '$alert/old-trip'; do
    until_true 10 cleared "$topic" || fail "$topic stays"
done
# the meters go: an alert each, and come back: no alert any more
kill "$house"
wait "$house" 2> /dev/null
alerted() { grep -q "^$base/\\\$alert/$1	1	1	[0-9a-f]" "$heard"; }
until_true 20 alerted cellar-meter-lost || fail "no alert of the lost meter"
until_true 25 said main-07/measured false 2 || fail "still taken for measured"
start_house "$meter"
until_true 30 said main-07/measured true 2 || fail "not measured again"
mosquitto_rr -p "$broker" -V 5 -q 1 -t foretrip/alder-31/command/acknowledge -e desk/a -W 10 \
    -m '{"alarm":"cellar.meter_lost","by":"Jo"}' > "$dir/answer" 2>&1
until_true 20 cleared '$alert/cellar-meter-lost' || fail "the alert stays: $(cat "$dir/answer")"

# a circuit less: described anew, and what was said of it goes
until_true 10 said shop-4/measured true || fail "no value of a circuit of the workshop"
sed -i '/id = "shop-4"/d' "$dir/site/site.cfg"
kill -HUP "$gateway"
until_true 30 said '$state' ready 2 || fail "not ready after a reload: $(tail -n 3 "$dir/gateway.log")"
until_true 10 cleared shop-4/measured || fail "a circuit that is gone stays"
until_true 10 cleared shop-4/state || fail "a circuit that is gone stays"

# a crash: lost; a start; an end: disconnected
kill -9 "$gateway"
wait "$gateway" 2> /dev/null
until_true 60 said '$state' lost || fail "not lost after kill -9"
gateway
until_true 20 said '$state' ready 3 || fail "not ready after a new start"
kill "$gateway"
wait "$gateway" || fail "it does not end with 0"
until_true 10 said '$state' disconnected || fail "not disconnected at the end"
python3 tests/peer/homie_rules.py "$heard" homie alder-31 > "$dir/result" || fail "against the rules: $(cat "$dir/result")"

# whoever comes later finds all of it retained, and nothing else
timeout 3 mosquitto_sub -p "$broker" -V 5 -t "$base/#" -F '%t' 2> "$dir/late.log" | sed "s|^$base/||" | sort > "$dir/late"
python3 - "$dir/result" "$dir/late" << 'END' || fail "not as it should be: $(cat "$dir/result")"
import json, sys
r, late = json.load(open(sys.argv[1])), open(sys.argv[2]).read().split("\n")[:-1]
assert r["states"] == ["init", "ready", "disconnected", "init", "ready", "lost", "init", "ready", "disconnected"], r["states"]
assert r["nodes"] == 23 and r["versions"] == 3, r
assert sorted(r["retained"] + ["$alert/" + a for a in r["alerts"]]) == late, (r["retained"], late)
assert len(r["retained"]) > 24 * 6, len(r["retained"])
END
echo "23 nodes, $(wc -l < "$heard") messages, $(wc -l < "$dir/late") topics retained: as Homie 5 has it"
