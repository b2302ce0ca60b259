#!/bin/sh
# A service call that is left open overnight and gone on with next day, on another telephone: the gateway is ended in the
# evening and started nine hours later (its wall clock is moved, faults/trouble.c), against the simulated house with a hand at
# its panel. call_overnight.sh BUILD
set -u
b=$(cd "$1" && pwd) || exit 1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
command -v jq > /dev/null || { echo "jq is not there"; exit 77; }
meter=$(free_port)
page=$(free_port)
demo_site "$meter" 1
rm "$dir/site/delivery.cfg"
echo "page = { port = $page; };" > "$dir/site/page.cfg"
# the demonstration's house without its script, and nobody who resets anything
sed -e '/^script = (/,/^);/d' -e 's/reset_seconds = .*/reset_seconds = [ 0.0, 0.0 ];/' -e 's/starts_per_day = [0-9.]*/starts_per_day = 0.0/g' config/demo/house.cfg > "$dir/house.cfg"
: > "$dir/hands"
hand() { echo "$*" >> "$dir/hands"; }
gateway_at() { # gateway_at HOURS: so many hours later than now
    /usr/bin/python3 -c 'import struct, sys; open(sys.argv[1], "wb").write(struct.pack("<8q", int(sys.argv[2]) * 3600000, *[0] * 7) + bytes(4032))' \
        "$dir/trouble" "$1"
    start gateway env LD_PRELOAD="$b/tests/faults/trouble.so" FORETRIP_TROUBLE="$dir/trouble" ASAN_OPTIONS="${ASAN_OPTIONS:-}:verify_asan_link_order=0" \
        "$b/foretripd" --config "$dir/site" --state "$dir/state"
    until_true 20 listening "$page" || fail "the page is not served"
}
start house "$b/foretrip-house" --config "$dir/site" --house "$dir/house.cfg" --tcp "127.0.0.1:$meter" --hands "$dir/hands" --start 12:00:00
until_true 10 listening "$meter" || fail "the house does not listen"
gateway_at 0
api() { # api PATH [JSON]: what the page is told; an error as well
    if [ $# = 1 ]; then curl -sS "http://127.0.0.1:$page/api/v1$1"; else
        curl -sS -H 'Content-Type: application/json' -d "$2" "http://127.0.0.1:$page/api/v1$1"; fi
}
call() { api /calls?open=true | jq -r '.calls[0].call'; }
sheet() { api "/calls/$id"; }
stage() { sheet | jq -r .asked.stage; }
is() { [ "$(stage)" = "$1" ]; }
who='"by":"Ada","device":"phone-1"'
answer() { api "/calls/$id/answer" "{\"question\":$(sheet | jq .asked.question),\"answer\":\"$1\",$who}"; }
say() { answer "$1" | jq -e .ok > /dev/null || fail "answer $1 at $(stage): $(answer "$1")"; }

# ---- in the evening: too much at once, and the loads come back one at a time
hand on bath-heater 100000
hand on hair-dryer 100000
until_true 90 grep -q "opened by heat" "$dir/house.log" || fail "the breaker does not open"
until_true 20 grep -q "alarm: main-07.trip" "$dir/gateway.log" || fail "nobody is told of the trip"
api /calls "{\"circuit\":\"main-07\",$who}" > "$dir/begun"
id=$(call)
[ "$id" != null ] || fail "no call is open: $(cat "$dir/begun")"
say clear
say tripped
hand unplug bath-heater
hand unplug hair-dryer
hand unplug clock-bath
say loads_off
hand handle_off main-07
say is_off
hand handle_on main-07
say holds
hand plug bath-heater
until_true 20 is watch || fail "the meter does not see the heater come: $(stage)"
sleep 4
say runs
is next || fail "after the first load: $(stage)"
evening=$(sheet | jq -r '.steps[-1].at')

# ---- the gateway is ended; nine hours later another telephone takes it up
kill "$started"
wait "$started"
gateway_at 9
until_true 20 is cautions || fail "after a night the cautions are not asked anew: $(stage)"
[ "$(call)" = "$id" ] || fail "it is not the open call any more"
who='"by":"Bo","device":"phone-2"'
answer clear > "$dir/said"
jq -e '.error' "$dir/said" > /dev/null || fail "another telephone answers without taking over: $(cat "$dir/said")"
say take_over
is cautions || fail "who takes over does not read the cautions: $(stage)"
say clear
is next || fail "it does not go on where it was, but at $(stage)"
who='"by":"Ada","device":"phone-1"'
answer all_back | jq -e '.error' > /dev/null || fail "the telephone of yesterday answers still"
who='"by":"Bo","device":"phone-2"'
say all_back

# ---- the sheet has both of them, the night between, and what was found
sheet > "$dir/sheet.json"
jq -e '.asked == null and .found.finding == "overload" and .call.loads[0].outcome == "held"' "$dir/sheet.json" > /dev/null ||
    fail "what was found: $(jq -c '[.asked, .found.finding, .call.loads]' "$dir/sheet.json")"
jq -e '[.steps[] | select(.by == "Bo").answer] == ["take_over", "clear", "all_back"] and [.steps[] | select(.by == "Ada").answer] == ["begin", "clear", "tripped", "loads_off", "is_off", "holds", "runs"]' "$dir/sheet.json" > /dev/null ||
    fail "who did what: $(jq -c '[.steps[] | [.by, .answer, .saw]]' "$dir/sheet.json")"
jq -e '[.steps[] | select(.saw == "pause")] | length >= 1' "$dir/sheet.json" > /dev/null || fail "the pause is not in the record"
/usr/bin/python3 - "$evening" "$(jq -r '.steps[-1].at' "$dir/sheet.json")" << 'END' || fail "the night is not between the steps"
import datetime, sys
one, two = (datetime.datetime.fromisoformat(x.replace("Z", "+00:00")) for x in sys.argv[1:])
sys.exit(not 9 * 3600 <= (two - one).total_seconds() < 9.5 * 3600)
END
"$b/foretrip" call "$id" --print --config "$dir/site" --database "$dir/state/foretrip.db" > "$dir/sheet.txt" || fail "it cannot be printed"
[ "$(wc -l < "$dir/sheet.txt")" -le 60 ] || fail "the sheet is longer than a page: $(wc -l < "$dir/sheet.txt")"
grep -q Ada "$dir/sheet.txt" && grep -q Bo "$dir/sheet.txt" || fail "the sheet on paper does not name both: $(cat "$dir/sheet.txt")"
echo "a call over nine hours, two telephones: $(jq '.steps | length' "$dir/sheet.json") steps"
