#!/bin/sh
# An evening storm: three in ten of 300 sites lose their supply in the same second and are back within some; every second one of
# their gateways goes dark with them, without a word. A person is told once, not a hundred times; nothing is lost; when the light is
# back nobody is needed any more. fleet_storm.sh BUILD
set -u
. tests/lib.sh
b=$1
sites=${SITES:-300}
port=$(free_port)
start_broker "$port"
mkdir "$dir/centre"
echo "broker = { host = \"127.0.0.1\"; port = $port; };" > "$dir/centre/fleet.cfg"
start collector "$b/foretrip-fleet" collect --config "$dir/centre"
until_true 60 grep -q 'connected to' "$dir/collector.log" || fail "the collector does not connect"
# as if they told no story at all but the storm's: what a person is told is of the storm alone
start simulate "$b/foretrip-fleet" simulate --config "$dir/centre" --sites "$sites" --health 5 --storm 8,12 --linger 3
sim=$started
ask() { sqlite3 "file:$dir/centre/fleet.db?mode=ro" "$1" 2>/dev/null; }
is() { [ "$(ask "$1")" = "$2" ]; }
until_true 120 is 'SELECT sum(online) FROM sites' "$sites" || fail "not all sites are there"
dark() { [ "$(ask "SELECT count(*) FROM alarms WHERE story <> '' AND state = 'unacknowledged'")" -ge $((sites / 10)) ]; }
until_true 120 dark || fail "no storm"
off() { [ "$(ask 'SELECT count(*) FROM sites WHERE online = 0')" -ge $((sites / 20)) ]; }
until_true 30 off || fail "no gateway went dark"
told_one() { [ "$(ask 'SELECT count(*) FROM notices')" = 1 ]; }
until_true 30 told_one || fail "told: $(ask 'SELECT kind, units FROM notices')"
"$b/foretrip-fleet" portfolio --config "$dir/centre" > "$dir/during.txt" || fail "no portfolio"
grep -q '^supply_outage: [0-9]* units' "$dir/during.txt" || fail "the outage is not said"
wait "$sim" || fail "the sites did not get rid of what they told"
told=$(sed -n 's/.*"told":\([0-9]*\).*/\1/p' "$dir/simulate.log")
until_true 60 is 'SELECT count(*) FROM records' "$told" || fail "told $told, filed $(ask 'SELECT count(*) FROM records')"
until_true 60 is 'SELECT count(*) FROM notices WHERE ended_ms IS NULL' 0 || fail "the notice does not end"
is "SELECT count(*) FROM notices" 1 || fail "a flood: $(ask 'SELECT kind, units FROM notices')"
[ "$(ask 'SELECT units FROM notices')" -ge $((sites / 10)) ] || fail "the notice counts $(ask 'SELECT units FROM notices')"
is "SELECT count(*) FROM trips WHERE cause = 'supply_outage' AND restored_ms IS NULL" 0 || fail "some are still dark"
"$b/foretrip-fleet" portfolio --config "$dir/centre" | grep -q 'nobody needs anybody' || fail "somebody is still needed"
echo "$(ask "SELECT count(DISTINCT site) FROM trips") of $sites sites dark at once, $told records filed, one notice of $(ask 'SELECT units FROM notices') units"
