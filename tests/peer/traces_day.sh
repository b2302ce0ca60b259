#!/bin/sh
# Recorded appliances through the whole way: the simulated house plays a day of open power traces over
# Modbus into the gateway, which tells a real broker, where mosquitto_sub, which nobody here wrote, reads.
# Four appliances' days, each cut into ten parts of 2 h 24 min that are played side by side on ten circuits a
# hundred times as quick, so that a day passes in a minute and a half; beside them single runs of
# appliances at their own pace. traces_day.sh BUILD
# FORETRIP_TRACES: where the traces are; TRACES_CLASSES="A B C D"; TRACES_PICK=N: each class's Nth good day.
set -u
cd "$(dirname "$0")/../.." || exit 1
b=$1
traces=${FORETRIP_TRACES:-../shared/traces}
[ -f "$traces/index.csv" ] || { echo "no traces in $traces: recorded appliances were not played"; exit 77; }
command -v mosquitto_sub > /dev/null || { echo "mosquitto_sub is not installed"; exit 77; }
python=/usr/bin/python3
. tests/lib.sh
pick=${TRACES_PICK:-1}

broker_port=$(free_port)
start_broker "$broker_port"

# play NAME POLL_MS SPEED: house, gateway and reader of one site, from $dir/NAME.args (options of the house)
play() {
    name=$1
    "$python" tests/peer/traces_day.py site "$dir/$name" "$name" "$2" "$broker_port" "$dir/$name.plan" ||
        fail "no site for $name"
    # shellcheck disable=SC2046
    start "$name-house" "$b/foretrip-house" --config "$dir/$name" --house "$dir/$name/house.cfg" \
        --tcp 127.0.0.1:0 --speed "$3" --truth "$dir/$name.truth" --traces "$traces" $(cat "$dir/$name.args")
    until_true 10 grep -q '"begins"' "$dir/$name.truth" || fail "the house of $name does not begin"
    port=$(sed -n 's/^bus lan is served on 127.0.0.1 port //p' "$dir/$name-house.log")
    sed -i "s/port = 1502/port = $port/" "$dir/$name/site.cfg"
    start "$name.sub" mosquitto_sub -V 311 -h 127.0.0.1 -p "$broker_port" -q 1 -F '%U\t%t\t%p' \
        -t "foretrip/$name/event" -t "foretrip/$name/circuit/+/state" -t "foretrip/$name/status"
    start "$name-gateway" "$b/foretripd" --config "$dir/$name" --state "$dir/$name/state"
    until_true 10 grep -q online "$dir/$name.sub.log" || fail "the gateway of $name is not heard"
}

"$python" tests/peer/traces_day.py pick "$traces" "$pick" "$dir" || fail "the traces cannot be used"
play day 50 100
play run 500 1
seconds=$(cat "$dir/run.seconds")
until_true 150 "$python" tests/peer/traces_day.py over "$dir/day.truth" 8650 || fail "the day does not end"
until_true 150 "$python" tests/peer/traces_day.py over "$dir/run.truth" "$seconds" || fail "the run does not end"
"$python" tests/peer/traces_day.py check-day "$traces" "$dir" || fail "the day came out differently"
# an end is told when it is sure; the gateway takes the time it needs
until_true 90 "$python" tests/peer/traces_day.py check-run "$traces" "$dir" || echo "the runs are not told in 90 s:"
"$python" tests/peer/traces_day.py check-run "$traces" "$dir" || fail "the run came out differently"
