#!/bin/sh
# The centre's store on PostgreSQL: the same unit tests as on the embedded database, so that both mean the same by every
# statement. fleet_postgres.sh BUILD
set -u
. tests/lib.sh
. tests/fleet.inc
start_postgres
for t in test_fleet test_orders test_centre test_unit_places test_enrolment; do
    FORETRIP_FLEET_TEST_DATABASE=$database "$1/tests/unit/$t" >> "$dir/unit.log" 2>&1 || fail "not as on the embedded database"
done
[ "$(ask_postgres "SELECT count(*) FROM pg_inherits WHERE inhparent = 'records'::regclass")" = 8 ] || fail "records are not parted"
echo "$(grep -c '  OK ' "$dir/unit.log") tests mean the same on PostgreSQL"
