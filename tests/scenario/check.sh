#!/bin/sh
# foretrip check as a user meets it: what it prints, where, and how it ends.
set -u
cd "$(dirname "$0")/../.." || exit 1
tool=$PWD/${1:-build}/foretrip
case ${1:-build} in /*) tool=$1/foretrip ;; esac
dir=$(mktemp -d) || exit 1
trap 'rm -rf "$dir"' EXIT
rc=0

expect() { # expect WHAT EXIT "OUTPUT" ARGUMENTS...
    what=$1 code=$2 wanted=$3
    shift 3
    got=$("$tool" check "$@" 2>"$dir/err")
    is=$?
    if [ "$is" != "$code" ] || [ "$got" != "$wanted" ]; then
        echo "$what: exit $is, wanted $code"
        printf 'printed:\n%s\nwanted:\n%s\nstandard error:\n' "$got" "$wanted"
        cat "$dir/err"
        rc=1
    fi
}

expect "the example" 0 "usable: 3 panels, 16 circuits, 2 meters" --config config/example
for d in config/*/; do # every site that is shipped
    [ -f "$d/site.cfg" ] || continue
    "$tool" check --config "$d" > "$dir/out" 2>&1 && ! grep -q warning "$dir/out" ||
        { echo "$d is not clean:"; cat "$dir/out"; rc=1; }
done

mkdir "$dir/a"
sed 's/breaker_amps = 15;/breaker_amps = 16;/' config/example/site.cfg > "$dir/a/site.cfg"
n=$(grep -c 'breaker_amps = 16;' "$dir/a/site.cfg")
[ "$n" -gt 1 ] || { echo "the example has no breakers of 15 A to edit"; rc=1; }
wanted=$(grep -n 'breaker_amps = 16;' "$dir/a/site.cfg" | while IFS=: read -r line rest; do
    echo "$dir/a/site.cfg:$line: warning: breaker_amps = 16 is no standard rating of NEC 240.6(A); the nearest are 15 and 20"
done)
expect "warnings only" 0 "$wanted
usable: 3 panels, 16 circuits, 2 meters" --config "$dir/a"

printf 'broker = { hots = "b"; };\n' > "$dir/a/delivery.cfg"
sed 's/breaker_amps/braker_amps/' config/example/site.cfg > "$dir/a/site.cfg"
first=$(grep -n 'braker_amps' "$dir/a/site.cfg" | head -n 1 | cut -d: -f1)
count=$(grep -c 'braker_amps' "$dir/a/site.cfg")
"$tool" check --config "$dir/a/" > "$dir/out" 2>"$dir/err" && { echo "a faulty site was called usable"; rc=1; }
[ "$(head -n 1 "$dir/out")" = "$dir/a/delivery.cfg:1: unknown key \"hots\" in the group broker; did you mean \"host\"?" ] ||
    { echo "the first fault is not that of delivery.cfg:"; head -n 1 "$dir/out"; rc=1; }
[ "$(sed -n 2p "$dir/out")" = "$dir/a/site.cfg:$first: unknown key \"braker_amps\" in circuit \"main-01\"; did you mean \"breaker_amps\"?" ] ||
    { echo "the second is not the first of site.cfg:"; sed -n 2p "$dir/out"; rc=1; }
[ "$(tail -n 1 "$dir/out")" = "not usable: $((count + 1)) faults" ] ||
    { echo "not every fault came in one run:"; tail -n 1 "$dir/out"; rc=1; }

expect "no directory" 1 "$dir/none/site.cfg:1: is missing: there is no directory $dir/none
not usable: 1 fault" --config "$dir/none"
touch "$dir/file"
expect "a file for a directory" 1 "$dir/file/site.cfg:1: is missing: there is no directory $dir/file
not usable: 1 fault" --config "$dir/file"
mkdir "$dir/empty"
expect "an empty directory" 1 "$dir/empty/site.cfg:1: is missing; it tells the panels, breakers and meters, and foretrip commission writes a first one
not usable: 1 fault" --config "$dir/empty"
expect "no option" 2 ""
exit $rc
