#!/bin/sh
# foretrip-house's manual page names every option and every key of the house's file. house_manual.sh BUILD
set -u
cd "$(dirname "$0")/../.." || exit 1
page=docs/man/foretrip-house.1
rc=0
plain=$(sed 's/\\-/-/g' "$page")
options=$("$1/foretrip-house" --help | sed -n 's/^  \(--[a-z-]*\).*/\1/p')
keys=$(sed -n 's/^ *{"\([a-z_]*\)", [A-Z]*, [HLBS](.*/\1/p' drivers/simulated/house_file.c | sort -u)
[ "$(echo "$options" | wc -l)" -ge 15 ] && [ "$(echo "$keys" | wc -l)" -ge 35 ] || { echo "found too few to check"; exit 1; }
for word in $options $keys; do
    echo "$plain" | grep -qw -- "$word" || { echo "$page does not name $word"; rc=1; }
done
exit $rc
