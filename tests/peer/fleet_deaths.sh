#!/bin/sh
# Many sites at one mosquitto, two collectors, PostgreSQL. While the sites tell what happens, collectors are killed with -9 ten times and come
# back, the broker is killed with -9 and comes back without its queue, and the database crashes and comes back. MQTT's
# acknowledgement comes before the commit, so each death loses what was on its way, and it is asked for at the sites: in the
# end every record that was told is in the store, once. fleet_deaths.sh BUILD; SITES=5000 RECORDS=60000 SECONDS_LONG=30 for a fleet
set -u
. tests/lib.sh
. tests/fleet.inc
b=$1
sites=${SITES:-150}
records=${RECORDS:-3000}
seconds=${SECONDS_LONG:-15}
patience=${PATIENCE:-240}
start_postgres
port=$(free_port)
start_broker "$port"
broker=$started
mkdir "$dir/centre"
cat > "$dir/centre/fleet.cfg" <<EOT
fleet = { database = "$database"; };
broker = { host = "127.0.0.1"; port = $port; };
EOT
collect() { # collect N: a collector; its pid in collector_N
    start "collector$1" "$b/foretrip-fleet" collect --config "$dir/centre"
    eval "collector_$1=$started"
}
there() { grep -q 'connected to' "$dir/collector$1.log"; }
collect 1
collect 2
for n in 1 2; do until_true 60 there $n || fail "collector $n does not connect"; done
# each site's word every few seconds tells that the end of its stream is missing; they stay until all is there
start simulate "$b/foretrip-fleet" simulate --config "$dir/centre" --sites "$sites" --rate $((records / seconds)) --records "$records" \
    --health 15 --linger 3600
sim=$started
filed() { ask_postgres 'SELECT count(*) FROM records' 2>/dev/null || echo 0; }
reaches() { [ "$(filed)" -ge "$1" ]; }
n=0
while [ $n -lt 10 ]; do
    n=$((n + 1))
    until_true "$patience" reaches $((n * records / 14)) || fail "before death $n it stopped at $(filed)"
    eval "kill -9 \$collector_$((n % 2 + 1))"
    collect $((n % 2 + 1))
    case $n in
        4)
            kill -9 "$broker"
            wait "$broker" 2>/dev/null
            start broker "$(command -v mosquitto || echo /usr/sbin/mosquitto)" -c "$dir/broker.conf"
            broker=$started
            ;;
        7)
            stop_postgres QUIT
            start_postgres
            ;;
    esac
done
all() { [ "$(filed)" = "$records" ]; }
until_true "$patience" all || fail "of $records records $(filed) are filed; gaps: $(ask_postgres 'SELECT count(*), sum(upto - after) FROM gaps')"
none_missing() { [ "$(ask_postgres 'SELECT count(*) FROM gaps')" = 0 ]; }
until_true "$patience" none_missing || fail "gaps stay: $(ask_postgres 'SELECT * FROM gaps LIMIT 5')"
kill "$sim"
wait "$sim"
[ "$(sed -n 's/.*"told":\([0-9]*\).*/\1/p' "$dir/simulate.log")" = "$records" ] || fail "told: $(tail -n 1 "$dir/simulate.log")"
[ "$(ask_postgres 'SELECT count(*) FROM (SELECT DISTINCT site, seq FROM records) r')" = "$records" ] || fail "some are there twice"
all || fail "more came in the end: $(filed)"
again=$(sed -n 's/.*"again":\([0-9]*\).*/\1/p' "$dir/simulate.log")
echo "$records records of $sites sites: 10 kill -9 of collectors, one of the broker, a crash of the database: all filed, once; asked for again: $again"
