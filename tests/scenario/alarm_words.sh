#!/bin/sh
# No alarm without its sentence: an hour and a half of a house in which something switches all the time. alarm_words.sh BUILD
set -u
. tests/lib.sh
b=$1
mkdir "$dir/site"
/usr/bin/python3 tests/bench/site_42.py "$dir/site" 1 1
"$b/foretrip-house" --config "$dir/site" --house tests/bench/house.cfg --record "$dir/readings.csv" --seconds 5400 > /dev/null ||
    fail "the house cannot be recorded"
"$b/foretrip" replay --config "$dir/site" --readings "$dir/readings.csv" --events "$dir/events" 2> /dev/null || fail "the replay ends with a fault"
grep '"type":"alarm"' "$dir/events" > "$dir/alarms"
[ "$(grep -c '"state":"unacknowledged"' "$dir/alarms")" -gt 20 ] || fail "too few alarms to see it"
mute=$(grep -c '"text":""' "$dir/alarms")
[ "$mute" = 0 ] || fail "$mute alarms say nothing: $(grep -m 1 '"text":""' "$dir/alarms")"
