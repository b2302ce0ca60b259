#!/bin/sh
# `make run-fleet` shows who needs somebody among 50 simulated sites, ends by itself when told to, and leaves nothing behind.
# run_fleet.sh BUILD
set -u
. tests/lib.sh
looks() { # the page that it names, while it runs
    url=$(sed -n 's|^  page  *\(http://[0-9.:]*/\).*|\1|p' "$dir/run.log")
    [ -n "$url" ] && /usr/bin/python3 -c 'import sys, urllib.request
sys.exit(b"/fleet.js" not in urllib.request.urlopen(sys.argv[1], timeout=5).read())' "$url" 2>/dev/null
}
TMPDIR=$dir sh deploy/run-fleet.sh "$1" 12 > "$dir/run.log" 2>&1 &
run=$!
pids="$pids $run"
until_true 12 looks || fail "its page is not served: $(cat "$dir/run.log")"
wait "$run" || fail "it does not run"
grep -q '^50 units, 50 connected; alarms standing: [1-9]' "$dir/run.log" || fail "not all units are there"
grep -q '  urgent .*unit-000' "$dir/run.log" || fail "nobody urgent"
[ "$(awk '/ (urgent|open|essential_load_silent|warning|worn_breaker) /' "$dir/run.log" | wc -l)" -ge 8 ] || fail "too few need somebody"
[ -z "$(ls -d "$dir"/foretrip-fleet.* 2>/dev/null)" ] || fail "something is left behind"
