#!/bin/sh
# What `make run-fleet` does: a private broker, 50 simulated sites with a year behind them, a collector with an embedded
# store and its page, all on free loopback ports and in a directory of their own, and who needs somebody, shown again every few seconds.
# Ctrl-C (or the end of SECONDS) ends all of it and leaves nothing running. run-fleet.sh BUILD [SECONDS [SITES]]
set -eu
cd "$(dirname "$0")/.."
b=$1
seconds=${2:-0}
sites=${3:-50}
kind=fleet ended="The sites, the centre and the broker have ended."
. deploy/run.inc

port=$(free_port)
page=$(free_port)
printf 'listener %s 127.0.0.1\nallow_anonymous true\npersistence false\nmax_queued_messages 0\nset_tcp_nodelay true\n' \
    "$port" > "$dir/broker.conf"
cat > "$dir/fleet.cfg" <<EOT
broker = { host = "127.0.0.1"; port = $port; };
page = { port = $page; };
people = ( { id = "rosa"; name = "Rosa Vega, Vega Electric"; role = "contractor"; } );
EOT

"$(command -v mosquitto || echo /usr/sbin/mosquitto)" -c "$dir/broker.conf" > "$dir/broker.log" 2>&1 &
pids="$pids $!"
"$b/foretrip-fleet" collect --config "$dir" > "$dir/collector.log" 2>&1 &
pids="$pids $!"
i=0
until grep -q 'connected to' "$dir/collector.log"; do
    i=$((i + 1))
    [ $i -lt 200 ] || { echo "The collector does not reach the broker:" >&2; cat "$dir"/*.log >&2; exit 1; }
    sleep 0.1
done
"$b/foretrip-fleet" simulate --config "$dir" --sites "$sites" --history 365 --rate 0.5 --health 20 > "$dir/sites.log" 2>&1 &
pids="$pids $!"
"$b/foretrip-fleet" serve --config "$dir" > "$dir/page.log" 2>&1 &
pids="$pids $!"

cat <<EOT
A property manager's $sites units: each has a gateway (simulated) with a year behind it, and a centre gathers what they tell.

  page      http://127.0.0.1:$page/     who needs somebody, units, trips, work orders
  messages  MQTT on 127.0.0.1:$port          try: mosquitto_sub -p $port -t 'foretrip/+/up' -v
  store     $dir/fleet.db     try: sqlite3 $dir/fleet.db 'select * from sites'
  logs      $dir/collector.log, sites.log, page.log, broker.log

EOT
end=$(($(date +%s) + seconds))
sleep 4
# "1 Mill Lane, unit 3" is unit 3 of 1 Mill Lane: what a manager would enter
"$b/foretrip-fleet" places --config "$dir" |
    sed -n '1s/.*/unit,building,place/p; s/^\([^,]*\),"\([^"]*\), \(unit [0-9]*\)".*/\1,\2,\3/p' |
    "$b/foretrip-fleet" places - --config "$dir" > "$dir/places.log" 2>&1
while :; do
    "$b/foretrip-fleet" portfolio --config "$dir"
    [ "$seconds" = 0 ] || [ "$(date +%s)" -lt "$end" ] || break
    echo
    sleep 10
done
