#!/bin/sh
# foretrip and its replay, from the outside: the same bytes each time and whichever way the readings
# come, exit codes, and complaints that name the place.   replay.sh BUILD
set -u
cd "$(dirname "$0")/../.." || exit 1
t=$1/foretrip
s=tests/scenario/fault-at-switch-on
dir=$(mktemp -d) || exit 1
trap 'rm -rf "$dir"' EXIT
rc=0
fail() { echo "FAILED: $*"; rc=1; }

expect() { # expect EXIT-CODE TEXT COMMAND...: text is in what it says on either channel
    code=$1 text=$2
    shift 2
    "$@" > "$dir/out" 2>&1
    got=$?
    [ "$got" = "$code" ] || fail "exit $got, wanted $code: $*"
    grep -qF -e "$text" "$dir/out" || { fail "does not say \"$text\": $*"; cat "$dir/out"; }
}

awk -f tests/scenario/readings.awk -f $s/readings.gen > "$dir/r.csv"
"$t" replay --config $s --readings "$dir/r.csv" --events "$dir/a" 2> "$dir/said" || fail "replay"
[ -s "$dir/a" ] || fail "no events"
grep -q '^7200 rows, 21600 readings, [1-9][0-9]* events in ' "$dir/said" || fail "summary: $(cat "$dir/said")"
"$t" replay --config $s --readings "$dir/r.csv" --events "$dir/b" 2> /dev/null
cmp "$dir/a" "$dir/b" || fail "a second run differs"
"$t" replay --config=$s --readings=- < "$dir/r.csv" > "$dir/b" 2> /dev/null
cmp "$dir/a" "$dir/b" || fail "standard input and output differ"
dd if="$dir/r.csv" bs=777 2> /dev/null | "$t" replay --config $s --readings - --events - > "$dir/b" 2> /dev/null
cmp "$dir/a" "$dir/b" || fail "a pipe that brings pieces of rows differs"
sed 's/$/\r/' "$dir/r.csv" | "$t" replay --config $s --readings - > "$dir/b" 2> /dev/null
cmp "$dir/a" "$dir/b" || fail "CRLF differs"
awk -F, 'BEGIN { OFS = "," } NR > 1 { $1 = strftime("%Y-%m-%dT%H:%M:%SZ", $1, 1) } { print }' "$dir/r.csv" > "$dir/iso.csv" 2> /dev/null &&
    { "$t" replay --config $s --readings "$dir/iso.csv" > "$dir/b" 2> /dev/null
      cmp "$dir/a" "$dir/b" || fail "RFC 3339 differs"; }

# the database holds the same events, and a second replay makes the same one
for n in 1 2; do
    "$t" replay --config $s --readings "$dir/r.csv" --events "$dir/b" --database "$dir/$n.db" 2> /dev/null || fail "database"
done
cmp "$dir/a" "$dir/b" || fail "events beside a database differ"
if command -v python3 > /dev/null; then
    cat > "$dir/dump.py" <<'EOP'
import sqlite3, sys
first, second, events = sys.argv[1:]
dumps = [list(sqlite3.connect(p).iterdump()) for p in (first, second)]
assert dumps[0] == dumps[1], "two databases of one recording differ"
db = sqlite3.connect(first)
lines = [x.rstrip("\n") for x in open(events)]
assert [r[0] for r in db.execute("select json from events order by seq")] == lines, "events differ"
assert db.execute("select count(*) from trips").fetchone()[0] == 1, "trips"
EOP
    python3 "$dir/dump.py" "$dir/1.db" "$dir/2.db" "$dir/a" || fail "databases"
fi
cp "$dir/1.db" "$dir/before.db"
expect 1 "1.db is there already" "$t" replay --config $s --readings "$dir/r.csv" --database "$dir/1.db"
cmp "$dir/1.db" "$dir/before.db" || fail "a database that was there was touched"
expect 1 "cannot be opened" "$t" replay --config $s --readings "$dir/r.csv" --database "$dir/no/such.db"

# what is exported is replayed to the same events, all of it or a part
"$t" export --config $s --database "$dir/1.db" --readings "$dir/out.csv" || fail "export"
"$t" replay --config $s --readings "$dir/out.csv" > "$dir/b" 2> /dev/null
cmp "$dir/a" "$dir/b" || fail "events of exported readings differ"
[ "$(wc -l < "$dir/out.csv")" = 7201 ] || fail "exported rows"
"$t" export --config $s --database "$dir/1.db" --from 2026-01-01T01:00:00Z --to 1767229210 > "$dir/part.csv"
{ head -n 1 "$dir/out.csv"; grep '^2026-01-01T01:00:[01]' "$dir/out.csv" | head -n 11; } | cmp - "$dir/part.csv" || fail "a part of the export"
expect 1 "none.db: " "$t" export --config $s --database "$dir/none.db"
expect 2 '"noon" is neither' "$t" export --config $s --database "$dir/1.db" --from noon
expect 1 "No space left" "$t" export --config $s --database "$dir/1.db" --readings /dev/full

# a row that is wrong: what came before is delivered, the place is named
sed '5001s/,[^,]*$/,wrong/' "$dir/r.csv" > "$dir/bad.csv"
expect 1 "$dir/bad.csv:5001: column \"main.volts_a\": \"wrong\" is not a number" \
    "$t" replay --config $s --readings "$dir/bad.csv" --events "$dir/b"
"$t" replay --config $s --readings "$dir/bad.csv" --events "$dir/b" 2> /dev/null
head -c "$(wc -c < "$dir/b")" "$dir/a" | cmp - "$dir/b" || fail "events before the wrong row differ"
grep -q '"trip"' "$dir/b" || fail "events before the wrong row are missing"

expect 0 "replay" "$t" --help
expect 0 "--readings" "$t" help replay
expect 0 "--readings" "$t" replay --help
expect 0 "foretrip " "$t" --version
expect 2 "usage:" "$t"
expect 2 'no verb "repaly"; the nearest is "replay"' "$t" repaly
expect 2 '"--reading" is not known; the nearest is --readings' "$t" replay --config $s --reading x
expect 2 "--readings is missing" "$t" replay --config $s
expect 2 "--config needs a value" "$t" replay --config
expect 2 "--config is given twice" "$t" replay --config $s --config $s
expect 1 "site.cfg" "$t" replay --config "$dir" --readings "$dir/r.csv"
expect 1 "$dir/none.csv: No such file" "$t" replay --config $s --readings "$dir/none.csv"
expect 1 "$dir: Is a directory" "$t" replay --config $s --readings "$dir"
expect 1 "No space left on device" "$t" replay --config $s --readings "$dir/r.csv" --events /dev/full
expect 1 "$dir/no/such: No such file" "$t" replay --config $s --readings "$dir/r.csv" --events "$dir/no/such"
[ $rc = 0 ] && echo "replays are the same to the byte, and mistakes are named"
exit $rc
