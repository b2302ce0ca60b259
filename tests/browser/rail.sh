#!/bin/sh
# Breakers of IEC 60898-1 as modules on a rail, in a real browser: rail.sh BUILD.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/browser/browser.inc
meter=$(free_port)
page=$(free_port)
mkdir "$dir/site"
sed "s/METER_PORT/$meter/" tests/browser/rail/site.cfg > "$dir/site/site.cfg"
cp tests/browser/rail/house.cfg "$dir/site/"
echo "page = { port = $page; };" > "$dir/site/page.cfg"
"$b/foretrip" check --config "$dir/site" || fail "the configuration is not taken"
start_house "$meter"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 20 listening "$page" || fail "the page is not served"
cp tests/browser/rail.mjs tests/browser/person.mjs "$out/"
node "$out/rail.mjs" "http://127.0.0.1:$page" "$browser" "$out" || fail "the rail in a browser"
