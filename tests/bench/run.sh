#!/bin/sh
# Every bench, one after the other: run.sh BUILD. Figures are ratios taken in one run wherever there is something to
# compare with; nothing here can fail a test.
cd "$(dirname "$0")/../.." || exit 1
b=$1
echo "machine: $(nproc) cores, $(sed -n 's/^model name.*: //p' /proc/cpuinfo | head -n 1), load $(cut -d' ' -f1 /proc/loadavg)"
for t in "$b"/tests/bench/bench_*; do
    case $t in *.[od]) continue ;; esac
    [ -x "$t" ] || continue
    echo
    echo "== $(basename "$t")"
    "$t"
done
for t in tests/bench/bench_*.sh; do
    [ -f "$t" ] || continue
    echo
    echo "== $(basename "$t")"
    sh "$t" "$b"
done
