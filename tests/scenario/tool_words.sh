#!/bin/sh
# What the tool says to a person who types something wrong: which word, and what would be right. tool_words.sh BUILD
set -u
b=$1
dir=$(mktemp -d) || exit 1
trap 'rm -rf "$dir"' EXIT
rc=0
config=config/example
says() { # says CODE "WORDS" VERB ...: on standard error, in one line
    wanted=$1 words=$2
    shift 2
    "$b/foretrip" "$@" > "$dir/out" 2> "$dir/err"
    code=$?
    [ "$code" = "$wanted" ] || { echo "foretrip $*: ends with $code, not $wanted"; rc=1; }
    grep -qF -- "$words" "$dir/err" || { echo "foretrip $*: does not say \"$words\":"; cat "$dir/err"; rc=1; }
    [ "$(wc -l < "$dir/err")" = 1 ] || { echo "foretrip $*: not one line:"; cat "$dir/err"; rc=1; }
}

printf 'time,main-01.watts\n1772863200,1000\n1772863210,1000\n' > "$dir/in.csv"
"$b/foretrip" replay --config $config --readings "$dir/in.csv" --database "$dir/a.db" 2> "$dir/log" || { cat "$dir/log"; exit 1; }
set_of="--config $config --database $dir/a.db"

says 2 'there is no verb "stat"; the nearest is "status"' stat
says 2 'there is no verb "xyzzyx" (foretrip --help)' xyzzyx
says 2 '"--confg" is not known; the nearest is --config' loads --confg $config
says 2 '"-q" is not known (foretrip help status)' status -q
says 2 '--config is missing' alarms

# a circuit is named by its id; a position of a panel tells which that is
says 1 'site.cfg has no circuit "main-1"; did you mean "main-01"?' loads main-1 $set_of
says 1 'a circuit is named by its id, not "1": position 1 of Main panel, cellar is main-01' history 1 $set_of
says 1 'site.cfg has no circuit "nonesuch"' energy nonesuch $set_of
says 2 'site.cfg has no panel "mian"; did you mean "main"?' study --panel mian $set_of
says 1 'site.cfg has no circuit "nonesuch", and the record no call of that name' call nonesuch $set_of
says 2 'site.cfg has no meter "m9"; it has "' read m9 --config $config

# a record that is none, or is not where it is looked for
for verb in alarms loads verify export energy; do
    says 1 "$config/foretrip.db: No such file or directory; --database names the record" $verb --config $config
    says 1 "$dir/in.csv: the file is damaged, or no database" $verb --config $config --database "$dir/in.csv"
done

# a day that no month has
says 2 '"2026-02-31" is neither a date' history main-01 --from 2026-02-31 $set_of
says 2 '"2026-13-01" is neither a date' history main-01 --from 2026-13-01 $set_of
"$b/foretrip" history main-01 --from 2024-02-29 --to 2026-12-31 --csv $set_of > "$dir/out" || { echo "the 29th of February of a leap year is refused"; rc=1; }

says 2 '--for 90d is too long; shelving ends after 30d at the latest' shelve main-01.trip --for 90d --config $config
says 1 "$dir/none/site.cfg:1: is missing: there is no directory $dir/none" alarms --config "$dir/none"

# help wherever it is asked for, on standard output
for help in --help -h; do
    "$b/foretrip" loads main-01 $help > "$dir/out" 2> "$dir/err" || { echo "loads main-01 $help fails"; rc=1; }
    grep -q '^usage: foretrip loads' "$dir/out" || { echo "loads main-01 $help: no usage"; rc=1; }
done

# noise about nothing is no negative energy
printf 'time,main-01.watts\n' > "$dir/noise.csv"
awk 'BEGIN { for (i = 0; i < 7200; i += 10) printf "%d,-0.4\n", 1772863200 + i }' >> "$dir/noise.csv"
"$b/foretrip" replay --config $config --readings "$dir/noise.csv" --database "$dir/n.db" 2> "$dir/log" || { cat "$dir/log"; exit 1; }
"$b/foretrip" energy main-01 --config $config --database "$dir/n.db" > "$dir/out" || { echo "energy fails"; rc=1; }
grep -q ' 0\.00 kWh' "$dir/out" && ! grep -q -- '-0\.00' "$dir/out" || { echo "energy of noise:"; cat "$dir/out"; rc=1; }
exit $rc
