#!/bin/sh
# A recording through a database and out again: export gives back every reading, history and its sums agree with them,
# a backup is the same, damage is found. history.sh BUILD
set -u
b=$1
dir=$(mktemp -d) || exit 1
trap 'rm -rf "$dir"' EXIT
fail() { echo "$*"; exit 1; }
config=config/example
f="$b/foretrip"

# two days, with lost readings, lost rows and odd times
awk 'BEGIN {
    srand(4); print "time,main-01.amps,main-01.watts,main.volts_a"
    for (i = 0; i < 130000; i++) {
        if (i % 9000 == 8000) { i += 700 }
        if (i % 400 == 0) level = int(rand() * 1200) / 100
        printf "%d%s,%s,%.1f,%.2f\n", 1767225600 + i, i % 11 ? "" : ".25", i % 777 ? sprintf("%.2f", level) : "", level * 118.5, 120 + i % 13 / 100
    } }' > "$dir/in.csv"
"$f" replay --config $config --readings "$dir/in.csv" --database "$dir/a.db" 2> "$dir/log" || { cat "$dir/log"; fail "replay"; }
"$f" verify --config $config --database "$dir/a.db" > "$dir/verify" || { cat "$dir/verify"; fail "verify finds faults"; }
"$f" export --config $config --database "$dir/a.db" > "$dir/out.csv" || fail "export"
[ "$(wc -l < "$dir/in.csv")" = "$(wc -l < "$dir/out.csv")" ] || fail "rows: $(wc -l < "$dir/in.csv") in, $(wc -l < "$dir/out.csv") out"

# again, from what came out: the same to the byte
"$f" replay --config $config --readings "$dir/out.csv" --database "$dir/b.db" 2> "$dir/log" || { cat "$dir/log"; fail "replay of the export"; }
"$f" export --config $config --database "$dir/b.db" > "$dir/again.csv" || fail "second export"
cmp "$dir/out.csv" "$dir/again.csv" || fail "the export of an export is another one"

# value by value against what went in
awk -F, 'NR == FNR { if (FNR > 1) { t[FNR] = $1; a[FNR] = $2; w[FNR] = $3; v[FNR] = $4 } next }
    FNR == 1 { for (i = 2; i <= NF; i++) col[$i] = i; next }
    { x = $col["main-01.amps"]
      if ((x == "") != (a[FNR] == "") || x + 0 != a[FNR] + 0 || $col["main-01.watts"] + 0 != w[FNR] + 0 || $col["main.volts_a"] + 0 != v[FNR] + 0) {
          print "row " FNR ": " $0 " was " t[FNR] "," a[FNR] "," w[FNR] "," v[FNR]; exit 1 } }' "$dir/in.csv" "$dir/out.csv" || fail "values differ"

# the hour's mean, added up by hand
"$f" history main-01 --config $config --database "$dir/a.db" --from 2026-01-01T03:00:00Z --to 2026-01-01T04:00:00Z --every 1h --csv > "$dir/hour" || fail "history"
wanted=$(awk -F, 'NR > 1 && $1 >= 1767225600 + 10800 && $1 < 1767225600 + 14400 && $2 != "" { n++; s += $2; if ($2 > m) m = $2 } END { printf "%.2f %.2f", s / n, m }' "$dir/in.csv")
found=$(awk -F, 'NR == 2 { printf "%.2f %.2f", $3, $4 }' "$dir/hour")
[ "$wanted" = "$found" ] || fail "the hour: wanted $wanted, found $found: $(cat "$dir/hour")"
"$f" history main-01.watts --config $config --database "$dir/a.db" --every 1d --json | grep -q '"mean":[0-9]' || fail "json"
"$f" history main-01 --config $config --database "$dir/a.db" --svg "$dir/x.svg" --plot > "$dir/plot" || fail "plot"
grep -q '#' "$dir/plot" && grep -q '</svg>' "$dir/x.svg" || fail "an empty picture"
"$f" history no-such --config $config --database "$dir/a.db" 2> "$dir/err" && fail "an unknown circuit"
grep -q 'no circuit "no-such"' "$dir/err" || fail "which circuit?"

"$f" backup "$dir/copy.db" --config $config --database "$dir/a.db" || fail "backup"
"$f" export --config $config --database "$dir/copy.db" | cmp - "$dir/out.csv" || fail "the copy is another"
sqlite3 "$dir/copy.db" "UPDATE days SET data = zeroblob(40) WHERE key = (SELECT max(key) FROM days)"
"$f" verify --config $config --database "$dir/copy.db" > "$dir/verify" && fail "damage is not found"
grep -q "does not decode" "$dir/verify" || fail "damage is not named: $(cat "$dir/verify")"
tail -1 "$dir/verify"
