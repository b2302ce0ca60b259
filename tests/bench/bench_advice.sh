#!/bin/sh
# What advice was worth where the truth is known: bench_advice.sh BUILD. FORETRIP_EVAL names the folder of trial.py
# (../shared/eval), FORETRIP_TRACES the traces; ADVICE_HOUSES are pairs of seed and house. A house takes minutes.
set -u
cd "$(dirname "$0")/../.." || exit 1
b=$1
eval=${FORETRIP_EVAL:-../shared/eval}
traces=${FORETRIP_TRACES:-../shared/traces}
if [ ! -f "$eval/trial.py" ] || [ ! -d "$traces" ]; then
    echo "skipped: the outside check and its traces are not here ($eval, $traces)"
    exit 0
fi
for pair in ${ADVICE_HOUSES:-21-1}; do
    tests/bench/advice_truth.py --eval "$eval" --traces "$traces" --tool "$b/foretrip" --seed "${pair%-*}" --house "${pair#*-}"
done | /usr/bin/python3 -c '
import json, sys
rows = [json.loads(l) for l in sys.stdin]
t = lambda k: sum(r[k] for r in rows)
print("%d houses, %d loads to move, %d circuits, %d breakers to test" % (len(rows), t("moves"), t("dedicated"), t("tests")))
print("trips that a move would have avoided: claimed %d, held in truth %d" % (t("claimed"), t("held")))
print("trips that a circuit would have avoided: claimed %d, held in truth %d" % (t("claimed_alone"), t("held_alone")))
print("of both, quiet for the hour after: %d" % t("quiet"))
print("openings of the circuits concerned: %d before, %d with the loads moved" % (t("before"), t("after")))
print("openings added on the receiving circuits: expected %.2f, in truth %d" % (t("added_said"), t("added")))
print("breakers to be tested: %d, worn in truth %d" % (t("tests"), t("worn_true")))'
