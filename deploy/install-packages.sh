#!/bin/sh
# Installs the packages of deploy/packages.txt that are missing, through sudo when not root, and
# says what it does. Does nothing, and says nothing, when all are there.
set -eu
list=$(dirname "$0")/packages.txt
missing=
for line in $(grep -v '^#' "$list"); do
    p=${line%/*}
    [ "$p" = "$line" ] || ! command -v "${line#*/}" >/dev/null || continue
    dpkg-query -W -f '${db:Status-Abbrev}' "$p" 2>/dev/null | grep -q '^ii' || missing="$missing $p"
done
[ -n "$missing" ] || exit 0
as_root=
if [ "$(id -u)" != 0 ]; then
    command -v sudo >/dev/null || { echo "Missing packages:$missing. Install them as root, then come back." >&2; exit 1; }
    as_root=sudo
fi
echo "Installing what is missing:$missing"
export DEBIAN_FRONTEND=noninteractive
$as_root apt-get update -q >/dev/null || echo "(the package lists could not be refreshed; trying with those at hand)"
# Brokers and databases are for tests, which start their own: none starts by itself because we installed it. policy-rc.d is
# Debian's own way to say so (invoke-rc.d(8)); one that is there already stays.
policy=/usr/sbin/policy-rc.d
if [ ! -e $policy ]; then
    trap '$as_root rm -f $policy' EXIT
    printf '#!/bin/sh\nexit 101\n' | $as_root tee $policy >/dev/null
    $as_root chmod 755 $policy
fi
# shellcheck disable=SC2086
$as_root apt-get -o DPkg::Lock::Timeout=300 install -y -q --no-install-recommends $missing >/dev/null
