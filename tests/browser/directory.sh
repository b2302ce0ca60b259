#!/bin/sh
# Tracing on a phone and the panel's card, in a real browser: the simulated house's hand switches a lamp to the beat
# that the page gives; then a panel of 42 positions is printed. directory.sh BUILD
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/browser/browser.inc
meter=$(free_port)
page=$(free_port)
demo_site "$meter" 1
rm "$dir/site/delivery.cfg"
echo "page = { port = $page; };" > "$dir/site/page.cfg"
# The lamp goes on and off by the plan that begins at a second that 4 divides (pauses of 3 4 3 2 2 2 4 times 3 s), a
# second late each. The house begins now.
begin=$((($(date +%s) + 75) / 4 * 4))
at() { echo "{ at = $(($1 + begin - $2 + 1)).0; act = \"on\"; load = \"lamp\"; seconds = $3.0; },"; }
now=$(($(date +%s) + 1))
{
    echo 'house = { seed = 3; warm_up_minutes = 0.0; hands_per_day = 0.0; outages_per_day = 0.0; };'
    echo 'loads = ( { id = "lamp"; circuit = "main-09"; watts = 240.0; spread = 0.0; starts_per_day = 0.0; },'
    echo '{ id = "fridge"; circuit = "main-03"; watts = 165.0; always = true; cycle_on_seconds = [ 20.0, 60.0 ]; cycle_off_seconds = [ 20.0, 60.0 ]; } );'
    echo 'script = ('
    { at 0 $now 9; at 21 $now 9; at 36 $now 6; at 48 $now 12; } | sed '$s/,$//'
    echo ');'
} > "$dir/site/house.cfg"
while [ "$(date +%s)" -lt "$now" ]; do sleep 0.05; done
start_house "$meter"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 20 listening "$page" || fail "the page is not served"

# a panel with 42 positions, all of them told at length
large=$(free_port)
mkdir -p "$dir/large" "$dir/large-state"
/usr/bin/python3 - "$dir/large/site.cfg" "$dir/large.csv" "$large" "$dir/large/page.cfg" <<'END'
import csv, sys
site, table, port, page = sys.argv[1:]
open(page, "w").write("page = { port = %s; };\n" % port)
rooms = ["Kitchen counter, left of the sink", "Bakery oven room, north wall", "Flat over the shop: bath", "Cold room and its fan", "Shop window lights"]
with open(site, "w") as f:
    f.write('site = { id = "bakery"; name = "Bakery with the flat above it"; timezone = "America/Chicago"; standard = "UL489"; nominal_volts = 120.0; };\n')
    f.write('panels = ( { id = "main"; name = "Main panel, back hall"; legs = 2; rating_amps = 200; } );\ncircuits = (\n')
    f.write(",\n".join('{ id = "c-%02d"; panel = "main"; position = "%d"; name = "x"; poles = 1; leg = "%s"; breaker_amps = 20; }' % (n, n, "AB"[(n - 1) // 2 % 2]) for n in range(1, 43)) + ");\n")
w = csv.writer(open(table, "w", newline=""))
w.writerow(["panel", "position", "name", "places"])
for n in range(1, 43):
    w.writerow(["main", n, "%s %d" % (rooms[n % 5], n), "Receptacle by door %d; Ceiling light %d" % (n, n)])
END
start large "$b/foretripd" --config "$dir/large" --state "$dir/large-state"
until_true 20 listening "$large" || fail "the page of the large panel is not served"
"$b/foretrip" directory import "$dir/large.csv" --config "$dir/large" --database "$dir/large-state/foretrip.db" --by Ada | grep -q changes || fail "the table was not taken in"
cp tests/browser/directory.mjs tests/browser/person.mjs "$out/"
node "$out/directory.mjs" "http://127.0.0.1:$page" "$browser" "$out" "$begin" "http://127.0.0.1:$large" || fail "tracing and the card in a browser"
