#!/bin/sh
# Runs the tests and prints one closing line: run.sh BUILD [unit] [scenario] [peer] [browser] [fuzz].
# A test is a program that exits 0 (passed), 77 (skipped, and says why) or else (failed). cmocka
# programs count each of their tests. Scenarios, peers and the browser mostly wait: TEST_JOBS (5) of them run
# side by side.
set -u
cd "$(dirname "$0")/.." || exit 1
b=$1
shift
kinds=${*:-unit scenario peer browser fuzz}
log=$b/tests/log
mkdir -p "$log"
rm -f "$log"/*.count

programs() { # programs KIND: one a line
    for t in "$b/tests/$1/${2}"*; do
        case $t in *.[od]) continue ;; esac
        [ -x "$t" ] && basename "$t"
    done
}

scripts() { # scripts KIND...: one a line; what takes minutes goes first
    for kind in "$@"; do
        for t in tests/"$kind"/*.sh; do
            [ -f "$t" ] && echo "$kind/$(basename "$t" .sh)"
        done
    done | awk '{ late = !/make_run|traces_day|page_api|browser|faults|package|commission_walk|mqtt_restarts|fleet_cluster/; print late, NR, $0 }' | sort -n | cut -d' ' -f3
}

beside=
for kind in $kinds; do
    case $kind in
    unit) for t in $(programs unit test_); do sh tests/one.sh "$log" "unit/$t" "$b/tests/unit/$t"; done ;;
    scenario | peer | browser) beside="$beside $kind" ;;
    esac
done
if [ -n "$beside" ]; then
    # shellcheck disable=SC2086
    scripts $beside | xargs -P "${TEST_JOBS:-5}" -I{} sh tests/one.sh "$log" {} sh tests/{}.sh "$b"
fi
case " $kinds " in
*" fuzz "*) for t in $(programs fuzz fuzz_); do sh tests/one.sh "$log" "fuzz/$t" sh tests/fuzz/run.sh "$b" 2 "$t"; done ;;
esac
echo
awk '{ p += $1; f += $2; s += $3 } END { printf "%d passed, %d failed, %d skipped\n", p, f, s; exit f > 0 }' \
    /dev/null "$log"/*.count
