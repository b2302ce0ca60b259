#!/bin/sh
# The centre's page for programs: every route of its description asked, over a real broker, of simulated units of which one is
# silent; who needs somebody is the same as on the terminal; a store and a broker that are away are said, and come back.
# fleet_page.sh BUILD
set -u
. tests/lib.sh
b=$1
port=$(free_port)
page=$(free_port)
end() { kill "$1" 2>/dev/null; wait "$1" 2>/dev/null; }
start_broker "$port"
broker=$started
mkdir "$dir/centre"
cat > "$dir/centre/fleet.cfg" <<END
broker = { host = "127.0.0.1"; port = $port; };
page = { port = $page; };
people = ( { id = "rosa"; name = "Rosa Vega, Vega Electric"; role = "contractor"; } );
END
start collect "$b/foretrip-fleet" collect --config "$dir/centre"
until_true 20 grep -q 'connected to' "$dir/collect.log" || fail "the collector does not reach the broker"
filed() { "$b/foretrip-fleet" portfolio --config "$dir/centre" > "$dir/said" 2>/dev/null && grep -q "^$1 units, $2 connected" "$dir/said"; }
"$b/foretrip-fleet" simulate --config "$dir/centre" --sites 12 --history 365 > "$dir/told" 2>/dev/null || fail "the units do not tell their year"
told=$(sed -n 's/.*"acknowledged":\([0-9]*\).*/\1/p' "$dir/told")
all_filed() { [ "$(/usr/bin/python3 -c 'import sqlite3, sys; print(sqlite3.connect(sys.argv[1]).execute("SELECT count(*) FROM records").fetchone()[0])' "$dir/centre/fleet.db")" = "$told" ]; }
until_true 30 all_filed || { cat "$dir/told"; fail "not all of $told records are filed"; }
until_true 20 filed 12 0 || fail "units are still connected: $(head -1 "$dir/said")"
start simulate "$b/foretrip-fleet" simulate --config "$dir/centre" --sites 11 --history 365 --rate 0.1 --health 5
until_true 30 filed 12 11 || fail "eleven are not connected again: $(head -1 "$dir/said")"
start serve "$b/foretrip-fleet" serve --config "$dir/centre"
served=$started
until_true 20 listening "$page" || { cat "$dir/serve.log" >&2; fail "the page is not served"; }
grep -q "the page is at http://127.0.0.1:$page/" "$dir/serve.log" || fail "it is not said where"
/usr/bin/python3 tests/scenario/openapi_centre.py "http://127.0.0.1:$page" unit-00003 unit-00011 || fail "the answers are not what openapi.json says"

# ---- the broker goes, and comes back
ask() { /usr/bin/python3 -c 'import sys, urllib.request, urllib.error
try: print(urllib.request.urlopen(sys.argv[1], timeout=20).read().decode()[:200])
except urllib.error.HTTPError as e: print(e.code, e.read().decode()[:200])' "http://127.0.0.1:$page/api/v1/$1"; }
end "$broker"
ask units/unit-00003/sheet > "$dir/gone"
grep -q '^503 .*"why":"broker"' "$dir/gone" || fail "a broker that is away is not said: $(cat "$dir/gone")"
start_broker "$port"
answered() { ask units/unit-00003/sheet > "$dir/back"; grep -q '"sheet":' "$dir/back"; }
until_true 40 answered || fail "a gateway is not asked again: $(cat "$dir/back")"

# ---- with nothing lost at its end
kill "$served"
wait "$served"
[ $? = 0 ] || fail "it does not end well"
grep -qi 'sanitizer' "$dir/serve.log" && { cat "$dir/serve.log" >&2; fail "the sanitizer found something"; }
exit 0
