#!/bin/sh
# Two collectors share a gateway's stream through a real broker into one embedded store, and one or the
# other is killed with -9 ten times while the gateway writes: every record that it has on disk is in the store, once,
# although the broker gave what a killed one held to nobody. fleet_collect.sh BUILD
set -u
. tests/lib.sh
b=$1
events=${EVENTS:-1500}
port=$(free_port)
start_broker "$port"
mkdir "$dir/centre"
cat > "$dir/centre/fleet.cfg" <<EOT
broker = { host = "127.0.0.1"; port = $port; };
EOT
collect() { # collect N: a collector; its pid in collector_N
    start "collector$1" "$b/foretrip-fleet" collect --config "$dir/centre"
    eval "collector_$1=$started"
}
collect 1
collect 2
there() { [ "$(grep -c 'connected to' "$dir/collector1.log")$(grep -c 'connected to' "$dir/collector2.log")" = 11 ]; }
until_true 20 there || fail "the collectors do not connect"
start writer "$b/tests/peer/mqtt_writer" "$dir/record.db" "$port" "$events" 150 stay=120
writer=$started
recorded() { sqlite3 "$dir/record.db" 'SELECT count(*) FROM events' 2>/dev/null || echo 0; }
reaches() { [ "$(recorded)" -ge "$1" ]; }
n=0
while [ $n -lt 10 ]; do
    n=$((n + 1))
    until_true 60 reaches $((n * events / 11)) || fail "the gateway stopped at $(recorded)"
    eval "kill -9 \$collector_$((n % 2 + 1))"
    collect $((n % 2 + 1))
done
until_true 60 reaches "$events" || fail "the gateway stopped at $(recorded)"
sqlite3 "$dir/record.db" 'SELECT seq FROM events ORDER BY seq' > "$dir/wanted"
filed() {
    sqlite3 "$dir/centre/fleet.db" "SELECT seq FROM records ORDER BY seq" > "$dir/filed"
    cmp "$dir/wanted" "$dir/filed"
}
until_true 90 filed || fail "recorded $(wc -l < "$dir/wanted"), filed $(wc -l < "$dir/filed")"
grep -q '3 Mill Lane' "$dir/centre/fleet.db" || [ "$(sqlite3 "$dir/centre/fleet.db" "SELECT name FROM sites")" = "3 Mill Lane" ] ||
    fail "the site's name did not come"
until_true 60 sh -c "sqlite3 '$dir/centre/fleet.db' 'SELECT gaps FROM sites' | grep -qx 0" || fail "gaps stay"
kill "$writer"
echo "$events records of a gateway, 10 kill -9 of two collectors: all filed, once"
