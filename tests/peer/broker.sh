# broker.sh - for the tests beside it: a private mosquitto on a free loopback port, and waiting for
# conditions. Sourced, after `dir` is a directory of the test's own.

need() { # need PROGRAM: skips the test when it is not there
    command -v "$1" > /dev/null || { echo "$1 is not installed"; exit 77; }
}

free_port() {
    python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])'
}

# wait_until SECONDS COMMAND..: asks again every 50 ms, fails when the time is over
wait_until() {
    deadline=$(($(date +%s) + $1))
    shift
    until "$@"; do
        [ "$(date +%s)" -le "$deadline" ] || { echo "waited in vain for: $*"; return 1; }
        sleep 0.05
    done
}

listening() { # listening PORT
    python3 -c 'import socket, sys; socket.create_connection(("127.0.0.1", int(sys.argv[1])), 1)' "$1" 2> /dev/null
}

gone() { # gone PID
    ! kill -0 "$1" 2> /dev/null
}

# broker_start [LINE]..: more lines of configuration. Sets broker_pid; port is set before.
broker_start() {
    {
        echo "listener $port 127.0.0.1"
        [ $# -gt 0 ] || echo "allow_anonymous true"
        echo "max_queued_messages 0"
        echo "persistence true"
        echo "persistence_location $dir/"
        echo "user $(id -un)"
        for line in "$@"; do echo "$line"; done
    } > "$dir/broker.conf"
    mosquitto -c "$dir/broker.conf" >> "$dir/broker.log" 2>&1 &
    broker_pid=$!
    wait_until 10 listening "$port"
}

# ends it as the system would: what it has acknowledged is then in its file
broker_stop() {
    kill "$broker_pid" && wait "$broker_pid" 2> /dev/null
    broker_pid=
}
