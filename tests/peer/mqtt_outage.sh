#!/bin/sh
# Nothing promised at QoS 1 is lost by a broker that is away, nor by kill -9 of the gateway: every
# event reaches an independent subscriber at least once, first arrivals in the order of their numbers;
# so does every record of the stream for a centre.
set -u
b=$(cd "$1" && pwd) || exit 1
cd "$(dirname "$0")" || exit 1
dir=$(mktemp -d)
. ./broker.inc
need mosquitto
need mosquitto_sub
need sqlite3
writer=$b/tests/peer/mqtt_writer
events=3000
per_second=400
broker_pid= writer_pid= sub_pid=
finish() {
    for pid in $writer_pid $sub_pid $broker_pid; do kill "$pid" 2> /dev/null; done
    wait
    rm -rf "$dir"
}
trap finish EXIT
fail() { echo "$1"; cat "$dir/writer.log"; tail -n 20 "$dir/broker.log"; exit 1; }

recorded() { sqlite3 "$dir/record.db" 'SELECT count(*) FROM events' 2> /dev/null || echo 0; }
recorded_reaches() { [ "$(recorded)" -ge "$1" ]; }
write() {
    "$writer" "$dir/record.db" "$port" $events $per_second >> "$dir/writer.log" 2>&1 &
    writer_pid=$!
}

port=$(free_port)
broker_start || fail "the broker did not start"
mosquitto_sub -p "$port" -V 311 -q 1 -c -i watcher -t 'foretrip/mill-lane-3/event' \
    -t 'foretrip/mill-lane-3/up' > "$dir/heard" 2> "$dir/sub.log" &
sub_pid=$!
subscribed() { grep -q 'as watcher' "$dir/broker.log"; }
wait_until 10 subscribed || fail "the subscriber did not connect"

write
for n in 300 900 1500 2100; do
    # the broker goes, the gateway goes on; then the gateway is killed; then both come back
    wait_until 30 recorded_reaches $n || fail "the gateway stopped at $(recorded)"
    broker_stop
    wait_until 30 recorded_reaches $((n + 150)) || fail "without a broker the gateway stopped at $(recorded)"
    kill -9 $writer_pid
    wait $writer_pid 2> /dev/null
    write
    wait_until 30 recorded_reaches $((n + 250)) || fail "started without a broker the gateway stopped at $(recorded)"
    broker_start || fail "the broker did not come back"
    wait_until 30 recorded_reaches $((n + 400)) || fail "the gateway stopped at $(recorded)"
    kill -9 $writer_pid # in the middle of sending
    wait $writer_pid 2> /dev/null
    write
done
wait $writer_pid || fail "the gateway did not get rid of its events"
writer_pid=

sqlite3 "$dir/record.db" 'SELECT seq FROM events ORDER BY seq' > "$dir/wanted"
[ "$(wc -l < "$dir/wanted")" = $events ] || fail "recorded $(wc -l < "$dir/wanted") events of $events"
last=$(tail -n 1 "$dir/wanted")
arrived() { # in both streams
    grep -c "\"seq\":$last,.*" "$dir/heard" | grep -q '^[2-9]'
}
wait_until 30 arrived || fail "the last event did not arrive"

first_arrivals() { grep -o '"seq":[0-9]*' | cut -d: -f2 | awk '!seen[$1]++'; }
grep '^{"seq"' "$dir/heard" | first_arrivals > "$dir/events"
grep '^{"site"' "$dir/heard" | first_arrivals > "$dir/records"
cmp "$dir/wanted" "$dir/events" || fail "events: lost or out of order"
cmp "$dir/wanted" "$dir/records" || fail "records for the centre: lost or out of order"
[ "$(sqlite3 "$dir/record.db" 'SELECT count(*) FROM outbox')" = 0 ] || fail "the outbox is not empty"
echo "$events events, $(grep -c '^{"seq"' "$dir/heard") arrivals, 4 broker outages, 8 kill -9: all there, in order"
