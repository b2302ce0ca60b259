#!/bin/sh
# The gateway as a service manager sees it: ready when it watches, its watchdog fed while every thread of every part stirs and
# not while one is stuck (stopped by ptrace), a reload said, its end said; the log's level changed while it runs; its status file
# while it runs and not after; entries with fields where standard error is the journal's.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
py=/usr/bin/python3
meter=$(free_port) page=$(free_port) broker=$(free_port)
demo_site "$meter" "$broker"
echo "page = { port = $page; };" > "$dir/site/page.cfg"
cat >> "$dir/site/delivery.cfg" << EOT
mail = { host = "127.0.0.1"; port = 1; security = "none"; from = "gateway@example.net"; };
people = ( { id = "kim"; name = "Kim Ito"; mail = "kim@example.net"; } );
EOT
sed -i 's/^broker = {/broker = { sparkplug = { }; homie = { };/' "$dir/site/delivery.cfg"
start_house "$meter"
start manager "$py" tests/scenario/service.py listen "$dir/notify" "$dir/messages"
until_true 10 grep -q listening "$dir/manager.log" || fail "no socket for notifications"
said() { grep -q "$1" "$dir/messages"; }
count() { grep -c "$1" "$dir/messages"; }
mkdir "$dir/run"

NOTIFY_SOCKET=$dir/notify WATCHDOG_USEC=2000000 RUNTIME_DIRECTORY=$dir/run \
    start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state" --verbose
gateway=$started
until_true 30 said READY=1 || fail "it does not say that it is ready"
grep -q "watching 23 circuits" "$dir/gateway.log" || fail "it was ready before it watched"
until_true 20 said "STATUS=.*frames, .* record ok" || fail "it does not say how it goes"

# every thread that runs for ever, or when it is asked, is watched over
for part in "bus lan" mqtt sparkplug homie mail "page herald" "page 1" "page 2" "page door" "page desk"; do
    grep -q "watches over $part\$" "$dir/gateway.log" || fail "nobody watches over $part"
done
for thread in $(cat "/proc/$gateway/task/"*/comm | tr ' ' _ | sort -u); do
    case $thread in
    foretripd | MHD-* | bus_lan | mqtt | sparkplug | homie | mail | page_herald) ;;
    *) fail "a thread that this test does not know: $thread" ;;
    esac
done

# fed at a quarter of its time, so that some may be late
fed=$(count WATCHDOG=1)
until_true 30 eval "[ \$(count WATCHDOG=1) -ge $((fed + 5)) ]" || fail "the watchdog is not fed"

# stuck: the herald's patience is 30 s; then it is not fed, that is said, and when it stirs again it is fed again
start freezer "$py" tests/scenario/service.py freeze "$gateway" "page herald" 45
freezer=$started
until_true 10 grep -q "frozen\|ptrace" "$dir/freezer.log" || fail "the thread was not stopped"
if grep -q "ptrace: Operation not permitted" "$dir/freezer.log"; then
    echo "this machine does not let a test stop a thread (ptrace: not permitted); the rest is not tried"
    exit 77
fi
until_true 60 grep -q "page herald has not stirred for 30 s: it is stuck" "$dir/gateway.log" || fail "a stuck thread is not noticed"
grep -q released "$dir/freezer.log" && fail "it was noticed too late"
fed=$(count WATCHDOG=1)
until_true 20 said "STATUS=page herald is stuck" || fail "a stuck thread does not stand in the status"
until_true 20 grep -q '"stuck": true' "$dir/run/status.json" || fail "the status file does not name the stuck thread"
[ "$(count WATCHDOG=1)" = "$fed" ] || fail "the watchdog was fed while a thread was stuck"
wait "$freezer" || fail "the thread was not let go"
until_true 20 grep -q "page herald stirs again" "$dir/gateway.log" || fail "that it stirs again is not noticed"
until_true 20 eval "[ \$(count WATCHDOG=1) -gt $((fed + 1)) ]" || fail "the watchdog is not fed any more"

# the level of the log
kill -USR2 "$gateway" && until_true 10 grep -q "level info and" "$dir/gateway.log" || fail "no quieter by SIGUSR2"
kill -USR2 "$gateway" && until_true 10 grep -q "level warning and" "$dir/gateway.log" || fail "not as quiet as warnings"
kill -HUP "$gateway"
until_true 20 said "RELOADING=1 MONOTONIC_USEC=[0-9]" || fail "a reload is not said"
until_true 20 eval '[ $(count READY=1) -ge 2 ]' || fail "the end of the reload is not said"
grep -q "the new configuration is in force" "$dir/gateway.log" && fail "an info line at level warning"
kill -USR1 "$gateway" && until_true 10 eval '[ $(grep -c "level info and" "$dir/gateway.log") = 2 ]' || fail "no louder by SIGUSR1"
kill -HUP "$gateway"
until_true 20 grep -q "the new configuration is in force" "$dir/gateway.log" || fail "no info line at level info"

# its end
[ -s "$dir/run/status.json" ] || fail "no status file"
kill "$gateway"
wait "$gateway" || fail "it ends with a fault"
said STOPPING=1 || fail "it does not say that it stops"
[ -e "$dir/run/status.json" ] && fail "the status file outlives the gateway"

# one that cannot start never says that it is ready, and says why
NOTIFY_SOCKET=$dir/notify start bad "$b/foretripd" --config "$dir/none" --state "$dir/state"
wait "$started" && fail "it starts without a configuration"
[ "$(count READY=1)" = 3 ] || fail "it said that it was ready without a configuration"
exit 0
