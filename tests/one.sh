#!/bin/sh
# Runs one test and says how it went, all of it at once, so that tests may run beside each other:
# one.sh LOG NAME COMMAND... . Its "passed failed skipped" go to LOG/<name>.count.
set -u
log=$1 name=$2
shift 2
file=$log/$(echo "$name" | tr / _)
out=$file.log

count() { # count WORD: cmocka's own numbers
    grep -c "^\[  *$1 *\] [a-zA-Z_]" "$out" 2>/dev/null
}

say() {
    if [ "$rc" = 77 ]; then
        echo "skipped  $name: $(tail -n 1 "$out")"
    elif [ "$rc" = 0 ]; then
        echo "passed   $name ($passed)"
        [ "$skipped" = 0 ] || # the line before says why
            grep -B 1 "^\[  *SKIPPED *\] [a-zA-Z_]" "$out" | sed "s|^|skipped  $name: |"
    else
        echo "FAILED   $name (exit $rc)"
        tail -n 40 "$out" | sed 's/^/    /'
    fi
}

# a bound for what hangs, no measure: the package is built twice, beside four other tests on two cores and a slow disk
timeout -k 5 "${TEST_SECONDS:-1200}" "$@" > "$out" 2>&1 < /dev/null
rc=$?
passed=$(count OK) failed=0 skipped=$(count SKIPPED)
if [ "$rc" = 77 ]; then
    passed=0 skipped=1
elif [ "$rc" = 0 ]; then
    [ "$passed" -gt 0 ] || [ "$skipped" -gt 0 ] || passed=1
else
    failed=$(sed -n 's/^\[  FAILED  \] \([a-zA-Z_][^ ]*\)$/\1/p' "$out" | sort -u | wc -l)
    [ "$failed" -gt 0 ] || failed=1
fi
echo "$passed $failed $skipped" > "$file.count"
text=$(say)
printf '%s\n' "$text"
