#!/bin/sh
# The Debian package. Built twice, in two directories, at two times and in two time zones, it is the same, byte for byte; lintian has no
# error and no warning; its programs are hardened. Installed over an invented older one into a system that systemd boots (in a container of its
# own, without network), started there, polled, its sandbox looked at, killed, reloaded, upgraded, removed, purged: package_inside.inc.
#
# The system is a minimal Debian of debootstrap where $FORETRIP_ROOT (or ~/.cache/foretrip/root) has one, made by
# deploy/bootstrap-root.sh; elsewhere this machine's own files under an overlay, in which nothing of the machine is changed.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
inside=$dir/inside
skip() { echo "$1"; exit 77; }
case $b in *sanitize*) skip "the package has programs of its own, without a sanitizer" ;; esac
[ "$(id -u)" = 0 ] || skip "only root can boot a system in a container"

# ---- the package
one=$dir/one two=$dir/another/place
export DEB_BUILD_OPTIONS=noautodbgsym
make -s deb B="$b" DEB="$one" > "$dir/deb.log" 2>&1 || fail "make deb"
(umask 077 && mkdir -p "$two" && export TZ=Pacific/Auckland LC_ALL=C && make -s deb B="$b" DEB="$two") > "$dir/deb2.log" 2>&1 || fail "the second make deb"
deb=$(echo "$one"/foretrip_*.deb)
name=$(basename "$deb")
fleet=$(echo "$one"/foretrip-fleet_*.deb)
for d in "$deb" "$fleet"; do
    cmp "$d" "$two/$(basename "$d")" || fail "the same source does not give the same $(basename "$d")"
done
grep -E "warning|undefined reference" "$one/build.log" && fail "the build warns"
lintian --fail-on error,warning "$deb" "$fleet" > "$dir/lintian.log" 2>&1 || fail "lintian finds something"
dpkg-deb -x "$deb" "$dir/files"
dpkg-deb -x "$fleet" "$dir/files"
for p in usr/sbin/foretripd usr/bin/foretrip usr/bin/foretrip-house usr/bin/foretrip-fleet; do
    h=$(readelf -hldW "$dir/files/$p" && nm -D "$dir/files/$p")
    for sign in "Type:.*DYN" GNU_RELRO "BIND_NOW\|FLAGS.*NOW" "__stack_chk_fail" "__[a-z]*_chk"; do
        echo "$h" | grep -q "$sign" || fail "$p is not hardened: no $sign"
    done
    echo "$h" | grep -q "GNU_STACK.*RWE" && fail "$p has an executable stack"
done

# ---- an older one: a lower version, other conffiles
dpkg-deb -R "$deb" "$dir/old"
sed -i 's/^Version: .*/Version: 0.0.9/' "$dir/old/DEBIAN/control"
for f in rules record; do echo "# of an older version" >> "$dir/old/etc/foretrip/$f.cfg"; done
mkdir "$inside"
(cd "$dir/old" && find . -type f ! -path './DEBIAN/*' -printf '%P\0' | xargs -0 md5sum > DEBIAN/md5sums)
dpkg-deb -b "$dir/old" "$inside/old.deb" > /dev/null || fail "the older package"
cp "$deb" "$inside/new.deb"
cp "$fleet" "$inside/fleet.deb"
cp tests/peer/package_inside.inc "$inside/"
# a record as the first version wrote it, by the text that the unit test keeps
/usr/bin/python3 - "$inside/old.db" << 'EOT' || fail "the record of the first version"
import re, sqlite3, sys
text = open("tests/unit/test_store_versions.c").read()
text = text[text.index("version_1[]"):text.index(";\n\n", text.index("version_1[]"))]
db = sqlite3.connect(sys.argv[1])
db.executescript("".join(re.findall(r'"((?:[^"\\]|\\.)*)"', text)))
db.execute("INSERT INTO events (wall_ms, type, json) VALUES (1763000000000, 'note', ?)",
           ('{"type":"note","at":"2025-11-13T02:13:20.000Z","text":"of the first version"}',))
db.execute("PRAGMA user_version = 1")
db.commit()
EOT

# ---- the system
for tool in systemd-nspawn unshare; do command -v $tool > /dev/null || skip "$tool is not there: the package was built and looked at, not installed"; done
lower=${FORETRIP_ROOT:-${HOME:-/root}/.cache/foretrip/root}
boot=-b
if [ -d "$lower/usr" ]; then
    echo "in a root of debootstrap"
else
    lower=/
    echo "under an overlay over this machine's own files"
    [ -x /lib/systemd/systemd ] || skip "this machine has no systemd to boot: the package was built and looked at, not installed"
fi
root=$dir/root
mkdir "$dir/upper" "$dir/work" "$root"
# nobody else sees the mount, and it ends with the process that made it
cat > "$dir/boot.sh" << EOT
mount -t tmpfs tmpfs "$dir/upper" && mkdir "$dir/upper/u" "$dir/upper/w" || exit 99
mount -t overlay overlay -o lowerdir=$lower,upperdir=$dir/upper/u,workdir=$dir/upper/w "$root" || exit 99
unit=$root/etc/systemd/system
mkdir -p "\$unit" "$root/x" && rm -rf "\$unit"/*.wants "$root/etc/foretrip" "$root/var/lib/foretrip"
rm -f "$root/etc/fstab" "$root/usr/sbin/policy-rc.d" "\$unit/default.target"
cat > "\$unit/inside.target" << EOU
[Unit]
Requires=basic.target
After=basic.target
Wants=inside.service
AllowIsolate=yes
EOU
cat > "\$unit/inside.service" << EOU
[Unit]
After=basic.target
[Service]
ExecStart=/bin/bash /x/package_inside.inc
EOU
# one hierarchy of cgroups, and bpf(2) let through: then the service manager can have the kernel hold ports and devices
export SYSTEMD_NSPAWN_UNIFIED_HIERARCHY=1
exec systemd-nspawn -q -M foretrip-$$ -D "$root" --register=no --keep-unit --private-network --system-call-filter=bpf \
    --capability=CAP_BPF,CAP_NET_ADMIN,CAP_PERFMON --bind="$inside:/x" $boot systemd.unit=inside.target
EOT
timeout -k 10 240 unshare -m --propagation private sh "$dir/boot.sh" > "$dir/console.log" 2>&1 < /dev/null
rc=$?
if [ ! -e "$inside/log" ]; then
    [ $rc = 99 ] && skip "this machine lets nobody mount: the package was built and looked at, not installed"
    [ $rc = 124 ] && fail "the system did not come up"
    tail -n 3 "$dir/console.log"
    skip "systemd-nspawn cannot boot here ($(tail -n 1 "$dir/console.log")): the package was built and looked at, not installed"
fi
cp "$inside/log" "$dir/inside.log"
cat "$inside/log"
[ "$(cat "$inside/result" 2>&1)" = passed ] || fail "$(cat "$inside/result" 2>&1)"
exit 0
