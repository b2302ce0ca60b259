#!/bin/sh
# The manager's page in a real browser: fleet.sh BUILD. A centre of simulated units, of which one is silent, with logins by HTTPS; screenshots
# stay in BUILD/tests/browser.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/browser/browser.inc
port=$(free_port)
page=$(free_port)
start_broker "$port"
mkdir "$dir/centre"
openssl req -x509 -newkey rsa:2048 -nodes -keyout "$dir/centre/page.key" -out "$dir/centre/page.pem" -days 60 -subj /CN=localhost 2> /dev/null ||
    fail "openssl makes no certificate"
chmod 640 "$dir/centre/page.key"
cat > "$dir/centre/fleet.cfg" <<END
broker = { host = "127.0.0.1"; port = $port; };
page = { port = $page; login = true; tls = { cert = "page.pem"; key = "page.key"; }; };
people = (
  { id = "ada"; name = "Ada Lind"; role = "administrator"; },
  { id = "mo"; name = "Mo Diaz"; role = "manager"; },
  { id = "rosa"; name = "Rosa Vega, Vega Electric"; role = "contractor"; } );
END
start collect "$b/foretrip-fleet" collect --config "$dir/centre"
until_true 20 grep -q 'connected to' "$dir/collect.log" || fail "the collector does not reach the broker"
filed() { "$b/foretrip-fleet" portfolio --config "$dir/centre" > "$dir/said" 2>/dev/null && grep -q "^$1 units, $2 connected" "$dir/said"; }
"$b/foretrip-fleet" simulate --config "$dir/centre" --sites 50 --history 365 > "$dir/told" 2>/dev/null || fail "the units do not tell their year"
until_true 30 filed 50 0 || fail "units are still connected: $(head -1 "$dir/said")"
# the same year once more, of all but the last: a gateway that answers has its record
start simulate "$b/foretrip-fleet" simulate --config "$dir/centre" --sites 49 --history 365 --rate 0.02 --health 5
until_true 30 filed 50 49 || fail "49 are not connected again: $(head -1 "$dir/said")"
start serve "$b/foretrip-fleet" serve --config "$dir/centre"
until_true 20 listening "$page" || { cat "$dir/serve.log" >&2; fail "the page is not served"; }
code=$(sed -n 's/.*no administrator has a password yet.* gives \([0-9A-Z-]*\)$/\1/p' "$dir/serve.log")
cp tests/browser/fleet.mjs tests/browser/person.mjs "$out/"
node "$out/fleet.mjs" "https://localhost:$page" "$browser" "$out" "$code" || fail "the manager's page, in a browser"
