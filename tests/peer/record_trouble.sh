#!/bin/sh
# What a gateway does when its record cannot be used: a damaged one is set aside and told, on a disk that is too
# small the oldest readings would go and that is told too; warnings and events go on. record_trouble.sh BUILD
set -u
. tests/lib.sh
b=$1
meter=$(free_port)
broker=$(free_port)
demo_site "$meter" "$broker"
start_broker "$broker"
start sub stdbuf -oL mosquitto_sub -p "$broker" -q 1 -t "foretrip/+/event" -F '%p'
start_house "$meter" --speed 40

db=$dir/state/foretrip.db
events() { sqlite3 "file:$db?mode=ro" "select count(*) from events where type <> 'alarm'" 2>/dev/null || echo 0; }
some() { [ "$(events)" -gt 0 ]; }
told() { grep -q "\"kind\":\"record_at_risk\".*$1" "$dir/sub.log"; }

start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 60 some || fail "no events"
[ "$(stat -c %s "$db.reserve")" = 8388608 ] || fail "no room is held in reserve"
told . && fail "told of a record that is well"
kill -9 "$started"
wait "$started" 2>/dev/null

rm -f "$db-wal" "$db-shm"
head -c 40000 /dev/urandom > "$db"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 60 some || fail "no events in the new record"
until_true 20 told "set aside; a new one was begun" || fail "the damage is not told"
[ -n "$(find "$dir/state" -name 'foretrip.db.damaged-*')" ] || fail "the damaged record is not kept"
grep '"kind":"record_at_risk"' "$dir/sub.log" | tail -n 1 | grep -q '"state":"returned_unacknowledged"' ||
    fail "the alarm does not wait for a person"
kill "$started"
wait "$started" 2>/dev/null

if ! unshare -rm true 2>/dev/null; then
    echo "a damaged record was set aside and told; no file system may be mounted here for the rest"
    exit 0
fi
mkdir "$dir/small"
seen=$(grep -c '"type":"load_o' "$dir/sub.log")
more_loads() { [ "$(grep -c '"type":"load_o' "$dir/sub.log")" -gt "$seen" ]; }
start gateway unshare -rm sh -c "mount -t tmpfs -o size=24m none '$dir/small' && exec '$b/foretripd' --config '$dir/site' --state '$dir/small'"
until_true 20 told "disk is full. Warnings go on" || fail "a disk below its floor is not told"
until_true 60 more_loads || fail "no events on the small disk"
echo "a damaged record was set aside and told, a small disk told; events went on"
