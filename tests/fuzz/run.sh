#!/bin/sh
# A bounded run of the fuzz targets over their seeds: run.sh BUILD SECONDS [TARGET]. FUZZ_RUNS=N bounds it by a number of
# executions instead of by time.
# Seeds lie in tests/fuzz/seeds/<target without fuzz_>/.
set -u
cd "$(dirname "$0")/../.." || exit 1
b=$1
seconds=$2
rc=0
for t in "$b"/tests/fuzz/${3:-fuzz_*}; do
    case $t in *.[od]) continue ;; esac
    [ -x "$t" ] || continue
    seeds=tests/fuzz/seeds/$(basename "$t" | sed 's/^fuzz_//')
    [ -d "$seeds" ] || { echo "no seeds in $seeds"; exit 1; }
    if "$t" -help=1 2>&1 | grep -q max_total_time; then
        corpus=$(mktemp -d)
        # leaks are looked for too, but for libconfig's own: after each faulty file that would take nearly all of the time
        bound=-max_total_time=$seconds
        [ -z "${FUZZ_RUNS:-}" ] || bound=-runs=$FUZZ_RUNS
        # entropic choosing costs a third of the time where a target has many features
        "$t" "$bound" -entropic=0 -detect_leaks="${FUZZ_LEAKS:-1}" -timeout=10 -rss_limit_mb=1024 "$corpus" "$seeds" || rc=1
        rm -rf "$corpus"
    else
        "$t" "$seconds" "$seeds" || rc=1
    fi
done
exit $rc
