#!/bin/sh
# The replay against `wc -l` on the same file (goal: no slower than a tenth of it, and at least 10 M
# readings/s on one core). Interleaved rounds, medians. What one core does is said by the processor time that was
# used, since others may use the same core meanwhile; the time on the wall stands beside it.
#     bench_replay.sh BUILD [DIR...]
# DIR holds site.cfg and readings.csv; without any, recordings of 10 and 42 circuits are made.
set -u
cd "$(dirname "$0")/../.." || exit 1
b=$1
shift
rounds=${BENCH_ROUNDS:-7}
dir=$(mktemp -d) || exit 1
trap 'rm -rf "$dir"' EXIT
if [ $# = 0 ]; then
    for circuits in 10 42; do
        mkdir "$dir/$circuits"
        "$b/tests/bench/readings" make "$dir/$circuits" $circuits $((12000000 / circuits)) || exit 1
        set -- "$@" "$dir/$circuits"
    done
fi

median() { sort -n "$1" | awk '{ v[NR] = $1 } END { print v[int((NR + 1) / 2)] }'; }
timed() { # timed FILE COMMAND...: appends the seconds it took
    out=$1
    shift
    from=$(date +%s.%N)
    "$@" > /dev/null 2>&1 || exit 1
    echo "$from $(date +%s.%N)" | awk '{ printf "%.6f\n", $2 - $1 }' >> "$out"
}

worked() { # worked FILE COMMAND...: appends the processor seconds, user's and system's
    out=$1
    shift
    ( "$@" > /dev/null 2>&1 || exit 1; times ) | tail -n 1 | tr ms '  ' |
        awk '{ print $1 * 60 + $2 + $3 * 60 + $4 }' >> "$out"
}

for d in "$@"; do
    rm -f "$dir/wc" "$dir/parse" "$dir/replay" "$dir/one" "$dir/core"
    cat "$d/readings.csv" > /dev/null
    for i in $(seq "$rounds"); do
        timed "$dir/wc" wc -l "$d/readings.csv"
        "$b/tests/bench/readings" parse "$d" > "$dir/said" || exit 1
        awk '{ print $1 }' "$dir/said" >> "$dir/parse"
        timed "$dir/replay" "$b/foretrip" replay --config "$d" --readings "$d/readings.csv" --events /dev/null
        timed "$dir/one" taskset -c 0 "$b/foretrip" replay --config "$d" --readings "$d/readings.csv" --events /dev/null
        worked "$dir/core" taskset -c 0 "$b/foretrip" replay --config "$d" --readings "$d/readings.csv" --events /dev/null
    done
    awk -v w="$(median "$dir/wc")" -v p="$(median "$dir/parse")" -v r="$(median "$dir/replay")" \
        -v o="$(median "$dir/one")" -v c="$(median "$dir/core")" -v n="$(cut -d' ' -f2 "$dir/said")" \
        -v columns="$(head -n 1 "$d/readings.csv" | tr -cd , | wc -c)" 'BEGIN {
        printf "%d readings in %d columns; wc -l takes %.3f s\n", n, columns, w
        printf "  reader alone          %7.1f M readings/s, wc -l is %5.1f times as fast (goal: 10)\n", n / p / 1e6, p / w
        printf "  whole replay          %7.1f M readings/s, wc -l is %5.1f times as fast\n", n / r / 1e6, r / w
        printf "  whole replay, 1 core  %7.1f M readings/s of processor time (goal: 10 at least), %.1f on the wall\n",
            n / c / 1e6, n / o / 1e6 }'
done
