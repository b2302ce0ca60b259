#!/bin/sh
# What `make run` does: a private broker, a simulated house behind a Modbus server, the gateway, all on
# free loopback ports and in a directory of their own, and the panels as a live table. Ctrl-C (or the
# end of the table) ends all of it and leaves nothing running. run-demo.sh BUILD [SECONDS]
set -eu
cd "$(dirname "$0")/.."
b=$1
seconds=${2:-0}
kind=demo ended="The house, the gateway and the broker have ended."
. deploy/run.inc

wait_port() { # wait_port PORT NAME LOG
    i=0
    until python3 -c "import socket; socket.create_connection(('127.0.0.1', $1), 1).close()" 2>/dev/null; do
        i=$((i + 1))
        if [ $i -ge 100 ]; then
            echo "$2 did not start:" >&2
            cat "$3" >&2
            exit 1
        fi
        sleep 0.1
    done
}

broker_port=$(free_port)
meter_port=$(free_port)
page_port=$(free_port)
cp -R config/demo "$dir/site"
sed "s/port = 1502/port = $meter_port/" config/demo/site.cfg > "$dir/site/site.cfg"
sed "s/port = 1883/port = $broker_port/" config/demo/delivery.cfg > "$dir/site/delivery.cfg"
echo "page = { port = $page_port; };" > "$dir/site/page.cfg"
printf 'listener %s 127.0.0.1\nallow_anonymous true\npersistence false\nmax_queued_messages 0\nset_tcp_nodelay true\n' \
    "$broker_port" > "$dir/broker.conf"

broker=$(command -v mosquitto || echo /usr/sbin/mosquitto)
"$broker" -c "$dir/broker.conf" > "$dir/broker.log" 2>&1 &
pids="$pids $!"
wait_port "$broker_port" "The broker" "$dir/broker.log"
"$b/foretrip-house" --config "$dir/site" --house "$dir/site/house.cfg" --tcp "127.0.0.1:$meter_port" \
    > "$dir/house.log" 2>&1 &
pids="$pids $!"
wait_port "$meter_port" "The simulated house" "$dir/house.log"
mkdir "$dir/run"
"$b/foretripd" --config "$dir/site" --state "$dir/state" --status "$dir/run/status.json" > "$dir/gateway.log" 2>&1 &
pids="$pids $!"

cat <<EOT
A simulated two-family house in winter, with a workshop behind it, is running, and its gateway watches it:
the first warning comes within a minute, the first trip within three.

  page      http://127.0.0.1:$page_port/    in a browser, also narrowed to the width of a phone
  meters    Modbus TCP on 127.0.0.1:$meter_port     try: mbpoll -m tcp -p $meter_port -a 1 -t 3 -r 1 -c 12 -1 127.0.0.1
  messages  MQTT on 127.0.0.1:$broker_port          try: mosquitto_sub -p $broker_port -t 'foretrip/#' -v
  record    $dir/state/foretrip.db     try: sqlite3 $dir/state/foretrip.db 'select * from trips'
  logs      $dir/gateway.log, house.log, broker.log

and the tool, from another terminal:

  $b/foretrip status --run $dir/run
  $b/foretrip alarms --config $dir/site --database $dir/state/foretrip.db      also: history main-07, energy, call, study, advise

EOT
[ ! -t 1 ] || sleep 3
if [ "$seconds" != 0 ]; then
    "$b/foretrip" watch --config "$dir/site" --seconds "$seconds" &
else
    "$b/foretrip" watch --config "$dir/site" &
fi
watcher=$!
pids="$pids $watcher"
wait "$watcher" || :
