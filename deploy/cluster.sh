#!/bin/sh
# One node of a RabbitMQ cluster with the MQTT plugin, without systemd, on loopback; for a cluster on several machines the same
# settings go to /etc/rabbitmq on each (docs/fleet.md). As root the server runs as the user rabbitmq.
#
#   cluster.sh prepare DIR EPMD_PORT NODE:MQTT_PORT:AMQP_PORT:DIST_PORT...   configuration of all nodes, in DIR
#   cluster.sh epmd DIR                                                      Erlang's port mapper, in the foreground
#   cluster.sh start DIR NODE                                                a node, in the foreground; they find one another
#   cluster.sh ctl DIR NODE ARGUMENT...                                      rabbitmqctl
set -eu

as_server() {
    if [ "$(id -u)" = 0 ]; then exec setpriv --reuid=rabbitmq --regid=rabbitmq --init-groups "$@"; else exec "$@"; fi
}

sbin() {
    for d in /usr/lib/rabbitmq/lib/rabbitmq_server-*/sbin; do [ -x "$d/rabbitmq-server" ] && echo "$d" && return; done
    echo "rabbitmq-server is not installed" >&2
    exit 77
}

prepare() { # prepare DIR EPMD_PORT NODE:MQTT:AMQP:DIST...
    dir=$1
    echo "$2" > "$dir/epmd.port"
    shift 2
    head -c 24 /dev/urandom | base64 | tr -d '+/=\n' > "$dir/.erlang.cookie"
    echo '[rabbitmq_mqtt,rabbitmq_consistent_hash_exchange].' > "$dir/plugins"
    n=0
    peers=
    for node in "$@"; do
        n=$((n + 1))
        peers="${peers}cluster_formation.classic_config.nodes.$n = ${node%%:*}@localhost
"
    done
    for node in "$@"; do
        name=${node%%:*} rest=${node#*:}
        mqtt=${rest%%:*} rest=${rest#*:}
        amqp=${rest%%:*} dist=${rest#*:}
        mkdir -p "$dir/$name"
        echo "$amqp $dist" > "$dir/$name/ports"
        # anonymous: for loopback alone; a cluster that others reach has users, and TLS (docs/fleet.md)
        cat > "$dir/$name/rabbitmq.conf" <<EOT
listeners.tcp.default = 127.0.0.1:$amqp
mqtt.listeners.tcp.default = 127.0.0.1:$mqtt
mqtt.allow_anonymous = true
mqtt.tcp_listen_options.nodelay = true
tcp_listen_options.nodelay = true
cluster_formation.peer_discovery_backend = classic_config
cluster_formation.randomized_startup_delay_range.min = 0
cluster_formation.randomized_startup_delay_range.max = 2
disk_free_limit.absolute = 50MB
vm_memory_high_watermark.relative = 0.6
$peers
EOT
    done
    chmod 400 "$dir/.erlang.cookie"
    [ "$(id -u)" != 0 ] || chown -R rabbitmq:rabbitmq "$dir"
}

environment() { # environment DIR NODE
    read -r amqp dist < "$1/$2/ports"
    export HOME="$1" RABBITMQ_NODENAME="$2@localhost" RABBITMQ_NODE_IP_ADDRESS=127.0.0.1 RABBITMQ_NODE_PORT="$amqp" \
        RABBITMQ_DIST_PORT="$dist" RABBITMQ_CONFIG_FILE="$1/$2/rabbitmq.conf" RABBITMQ_MNESIA_BASE="$1/$2/mnesia" \
        RABBITMQ_LOG_BASE="$1/$2/log" RABBITMQ_PID_FILE="$1/$2/pid" RABBITMQ_ENABLED_PLUGINS_FILE="$1/plugins" \
        RABBITMQ_CONF_ENV_FILE=/dev/null ERL_EPMD_ADDRESS=127.0.0.1 ERL_EPMD_PORT="$(cat "$1/epmd.port")" \
        RABBITMQ_SERVER_ADDITIONAL_ERL_ARGS="-kernel inet_dist_use_interface {127,0,0,1}" LANG=C.UTF-8
}

act=$1 dir=$2
shift 2
case $act in
prepare) prepare "$dir" "$@" ;;
epmd) as_server epmd -address 127.0.0.1 -port "$(cat "$dir/epmd.port")" ;;
start)
    environment "$dir" "$1"
    cd / # where everybody may be
    as_server "$(sbin)/rabbitmq-server"
    ;;
ctl)
    node=$1
    shift
    environment "$dir" "$node"
    cd /
    as_server "$(sbin)/rabbitmqctl" "$@"
    ;;
*) sed -n '2,9s/^# \{0,1\}//p' "$0" >&2; exit 2 ;;
esac
