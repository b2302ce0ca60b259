#!/bin/sh
# Makes the Debian package of this source tree in a copy of it: make-deb.sh BUILD OUTPUT [dpkg-buildpackage's arguments].
# The copy has no build directories and no version control in it, and the page's chart library as BUILD has it, so that the build itself
# reaches for nothing. The same source gives the same package, byte for byte: its time is that of the changelog.
set -eu
cd "$(dirname "$0")/.."
b=$1 out=$2
shift 2
unset MAKEFLAGS MAKELEVEL MFLAGS B DEB DEB_ARGS SAN OPT PREFIX DESTDIR # what was asked of our make is not asked of the package's
version=$(sed -n 's/^VERSION *:= *//p' Makefile)
changelog=$(sed -n '1s/.*(\(.*\)).*/\1/p' deploy/debian/changelog)
[ "$version" = "$changelog" ] || {
    echo "make-deb.sh: the Makefile says version $version, deploy/debian/changelog says $changelog" >&2
    exit 1
}
mkdir -p "$out"
out=$(cd "$out" && pwd)
tree=$out/foretrip-$version
rm -rf "$tree"
mkdir "$tree"
tar -cf - --exclude=./build --exclude='./build-*' --exclude=./.git --exclude=node_modules . | tar -xf - -C "$tree"
cp -RL deploy/debian "$tree/debian"
mkdir "$tree/deploy/chart"
for f in "$b/gen/uplot.js" "$b/gen/uplot.css"; do
    [ -f "$f" ] && cp "$f" "$tree/deploy/chart/"
done
cd "$tree"
dpkg-buildpackage --build=binary --no-sign "$@" > "$out/build.log" 2>&1 || {
    tail -n 30 "$out/build.log" >&2
    echo "make-deb.sh: the package was not built; all of it: $out/build.log" >&2
    exit 1
}
cd "$out"
rm -rf "$tree"
ls foretrip_"$version"_*.deb foretrip-fleet_"$version"_*.deb
