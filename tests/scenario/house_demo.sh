#!/bin/sh
# The demonstration house does what `make run` promises, at any time of day: the bath circuit's own breaker
# opens by heat within three minutes and is reset about a minute later, then the workshop's feeder; and the
# engine, replaying what the meters said, tells the same. house_demo.sh BUILD
set -u
cd "$(dirname "$0")/../.." || exit 1
b=$1
. tests/lib.sh

record() { # record NAME START [SEED]
    "$b/foretrip-house" --config config/demo --house config/demo/house.cfg --start "$2" --seconds 900 \
        --record "$dir/$1.csv" --truth "$dir/$1.truth" --log "$dir/$1.log" ${3:+--seed "$3"} || fail "no record of $1"
}
second() { # second NAME TYPE CIRCUIT: of the first such line of the truth
    sed -n 's/.*"second":\([0-9.]*\),"type":"'"$2"'","circuit":"'"$3"'".*/\1/p' "$dir/$1.truth" | head -n 1
}
between() { # between LEAST VALUE MOST
    [ -n "$2" ] && awk -v a="$1" -v x="$2" -v b="$3" 'BEGIN { exit !(x >= a && x <= b) }'
}

for start in 02:00 08:00 14:00 20:00; do
    record "$start" "$start"
    opened=$(second "$start" opened_by_heat main-07)
    reset=$(second "$start" reset main-07)
    feeder=$(second "$start" opened_by_heat main-22)
    echo "$start: the bath opens at $opened s, is reset at $reset s; the feeder opens at $feeder s"
    between 40 "$opened" 175 || fail "$start: the bath circuit does not open in time"
    between 55 "$(awk -v a="$opened" -v b="$reset" 'BEGIN { print b - a }')" 71 || fail "$start: no reset after a minute"
    between 320 "$feeder" 600 || fail "$start: the feeder does not open"
    "$b/foretrip" replay --config config/demo --readings "$dir/$start.csv" --events "$dir/$start.events" 2> /dev/null ||
        fail "$start: replay"
    told=$(grep '"type":"trip".*"circuit":"main-07".*"stage":"confirmed"' "$dir/$start.events" | head -n 1)
    echo "$told" | grep -q '"cause":"overload"' || fail "$start: the engine does not call it an overload: $told"
    grep '"type":"trip".*"circuit":"shop-5".*"stage":"confirmed"' "$dir/$start.events" |
        grep -q '"cause":"upstream_open"' || fail "$start: the workshop's circuits were not told to be behind the feeder"
done

record again 14:00
cmp "$dir/14:00.csv" "$dir/again.csv" || fail "the same house twice is not the same"
cmp "$dir/14:00.truth" "$dir/again.truth" || fail "the same truth twice is not the same"
record other 14:00 99
! cmp -s "$dir/14:00.csv" "$dir/other.csv" || fail "another seed is the same house"
