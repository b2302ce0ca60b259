#!/bin/sh
# The broker is restarted again and again during thousands of events, behind a network that stalls, resets
# and half-closes: every event reaches an independent subscriber at least once, first arrivals in order, and
# nothing is left waiting; at the end exactly those alarms are retained that stand in the record. RESTARTS=100 EVENTS=10000 for the long run; mqtt_restarts.sh BUILD
set -u
b=$(cd "$1" && pwd) || exit 1
cd "$(dirname "$0")" || exit 1
dir=$(mktemp -d)
. ./broker.inc
need mosquitto
need mosquitto_sub
need sqlite3
restarts=${RESTARTS:-15}
events=${EVENTS:-2500}
broker_pid= writer_pid= sub_pid= proxy_pid=
finish() {
    for pid in $writer_pid $sub_pid $proxy_pid $broker_pid; do kill "$pid" 2> /dev/null; done
    wait
    rm -rf "$dir"
}
trap finish EXIT
fail() { echo "$1"; tail -n 8 "$dir/writer.log"; tail -n 8 "$dir/broker.log"; exit 1; }
recorded() { sqlite3 "$dir/record.db" 'SELECT count(*) FROM events' 2> /dev/null || echo 0; }
recorded_reaches() { [ "$(recorded)" -ge "$1" ]; }

port=$(free_port)
to=$(free_port)
broker_start || fail "the broker did not start"
python3 proxy.py "$to" "$port" rude 2> "$dir/proxy.log" &
proxy_pid=$!
wait_until 10 listening "$to" || fail "the proxy did not start"
mosquitto_sub -p "$port" -V 311 -q 1 -c -i watcher -t 'foretrip/mill-lane-3/event' > "$dir/heard" 2> "$dir/sub.log" &
sub_pid=$!
subscribed() { grep -q 'as watcher' "$dir/broker.log"; }
wait_until 10 subscribed || fail "the subscriber did not connect"

"$b/tests/peer/mqtt_writer" "$dir/record.db" "$to" $events 250 up=0 mixed=1 wait=60 > "$dir/writer.log" 2>&1 &
writer_pid=$!
n=0
while [ $n -lt $restarts ]; do
    n=$((n + 1))
    wait_until 60 recorded_reaches $((n * events / (restarts + 1))) || fail "the gateway stopped at $(recorded)"
    broker_stop
    broker_start || fail "the broker did not come back"
done
wait $writer_pid || fail "the gateway did not get rid of its events"
writer_pid=

sqlite3 "$dir/record.db" 'SELECT seq FROM events ORDER BY seq' > "$dir/wanted"
[ "$(wc -l < "$dir/wanted")" = $events ] || fail "recorded $(wc -l < "$dir/wanted") events of $events"
last=$(tail -n 1 "$dir/wanted")
arrived() { grep -q "\"seq\":$last," "$dir/heard"; }
wait_until 30 arrived || fail "the last event did not arrive"
grep -o '"seq":[0-9]*' "$dir/heard" | cut -d: -f2 | awk '!seen[$1]++' | cmp - "$dir/wanted" ||
    fail "lost or out of order"
[ "$(sqlite3 "$dir/record.db" 'SELECT count(*) FROM outbox')" = 0 ] || fail "the outbox is not empty"
sqlite3 "$dir/record.db" "SELECT id FROM alarms WHERE state <> 'normal' ORDER BY id" > "$dir/standing"
timeout 3 mosquitto_sub -p "$port" -V 311 -t 'foretrip/mill-lane-3/alarm/+' -F '%t' 2>> "$dir/sub.log" |
    sed 's|.*/||' | sort > "$dir/retained"
cmp "$dir/standing" "$dir/retained" || fail "retained: $(cat "$dir/retained")"
[ "$(wc -l < "$dir/standing")" -ge 3 ] || fail "too few alarms stand to see it"
echo "$events events, $(wc -l < "$dir/standing") alarms standing and retained, $(wc -l < "$dir/heard") arrivals, $restarts restarts of the broker," \
    "$(grep -c 'the connection\|lost\|cannot be reached' "$dir/writer.log") breaks said: all there, in order"
