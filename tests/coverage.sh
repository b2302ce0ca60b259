#!/bin/sh
# Line coverage of what the tests ran, from gcov's own files: coverage.sh BUILD.
set -eu
cd "$(dirname "$0")/.."
b=$1
find "$b/gateway" "$b/drivers" "$b/config" -name '*.gcda' | while read -r f; do
    gcov -n -s "$PWD" -r "$f" 2>/dev/null
done | awk '
    /^File / { file = $2; gsub("\x27", "", file) }
    /^Lines executed:/ {
        split($0, a, /[:% ]+/); share = a[3]; n = $NF
        if (file ~ /\.c$/ && !(file in seen)) {
            seen[file] = 1; split(file, p, "/"); layer = p[1] == "gateway" ? p[1] "/" p[2] : p[1]
            lines[layer] += n; hit[layer] += n * share / 100
            printf "%6.1f %%  %5d  %s\n", share, n, file
        }
    }
    END { print ""; for (l in lines) printf "%6.1f %%  %5d  %s\n", 100 * hit[l] / lines[l], lines[l], l "/" }'
