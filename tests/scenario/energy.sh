#!/bin/sh
# Kilowatt hours and their cost, of readings that can be added up by hand: over the day on which clocks are set
# forward, with a gap, with amps only, with a feeder that must not be counted twice. energy.sh BUILD
set -u
b=$1
dir=$(mktemp -d) || exit 1
trap 'rm -rf "$dir"' EXIT
fail() { echo "$*"; exit 1; }
cp -r config/example "$dir/config" || exit 1
cat > "$dir/config/tariff.cfg" <<'END'
tariff = { currency = "USD"; per_kwh = 0.20; fixed_per_day = 0.50; };
prices = ( { id = "night"; per_kwh = 0.10; from = "22:00"; to = "06:00"; } );
END
# 7 to 9 March 2026 in Chicago: 24, 23 and 24 hours. main-01 at 1 kW but for two hours without a reading on the 7th;
# main-02, the feeder of the upper flat, 5 A on each leg and no watts; a circuit behind it at 0.6 kW.
upper=$(sed -n 's/.*id = "\(upper-[0-9]*\)".*poles = 1.*/\1/p' config/example/site.cfg | head -n 1)
awk -v upper="$upper" 'BEGIN {
    print "time,main-01.watts,main-02.amps,main-02.amps_2," upper ".watts"
    for (t = 1772863200; t < 1772863200 + 71 * 3600; t += 10)
        printf("%d,%s,5,5,600\n", t, (t >= 1772863200 + 43200 && t < 1772863200 + 50400) ? "" : 1000) }' > "$dir/in.csv"
"$b/foretrip" replay --config "$dir/config" --readings "$dir/in.csv" --database "$dir/a.db" 2> "$dir/log" || { cat "$dir/log"; fail "replay"; }
ask() { "$b/foretrip" energy "$@" --config "$dir/config" --database "$dir/a.db"; }

ask main-01 --csv > "$dir/days" || fail "energy of one circuit"
cat > "$dir/wanted" <<'END'
from,circuit,kwh,by,seconds_without_readings,cost_USD,kwh_otherwise,kwh_night
2026-03-07,main-01,22,watts,7200,3.6,14,8
2026-03-08,main-01,23,watts,0,3.9,16,7
2026-03-09,main-01,24,watts,0,4,16,8
END
diff "$dir/wanted" "$dir/days" || fail "main-01 by day"

# 2 x 5 A x 120 V over 71 hours; the sum counts the feeder and not what is behind it
ask --by span --csv > "$dir/span" || fail "energy of all"
grep -q '^2026-03-07,main-02,85.2,amps,0,' "$dir/span" || fail "the feeder by amps: $(cat "$dir/span")"
grep -q "^2026-03-07,$upper,42.6,watts,0," "$dir/span" || fail "behind the feeder: $(cat "$dir/span")"
# 69 + 85.2 kWh; nights 23 h of (1 + 1.2) kW; three fixed days
grep -q '^2026-03-07,,154.2,amps,7200,27.28,103.6,50.6$' "$dir/span" || fail "the sum: $(cat "$dir/span")"

ask --by month --json > "$dir/json" || fail "json"
grep -q '"from":"2026-03","days":3,"circuit":null,"kwh":154.2,"by":"amps","seconds_without_readings":7200,"cost":27.28,"currency":"USD","kwh_at":{"otherwise":103.6,"night":50.6}}' "$dir/json" || fail "json: $(cat "$dir/json")"
ask --from 2026-03-08 --to 2026-03-09 > "$dir/text" || fail "text"
grep -q 'main-01 *23.00 kWh *3.90 USD' "$dir/text" && grep -q 'fixed  *0.50 USD' "$dir/text" || fail "text: $(cat "$dir/text")"

# the days of a table are the site's too
"$b/foretrip" history main-01.watts --config "$dir/config" --database "$dir/a.db" --every 1d --csv > "$dir/table" || fail "history"
cut -d, -f1,6 "$dir/table" | tail -n 3 | tr '\n' ' ' > "$dir/edges"
[ "$(cat "$dir/edges")" = "2026-03-07T06:00:00.000Z,79200 2026-03-08T06:00:00.000Z,82800 2026-03-09T05:00:00.000Z,86400 " ] ||
    fail "days of the table: $(cat "$dir/edges")"

# without a tariff there is energy and no cost
rm "$dir/config/tariff.cfg"
ask main-01 --csv | head -n 2 | tail -n 1 | grep -qx '2026-03-07,main-01,22,watts,7200' || fail "without a tariff"
ask nowhere 2> "$dir/err" && fail "a circuit that is not there"
grep -q 'no circuit "nowhere"' "$dir/err" || fail "which circuit? $(cat "$dir/err")"
ask --by week 2> "$dir/err" && fail "by week"
grep -q 'day, month or span' "$dir/err" || fail "by what? $(cat "$dir/err")"
echo "23 kWh on the short day, the feeder counted once"
