#!/bin/sh
# Makes a minimal Debian root with everything the packages depend on, without the packages, for tests/peer/package.sh:
# bootstrap-root.sh DIRECTORY PACKAGE.deb... . Debian and mirror are this machine's own; it takes some minutes and 500 MB.
set -eu
root=$1
shift
[ "$(id -u)" = 0 ] || { echo "bootstrap-root.sh: only root can" >&2; exit 1; }
suite=$(. /etc/os-release && echo "$VERSION_CODENAME")
mirror=$(apt-get indextargets --format '$(REPO_URI) $(CODENAME)' | awk -v suite="$suite" '$2 == suite { print $1; exit }')
part=$root.part
rm -rf "$part"
mkdir -p "$(dirname "$root")"
debootstrap --variant=minbase --include=systemd,systemd-sysv,mosquitto "$suite" "$part" "$mirror"
mkdir "$part/packages"
cp "$@" "$part/packages/"
mount -t proc proc "$part/proc"
trap 'umount "$part/proc"' EXIT
DEBIAN_FRONTEND=noninteractive chroot "$part" sh -c 'apt-get update -q && apt-get install -y -q --no-install-recommends /packages/*.deb &&
    dpkg --purge foretrip foretrip-fleet && rm -r /packages && apt-get clean'
umount "$part/proc"
trap - EXIT
mv "$part" "$root"
