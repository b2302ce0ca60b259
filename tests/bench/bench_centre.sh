#!/bin/sh
# The centre under load: 5,000 simulated gateways, each with a connection of its own, at a real broker, a collector, PostgreSQL, all on
# this machine.
#   1. as fast as it goes: records a second into the store, against COPY of the same rows into the
#      same tables by itself, in the same run (goal: at least 0.5). Two ways: a backlog that the broker holds already, with
#      the sites idle, which is what collector and store carry; and with the sites telling it meanwhile
#   2. 2,000 records a second: how long from the event at a site to its being in the store (goal: p99 under 2 s)
#   3. the collector's memory for each site (goal: under 2 KiB)
#   4. the portfolio's queries (goal: under 100 ms)
#   5. what a record takes in the store, and what the word that all is well costs
#   6. an evening storm: three in ten sites lose their supply in the same second and are back within a minute: what a person is
#      told, and how long until all of it is filed (goal: no flood, nothing lost)
# PostgreSQL is at its defaults, with fsync, for both; it notes when each transaction was committed, by which ours is timed.
# bench_centre.sh BUILD; SITES=500 SECONDS_AT_RATE=10 for less; ONLY=rate for the first alone; ONLY=sites RUNS=7 for the second of
# its two ways, so often, and what lies in the middle
set -u
. tests/lib.sh
. tests/fleet.inc
b=$1
sites=${SITES:-5000}
seconds=${SECONDS_AT_RATE:-30}
records=${RECORDS:-400000}
collectors=${COLLECTORS:-2} # where it is about how much; memory and delays are of one
PG_OPTIONS='-c track_commit_timestamp=on'
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
told_so_far() { ask_postgres "SELECT coalesce(sum(n_tup_ins), 0) FROM pg_stat_user_tables WHERE relname LIKE 'records_h%'"; } # costs nothing; comes late
ratio() { /usr/bin/python3 -c "print('%.2f' % ($1))"; }

kill_collector() {
    kill "$collector"
    wait "$collector" 2>/dev/null
}
own() { awk '/^RssAnon/ { print $2 }' "/proc/$collector/status"; } # its own, without what it shares of libraries

# ---- 3, the first half: the same work for few sites
few=$((sites / 100))
collect few
"$b/foretrip-fleet" simulate --config "$dir/centre" --sites "$few" --rate 1000000 --records $((records / 4)) --health 900 > "$dir/sim0.log" 2>&1 || fail "few sites do not get rid of it"
all() { [ "$(count)" -ge "$((records / 4))" ]; }
until_true 300 all || fail "$(count) of $((records / 4))"
own_few=$(own)
kill_collector
ask_postgres 'TRUNCATE records, sites, gaps, trips, alarms, notices' > /dev/null

# ---- 1
cpu() { awk '{ s += $1 } END { printf "%.2f", s / 1e9 }' "/proc/$1"/task/*/schedstat; }
empty() { # and a checkpoint, as before COPY below: both find the log's old files for their new ones
    ask_postgres 'TRUNCATE records, sites, gaps, trips, alarms, notices' > /dev/null
    ask_postgres CHECKPOINT > /dev/null
}
load() { cut -d' ' -f1 /proc/loadavg; }
filers() { ask_postgres "SELECT pid FROM pg_stat_activity WHERE application_name = 'foretrip-fleet'"; }
all_there() { [ "$(filers | wc -l)" = "$1" ]; }
cpus() { # of all of these together
    sum=0
    for p in "$@"; do sum="$sum + $(cpu "$p")"; done
    ratio "$sum"
}
collect_all() { # collect_all N LOG: so many collectors, in $all; their processes in the database in $backends
    all=
    for n in $(seq "$1"); do
        collect "$2$n"
        all="$all $collector"
    done
    until_true 60 all_there "$1" || fail "a collector has no store"
    backends=$(filers)
}
end_all() {
    for p in $all; do kill "$p"; done
    for p in $all; do wait "$p" 2>/dev/null; done
}
wait_for() { # wait_for COUNT: in the tables since the last of these
    until [ "$(told_so_far)" -ge $((told_before + $1)) ]; do
        [ "$(now | cut -d. -f1)" -lt "$give_up" ] || fail "$(count) of $1"
        sleep 1
    done
    told_before=$(told_so_far)
    [ "$(count)" = "$1" ] || fail "$(count) of $1"
}
told_before=$(told_so_far)
tell() { # tell LOG: as many records as there are to be, from all sites, as fast as they can
    start "$1" "$b/foretrip-fleet" simulate --config "$dir/centre" --sites "$sites" --rate 1000000 --records "$records" --health 900
    sim=$started
    give_up=$(($(date +%s) + 300))
}
last_commit() { ask_postgres "SELECT extract(epoch FROM max(pg_xact_commit_timestamp(xmin))) FROM records"; }

# COPY of the rows that are there now, into tables of the same kind, in $copied; of the records alone in $copied_records
copy_alone() {
    ask_postgres "DROP TABLE IF EXISTS again, again_trips, again_alarms" > /dev/null 2>&1
    for t in records trips alarms; do ask_postgres "COPY (SELECT * FROM $t) TO '$dir/pg/$t'" > /dev/null; done
    ask_postgres "CREATE TABLE again (LIKE records INCLUDING ALL) PARTITION BY HASH (site)" > /dev/null
    for t in trips alarms; do ask_postgres "CREATE TABLE again_$t (LIKE $t INCLUDING ALL)" > /dev/null; done
    ask_postgres "DO \$\$ DECLARE r record; n int; BEGIN
      FOR n IN 0..7 LOOP EXECUTE format('CREATE TABLE again_h%s PARTITION OF again FOR VALUES WITH (MODULUS 8, REMAINDER %s) PARTITION BY RANGE (filed_ms)', n, n);
        FOR r IN SELECT c.relname, pg_get_expr(c.relpartbound, c.oid) AS b FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid
                 WHERE i.inhparent = ('records_h' || n)::regclass LOOP
          EXECUTE format('CREATE TABLE again_%s PARTITION OF again_h%s %s', r.relname, n, r.b); END LOOP; END LOOP; END \$\$" > /dev/null
    ask_postgres CHECKPOINT > /dev/null
    "$pg/psql" -h 127.0.0.1 -p "$pg_port" -U fleet -d postgres -Atq -c '\timing on' -c "COPY again FROM '$dir/pg/records'" \
        -c "COPY again_trips FROM '$dir/pg/trips'" -c "COPY again_alarms FROM '$dir/pg/alarms'" \
        -c "SELECT pg_read_file('/proc/self/schedstat')" > "$dir/copy.txt" || fail "COPY"
    copy_cpu=$(awk '/^[0-9]+ [0-9]+ [0-9]+$/ { printf "%.2f", $1 / 1e9 }' "$dir/copy.txt")
    copied=$(awk -v n="$records" '/^Time/ && t < 3 { ms += $2; t++ } END { printf "%.0f", n / ms * 1000 }' "$dir/copy.txt")
    copied_records=$(awk -v n="$records" '/^Time/ { printf "%.0f", n / $2 * 1000; exit }' "$dir/copy.txt")
}
compare() { # compare WHAT SECONDS COLLECTOR_CPU BROKER_CPU BACKEND_CPU
    copy_alone
    taken=$(ratio "$records / $2")
    ratio "$taken / $copied" >> "$dir/ratios"
    echo "$1: $records records of $sites sites in $(ratio "$2") s: $taken a second; COPY of the same rows (records, $(ask_postgres 'SELECT count(*) FROM trips') trips, $(ask_postgres 'SELECT count(*) FROM alarms') alarms) by itself $copied a second: $(ratio "$taken / $copied") of it (goal: at least 0.5); of the records alone $copied_records: $(ratio "$taken / $copied_records")"
    echo "    processor seconds: collector $3, broker $4, PostgreSQL's for them $5; COPY $copy_cpu: $(ratio "$copy_cpu / $5"); load of the machine $(load) on $(nproc) cores"
}

# shellcheck disable=SC2086
backlog() { # backlog COLLECTORS: they are there, so that the broker keeps it for them, and stand still meanwhile
    empty
    collect_all "$1" "backlog$1."
    kill -STOP $all
    tell "sim0$1"
    wait "$sim" || fail "the sites do not get rid of it"
    c0=$(cpus $all) b0=$(cpu "$broker") f0=$(cpus $backends) t0=$(now)
    kill -CONT $all
    wait_for "$records"
    compare "a backlog at the broker, collectors: $1" "$(ratio "$(last_commit) - $t0")" "$(ratio "$(cpus $all) - $c0")" "$(ratio "$(cpu "$broker") - $b0")" "$(ratio "$(cpus $backends) - $f0")"
    end_all
}
runs=0
# shellcheck disable=SC2086
meanwhile() { # meanwhile COLLECTORS: the sites tell it while it is filed; the collectors stay
    runs=$((runs + 1))
    empty
    collect_all "$1" "meanwhile$runs."
    b0=$(cpu "$broker")
    tell "sim1$1"
    wait "$sim" || fail "the sites do not get rid of it"
    wait_for "$records"
    span=$(ask_postgres "SELECT extract(epoch FROM max(pg_xact_commit_timestamp(xmin)) - min(pg_xact_commit_timestamp(xmin))) FROM records")
    compare "while the sites tell it, collectors: $1" "$span" "$(cpus $all)" "$(ratio "$(cpu "$broker") - $b0")" "$(cpus $backends)"
}
if [ "${ONLY:-}" = sites ]; then
    while [ "$runs" -lt "${RUNS:-7}" ]; do
        meanwhile "$collectors"
        end_all
    done
    echo "in the middle of $runs: $(sort -n "$dir/ratios" | sed -n "$(((runs + 1) / 2))p") of COPY (goal: at least 0.5); all: $(sort -n "$dir/ratios" | tr '\n' ' ')"
    exit 0
fi
backlog 1
[ "$collectors" = 1 ] || backlog "$collectors"
if [ "$collectors" != 1 ]; then
    meanwhile "$collectors"
    end_all
fi
meanwhile 1
own_all=$(own)
echo "collector's own memory: $own_few KiB after $few sites, $own_all KiB after $sites: $(ratio "1024.0 * ($own_all - $own_few) / ($sites - $few)") bytes for each site more, $(ratio "1024.0 * $own_all / $sites") for each in all (goal: under 2048)"
[ "${ONLY:-}" != rate ] || exit 0

# ---- 4, with a year behind the sites, each under a name of its own
ask_postgres 'DROP TABLE again, again_trips, again_alarms' > /dev/null
"$b/foretrip-fleet" simulate --config "$dir/centre" --sites "$sites" --history 365 --health 900 > "$dir/sim3.log" 2>&1 || fail "no history"
told=$(sed -n 's/.*"acknowledged":\([0-9]*\).*/\1/p' "$dir/sim3.log")
all() { [ "$(count)" -ge $((told + records)) ]; }
until_true 300 all || fail "$(count) of $((told + records))"
echo "a year of $sites sites: $told records"
ask_postgres 'ANALYZE' > /dev/null
"$b/tests/bench/portfolio_times" "$database" || fail "a query"

# ---- 5, of the rows that are there now
ask_postgres "SELECT 'a record of ' || round(avg(length(json))) || ' bytes takes ' || (SELECT sum(pg_total_relation_size(oid)) FROM pg_class
    WHERE relname ~ '^records_h[0-9]_' AND relkind = 'r') / count(*) || ' bytes with its index' FROM records"
ask_postgres "SELECT 'a trip takes ' || pg_total_relation_size('trips') / count(*) || ' bytes' FROM trips"
ask_postgres "SELECT 'an alarm, of each kind and circuit one, takes ' || pg_total_relation_size('alarms') / count(*) || ' bytes' FROM alarms"

# ---- 2
kill_collector
collect rate
"$b/foretrip-fleet" simulate --config "$dir/centre" --sites "$sites" --rate 2000 --records $((2000 * seconds)) --health 900 > "$dir/sim2.log" 2>&1 ||
    fail "the sites do not get rid of it"
all() { [ "$(count)" -ge $((told + records + 2000 * seconds)) ]; }
until_true 300 all || fail "not all filed"
backend=$(ask_postgres "SELECT pid FROM pg_stat_activity WHERE application_name = 'foretrip-fleet'")
echo "CPU for a second of that: collector $(ratio "$(cpu "$collector") / $seconds") s, its PostgreSQL process $(ratio "$(cpu "$backend") / $seconds") s; load $(cut -d' ' -f1 /proc/loadavg) on $(nproc) cores"
kill_collector
tail -1 "$dir/sim2.log"
echo "2,000 records a second from $sites sites for $seconds s: $(sed -n 's/.*from the event to/from the event to/p' "$dir/rate.log" | tail -1) (goal: 99 of 100 within 2000 ms)"

# ---- 5, the word that all is well: every site's each 5 s
collect words
start sim5 "$b/foretrip-fleet" simulate --config "$dir/centre" --sites "$sites" --health 5 --seconds 600
sim=$started
all_online() { [ "$(ask_postgres 'SELECT count(*) FROM sites WHERE online = 1')" = "$sites" ]; }
until_true 120 all_online || fail "not all sites are there"
sleep 7 # the first words of all come at once
backend=$(filers)
c0=$(cpu "$collector") b0=$(cpu "$broker") f0=$(cpu "$backend") w0=$(ask_postgres 'SELECT pg_current_wal_lsn()')
sleep 15
words=$((sites * 3))
per() { /usr/bin/python3 -c "print('%.0f' % (1e6 * ($1) / $words))"; }
echo "a word that all is well, of $((sites / 5)) a second: microseconds of a processor: broker $(per "$(cpu "$broker") - $b0"), collector $(per "$(cpu "$collector") - $c0"), PostgreSQL $(per "$(cpu "$backend") - $f0"); bytes of its log $(ask_postgres "SELECT round((pg_current_wal_lsn() - '$w0'::pg_lsn) / $words)"); load $(load)"
kill "$sim"
wait "$sim" 2>/dev/null
kill_collector

# ---- 6
collect storm
before=$(count) told_before=$(told_so_far) notices=$(ask_postgres 'SELECT coalesce(max(notice), 0) FROM notices')
start sim6 "$b/foretrip-fleet" simulate --config "$dir/centre" --sites "$sites" --health 900 --storm 10,60 --linger 40
sim=$started
give_up=$(($(date +%s) + 600))
wait "$sim" || fail "the sites do not get rid of it"
told=$(sed -n 's/.*"told":\([0-9]*\).*/\1/p' "$dir/sim6.log")
all() { [ "$(count)" -ge $((before + told)) ]; }
until_true 120 all || fail "told $told, filed $(($(count) - before))"
[ "$(count)" = $((before + told)) ] || fail "some are there twice"
over() { [ "$(ask_postgres "SELECT count(*) FROM notices WHERE notice > $notices AND ended_ms IS NULL")" = 0 ]; }
until_true 60 over || fail "a notice of the storm does not end"
kill_collector
echo "a storm: $(sed -n 's/.*sim: \([0-9]* sites lose.*\)/\1/p' "$dir/sim6.log"), back within 60 s: $told records filed, each once; notices: $(ask_postgres "SELECT count(*) FROM notices WHERE notice > $notices"), of $(ask_postgres "SELECT coalesce(max(units), 0) FROM notices WHERE notice > $notices") units at the most; $(sed -n 's/.*from the event to/from the event to/p' "$dir/storm.log" | tail -1) (of those that fell silent until the light is back the dark is counted); load $(load)"
