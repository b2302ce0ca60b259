#!/bin/sh
# A unit is let in by a code: the gateway's certificate from the centre's own authority (RFC 7030), a real mosquitto that asks for
# client certificates, reads the list of revoked ones and takes the account's name out of them. What is not good is refused: a code
# that is wrong, another unit's, another centre's, over, used; a certificate that is revoked; another unit's topics. Renewed, revoked,
# replaced. curl and openssl are let in as well. A gateway that was copied is noticed. fleet_enrol.sh BUILD
set -u
. tests/lib.sh
b=$1
port=$(free_port) inner=$(free_port) door=$(free_port) meter=$(free_port)
command -v curl > /dev/null || { echo "curl is not installed"; exit 77; }
c=$dir/centre a=$dir/centre/authority
mkdir "$c"
cat > "$c/fleet.cfg" <<EOT
fleet = { known_only = true; };
broker = { host = "127.0.0.1"; port = $inner; };
admit = { port = $door; };
EOT
fleet() { "$b/foretrip-fleet" "$@" --config "$c"; }
fleet authority localhost 127.0.0.1 > "$dir/made" || fail "no authority"
grep -q 'cafile' "$dir/made" || fail "it does not say what the broker needs"
openssl verify -CAfile "$a/ca.pem" "$a/server.pem" > /dev/null || fail "openssl does not take the server's certificate"
[ "$(stat -c %a "$a/ca.key")" = 600 ] || fail "the authority's key is open"
code() { fleet enrol "$@" 2> "$dir/code.why" || fail "no code for $1"; }

cat > "$dir/broker.conf" <<EOT
user $(id -un)
per_listener_settings true
max_queued_messages 0
listener $inner 127.0.0.1
allow_anonymous true
listener $port 127.0.0.1
cafile $a/ca.pem
certfile $a/server.pem
keyfile $a/server.key
crlfile $a/crl.pem
require_certificate true
use_identity_as_username true
acl_file $dir/acl
EOT
printf 'pattern write foretrip/%%u/#\npattern read foretrip/%%u/#\n' > "$dir/acl"
start broker mosquitto -c "$dir/broker.conf"
broker=$started
until_true 10 listening "$port" || fail "the broker does not start"
start admit "$b/foretrip-fleet" admit --config "$c"
until_true 10 listening "$door" || fail "nobody admits"
start collect "$b/foretrip-fleet" collect --config "$c"

# ---- the gateway: what is not good first ----
demo_site "$meter" 1
echo "page = { off = true; };" > "$dir/site/page.cfg"
rm "$dir/site/delivery.cfg"
own=$dir/site/centre/gateway.pem
enrol() { "$b/foretrip" enrol "$@" --config "$dir/site" > "$dir/said" 2>&1; }
refused() { # refused SENTENCE CODE [ADDRESS]
    enrol "$2" "${3:-https://localhost:$door}" --broker "localhost:$port" --yes && fail "let in: $1"
    grep -q -- "$1" "$dir/said" || fail "not '$1' but $(cat "$dir/said")"
    [ ! -e "$own" ] || fail "something was left behind: $1"
}
good=$(code alder-31 --name "31 Alder Street" --building Alder --by kim)
refused 'that is no code' 7777
refused 'not a code of this unit' "$(code birch-2)"
refused 'not the centre that made the code: nothing was sent' "$(echo "$good" | sed 's/....$/0000/')"
wrong=$(echo "$good" | sed 's/^\(....-....-....-\)....-/\10000-/')
[ "$wrong" != "$good" ] || fail "the one code in a million" # the letters were 0000 already
refused 'not a code of this unit' "$wrong"
refused 'Could not connect\|refused\|Failed to connect' "$good" https://localhost:1
short=$(code alder-31 --hours 0.0001)
over() { [ "$(($(date +%s)))" -gt "$1" ]; }
until_true 5 over "$(($(date +%s) + 1))" # a whole second, of which a third would do
refused "time is over" "$short"
good=$(code alder-31)
enrol "$good" "localhost:$door" --broker "localhost:$port" --yes || fail "not let in: $(cat "$dir/said")"
grep -q 'alder-31 is let in' "$dir/said" || fail "it does not say so: $(cat "$dir/said")"
openssl verify -CAfile "$a/ca.pem" -purpose sslclient "$own" > /dev/null || fail "openssl does not take the certificate"
[ "$(openssl x509 -in "$own" -noout -subject -nameopt multiline | sed -n 's/.*commonName *= //p')" = alder-31 ] || fail "another name"
[ "$(stat -c %a "$own")" = 640 ] || fail "the gateway's key is open: $(stat -c %a "$own")"
enrol "$good" "https://localhost:$door" --yes && fail "a code is good twice"
grep -q 'has been used already' "$dir/said" || fail "used, and it says: $(cat "$dir/said")"
openssl verify -CAfile "$a/ca.pem" "$own" > /dev/null || fail "the certificate that was there is gone"
"$b/foretrip" check --config "$dir/site" > "$dir/check" 2>&1 || fail "delivery.cfg is not usable: $(cat "$dir/check")"

# ---- its record comes ----
start house "$b/foretrip-house" --config "$dir/site" --house "$dir/site/house.cfg" --tcp "127.0.0.1:$meter"
until_true 30 listening "$meter" || fail "the house does not serve"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
gateway=$started
there() { sqlite3 "file:$c/fleet.db?mode=ro" "$1" 2>/dev/null; }
heard() { [ "$(there "SELECT health <> '' FROM sites WHERE id = 'alder-31'")" = 1 ]; }
until_true 60 heard || fail "the gateway's word does not come"
[ "$(there "SELECT name || '/' || building FROM sites WHERE id = 'alder-31'")" = '31 Alder Street/Alder' ] || fail "not as it was added"

# ---- others: an independent client is let in, and keeps to its own topics ----
openssl req -new -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -keyout "$dir/oak.key" -subj /CN=alder-31 -outform DER 2> /dev/null |
    openssl base64 > "$dir/oak.req"
est() { curl -sS --cacert "$a/ca.pem" --data-binary "@$dir/oak.req" "$@"; }
est -u "oak-4:$(code oak-4)" "https://localhost:$door/.well-known/est/simpleenroll" | openssl base64 -d |
    openssl pkcs7 -inform DER -print_certs > "$dir/oak.pem" || fail "openssl cannot read the answer"
grep -q 'CN = oak-4' "$dir/oak.pem" || fail "curl is not let in, or under the name it asked for: $(cat "$dir/oak.pem")"
publish() { # publish CERT KEY TOPIC: the broker's answer
    mosquitto_pub -h localhost -p "$port" -V 5 --cafile "$a/ca.pem" --cert "$1" --key "$2" -i "test-$$" -q 1 -t "$3" -m offline -d 2>&1
}
publish "$dir/oak.pem" "$dir/oak.key" foretrip/oak-4/status | grep -q 'RC:0' || fail "its own topic is refused"
publish "$dir/oak.pem" "$dir/oak.key" foretrip/alder-31/status | grep -q 'RC:135' || fail "another unit's topic is not refused"
mosquitto_pub -h localhost -p "$port" --cafile "$a/ca.pem" -t foretrip/oak-4/status -m x > "$dir/bare" 2>&1 && fail "let in without a certificate"

# ---- renewed, revoked, replaced ----
before=$(openssl x509 -in "$own" -noout -serial)
enrol_renew() { "$b/foretrip" enrol --renew "$@" --config "$dir/site" > "$dir/said" 2>&1; }
enrol_renew && grep -q 'good for 90 days still' "$dir/said" || fail "renewed too early: $(cat "$dir/said")"
enrol_renew --now || fail "not renewed: $(cat "$dir/said")"
[ "$(openssl x509 -in "$own" -noout -serial)" != "$before" ] || fail "the same certificate"
publish "$own" "$own" foretrip/alder-31/reply/x | grep -q 'RC:\(0\|16\)' || fail "the renewed one is refused"
fleet revoke oak-4 --reason stolen --by kim > "$dir/said" || fail "not revoked"
openssl crl -in "$a/crl.pem" -CAfile "$a/ca.pem" -noout 2> "$dir/crl.why" || fail "openssl does not take the list: $(cat "$dir/crl.why")"
kill -HUP "$broker"
put_out() { ! publish "$dir/oak.pem" "$dir/oak.key" foretrip/oak-4/status | grep -q 'RC:0'; }
until_true 10 put_out || fail "a revoked certificate is still good at the broker"
publish "$own" "$own" foretrip/alder-31/reply/x | grep -q 'RC:\(0\|16\)' || fail "and so is the good one refused"
est --cert "$dir/oak.pem" --key "$dir/oak.key" "https://localhost:$door/.well-known/est/simplereenroll" | grep -q 'has been revoked' ||
    fail "a revoked certificate is renewed"
fleet certificates > "$dir/list" || fail "no list"
grep -q '^oak-4 *revoked .* stolen by kim' "$dir/list" || fail "the list: $(cat "$dir/list")"
[ "$(grep -c '^alder-31 *good' "$dir/list")" = 2 ] || fail "the list: $(cat "$dir/list")"
grep -q '^birch-2 *code' "$dir/list" || fail "the list has no codes: $(cat "$dir/list")"

# ---- a copy: the same configuration and record on a second machine ----
[ "$(there "SELECT count(*) FROM notices WHERE kind = 'gateway_copied'")" = 0 ] || fail "a notice without a copy"
cp -R "$dir/site" "$dir/site2"
mkdir "$dir/state2"
sqlite3 "$dir/state/foretrip.db" ".backup '$dir/state2/foretrip.db'"
start copy "$b/foretripd" --config "$dir/site2" --state "$dir/state2"
noticed() { [ "$(there "SELECT count(*) FROM notices n JOIN sites s ON s.site = n.site WHERE n.kind = 'gateway_copied' AND s.id = 'alder-31'")" = 1 ]; }
until_true 240 noticed || fail "a copied gateway is not noticed"
fleet portfolio > "$dir/list"
grep -q 'gateway_copied: two gateways speak as alder-31' "$dir/list" || fail "the portfolio: $(cat "$dir/list")"
[ "$(there 'SELECT count(*) - count(DISTINCT seq) FROM records')" = 0 ] || fail "a record is there twice"
kill "$gateway"
echo "let in, renewed, revoked, replaced; eight who are not let in; a copy noticed"
