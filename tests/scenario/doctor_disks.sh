#!/bin/sh
# `foretrip doctor` on file systems that are ill: one in memory, one without inodes, one mounted read-only, each in a mount namespace of the
# test's own; and on a record that is later than the machine's clock. Before each it is looked at well, and finds nothing of the kind.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
demo_site "$(free_port)" "$(free_port)"
mkdir -m 700 "$dir/state" "$dir/disk" && mkdir "$dir/run"
doctor() { "$b/foretrip" doctor --config "$dir/site" --state "$1" --run "$dir/run" > "$dir/doctor.log" 2>&1; }
found() { # found LEVEL CHECK PATTERN ADVICE
    grep -A 1 "^$1 *$2 .*$3" "$dir/doctor.log" | grep -q "to do: .*$4" || fail "doctor does not find: $1 $2 $3, with the advice: $4"
}
nothing() { ! grep -qE "$1" "$dir/doctor.log" || fail "doctor finds without reason: $1"; }

# ---- a record from the future: its clock stood three days later
"$b/foretrip-house" --config "$dir/site" --house "$dir/site/house.cfg" --record "$dir/house.csv" --seconds 600 > "$dir/house.log" 2>&1 || fail "the house"
later() { # later SECONDS: the recording of ten minutes ends so many seconds from now
    awk -F, -v OFS=, -v end="$(($(date +%s) + $1))" 'NR == 1 { print; next } { $1 = end - 600 + n++; print }' "$dir/house.csv" > "$dir/readings.csv"
    rm -f "$dir"/state/foretrip.db*
    "$b/foretrip" replay --config "$dir/site" --readings "$dir/readings.csv" --events /dev/null --database "$dir/state/foretrip.db" || fail "replay"
}
later -60
doctor "$dir/state"
nothing "later than this machine's clock"
later 259200
doctor "$dir/state"
found error clock "the newest reading is 7[12]\.[0-9] h later than this machine's clock" "set the clock right"

# ---- file systems
doctor "$dir/disk"
nothing "in memory|no inodes|read-only"
mounts() { unshare -m --propagation private sh -c "mount -t tmpfs -o $1 tmpfs '$dir/disk' && $2 && exec \"\$0\" \"\$@\"" \
    "$b/foretrip" doctor --config "$dir/site" --state "$dir/disk" --run "$dir/run" > "$dir/doctor.log" 2>&1; }
if ! unshare -m --propagation private mount -t tmpfs tmpfs "$dir/disk" 2> /dev/null; then
    echo "this machine lets nobody mount: file systems that are ill were not tried"
    exit 77
fi
mounts mode=700,size=1g true
found warning disk "$dir/disk lies in memory" "give foretripd a --state on a disk"
nothing "no inodes|read-only"
mounts mode=700,size=1g,nr_inodes=16 "(i=0; while : > '$dir/disk/'\$i; do i=\$((i + 1)); done) 2> /dev/null; [ -e '$dir/disk/3' ]"
found error disk "the file system of $dir/disk has no inodes left" "remove files"
nothing "read-only"
mounts mode=700,size=1g "mount -o remount,ro '$dir/disk'"
found error disk "the file system of $dir/disk is mounted read-only" "a card that only reads"
nothing "no inodes"
exit 0
