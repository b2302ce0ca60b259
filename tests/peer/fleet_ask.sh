#!/bin/sh
# A unit's sheet, fetched from its gateway on demand through a broker: of a simulated unit and of a real gateway with its house, of
# one trip, with less in it for a manager. And what goes wrong: nobody there, no answer in time, an answer from another unit, one
# that is too long, one that is no JSON, a gateway that says no, a broker that does not let us. fleet_ask.sh BUILD
set -u
. tests/lib.sh
b=$1
port=$(free_port)
meter=$(free_port)
start_broker "$port"
mkdir "$dir/centre"
echo "broker = { host = \"127.0.0.1\"; port = $port; };" > "$dir/centre/fleet.cfg"
sheet() { # sheet UNIT [TRIP]: into $dir/said and $dir/why; what it ends with
    "$b/foretrip-fleet" sheet --config "$dir/centre" ${wait:-} "$@" > "$dir/said" 2> "$dir/why"
}
says() { grep -q -- "$1" "$dir/said" || { cat "$dir/said" "$dir/why" >&2; fail "it does not say: $1"; }; }
refused() { # refused SENTENCE UNIT [TRIP]
    sentence=$1
    shift
    sheet "$@" && fail "$1 is answered"
    grep -q -- "$sentence" "$dir/why" || { cat "$dir/why" >&2; fail "$1: not '$sentence'"; }
}

# ---- simulated units ----
start simulate "$b/foretrip-fleet" simulate --config "$dir/centre" --sites 3 --history 200 --rate 0.1
answers() { sheet unit-00001; }
until_true 60 answers || { cat "$dir/why" >&2; fail "a simulated unit does not answer"; }
says '^[^ ].*(unit-00001), as its gateway says'
says 'is no protective device'
trip=$(sed -n 's/.*  \(main-[0-9]*-[0-9]*\)$/\1/p' "$dir/said" | head -1)
[ -n "$trip" ] || fail "no trip in a year"
sheet unit-00001 "$trip" || fail "the trip $trip is not told"
says '^This trip'
says "$trip"
refused 'there is no such trip' unit-00001 main-77-1
refused "gateway is not connected" nobody-1

# ---- a real one ----
demo_site "$meter" "$port"
echo "page = { off = true; };" > "$dir/site/page.cfg"
cat >> "$dir/site/delivery.cfg" <<'EOT'
people = ( { id = "centre"; name = "The manager"; role = "manager"; }, { id = "trade"; name = "The electrician"; role = "electrician"; } );
EOT
site=alder-31
start house "$b/foretrip-house" --config "$dir/site" --house "$dir/site/house.cfg" --tcp "127.0.0.1:$meter"
until_true 30 listening "$meter" || fail "the house does not serve"
start gateway "$b/foretripd" --config "$dir/site" --state "$dir/state"
answers() { sheet "$site" && grep -q ' A breaker .* A ' "$dir/said"; }
until_true 20 answers || { cat "$dir/why" "$dir/said" >&2; fail "the gateway does not answer"; }
mkdir "$dir/manager"
cp "$dir/centre/fleet.cfg" "$dir/manager/"
echo 'fleet = { ask_as = "centre"; };' >> "$dir/manager/fleet.cfg"
"$b/foretrip-fleet" sheet --config "$dir/manager" "$site" > "$dir/said" 2> "$dir/why" || fail "the manager is not answered: $(cat "$dir/why")"
says 'without what the people there have on'
grep -q ' A breaker .*[0-9] A ' "$dir/said" && fail "a manager sees what is on"
refused 'there is no trip' "$site" main-99.1
sed -i 's/ask_as = "centre"/ask_as = "stranger"/' "$dir/manager/fleet.cfg"
"$b/foretrip-fleet" sheet --config "$dir/manager" "$site" > "$dir/said" 2> "$dir/why" && fail "a stranger is answered"
grep -q "has no person 'stranger'" "$dir/why" || fail "a stranger is refused without a reason: $(cat "$dir/why")"

# ---- gateways that behave oddly: each takes one question and answers with what `with` makes of its id and topic ----
odd() { # odd UNIT COMMAND..: in the background; COMMAND gets ID and TOPIC
    unit=$1
    shift
    rm -f "$dir/odd.ready"
    (
        stdbuf -oL mosquitto_sub -p "$port" -d -C 1 -t "foretrip/$unit/command/sheet" > "$dir/odd.$unit" 2>&1
        line=$(grep '^{' "$dir/odd.$unit")
        id=$(echo "$line" | sed -n 's/.*"id":"\([0-9a-f]*\)".*/\1/p')
        topic=$(echo "$line" | sed -n 's/.*"reply_to":"\([^"]*\)".*/\1/p')
        "$@" "$id" "$topic"
    ) &
    pids="$pids $!"
    subscribed() { grep -q SUBACK "$dir/odd.$unit" 2>/dev/null; }
    until_true 10 subscribed || fail "the odd gateway does not subscribe"
}
silent() { :; }
foreign() { # as another unit, then rightly with another's id, then rightly
    mosquitto_pub -p "$port" -q 1 -t "$(echo "$2" | sed 's|foretrip/[^/]*/|foretrip/unit-00002/|')" -m "{\"id\":\"$1\",\"ok\":false,\"error\":\"forged\"}"
    mosquitto_pub -p "$port" -q 1 -t "$2" -m '{"id":"0123456789abcdef0123456789abcdef","ok":false,"error":"forged"}'
    mosquitto_pub -p "$port" -q 1 -t "$2" -m "{\"id\":\"$1\",\"ok\":false,\"error\":\"the right one\\u001b[2J\"}"
}
broken() { mosquitto_pub -p "$port" -V 5 -q 1 -D publish correlation-data "$1" -t "$2" -m "{\"id\":\"$1\",\"ok\":"; }
large() {
    head -c 1100000 /dev/zero | tr '\0' ' ' > "$dir/large"
    mosquitto_pub -p "$port" -V 5 -q 1 -D publish correlation-data "$1" -t "$2" -f "$dir/large"
}
odd odd-1 silent
wait="--wait 2"
refused 'no answer in time' odd-1
wait="--wait 20"
odd odd-2 foreign
refused 'refuses: the right one' odd-2
grep -q "$(printf '\033')" "$dir/why" && fail "a gateway's sentence reaches the terminal as it is"
odd odd-3 broken
refused 'cannot be read' odd-3
odd odd-4 large
refused 'too long' odd-4

# ---- a broker that does not let us, and none at all ----
other=$(free_port)
cat > "$dir/strict.conf" <<EOT
user $(id -un)
listener $other 127.0.0.1
allow_anonymous true
acl_file $dir/strict.acl
EOT
printf 'topic read foretrip/+/up\n' > "$dir/strict.acl"
start strict mosquitto -c "$dir/strict.conf"
until_true 10 listening "$other" || fail "the strict broker does not start"
sed -i "s/port = [0-9]*/port = $other/" "$dir/centre/fleet.cfg"
refused 'does not let this centre ask' unit-00001
sed -i "s/port = [0-9]*/port = 1/" "$dir/centre/fleet.cfg"
wait="--wait 2"
refused 'the broker is not there' unit-00001
printf 'fleet = { intake = "amqp"; };\n' > "$dir/centre/fleet.cfg"
refused 'mqtt must say where' unit-00001
echo "sheets of simulated and real units; eight ways to go wrong are named"
