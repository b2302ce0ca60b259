#!/bin/sh
# Whether looking delays the watching: the daemon polls the simulated house over Modbus once a second while 20
# clients pan charts for half a minute: bench_polls_page.sh BUILD.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
meter=$(free_port)
page=$(free_port)
demo_site "$meter" 1
rm "$dir/site/delivery.cfg"
sed -i 's/poll_ms = 500/poll_ms = 1000/' "$dir/site/site.cfg"
echo "page = { port = $page; };" > "$dir/site/page.cfg"
start house "$b/foretrip-house" --config "$dir/site" --house "$dir/site/house.cfg" --tcp "127.0.0.1:$meter"
until_true 10 listening "$meter" || fail "the house does not listen"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state" --metrics "$dir/metrics"
until_true 20 listening "$page" || fail "the page is not served"
sleep 12
grep -E '_(frames|answers|missed)' "$dir/metrics" | grep -v '^#' > "$dir/before"
/usr/bin/python3 tests/bench/pan.py "$page" || fail "the clients"
sleep 11 # the metrics are written every ten seconds
echo "before and after, of the buses:"
cat "$dir/before"
grep -E '_(frames|answers|missed|turn)' "$dir/metrics" | grep -v '^#'
