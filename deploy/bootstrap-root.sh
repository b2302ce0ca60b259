#!/bin/sh
# Makes a minimal Debian root with everything the package depends on, without the package, for tests/peer/package.sh:
# bootstrap-root.sh PACKAGE.deb DIRECTORY. Debian and mirror are this machine's own; it takes some minutes and 500 MB.
set -eu
deb=$1 root=$2
[ "$(id -u)" = 0 ] || { echo "bootstrap-root.sh: only root can" >&2; exit 1; }
suite=$(. /etc/os-release && echo "$VERSION_CODENAME")
mirror=$(apt-get indextargets --format '$(REPO_URI) $(CODENAME)' | awk -v suite="$suite" '$2 == suite { print $1; exit }')
part=$root.part
rm -rf "$part"
mkdir -p "$(dirname "$root")"
debootstrap --variant=minbase --include=systemd,systemd-sysv,mosquitto "$suite" "$part" "$mirror"
cp "$deb" "$part/package.deb"
mount -t proc proc "$part/proc"
trap 'umount "$part/proc"' EXIT
DEBIAN_FRONTEND=noninteractive chroot "$part" sh -c 'apt-get update -q && apt-get install -y -q --no-install-recommends /package.deb &&
    dpkg --purge foretrip && rm /package.deb && apt-get clean'
umount "$part/proc"
trap - EXIT
mv "$part" "$root"
