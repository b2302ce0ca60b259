#!/bin/sh
# What the manager's page asks of the store, with 5,000 sites and a year of their events: each question nine times, on the
# embedded store and on PostgreSQL (goal: under 100 ms at the median). bench_portfolio.sh BUILD; SITES=500 for less
set -u
. tests/lib.sh
. tests/fleet.inc
b=$1
sites=${SITES:-5000}
measure() { # measure NAME DATABASE
    port=$(free_port)
    start_broker "$port"
    mkdir "$dir/$1"
    printf 'fleet = { database = "%s"; };\nbroker = { host = "127.0.0.1"; port = %s; };\n' "$2" "$port" > "$dir/$1/fleet.cfg"
    start "collect-$1" "$b/foretrip-fleet" collect --config "$dir/$1"
    collector=$started
    until_true 60 grep -q 'connected to' "$dir/collect-$1.log" || fail "the collector does not connect"
    "$b/foretrip-fleet" simulate --config "$dir/$1" --sites "$sites" --history 365 > "$dir/told" 2> "$dir/sim.log" || fail "the sites do not tell their year"
    settled() { now=$("$b/foretrip-fleet" portfolio --config "$dir/$1" 2>/dev/null | head -1); [ -n "$now" ] && [ "$now" = "${before:-}" ] && return 0; before=$now; sleep 3; return 1; }
    until_true 300 settled "$1" || fail "it is not filed"
    "$b/foretrip-fleet" places --config "$dir/$1" |
        sed -n '1s/.*/unit,building,place/p; s/^\([^,]*\),"\([^"]*\), \(unit [0-9]*\)".*/\1,\2,\3/p' |
        "$b/foretrip-fleet" places - --config "$dir/$1" || fail "the units have no building"
    [ "$1" = sqlite ] || ask_postgres ANALYZE > /dev/null # as its autovacuum does within a minute or so
    kill "$collector"
    wait "$collector" 2>/dev/null
    echo "$1: $now; told $(cat "$dir/told"); load $(cut -d' ' -f1-3 /proc/loadavg)"
    "$b/tests/bench/portfolio_times" "$2" || fail "a question"
}
measure sqlite "$dir/sqlite/fleet.db"
start_postgres
measure postgres "$database"
