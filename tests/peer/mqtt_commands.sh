#!/bin/sh
# Every command over a real broker, asked by each role, and what is no command at all: each is answered with a
# sentence, and what may not be or cannot be read changes nothing. The alarms come from a record whose state was lost,
# and one of them loses its circuit. mqtt_commands.sh BUILD
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
/usr/bin/python3 -c 'import paho.mqtt' 2> /dev/null || { echo "python3-paho-mqtt is not installed"; exit 77; }
meter=$(free_port)
broker=$(free_port)
demo_site "$meter" "$broker"
echo "page = { off = true; };" > "$dir/site/page.cfg"
sed -i 's/^broker = { /&commands_named = true; /' "$dir/site/delivery.cfg"
cat >> "$dir/site/delivery.cfg" << END
people = ( { id = "rita"; name = "Rita Osei"; role = "resident"; }, { id = "elmo"; name = "Elmo Reyes"; role = "electrician"; },
  { id = "mona"; name = "Mona Ito"; role = "manager"; }, { id = "adam"; name = "Adam Kay"; role = "administrator"; } );
END
# half an hour of the house, with an overload that is reset; then a house in which nobody does anything
mkdir "$dir/state"
"$b/foretrip-house" --config "$dir/site" --house "$dir/site/house.cfg" --start 14:00 --seconds 1800 \
    --record "$dir/readings.csv" --log "$dir/recorded.log" > /dev/null || fail "no recording"
"$b/foretrip" replay --config "$dir/site" --readings "$dir/readings.csv" --events "$dir/events" \
    --database "$dir/state/foretrip.db" 2> "$dir/replay.log" || fail "replay"
sed -e '/^script = (/,/^);/d' -e 's/starts_per_day = [0-9.]*/starts_per_day = 0.0/g' config/demo/house.cfg > "$dir/house.cfg"
start_broker "$broker"
start house "$b/foretrip-house" --config "$dir/site" --house "$dir/house.cfg" --tcp "127.0.0.1:$meter"
until_true 10 listening "$meter" || fail "the house does not listen"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 30 grep -q "mqtt: connected" "$dir/gateway.log" || fail "the gateway does not connect"
/usr/bin/python3 tests/peer/mqtt_commands.py "$broker" "$dir/state/foretrip.db" || fail "a command is not as it should be"
kill -0 "$started" || fail "the gateway has ended"

# a circuit is taken out of site.cfg while an alarm and a trip of it stand: neither is left behind for ever
retained() { timeout 3 mosquitto_sub -p "$broker" -v -t 'foretrip/+/alarm/#' -t 'foretrip/+/trip/#' 2> /dev/null; }
retained > "$dir/retained"
grep -q 'alarm/main-01.trip ' "$dir/retained" && grep -q 'trip/main-01-' "$dir/retained" || fail "nothing of main-01 is retained"
sed -i '/id = "main-01"/d' "$dir/site/site.cfg"
kill -HUP "$started"
until_true 30 grep -q "main-01.trip is over: what it was about is no longer in site.cfg" "$dir/gateway.log" || fail "the alarm stays"
cleared() { retained > "$dir/retained"; ! grep -q 'main-01' "$dir/retained"; }
until_true 30 cleared || fail "left behind: $(grep main-01 "$dir/retained")"
grep -q 'alarm/main-22.trip ' "$dir/retained" || fail "an alarm of another circuit went with it"
