#!/bin/sh
# Load studies and advice on the page, over a record of yesterday (overload-and-reset): study.sh BUILD. Screenshots and
# the printed sheets stay in BUILD/tests/browser.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/browser/browser.inc
node tests/browser/words.mjs || exit 1
page=$(free_port)
mkdir -p "$dir/site" "$dir/state"
cp tests/scenario/overload-and-reset/site.cfg "$dir/site/"
echo "page = { port = $page; };" > "$dir/site/page.cfg"
cat > "$dir/site/study.cfg" <<'END'
study = { edition = "2026"; };
dwellings = ( { panel = "main"; floor_ft2 = 1500; loads = (
  { name = "Range"; va = 12000; }, { name = "Water heater"; va = 2500; }, { name = "Dishwasher"; va = 1200; },
  { name = "Dryer"; va = 5000; }, { name = "Room heaters"; kind = "room_heat"; va = 1800; count = 5; },
  { name = "Cooling"; kind = "air_conditioning"; va = 1380; }, { name = "Car"; kind = "vehicle"; va = 7200; new = true; } ); } );
END
awk -f tests/scenario/readings.awk -f tests/scenario/overload-and-reset/readings.gen |
    awk -F, -v OFS=, -v now="$(date +%s)" 'NR == 1 { print; next } NR == 2 { by = int((now - 86400 - $1) / 900) * 900 } { $1 += by; print }' > "$dir/in.csv"
"$b/foretrip" replay --config "$dir/site" --readings "$dir/in.csv" --database "$dir/state/foretrip.db" 2> "$dir/log" || { cat "$dir/log"; fail "replay"; }
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 20 listening "$page" || fail "the page is not served"
cp tests/browser/study.mjs tests/browser/person.mjs gateway/web/pages/study-words.js "$out/"
node "$out/study.mjs" "http://127.0.0.1:$page" "$browser" "$out" || fail "load studies in a browser"
