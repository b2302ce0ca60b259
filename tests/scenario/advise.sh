#!/bin/sh
# Advice, the whole way from readings: a hair dryer that joins a heater (overload-and-reset), a breaker that opens at
# what it must carry (worn-breaker), a panel whose legs are uneven. advise.sh BUILD
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
dir=$(mktemp -d) || exit 1
trap 'rm -rf "$dir"' EXIT
fail() { echo "$*"; exit 1; }
record() { # record SCENARIO
    mkdir -p "$dir/$1" && cp "tests/scenario/$1/site.cfg" "$dir/$1/" || exit 1
    awk -f tests/scenario/readings.awk -f "tests/scenario/$1/readings.gen" > "$dir/$1/in.csv" || exit 1
    "$b/foretrip" replay --config "$dir/$1" --readings "$dir/$1/in.csv" --database "$dir/$1/foretrip.db" 2> "$dir/log" ||
        { cat "$dir/log"; fail "replay of $1"; }
}
record overload-and-reset
"$b/foretrip" advise --config "$dir/overload-and-reset" --json > "$dir/a" || fail "advise"
python3 - "$dir/a" <<'END' || fail "the overload: $(cat "$dir/a")"
import json, sys
d = json.load(open(sys.argv[1]))
[a] = d["advice"]
# the heater, 12.3 A, is too much for a plug on 15 A (NEC 210.23); the dryer, 10.1 A, is not
assert a["kind"] == "move" and a["circuit"] == "main-07" and a["to"] == "main-09", a
assert 9.5 < a["load"]["usual_amps"] < 10.7, a["load"]
assert a["trips"]["before"] == 1 and a["trips"]["avoided"] == 1 and a["trips"]["added"] < 0.05, a["trips"]
assert a["warnings"]["before"] >= 1 and a["warnings"]["after"] == 0, a["warnings"]
assert len(a["avoided"]) == 1 and a["avoided"][0].startswith("main-07-20260101T0255"), a["avoided"]
assert "licensed electrician" in d["caution"]
END
"$b/foretrip" advise --config "$dir/overload-and-reset" > "$dir/text" || fail "advise in words"
"$b/foretrip" advise --config "$dir/overload-and-reset" --print > "$dir/sheet" || fail "advise for paper"
cat > "$dir/sheet.py" <<'END'
# the sheet for paper has the numbers of the JSON, a line to sign for each item, the caution on every page
import json, re, sys
d = json.load(open(sys.argv[1]))
pages = open(sys.argv[2]).read().split("\f")
words = lambda s: " ".join(s.split())
whole = words(" ".join(pages))
items = d["advice"] + d["balance"]
assert whole.count("[ ] done") == len(items), whole
for n, a in enumerate(items, 1):
    assert f"{n}. {words(a['text'])} [ ] done" in whole, (n, a["text"])
for a in d["advice"]:
    assert f"{a['trips']['avoided']} of {a['trips']['before']}" in a["text"], a
    if a["kind"] == "move":
        assert f"expected there by it: {a['trips']['added']:.2f}." in a["text"], a
        w = a["warnings"]
        assert not any(w.values()) or f"Warnings: {w['before']} before, {w['after']} after." in a["text"], a
    if a["load"] and a["load"]["most_amps"] - a["load"]["least_amps"] < 0.49:
        assert f"{a['load']['usual_amps']:.1f} A" in a["text"], a
for p in d["balance"]:
    for v in ("neutral_before_amps", "neutral_after_amps", "worse_before_amps", "worse_after_amps"):
        assert f"{p[v]:.1f} A" in p["text"], (v, p)
for p in pages:
    assert p.startswith("ADVICE ") and words(d["caution"]) in words(p), p
    assert len(p.splitlines()) <= 60 and max(map(len, p.splitlines())) <= 100, p
print(len(pages))
END
[ "$(python3 "$dir/sheet.py" "$dir/a" "$dir/sheet")" = 1 ] || fail "the sheet for paper: $(cat "$dir/sheet")"
grep -q 'Plug what draws' "$dir/text" && grep -q 'licensed electrician' "$dir/text" || fail "words: $(cat "$dir/text")"

record worn-breaker
"$b/foretrip" advise --config "$dir/worn-breaker" --json > "$dir/a" || fail "advise of a worn one"
python3 - "$dir/a" <<'END' || fail "the worn breaker: $(cat "$dir/a")"
import json, sys
d = json.load(open(sys.argv[1]))
[a] = d["advice"]
assert a["kind"] == "test" and a["circuit"] == "main-07" and a["load"] is None, a
assert a["trips"]["avoided"] == a["trips"]["before"] >= 1 and a["worn_chance"] > 0.5, a
END

# three circuits on leg A that are on in turn with one on B, for two days
mkdir "$dir/legs" || exit 1
cat > "$dir/legs/site.cfg" <<'END'
site = { id = "row-3"; name = "3 Mill Row"; timezone = "UTC"; standard = "UL489"; nominal_volts = 120.0; };
panels = ( { id = "main"; name = "Main panel"; legs = 2; rating_amps = 50; } );
circuits = (
  { id = "a"; panel = "main"; position = "1"; name = "Kitchen"; poles = 1; leg = "A"; breaker_amps = 20; },
  { id = "b"; panel = "main"; position = "5"; name = "Freezers"; poles = 1; leg = "A"; breaker_amps = 20; },
  { id = "c"; panel = "main"; position = "3"; name = "Den"; poles = 1; leg = "B"; breaker_amps = 20; },
  { id = "range"; panel = "main"; position = "2,4"; name = "Range"; poles = 2; leg = "AB"; breaker_amps = 40; } );
END
awk 'BEGIN { print "time,a.amps,b.amps,c.amps,range.amps,range.amps_2"
    for (t = 0; t < 172800; t += 60) printf("%d,12,11,1,4,4\n", 1767225600 + t) }' > "$dir/legs/in.csv"
"$b/foretrip" replay --config "$dir/legs" --readings "$dir/legs/in.csv" --database "$dir/legs/foretrip.db" 2> "$dir/log" || fail "replay of legs"
"$b/foretrip" advise --config "$dir/legs" --json > "$dir/a" || fail "advise of legs"
python3 - "$dir/a" <<'END' || fail "the legs: $(cat "$dir/a")"
import json, sys
d = json.load(open(sys.argv[1]))
assert d["advice"] == []
[p] = d["balance"]
# A 23, B 1: b to the other leg leaves A 12, B 12
assert p["moves"] == [{"circuit": "b", "from": "A", "to": "B"}] and p["proven"], p
assert p["neutral_before_amps"] == 22 and p["neutral_after_amps"] == 0, p
assert p["worse_before_amps"] == 27 and p["worse_after_amps"] == 16, p
assert p["uneven_before"] > 150 and p["uneven_after"] == 0, p
END
"$b/foretrip" advise --config "$dir/legs" --print > "$dir/sheet" || fail "legs for paper"
[ "$(python3 "$dir/sheet.py" "$dir/a" "$dir/sheet")" = 1 ] || fail "the legs for paper: $(cat "$dir/sheet")"
"$b/foretrip" advise --config "$dir/nowhere" 2> /dev/null && fail "advice for a directory that is not there"
echo "the dryer goes to main-09, the worn breaker to be tested, one breaker to the other leg"
