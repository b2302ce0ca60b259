#!/bin/sh
# Recorded situations and what must be said of them: tests/scenario/<name>/ with site.cfg,
# readings.csv or readings.gen (awk, with readings.awk before it) and expected.jsonl (compare.py
# tells its form). A folder with wanted.jsonl instead is not met yet: said, and not judged.
# replays.sh BUILD [NAME...]
set -u
cd "$(dirname "$0")/../.." || exit 1
b=$1
shift
command -v python3 > /dev/null || { echo "python3 is needed to compare events"; exit 77; }
dir=$(mktemp -d) || exit 1
trap 'rm -rf "$dir"' EXIT
rc=0
for name in ${*:-$(cd tests/scenario && ls -d */ | tr -d /)}; do
    s=tests/scenario/$name
    [ -f "$s/wanted.jsonl" ] && echo "$name: NOT JUDGED, what is wanted of it is not met yet"
    [ -f "$s/expected.jsonl" ] || continue
    readings=$s/readings.csv
    if [ -f "$s/readings.gen" ]; then
        readings=$dir/$name.csv
        awk -f tests/scenario/readings.awk -f "$s/readings.gen" > "$readings" || { rc=1; continue; }
    fi
    if "$b/foretrip" replay --config "$s" --readings "$readings" --events "$dir/$name.jsonl" 2> "$dir/said" &&
        python3 tests/scenario/compare.py "$s/expected.jsonl" "$dir/$name.jsonl" > "$dir/differs"; then
        echo "$name: as expected"
    else
        echo "$name: NOT as expected"
        cat "$dir/said" "$dir/differs" 2> /dev/null
        rc=1
    fi
    rm -f "$dir/$name.csv"
done
exit $rc
