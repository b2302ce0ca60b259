#!/bin/sh
# A service call from a terminal, against the simulated house with a hand at its panel: call.sh BUILD
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
meter=$(free_port)
demo_site "$meter" 1
rm "$dir/site/delivery.cfg"
echo "page = { off = true; };" > "$dir/site/page.cfg"
# the demonstration's house without its script, and nobody who resets anything
sed -e '/^script = (/,/^);/d' -e 's/reset_seconds = .*/reset_seconds = [ 0.0, 0.0 ];/' -e 's/starts_per_day = [0-9.]*/starts_per_day = 0.0/g' config/demo/house.cfg > "$dir/house.cfg"
: > "$dir/hands"
hand() { echo "$*" >> "$dir/hands"; }
start house "$b/foretrip-house" --config "$dir/site" --house "$dir/house.cfg" --tcp "127.0.0.1:$meter" --hands "$dir/hands" --start 12:00:00
until_true 10 listening "$meter" || fail "the house does not listen"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 20 grep -q "watching" "$dir/gateway.log" || fail "the gateway does not start"
db=$dir/state/foretrip.db
call() { "$b/foretrip" call "$@" --config "$dir/site" --database "$db"; }
stage() { call main-07 --json | jq -r .call.stage; }
is() { [ "$(stage)" = "$1" ]; }
say() { call main-07 --by Ada --answer "$@" || fail "answer $*"; }

call | grep -q "No service call is open" || fail "an empty list"
call main-07 --print 2>&1 | grep -q "has no open call" || fail "no call, and printed"
call nowhere --print > /dev/null 2>&1 && fail "a call that there is not"

# the overload: 26 A on a 15 A breaker
hand on bath-heater 100000
hand on hair-dryer 100000
until_true 90 grep -q "opened by heat" "$dir/house.log" || fail "the breaker does not open"
until_true 20 grep -q "alarm: main-07.trip" "$dir/gateway.log" || fail "nobody is told of the trip"
printf '1\n1\nq\n' | call main-07 --by Ada > "$dir/talk.txt" || fail "the conversation"
grep -q "Before anybody touches the panel" "$dir/talk.txt" || fail "the cautions do not come first"
grep -q "never its cover" "$dir/talk.txt" || fail "nothing is said of the cover"
grep -q "foretrip call main-07-.* goes on with it" "$dir/talk.txt" || fail "it is not said how to go on"
is loads_off || fail "two answers lead to loads off, not $(stage)"

# a restart of the gateway in the middle of it
kill "$started"
wait "$started"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
sleep 1
hand unplug bath-heater
hand unplug hair-dryer
hand unplug clock-bath
say loads_off
hand handle_off main-07
say is_off
hand handle_on main-07
say holds
hand plug bath-heater
until_true 15 is watch || fail "the meter does not see the heater come: $(stage)"
sleep 4
say runs --note "the heater"
hand plug hair-dryer
hand on hair-dryer 100000 # who found it dead had switched it off
until_true 20 is too_much || fail "26 A are not too much: $(stage)"
call main-07 --by Ada --answer switched_off 2> "$dir/said" && fail "it is not switched off yet"
grep -q "more than it is rated for" "$dir/said" || fail "why not is not said"
hand unplug hair-dryer
sleep 3
say switched_off
id=$(call main-07 --json | jq -r .call.call)
say all_back
call "$id" --json > "$dir/sheet.json"
jq -e '.found.finding == "overload" and .call.trip != null and .call.cause == "overload" and (.call.loads | length) == 2
    and .call.loads[0].name == "the heater" and .call.loads[1].outcome == "too_much"' "$dir/sheet.json" > /dev/null || fail "the sheet: $(cat "$dir/sheet.json")"
jq -e '(.call.loads[0].amps - 10.4 | fabs) < 0.6 and (.running_amps - .call.loads[0].amps | fabs) < 0.001
    and (.running_percent - 100 * .running_amps / 15 | fabs) < 0.1' "$dir/sheet.json" > /dev/null || fail "its figures: $(jq -c .call.loads "$dir/sheet.json")"
jq -e '[.steps[].step] == [range(1; 1 + (.steps | length))] and .steps[0].answer == "begin"' "$dir/sheet.json" > /dev/null || fail "a step is missing"
call "$id" --print > "$dir/sheet.txt"
[ "$(wc -l < "$dir/sheet.txt")" -le 60 ] || fail "the sheet is longer than a page: $(wc -l < "$dir/sheet.txt")"
grep -q "$(jq -r '.call.loads[0].amps * 100 | round / 100' "$dir/sheet.json")" "$dir/sheet.txt" || fail "the printed figure is another one: $(cat "$dir/sheet.txt")"
grep -q "licensed electrician" "$dir/sheet.txt" || fail "the sheet has no caution"
call "$id" --print --language es | tr "\n" " " | grep -q "electricista con licencia" || fail "not in Spanish"
call --all | grep -q "ended.*overload" || fail "it is not listed"

# wiring: it opens with nothing connected; a second try is not for whoever lives here
hand handle_off main-07
hand unplug bath-heater
hand short main-07
sleep 2
printf '1\n1\n1\n1\nq\n' | call main-07 --by Ada > "$dir/talk.txt"
is on || { call main-07 --by Ada --answer nobody; printf '1\n1\nq\n' | call main-07 --by Ada > "$dir/talk.txt"; }
hand handle_on main-07
until_true 10 is on || fail "not at ON: $(stage)"
say opened
call --all --json | jq -e '.[0].finding == "wiring_or_breaker" and .[0].leave_off' > /dev/null || fail "wiring: $(call --all)"
before=$(call --all --json | jq length)
printf '1\n1\n1\nq\n' | call main-07 --by Ada > "$dir/talk.txt"
[ "$(call --all --json | jq length)" -eq $((before + 1)) ] || fail "no second call: $(cat "$dir/talk.txt")"
# stopped for the call before, or for the short circuit, where a reading happened to see it
call --all --json | jq -e '(.[0].finding == "stopped_before" or .[0].finding == "fault_likely") and .[0].leave_off' > /dev/null ||
    fail "a second try is let through: $(cat "$dir/talk.txt")"
echo "calls: $(call --all | wc -l)"
