#!/bin/sh
# The page in a real browser, with a running gateway and a simulated house: page.sh BUILD. Screenshots and the
# printed sheet stay in BUILD/tests/browser.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/browser/browser.inc
node tests/browser/words.mjs || exit 1
meter=$(free_port)
page=$(free_port)
demo_site "$meter" 1
rm "$dir/site/delivery.cfg"
echo "page = { port = $page; };" > "$dir/site/page.cfg"
start_house "$meter"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
gateway=$started
until_true 20 listening "$page" || fail "the page is not served"
# everything that a browser can be given, as it goes over the wire
/usr/bin/python3 - "http://127.0.0.1:$page" gateway/web/pages/* uplot.js uplot.css << 'END' || fail "the page is too large"
import os, sys, urllib.error, urllib.request
total = 0
for name in map(os.path.basename, sys.argv[2:]):
    path = "/" if name == "index.html" else "/" + name
    try:
        r = urllib.request.urlopen(urllib.request.Request(sys.argv[1] + path, headers={"Accept-Encoding": "gzip"}), timeout=10)
    except urllib.error.HTTPError:
        if not name.startswith("uplot"): # built without npm
            raise
        continue
    total += len(r.read())
print(f"the whole page, compressed: {total} bytes")
sys.exit(total >= 150000 or total < 30000)
END
cp tests/browser/page.mjs tests/browser/person.mjs "$out/"
node "$out/page.mjs" "http://127.0.0.1:$page" "$browser" "$out" "$gateway" || fail "the page in a browser"
