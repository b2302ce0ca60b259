#!/bin/sh
# Places traced in a recording, kept by a gateway that finds the wish, and the panel directory: card, tables in and
# out read by python's csv, faults with line and column, history, conflicts. directory.sh BUILD
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
cp -r config/example "$dir/site" || exit 1
rm -f "$dir/site/delivery.cfg"
echo 'page = { off = true; };' > "$dir/site/page.cfg"
mkdir "$dir/state"
# Twelve minutes of every circuit as it rests; then 3 A on main-01, on and off to the beat that begins at a second
# that 4 divides: pauses of 3, 4, 3, 2, 2, 2, 4 times 3 s (docs/method/tracing.md), a second late each. Two
# minutes later 2 A on main-01 and main-03 together.
begin=1767254400
then=$((begin + 120))
/usr/bin/python3 - "$begin" "$then" > "$dir/in.csv" <<'END' || fail "no recording"
import re, sys
begin, then = map(int, sys.argv[1:])
ids = re.findall(r'id = "([a-z]+-\d+)"[^}]*?poles = 1', open("config/example/site.cfg").read())
ids = [i for i in ids if i in ("main-01", "main-03", "main-04", "main-05")] or ids[:4]
def on(t, at):
    edges, sum_ = [at + 1], at + 1
    for n in (3, 4, 3, 2, 2, 2, 4):
        sum_ += 3 * n
        edges.append(sum_)
    return sum(t >= e for e in edges) % 2 == 1
print("time," + ",".join(i + ".amps" for i in ids))
for t in range(begin - 720, then + 100):
    row = [0.5 + 0.01 * ((t * (k + 3)) % 5) for k in range(len(ids))]
    row[0] += 3.0 * on(t, begin) + 2.0 * on(t, then)
    row[1] += 2.0 * on(t, then)
    print(t, *("%.2f" % v for v in row), sep=",")
END
first=$(head -n 1 "$dir/in.csv" | sed 's/time,\([^.]*\)\..*/\1/')
second=$(head -n 1 "$dir/in.csv" | sed 's/.*amps,\([^.]*\)\.amps,.*,.*/\1/' )
second=$(head -n 1 "$dir/in.csv" | cut -d, -f3 | sed 's/\.amps//')
db=$dir/state/foretrip.db
"$b/foretrip" replay --config "$dir/site" --readings "$dir/in.csv" --database "$db" 2> "$dir/replay.log" || fail "replay"
tool() { "$b/foretrip" "$@" --config "$dir/site" --database "$db"; }
member() { /usr/bin/python3 -c 'import json, sys; o = json.load(sys.stdin); print(eval(sys.argv[1]))' "$1"; }

# the same from the record and from the recording
tool trace --begin $begin --json > "$dir/one.json" || fail "trace over the record"
"$b/foretrip" trace --begin $begin --readings "$dir/in.csv" --config "$dir/site" --json > "$dir/two.json" || fail "trace over a recording"
cmp "$dir/one.json" "$dir/two.json" || fail "record and recording are not judged alike"
[ "$(member 'o["result"]["verdict"], o["result"]["circuits"]' < "$dir/one.json")" = "('one', ['$first'])" ] || fail "$(cat "$dir/one.json")"
[ "$(member 'abs(o["result"]["amps"] - 3) < 0.1' < "$dir/one.json")" = True ] || fail "the load draws 3 A"
tool trace --begin "$begin,$then" --json | member 'o["result"]["verdict"], o["result"]["circuits"]' > "$dir/two"
[ "$(cat "$dir/two")" = "('two', ['$first', '$second'])" ] || fail "a place on two: $(cat "$dir/two")"
# on paper: one page, with what was found, when it was switched, and the cautions
tool trace "Hall, by the door" --begin $begin --by Ada --print > "$dir/page" || fail "a tracing on paper"
for words in 'TRACING  ' 'Place        Hall, by the door' 'Traced by    Ada' 'It is on breaker ' 'How sure     99' 'no proof that a circuit is dead' 'no protective device'; do
    tr '\n' ' ' < "$dir/page" | grep -qF "$words" || fail "the page does not say \"$words\": $(cat "$dir/page")"
done
[ "$(grep -oE '(on|off) [0-9]{2}:[0-9]{2}:[0-9]{2}' "$dir/page" | wc -l)" = 8 ] || fail "the page does not say when it was switched"
[ "$(wc -l < "$dir/page")" -le 60 ] || fail "it is more than one page"
tool trace --begin "$begin,$then" --print --half upper > "$dir/page" || fail "a place on two circuits, on paper"
tr '\n' ' ' < "$dir/page" | grep -q 'two circuits: .*Both breakers must be off' || fail "two circuits are not said on paper: $(cat "$dir/page")"
grep -q 'upper half' "$dir/page" || fail "the half is not said on paper"
tool trace --begin $begin --print --json > /dev/null 2> "$dir/err" && fail "both --json and --print"
grep -q 'either --json or --print' "$dir/err" || fail "what is wrong with both is not said: $(cat "$dir/err")"
tool trace --print < /dev/null > /dev/null 2> "$dir/err" && fail "a page of nothing"
tool trace --begin $((begin + 500)) > /dev/null 2> "$dir/err" && fail "readings that are not there"
grep -q "the readings end before" "$dir/err" || fail "what is missing? $(cat "$dir/err")"
tool trace --begin yesterday > /dev/null 2> "$dir/err"
[ $? -eq 2 ] || fail "a beginning that is no time is a usage error"
tool trace < /dev/null > /dev/null 2> "$dir/err"
[ $? -eq 2 ] || fail "without a terminal a beginning is needed"

# the gateway keeps what was traced, and what is entered
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
gateway=$started
until_true 20 grep -q "watching" "$dir/gateway.log" || fail "no gateway"
tool trace "Hall, by the door" --begin $begin --keep --by Ada > "$dir/out" || fail "keeping: $(cat "$dir/out")"
tool trace "Porch" --begin "$begin,$then" --keep --by Ada > /dev/null || fail "keeping a place on two circuits"
tool directory --json > "$dir/d.json" || fail "directory"
[ "$(member 'sorted(p["place"] for a in o["panels"] for l in a["lines"] if l["circuit"] == "'"$first"'" for p in l["places"])' < "$dir/d.json")" = "['Hall, by the door', 'Porch']" ] || fail "places of $first: $(cat "$dir/d.json")"
[ "$(member '[r["circuits"] for r in o["remarks"] if r["kind"] == "place_on_two"]' < "$dir/d.json")" = "[['$first', '$second']]" ] || fail "the place on two circuits is not remarked"

# tables: out, read by another reader, changed, in
tool directory --csv > "$dir/out.csv" || fail "csv"
/usr/bin/python3 - "$dir/out.csv" "$dir/d.json" "$dir/in2.csv" "$first" <<'END' || fail "the table and the JSON do not agree"
import csv, json, sys
rows = list(csv.DictReader(open(sys.argv[1], newline="")))
lines = [(p["panel"], l) for p in json.load(open(sys.argv[2]))["panels"] for l in p["lines"]]
assert len(rows) == len(lines), (len(rows), len(lines))
for r, (panel, l) in zip(rows, lines):
    assert (r["panel"], r["position"], r["circuit"]) == (panel, l["position"], l["circuit"] or ""), (r, l)
    assert not l["circuit"] or (float(r["amps"]) == l["rating_amps"] and r["name"] == l["purpose"]), (r, l)
    assert not l["circuit"] or [x for x in r["places"].split("; ") if x] == list(dict.fromkeys(p["place"] for p in l["places"])), (r, l)
for r in rows:
    if r["circuit"] == sys.argv[4]:
        r["name"], r["places"] = 'Hall, "front"', r["places"] + "; Coat closet light"
w = csv.DictWriter(open(sys.argv[3], "w", newline=""), rows[0].keys())
w.writeheader()
w.writerows(rows)
END
tool directory import "$dir/out.csv" | grep -q "nothing in it is new" || fail "what was exported is taken for new"
tool directory import "$dir/in2.csv" --by Kim | grep -qx "2 changes" || fail "import: $(tool directory import "$dir/in2.csv" 2>&1)"
tool directory --csv > "$dir/again.csv"
/usr/bin/python3 -c 'import csv, sys; a, b = ([sorted(r.items()) for r in csv.DictReader(open(f, newline=""))] for f in sys.argv[1:]); key = lambda r: [(k, sorted(v.split("; "))) for k, v in r]; sys.exit([key(r) for r in a] != [key(r) for r in b])' "$dir/in2.csv" "$dir/again.csv" || fail "what came in does not go out again"
# one place on two circuits comes in as that
other=$(tool directory --json | member '[l["position"] for a in o["panels"] for l in a["lines"] if l["circuit"] == "'"$second"'"][0]')
printf 'panel,position,name,places\nmain,%s,,Porch; Shed\nmain,9,,Shed\n' "$other" > "$dir/shed.csv"
tool directory import "$dir/shed.csv" > /dev/null || fail "a place on two circuits"
[ "$(tool directory --json | member 'sorted(l["position"] for a in o["panels"] for l in a["lines"] for p in l.get("places", []) if p["place"] == "Shed") == sorted(["'"$other"'", "9"])')" = True ] || fail "the shed is not on both: $(tool directory)"
tool directory forget Shed || fail "forget"
tool directory --csv > "$dir/again.csv"
printf 'panel,position,name\r\nmain,1,Fine\r\nmain,77,Wrong\r\n' > "$dir/bad.csv"
tool directory import "$dir/bad.csv" 2> "$dir/err" && fail "a bad table was taken"
grep -q 'line 3, column position: the panel has no breaker at "77"; nothing was changed' "$dir/err" || fail "which line? $(cat "$dir/err")"
tool directory --csv | cmp - "$dir/again.csv" || fail "a bad table was half applied"

# for paper: a page a panel with what the JSON has in each line, the cautions on each
tool directory --print > "$dir/card" || fail "print"
tool directory --json > "$dir/d.json"
/usr/bin/python3 - "$dir/card" "$dir/d.json" <<'END' || fail "the card for paper: $(cat "$dir/card")"
import json, sys
words = lambda s: " ".join(s.split())
pages, d = open(sys.argv[1]).read().split("\f"), json.load(open(sys.argv[2]))
assert len(pages) == len(d["panels"]) + bool(d["remarks"]), (len(pages), len(d["panels"]))
for page, panel in zip(pages, d["panels"]):
    assert page.startswith("PANEL DIRECTORY ") and "no proof of it" in words(page), page
    assert f"{panel['name']}, {panel['rating_amps']:g} A; as of " in page, page
    assert len(page.splitlines()) <= 60 and max(map(len, page.splitlines())) <= 100, page
    for l in panel["lines"]:
        if l["state"] != "space":
            wanted = f"{l['position']} {l['rating_amps']:g} A {l['purpose'] or 'NOT IDENTIFIED'}"
            assert words(wanted) in words(page), (wanted, page)
for r in d["remarks"]:
    assert words(r["text"]) in words(pages[-1]), r
END

# history: who, what it was, what it is
tool directory history > "$dir/history" || fail "history"
grep -q 'Kim .* -> Hall, "front"$' "$dir/history" || fail "who named it? $(cat "$dir/history")"
grep -q 'Ada  Porch: (nothing) -> main/.*, main/' "$dir/history" || fail "who traced it? $(cat "$dir/history")"
tool directory set main "$(tool directory --json | member '[l["position"] for a in o["panels"] for l in a["lines"] if l["circuit"] == "'"$second"'"][0]')" "Laundry" --by Ada || fail "set"
tool directory | grep -q "Laundry" || fail "the card does not say it"
tool directory forget Porch --by Ada || fail "forget"
tool directory forget Porch 2> "$dir/err" && fail "a place that is not there was forgotten"
grep -q "there is no such place" "$dir/err" || fail "why not? $(cat "$dir/err")"
tool directory history --json | member 'o[0]["subject"], o[0]["after"], o[0]["who"]' | grep -qx "('Porch', '', 'Ada')" || fail "what was forgotten is not in the history"
kill "$gateway"
wait "$gateway" || fail "it does not end with 0"
exit 0
