#!/bin/sh
# A certification authority of one's own for brokers, gateways and people, by openssl: who has no certificate of it gets in nowhere, and
# nobody has a password. Everything lies in one directory, DIR; whoever has DIR/private/ca.key can let anybody in, so keep DIR where only you
# can read it, off the gateways.
#
#   certificates.sh authority DIR [NAME]            makes it, once
#   certificates.sh server DIR HOST [HOST ...]      for a broker, by the names or addresses under which it is connected to
#   certificates.sh gateway DIR SITE                for a gateway, and for the bridge of its site; SITE: the id in its site.cfg
#   certificates.sh person DIR ID SITE [SITE ...]   for one of people in the delivery.cfg of these sites
#   certificates.sh centre DIR NAME                 for who looks after all sites (foretrip-fleet)
#   certificates.sh list DIR                        what there is, and for how long
#   certificates.sh renew DIR [DAYS]                anew what ends within so many days (30), with a new key
#   certificates.sh revoke DIR NAME                 it is let in no more, once its brokers have the new crl.pem
#
# What was made is DIR/issued/NAME.pem, .key (mode 600) and .kind. DAYS_VALID (398) and AUTHORITY_DAYS (3650) may be set. Renewing is
# for a timer: it does nothing while nothing ends. It makes a new crl.pem (which ends too, after CRL_DAYS, 100) each time.
set -eu
umask 077

usage() {
    sed -n '2,/^set -eu/s/^# \{0,1\}//p' "$0" | sed '$d' >&2
    exit 2
}
fail() {
    echo "certificates.sh: $*" >&2
    exit 1
}
[ $# -ge 2 ] || usage
verb=$1 dir=$2
shift 2

name_ok() { # a name becomes a file, a certificate's name and a level of topics
    case $1 in
    '' | *[!A-Za-z0-9._:-]* | .* | -*) fail "\"$1\" is no name: letters, digits, . _ : and -" ;;
    esac
}

quietly() { # openssl, whose talk is shown when it fails
    openssl "$@" > "$dir/openssl.log" 2>&1 || { cat "$dir/openssl.log" >&2; fail "openssl $1 failed"; }
}

authority() {
    [ ! -e "$dir/private/ca.key" ] || fail "$dir has an authority already"
    mkdir -p "$dir/private" "$dir/issued" "$dir/old"
    : > "$dir/index.txt"
    openssl rand -hex 16 > "$dir/serial"
    echo 01 > "$dir/crlnumber"
    cat > "$dir/ca.cnf" << EOT
[ca]
default_ca = own
[own]
database = $dir/index.txt
serial = $dir/serial
crlnumber = $dir/crlnumber
new_certs_dir = $dir/old
certificate = $dir/ca.pem
private_key = $dir/private/ca.key
default_md = sha256
policy = any
unique_subject = no
[any]
commonName = supplied
[req]
distinguished_name = req
[authority]
basicConstraints = critical, CA:true, pathlen:0
keyUsage = critical, keyCertSign, cRLSign
subjectKeyIdentifier = hash
EOT
    quietly genpkey -algorithm EC -pkeyopt ec_paramgen_curve:prime256v1 -out "$dir/private/ca.key"
    quietly req -x509 -new -config "$dir/ca.cnf" -extensions authority -key "$dir/private/ca.key" -sha256 \
        -days "${AUTHORITY_DAYS:-3650}" -subj "/CN=${1:-foretrip authority of $(uname -n)}" -out "$dir/ca.pem"
    revocations
    chmod 644 "$dir/ca.pem"
}

revocations() {
    quietly ca -config "$dir/ca.cnf" -gencrl -crldays "${CRL_DAYS:-100}" -out "$dir/crl.pem"
    chmod 644 "$dir/crl.pem"
}

sign() { # sign NAME: by what NAME.kind says, a new key and a certificate for it
    base=$dir/issued/$1
    kind=$(head -n 1 "$base.kind")
    {
        echo "basicConstraints = critical, CA:false"
        echo "keyUsage = critical, digitalSignature"
        if [ "$kind" = server ]; then
            echo "extendedKeyUsage = serverAuth"
            sed 1d "$base.kind" | awk '{ how = /^[0-9.]+$|:/ ? "IP" : "DNS"; printf "%s%s:%s", (NR > 1 ? "," : "subjectAltName = "), how, $0 } END { print "" }'
        else
            echo "extendedKeyUsage = clientAuth"
        fi
    } > "$dir/extensions"
    quietly genpkey -algorithm EC -pkeyopt ec_paramgen_curve:prime256v1 -out "$base.key.new"
    quietly req -new -config "$dir/ca.cnf" -key "$base.key.new" -subj "/CN=$1" -out "$dir/request"
    quietly ca -batch -notext -config "$dir/ca.cnf" -extfile "$dir/extensions" -days "${DAYS_VALID:-398}" -in "$dir/request" -out "$base.pem.new"
    mv "$base.key.new" "$base.key"
    mv "$base.pem.new" "$base.pem"
    chmod 644 "$base.pem"
    rm -f "$dir/extensions" "$dir/request"
}

issue() { # issue KIND NAME [MORE ...]
    kind=$1 name=$2
    shift 2
    name_ok "$name"
    for more in "$@"; do name_ok "$more"; done
    [ -e "$dir/private/ca.key" ] || fail "$dir has no authority: certificates.sh authority $dir"
    [ ! -e "$dir/issued/$name.kind" ] || fail "there is a certificate for $name already (renew, or revoke it)"
    { echo "$kind"; [ "$kind" != server ] || echo "$name"; for more in "$@"; do echo "$more"; done; } > "$dir/issued/$name.kind"
    sign "$name"
}

names() { for k in "$dir"/issued/*.kind; do [ -e "$k" ] && basename "$k" .kind; done; }

ends() { openssl x509 -noout -enddate -in "$1" | cut -d= -f2; }

case $verb in
authority) authority "$@" ;;
server | person) [ $# -ge 1 ] || usage
    [ "$verb" = server ] || [ $# -ge 2 ] || usage
    issue "$verb" "$@" ;;
gateway | centre) [ $# = 1 ] || usage
    issue "$verb" "$1" ;;
list)
    printf '%-10s %-24s %s\n' authority - "until $(ends "$dir/ca.pem")"
    for name in $(names); do
        printf '%-10s %-24s %s\n' "$(head -n 1 "$dir/issued/$name.kind")" "$name" "until $(ends "$dir/issued/$name.pem")"
    done ;;
renew)
    seconds=$((${1:-30} * 86400))
    openssl x509 -checkend "$seconds" -noout -in "$dir/ca.pem" > /dev/null ||
        echo "The authority itself ends on $(ends "$dir/ca.pem"): make another one in time, and have both in ca.pem for a while." >&2
    for name in $(names); do
        openssl x509 -checkend "$seconds" -noout -in "$dir/issued/$name.pem" > /dev/null && continue
        sign "$name"
        echo "$name is renewed, until $(ends "$dir/issued/$name.pem")"
    done
    revocations ;;
revoke) [ $# = 1 ] || usage
    name_ok "$1"
    [ -e "$dir/issued/$1.pem" ] || fail "there is no certificate for $1"
    quietly ca -config "$dir/ca.cnf" -revoke "$dir/issued/$1.pem"
    for end in pem key kind; do mv "$dir/issued/$1.$end" "$dir/old/$1.revoked-$(date -u +%Y%m%dT%H%M%SZ).$end"; done
    revocations
    echo "$1 is revoked; copy $dir/crl.pem to each broker and reload it (SIGHUP)." ;;
*) usage ;;
esac
rm -f "$dir/openssl.log"
