#!/bin/sh
# The interface for programs against its own description, with a running gateway and a simulated house: every
# route, what must not work, live messages, and that slow and many clients delay no poll.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
meter=$(free_port)
page=$(free_port)
demo_site "$meter" 1
rm "$dir/site/delivery.cfg"
echo "page = { port = $page; };" > "$dir/site/page.cfg"
# a house in a hurry: a cord is done for, and something is overloaded, but not before the gateway has begun to look
sed 's/{ at = 16.0; .*/{ at = 14.0; act = "on"; load = "hair-dryer"; seconds = 400.0; }, { at = 16.0; act = "on"; load = "kettle-down"; seconds = 170.0; }, { at = 26.0; act = "fault"; circuit = "main-01"; },/' \
    config/demo/house.cfg > "$dir/site/house.cfg"
start_house "$meter"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state" --status "$dir/status.log"
gateway=$started
until_true 20 listening "$page" || fail "the page is not served"
at=http://127.0.0.1:$page/api/v1

has() { # has PATH TEXT
    /usr/bin/python3 -c 'import sys, urllib.request; sys.exit(sys.argv[2] not in urllib.request.urlopen(sys.argv[1], timeout=5).read().decode())' "$at$1" "$2"
}
until_true 150 has /alarms '"kind":"near_overload"' || fail "no warning was told"
until_true 150 has /trips '"trip":"main-' || fail "no trip was told"
recorded() { # the first readings have come to the disk
    /usr/bin/python3 -c 'import sys, urllib.request; sys.exit(urllib.request.urlopen(sys.argv[1], timeout=5).read().count(b",") < 100)' "$at/circuits/main-07/export.csv"
}
until_true 30 recorded || fail "no history"
/usr/bin/python3 tests/scenario/openapi.py "http://127.0.0.1:$page" main-07 || fail "the answers are not what openapi.json says"
/usr/bin/python3 tests/scenario/page_clients.py "$page" "$gateway" || fail "clients that behave badly"
grep -q "error\|cannot keep up" "$dir/gateway.log" && fail "the gateway complained"
exit 0
