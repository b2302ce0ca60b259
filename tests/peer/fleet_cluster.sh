#!/bin/sh
# The durable tier: three RabbitMQ nodes on loopback, simulated gateways at all of them by MQTT, two collectors behind the quorum
# queues by AMQP, PostgreSQL. One node is killed with -9 under load and comes back, a collector is killed, the database is
# restarted: every record that a gateway's broker has acknowledged is in the store, once. fleet_cluster.sh BUILD
set -u
. tests/lib.sh
. tests/fleet.inc
b=$1
sites=${SITES:-60}
records=${RECORDS:-4000}
start_cluster 3
start_postgres
mkdir "$dir/centre" "$dir/sites"
cat > "$dir/centre/fleet.cfg" <<EOT
fleet = { database = "$database"; intake = "amqp"; queues = 8; nodes = "127.0.0.1:$amqp_2 127.0.0.1:$amqp_3"; };
broker = { host = "127.0.0.1"; port = $amqp_1; };
EOT
cat > "$dir/sites/fleet.cfg" <<EOT
fleet = { nodes = "127.0.0.1:$mqtt_2 127.0.0.1:$mqtt_3"; };
broker = { host = "127.0.0.1"; port = $mqtt_1; };
EOT
start collector1 "$b/foretrip-fleet" collect --config "$dir/centre"
until_true 60 grep -q 'with AMQP' "$dir/collector1.log" || fail "the first collector does not connect"
start collector2 "$b/foretrip-fleet" collect --config "$dir/centre"
collector2=$started
until_true 60 grep -q 'with AMQP' "$dir/collector2.log" || fail "the second collector does not connect"
start simulate "$b/foretrip-fleet" simulate --config "$dir/sites" --sites "$sites" --rate "$((records / 20))" --records "$records" \
    --health 5 --linger 3
sim=$started
filed() { ask_postgres 'SELECT count(*) FROM records'; }
reaches() { [ "$(filed)" -ge "$1" ]; }
until_true 120 reaches $((records / 5)) || fail "nothing is filed: $(filed)"
kill_node 1
until_true 120 reaches $((records * 2 / 5)) || fail "with a node gone it stopped at $(filed)"
kill -9 "$collector2"
start collector3 "$b/foretrip-fleet" collect --config "$dir/centre"
until_true 120 reaches $((records * 3 / 5)) || fail "with a collector gone it stopped at $(filed)"
stop_postgres
start_postgres
start_node 1
wait "$sim" || fail "the sites did not get rid of what they told"
told=$(sed -n 's/.*"told":\([0-9]*\).*/\1/p' "$dir/simulate.log")
acknowledged=$(sed -n 's/.*"acknowledged":\([0-9]*\).*/\1/p' "$dir/simulate.log")
[ "$told" = "$records" ] && [ "$acknowledged" = "$records" ] || fail "told $told, acknowledged $acknowledged of $records"
all() { [ "$(filed)" = "$records" ]; }
until_true 120 all || fail "of $records records $(filed) are filed"
[ "$(ask_postgres 'SELECT count(*) FROM (SELECT DISTINCT site, seq FROM records) r')" = "$records" ] || fail "some are there twice"
[ "$(ask_postgres 'SELECT count(*) FROM sites')" = "$sites" ] || fail "not all sites"
[ "$(ask_postgres "SELECT count(*) FROM sites s WHERE have - gaps < (SELECT max(seq) FROM records r WHERE r.site = s.site)")" = 0 ] ||
    fail "a stream is behind"
echo "$records records of $sites sites: a node of three, a collector and the database gone and back: all filed, once"
