#!/bin/sh
# The demonstration as a newcomer sees it: the first warning within a minute, a trip within three, the return
# after it; and after Ctrl-C nothing is left running. make_run.sh BUILD
set -u
. tests/lib.sh
b=$1
# a shell gives what it starts in the background an ignored SIGINT; a terminal does not
in_a_group='import os, signal, sys; signal.signal(signal.SIGINT, signal.SIG_DFL); os.setsid(); os.execvp(sys.argv[1], sys.argv[1:])'
/usr/bin/python3 -c "$in_a_group" sh deploy/run-demo.sh "$b" 300 > "$dir/demo.log" 2>&1 &
demo=$!
pids="$pids $demo"
until_true 75 grep -q 'WARNING' "$dir/demo.log" || fail "no warning within a minute"
until_true 120 grep -q 'TRIP of .*overload' "$dir/demo.log" || fail "no trip within three minutes"
until_true 120 grep -q 'RESTORED' "$dir/demo.log" || fail "no return after the trip"
grep -q 'no protective device' "$dir/demo.log" || fail "the advice lacks its cautions"
state=$(sed -n 's|^  record *\([^ ]*\)/state/.*|\1|p' "$dir/demo.log")
/usr/bin/python3 -c "import os, signal; os.killpg($demo, signal.SIGINT)" # Ctrl-C
until_true 10 sh -c "! kill -0 $demo 2>/dev/null" || fail "Ctrl-C does not end it"
if pgrep -f "$state" > /dev/null; then
    pgrep -af "$state"
    fail "something is left running"
fi
[ ! -e "$state" ] || fail "its directory is left behind"
sed -n 's/^\(..:..:.. .*\)/\1/p' "$dir/demo.log" | head -n 20
