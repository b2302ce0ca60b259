#!/bin/sh
# From an alarm to the people, end to end: the daemon with a meter that does not answer, a broker with TLS,
# client certificates and access rules, a real mail server. Who is told, who may acknowledge and shelve, what
# the tool shows; nobody is told twice over a reload and kill -9. told.sh BUILD
set -u
. tests/lib.sh
b=$1
for program in openssl mosquitto mosquitto_rr sqlite3; do
    command -v $program > /dev/null || { echo "$program is not installed"; exit 77; }
done
/usr/bin/python3 -c 'import aiosmtpd' 2> /dev/null || { echo "python3-aiosmtpd is not installed"; exit 77; }
meter=$(free_port)
broker=$(free_port)
mail=$(free_port)
own=foretrip/alder-31

# an authority, and what it has signed: the servers, the gateway and three people
cert() { # cert NAME [EXTENSION]
    openssl req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -subj "/CN=$1" -keyout "$dir/$1.key" \
        -out "$dir/$1.csr" 2> /dev/null && printf '%s\n' "${2:-basicConstraints=CA:FALSE}" > "$dir/ext" &&
        openssl x509 -req -in "$dir/$1.csr" -CA "$dir/ca.pem" -CAkey "$dir/ca.key" -CAcreateserial -days 90 \
            -extfile "$dir/ext" -out "$dir/$1.pem" 2> /dev/null || fail "no certificate for $1"
}
openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 90 -subj "/CN=test authority" \
    -keyout "$dir/ca.key" -out "$dir/ca.pem" 2> /dev/null || fail "no authority"
cert localhost "subjectAltName=DNS:localhost,IP:127.0.0.1"
for name in gateway kim lena reyes; do cert $name; done
chmod 600 "$dir"/*.key

cat > "$dir/acl" << END
user gateway
topic readwrite $own/#
topic write desk/#
topic readwrite spBv1.0/foretrip/#
topic readwrite homie/5/alder-31/#
pattern write foretrip/+/command/+/%u
pattern readwrite desk/%u
END
for name in kim lena reyes; do printf 'user %s\ntopic read %s/alarm/#\n' $name $own; done >> "$dir/acl"
cat > "$dir/broker.conf" << END
user $(id -un)
listener $broker 127.0.0.1
cafile $dir/ca.pem
certfile $dir/localhost.pem
keyfile $dir/localhost.key
require_certificate true
use_identity_as_username true
acl_file $dir/acl
END
start broker "$(command -v mosquitto || echo /usr/sbin/mosquitto)" -c "$dir/broker.conf"
until_true 10 listening "$broker" || fail "the broker does not listen"
echo ok > "$dir/manners"
start mailserver /usr/bin/python3 tests/peer/mail_server.py "$mail" "$dir/localhost.pem" "$dir/localhost.key" "$dir" starttls
until_true 20 listening "$mail" || fail "the mail server does not listen"

mkdir "$dir/site"
echo "s3cret word" > "$dir/site/mail.password"
chmod 600 "$dir/site/mail.password"
cat > "$dir/site/site.cfg" << END
site = { id = "alder-31"; name = "31 Alder Lane"; timezone = "America/Chicago"; standard = "UL489"; nominal_volts = 120.0; };
panels = ( { id = "main"; name = "Main panel"; legs = 2; rating_amps = 100; } );
buses = ( { id = "lan"; host = "127.0.0.1"; port = $meter; } );
meters = ( { id = "m1"; bus = "lan"; unit = 1; map = "branch-meter-12"; panel = "main"; } );
circuits = ( { id = "main-07"; panel = "main"; position = "7"; name = "Bath"; breaker_amps = 15; leg = "A"; meter = "m1"; channels = [ 7 ]; } );
END
echo 'site = { meter_lost_seconds = 2; };' > "$dir/site/rules.cfg"
cat > "$dir/site/delivery.cfg" << END
broker = { host = "localhost"; port = $broker; commands_named = true;
  tls = { ca = "$dir/ca.pem"; cert = "$dir/gateway.pem"; key = "$dir/gateway.key"; }; sparkplug = { }; homie = { }; };
mail = { host = "localhost"; port = $mail; username = "alder-31"; password_file = "mail.password";
  from = "house@alder.example"; ca = "$dir/ca.pem"; };
people = ( { id = "kim"; name = "Kim Ito"; language = "es"; mail = "kim@alder.example"; priority = "low"; },
  { id = "lena"; name = "Lena Osei"; role = "manager"; mail = "lena@alder.example"; },
  { id = "reyes"; name = "M. Reyes"; role = "electrician"; mail = "reyes@alder.example"; priority = "low"; after_minutes = 60; } );
END
"$b/foretrip" check --config "$dir/site" > "$dir/check.log" 2>&1 || fail "the configuration"
grep -q warning "$dir/check.log" && fail "the configuration is complained about"

# ---- a trial first ----
"$b/foretrip" send-test kim --config "$dir/site" > "$dir/trial.log" 2>&1 || fail "the trial was not accepted"
grep -q 'Mensaje de prueba de 31 Alder Lane' "$dir/mail" || fail "the trial did not arrive"
"$b/foretrip" send-test kin --config "$dir/site" > "$dir/trial.log" 2>&1 && fail "a trial to nobody went well"
rm "$dir/mail"

# ---- the alarm ----
gateway_start() {
    start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state" --metrics "$dir/metrics"
    gateway=$started
}
gateway_start
mails() { [ -f "$dir/mail" ] && grep -c . "$dir/mail" || echo 0; }
told() { [ "$(mails)" -ge "$1" ]; }
until_true 30 told 1 || fail "nobody was told"
/usr/bin/python3 - "$dir/mail" << 'END' || fail "the mail is not right"
import json, sys
m = [json.loads(l) for l in open(sys.argv[1])]
assert [x["to"] for x in m] == [["kim@alder.example"]], m
assert m[0]["subject"] == "Sin vigilancia: medidor m1" and m[0]["tls"], m
assert "no es un dispositivo de protección" in m[0]["plain"], m
END
alarms() { "$b/foretrip" alarms --config "$dir/site" --database "$dir/state/foretrip.db" "$@" 2>> "$dir/alarms.log"; }
alarms | grep -q 'low .*m1.meter_lost  unacknowledged' || fail "foretrip alarms does not show it"
alarms --language es > "$dir/es"
grep -q 'El medidor m1 no contesta' "$dir/es" && grep -q 'sin lectura desde hace [0-9]* s, bus ' "$dir/es" ||
    fail "it is not said in Spanish: $(cat "$dir/es")"
LC_ALL= LC_MESSAGES=es_MX.UTF-8 alarms | grep -q 'El medidor m1 no contesta' || fail "the environment's language is not taken"
alarms --language en | grep -q 'no reading for [0-9]* s, bus ' || fail "the numbers are not told"
alarms --language xx 2> /dev/null && fail "a language without phrases is taken"
start follow "$b/foretrip" alarms --follow --seconds 60 --config "$dir/site" --database "$dir/state/foretrip.db"
shows() { grep -q "$1" "$dir/follow.log"; }
until_true 10 shows meter_lost || fail "foretrip alarms --follow shows nothing"

# ---- a reload and kill -9: told once all the same ----
kill -HUP "$gateway"
in_force() { grep -q 'the new configuration is in force' "$dir/gateway.log"; }
connected() { [ "$(grep -c 'mqtt: connected to localhost' "$dir/gateway.log")" -ge "$1" ]; }
until_true 20 in_force || fail "no reload"
until_true 20 connected 2 || fail "no connection after the reload"
kill -9 "$gateway"
wait "$gateway" 2> /dev/null
gateway_start
until_true 20 connected 3 || fail "the gateway does not come back"

# ---- who may do what ----
as() { # as PERSON TOPIC JSON: the answer
    timeout 8 mosquitto_rr -p "$broker" -V 5 -q 1 --cafile "$dir/ca.pem" --cert "$dir/$1.pem" --key "$dir/$1.key" \
        -h localhost -t "$own/command/$2" -e "desk/$1" -m "$3" 2>> "$dir/rr.log"
}
expect() { # expect TEXT ANSWER
    case $2 in *"$1"*) ;; *) fail "wanted $1, got: $2" ;; esac
}
expect 'Lena Osei as manager may not ask for circuits' "$(as lena circuits/lena '{}')"
expect 'Kim Ito as resident may not ask for out-of-service' "$(as kim out-of-service/kim '{"alarm":"m1.meter_lost"}')"
expect 'Kim Ito as resident may not ask for shelve of more' "$(as kim shelve/kim '{"alarm":"m1.meter_lost","seconds":90000}')"
expect 'Lena Osei as manager may not ask for history' "$(as lena history/lena '{"circuit":"main-07"}')"
expect '"ok":true,"circuit":"main-07","quantity":"watts"' "$(as kim history/kim '{"circuit":"main-07","quantity":"watts","points":3}')"
expect '"mean":[null,null,null]' "$(as kim history/kim '{"circuit":"main-07","points":3}')"
expect 'site.cfg has no circuit of that id' "$(as kim history/kim '{"circuit":"main-99"}')"
expect 'from must be before to' "$(as kim history/kim '{"circuit":"main-07","from":1767225600,"to":"2026-01-01T00:00:00Z"}')"
expect 'Kim Ito as resident may not ask for correct-cause' "$(as kim correct-cause/kim '{"trip":"main-07-20260101T000000Z","cause":"fault"}')"
expect 'no trip of that id' "$(as reyes correct-cause/reyes '{"trip":"main-07-20260101T000000Z","cause":"fault"}')"
expect 'there is no load of that number' "$(as kim name-load/kim '{"load":"main-07/3","name":"kettle"}')"
expect 'Lena Osei as manager may not ask for name-load' "$(as lena name-load/lena '{"load":"main-07/3","name":"kettle"}')"
[ -z "$(as kim acknowledge/reyes '{"alarm":"m1.meter_lost"}')" ] || fail "the broker let kim speak as reyes"
alarms | grep -q 'm1.meter_lost  unacknowledged' || fail "somebody without the right changed something"
"$b/foretrip" acknowledge m1.meter_lost --config "$dir/site" > "$dir/tool.log" 2>&1 && fail "a topic that names nobody was heard"
grep -q 'commands here go to command/acknowledge/<person>' "$dir/tool.log" || fail "the refusal does not say why"
expect '"ok":true' "$(as kim acknowledge/kim '{"alarm":"m1.meter_lost","by":"somebody else"}')"
alarms | grep -q 'm1.meter_lost  acknowledged by Kim Ito' || fail "acknowledged, but not by Kim Ito: $(alarms)"
until_true 10 shows 'acknowledged by Kim Ito' || fail "the follower does not show it"
"$b/foretrip" shelve m1.meter_lost --for 2h --note "a new meter comes" --as reyes --config "$dir/site" > "$dir/tool.log" 2>&1 ||
    fail "foretrip shelve"
alarms | grep -q 'shelved until .* by M. Reyes' || fail "not shelved by M. Reyes: $(alarms)"
"$b/foretrip" shelve m1.meter_lost --end --as reyes --config "$dir/site" > "$dir/tool.log" 2>&1 || fail "foretrip shelve --end"
until_true 10 told 2 || fail "what is off the shelf again is not told"
"$b/foretrip" acknowledge m1.meter_lost --as reyes --config "$dir/site" > "$dir/tool.log" 2>&1 || fail "foretrip acknowledge"
"$b/foretrip" acknowledge m1.meter_lst --as reyes --config "$dir/site" > "$dir/tool.log" 2>&1 && fail "an alarm that is none"
grep -q 'there is no alarm of that id' "$dir/tool.log" || fail "the answer is not passed on"
counted() { grep -q "^foretrip_letters_accepted_total 1$" "$dir/metrics" && grep -q "^# EOF" "$dir/metrics"; }
until_true 15 counted || fail "the metrics do not count the letter since the restart: $(cat "$dir/metrics")"
for convention in sparkplug homie; do
    grep -q "^foretrip_convention_connected{convention=\"$convention\"} 1" "$dir/metrics" || fail "$convention is not connected"
done
/usr/bin/python3 - "$dir/metrics" > "$dir/tool.log" 2>&1 << 'EOT' || fail "the metrics do not parse: $(cat "$dir/tool.log")"
import sys
from prometheus_client.openmetrics import parser # of Debian's python3-prometheus-client: strict, as OpenMetrics 1.0 has it
families = {f.name: f for f in parser.text_string_to_metric_families(open(sys.argv[1]).read())}
assert len(families) >= 20, sorted(families)
assert families["foretrip_alarms_raised"].type == "counter", families["foretrip_alarms_raised"].type
assert families["foretrip_bus_answer_seconds"].type == "histogram"
assert {s.labels["priority"] for s in families["foretrip_alarms_raised"].samples} == {"urgent", "high", "low"}
for name in ("reports_waiting", "outbox_oldest_seconds", "record_size_bytes", "alerts_raised"):
    assert "foretrip_" + name in families, name
EOT
grep -q '^foretrip_bus_faults_total{bus="lan",fault="connection lost"} [1-9]' "$dir/metrics" || fail "the bus's faults are not counted"
[ "$(mails)" = 2 ] || fail "$(mails) mails instead of 2"
echo "told once over a reload and kill -9; rights by certificate and role; 2 mails"
