#!/bin/sh
# `foretrip doctor` and `foretrip status`: around a gateway that is well they find nothing; then each thing is broken, one after the other, and
# found, with what to do about it. And they change nothing.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
meter=$(free_port) page=$(free_port) broker=$(free_port)
demo_site "$meter" "$broker"
echo "page = { port = $page; };" > "$dir/site/page.cfg"
mkdir -m 700 "$dir/state" && mkdir "$dir/run"
start_broker "$broker"
start_house "$meter"
house=$started
until_true 10 listening "$meter" || fail "the house does not listen"

doctor() { "$b/foretrip" doctor --config "$dir/site" --state "$dir/state" --run "$dir/run" "$@" > "$dir/doctor.log" 2>&1; }
status() { "$b/foretrip" status --run "$dir/run" "$@" > "$dir/status.log" 2>&1; }
finds() { # finds LEVEL CHECK PATTERN [PATTERN OF THE ADVICE]
    doctor
    grep -q "^$1 *$2 .*$3" "$dir/doctor.log" || fail "doctor does not find: $1 $2 $3"
    [ $# -lt 4 ] || grep -A 1 "^$1 *$2 .*$3" "$dir/doctor.log" | grep -q "to do: .*$4" || fail "no advice \"$4\" for: $1 $2 $3"
}
well() { doctor && ! grep -E "^(error|warning)" "$dir/doctor.log" | grep -v "^warning  clock .*nobody keeps"; } # not every machine of tests has NTP

# ---- before it runs
finds note database "is not there yet"
finds error service "no gateway runs" "systemctl start"
finds good bus "lan: 127.0.0.1:$meter can be reached"
finds good broker "127.0.0.1:$broker lets the gateway in"
status && fail "a status of a gateway that does not run"
grep -q "no gateway runs" "$dir/status.log" || fail "status does not say that none runs"

# ---- all is well
RUNTIME_DIRECTORY=$dir/run start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
gateway=$started
until_true 40 status || fail "the gateway is not well"
grep -q "meters   2 of 2 answer" "$dir/status.log" || fail "status does not count the meters"
grep -q "page     http://127.0.0.1:$page/" "$dir/status.log" || fail "status does not name the page"
until_true 20 well || fail "doctor finds something around a gateway that is well"
for check in config permissions disk meter broker service; do
    grep -q "^good *$check " "$dir/doctor.log" || fail "doctor does not say that it looked at $check"
done
doctor --json || fail "doctor --json"
status --json || fail "status --json"
/usr/bin/python3 - "$dir/doctor.log" "$dir/status.log" << 'EOT' || fail "the JSON is not as its page says"
import json, sys
found = json.load(open(sys.argv[1]))
assert all(set(f) == {"check", "level", "what", "do"} for f in found), found
assert {f["level"] for f in found} <= {"good", "note", "warning"}, found
state = json.load(open(sys.argv[2]))
assert set(state) == set("""version site pid at started config frames events reports_dropped last_frame record meters buses broker letters page
parts""".split()), state.keys()
assert state["frames"] > 0 and [m["state"] for m in state["meters"]] == ["ok", "ok"], state
EOT

# ---- while it runs: the meters and the broker go away
kill "$house"
until_true 60 eval 'doctor; grep -q "^error *meter .*cellar: lost, connection" "$dir/doctor.log"' || fail "lost meters are not found"
status && fail "status takes lost meters for well"
grep -q "cellar: lost" "$dir/status.log" || fail "status does not name the lost meter"

# ---- killed, and hanging
kill -STOP "$gateway"
sed -i 's/"at": "[^"]*"/"at": "2026-01-01T00:00:00.000Z"/' "$dir/run/status.json"
finds error service "has said nothing since"
kill -KILL "$gateway"
wait "$gateway" 2> /dev/null
finds error service "ended without a farewell"
echo '{' > "$dir/run/status.json"
finds error service "is not what a gateway writes"
rm "$dir/run/status.json"

# ---- at rest
finds error bus "lan: 127.0.0.1:$meter: [Cc]onnection refused" "is the meter on"
cp -R "$dir/site" "$dir/good"
again() { rm -rf "$dir/site" && cp -R "$dir/good" "$dir/site"; }

echo 'site = {' > "$dir/site/rules.cfg"
finds error config "rules.cfg:[0-9]*: " "foretrip check"
rm "$dir/site/site.cfg"
finds error config "site.cfg: is missing" "foretrip commission"
again

echo secret > "$dir/site/pass" && chmod 644 "$dir/site/pass"
sed -i 's|^broker = {|broker = { username = "x"; password_file = "pass";|' "$dir/site/delivery.cfg"
finds error permissions "pass is a secret, and everybody" "chmod o="
rm "$dir/site/pass"
finds error permissions "pass, which the configuration names, cannot be reached" "put it there"
again
chmod 666 "$dir/site/site.cfg"
finds error permissions "site.cfg can be changed by everybody" "chmod o-w"
again
chmod 644 "$dir/state/foretrip.db"
finds warning permissions "foretrip.db, which holds who may log in" "chmod 600"
chmod 600 "$dir/state/foretrip.db"

sed -i 's/host = "127.0.0.1"; port = [0-9]*/device = "\/dev\/ttyUSB77"/' "$dir/site/site.cfg"
finds error bus "/dev/ttyUSB77: No such file" "plug the adapter in"
sed -i "s|/dev/ttyUSB77|$dir/good/site.cfg|" "$dir/site/site.cfg"
finds error bus "site.cfg is no device" "name the serial line"
again

dead=$(free_port)
sed -i "s/port = $broker/port = $dead/" "$dir/site/delivery.cfg"
finds error broker "127.0.0.1:$dead" "host, port, name and password"
again

echo "keep = { free_mb = 1e9; };" > "$dir/site/record.cfg"
if doctor; ! grep -q "^error *config" "$dir/doctor.log"; then
    finds error disk "less than the 1000000000 that are to stay free" "make room"
else
    most=$(($(df -m --output=avail "$dir" | tail -n 1) * 2))
    echo "keep = { free_mb = $most.0; };" > "$dir/site/record.cfg"
    finds error disk "less than the $most that are to stay free" "make room"
fi
again

: > "$dir/state/foretrip.db.damaged-20260101T000000Z"
finds warning database "damaged-20260101T000000Z was set aside" "recover"
cp "$dir/state/foretrip.db" "$dir/db"
sqlite3 "$dir/state/foretrip.db" "PRAGMA user_version = 999" > /dev/null
finds error database "is of version 999; this foretrip knows" "install the version"
sqlite3 "$dir/state/foretrip.db" "PRAGMA user_version = 3" > /dev/null
finds note database "is of version 3; the gateway takes it to"
head -c 8192 /dev/urandom > "$dir/state/foretrip.db"
rm -f "$dir/state/foretrip.db-wal" "$dir/state/foretrip.db-shm"
finds error database "foretrip.db is no database, or damaged" "foretrip backup"
cp "$dir/db" "$dir/state/foretrip.db"

# people to be told, and a machine whose libcurl is none
mkdir "$dir/lib" && : > "$dir/lib/libcurl.so.4"
echo 'people = ( { id = "kim"; name = "Kim"; webhook = "http://127.0.0.1:1/"; } );' >> "$dir/site/delivery.cfg"
LD_LIBRARY_PATH=$dir/lib doctor
grep -q "^error *letters *1 person is to be told .*libcurl.so.4 is missing" "$dir/doctor.log" || fail "doctor does not miss libcurl"
doctor
grep -q "^error *letters" "$dir/doctor.log" && fail "doctor misses a libcurl that is there"
LD_LIBRARY_PATH=$dir/lib RUNTIME_DIRECTORY=$dir/run start mute "$b/foretripd" --config "$dir/site" --state "$dir/state-mute"
mute=$started
until_true 40 eval 'status; grep -q "^letters  0 wait: libcurl.so.4 is missing: install libcurl4" "$dir/status.log"' || fail "status does not miss libcurl"
grep -q "circuits of" "$dir/mute.log" || fail "the gateway does not watch without libcurl"
finds warning service "letters do not get through: libcurl.so.4 is missing"
kill "$mute"
wait "$mute" || fail "the gateway without libcurl ended with an error"
again

# certificates: one that has ended, one that ends soon, one whose key is another's
key() { openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -keyout "$dir/site/$1.key" -out "$dir/site/$1.pem" -subj "/CN=$1" "-$2" "$3" 2> /dev/null; chmod 600 "$dir/site/$1.key"; }
key long days 400 && key soon days 10 || fail "openssl makes no certificate"
openssl x509 -req -in /dev/null 2> /dev/null
openssl req -new -key "$dir/site/long.key" -subj /CN=old -out "$dir/old.csr" 2> /dev/null
printf '[ca]\ndefault_ca=d\n[d]\ndatabase=%s/index\nserial=%s/serial\nnew_certs_dir=%s\ndefault_md=sha256\npolicy=p\n[p]\ncommonName=supplied\n' "$dir" "$dir" "$dir" > "$dir/ca.cnf"
: > "$dir/index" && echo 01 > "$dir/serial"
openssl ca -batch -config "$dir/ca.cnf" -selfsign -keyfile "$dir/site/long.key" -in "$dir/old.csr" -startdate 20200101000000Z -enddate 20210101000000Z \
    -notext -out "$dir/site/old.pem" > /dev/null 2>&1 || fail "openssl makes no certificate of the past"
with() { echo "page = { port = $page; tls = { cert = \"$1\"; key = \"$2\"; }; };" > "$dir/site/page.cfg"; }
with long.pem long.key
finds good certificate "long.pem holds for \(399\|400\) days"
with soon.pem soon.key
finds warning certificate "soon.pem .*ends in \(9\|10\) days" "renew it"
with old.pem long.key
finds error certificate "old.pem .*ended [0-9]* days ago" "renew it"
with long.pem soon.key
finds error certificate "soon.key is not the key of" "belongs together"
echo nothing > "$dir/site/long.pem"
with long.pem long.key
finds error certificate "long.pem holds no certificate"

# ---- as root it looks with the eyes of the gateway's user
if [ "$(id -u)" = 0 ] && id nobody > /dev/null 2>&1; then
    again
    chmod 755 "$dir" && chown -R nobody "$dir/state" "$dir/site" && chmod 600 "$dir/site/site.cfg" && chown root "$dir/site/site.cfg"
    finds error permissions "site.cfg cannot be read by the gateway's user nobody" "chgrp"
    chown nobody "$dir/site/site.cfg" && chmod 500 "$dir/state"
    finds error permissions "state cannot be written by the gateway's user nobody" "chown"
fi
exit 0
