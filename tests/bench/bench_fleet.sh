#!/bin/sh
# CPU and memory of the whole daemon with 64 TCP meters of 42 channels each at 1 Hz (goal: under 10 % of a core), with the
# simulated house at the other end of all of them. bench_fleet.sh BUILD
set -u
. tests/lib.sh
b=$1
seconds=${BENCH_SECONDS:-60}
mkdir "$dir/site"
/usr/bin/python3 - "$dir/site" <<'EOT'
import sys
sys.path.insert(0, "deploy")
from ports import free_ports
d = sys.argv[1]
ports = free_ports(64)
with open(d + "/site.cfg", "w") as f:
    f.write('site = { id = "fleet"; name = "Fleet"; timezone = "UTC"; standard = "UL489"; nominal_volts = 120.0; };\npanels = (\n')
    f.write(",\n".join('  { id = "p%d"; name = "Panel %d"; legs = 2; rating_amps = 200; }' % (n, n) for n in range(64)))
    f.write('\n);\nbuses = (\n')
    f.write(",\n".join('  { id = "b%d"; host = "127.0.0.1"; port = %d; }' % (n, p) for n, p in enumerate(ports)))
    f.write('\n);\nmeters = (\n')
    f.write(",\n".join('  { id = "m%d"; bus = "b%d"; unit = 1; map = "branch-meter-42"; panel = "p%d"; }' % (n, n, n) for n in range(64)))
    f.write('\n);\ncircuits = (\n')
    f.write(",\n".join('  { id = "p%d-%d"; panel = "p%d"; position = "%d"; name = "Circuit %d"; poles = 1; leg = "%s"; '
                       'breaker_amps = 15; meter = "m%d"; channels = [ %d ]; }' % (n, i, n, i, i, "AB"[(i - 1) // 2 % 2], n, i)
                       for n in range(64) for i in range(1, 43)))
    f.write("\n);\n")
# a load or two on every circuit of each panel: heat, steps and names have something to do
with open(d + "/house.cfg", "w") as f:
    f.write("house = { warm_up_minutes = 0.1; };\nloads = (\n" + ",\n".join(
        '  { id = "l%d-%d"; circuit = "p%d-%d"; watts = %d.0; starts_per_day = 20.0; run_minutes = [ 2.0, 30.0 ]; }'
        % (n, i, n, i, 100 + 37 * i) for n in range(0, 64, 8) for i in range(1, 43, 2)) + "\n);\n")
open(d + "/page.cfg", "w").write("page = { off = true; };\n")
EOT
start house "$b/foretrip-house" --config "$dir/site" --house "$dir/site/house.cfg" --start 18:00:00
served() { [ "$(grep -c 'is served' "$dir/house.log")" = 64 ]; }
until_true 120 served || fail "the house does not serve"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
gateway=$started
sleep 15 # past the start
kill -0 "$gateway" || fail "the gateway ended"
# of all threads, in nanoseconds: what they do at a time is less than a tick of the clock that /proc/PID/stat counts
spent() { cat "/proc/$gateway"/task/*/schedstat | awk '{ s += $1 } END { printf "%.0f\n", s }'; }
t0=$(spent)
sleep "$seconds"
t1=$(spent)
/usr/bin/python3 -c "print('cpu of the daemon at 64 x 42 channels and 1 Hz: %.2f %% of a core over %d s (goal: under 10 %%)' % (($t1 - $t0) / 1e7 / $seconds, $seconds))"
awk '/VmRSS|RssAnon/ { printf "%s %.1f MiB\n", $1, $2 / 1024 }' "/proc/$gateway/status"
grep -c 'connected to' "$dir/gateway.log" | sed 's/$/ of 64 meters connected/'
