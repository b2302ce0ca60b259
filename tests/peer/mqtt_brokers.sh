#!/bin/sh
# Brokers of many kinds: MQTT 5, 3.1.1 only, with a password, with TLS, with rights, one that says
# nothing; and commands from independent clients over both versions.
set -u
b=$(cd "$1" && pwd) || exit 1
cd "$(dirname "$0")" || exit 1
dir=$(mktemp -d)
. ./broker.inc
for program in mosquitto mosquitto_sub mosquitto_pub mosquitto_rr mosquitto_passwd openssl; do need $program; done
writer=$b/tests/peer/mqtt_writer
own=foretrip/mill-lane-3
broker_pid= writer_pid= proxy_pid= sub_pid=
finish() {
    for pid in $writer_pid $proxy_pid $sub_pid $broker_pid; do kill "$pid" 2> /dev/null; done
    wait
    rm -rf "$dir"
}
trap finish EXIT
fail() { echo "$1"; tail -n 5 "$dir"/*.log; exit 1; }
run_writer() { # run_writer EVENTS [OPTION=VALUE]..: on port $to
    n=$1
    shift
    : > "$dir/writer.log"
    "$writer" "$dir/record.db" "$to" "$n" 200 "$@" > "$dir/writer.log" 2>&1
}

# ---- a card that cannot be written: alarms are told all the same, and again when it can; the last of
# the three has returned, which clears its topic ----
port=$(free_port)
broker_start || fail "the broker did not start"
mosquitto_sub -p "$port" -V 5 -q 1 -t $own/event -t $own/alarm/+ > "$dir/told" 2>> "$dir/sub.log" &
sub_pid=$!
"$writer" "$dir/card/record.db" "$port" 15 20 mixed=1 up=0 > "$dir/writer.log" 2>&1 &
writer_pid=$!
unwritten() { grep -q '^{"stored":false,.*"type":"alarm".*"note":"number 15"' "$dir/told"; }
wait_until 20 unwritten || fail "with a dead card nothing is told"
grep -q '"seq"' "$dir/told" && fail "a number was given to what is not on disk"
mkdir "$dir/card"
wait $writer_pid || fail "the card came back and nothing was written: $(cat "$dir/writer.log")"
writer_pid=
written() { grep -q '^{"seq":[0-9]*,.*"note":"number 15"' "$dir/told"; }
wait_until 10 written || fail "what was written late is not told with its number"
[ "$(grep -c '^{"stored":false' "$dir/told")" = 5 ] || fail "told more than once: $(cat "$dir/told")"
kill $sub_pid
wait $sub_pid 2> /dev/null
sub_pid=
for circuit in 03 06; do mosquitto_pub -p "$port" -r -n -t "$own/alarm/cellar-$circuit.trip"; done
broker_stop

# ---- both versions, refused and hung up on ----
port=$(free_port)
broker_start || fail "the broker did not start"
to=$port
run_writer 20 || fail "MQTT 5: not delivered"
grep -q 'with MQTT 5$' "$dir/writer.log" || fail "the first choice is not MQTT 5"
grep -q 'as foretrip-mill-lane-3 (p5, c1, k30' "$dir/broker.log" || fail "the broker did not see MQTT 5"
for mode in refuse5 hangup5; do
    to=$(free_port)
    python3 proxy.py "$to" "$port" $mode 2>> "$dir/proxy.log" &
    proxy_pid=$!
    wait_until 10 listening "$to" || fail "the proxy did not start"
    case $mode in refuse5) n=40 ;; *) n=60 ;; esac
    run_writer $n || fail "$mode: not delivered"
    grep -q 'with MQTT 3.1.1$' "$dir/writer.log" || fail "$mode: no fallback to 3.1.1"
    kill $proxy_pid
    wait $proxy_pid 2> /dev/null
done
grep -q 'as foretrip-mill-lane-3 (p2, c1, k30' "$dir/broker.log" || fail "the broker did not see 3.1.1"

# ---- commands, answered over both versions ----
to=$port
: > "$dir/writer.log" # of the last one: it was connected too
"$writer" "$dir/record.db" "$to" 1000000 100 > "$dir/writer.log" 2>&1 &
writer_pid=$!
connected() { grep -q 'connected to' "$dir/writer.log"; }
wait_until 10 connected || fail "not connected"
ask() { # ask VERSION VERB PAYLOAD
    timeout 10 mosquitto_rr -p "$port" -V "$1" -q 1 -t "$own/command/$2" -e "answers/$2" -m "$3" ||
        echo "no answer to $2 over MQTT $1"
}
expect() { # expect WHAT TEXT
    case $2 in *"$1"*) ;; *) fail "wanted $1, got $2" ;; esac
}
expect '{"id":"a1","ok":true,"events":' "$(ask 5 status '{"id":"a1"}')"
expect '{"id":"7","ok":true,"events":' "$(ask 5 status '{"id":7}')"
expect '{"id":"","ok":true,"events":' "$(ask 5 status '')"
expect '{"id":"a2","ok":true,"circuits":[]}' "$(ask 311 circuits '{"id":"a2","reply_to":"answers/circuits"}')"
expect '"ok":false,"error":"there is no command' "$(ask 5 acknowlege '{"id":"a3"}')"
expect "'by' is missing" "$(ask 5 acknowledge '{"alarm":"cellar-01.trip"}')"
expect '"ok":false,"error":"there is no such alarm"' "$(ask 5 acknowledge '{"alarm":"x","by":"M. Reyes"}')"
expect 'line 1, column' "$(ask 5 shelve '{"alarm":')"
answer=$(timeout 10 mosquitto_rr -p "$port" -V 5 -q 1 -t "$own/command/status" -e answers/c \
    -D publish correlation-data k-17 -m '{"id":"a4"}' -F '%D %E %P %C %p')
expect 'k-17 300 ok:true application/json {"id":"a4","ok":true' "$answer"
expect 'ok:false' "$(timeout 10 mosquitto_rr -p "$port" -V 5 -q 1 -t "$own/command/shelve" -e answers/d -m '{' -F '%P')"
expect 'type:load_' "$(timeout 10 mosquitto_sub -p "$port" -V 5 -q 1 -t "$own/event" -C 1 -F '%P')"
expect 'circuit:cellar-01' "$(timeout 10 mosquitto_sub -p "$port" -V 5 -q 1 -t "$own/event" -C 1 -F '%P')"
# malformed and too long: a clear answer, and nothing done
expect 'the command is longer than 8192 bytes' "$(ask 5 status "$(printf '{"id":"long","x":"%08192d"}' 0)")"
expect "'circuit' is missing" "$(ask 5 history '{"id":"h1"}')"
expect "'points' must be a whole number from 1 to 1000" "$(ask 5 history '{"circuit":"cellar-01","points":1e9}')"
# a retained command is carried out by nobody, also at the next connect
mosquitto_pub -p "$port" -r -q 1 -t "$own/command/status" -m '{"id":"old","reply_to":"answers/old"}'

# ---- what is retained: seen at once by whoever comes later ----
retained() { timeout 10 mosquitto_sub -p "$port" -V 5 -t "$1" -C 1 -F '%r %p'; }
[ "$(retained $own/status)" = "1 online" ] || fail "status is not retained as online"
[ "$(retained $own/circuit/cellar-01/state)" = '1 {"amps":1.5}' ] || fail "the circuit's state is not retained"
mosquitto_pub -p "$port" -r -q 1 -t "$own/alarm/attic-02.trip" -m '{"state":"unacknowledged"}'
kill -9 $writer_pid
wait $writer_pid 2> /dev/null
offline() { [ "$(retained $own/status)" = "1 offline" ]; }
wait_until 60 offline || fail "no will after kill -9"
timeout 60 mosquitto_sub -p "$port" -V 5 -t "answers/old" -t "$own/alarm/+" -v > "$dir/late" 2>> "$dir/sub.log" &
sub_pid=$!
: > "$dir/writer.log" # of the last one: it was connected too
"$writer" "$dir/record.db" "$to" 1000000 100 > "$dir/writer.log" 2>&1 &
writer_pid=$!
# an alarm that the record does not know is cleared
cleared() { grep -q "^$own/alarm/attic-02.trip (null)\$" "$dir/late"; }
wait_until 20 cleared || fail "a stale retained alarm stays: $(cat "$dir/late")"
grep -q answers/old "$dir/late" && fail "a retained command was carried out"
kill $writer_pid $sub_pid
wait $writer_pid $sub_pid 2> /dev/null
writer_pid= sub_pid=
broker_stop

# ---- a password ----
rm -f "$dir"/mosquitto.db "$dir"/record.db*
mosquitto_passwd -b -c "$dir/passwords" gateway 'correct horse' 2>> "$dir/sub.log"
chmod 600 "$dir/passwords"
printf 'correct horse\n' > "$dir/right"
printf 'battery staple\n' > "$dir/wrong"
port=$(free_port)
broker_start "allow_anonymous false" "password_file $dir/passwords" || fail "the broker did not start"
to=$port
timeout 3 "$writer" "$dir/record.db" "$to" 10 200 "password_file=$dir/wrong" > "$dir/writer.log" 2>&1 &&
    fail "delivered with the wrong password"
grep -q 'refuses us: Not authorized' "$dir/writer.log" || fail "the wrong password is not said"
[ "$(grep -c 'refuses us' "$dir/writer.log")" = 1 ] || fail "said more than once"
run_writer 10 "password_file=$dir/right" || fail "not delivered with the right password"
timeout 3 "$writer" "$dir/record.db" "$to" 20 200 "password_file=$dir/none" > "$dir/writer.log" 2>&1 &&
    fail "delivered without the password file"
grep -q 'none: the password cannot be read' "$dir/writer.log" || fail "the missing file is not named"
broker_stop

# ---- TLS: the right authority, and another one ----
certificate() { # certificate NAME
    openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 \
        -subj "/CN=$1" -addext "subjectAltName=IP:127.0.0.1" \
        -keyout "$dir/$1.key" -out "$dir/$1.pem" 2>> "$dir/openssl.log"
}
certificate ours
certificate other
rm -f "$dir"/record.db*
port=$(free_port)
broker_start "allow_anonymous true" "certfile $dir/ours.pem" "keyfile $dir/ours.key" || fail "the TLS broker did not start"
to=$port
run_writer 10 "ca=$dir/ours.pem" || fail "TLS: not delivered"
timeout 3 "$writer" "$dir/record.db" "$to" 20 200 "ca=$dir/other.pem" > "$dir/writer.log" 2>&1 &&
    fail "delivered to a broker of another authority"
broker_stop

# ---- no rights: refused messages are said once and skipped, the others go on ----
rm -f "$dir"/record.db*
to=$(free_port)
python3 grudging.py "$to" $own/event > "$dir/granted" 2>> "$dir/proxy.log" &
proxy_pid=$!
wait_until 10 listening "$to" || fail "the grudging broker did not start"
run_writer 31 || fail "refused messages block the outbox: $(cat "$dir/writer.log")"
grep -q 'done at 31, 0 acknowledged in 1 conn' "$dir/writer.log" || fail "a refused message is counted as told"
[ "$(grep -c 'refuses a message for good (Not authorized)' "$dir/writer.log")" = 1 ] ||
    fail "the refusal is not said once: $(cat "$dir/writer.log")"
grep -q 'no commands can come' "$dir/writer.log" || fail "the refused subscription is not said"
grep -q "^$own/up\$" "$dir/granted" || fail "what is granted is not sent"
kill $proxy_pid
wait $proxy_pid 2> /dev/null

# ---- one that takes the connection and says nothing: no harm, and the end is not delayed ----
to=$(free_port)
python3 proxy.py "$to" 1 deaf 2>> "$dir/proxy.log" &
proxy_pid=$!
wait_until 10 listening "$to" || fail "the proxy did not start"
rm -f "$dir"/record.db*
"$writer" "$dir/record.db" "$to" 30 100 "wait=0" > "$dir/writer.log" 2>&1
grep -q 'not done at 30' "$dir/writer.log" || fail "with a deaf broker: $(cat "$dir/writer.log")"
echo "MQTT 5, 3.1.1, commands, retained, password, TLS, refusals, a deaf broker, a dead card: as promised"
