#!/bin/sh
# CPU and memory of the daemon at 42 circuits and 1 Hz (goal: under 1 % of a core, under 16 MiB resident), with the
# simulated house at the other end of Modbus TCP and a real broker. bench_daemon.sh BUILD
set -u
. tests/lib.sh
b=$1
seconds=${BENCH_SECONDS:-60}
meter=$(free_port)
broker=$(free_port)
mkdir "$dir/site"
/usr/bin/python3 tests/bench/site_42.py "$dir/site" "$meter" "$broker"
cp tests/bench/house.cfg "$dir/site/house.cfg"
start_broker "$broker"
start house "$b/foretrip-house" --config "$dir/site" --house "$dir/site/house.cfg" --tcp "127.0.0.1:$meter"
until_true 10 listening "$meter" || fail "the house does not listen"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
gateway=$started
sleep 5 # past the start
ticks() { cut -d' ' -f14,15 "/proc/$gateway/stat" | tr ' ' + ; }
t0=$(($(ticks)))
sleep "$seconds"
t1=$(($(ticks)))
hz=$(getconf CLK_TCK)
/usr/bin/python3 -c "print('cpu at 42 circuits and 1 Hz: %.2f %% of a core over %d s (goal: under 1 %%)' % (100.0 * ($t1 - $t0) / $hz / $seconds, $seconds))"
awk '/VmRSS|RssAnon/ { printf "%s %.1f MiB\n", $1, $2 / 1024 }' "/proc/$gateway/status"
echo "(goal: resident under 16 MiB)"
