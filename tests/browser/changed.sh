#!/bin/sh
# An alarm that comes to say something else while it stands, in a real browser: changed.sh BUILD. The gateway is a real
# one; what its stream says of one circuit is played, so that nobody has to wait for a breaker to be judged anew.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/browser/browser.inc
meter=$(free_port)
page=$(free_port)
demo_site "$meter" 1
rm "$dir/site/delivery.cfg"
echo "page = { port = $page; };" > "$dir/site/page.cfg"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
until_true 20 listening "$page" || fail "the page is not served"
cp tests/browser/changed.mjs tests/browser/person.mjs "$out/"
node "$out/changed.mjs" "http://127.0.0.1:$page" "$browser" "$out" || fail "an alarm that changes in a browser"
