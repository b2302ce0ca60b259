#!/bin/sh
# A real gateway with its simulated house tells a centre: its word comes at once, with the site's name; what it tells of alarms comes
# within seconds; loads that come and go stay at home. The centre comes late and lacks the beginning: it asks for it, and gets it.
# fleet_gateway.sh BUILD
set -u
. tests/lib.sh
b=$1
port=$(free_port)
meter=$(free_port)
start_broker "$port"
demo_site "$meter" "$port"
echo "page = { off = true; };" > "$dir/site/page.cfg"
sed -i 's|^broker = {|broker = { up = true; up_only = true;|' "$dir/site/delivery.cfg"
grep -q 'up = true' "$dir/site/delivery.cfg" || fail "the demonstration's delivery.cfg has another form"
start_house "$meter"
start all mosquitto_sub -p "$port" -t 'foretrip/#' -F %t
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
gateway=$started
here() { sqlite3 "file:$dir/state/foretrip.db?mode=ro" "$1" 2>/dev/null; }
told() { [ "$(here "SELECT count(*) FROM events WHERE type NOT LIKE 'load_o%'")" -ge 1 ]; }
until_true 200 told || fail "the gateway has nothing to tell"
settled() { [ "$(here 'SELECT count(*) FROM settled WHERE route = 2')" = 1 ]; }
until_true 60 settled || fail "the gateway told nobody" # the broker has it, and gave it to nobody

mkdir "$dir/centre"
echo "broker = { host = \"127.0.0.1\"; port = $port; };" > "$dir/centre/fleet.cfg"
start collector "$b/foretrip-fleet" collect --config "$dir/centre"
there() { sqlite3 "file:$dir/centre/fleet.db?mode=ro" "$1" 2>/dev/null; }
some() { [ "$(there 'SELECT count(*) FROM records')" -ge 1 ]; }
until_true 200 some || fail "nothing comes" # the next thing that happens
all() { # what the gateway has and the centre has not
    here "SELECT seq FROM events WHERE type NOT LIKE 'load_o%' ORDER BY seq" > "$dir/wanted"
    there 'SELECT seq FROM records ORDER BY seq' > "$dir/filed"
    cmp "$dir/wanted" "$dir/filed"
}
until_true 120 all || fail "at the gateway $(wc -l < "$dir/wanted"), at the centre $(wc -l < "$dir/filed")"
[ "$(here "SELECT count(*) FROM events WHERE type LIKE 'load_o%'")" -ge 1 ] || fail "no load has come or gone, so nothing is seen"
[ "$(there "SELECT count(*) FROM records WHERE type LIKE 'load_o%'")" = 0 ] || fail "loads travel"
# a midnight has passed while the gateway was off: the day before is told, once
kept() { [ "$(here "SELECT count(*) FROM state WHERE key = 'site_day'")" = 1 ]; }
until_true 60 kept || fail "it does not know which day was told"
kill "$gateway"
wait "$gateway" 2>/dev/null
sqlite3 "$dir/state/foretrip.db" "UPDATE state SET bytes = CAST(CAST(CAST(bytes AS TEXT) AS INTEGER) - 1 AS BLOB) WHERE key = 'site_day'" ||
    fail "the record cannot be set back"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
day() { [ "$(there "SELECT count(*) FROM records WHERE type = 'site_day' AND json LIKE '%\"trips\":0,%'")" = 1 ]; }
until_true 60 day || fail "the day is not told: $(there "SELECT json FROM records WHERE type = 'site_day'")"
"$b/foretrip-fleet" portfolio --config "$dir/centre" | grep -q 'the last day of 1 units' || fail "the portfolio does not have the day"
[ "$(sort -u "$dir/all.log" | grep -cv '/up$\|/status$\|/command/send-again$')" = 0 ] || fail "more than the stream travels: $(sort -u "$dir/all.log")"
grep -q '/up$' "$dir/all.log" || fail "the stream was not listened to"
echo "$(wc -l < "$dir/filed") records, those from before the centre came asked for; $(here "SELECT count(*) FROM events WHERE type LIKE 'load_o%'") of loads stayed"
