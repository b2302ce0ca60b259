#!/bin/sh
# The gateway as an edge node of Sparkplug 3.0, with a simulated house behind it: births, data, deaths, rebirth, sequence
# numbers, what was missed while the broker was away, a primary host; all decoded by npm's sparkplug-payload.
# sparkplug.sh BUILD
set -u
. tests/lib.sh
b=$1
for program in node mosquitto mosquitto_sub sqlite3; do
    command -v $program > /dev/null || { echo "$program is not installed"; exit 77; }
done
. tests/peer/npm.inc
rules() { node tests/peer/sparkplug_rules.mjs "$@"; }
heard=$dir/heard
count() { rules count "$heard" "$1"; }
reached() { [ "$(count "$1")" -ge "$2" ]; }

meter=$(free_port)
broker=$(free_port)
demo_site "$meter" "$broker"
sed -i 's|; };$|; sparkplug = { group = "homes"; node = "alder"; }; };|' "$dir/site/delivery.cfg"
echo 'page = { off = true; };' > "$dir/site/page.cfg"
echo 'site = { meter_lost_seconds = 2; };' > "$dir/site/rules.cfg"
"$b/foretrip" check --config "$dir/site" > "$dir/check.log" 2>&1 || fail "the configuration"
start_broker "$broker"
broker_pid=$started
listen() { start sub stdbuf -oL mosquitto_sub -p "$broker" -V 311 -q 1 -c -i host -t 'spBv1.0/#' -F '%t %q %r %x'; }
listen
subscribed() { grep -q 'as host' "$dir/broker.log"; }
until_true 10 subscribed || fail "nobody listens"
ln -s "$dir/sub.log" "$heard"
house() {
    start_house "$meter"
    house=$started
    until_true 10 listening "$meter" || fail "the house does not listen"
}
gateway() {
    start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
    gateway=$started
}
house
gateway
until_true 20 reached DBIRTH 2 || fail "no births"
until_true 20 reached DDATA 5 || fail "no data"

# ---- a rebirth is asked for; nonsense is passed over ----
rules rebirth "$dir/rebirth"
mosquitto_pub -p "$broker" -q 0 -t spBv1.0/homes/NCMD/alder -f "$dir/rebirth"
until_true 10 reached NBIRTH 2 || fail "no rebirth"
until_true 10 reached DBIRTH 4 || fail "no rebirth of the meters"
head -c 100000 /dev/urandom > "$dir/noise"
mosquitto_pub -p "$broker" -t spBv1.0/homes/NCMD/alder -f "$dir/noise"
mosquitto_pub -p "$broker" -t spBv1.0/homes/NCMD/alder -m 'on'
passed_over() { [ "$(grep -c 'a command is passed over' "$dir/gateway.log")" -ge 2 ]; }
until_true 10 passed_over || fail "nonsense is not said"

# ---- the meters go and come ----
kill "$house"
wait "$house" 2> /dev/null
until_true 25 reached DDEATH 2 || fail "no death of the lost meters"
house
until_true 30 reached DBIRTH 6 || fail "no birth of the meters that came back"
[ "$(count NBIRTH)" = 2 ] || fail "nonsense had an effect, or a lost meter took the node with it"

# ---- the broker is away for a while: what was missed follows ----
kill "$broker_pid"
wait "$broker_pid" 2> /dev/null
away_from=$(date +%s%3N)
until_true 20 grep -q 'sparkplug: .*messages wait' "$dir/gateway.log" || fail "the lost connection is not said"
sleep 6
away_to=$(date +%s%3N)
echo 'queue_qos0_messages true' >> "$dir/broker.conf" # the gateway may be back before the listener
start broker "$(command -v mosquitto || echo /usr/sbin/mosquitto)" -c "$dir/broker.conf"
broker_pid=$started
until_true 20 listening "$broker" || fail "the broker does not come back"
until_true 30 reached NBIRTH 3 || fail "no birth after the outage"
filled() { rules check "$heard" homes alder > "$dir/result"; grep -q '"historical":{"count":[1-9]' "$dir/result"; }
until_true 40 filled || fail "what was missed does not follow: $(cat "$dir/result")"

# ---- a crash, a start, an end ----
deaths=$(count NDEATH)
kill -9 "$gateway"
wait "$gateway" 2> /dev/null
until_true 60 reached NDEATH $((deaths + 1)) || fail "no death after kill -9"
gateway
until_true 20 reached NBIRTH 4 || fail "no birth after a new start"
until_true 20 reached DBIRTH 10 || fail "no births of the meters after a new start"
# away again, and the gateway killed meanwhile: what it had seen before that follows too
kill "$broker_pid"
wait "$broker_pid" 2> /dev/null
again_from=$(date +%s%3N)
lost_twice() { [ "$(grep -c 'sparkplug: .*messages wait' "$dir/gateway.log")" -ge 2 ]; }
until_true 20 lost_twice || fail "the second lost connection is not said"
kill "$house"
wait "$house" 2> /dev/null
: > "$dir/house.log"
house # which begins with a heater
until_true 60 grep -q 'heater on' "$dir/house.log" || fail "nothing happens in the house"
sleep 3
again_to=$(date +%s%3N)
on_disk() { sqlite3 "$dir/state/foretrip.db" "SELECT 1 FROM state WHERE key = 'sparkplug'" | grep -q 1; }
until_true 15 on_disk || fail "since when nobody hears us is not kept"
sleep 11 # readings are on disk within ten seconds
kill -9 "$gateway"
wait "$gateway" 2> /dev/null
gateway
start broker "$(command -v mosquitto || echo /usr/sbin/mosquitto)" -c "$dir/broker.conf"
broker_pid=$started
until_true 30 reached NBIRTH 5 || fail "no birth after the second outage"
told_of() { # told_of FROM TO: something of that time has been told later
    rules check "$heard" homes alder > "$dir/result"
    python3 -c 'import json, sys
r, a, b = json.load(open(sys.argv[1])), int(sys.argv[2]), int(sys.argv[3])
sys.exit(not any(a < x["at"] < b for x in r["historical"]["amps"]))' "$dir/result" "$1" "$2"
}
until_true 40 told_of "$again_from" "$again_to" || fail "what was seen before the kill does not follow"
kill "$gateway"
wait "$gateway" || fail "it does not end with 0"
until_true 10 reached NDEATH $((deaths + 2)) || fail "no death at the end"
rules check "$heard" homes alder > "$dir/result" || fail "against the rules: $(cat "$dir/result")"
"$b/foretrip" export --config "$dir/site" --database "$dir/state/foretrip.db" > "$dir/readings.csv" 2> "$dir/export.log" ||
    fail "no export"
python3 - "$dir/result" "$away_from" "$away_to" "$dir/readings.csv" << 'END' || fail "not as it should be: $(cut -c1-400 "$dir/result")"
import csv, json, sys
r, start, end = json.load(open(sys.argv[1])), int(sys.argv[2]), int(sys.argv[3])
assert r["bdSeqs"] == [0, 0, 1, 0, 0], r["bdSeqs"]      # a rebirth has the same, a new connection the next
assert not r["alive"] and r["live"] > 20, r
h = r["historical"]
assert h["from"] < start + 2000 and h["to"] > start, (h["from"], h["to"], start, end)
assert "Watts" in h["metrics"], h["metrics"]
# what was told later is what the record has
record = {}
for row in csv.DictReader(open(sys.argv[4])):
    at = row.pop("time")
    record[round(float(at) * 1000) if at[0].isdigit() and "T" not in at else at] = row
def row_of(ms):
    import datetime
    t = datetime.datetime.fromtimestamp(ms / 1000, datetime.timezone.utc)
    return record.get(ms) or record.get(t.strftime("%Y-%m-%dT%H:%M:%S.") + "%03dZ" % (ms % 1000))
assert len(h["amps"]) > 10, h["count"]
for x in h["amps"]:
    row, circuit = row_of(x["at"]), x["name"].split("/")[0]
    poles = [float(v) for k, v in row.items() if v and k in (circuit + ".amps", circuit + ".amps_2", circuit + ".amps_3")]
    assert abs(max(poles) - x["value"]) < 0.001, (x, poles)
END
first=$(cat "$dir/result")

# ---- a primary host: silence without it ----
sed -i 's|node = "alder";|node = "alder"; primary_host = "scada";|' "$dir/site/delivery.cfg"
births=$(count NBIRTH)
: > "$dir/gateway.log"
gateway
until_true 20 grep -q 'sparkplug: connected' "$dir/gateway.log" || fail "not connected"
state() { mosquitto_pub -p "$broker" -q 1 -r -t spBv1.0/STATE/scada -m "{\"online\":$1,\"timestamp\":$2}"; }
sleep 2
[ "$(count NBIRTH)" = "$births" ] || fail "a birth without the primary host"
state true 1000
until_true 10 reached NBIRTH $((births + 1)) || fail "no birth with the primary host"
state false 999 # older: passed over
sleep 1
deaths=$(count NDEATH)
state false 2000
until_true 10 reached NDEATH $((deaths + 1)) || fail "no death without the primary host"
[ "$(count NBIRTH)" = $((births + 1)) ] || fail "born without the primary host"
state true 3000
until_true 20 reached NBIRTH $((births + 2)) || fail "no birth when the primary host came back"
rules check "$heard" homes alder > "$dir/result" || fail "against the rules: $(cat "$dir/result")"
echo "$first" | cut -c1-200
