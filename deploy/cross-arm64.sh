#!/bin/sh
# Builds for the small boxes (arm64) on another machine: cross-arm64.sh BUILD [MAKE-TARGET...], `all` when none is named.
# It wants Debian's cross compiler (crossbuild-essential-arm64) and the libraries of deploy/debian/control for arm64: those that are
# installed, and the others, which cannot stand beside the machine's own or were not installed, taken out of their packages into
# BUILD/root. Those are fetched by apt-get (after `dpkg --add-architecture arm64` and `apt-get update`), unless FETCH=no.
# Exit status 77: what it wants is not there, and it says what.
set -eu
cd "$(dirname "$0")/.."
b=$1
shift
cross=aarch64-linux-gnu
lack() { echo "no build for arm64: $1"; exit 77; }
command -v $cross-gcc > /dev/null || lack "there is no $cross-gcc (crossbuild-essential-arm64)"
mkdir -p "$b/root" "$b/packages"
root=$(cd "$b/root" && pwd)

fetch() { # fetch PACKAGE: its files into the root, and those of the library of the same version that it is for
    [ -f "$b/packages/$1" ] && return 0
    [ "${FETCH:-yes}" = yes ] || lack "the package $1:arm64 is not installed"
    into=$(mktemp -d)
    (cd "$into" && apt-get -q download "$1:arm64" > log 2>&1) || { cat "$into/log"; rm -rf "$into"; lack "$1:arm64 cannot be fetched"; }
    dpkg-deb -x "$into"/*.deb "$root"
    more=$(dpkg-deb -f "$into"/*.deb Depends | tr ',' '\n' | sed -n 's/^ *\(lib[a-z0-9.+-]*\) (= .*/\1/p')
    rm -rf "$into"
    for p in $more; do fetch "$p"; done
    : > "$b/packages/$1"
}
for p in $(sed -n 's/^ *\(lib[a-z0-9.+-]*-dev\),.*/\1/p; s/^Build-Depends:.* \(lib[a-z0-9.+-]*-dev\),.*/\1/p' deploy/debian/control) libcmocka-dev; do
    [ "$(dpkg-query -W -f '${db:Status-Status}' "$p:arm64" 2> /dev/null)" = installed ] || fetch "$p"
done

libraries=$root/usr/lib/$cross
cat > "$b/pkg-config" << EOT
#!/bin/sh
PKG_CONFIG_LIBDIR=/usr/lib/$cross/pkgconfig:$libraries/pkgconfig:/usr/share/pkgconfig exec pkg-config "\$@"
EOT
chmod 755 "$b/pkg-config"
unset MAKEFLAGS MAKELEVEL MFLAGS
exec make -s B="$b" AR=$cross-ar PKG_CONFIG="$b/pkg-config" \
    CC="$(command -v ccache || :) $cross-gcc -I$root/usr/include -L$libraries -Wl,-rpath-link,$libraries:/usr/lib/$cross" "${@:-all}"
