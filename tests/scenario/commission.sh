#!/bin/sh
# A bus that nobody has written down: its meters are found, their maps told, a site.cfg written after a question; and the wiring
# of a house is checked, over its bus and by a recording, rightly wired and with mistakes planted. commission.sh BUILD
set -u
. tests/lib.sh
b=$1
port=$(free_port)
demo_site "$port" 1
start house "$b/foretrip-house" --config "$dir/site" --house "$dir/site/house.cfg" --start 18:30:00
until_true 30 listening "$port" || fail "the house does not answer"
commission() { "$b/foretrip" commission "$@"; }

# ---- found, and written only when that is wanted
mkdir "$dir/new"
commission "127.0.0.1:$port" --config "$dir/new" --units 1-9 < /dev/null > "$dir/said" 2>&1 && fail "nothing was agreed to"
[ ! -e "$dir/new/site.cfg" ] || fail "site.cfg was written without a yes"
# site, name, zone, standard, volts, legs, rating, then the channels: 1, 2, one with two poles that is written wrongly first
printf 'maple-1\nMaple\nAmerica/Chicago\nUL489\n120\n2\n200\n1 20 Kitchen\n\n7 20\n5,7 x\n5,7 40 AB Range\n' > "$dir/answers"
yes '' | head -n 60 >> "$dir/answers"
sed -i '$d' "$dir/answers"
{ cat "$dir/answers"; } > "$dir/in"
questions=$(($(wc -l < "$dir/answers")))
commission "127.0.0.1:$port" --config "$dir/new" --units 1-9 < "$dir/in" > "$dir/said" 2>&1 # "no" at the end
grep -q 'unit 1: map branch-meter-42 ' "$dir/said" || { cat "$dir/said"; fail "the cellar's map"; }
grep -q 'unit 2: map branch-meter-12 ' "$dir/said" || { cat "$dir/said"; fail "the workshop's map"; }
grep -q 'position = "5,7"; name = "Range"; poles = 2; leg = "AB"; breaker_amps = 40; meter = "m1"; channels = \[ 4, 5 \]' "$dir/said" ||
    { cat "$dir/said"; fail "the range"; }
grep -q 'as on the panel door, such as' "$dir/said" || fail "an answer that cannot be understood was taken"
commission "127.0.0.1:$port" --config "$dir/new" --units 1-9 --yes > "$dir/said" 2>&1 || { cat "$dir/said"; fail "--yes"; }
"$b/foretrip" check --config "$dir/new" > "$dir/check" || { cat "$dir/check"; fail "what was written is not usable"; }
"$b/foretrip" read m1 --config "$dir/new" | grep -q '^main\.volts_a 1[12][0-9]' || fail "what was written does not read"
commission "127.0.0.1:$port" --config "$dir/new" > "$dir/said" 2>&1 && fail "a site.cfg that is there was gone over"
grep -q 'has no bus' "$dir/said" || { cat "$dir/said"; fail "what to do with a site.cfg that is there"; }
[ "$questions" -gt 12 ] || fail "the test's own answers"

# ---- nobody there
mkdir "$dir/none"
commission "127.0.0.1:$(free_port)" --config "$dir/none" --yes > "$dir/said" 2>&1 && fail "found something where nothing is"
grep -q 'Connection refused' "$dir/said" || { cat "$dir/said"; fail "a refused connection"; }
commission "127.0.0.1:$port" --config "$dir/none" --units 50-60 --yes > "$dir/said" 2>&1 && fail "found units that are not there"
grep -q 'nothing answers on' "$dir/said" || { cat "$dir/said"; fail "no unit"; }

# ---- a serial line, found at a setting that nobody said
serial=$dir/serial
cp -R "$dir/site" "$serial"
sed -i 's|host = "127.0.0.1"; port = [0-9]*;|device = "'"$dir"'/line"; baud = 19200;|; s|timeout_ms = 200|timeout_ms = 400|' "$serial/site.cfg"
start line "$b/foretrip-house" --config "$serial" --house "$serial/house.cfg" --start 18:30:00 --rtu-pty "$dir/line"
until_true 30 test -e "$dir/line" || fail "no line"
mkdir "$dir/rtu"
commission "$dir/line" --config "$dir/rtu" --units 1-4 --yes > "$dir/said" 2>&1 || { cat "$dir/said"; fail "over a line"; }
grep -q 'unit 2: map branch-meter-12 ' "$dir/said" || { cat "$dir/said"; fail "a map over a line"; }
grep -q 'device = ".*/line"; baud = 19200; parity = "even"' "$dir/rtu/site.cfg" || fail "the line in site.cfg"

# ---- a meter that describes itself, in integers and in floats
for kind in --sunspec-floats ''; do
    port=$(free_port)
    mkdir "$dir/self$kind" "$dir/found$kind"
    cat > "$dir/self$kind/site.cfg" << EOF
site = { id = "row-4"; name = "Row of rentals, number 4"; timezone = "UTC"; standard = "UL489"; nominal_volts = 120.0; };
panels = ( { id = "main"; name = "Panel in the hall"; legs = 2; rating_amps = 100; } );
buses = ( { id = "lan"; host = "127.0.0.1"; port = $port; } );
meters = ( { id = "m1"; bus = "lan"; unit = 3; map = "sunspec"; panel = "main"; } );
circuits = ( { id = "service"; panel = "main"; position = "1,3"; name = "Service"; poles = 2; leg = "AB"; breaker_amps = 100; meter = "m1"; channels = [ 1, 2 ]; } );
EOF
    echo 'loads = ( { id = "heater"; circuit = "service"; watts = 2400.0; always = true; spread = 0.0; } );' > "$dir/self.cfg"
    start self "$b/foretrip-house" --config "$dir/self$kind" --house "$dir/self.cfg" $kind
    until_true 30 listening "$port" || fail "the meter that describes itself does not answer"
    commission "127.0.0.1:$port" --config "$dir/found$kind" --units 1-4 --yes > "$dir/said" 2>&1 || { cat "$dir/said"; fail "a SunSpec meter"; }
    grep -q 'unit 3: SunSpec, foretrip-house simulated, serial number m1' "$dir/said" || { cat "$dir/said"; fail "what it says of itself"; }
    "$b/foretrip" read m3 --config "$dir/found$kind" > "$dir/read"
    grep -Eq '^main-1\.amps (9\.[5-9]|10(\.[0-4]|$))' "$dir/read" || { cat "$dir/read"; fail "its current"; }
done

# ---- the wiring over the bus
commission lan --config "$dir/site" --seconds 3 > "$dir/said" 2>&1 || { cat "$dir/said"; fail "a right wiring over the bus"; }
grep -qx 'no mistake in the wiring was seen' "$dir/said" || { cat "$dir/said"; fail "what was seen"; }

# ---- and by a recording of eight hours of the same house
sed 's/starts_per_day = [0-9.]*/starts_per_day = 30.0/' config/demo/house.cfg > "$dir/busy.cfg"
"$b/foretrip-house" --config "$dir/site" --house "$dir/busy.cfg" --start 08:00:00 --seconds 28800 --record "$dir/day.csv" > /dev/null ||
    fail "no recording"
commission --readings "$dir/day.csv" --config "$dir/site" > "$dir/said" || { cat "$dir/said"; fail "a right wiring is blamed"; }
grep -q 'of 5 circuits with a metered feeder were compared' "$dir/said" || { cat "$dir/said"; fail "what was compared"; }
blamed() { # blamed WHAT CIRCUIT READINGS DIRECTORY
    commission --readings "$3" --config "$4" > "$dir/said" && { cat "$dir/said"; fail "$1 of $2 was not seen"; }
    grep -q "^$1 $2: " "$dir/said" || { cat "$dir/said"; fail "not $1 of $2"; }
    grep -q 'licensed electrician' "$dir/said" || fail "without the cautions"
    [ "$(grep -c '^[a-z_]* [a-z]*-[0-9]*: ' "$dir/said")" = 1 ] || { cat "$dir/said"; fail "more than $1 of $2 was blamed"; }
}
plant() { # plant AWK: the recording with its columns changed; c["name"] is a column's number
    awk -F, -v OFS=, 'NR == 1 { for (i = 1; i <= NF; i++) c[$i] = i; print; next } { '"$1"'; print }' "$dir/day.csv" > "$dir/planted.csv"
}
plant '$c["shop-2.watts"] = -$c["shop-2.watts"]'
blamed ct_reversed shop-2 "$dir/planted.csv" "$dir/site"
plant '$c["shop-2.watts"] /= 2; $c["shop-2.amps"] /= 2'
blamed wrong_ratio shop-2 "$dir/planted.csv" "$dir/site"
plant '$c["shop-2.watts"] = 0; $c["shop-2.amps"] = 0'
blamed ct_open shop-2 "$dir/planted.csv" "$dir/site"
cp -R "$dir/site" "$dir/told"
sed -i '/id = "shop-2"/s/leg = "A"/leg = "B"/' "$dir/told/site.cfg"
blamed wrong_leg shop-2 "$dir/day.csv" "$dir/told"
echo "meters found on both kinds of bus, four planted mistakes seen and none where there was none"
