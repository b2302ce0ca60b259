# lib.sh - what the tests that start programs share; sourced (. tests/lib.sh), from the project's root.
# A directory of its own in $dir; everything started with `start` is ended with the test.

dir=$(mktemp -d "${TMPDIR:-/tmp}/foretrip-test.XXXXXX")
pids=

finish() {
    rc=$?
    trap - EXIT INT TERM
    for p in $pids; do kill "$p" 2>/dev/null || :; done
    for p in $pids; do wait "$p" 2>/dev/null || :; done
    [ -n "${KEEP:-}" ] || rm -rf "$dir"
    exit $rc
}
trap finish EXIT
trap 'exit 130' INT TERM HUP PIPE # PIPE: whoever reads our output has gone

free_port() { # a port that nobody listens on at the moment
    /usr/bin/python3 deploy/ports.py
}

start() { # start LOGNAME COMMAND...: in the background, output to $dir/LOGNAME.log; its pid in $started
    log=$dir/$1.log
    shift
    "$@" >> "$log" 2>&1 &
    started=$!
    pids="$pids $started"
}

until_true() { # until_true SECONDS COMMAND...: tries it every 0.1 s
    deadline=$(($(date +%s) + $1))
    shift
    until "$@" >/dev/null 2>&1; do
        [ "$(date +%s)" -lt "$deadline" ] || return 1
        sleep 0.1
    done
}

listening() { # listening PORT
    /usr/bin/python3 -c "import socket; socket.create_connection(('127.0.0.1', $1), 1).close()"
}

fail() { # fail TEXT: and the logs
    echo "failed: $*"
    for f in "$dir"/*.log; do
        [ -f "$f" ] && echo "--- $(basename "$f")" && tail -n 25 "$f"
    done
    exit 1
}

start_broker() { # start_broker PORT
    printf 'user %s\nlistener %s 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location %s/\nmax_queued_messages 0\nset_tcp_nodelay true\n' \
        "$(id -un)" "$1" "$dir" > "$dir/broker.conf"
    start broker "$(command -v mosquitto || echo /usr/sbin/mosquitto)" -c "$dir/broker.conf"
    until_true 10 listening "$1" || fail "the broker does not listen"
}

start_house() { # start_house METER_PORT [OPTION...]: the demonstration house of $dir/site, at an hour at which nobody switches anything on
    house_port=$1
    shift
    start house "$b/foretrip-house" --config "$dir/site" --house "$dir/site/house.cfg" --tcp "127.0.0.1:$house_port" --start 02:30:00 "$@"
    until_true 10 listening "$house_port" || fail "the house does not listen"
}

demo_site() { # demo_site METER_PORT BROKER_PORT: the demonstration house's configuration in $dir/site
    cp -R config/demo "$dir/site"
    sed "s/port = 1502/port = $1/" config/demo/site.cfg > "$dir/site/site.cfg"
    sed "s/port = 1883/port = $2/" config/demo/delivery.cfg > "$dir/site/delivery.cfg"
}
