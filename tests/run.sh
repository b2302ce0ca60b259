#!/bin/sh
# Runs the tests and prints one closing line: run.sh BUILD [unit] [scenario] [peer] [browser] [fuzz].
# A test is a program that exits 0 (passed), 77 (skipped, and says why) or else (failed). cmocka
# programs count each of their tests.
set -u
cd "$(dirname "$0")/.." || exit 1
b=$1
shift
kinds=${*:-unit scenario peer browser fuzz}
log=$b/tests/log
mkdir -p "$log"
passed=0 failed=0 skipped=0

count() { # count FILE WORD: cmocka's own numbers
    grep -c "^\[  *$2 *\] [a-zA-Z_]" "$1" 2>/dev/null
}

one() { # one NAME COMMAND...
    name=$1
    shift
    out=$log/$(echo "$name" | tr / _).log
    timeout -k 5 "${TEST_SECONDS:-300}" "$@" > "$out" 2>&1 < /dev/null
    rc=$?
    ok=$(count "$out" OK)
    bad=$(sed -n 's/^\[  FAILED  \] \([a-zA-Z_][^ ]*\)$/\1/p' "$out" | sort -u | wc -l)
    if [ "$rc" = 77 ]; then
        skipped=$((skipped + 1))
        echo "skipped  $name: $(tail -n 1 "$out")"
    elif [ "$rc" = 0 ]; then
        [ "$ok" -gt 0 ] || [ "$(count "$out" SKIPPED)" -gt 0 ] || ok=1
        passed=$((passed + ok))
        echo "passed   $name ($ok)"
        left_out=$(count "$out" SKIPPED) # by cmocka's programs; the line before says why
        if [ "$left_out" -gt 0 ]; then
            skipped=$((skipped + left_out))
            grep -B 1 "^\[  *SKIPPED *\] [a-zA-Z_]" "$out" | sed "s|^|skipped  $name: |"
        fi
    else
        [ "$bad" -gt 0 ] || bad=1
        passed=$((passed + ok))
        failed=$((failed + bad))
        echo "FAILED   $name (exit $rc)"
        tail -n 40 "$out" | sed 's/^/    /'
    fi
}

for kind in $kinds; do
    case $kind in
    unit) for t in "$b"/tests/unit/test_*; do
            case $t in *.[od]) continue ;; esac
            [ -x "$t" ] && one "unit/$(basename "$t")" "$t"
        done ;;
    scenario) for t in tests/scenario/*.sh; do [ -f "$t" ] && one "scenario/$(basename "$t" .sh)" sh "$t" "$b"; done ;;
    peer) for t in tests/peer/*.sh; do [ -f "$t" ] && one "peer/$(basename "$t" .sh)" sh "$t" "$b"; done ;;
    browser) for t in tests/browser/*.sh; do [ -f "$t" ] && one "browser/$(basename "$t" .sh)" sh "$t" "$b"; done ;;
    fuzz) for t in "$b"/tests/fuzz/fuzz_*; do
            case $t in *.[od]) continue ;; esac
            [ -x "$t" ] && one "fuzz/$(basename "$t")" sh tests/fuzz/run.sh "$b" 2 "$(basename "$t")"
        done ;;
    esac
done
echo
echo "$passed passed, $failed failed, $skipped skipped"
[ "$failed" = 0 ]
