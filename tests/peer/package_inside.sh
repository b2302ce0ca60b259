#!/bin/bash
# The part of package.sh that runs inside, as a service of the booted system: /x holds the packages old.deb and new.deb, the record of
# version 1 old.db, and takes the result. Each step is named; the first that fails ends it.
exec > /x/log 2>&1
step=
ok() { step=$1; echo "== $1"; }
end() {
    echo "$1" > /x/result
    systemctl --no-block poweroff
    exit 0
}
must() { "$@" || { echo "--- $*"; systemctl status --no-pager foretripd; journalctl --no-pager -n 40; end "failed: $step: $*"; }; }
mustnot() { if "$@"; then end "failed: $step: should not hold: $*"; fi; }
within() { # within SECONDS COMMAND...
    local deadline=$((SECONDS + $1))
    shift
    until "$@" > /dev/null 2>&1; do
        [ $SECONDS -lt $deadline ] || { must "$@"; return; }
        sleep 0.2
    done
}
status() { foretrip status --json | tr -d ' "\n' | grep -oE "$1:[^,}]*" | head -n 1 | cut -d: -f2; } # a member of foretrip status
pid() { systemctl show -p MainPID --value foretripd; }
frames() { [ "$(status frames)" -ge "$1" ]; }
get() { # get PATH: from the page
    exec 3<> /dev/tcp/127.0.0.1/8474 && printf 'GET %s HTTP/1.0\r\nHost: 127.0.0.1:8474\r\n\r\n' "$1" >&3 && cat <&3
}
answers() { get "$1" | grep -q "$2"; }
process() { grep -q "$1" "/proc/$(pid)/status"; }
conf=/etc/foretrip db=/var/lib/foretrip/foretrip.db
export DEBIAN_FRONTEND=noninteractive

ok "install"
must dpkg -i /x/old.deb
must id foretrip
must grep -q '^dialout:.*foretrip' /etc/group
must [ "$(stat -c %a:%U:%G $conf)" = 750:root:foretrip ]
must [ "$(stat -c %a:%U:%G /var/lib/foretrip)" = 750:foretrip:foretrip ]
must systemctl is-enabled --quiet foretripd
mustnot systemctl is-active --quiet foretripd # no site.cfg yet: it waits, and nothing has failed
mustnot systemctl is-failed --quiet foretripd

ok "start on a record of the first version"
cp /usr/share/doc/foretrip/examples/demo/site.cfg /usr/share/doc/foretrip/examples/demo/house.cfg $conf/
systemd-run --quiet --unit=house foretrip-house --config $conf --house $conf/house.cfg --tcp 127.0.0.1:1502
install -o foretrip -g foretrip -m 600 /x/old.db $db
echo '# edited by hand' >> $conf/page.cfg
echo '# edited by hand' >> $conf/record.cfg
must systemctl start foretripd
within 30 frames 3
within 20 answers /api/v1/status '"site":"alder-31"'
must answers /api/v1/circuits '"circuit":"' # polled: how each stands
must answers "/api/v1/events?after=0&most=5" 'of the first version'

ok "status and doctor"
must foretrip status
must foretrip doctor # no error
must eval 'foretrip doctor | grep -q "^good *permissions .*the user foretrip may"'
must eval 'foretrip doctor | grep -q "^good *meter .*all 2 answer"'
chmod 600 $conf/tariff.cfg
must eval 'foretrip doctor | grep -q "^error *permissions .*tariff.cfg cannot be read by the gateway.s user foretrip"'
chmod 644 $conf/tariff.cfg

ok "the walls"
must process '^NoNewPrivs:.*1$'
must process '^Seccomp:.*2$'
must process '^CapEff:.*0000000000000000$'
must process "^Uid:[[:space:]]*$(id -u foretrip)[[:space:]]"
entry=$(journalctl -u foretripd -o json --no-pager FORETRIP_PART=gateway | tail -n 1)
must grep -q '"MESSAGE":"gateway: watching 23 circuits' <<< "$entry"
must grep -q '"PRIORITY":"6"' <<< "$entry"
inside() { nsenter -t "$(pid)" -m -U -S "$(id -u foretrip)" -G "$(id -g foretrip)" -- "$@" 2> /dev/null; } # in its namespaces
mustnot inside touch /etc/foretrip/x
mustnot inside touch /usr/x
mustnot inside ls /home
mustnot inside /bin/true # nothing but itself may be executed

ok "killed, it comes again"
before=$(pid)
kill -KILL "$before"
within 30 eval '[ "$(pid)" != 0 ] && [ "$(pid)" != '"$before"' ] && systemctl is-active --quiet foretripd'
within 30 frames 3

ok "stuck, the watchdog ends it and it comes again"
drop=/run/systemd/system/foretripd.service.d
mkdir -p $drop && printf '[Service]\nWatchdogSec=4\nTimeoutAbortSec=2\n' > $drop/sooner.conf # than a minute
systemctl daemon-reload
must systemctl restart foretripd
sleep 6 # longer than the watchdog's time: it is fed
before=$(pid)
mustnot eval 'journalctl -u foretripd --no-pager | grep -q "Watchdog timeout"'
kill -STOP "$before"
within 40 eval '[ "$(pid)" != 0 ] && [ "$(pid)" != '"$before"' ] && systemctl is-active --quiet foretripd'
must eval 'journalctl -u foretripd --no-pager | grep -q "Watchdog timeout"'
rm -r $drop
systemctl daemon-reload
must systemctl restart foretripd
within 30 frames 3

ok "reload"
must systemctl reload foretripd
within 20 eval 'journalctl -u foretripd --no-pager | grep -q "the new configuration is in force"'

ok "upgrade"
before=$(pid)
must dpkg --force-confold -i /x/new.deb # as unattended upgrades do it: what was edited stays
within 30 eval '[ "$(pid)" != 0 ] && [ "$(pid)" != '"$before"' ]'
within 30 frames 3
must grep -q 'edited by hand' $conf/page.cfg               # edited, and the new package has the same: kept
must grep -q 'edited by hand' $conf/record.cfg             # edited, and the new package has another: kept
must [ -e $conf/record.cfg.dpkg-dist ]                     # with the new one beside it
mustnot grep -q 'of an older version' $conf/rules.cfg      # not edited: the new one
must answers "/api/v1/events?after=0&most=5" 'of the first version' # the record went on
must [ "$(stat -c %a:%U $db)" = 600:foretrip ]

ok "remove"
must dpkg -r foretrip
mustnot systemctl is-active --quiet foretripd
mustnot [ -e /usr/sbin/foretripd ]
must [ -e $conf/site.cfg ]
must [ -e $db ]

ok "purge"
must dpkg -P foretrip
mustnot [ -e $conf ]
mustnot [ -e /var/lib/foretrip ]
mustnot [ -e /etc/systemd/system/multi-user.target.wants/foretripd.service ]
must [ -z "$(find /etc /var/lib /usr /lib -xdev -name '*foretrip*' -not -path '/x/*' -not -path '/var/lib/systemd/*' 2> /dev/null)" ]
must id foretrip # stays, so that nobody else gets its number
end passed
