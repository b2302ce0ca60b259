#!/bin/sh
# A gateway that was away says why, and invents no trips for the time in which nobody looked. The time away is made by
# setting back what the record holds of the last run. absence.sh BUILD
set -u
. tests/lib.sh
b=$1
meter=$(free_port)
broker=$(free_port)
db=$dir/state/foretrip.db
demo_site "$meter" "$broker"
start_broker "$broker"
start sub stdbuf -oL mosquitto_sub -p "$broker" -q 1 -t 'foretrip/+/event' -F '%p'
start_house "$meter"

begin() {
    start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
    gateway=$started
}
state() { sqlite3 "$db" "$1" 2>/dev/null; }
kept() { [ "$(state "select count(*) from state where key = 'began' and wall_ms > $1")" = 1 ]; }
now() { date +%s000; }
ago() { state "update state set wall_ms = wall_ms - $1 * 1000 where key in ('began', 'running', 'learned', 'ended')"; }
said() { grep -q "\"type\":\"absence\".*\"cause\":\"$1\"" "$dir/sub.log"; }

from=$(now)
begin
until_true 20 kept $((from - 2000)) || fail "the first run leaves no mark"
said . && fail "the first run of all was away from nothing"
kill "$gateway"
wait "$gateway" || fail "it does not end with 0"

begin # at once: a restart
sleep 3
grep -q '"type":"absence"' "$dir/sub.log" && fail "a restart is no absence"
kill "$gateway"
wait "$gateway"

ago 3600 # an hour, ended orderly, the machine ran on
up=$(awk '{ print int($1) }' /proc/uptime)
if [ "$up" -gt 3700 ]; then orderly=stopped failed=failed; else orderly=machine_stopped failed=supply_outage; fi
begin
until_true 20 said $orderly || fail "an orderly end is not said as $orderly"
kill -9 "$gateway"
wait "$gateway" 2>/dev/null
ago 3600
begin
until_true 20 said $failed || fail "an end without a word is not said as $failed"
kill -9 "$gateway"
wait "$gateway" 2>/dev/null
ago $((up + 7200)) # before the machine was started
begin
until_true 20 said supply_outage || fail "a machine that went down without a word is not said as an outage"
sleep 3
trips=$(state "select count(*) from trips where probability >= 0.5 and stage != 'withdrawn'")
[ "$trips" = 0 ] || fail "$trips trips were invented"
grep '"type":"absence"' "$dir/sub.log" | tail -n 1
kill "$gateway"
wait "$gateway" || fail "it does not end with 0"
