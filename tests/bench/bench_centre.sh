#!/bin/sh
# The centre under load: 5,000 simulated gateways, each with a connection of its own, at a real broker, a collector, PostgreSQL, all on
# this machine.
#   1. as fast as it goes: records a second into the store, against COPY of the same rows into the
#      same tables by itself, in the same run (goal: at least 0.5)
#   2. 2,000 records a second: how long from the event at a site to its being in the store (goal: p99 under 2 s)
#   3. the collector's memory for each site (goal: under 2 KiB)
#   4. the portfolio's queries (goal: under 100 ms)
# bench_centre.sh BUILD; SITES=500 SECONDS_AT_RATE=10 for less
set -u
. tests/lib.sh
. tests/fleet.inc
b=$1
sites=${SITES:-5000}
seconds=${SECONDS_AT_RATE:-30}
records=${RECORDS:-400000}
start_postgres
port=$(free_port)
start_broker "$port"
broker=$started
mkdir "$dir/centre"
cat > "$dir/centre/fleet.cfg" <<EOT
fleet = { database = "$database"; };
broker = { host = "127.0.0.1"; port = $port; };
EOT
collect() {
    start "$1" "$b/foretrip-fleet" collect --config "$dir/centre"
    collector=$started
    until_true 60 grep -q 'connected to' "$dir/$1.log" || fail "the collector does not connect"
}
now() { date +%s.%N; }
count() { ask_postgres 'SELECT count(*) FROM records'; }
ratio() { /usr/bin/python3 -c "print('%.2f' % ($1))"; }

own() { awk '/^RssAnon/ { print $2 }' "/proc/$collector/status"; } # its own, without what it shares of libraries

# ---- 3, the first half: the same work for few sites
few=$((sites / 100))
collect few
"$b/foretrip-fleet" simulate --config "$dir/centre" --sites "$few" --rate 1000000 --records $((records / 4)) --health 900 > "$dir/sim0.log" 2>&1 || fail "few sites do not get rid of it"
all() { [ "$(count)" -ge "$((records / 4))" ]; }
until_true 300 all || fail "$(count) of $((records / 4))"
own_few=$(own)
kill "$collector"
wait "$collector" 2>/dev/null
ask_postgres 'TRUNCATE records, sites, gaps, trips, alarms, notices' > /dev/null

# ---- 1
collect history
start sim1 "$b/foretrip-fleet" simulate --config "$dir/centre" --sites "$sites" --rate 1000000 --records "$records" --health 900
sim=$started
begun() { [ "$(count)" -gt 0 ]; }
until_true 300 begun || fail "nothing comes"
t0=$(now)
first=$(count)
wait "$sim" || fail "the sites do not get rid of it"
all() { [ "$(count)" -ge "$records" ]; }
until_true 300 all || fail "$(count) of $records"
t1=$(now)
own_all=$(own)
[ "$(count)" = "$records" ] || fail "$(count) of $records"
cpu() { awk '{ s += $1 } END { printf "%.1f", s / 1e9 }' "/proc/$1"/task/*/schedstat; }
backend=$(ask_postgres "SELECT pid FROM pg_stat_activity WHERE application_name = 'foretrip-fleet'")
filing_cpu=$(cpu "$backend")
echo "CPU: collector $(cpu "$collector") s, its PostgreSQL process $filing_cpu s, broker $(cpu "$broker") s; load of the machine $(cut -d' ' -f1 /proc/loadavg) on $(nproc) cores"
taken=$(ratio "($records - $first) / ($t1 - $t0)")
ask_postgres "COPY (SELECT * FROM records) TO '$dir/pg/rows'" > /dev/null
ask_postgres "CREATE TABLE again (LIKE records INCLUDING ALL) PARTITION BY HASH (site)" > /dev/null
ask_postgres "DO \$\$ DECLARE r record; n int; BEGIN
  FOR n IN 0..7 LOOP EXECUTE format('CREATE TABLE again_h%s PARTITION OF again FOR VALUES WITH (MODULUS 8, REMAINDER %s) PARTITION BY RANGE (filed_ms)', n, n);
    FOR r IN SELECT c.relname, pg_get_expr(c.relpartbound, c.oid) AS b FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid
             WHERE i.inhparent = ('records_h' || n)::regclass LOOP
      EXECUTE format('CREATE TABLE again_%s PARTITION OF again_h%s %s', r.relname, n, r.b); END LOOP; END LOOP; END \$\$" > /dev/null
c0=$(now)
copy_cpu=$("$pg/psql" -h 127.0.0.1 -p "$pg_port" -U fleet -d postgres -Atq -c "COPY again FROM '$dir/pg/rows'" -c 'SELECT 0' -c "SELECT pg_read_file('/proc/self/schedstat')" |
    awk 'NF == 3 { printf "%.1f", $1 / 1e9 }')
c1=$(now)
copied=$(ratio "$records / ($c1 - $c0)")
echo "$records records of $sites sites in $(ratio "$t1 - $t0") s: $taken a second; COPY of the same rows by itself $copied a second: $(ratio "$taken / $copied") of it (goal: at least 0.5)"
echo "by processor time of the database alone: ours $filing_cpu s, with trips, alarms and sites; COPY $copy_cpu s: $(ratio "$copy_cpu / $filing_cpu")"
echo "collector's own memory: $own_few KiB after $few sites, $own_all KiB after $sites: $(ratio "1024.0 * ($own_all - $own_few) / ($sites - $few)") bytes for each site more, $(ratio "1024.0 * $own_all / $sites") for each in all (goal: under 2048)"
[ "${ONLY:-}" != rate ] || exit 0

# ---- 4, with a year behind the sites, each under a name of its own
ask_postgres 'DROP TABLE again' > /dev/null
"$b/foretrip-fleet" simulate --config "$dir/centre" --sites "$sites" --history 365 --health 900 > "$dir/sim3.log" 2>&1 || fail "no history"
told=$(sed -n 's/.*"acknowledged":\([0-9]*\).*/\1/p' "$dir/sim3.log")
all() { [ "$(count)" -ge $((told + records)) ]; }
until_true 300 all || fail "$(count) of $((told + records))"
echo "a year of $sites sites: $told records"
ask_postgres 'ANALYZE' > /dev/null
"$b/tests/bench/portfolio_times" "$database" || fail "a query"

# ---- 2
kill "$collector"
wait "$collector" 2>/dev/null
collect rate
"$b/foretrip-fleet" simulate --config "$dir/centre" --sites "$sites" --rate 2000 --records $((2000 * seconds)) --health 900 > "$dir/sim2.log" 2>&1 ||
    fail "the sites do not get rid of it"
all() { [ "$(count)" -ge $((told + records + 2000 * seconds)) ]; }
until_true 300 all || fail "not all filed"
backend=$(ask_postgres "SELECT pid FROM pg_stat_activity WHERE application_name = 'foretrip-fleet'")
echo "CPU for a second of that: collector $(ratio "$(cpu "$collector") / $seconds") s, its PostgreSQL process $(ratio "$(cpu "$backend") / $seconds") s; load $(cut -d' ' -f1 /proc/loadavg) on $(nproc) cores"
kill "$collector"
wait "$collector" 2>/dev/null
tail -1 "$dir/sim2.log"
echo "2,000 records a second from $sites sites for $seconds s: $(sed -n 's/.*from the event to/from the event to/p' "$dir/rate.log" | tail -1) (goal: 99 of 100 within 2000 ms)"
