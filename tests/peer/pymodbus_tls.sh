#!/bin/sh
# Modbus/TCP Security: pymodbus behind Python's ssl with certificates made by openssl, both sides checked. Every value read must be the
# one held; without our certificate, with another authority, another name or no TLS at all nothing is read, and it is said why.
set -u
. "$(dirname "$0")/pymodbus.inc"
command -v openssl > /dev/null || { echo "openssl is not installed"; exit 77; }
keys=$work/keys
mkdir -p "$work/config" "$keys"
authority() { # authority NAME
    openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj "/CN=$1" -keyout "$keys/$1.key" -out "$keys/$1.pem"
}
signed() { # signed NAME SUBJECT-ALTERNATIVE-NAME
    openssl req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -subj "/CN=$1" -keyout "$keys/$1.key" -out "$keys/$1.csr" &&
        echo "subjectAltName = $2" > "$keys/$1.ext" &&
        openssl x509 -req -days 2 -in "$keys/$1.csr" -CA "$keys/ca.pem" -CAkey "$keys/ca.key" -CAcreateserial -extfile "$keys/$1.ext" -out "$keys/$1.pem"
}
{ authority ca && authority other && signed meter "IP:127.0.0.1, DNS:meter.test" && signed gateway DNS:gateway.test; } > "$work/openssl.log" 2>&1 ||
    { cat "$work/openssl.log"; exit 1; }
serve tls "$keys"
compare_all
site=$work/config/site.cfg
cp "$site" "$work/good.cfg"
refused() { # refused WHY SED-COMMAND
    sed "$2" "$work/good.cfg" > "$site"
    if "$b/foretrip" read m1 --config "$work/config" > "$work/read" 2> "$work/said"; then
        echo "read although: $1"
        exit 1
    fi
    grep -q "$1" "$work/said" || { echo "not said: $1"; cat "$work/said"; exit 1; }
    [ ! -s "$work/read" ] || { echo "values although: $1"; exit 1; }
}
refused 'the certificate is not to be trusted' 's|/ca.pem|/other.pem|'
refused 'the certificate is not to be trusted (IP address mismatch\|hostname mismatch)' 's|tls = {|tls = { name = "another.test";|'
refused 'TLS: cannot use the authority in .*/none.pem' 's|/ca.pem|/none.pem|'
refused 'TLS: cannot use the key in .*other.key' 's|/gateway.key|/other.key|'
refused 'connection lost' 's|cert = [^;]*; key = [^;]*;||' # the meter wants to know who asks
# a name that is in the certificate, though the host is an address
sed 's|tls = {|tls = { name = "meter.test";|' "$work/good.cfg" > "$site"
"$b/foretrip" read m1 --config "$work/config" > "$work/read" || { echo "the name of the certificate was refused"; exit 1; }
# the same port in the clear, and TLS where there is none
sed 's| tls = {[^}]*};||' "$work/good.cfg" > "$site"
"$b/foretrip" read m1 --config "$work/config" > "$work/read" 2>&1 && { echo "read in the clear"; exit 1; }
kill "$!" 2>/dev/null
echo "pymodbus inside TLS: all meters read, and none without trust"
