#!/bin/sh
# A bounded run of the fuzz targets over their seeds: run.sh BUILD SECONDS [TARGET].
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
        "$t" -max_total_time="$seconds" -timeout=10 -rss_limit_mb=1024 "$corpus" "$seeds" || rc=1
        rm -rf "$corpus"
    else
        "$t" "$seconds" "$seeds" || rc=1
    fi
done
exit $rc
