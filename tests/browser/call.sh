#!/bin/sh
# The service call in a real browser, on a phone, against the simulated house with a hand at its panel: call.sh BUILD.
# Every branch; screenshots and printed call sheets stay in BUILD/tests/browser.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/browser/browser.inc
meter=$(free_port)
page=$(free_port)
demo_site "$meter" 1
rm "$dir/site/delivery.cfg"
echo "page = { port = $page; };" > "$dir/site/page.cfg"
# nobody's habits, no script: only what the hands do; one breaker is worn
sed -e '/^script = (/,/^);/d' -e 's/reset_seconds = .*/reset_seconds = [ 0.0, 0.0 ];/' -e 's/starts_per_day = [0-9.]*/starts_per_day = 0.0/g' \
    -e '/^  script_again_seconds/d' -e '/id = "bedroom-heater"/{s/watts = 1500.0/watts = 1720.0/;n;s/cycle_on.*;//}' config/demo/house.cfg > "$dir/house.cfg"
echo 'breakers = ( { circuit = "main-08"; condition = "worn"; } );' >> "$dir/house.cfg"
printf 'site = { call_wait_seconds = 20; call_pause_seconds = 40; };\n' > "$dir/site/rules.cfg"
: > "$dir/hands"
start house "$b/foretrip-house" --config "$dir/site" --house "$dir/house.cfg" --tcp "127.0.0.1:$meter" --hands "$dir/hands" --start 12:00:00 --seed 1
until_true 10 listening "$meter" || fail "the house does not listen"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 20 listening "$page" || fail "the page is not served"
cp tests/browser/call.mjs tests/browser/person.mjs "$out/"
node "$out/call.mjs" "http://127.0.0.1:$page" "$browser" "$out" "$dir/hands" "$dir/house.log" || fail "the service call in a browser"
