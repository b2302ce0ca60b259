#!/bin/sh
# `make run-fleet` shows who needs somebody among 50 simulated sites, ends by itself when told to, and leaves nothing behind.
# run_fleet.sh BUILD
set -u
. tests/lib.sh
TMPDIR=$dir sh deploy/run-fleet.sh "$1" 12 > "$dir/run.log" 2>&1 || fail "it does not run"
grep -q '^50 units, 50 connected; alarms standing: [1-9]' "$dir/run.log" || fail "not all units are there"
grep -q '  urgent .*unit-000' "$dir/run.log" || fail "nobody urgent"
[ "$(awk '/ (urgent|open|essential_load_silent|warning|worn_breaker) /' "$dir/run.log" | wc -l)" -ge 8 ] || fail "too few need somebody"
[ -z "$(ls -d "$dir"/foretrip-fleet.* 2>/dev/null)" ] || fail "something is left behind"
