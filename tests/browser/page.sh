#!/bin/sh
# The page in a real browser, with a running gateway and a simulated house: page.sh BUILD. Screenshots and the
# printed sheet stay in BUILD/tests/browser.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
command -v node >/dev/null || { echo "node is not there"; exit 77; }
browser=$(command -v chromium || command -v chromium-browser) || { echo "chromium is not there"; exit 77; }
out=$b/tests/browser
mkdir -p "$out"
node tests/browser/words.mjs || exit 1
if ! cmp -s tests/browser/package-lock.json "$out/package-lock.json" || [ ! -d "$out/node_modules" ]; then
    command -v npm >/dev/null || { echo "npm is not there"; exit 77; }
    cp tests/browser/package.json tests/browser/package-lock.json "$out/"
    (cd "$out" && npm ci --ignore-scripts --no-audit --no-fund --silent) > "$out/npm.log" 2>&1 ||
        { rm -f "$out/package-lock.json"; echo "npm could not fetch what the browser tests need ($(tail -n 1 "$out/npm.log"))"; exit 77; }
fi
. tests/lib.sh
meter=$(free_port)
page=$(free_port)
demo_site "$meter" 1
rm "$dir/site/delivery.cfg"
echo "page = { port = $page; };" > "$dir/site/page.cfg"
start house "$b/foretrip-house" --config "$dir/site" --house "$dir/site/house.cfg" --tcp "127.0.0.1:$meter"
until_true 10 listening "$meter" || fail "the house does not listen"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
gateway=$started
until_true 20 listening "$page" || fail "the page is not served"
cp tests/browser/page.mjs "$out/page.mjs"
node "$out/page.mjs" "http://127.0.0.1:$page" "$browser" "$out" "$gateway" || fail "the page in a browser"
