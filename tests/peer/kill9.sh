#!/bin/sh
# No event is lost by `kill -9` of the gateway, nor by a broker that goes away: an independent subscriber sees
# every sequence number of the record at least once, in order. kill9.sh BUILD
set -u
. tests/lib.sh
b=$1
meter=$(free_port)
broker=$(free_port)
demo_site "$meter" "$broker"
start_broker "$broker"
broker_pid=$started
# a session of its own that the broker keeps, so that the subscriber misses nothing while it is away itself
start sub stdbuf -oL mosquitto_sub -p "$broker" -i witness -c -q 1 -t "foretrip/+/event" -F '%p'
start_house "$meter" --speed 40

events() { sqlite3 "file:$dir/state/foretrip.db?mode=ro" 'select count(*) from events' 2>/dev/null || echo 0; }
more_than() { [ "$(events)" -gt "$1" ]; }

round=0
while [ $round -lt 4 ]; do
    n=$(events)
    start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
    gateway=$started
    until_true 60 more_than $((n + 4)) || fail "no new events in round $round"
    if [ $round = 1 ]; then # events happen while the broker is away
        kill "$broker_pid"
        n=$(events)
        until_true 60 more_than "$n" || fail "no event while the broker was away"
        start_broker "$broker"
        broker_pid=$started
    fi
    kill -9 "$gateway"
    wait "$gateway" 2>/dev/null
    round=$((round + 1))
done
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
seen_all() {
    /usr/bin/python3 - "$dir" <<'EOT'
import json, sqlite3, sys
d = sys.argv[1]
kept = [r[0] for r in sqlite3.connect("file:%s/state/foretrip.db?mode=ro" % d, uri=True).execute("select seq from events order by seq")]
seen = []
for line in open(d + "/sub.log"):
    try:
        seen.append(json.loads(line)["seq"])
    except ValueError:
        pass
missing = sorted(set(kept) - set(seen))
first = list(dict.fromkeys(seen))
print("%d events kept, %d messages seen, %d missing" % (len(kept), len(seen), len(missing)), missing[:10])
sys.exit(1 if missing or not kept or first != sorted(first) else 0)
EOT
}
until_true 30 seen_all || { seen_all; fail "events are missing or out of order"; }
seen_all
