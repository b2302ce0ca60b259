#!/bin/sh
# Load studies of a record whose demand can be reckoned by hand: 32 days at one reading a minute, a peak of a quarter
# of an hour that lies across two quarters of the clock, a hole of an hour, a feeder measured twice. study.sh BUILD
set -u
b=$1
dir=$(mktemp -d) || exit 1
trap 'rm -rf "$dir"' EXIT
fail() { echo "$*"; exit 1; }
mkdir "$dir/config" || exit 1
cat > "$dir/config/site.cfg" <<'END'
site = { id = "row-3"; name = "3 Mill Row"; timezone = "UTC"; standard = "UL489"; nominal_volts = 120.0; };
panels = ( { id = "main"; name = "Main panel"; legs = 2; rating_amps = 100; },
           { id = "shop"; name = "Workshop"; legs = 2; rating_amps = 60; fed_by = "main-14"; } );
circuits = (
  { id = "main-01"; panel = "main"; position = "1"; name = "Kitchen"; poles = 1; leg = "A"; breaker_amps = 20; feeds = "several_outlets"; },
  { id = "main-14"; panel = "main"; position = "14,16"; name = "Workshop"; poles = 2; leg = "AB"; breaker_amps = 50; },
  { id = "shop-1"; panel = "shop"; position = "1"; name = "Saw"; poles = 1; leg = "B"; breaker_amps = 20; } );
END
cat > "$dir/config/study.cfg" <<'END'
study = { edition = "2020"; occupied = true; seasonal_recorded = true; };
dwellings = ( { panel = "main"; floor_ft2 = 1500; loads = (
  { name = "Range"; va = 12000; }, { name = "Water heater"; va = 2500; }, { name = "Dishwasher"; va = 1200; },
  { name = "Dryer"; va = 5000; }, { name = "Heat"; kind = "room_heat"; va = 1800; count = 5; },
  { name = "Cooling"; kind = "air_conditioning"; va = 1380; } ); } );
END
# main-01 4 A, for minutes 1000 to 1014 of the third day 16 A; the feeder 10 and 12 A; the saw 12 A of it. An hour is
# missing on the tenth day.
awk 'BEGIN { print "time,main-01.amps,main-14.amps,main-14.amps_2,shop-1.amps"
    for (m = 0; m < 32 * 1440; m++) if (m < 14000 || m >= 14060)
        printf("%d,%s,10,12,12\n", 1767225600 + m * 60, (m >= 3880 && m < 3895) ? 16 : 4) }' > "$dir/in.csv"
"$b/foretrip" replay --config "$dir/config" --readings "$dir/in.csv" --database "$dir/a.db" 2> "$dir/log" || { cat "$dir/log"; fail "replay"; }
ask() { "$b/foretrip" study "$@" --config "$dir/config" --database "$dir/a.db"; }

ask --json > "$dir/all" || fail "study"
python3 - "$dir/all" <<'END' || fail "the sheets: $(cat "$dir/all")"
import json, sys
d = json.load(open(sys.argv[1]))
assert d["edition"] == "2020" and d["verdict"] in ("undecided", "fits"), d["verdict"]
by = {(s["kind"], s["panel"]): s for s in d["sheets"]}
assert sorted(by) == [("existing", "main"), ("optional", "main"), ("recorded", "main"), ("recorded", "shop")], sorted(by)
step = lambda s, item: next(x for x in s["steps"] if x["item"] == item)["value"]
main, shop = by["recorded", "main"], by["recorded", "shop"]
# leg A: 16 + 10 A for a quarter; by the clock only 5 minutes before and 10 after
assert step(main, "maximum_demand") == 26 and step(main, "aligned_demand") == 22, main["steps"][:2]
assert step(main, "other_leg") == 12 and step(main, "all_legs") == 38 * 120
assert step(main, "with_factor") == 32.5 and main["amps"] == 32.5 and main["room_amps"] == 67.5
assert step(main, "continuous") == 14
assert step(main, "if_days") is True and step(main, "if_whole") is True and step(main, "if_occupied") is True
assert step(main, "if_continuous") is None, "a hole of an hour is for a person to judge"
assert main["verdict"] == "undecided"
# the feeder is measured: its leg B, the panel's rating 60 A, its breaker 50 A
assert step(shop, "maximum_demand") == 12 and shop["rating_amps"] == 50 and shop["room_amps"] == 35
# Annex D2(a)
assert by["optional", "main"]["va"] == 21480 and by["optional", "main"]["amps"] == 89.5
for s in d["sheets"]:
    assert all(x["section"].startswith(("220.", "230.", "215.", "100", "210.")) or not x["section"] for x in s["steps"]), s
END

# 9 A for hours on the kitchen's circuit: 4 A of it are continuous, 12 A are not: 12 + 1.25 x 4 + 1.25 x 9 = 28.25 A
ask main-01 --amps 9 --continuous --json > "$dir/one" || fail "an addition"
python3 - "$dir/one" <<'END' || fail "the addition: $(cat "$dir/one")"
import json, sys
d = json.load(open(sys.argv[1]))
assert d["verdict"] == "does_not_fit" and [s["kind"] for s in d["sheets"]] == ["branch", "recorded"], d["verdict"]
s = d["sheets"][0]
assert s["amps"] == 28.25 and s["room_amps"] == 2.4 and s["section"] == "210.20(A)", s
assert d["asked"] == {"circuit": "main-01", "panel": None, "amps": 9.0, "continuous": True, "fastened": False, "dedicated": False}
END
# a feeder is asked about as the panel behind it, and what lies before
ask main-14 --amps 30 --json | grep -c '"kind": "recorded"' | grep -qx 2 || fail "the feeder's way up"
ask --panel shop --amps 40 | grep -q 'does not fit' || fail "40 A on 50"
ask main-01 --amps 3 --print > "$dir/print" || fail "print"
grep -q '210.20(A)' "$dir/print" && grep -q 'licensed electrician' "$dir/print" && grep -q "$(printf '\f')" "$dir/print" || fail "print: $(cat "$dir/print")"
# a sheet is a page: 66 lines of at most 110 characters but for the caution's paragraph
awk -v RS='\f' '{ n = split($0, l, "\n"); if (n > 66) exit 1 }' "$dir/print" || fail "a sheet is longer than a page"
ask main-09 2> "$dir/err" && fail "a circuit that is not there"
grep -q 'no circuit "main-09"' "$dir/err" || fail "which circuit? $(cat "$dir/err")"
ask main-01 --amps ten 2> "$dir/err" && fail "ten amps"
grep -q 'is no current' "$dir/err" || fail "which current? $(cat "$dir/err")"
# by IEC 60364 the same record has design currents
sed -i 's/UL489/IEC60898/; s/120.0/230.0/; s/breaker_amps/type = "B"; breaker_amps/' "$dir/config/site.cfg"
ask main-01 --amps 3 --json | grep -q '"section": "60364-4-43 433.1"' || fail "IEC"
echo "26 A across the quarters, 22 A by the clock; 28.25 A do not fit on 20"
