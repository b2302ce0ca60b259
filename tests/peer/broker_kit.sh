#!/bin/sh
# The broker kit of deploy/broker: an authority, a broker at a site and a central one with a bridge between, all by TLS on loopback, with a gateway
# behind. What is to pass passes, through the bridge too; who is not to come in does not: nobody without a certificate, with one of another
# authority, a revoked one, one that has ended; and nobody reads or writes what is not theirs. What is kept survives; what was renewed is used.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
kit=deploy/broker
ca=$dir/authority
central=$(free_port) local=$(free_port)
certificates() { sh $kit/certificates.sh "$@" >> "$dir/kit.log" 2>&1; }
user=$(id -un)

# ---- the authority
certificates authority "$ca" "Test authority" || fail "no authority"
certificates authority "$ca" && fail "a second authority over the first"
certificates server "$ca" localhost 127.0.0.1 || fail "no certificate for a broker"
for site in alder-31 birch-7; do certificates gateway "$ca" $site || fail "no certificate for $site"; done
certificates person "$ca" ada alder-31 || fail "no certificate for ada"
certificates person "$ca" bo birch-7 || fail "no certificate for bo"
certificates centre "$ca" office || fail "no certificate for the centre"
certificates gateway "$ca" gone-2 || fail "no certificate for gone-2"
certificates gateway "$ca" ../x && fail "a name that is a path"
certificates gateway "$ca" "a b" && fail "a name with a blank"
certificates gateway "$ca" office && fail "two certificates of one name"
[ -z "$(find "$ca" \( -name '*.key' -o -path "$ca/private" \) -perm /077)" ] || fail "a key is open to others"
certificates authority "$dir/other" "Test authority" && certificates gateway "$dir/other" alder-31 || fail "no other authority"
cmp -s "$ca/private/ca.key" "$dir/other/private/ca.key" && fail "two authorities with one key"
certificates revoke "$ca" gone-2 && mv "$ca"/old/gone-2.revoked-*.key "$dir/gone.key" && mv "$ca"/old/gone-2.revoked-*.pem "$dir/gone.pem" || fail "not revoked"
openssl verify -crl_check -CAfile "$ca/ca.pem" -CRLfile "$ca/crl.pem" "$dir/gone.pem" > /dev/null 2>&1 && fail "a revoked certificate holds"
openssl verify -x509_strict -purpose sslclient -CAfile "$ca/ca.pem" "$ca/issued/ada.pem" > /dev/null 2>&1 || fail "openssl refuses the certificate of a person"
openssl verify -purpose sslserver -CAfile "$ca/ca.pem" "$ca/issued/ada.pem" > /dev/null 2>&1 && fail "a person's certificate passes for a broker's"
DAYS_VALID=1 certificates person "$ca" late alder-31 || fail "no short certificate"

# ---- the brokers
sh $kit/configure.sh "$ca" "$dir/central" localhost --port "$central" --listen 127.0.0.1 >> "$dir/kit.log" 2>&1 || fail "no central broker's configuration"
sh $kit/configure.sh "$ca" "$dir/local" localhost --port "$local" --listen 127.0.0.1 --bridge alder-31 "localhost:$central" >> "$dir/kit.log" 2>&1 ||
    fail "no site broker's configuration"
grep -riE "password|allow_anonymous true" "$dir/central" "$dir/local" && fail "a password, or a door without one"
for c in central local; do # tests run as one user, who may be root
    printf 'user %s\nlog_type all\n' "$user" >> "$dir/$c/mosquitto.conf"
    [ "$(id -u)" != 0 ] || chown -R root "$dir/$c"
done
start_one() { start "$1" "$(command -v mosquitto || echo /usr/sbin/mosquitto)" -c "$dir/$1/mosquitto.conf"; }
start_one central && central_pid=$started
until_true 10 listening "$central" || fail "the central broker does not listen"
start_one local && local_pid=$started
until_true 10 listening "$local" || fail "the site's broker does not listen"

# ---- a gateway behind them
meter=$(free_port)
demo_site "$meter" 1
echo "page = { off = true; };" > "$dir/site/page.cfg"
mkdir "$dir/site/tls" && cp "$ca/ca.pem" "$ca/issued/alder-31.pem" "$ca/issued/alder-31.key" "$dir/site/tls/"
cat > "$dir/site/delivery.cfg" << EOT
broker = { host = "localhost"; port = $local; up = true; commands_named = true;
           tls = { ca = "tls/ca.pem"; cert = "tls/alder-31.pem"; key = "tls/alder-31.key"; };
           sparkplug = { }; homie = { }; };
people = ( { id = "ada"; name = "Ada Lind"; role = "administrator"; }, { id = "bo"; name = "Bo Ek"; role = "administrator"; } );
EOT
start_house "$meter"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"

client() { # client PROGRAM WHO PORT ...: as who, with their certificate
    program=$1 who=$2 port=$3
    shift 3
    "mosquitto_$program" -V 5 -h localhost -p "$port" --cafile "$ca/ca.pem" --cert "$ca/issued/$who.pem" --key "$ca/issued/$who.key" "$@"
}
sees() { client sub "$1" "$2" -t "$3" -C 1 -W 20 2>> "$dir/clients.log" | grep -q "$4"; } # sees WHO PORT TOPIC PATTERN
quiet() { # quiet WHO PORT TOPIC: nothing of it comes, while what another may see does
    client sub "$1" "$2" -t "$3" -C 1 -W 3 > "$dir/heard" 2>> "$dir/clients.log"
    [ ! -s "$dir/heard" ]
}
sees ada "$local" foretrip/alder-31/status online || fail "a person does not see their gateway"
sees ada "$local" foretrip/alder-31/circuit/+/state amps || fail "a person does not see their circuits"
sees office "$central" foretrip/+/status online || fail "the centre does not see the gateway through the bridge"
sees alder-31 "$local" 'homie/5/alder-31/$state' ready || fail "Homie does not pass"
until_true 30 eval 'grep -q "sparkplug: connected" "$dir/gateway.log"' || fail "Sparkplug does not connect"

ask() { # ask WHO PORT TOPIC: the gateway's answer
    client rr "$1" "$2" -t "$3" -e "foretrip/alder-31/reply/$1" -m '{"id":"q"}' -W "${4:-15}" 2>> "$dir/clients.log"
}
ask ada "$local" foretrip/alder-31/command/status/ada | grep -q '"ok":true' || fail "a person's own command is not answered"

# ---- what must be denied
refused() { # refused PORT OPTIONS: the connection is not made
    port=$1
    shift
    ! mosquitto_pub -V 5 -h localhost -p "$port" -t foretrip/alder-31/x -m x -q 1 "$@" >> "$dir/clients.log" 2>&1
}
speaks() { # speaks PORT OPTIONS OF S_CLIENT
    port=$1
    shift
    openssl s_client -connect "localhost:$port" -cert "$ca/issued/ada.pem" -key "$ca/issued/ada.key" "$@" < /dev/null 2>&1 | grep -q "Cipher is [A-Z]\{2,\}"
}
for port in "$local" "$central"; do
    refused "$port" || fail "in the clear"
    refused "$port" --cafile "$ca/ca.pem" || fail "without a certificate"
    refused "$port" --cafile "$ca/ca.pem" -u ada -P ada || fail "with a password"
    refused "$port" --cafile "$ca/ca.pem" --cert "$dir/other/issued/alder-31.pem" --key "$dir/other/issued/alder-31.key" || fail "with another authority's certificate"
    refused "$port" --cafile "$ca/ca.pem" --cert "$dir/gone.pem" --key "$dir/gone.key" || fail "with a revoked certificate"
    refused "$port" --cafile "$dir/other/ca.pem" --cert "$ca/issued/ada.pem" --key "$ca/issued/ada.key" || fail "a client takes a broker of another authority"
    speaks "$port" -tls1_2 || fail "no TLS 1.2"
    speaks "$port" -tls1_1 -cipher DEFAULT@SECLEVEL=0 && fail "by TLS 1.1"
done
mosquitto_pub -h 127.0.0.2 -p "$local" -t x -m x --cafile "$ca/ca.pem" --cert "$ca/issued/ada.pem" --key "$ca/issued/ada.key" > /dev/null 2>&1 && fail "by a name that is not the broker's"

quiet birch-7 "$local" 'foretrip/alder-31/#' || fail "another site's gateway reads: $(cat "$dir/heard")"
quiet bo "$local" 'foretrip/alder-31/#' || fail "another house's person reads: $(cat "$dir/heard")"
quiet office "$central" 'foretrip/+/alarm/#' || fail "the centre reads more than it needs: $(cat "$dir/heard")"
quiet ada "$local" '$SYS/#' || fail "a person reads the broker's own state"
# written by another: nobody gets it. What ada may not write does not arrive, what she may does, in this order
client pub birch-7 "$local" -t foretrip/alder-31/status -r -q 1 -m forged >> "$dir/clients.log" 2>&1
client pub bo "$local" -t foretrip/alder-31/command/status/bo -q 1 -m '{"id":"forged","reply_to":"foretrip/birch-7/reply/bo"}' >> "$dir/clients.log" 2>&1
client pub ada "$local" -t foretrip/alder-31/alarm/x -r -q 1 -m forged >> "$dir/clients.log" 2>&1
client pub ada "$local" -t foretrip/alder-31/command/status/bo -q 1 -m '{"id":"forged"}' >> "$dir/clients.log" 2>&1
client pub office "$central" -t foretrip/alder-31/command/acknowledge/ada -q 1 -m '{"id":"forged"}' >> "$dir/clients.log" 2>&1
sees ada "$local" foretrip/alder-31/status online || fail "another has written a gateway's status"
quiet ada "$local" foretrip/alder-31/alarm/x || fail "a person has written an alarm"
[ "$(grep -c "Denied PUBLISH from" "$dir/local.log")" -ge 4 ] || fail "the site's broker has not denied all four"
grep -q "Denied PUBLISH from" "$dir/central.log" || fail "the central broker has not denied the centre"
sqlite3 "$dir/state/foretrip.db" "SELECT count(*) FROM audit WHERE who LIKE '%bo%'" 2> /dev/null | grep -qx 0 || fail "the gateway has heard of bo"

# ---- a centre's command passes the bridge, and what waits survives both brokers' ends
client pub office "$central" -t foretrip/alder-31/command/send-again -q 1 -m '{"after":0,"to":1}' || fail "the centre's own command"
until_true 20 grep -q "command/send-again" "$dir/local.log" || fail "the centre's command does not pass the bridge"
tries() { grep -c "Connecting bridge" "$dir/local.log"; }
before=$(tries)
kill -KILL "$central_pid"
wait "$central_pid" 2> /dev/null
# what is on its way in the very moment of that is not promised (mosquitto 2.0.11 may lose it with its own restart; `up` is sent again)
until_true 30 eval '[ "$(tries)" -gt '"$before"' ]' || fail "the bridge does not notice that the central broker is gone"
# a level below trip/+, where the gateway, once it is back, takes away what it does not know, here and through the bridge
kept=foretrip/alder-31/trip/kept/below
client pub alder-31 "$local" -t $kept -r -q 1 -m kept || fail "the site's broker needs the central one"
kill "$local_pid"
wait "$local_pid"
start_one local && local_pid=$started
until_true 10 listening "$local" || fail "the site's broker does not come back"
sees ada "$local" $kept kept || fail "what was retained is lost with a restart"
start_one central && central_pid=$started
until_true 10 listening "$central" || fail "the central broker does not come back"
arrived() { client sub alder-31 "$central" -t $kept -C 1 -W 2 2>> "$dir/clients.log" | grep -q kept; }
until_true 60 arrived || fail "what waited for the central broker did not arrive"

# ---- renewed
old=$(openssl x509 -noout -serial -in "$ca/issued/late.pem") other=$(openssl x509 -noout -serial -in "$ca/issued/ada.pem")
certificates renew "$ca" 30 || fail "renewing"
[ "$(openssl x509 -noout -serial -in "$ca/issued/late.pem")" != "$old" ] || fail "what ends tomorrow is not renewed"
[ "$(openssl x509 -noout -serial -in "$ca/issued/ada.pem")" = "$other" ] || fail "what holds for a year is renewed"
openssl x509 -checkend $((300 * 86400)) -noout -in "$ca/issued/late.pem" > /dev/null || fail "the renewed one ends soon"
certificates renew "$ca" 1000 || fail "renewing all"
sh $kit/configure.sh "$ca" "$dir/local" localhost --port "$local" --listen 127.0.0.1 --bridge alder-31 "localhost:$central" || fail "configured anew"
printf 'user %s\nlog_type all\n' "$user" >> "$dir/local/mosquitto.conf"
[ "$(id -u)" != 0 ] || chown -R root "$dir/local"
kill -HUP "$local_pid"
serves() { # the certificate that the broker shows is the new one
    [ "$(openssl s_client -connect "localhost:$local" -cert "$ca/issued/ada.pem" -key "$ca/issued/ada.key" < /dev/null 2> /dev/null | openssl x509 -noout -serial)" = \
        "$(openssl x509 -noout -serial -in "$ca/issued/localhost.pem")" ]
}
until_true 20 serves || fail "the renewed certificate is not taken over with SIGHUP"
sees ada "$local" foretrip/alder-31/status online || fail "with the renewed certificates nothing passes"
sh $kit/certificates.sh list "$ca" | grep -q "^gateway *alder-31 *until" || fail "no list"
exit 0
