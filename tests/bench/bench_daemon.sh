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
/usr/bin/python3 - "$dir/site" "$meter" "$broker" <<'EOT'
import sys
d, meter, broker = sys.argv[1:]
with open(d + "/site.cfg", "w") as f:
    f.write('site = { id = "bench"; name = "Bench"; timezone = "UTC"; standard = "UL489"; nominal_volts = 120.0; };\n'
            'panels = ( { id = "main"; name = "Main"; legs = 2; rating_amps = 200; } );\n'
            'buses = ( { id = "lan"; host = "127.0.0.1"; port = %s; } );\n'
            'meters = ( { id = "m1"; bus = "lan"; unit = 1; map = "branch-meter-42"; panel = "main"; } );\ncircuits = (\n' % meter)
    f.write(",\n".join('  { id = "main-%02d"; panel = "main"; position = "%d"; name = "Circuit %d"; poles = 1; leg = "%s"; '
                       'breaker_amps = 15; meter = "m1"; channels = [ %d ]; }' % (i, i, i, "AB"[(i - 1) // 2 % 2], i) for i in range(1, 43)))
    f.write(" );\n")
open(d + "/delivery.cfg", "w").write('broker = { host = "127.0.0.1"; port = %s; };\n' % broker)
EOT
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
