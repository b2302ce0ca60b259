#!/bin/sh
# The outside check of the main job beside a plain rule (over 80 % is a warning, a fall to zero is a trip) on the
# same houses: bench_trial.sh BUILD. FORETRIP_EVAL names the folder of trial.py (../shared/eval), FORETRIP_HOUSES a
# folder of houses made before; else two houses of four days are made (TRIAL_SEED, TRIAL_HOUSES, TRIAL_DAYS).
set -u
cd "$(dirname "$0")/../.." || exit 1
b=$1
eval=${FORETRIP_EVAL:-../shared/eval}
traces=${FORETRIP_TRACES:-../shared/traces}
if [ ! -x "$eval/trial.py" ] || [ ! -d "$traces" ]; then
    echo "skipped: the outside check and its traces are not here ($eval, $traces)"
    exit 0
fi
dir=$(mktemp -d) || exit 1
trap 'rm -rf "$dir"' EXIT
houses=${FORETRIP_HOUSES:-$dir/houses}
[ -d "$houses" ] || "$eval/trial.py" make --traces "$traces" --out "$houses" --seed "${TRIAL_SEED:-7}" \
    --houses "${TRIAL_HOUSES:-2}" --days "${TRIAL_DAYS:-4}" > /dev/null || exit 1
for who in ours plain; do # houses may be somebody else's: nothing is written there
    for h in "$houses"/house-*; do
        to=$dir/$who/$(basename "$h")
        mkdir -p "$to"
        for f in site.cfg readings.csv truth.json; do ln -s "$(readlink -f "$h/$f")" "$to/$f"; done
    done
done
"$eval/trial.py" run --houses "$dir/ours" --tool "$b/foretrip" | tail -n 1
"$eval/plain_rule.py" "$dir/plain" || exit 1
for who in ours plain; do "$eval/trial.py" score --houses "$dir/$who" --json "$dir/$who.json" > /dev/null || exit 1; done
/usr/bin/python3 - "$dir" <<'EOT'
import json, sys
a, b = (json.load(open("%s/%s.json" % (sys.argv[1], w))) for w in ("ours", "plain"))
print("%-34s %12s %12s" % ("", "foretrip", "plain rule"))
for k in a:
    if isinstance(a[k], (int, float, type(None))):
        print("%-34s %12s %12s" % (k, a[k], b[k]))
EOT
