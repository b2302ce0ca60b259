#!/bin/sh
# Debian's mbpoll, which nobody here wrote, reads the simulated house over TCP and over a serial line, by
# integers and by floats; what it reads is what the house says that it did. mbpoll_house.sh BUILD
set -eu
cd "$(dirname "$0")/../.."
b=$1
command -v mbpoll > /dev/null || { echo "mbpoll is not installed"; exit 77; }
dir=$(mktemp -d "${TMPDIR:-/tmp}/foretrip-mbpoll.XXXXXX")
house=
finish() {
    [ -z "$house" ] || { kill "$house" 2> /dev/null || :; wait "$house" 2> /dev/null || :; }
    rm -rf "$dir"
}
trap finish EXIT
trap 'exit 1' INT TERM

cat > "$dir/site.cfg" << 'EOT'
site = { id = "t"; name = "Test"; timezone = "UTC"; standard = "UL489"; nominal_volts = 120.0; };
panels = ( { id = "main"; name = "Main"; legs = 2; rating_amps = 200; } );
buses = ( { id = "lan"; host = "127.0.0.1"; port = 1502; },
          { id = "line"; device = "/dev/ttyUSB9"; baud = 19200; parity = "even"; } );
meters = ( { id = "m1"; bus = "lan"; unit = 1; map = "branch-meter-42"; panel = "main"; },
           { id = "m2"; bus = "line"; unit = 7; map = "branch-meter-12"; panel = "main"; } );
circuits = (
  { id = "main-01"; panel = "main"; position = "1"; name = "One"; leg = "A"; breaker_amps = 20; meter = "m1"; channels = [ 1 ]; },
  { id = "main-02"; panel = "main"; position = "2"; name = "Two"; leg = "A"; breaker_amps = 20; meter = "m1"; channels = [ 2 ]; },
  { id = "main-03"; panel = "main"; position = "3"; name = "Three"; leg = "B"; breaker_amps = 20; meter = "m2"; channels = [ 3 ]; },
  { id = "main-04"; panel = "main"; position = "4"; name = "Four"; leg = "B"; breaker_amps = 20; meter = "m2"; channels = [ 4 ]; } );
EOT
cat > "$dir/house.cfg" << 'EOT'
loads = (
  { id = "heater"; circuit = "main-01"; watts = 1440.0; always = true; spread = 0.1; noise = 0.0; },
  { id = "pump";   circuit = "main-02"; watts = 600.0; power_factor = 0.7; always = true; spread = 0.1; noise = 0.0; },
  { id = "lamp";   circuit = "main-03"; watts = 300.0; always = true; spread = 0.1; noise = 0.0; },
  { id = "kettle"; circuit = "main-04"; watts = 1500.0; starts_per_day = 0.0; spread = 0.1; noise = 0.0; },
  { id = "mark";   circuit = "main-04"; watts = 0.01; starts_per_day = 0.0; } );
script = ( { at = 0.2; act = "on"; load = "kettle"; seconds = 600.0; },
           { at = 1.0; act = "on"; load = "mark"; seconds = 600.0; } ); # the meters have settled
EOT
# so that every load says how big it is within the time of the test: no warm-up
sed -i '1i house = { warm_up_minutes = 0.0; };' "$dir/house.cfg"

"$b/foretrip-house" --config "$dir" --house "$dir/house.cfg" --tcp lan=127.0.0.1:0 \
    --rtu-pty "line=$dir/line" --paced --truth "$dir/truth" > "$dir/log" 2>&1 &
house=$!
i=0
until grep -q '"load":"mark"' "$dir/truth" 2> /dev/null; do
    i=$((i + 1))
    [ $i -lt 100 ] || { cat "$dir/log"; exit 1; }
    sleep 0.1
done
port=$(sed -n 's/^bus lan is served on 127.0.0.1 port //p' "$dir/log")

said() { # said LOAD: the amps that the house told
    sed -n 's/.*"type":"load_on".*"load":"'"$1"'","amps":\([0-9.]*\).*/\1/p' "$dir/truth" | head -n 1
}
value() { # value REGISTER < what mbpoll printed
    awk -v r="[$1]:" '$1 == r { print $2 }'
}
near() { # near WHAT READ WANTED PERCENT
    awk -v what="$1" -v a="$2" -v b="$3" -v p="$4" 'BEGIN {
        good = a != "" && b > 0 && a >= b * (1 - p / 100) && a <= b * (1 + p / 100)
        printf "%s: mbpoll reads %s, the house says %s%s\n", what, a, b, good ? "" : " - TOO FAR APART"
        exit !good }'
}

tcp=$(mbpoll -q -m tcp -p "$port" -a 1 -t 3 -0 -r 0 -c 45 -1 127.0.0.1)
line=$(mbpoll -q -m rtu -b 19200 -P even -a 7 -t 4:float -0 -r 256 -c 16 -1 -o 2 "$dir/line")
near "heater, hundredths of an amp" "$(echo "$tcp" | value 0)" "$(said heater | awk '{print $1 * 100}')" 1
near "pump, hundredths of an amp" "$(echo "$tcp" | value 1)" "$(said pump | awk '{print $1 * 100}')" 1
near "leg A, tenths of a volt" "$(echo "$tcp" | value 42)" 1210 3
near "lamp, a float over the serial line" "$(echo "$line" | value 272)" "$(said lamp)" 1.5
near "kettle, a float over the serial line" "$(echo "$line" | value 280)" "$(said kettle)" 1.5
# volts over amps are what watts say: the same channel's other registers
near "lamp, its volts" "$(echo "$line" | value 278)" 121 3
near "lamp, its watts" "$(echo "$line" | value 274)" \
    "$(echo "$line" | awk '$1 == "[272]:" { a = $2 } $1 == "[278]:" { print a * $2 }')" 2

# a channel without a circuit says so in the map's word; beyond the map is an illegal address
[ "$(echo "$tcp" | value 10)" = 65535 ] || { echo "channel 11 is not absent"; exit 1; }
if mbpoll -q -m tcp -p "$port" -a 1 -t 3 -0 -r 5000 -c 1 -1 127.0.0.1 > "$dir/refused" 2>&1; then
    echo "a register beyond the map was answered"
    exit 1
fi
grep -qi 'illegal data address' "$dir/refused" || { cat "$dir/refused"; exit 1; }
