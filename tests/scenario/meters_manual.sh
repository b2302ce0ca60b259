#!/bin/sh
# What docs/meters.md shows works: its example map passes the check and reads as the manual it was written from says;
# every map it lists is shipped, and every shipped one is listed. meters_manual.sh BUILD
set -u
cd "$(dirname "$0")/../.." || exit 1
b=$1
page=docs/meters.md
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
fail() { echo "$1"; exit 1; }
mkdir -p "$dir/maps"
# the block between ```cfg and ``` that holds "Cellar"
awk '/^```cfg/ { block = ""; inside = 1; next } /^```/ { if (inside && block ~ /Cellar, 12/) printf "%s", block; inside = 0 }
     inside { block = block $0 "\n" }' "$page" > "$dir/maps/cellar.cfg"
[ -s "$dir/maps/cellar.cfg" ] || fail "the example map was not found in $page"
cat > "$dir/site.cfg" << 'CFG'
site = { id = "docs"; name = "Docs"; timezone = "UTC"; standard = "UL489"; nominal_volts = 120.0; };
panels = ( { id = "main"; name = "Main"; legs = 2; rating_amps = 100; } );
buses = ( { id = "lan"; host = "127.0.0.1"; port = 1502; } );
meters = ( { id = "m"; bus = "lan"; unit = 1; map = "cellar"; panel = "main"; } );
circuits = ( { id = "c12"; panel = "main"; position = "12"; name = "c"; leg = "A"; breaker_amps = 20; meter = "m"; channels = [ 12 ]; } );
CFG
"$b/foretrip" check --config "$dir" > "$dir/said" || { cat "$dir/said"; exit 1; }
sed -i 's/channels = \[ 12 \]/channels = [ 13 ]/' "$dir/site.cfg"
"$b/foretrip" check --config "$dir" > "$dir/said" && fail "a channel that the map has not got was taken"
grep -q 'channel 13: map "cellar" of meter "m" has the channels 1 to 12' "$dir/said" || { cat "$dir/said"; exit 1; }
for map in config/maps/*.cfg; do
    id=$(basename "$map" .cfg)
    grep -q "\`$id\`\|map = \"$id\"" "$page" || fail "$page does not tell of the map $id"
done
for id in $(grep -o '^| `[a-z0-9-]*`' "$page" | tr -d '|` '); do
    case $id in does | exception) continue ;; esac
    [ -f "config/maps/$id.cfg" ] || fail "$page lists the map $id, which is not shipped"
done
# the rule that the page names is there and holds no name of a maker: by serial number or port alone
grep -q 'deploy/61-foretrip-serial.rules' "$page" && [ -f deploy/61-foretrip-serial.rules ] || fail "the udev rule"
! grep -q 'idVendor\|idProduct' deploy/61-foretrip-serial.rules || fail "the udev rule is for every adapter"
echo "docs/meters.md: its example is taken, $(ls config/maps | wc -l) maps are listed"
