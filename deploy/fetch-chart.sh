#!/bin/sh
# Fetches the chart library of the page, at the version that gateway/web/package-lock.json pins, and
# puts uplot.js and uplot.css into a directory. Where npm is not there, or reaches nothing, it says so
# and puts nothing there: the page is then built without charts. A source tree that has them in deploy/chart, as that of a package,
# takes them from there and reaches for nothing. fetch-chart.sh DIRECTORY
set -eu
out=$1
rm -f "$out/uplot.js" "$out/uplot.css"
without() {
    echo "$1: the page is built without its charts (tables stand in for them)" >&2
    exit 0
}
if [ -d deploy/chart ]; then
    [ -f deploy/chart/uplot.js ] || without "deploy/chart is empty"
    cp deploy/chart/uplot.js deploy/chart/uplot.css "$out/"
    exit 0
fi
command -v npm >/dev/null || without "npm is not there"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cp gateway/web/package.json gateway/web/package-lock.json "$work/"
(cd "$work" && npm ci --ignore-scripts --no-audit --no-fund --silent) > "$work/log" 2>&1 ||
    without "npm could not fetch the chart library ($(tail -n 1 "$work/log"))"
cp "$work/node_modules/uplot/dist/uPlot.esm.js" "$out/uplot.js"
cp "$work/node_modules/uplot/dist/uPlot.min.css" "$out/uplot.css"
