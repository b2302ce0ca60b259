#!/bin/sh
# The page by HTTPS: with its certificate it answers by TLS 1.2 and on and by nothing else; with a key that is not
# the certificate's, or a port that is taken, no page is served, that is said, and the watching goes on.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
page=$(free_port)
demo_site "$(free_port)" 1
rm "$dir/site/delivery.cfg"
for name in one two; do
    openssl req -x509 -newkey rsa:2048 -nodes -keyout "$dir/site/$name.key" -out "$dir/site/$name.pem" -days 2 -subj /CN=localhost 2> /dev/null ||
        fail "openssl makes no certificate"
    chmod 640 "$dir/site/$name.key"
done
settings() { # settings CERT KEY
    echo "page = { port = $page; tls = { cert = \"$1\"; key = \"$2\"; }; };" > "$dir/site/page.cfg"
}
get() { # get URL ARGUMENTS OF THE CONTEXT
    /usr/bin/python3 -c '
import ssl, sys, urllib.request
c = ssl.create_default_context(cafile=sys.argv[2])
c.check_hostname = False
if len(sys.argv) > 3:
    c.minimum_version = c.maximum_version = getattr(ssl.TLSVersion, sys.argv[3])
print(urllib.request.urlopen(sys.argv[1], timeout=10, context=c).read().decode())' "$@"
}

settings one.pem one.key
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
gateway=$started
until_true 20 listening "$page" || fail "the page is not served"
get "https://127.0.0.1:$page/api/v1/status" "$dir/site/one.pem" | grep -q '"site":"alder-31"' || fail "no answer by HTTPS"
get "https://127.0.0.1:$page/api/v1/status" "$dir/site/one.pem" TLSv1_3 | grep -q alder-31 || fail "no answer by TLS 1.3"
get "https://127.0.0.1:$page/" "$dir/site/one.pem" TLSv1_1 2> /dev/null && fail "it answers by TLS 1.1"
get "http://127.0.0.1:$page/" "$dir/site/one.pem" 2> /dev/null && fail "it answers in the clear"
grep -q "served at https://127.0.0.1:$page/" "$dir/gateway.log" || fail "the log does not say where"

# a second gateway at the same port has no page, and watches all the same
start second "$b/foretripd" --config "$dir/site" --state "$dir/state2"
until_true 20 grep -q "watching 23 circuits" "$dir/second.log" || fail "the second gateway does not watch"
until_true 20 grep -q "no page is served" "$dir/second.log" || fail "a port that is taken is not said"
kill "$gateway"
wait "$gateway"

settings one.pem two.key
start wrong "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 20 grep -q "watching 23 circuits" "$dir/wrong.log" || fail "with a wrong key the gateway does not watch"
until_true 20 grep -q "is the certificate one, and the key its key" "$dir/wrong.log" || fail "a wrong key is not said"
exit 0
