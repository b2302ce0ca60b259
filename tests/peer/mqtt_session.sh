#!/bin/sh
# The session of docs/mqtt.md, as it stands there: its commands are run against the demonstration house, and
# what they say must have the members, and the sentences, that are shown. mqtt_session.sh BUILD
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
for t in mosquitto_sub mosquitto_pub mosquitto_rr; do
    command -v $t > /dev/null || { echo "mosquitto's clients are not there"; exit 77; }
done
meter=$(free_port)
broker=$(free_port)
demo_site "$meter" "$broker"
echo "page = { off = true; };" > "$dir/site/page.cfg"
start_broker "$broker"
start_house "$meter"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 30 grep -q "watching" "$dir/gateway.log" || fail "the gateway does not start"
/usr/bin/python3 tests/peer/mqtt_session.py docs/mqtt.md "$broker" "$dir" || fail "the session is not as it is shown"
