#!/bin/sh
# A house is commissioned at a terminal, its channels told by a load that is switched to a beat: a site.cfg is written after a yes
# and foretrip check takes it; and a walk through a site.cfg finds exchanged and open transformers. commission_walk.sh BUILD
set -u
. tests/lib.sh
b=$1
port=$(free_port)

# the house as it is: six branches, the kitchen's transformer on channel 3, the range's two on 5 and 6
mkdir "$dir/house"
cat > "$dir/house/site.cfg" << EOF
site = { id = "row-4"; name = "Row of rentals, number 4"; timezone = "America/Chicago"; standard = "UL489"; nominal_volts = 120.0; };
panels = ( { id = "main"; name = "Panel in the hall"; legs = 2; rating_amps = 100; } );
buses = ( { id = "lan"; host = "127.0.0.1"; port = $port; } );
meters = ( { id = "m1"; bus = "lan"; unit = 1; map = "branch-meter-12"; panel = "main"; } );
circuits = (
  { id = "kitchen"; panel = "main"; position = "1"; name = "Kitchen"; leg = "A"; breaker_amps = 20; meter = "m1"; channels = [ 3 ]; },
  { id = "bath"; panel = "main"; position = "3"; name = "Bath"; leg = "B"; breaker_amps = 20; meter = "m1"; channels = [ 1 ]; },
  { id = "range"; panel = "main"; position = "2,4"; name = "Range"; poles = 2; leg = "AB"; breaker_amps = 40; meter = "m1"; channels = [ 5, 6 ]; },
  { id = "fridge"; panel = "main"; position = "5"; name = "Refrigerator"; leg = "A"; breaker_amps = 15; meter = "m1"; channels = [ 2 ]; },
  { id = "hall"; panel = "main"; position = "6"; name = "Hall"; leg = "A"; breaker_amps = 15; meter = "m1"; channels = [ 4 ]; }
);
EOF
cat > "$dir/house.cfg" << EOF
house = { warm_up_minutes = 1.0; };
loads = (
  { id = "iron"; circuit = "kitchen"; watts = 1100.0; volts_exponent = 2.0; },
  { id = "heater"; circuit = "bath"; watts = 1100.0; volts_exponent = 2.0; },
  { id = "oven"; circuit = "range"; watts = 3000.0; volts_exponent = 2.0; },
  { id = "hall-iron"; circuit = "hall"; watts = 1100.0; volts_exponent = 2.0; },
  { id = "compressor"; circuit = "fridge"; watts = 160.0; power_factor = 0.85; inrush = 5.0; always = true;
    cycle_on_seconds = [ 20.0, 40.0 ]; cycle_off_seconds = [ 20.0, 60.0 ]; },
  { id = "router"; circuit = "hall"; watts = 20.0; power_factor = 0.6; always = true; }
);
EOF
: > "$dir/hands"
start house "$b/foretrip-house" --config "$dir/house" --house "$dir/house.cfg" --hands "$dir/hands" --start 10:00:00
until_true 30 listening "$port" || fail "the house does not answer"
at_terminal() { # at_terminal NAME HANDS COMMAND...: with $dir/NAME.answers; its output in $dir/NAME.said
    name=$1 hands=$2
    shift 2
    /usr/bin/python3 tests/scenario/commission_walk.py "$hands" "$dir/$name.answers" -- "$@" > "$dir/$name.said" 2>&1
}
answer() { printf '%s\t%s\t%s\n' "$2" "$3" "${4:-}" >> "$dir/$1.answers"; }

# ---- a new bus: site, name, zone, standard, volts, legs, rating; then breaker by breaker
mkdir "$dir/new"
for a in 'a short id|row-4' 'name or address|Number 4' 'time zone|America/Chicago' 'UL489 or IEC60898|' 'a leg and the neutral|' 'legs of the panel|2' 'of its main|100'; do
    answer new "${a%|*}" "${a#*|}"
done
answer new 'breaker (Enter' '1 kitchen'
answer new 'such as: 7 20' '1 20 Kitchen'
answer new 'ready (Enter)' '' iron
answer new 'breaker (Enter' '2,4 40 AB Range'
answer new 'ready (Enter)' '' oven
answer new 'breaker (Enter' '3 20 Bath'
answer new 'ready (Enter)' '3' # somebody reads the cable, and wrongly: that one is the kitchen's
answer new 'where breaker 1 is' '13'
answer new 'no channel of these' '1'
answer new 'breaker (Enter' ''
answer new 'write this to site.cfg?' 'yes'
at_terminal new "$dir/hands" "$b/foretrip" commission "127.0.0.1:$port" --walk --units 1-3 --config "$dir/new" &
first=$!

# ---- meanwhile, a site whose site.cfg has the bath's and the refrigerator's channels exchanged, and an open transformer in the hall
other=$(free_port)
cp -R "$dir/house" "$dir/wired"
sed -i "s/port = $port/port = $other/; /id = \"hall\"/s/channels = /ct_ratio = 10000.0; channels = /" "$dir/wired/site.cfg"
cp -R "$dir/house" "$dir/told"
sed -i "s/port = $port/port = $other/; /id = \"bath\"/s/\[ 1 \]/[ 2 ]/; /id = \"fridge\"/s/\[ 2 \]/[ 1 ]/" "$dir/told/site.cfg"
: > "$dir/other"
start other "$b/foretrip-house" --config "$dir/wired" --house "$dir/house.cfg" --hands "$dir/other" --start 10:00:00
until_true 30 listening "$other" || fail "the other house does not answer"
answer told 'Kitchen' 's'
answer told 'Bath' '' heater
answer told 'Range' 's'
answer told 'Refrigerator' 's'
answer told 'Hall' 'l' hall-iron
answer told 'channels exchanged?' 'yes'
at_terminal told "$dir/other" "$b/foretrip" commission lan --walk --seconds 0 --config "$dir/told"
told=$?
wait $first
new=$?

[ $new = 0 ] || { cat "$dir/new.said"; fail "the new bus: $new"; }
"$b/foretrip" check --config "$dir/new" > "$dir/check" || { cat "$dir/check"; fail "what was written is not usable"; }
written() { # written CIRCUIT CHANNELS REMARK
    grep -A1 "# $3" "$dir/new/site.cfg" | grep -q "id = \"$1\".*channels = \[ $2 \]" || { cat "$dir/new/site.cfg"; fail "$1 is not on $2, $3"; }
}
written main-1 3 'channel told by a load of 9\.'
written main-2-4 '5, 6' 'channel told by a load of 1[23]\.'
written main-3 1 'channel as somebody said'
grep -q '# unit 1, channel [24] carried .* A: no breaker was found for it' "$dir/new/site.cfg" || fail "what nobody walked is not named"
"$b/foretrip" read m1 --config "$dir/new" | grep -q '^main\.volts_a 1[12][0-9]' || fail "what was written does not read"

[ $told = 1 ] || { cat "$dir/told.said"; fail "the walk through a site: $told"; }
grep -q 'seen on the channel of breaker 5 (Refrigerator)' "$dir/told.said" || { cat "$dir/told.said"; fail "the bath was not seen elsewhere"; }
grep -q '^swapped bath: ' "$dir/told.said" || { cat "$dir/told.said"; fail "exchanged transformers"; }
grep -q '^ct_open hall: ' "$dir/told.said" || { cat "$dir/told.said"; fail "an open transformer"; }
[ "$(grep -c '^[a-z_]* [a-z]*: breaker' "$dir/told.said")" = 2 ] || { cat "$dir/told.said"; fail "more than these two"; }
grep -q 'licensed electrician under the local code' "$dir/told.said" || fail "without the cautions"
grep -q 'id = "bath".*channels = \[ 1 \] /\* was \[ 2 \] \*/; }' "$dir/told/site.cfg" || { cat "$dir/told/site.cfg"; fail "the bath's channel in site.cfg"; }
grep -q 'id = "fridge".*channels = \[ 2 \] /\* was \[ 1 \] \*/; }' "$dir/told/site.cfg" || { cat "$dir/told/site.cfg"; fail "the refrigerator's channel"; }
"$b/foretrip" check --config "$dir/told" > "$dir/check" || { cat "$dir/check"; fail "what was changed is not usable"; }
grep -q 'id = "bath".*channels = \[ 2 \]; }' "$dir/told/site.cfg.before" || fail "what it was is not kept"
echo "a house commissioned at a terminal: channels told by a switched load, site.cfg written and usable; exchanged and open transformers found by a walk"
