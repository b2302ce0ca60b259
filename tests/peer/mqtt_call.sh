#!/bin/sh
# A service call over MQTT, with the broker's own clients at the other end: mqtt_call.sh BUILD
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
command -v mosquitto_pub > /dev/null && command -v mosquitto_sub > /dev/null || { echo "mosquitto's clients are not there"; exit 77; }
meter=$(free_port)
broker=$(free_port)
demo_site "$meter" "$broker"
echo "page = { off = true; };" > "$dir/site/page.cfg"
start_broker "$broker"
start_house "$meter"
start sub mosquitto_sub -p "$broker" -v -t 'desk/#' -t 'foretrip/+/event' -t 'foretrip/+/circuit/main-10/state'
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 30 grep -q 'circuit/main-10/state.*"amps":0[.]0,' "$dir/sub.log" || fail "main-10 is not read as dark"
ask() { mosquitto_pub -p "$broker" -q 1 -t "foretrip/alder-31/command/$1" -m "$2"; }
answered() { until_true 10 grep -q "^desk/a .*$1" "$dir/sub.log" || fail "$2"; }

ask call-begin '{"id":1,"reply_to":"desk/a","circuit":"main-10","by":"Ada","device":"phone"}'
answered '"id":"1","ok":true,"call":"main-10-' "a call is begun, and its id told"
id=$(sed -n 's/^desk\/a .*"call":"\([^"]*\)".*/\1/p' "$dir/sub.log" | head -n 1)
ask call-answer "{\"id\":2,\"reply_to\":\"desk/a\",\"call\":\"$id\",\"question\":1,\"answer\":\"clear\",\"by\":\"Ada\",\"device\":\"phone\"}"
answered '"id":"2","ok":true' "an answer is taken"
ask call-answer "{\"id\":3,\"reply_to\":\"desk/a\",\"call\":\"$id\",\"question\":9,\"answer\":\"tripped\",\"by\":\"Ada\",\"device\":\"phone\"}"
answered '"id":"3","ok":false,"error":"the call has moved on' "an answer to another question is refused"
ask call-answer "{\"id\":4,\"reply_to\":\"desk/a\",\"call\":\"$id\",\"answer\":\"danger\",\"danger\":\"water\",\"by\":\"Kim\"}"
answered '"id":"4","ok":true' "stop is heard from anybody"
until_true 10 grep -q "/event .*\"type\":\"call\".*\"finding\":\"danger\"" "$dir/sub.log" || fail "the stop is not published"
[ "$(grep -c '/event .*"type":"call"' "$dir/sub.log")" = 3 ] || fail "a step is not published, or twice"
