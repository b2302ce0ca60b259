#!/bin/sh
# What `make install` brings: every program, a manual page for each verb, completion that knows the verbs and their options, a unit
# that systemd takes, whose exposure by its own reckoning is below 1.5, rules for users and directories that it takes too.
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
. tests/lib.sh
root=$dir/root
make -s install B="$b" DESTDIR="$root" PREFIX=/usr > "$dir/make.log" 2>&1 || fail "make install"

for f in usr/sbin/foretripd usr/bin/foretrip usr/bin/foretrip-house usr/bin/foretrip-fleet; do
    [ -x "$root/$f" ] || fail "$f is not installed"
    "$root/$f" --help > /dev/null || fail "$f does not run"
done
for f in usr/lib/sysusers.d/foretrip-fleet.conf usr/lib/tmpfiles.d/foretrip-fleet.conf usr/share/doc/foretrip/examples/centre/fleet.cfg \
    usr/lib/sysusers.d/foretrip.conf usr/lib/tmpfiles.d/foretrip.conf usr/lib/udev/rules.d/61-foretrip-serial.rules \
    usr/share/foretrip/rules.cfg usr/share/foretrip/broker/certificates.sh usr/share/foretrip/maps/branch-meter-42.cfg usr/share/man/man8/foretripd.8 \
    usr/share/doc/foretrip/examples/example/site.cfg usr/share/doc/foretrip/examples/demo/house.cfg usr/share/doc/foretrip/security.md; do
    [ -s "$root/$f" ] || fail "$f is not installed"
done
"$root/usr/bin/foretrip" check --config "$root/usr/share/doc/foretrip/examples/example" > "$dir/check.log" 2>&1 || fail "the installed example is faulty"

# a page for each verb, and each named in foretrip(1)
verbs=$("$root/usr/bin/foretrip" help | sed -n 's/^  \([a-z][a-z-]*\)  .*/\1/p')
[ "$(echo "$verbs" | wc -l)" -ge 20 ] || fail "the help lists no verbs"
for verb in $verbs; do
    [ -s "$root/usr/share/man/man1/foretrip-$verb.1" ] || fail "foretrip-$verb has no manual page"
    grep -q "foretrip.-$(echo "$verb" | sed 's/-/.-/g') (1)" "$root/usr/share/man/man1/foretrip.1" || fail "foretrip(1) does not name $verb"
done

# the completion, asked as bash asks it
complete() { # complete WORD...: what is offered for the last word, one a line
    PATH=$root/usr/bin:$root/usr/sbin:$PATH bash --norc -c '
        . "$0" && COMP_WORDS=("$@") && COMP_CWORD=$(($# - 1)) && compopt() { :; }
        "_${1//-/_}" "$1" && printf "%s\n" "${COMPREPLY[@]}"' "$root/usr/share/bash-completion/completions/foretrip" "$@"
}
[ "$(complete foretrip ack)" = acknowledge ] || fail "no completion of a verb"
complete foretrip "" | grep -qx "send-test" || fail "not every verb is offered"
[ "$(complete foretrip history --pl)" = "--plot" ] || fail "no completion of a verb's option"
[ "$(complete foretrip help ver)" = verify ] || fail "no completion after help"
complete foretripd "--" | grep -qx -- --metrics || fail "no completion of the daemon's options"
mkdir "$dir/here"
(cd "$dir" && complete foretrip check --config he) | grep -qx here || fail "no completion of a directory"

# the units
command -v systemd-analyze > /dev/null || { echo "systemd-analyze is not there: the units are not looked at"; exit 77; }
for unit in foretripd foretrip-fleet foretrip-fleet-page; do
    file=$root/usr/lib/systemd/system/$unit.service
    sed "s|=/usr/|=$root/usr/|" "$file" > "$dir/$unit.service" # verify looks for the program
    systemd-analyze verify --man=no --recursive-errors=no "$dir/$unit.service" > "$dir/verify.log" 2>&1 || fail "systemd does not take $unit"
    [ -s "$dir/verify.log" ] && fail "systemd finds something in $unit"
    systemd-analyze security --offline=yes --threshold=14 --no-pager "$file" > "$dir/security.log" 2>&1 || fail "the exposure of $unit is above 1.4"
    exposure=$(sed -n 's/.*Overall exposure level.*: \([0-9.]*\) .*/\1/p' "$dir/security.log")
    [ -n "$exposure" ] || fail "no exposure is said"
    echo "$unit: exposure $exposure"
    # without its walls the same unit is not below: the reckoning can fail
    grep -v "^SystemCallFilter\|^CapabilityBoundingSet\|^Protect\|^Restrict" "$file" > "$dir/bare.service"
    systemd-analyze security --offline=yes --threshold=14 --no-pager "$dir/bare.service" > /dev/null 2>&1 && fail "any unit passes"
done

# its user and directories
mkdir "$root/etc"
systemd-sysusers --root="$root" > "$dir/users.log" 2>&1 || fail "systemd-sysusers"
grep -q "^foretrip-fleet:.*:/var/lib/foretrip-fleet:" "$root/etc/passwd" || fail "the centre's user is not made"
grep -q "^foretrip:.*:/var/lib/foretrip:" "$root/etc/passwd" && grep -q "^dialout:.*foretrip" "$root/etc/group" || fail "the user is not made"
if [ "$(id -u)" = 0 ]; then
    mkdir -p "$root/var/lib"
    systemd-tmpfiles --root="$root" --create foretrip.conf foretrip-fleet.conf > "$dir/tmpfiles.log" 2>&1 || fail "systemd-tmpfiles"
    [ "$(stat -c %a:%U "$root/etc/foretrip")" = "750:root" ] || fail "the configuration's directory is not private"
    [ "$(stat -c %a:%U "$root/etc/foretrip-fleet")" = "750:root" ] || fail "the centre's configuration is not private"
    [ "$(stat -c %u "$root/var/lib/foretrip")" = "$(sed -n 's/^foretrip:[^:]*:\([0-9]*\):.*/\1/p' "$root/etc/passwd")" ] || fail "the record's directory is not the user's"
fi
exit 0
