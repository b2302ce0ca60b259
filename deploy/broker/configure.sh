#!/bin/sh
# The configuration of a mosquitto broker that lets in who has a certificate of certificates.sh, and each to their own topics only:
#
#   configure.sh DIR OUT SERVER [--port 8883] [--listen ADDRESS] [--bridge SITE HOST[:PORT]]
#
# DIR is the authority's directory, SERVER the name of the broker's certificate in it. OUT gets mosquitto.conf, acl, the certificates that this
# broker needs (and no others) and store/ for what it keeps; nothing in it needs DIR any more, so OUT can be copied to the broker's machine. With
# --bridge it is the broker of that site and hands what a centre needs to the central broker at HOST, with the gateway's certificate of the
# site, and takes commands from there. Run it again after renew or revoke, then send the broker SIGHUP.
set -eu
umask 077
fail() {
    echo "configure.sh: $*" >&2
    exit 1
}
[ $# -ge 3 ] || fail "usage: configure.sh DIR OUT SERVER [--port N] [--listen ADDRESS] [--bridge SITE HOST[:PORT]]"
dir=$1 out=$2 server=$3
shift 3
port=8883 listen= site= centre=
while [ $# -gt 0 ]; do
    case $1 in
    --port) port=$2; shift 2 ;;
    --listen) listen=$2; shift 2 ;;
    --bridge) site=$2 centre=$3; shift 3 ;;
    *) fail "$1 is not known" ;;
    esac
done
kind() { head -n 1 "$dir/issued/$1.kind" 2> /dev/null; }
[ "$(kind "$server")" = server ] || fail "there is no certificate for a broker $server (certificates.sh server $dir $server)"
[ -z "$site" ] || [ "$(kind "$site")" = gateway ] || fail "there is no certificate for the site $site (certificates.sh gateway $dir $site)"
mkdir -p "$out/store"
out=$(cd "$out" && pwd)
cp "$dir/ca.pem" "$dir/crl.pem" "$out/"
cp "$dir/issued/$server.pem" "$out/server.pem"
cp "$dir/issued/$server.key" "$out/server.key"

# ---- who may do what: nobody anything but this
{
    echo "# made by configure.sh: the name is that of the certificate"
    for k in "$dir"/issued/*.kind; do
        [ -e "$k" ] || continue
        name=$(basename "$k" .kind)
        case $(head -n 1 "$k") in
        gateway)
            printf '\n# the gateway of %s, and its bridge\nuser %s\n' "$name" "$name"
            printf 'topic readwrite foretrip/%s/#\n' "$name"
            printf 'topic readwrite homie/5/%s/#\n' "$name"
            printf 'topic readwrite spBv1.0/+/+/%s\ntopic readwrite spBv1.0/+/+/%s/#\ntopic read spBv1.0/STATE/+\n' "$name" "$name"
            ;;
        person)
            printf '\nuser %s\n' "$name"
            for s in $(sed 1d "$k"); do
                for below in status event circuit/# alarm/# trip/# reply/#; do printf 'topic read foretrip/%s/%s\n' "$s" "$below"; done
                printf 'topic write foretrip/%s/command/+/%s\n' "$s" "$name"
            done
            ;;
        centre)
            printf '\nuser %s\ntopic read foretrip/+/up\ntopic read foretrip/+/status\ntopic write foretrip/+/command/send-again\n' "$name"
            ;;
        esac
    done
} > "$out/acl"

{
    cat << EOT
# made by configure.sh
listener $port${listen:+ $listen}
cafile $out/ca.pem
crlfile $out/crl.pem
certfile $out/server.pem
keyfile $out/server.key
require_certificate true
use_identity_as_username true
tls_version tlsv1.2
allow_anonymous false
acl_file $out/acl

# what is retained, and what waits for who is away, survives
persistence true
persistence_location $out/store/
autosave_interval 60
persistent_client_expiration 30d
max_queued_messages 100000
max_packet_size 1048576
max_connections 1000
EOT
    if [ -n "$site" ]; then
        cp "$dir/issued/$site.pem" "$out/bridge.pem"
        cp "$dir/issued/$site.key" "$out/bridge.key"
        case $centre in *:*) ;; *) centre=$centre:8883 ;; esac
        cat << EOT

# what a centre needs goes there, in order and kept while it is away; commands come from there
connection centre
address $centre
bridge_cafile $out/ca.pem
bridge_certfile $out/bridge.pem
bridge_keyfile $out/bridge.key
bridge_insecure false
bridge_protocol_version mqttv50
remote_clientid bridge-$site
local_clientid bridge-$site
cleansession false
start_type automatic
restart_timeout 2 20
try_private true
notifications false
topic status out 1 foretrip/$site/ foretrip/$site/
topic up out 1 foretrip/$site/ foretrip/$site/
topic alarm/# out 1 foretrip/$site/ foretrip/$site/
topic trip/# out 1 foretrip/$site/ foretrip/$site/
topic reply/# out 1 foretrip/$site/ foretrip/$site/
topic command/# in 1 foretrip/$site/ foretrip/$site/
EOT
    fi
} > "$out/mosquitto.conf"
# mosquitto gives up root's rights before it reads what it keeps, and on SIGHUP reads its keys as its own user
if [ "$(id -u)" = 0 ] && id mosquitto > /dev/null 2>&1; then
    chown -R mosquitto "$out"
fi
