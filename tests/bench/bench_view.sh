#!/bin/sh
# The first view in a real browser: 84 circuits and their history, every time with nothing kept from before:
# bench_view.sh BUILD. The record is bench_page's (FORETRIP_BENCH_DAYS, FORETRIP_BENCH_RECORD).
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/browser/browser.inc
start view "$b/tests/bench/bench_page" serve
until_true 3600 grep -q '^port ' "$dir/view.log" || fail "the page is not served"
cp tests/bench/view.mjs "$out/"
node "$out/view.mjs" "http://127.0.0.1:$(sed -n 's/^port //p' "$dir/view.log")" "$browser" || fail "the browser"
