#!/bin/sh
# The way in, in a real browser: access.sh BUILD. By HTTPS with a certificate made here; screenshots stay in
# BUILD/tests/browser.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/browser/browser.inc
meter=$(free_port)
page=$(free_port)
demo_site "$meter" 1
openssl req -x509 -newkey rsa:2048 -nodes -keyout "$dir/site/page.key" -out "$dir/site/page.pem" -days 2 -subj /CN=localhost 2> /dev/null ||
    fail "openssl makes no certificate"
chmod 640 "$dir/site/page.key"
echo "page = { port = $page; login = true; tls = { cert = \"page.pem\"; key = \"page.key\"; }; };" > "$dir/site/page.cfg"
cat > "$dir/site/delivery.cfg" <<END
people = (
  { id = "ada"; name = "Ada Lind"; role = "administrator"; },
  { id = "kim"; name = "Kim Ito"; role = "resident"; },
  { id = "mo"; name = "Mo Diaz"; role = "manager"; } );
END
start_house "$meter"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 20 listening "$page" || fail "the page is not served"
code=$(sed -n 's/.*no administrator has a password yet.* gives \([0-9A-Z-]*\)$/\1/p' "$dir/gateway.log")
cp tests/browser/access.mjs tests/browser/person.mjs "$out/"
node "$out/access.mjs" "https://localhost:$page" "$browser" "$out" "$code" || fail "the way in, in a browser"
